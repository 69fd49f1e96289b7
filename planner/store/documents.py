"""Documents and their revisions, within a transaction that the caller holds.

Undo and redo write a new revision with the content of an earlier one. Each revision says which
edit it *stands for*, from which edit that one *came*, and the *tip* along which redo leads: undo
goes to where the current edit came from and keeps the tip, redo goes one edit nearer to the tip,
and an edit is its own tip, so nothing is left to redo. Nothing is ever removed: what an edit after
an undo leaves behind is still in the history.
"""

from __future__ import annotations

import secrets
import sqlite3
from dataclasses import dataclass
from typing import Literal

from planner.store import commands
from planner.store.canonical import Content, fingerprint
from planner.store.errors import NothingToUndo, StaleWrite, UnknownDocument
from planner.store.records import Command, Document, DocumentKind, Entry, Revision, Sent, Steps

_ENTRY = "r.document, r.number, r.name, r.digest, r.at, r.note, r.command, r.stands_for"
_REVISION = (
    f"SELECT {_ENTRY}, d.kind, c.content FROM revisions r"  # noqa: S608 - constants only
    " JOIN documents d ON d.id = r.document JOIN contents c ON c.digest = r.digest"
    " WHERE r.document = ?"
)


@dataclass(frozen=True, slots=True)
class Edit:
    """What a write sends: content, name (None: as it is) and note."""

    content: Content
    name: str | None
    note: str

    @property
    def sent(self) -> Sent:
        """The edit as it is handed back when refused."""
        return Sent(self.name, self.content.text, self.note)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a revision stands in the chain of edits."""

    stands_for: int
    came_from: int
    tip: int


def create(
    link: sqlite3.Connection, kind: DocumentKind, edit: Edit, command: str, at: str
) -> Revision:
    """Make a document with its first revision; a repeated command gets the first answer."""
    asked = fingerprint("create", kind, edit.name, edit.note, edit.content.digest)
    before = commands.answered(link, command, asked)
    if before:
        return revision(link, *before)
    document = secrets.token_hex(8)
    link.execute("INSERT INTO documents VALUES (?, ?)", (document, kind))
    commands.note(link, command, asked, (document, 1))
    return _put(link, (document, 1), edit, _Place(1, 0, 1), (command, at))


def write(
    link: sqlite3.Connection, document: str, edit: Edit, command: Command, at: str
) -> Revision:
    """Write a revision; refused when the document has changed since the command's base."""
    asked = fingerprint("write", document, edit.name, edit.note, edit.content.digest)
    before = commands.answered(link, command.id, asked)
    if before:
        return revision(link, *before)
    current = _current(link, document, command, edit.sent)
    number = current.number + 1
    commands.note(link, command.id, asked, (document, number))
    named = Edit(edit.content, current.name if edit.name is None else edit.name, edit.note)
    place = _Place(number, current.stands_for, number)
    return _put(link, (document, number), named, place, (command.id, at))


def step(
    link: sqlite3.Connection,
    document: str,
    way: Literal["undo", "redo"],
    command: Command,
    at: str,
) -> Revision:
    """Undo or redo: write a revision that has name and content of an earlier one."""
    asked = fingerprint(way, document)
    before = commands.answered(link, command.id, asked)
    if before:
        return revision(link, *before)
    words = f"{way} of revision {command.base}"
    current = _current(link, document, command, Sent(None, None, words))
    there = steps(link, document)
    target = there.undo if way == "undo" else there.redo
    if target is None:
        raise NothingToUndo(f"nothing to {way} in revision {current.number}")
    earlier = revision(link, document, target)
    number = current.number + 1
    commands.note(link, command.id, asked, (document, number))
    edit = Edit(
        Content(earlier.content, earlier.digest), earlier.name, f"{way}: as revision {target}"
    )
    (tip,) = link.execute(
        "SELECT tip FROM revisions WHERE document = ? AND number = ?", (document, current.number)
    ).fetchone()
    (came_from,) = link.execute(
        "SELECT came_from FROM revisions WHERE document = ? AND number = ?", (document, target)
    ).fetchone()
    place = _Place(target, came_from, tip)
    return _put(link, (document, number), edit, place, (command.id, at))


def steps(link: sqlite3.Connection, document: str) -> Steps:
    """Return where undo and redo lead from the current revision."""
    row = link.execute(
        "SELECT stands_for, came_from, tip FROM revisions"
        " WHERE document = ? ORDER BY number DESC LIMIT 1",
        (document,),
    ).fetchone()
    if row is None:
        raise _unknown(document)
    stands_for, came_from, tip = row
    # From the tip back along the edits, each of which came from the one before, to the edit that
    # came from where we stand. An edit always came from a lower number, so the walk ends.
    later = link.execute(
        "WITH RECURSIVE path (number, came_from) AS ("
        " SELECT number, came_from FROM revisions WHERE document = :document AND number = :tip"
        " UNION ALL SELECT r.number, r.came_from FROM revisions r JOIN path"
        " ON r.document = :document AND r.number = path.came_from"
        " WHERE path.came_from > :stands_for)"
        " SELECT number FROM path WHERE came_from = :stands_for",
        {"document": document, "tip": tip, "stands_for": stands_for},
    ).fetchone()
    return Steps(came_from or None, later[0] if later else None)


def revision(link: sqlite3.Connection, document: str, number: int | None = None) -> Revision:
    """Return a revision, without a number the current one."""
    if number is None:
        row = link.execute(f"{_REVISION} ORDER BY r.number DESC LIMIT 1", (document,)).fetchone()
    else:
        row = link.execute(f"{_REVISION} AND r.number = ?", (document, number)).fetchone()
    if row is None:
        raise _unknown(document, number)
    return Revision(*row)


def history(link: sqlite3.Connection, document: str) -> tuple[Entry, ...]:
    """Return all revisions of a document without their content, oldest first."""
    rows = link.execute(
        f"SELECT {_ENTRY} FROM revisions r WHERE r.document = ? ORDER BY r.number",  # noqa: S608
        (document,),
    )
    entries = tuple(Entry(*row) for row in rows)
    if not entries:
        raise _unknown(document)
    return entries


def documents(link: sqlite3.Connection, kind: DocumentKind | None = None) -> tuple[Document, ...]:
    """Return all documents (of a kind) as they stand, last changed first."""
    rows = link.execute(
        "SELECT d.id, d.kind, last.name, last.number, first.at, last.at FROM documents d"
        " JOIN revisions first ON first.document = d.id AND first.number = 1"
        " JOIN revisions last ON last.document = d.id AND last.number ="
        " (SELECT max(number) FROM revisions WHERE document = d.id)"
        " WHERE :kind IS NULL OR d.kind = :kind ORDER BY last.at DESC, d.id",
        {"kind": kind},
    )
    return tuple(Document(*row) for row in rows)


def require(link: sqlite3.Connection, document: str) -> None:
    """Raise UnknownDocument unless there is such a document."""
    if not link.execute("SELECT 1 FROM documents WHERE id = ?", (document,)).fetchone():
        raise _unknown(document)


def _current(link: sqlite3.Connection, document: str, command: Command, sent: Sent) -> Revision:
    current = revision(link, document)
    if current.number != command.base:
        raise StaleWrite(command.base, sent, current)
    return current


def _put(
    link: sqlite3.Connection,
    key: tuple[str, int],
    edit: Edit,
    place: _Place,
    written: tuple[str, str],
) -> Revision:
    """Insert a revision (``written``: command id and time) and return it as it stands there."""
    digest = edit.content.digest
    link.execute(
        "INSERT INTO contents SELECT :digest, :content"
        " WHERE NOT EXISTS (SELECT 1 FROM contents WHERE digest = :digest)",
        {"digest": digest, "content": edit.content.text},
    )
    command, at = written
    link.execute(
        "INSERT INTO revisions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (*key, edit.name, digest, at, edit.note, command,
         place.stands_for, place.came_from, place.tip),
    )  # fmt: skip
    return revision(link, *key)


def _unknown(document: str, number: int | None = None) -> UnknownDocument:
    which = f"revision {number} of document" if number is not None else "document"
    return UnknownDocument(f"there is no {which} {document[:60]!r}")
