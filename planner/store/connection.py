"""Connections: one per call, set up the same way each time, errors told in words.

A connection per call costs about a millisecond and leaves nothing open between calls: no thread
or forked process can inherit one (SQLite's locks do not survive a fork), and the file is alone,
without its log, whenever nobody is writing.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final, Literal

from planner.intake import printable
from planner.store.errors import StoreBusy, StoreError, UnusableFile

BUSY_S: Final = 10.0  # how long a call waits for another process; our own
SETTINGS: Final = (
    "PRAGMA foreign_keys = ON",
    "PRAGMA synchronous = FULL",  # a commit is on the disk before it is acknowledged
    "PRAGMA trusted_schema = OFF",
)


@contextmanager
def connected(
    path: Path, *, mode: Literal["rw", "rwc"] = "rw", begin: str = "BEGIN"
) -> Iterator[sqlite3.Connection]:
    """Open a connection for one transaction: committed when the block ends, else rolled back.

    Parameters
    ----------
    path : Path
        Absolute path of the file.
    mode : {"rw", "rwc"}
        The file must be there, or may be made.
    begin : str
        ``"BEGIN"`` to read one state, ``"BEGIN IMMEDIATE"`` to write, ``""`` for none.

    Raises
    ------
    StoreError
        What SQLite could not do, in words.
    """
    try:
        uri = f"{path.as_uri()}?mode={mode}"
        link = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)
        with closing(link):
            for setting in SETTINGS:
                link.execute(setting)
            if begin:
                link.execute(begin)
            try:
                yield link
                if link.in_transaction:
                    link.execute("COMMIT")
            finally:
                if link.in_transaction:
                    link.execute("ROLLBACK")
    except sqlite3.Error as error:
        raise told(path, error) from error


def told(path: Path, error: sqlite3.Error) -> Exception:  # noqa: PLR0911 - one a kind of error
    """Return what an error of SQLite means for the user; a slip of ours comes back as it is."""
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return error
    name = printable(path.name)
    match code & 0xFF:
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return StoreBusy(
                f"{name}: another process has held the file for {BUSY_S:g} s; nothing was written. "
                "Try again, or close the other program."
            )
        case sqlite3.SQLITE_NOTADB:
            mend = "Is it the right file? Choose another name for the store."
            return UnusableFile.told(name, "no database", "a store made by this program", mend)
        case sqlite3.SQLITE_CORRUPT:
            mend = "Open the newest backup in its place; keep the damaged file."
            return UnusableFile.told(name, "a damaged database", "a whole one", mend)
        case sqlite3.SQLITE_CANTOPEN:
            mend = "Check name, folder and rights."
            return UnusableFile.told(name, "no file that can be opened", "a file there", mend)
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM:
            mend = "Copy it to a folder where you may write."
            return UnusableFile.told(name, "a file that may only be read", "a writable one", mend)
        case sqlite3.SQLITE_FULL | sqlite3.SQLITE_IOERR:
            return StoreError(
                f"{name}: the disk is full or failing ({error}); nothing was written. "
                "Make room, then save again."
            )
    return error
