"""Looking after the file: is it whole, and a copy of it elsewhere."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Final

from planner.intake import printable
from planner.store.connection import connected, told
from planner.store.errors import StoreError, UnusableFile

SIDECARS: Final = ("-wal", "-shm", "-journal")


def problems(link: sqlite3.Connection) -> tuple[str, ...]:
    """Return what is wrong with a store: SQLite's own checks, and each content's digest."""
    found = [row[0] for row in link.execute("PRAGMA integrity_check") if row[0] != "ok"]
    for table, _, parent, _ in link.execute("PRAGMA foreign_key_check"):
        found.append(f"a row of {table} names a row of {parent} that is not there")
    for digest, content in link.execute("SELECT digest, content FROM contents"):
        if hashlib.sha256(content.encode()).hexdigest() != digest:
            found.append(f"content {digest} has been changed")
    return tuple(found)


def backup(source: Path, target: Path) -> None:
    """Copy a store into one file, replaced whole or not at all.

    SQLite's online backup copies one state while others go on writing. The copy is checked,
    brought to the disk and then renamed, so that a bad one never takes a good one's place.

    Parameters
    ----------
    source, target : Path
        Absolute paths of the store and of the copy.

    Raises
    ------
    UnusableFile
        When the target is the store itself, is open, or cannot be written.
    StoreError
        When the copy is not whole.
    """
    _check_target(source, target)
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=".writing-", suffix=".part")
    except OSError as error:
        reason = error.strerror or "a folder that cannot be written"
        raise UnusableFile.told(
            printable(target.name), reason, "a folder that can be written", "Choose another folder."
        ) from None
    os.close(handle)
    copy = Path(name)
    try:
        _copy(source, copy)
        copy.chmod(source.stat().st_mode & 0o777)
        _sync(copy)
        _check_target(source, target)
        copy.replace(target)
        _sync(target.parent)
    finally:
        for suffix in ("", *SIDECARS):
            Path(name + suffix).unlink(missing_ok=True)


def _copy(source: Path, copy: Path) -> None:
    with connected(source, begin="") as link:
        try:
            with closing(sqlite3.connect(copy, isolation_level=None)) as other:
                link.backup(other)
                other.execute("PRAGMA journal_mode = DELETE")  # one file, no log beside it
                found = problems(other)
        except sqlite3.Error as error:
            raise told(copy, error) from error
    if found:
        raise StoreError(f"the copy is not whole and was thrown away: {found[0]}")


def _check_target(source: Path, target: Path) -> None:
    """Refuse a target that a copy must not replace.

    A log left beside the target would be played into the copy when it is opened, and spoil it.
    """
    name = printable(target.name)
    if target.exists() and target.samefile(source):
        raise UnusableFile.told(name, "the store itself", "another file", "Choose another name.")
    for suffix in SIDECARS:
        if Path(f"{target}{suffix}").exists():
            raise UnusableFile.told(
                name, f"a store that is open ({printable(target.name + suffix)} is there)",
                "a new name, or a file that nobody has open", "Choose another name.",
            )  # fmt: skip


def _sync(path: Path) -> None:
    """Bring a file (or a folder's names) to the disk."""
    if path.is_dir() and os.name == "nt":
        return  # Windows cannot and need not
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
