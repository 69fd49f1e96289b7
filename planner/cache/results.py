"""Finished pieces of a regional study in a folder, kept through kill -9.

One SQLite file: each piece is its own transaction, on the disk before the next is looked at, and
half a write is taken back by SQLite when the file is next opened. While a run has the folder no
other can write there; the lock ends with the process, however that ends.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from planner.cache.pieces import Piece
from planner.errors import Fault, InputError
from planner.intake import printable

FILE: Final = "pieces.sqlite3"
MARK: Final = 0x4F585052  # application_id of such a file; ours, picked by us


class Results:
    """Finished pieces by key; opened by one run at a time.

    Parameters
    ----------
    folder : str or Path
        Made where it is not there; the folder that it stands in must be.

    Raises
    ------
    InputError
        When it cannot be made or opened, is no such file, or another run has it.
    """

    def __init__(self, folder: str | Path) -> None:
        self._folder = Path(folder)
        try:
            self._folder.mkdir(exist_ok=True)
        except OSError as error:
            reason = error.strerror or "cannot be made"
            raise self._unfit(reason, "a folder that can be written", "Name another.") from None
        try:
            self._link = sqlite3.connect(self._folder / FILE, timeout=0, isolation_level=None)
        except sqlite3.Error as error:
            raise self._told(error) from None
        try:
            self._prepare()
        except sqlite3.Error as error:
            self._link.close()
            raise self._told(error) from None
        except InputError:
            self._link.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self.close()

    def close(self) -> None:
        """Let go of the folder."""
        self._link.close()

    def get(self, key: str) -> Piece | None:
        """Return a finished piece; None where there is none, or its row is damaged."""
        try:
            row = self._link.execute("SELECT body, sum FROM piece WHERE key = ?", (key,)).fetchone()
        except sqlite3.Error as error:
            raise self._told(error) from None
        return None if row is None else _piece(key, *row)

    def put(self, piece: Piece) -> None:
        """Keep a finished piece; it is on the disk when this returns.

        Raises
        ------
        InputError
            When the disk does not take it; what was kept before stays.
        """
        body = json.dumps(asdict(piece), sort_keys=True)
        row = (piece.key, body, _sum(body))
        try:
            self._link.execute("INSERT OR REPLACE INTO piece VALUES (?, ?, ?)", row)
        except sqlite3.Error as error:
            raise self._told(error) from None

    def __len__(self) -> int:
        return int(self._link.execute("SELECT count(*) FROM piece").fetchone()[0])

    def _prepare(self) -> None:
        run = self._link.execute
        run("PRAGMA locking_mode = EXCLUSIVE")
        run("PRAGMA synchronous = EXTRA")  # the folder's entry of the rollback file too
        run("BEGIN EXCLUSIVE")
        mark = run("PRAGMA application_id").fetchone()[0]
        is_new = run("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
        if mark != MARK and not is_new:
            mend = "Name a folder that holds nothing, or one of an earlier run."
            raise self._unfit("a database of something else", "results of this program", mend)
        run(f"PRAGMA application_id = {MARK}")
        run("CREATE TABLE IF NOT EXISTS piece (key TEXT PRIMARY KEY, body TEXT, sum TEXT)")
        run("COMMIT")

    def _told(self, error: sqlite3.Error) -> InputError:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
            mend = "Wait until it has ended, stop it, or name another folder."
            return self._unfit("in use by another run", "one run at a time", mend)
        if code in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT}:
            mend = f"Move {FILE} away; its pieces will be worked out again."
            return self._unfit(f"{FILE} is damaged", "results of this program", mend)
        return self._unfit(str(error), "a folder that can be written", "Check room and rights.")

    def _unfit(self, received: str, allowed: str, mend: str) -> InputError:
        name = printable(self._folder.name or str(self._folder))
        return InputError([Fault(name, "", "", "--results", received, allowed, mend)])


def _sum(body: str) -> str:
    return hashlib.sha256(body.encode()).hexdigest()


def _piece(key: str, body: object, checksum: object) -> Piece | None:
    if not isinstance(body, str) or _sum(body) != checksum:
        return None
    piece = Piece(**json.loads(body))
    return piece if piece.key == key else None


__all__ = ["FILE", "Results"]
