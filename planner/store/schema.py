"""The tables of a store, and opening a file that may or may not hold them.

Everything is append-only: a revision, an event, a command once written is never changed or
removed, and triggers see to it that raw SQL cannot either. (Who drops the triggers first can; they
guard against slips, not against an attacker who has the file.)
"""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path
from typing import Final

from planner.intake import printable
from planner.store.connection import BUSY_S, connected
from planner.store.errors import UnusableFile
from planner.store.records import KINDS

VERSION: Final = 1
APPLICATION_ID: Final = 0x4F32504C  # "O2PL", our own mark in the file's header

_TABLES: Final = (
    f"""CREATE TABLE documents (
        id TEXT NOT NULL PRIMARY KEY,
        kind TEXT NOT NULL CHECK (kind IN {KINDS})
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE contents (
        digest TEXT NOT NULL PRIMARY KEY CHECK (length(digest) = 64),
        content TEXT NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE commands (
        id TEXT NOT NULL PRIMARY KEY,
        asked TEXT NOT NULL CHECK (length(asked) = 64),
        document TEXT NOT NULL REFERENCES documents,
        number INTEGER NOT NULL CHECK (number > 0)
    ) STRICT, WITHOUT ROWID""",
    # stands_for: the revision whose content it has. came_from: the one that was edited to make
    # stands_for. tip: the newest one along which redo leads. See documents.py.
    """CREATE TABLE revisions (
        document TEXT NOT NULL REFERENCES documents,
        number INTEGER NOT NULL CHECK (number > 0),
        name TEXT NOT NULL,
        digest TEXT NOT NULL REFERENCES contents,
        at TEXT NOT NULL,
        note TEXT NOT NULL,
        command TEXT NOT NULL REFERENCES commands,
        stands_for INTEGER NOT NULL CHECK (stands_for BETWEEN 1 AND number),
        came_from INTEGER NOT NULL CHECK (came_from BETWEEN 0 AND stands_for - 1),
        tip INTEGER NOT NULL CHECK (tip BETWEEN stands_for AND number),
        PRIMARY KEY (document, number)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE events (
        document TEXT NOT NULL REFERENCES documents,
        sequence INTEGER NOT NULL CHECK (sequence > 0),
        at TEXT NOT NULL,
        payload TEXT NOT NULL,
        command TEXT NOT NULL REFERENCES commands,
        PRIMARY KEY (document, sequence)
    ) STRICT, WITHOUT ROWID""",
)
# INSERT OR REPLACE removes a row without asking a DELETE trigger, hence the third trigger: it
# refuses a key that is there (and a number that is not the next). WITHOUT ROWID tables have that
# one key only, so there is no other way to hit a row.
_TAKEN: Final = {
    "documents": "EXISTS (SELECT 1 FROM documents WHERE id = NEW.id)",
    "contents": "EXISTS (SELECT 1 FROM contents WHERE digest = NEW.digest)",
    "commands": "EXISTS (SELECT 1 FROM commands WHERE id = NEW.id)",
    "revisions": "NEW.number IS NOT"
    " (SELECT coalesce(max(number), 0) + 1 FROM revisions WHERE document = NEW.document)",
    "events": "NEW.sequence IS NOT"
    " (SELECT coalesce(max(sequence), 0) + 1 FROM events WHERE document = NEW.document)",
}


def _triggers(table: str) -> tuple[str, ...]:
    refusal = f"SELECT RAISE(ABORT, '{table} are kept as written');"
    return (
        f"CREATE TRIGGER {table}_not_updated BEFORE UPDATE ON {table} BEGIN {refusal} END",
        f"CREATE TRIGGER {table}_not_deleted BEFORE DELETE ON {table} BEGIN {refusal} END",
        f"CREATE TRIGGER {table}_not_replaced BEFORE INSERT ON {table} WHEN {_TAKEN[table]}"
        f" BEGIN {refusal} END",
    )


def prepare(path: Path) -> None:
    """Make a store in a new or empty file; check that any other file is a store of ours.

    Parameters
    ----------
    path : Path
        Absolute path.

    Raises
    ------
    UnusableFile
        When the file is no store, one of a newer version, or cannot be opened; it is left as
        it was.
    """
    with connected(path, mode="rwc", begin="") as link:
        has_tables = _is_ours(link, path)
        _set_write_ahead(link)
        if has_tables:
            return
        link.execute("BEGIN IMMEDIATE")
        if _is_ours(link, path):  # another process was faster
            return
        for statement in (*_TABLES, *(s for table in _TAKEN for s in _triggers(table))):
            link.execute(statement)
        link.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        link.execute(f"PRAGMA user_version = {VERSION}")


def _is_ours(link: sqlite3.Connection, path: Path) -> bool:
    """Return whether the tables are there; False for an empty file."""
    mark, version, num_tables = (
        link.execute(question).fetchone()[0]
        for question in (
            "PRAGMA application_id", "PRAGMA user_version", "SELECT count(*) FROM sqlite_schema",
        )
    )  # fmt: skip
    if mark != APPLICATION_ID:
        if mark == version == num_tables == 0:
            return False
        raise UnusableFile.told(
            printable(path.name), "a database of another program", "a store made by this program",
            "Is it the right file? Choose another name for the store.",
        )  # fmt: skip
    if version != VERSION:
        raise UnusableFile.told(
            printable(path.name), f"a store of version {version}", f"version {VERSION}",
            "It was made by another version of this program: open it with that one.",
        )  # fmt: skip
    return True


def _set_write_ahead(link: sqlite3.Connection) -> None:
    """Switch to write-ahead logging; the switch itself does not wait for others, so we do."""
    until_s = time.monotonic() + BUSY_S
    while link.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            link.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until_s:
                raise
            time.sleep(0.01)
