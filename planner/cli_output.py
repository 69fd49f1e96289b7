"""Where results go: refused before work is done when they cannot, written whole or not at all."""

from __future__ import annotations

import os
import sys
import tempfile
from argparse import Namespace
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from shutil import rmtree
from typing import Any, Final

from planner.errors import Fault, InputError

FILES: Final = ("json", "html", "clean")
FOLDERS: Final = ("csv",)


def require_writable(arguments: Namespace) -> None:
    """Refuse every target that cannot be written before any work is done for it.

    Raises
    ------
    InputError
        With one fault for each.
    """
    faults = list(_unwritable(arguments))
    if faults:
        raise InputError(faults)


def _unwritable(arguments: Namespace) -> Iterator[Fault]:
    for name in (*FILES, *FOLDERS):
        target = getattr(arguments, name, None)
        if target is None or (target == "-" and name == "json"):
            continue
        path, kind = Path(target), "folder" if name in FOLDERS else "file"
        if kind == "file" and path.is_dir():
            reason = "it is a folder"
        elif kind == "folder" and path.exists() and not path.is_dir():
            reason = "it is a file"
        elif not path.parent.is_dir():
            reason = "the folder it is to stand in is not there"
        elif not os.access(path if path.is_dir() else path.parent, os.W_OK):
            reason = "its folder cannot be written"
        else:
            continue
        yield Fault(path.name, "", "", f"--{name}", reason, f"a {kind} that can be written",
                    "Name another.")  # fmt: skip


def give_json(target: str | None, make: Callable[[], dict[str, Any]]) -> bool:
    """Write the result as JSON where it is asked for; say whether it went to the screen."""
    if target is None:
        return False
    import json

    text = json.dumps(make(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    if target == "-":
        sys.stdout.write(text)
        return True
    give_text(target, text)
    return False


def give_text(target: str, text: str) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    InputError
        When it cannot be written.
    """
    from planner.files import write_text

    try:
        write_text(Path(target), text)
    except OSError as error:
        raise InputError([_failed(target, error, "a file that can be written")]) from None


def give_folder(target: str, files: Mapping[str, str]) -> None:
    """Write files into a folder: all are written beside it first, then each takes its place.

    Other files in the folder are left alone.

    Raises
    ------
    InputError
        When they cannot be written; the folder is then as it was.
    """
    from planner.files import write_text

    path = Path(target)
    try:
        is_new = not path.exists()
        within = path.parent if is_new else path
        ready = Path(tempfile.mkdtemp(dir=within, prefix=".writing-", suffix=".part"))
        try:
            for name, text in files.items():
                write_text(ready / name, text)
            if is_new:
                ready.chmod(0o755)
                ready.rename(path)
            else:
                for name in files:
                    (ready / name).replace(path / name)
        finally:
            rmtree(ready, ignore_errors=True)
    except OSError as error:
        raise InputError([_failed(target, error, "a folder that can be written")]) from None


def _failed(target: str, error: OSError, allowed: str) -> Fault:
    reason = error.strerror or "cannot be written"
    return Fault(Path(target).name, "", "", "", reason, allowed, "")
