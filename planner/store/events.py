"""Append-only events of a document, within a transaction that the caller holds."""

from __future__ import annotations

import sqlite3

from planner.store import commands
from planner.store.canonical import Content, fingerprint
from planner.store.documents import require
from planner.store.errors import StaleAppend
from planner.store.records import Command, Event, Sent


def append(
    link: sqlite3.Connection,
    document: str,
    payload: Content,
    command: Command,
    at: str,
    *,
    is_anywhere: bool,
) -> Event:
    """Append one event; refused when others came after the command's base, unless anywhere."""
    asked = fingerprint("append", document, payload.digest)
    before = commands.answered(link, command.id, asked)
    if before:
        return _event(link, *before)
    require(link, document)
    (last,) = link.execute(
        "SELECT coalesce(max(sequence), 0) FROM events WHERE document = ?", (document,)
    ).fetchone()
    if last != command.base and not is_anywhere:
        missed = events(link, document, command.base)
        raise StaleAppend(command.base, Sent(None, payload.text), missed)
    commands.note(link, command.id, asked, (document, last + 1))
    link.execute(
        "INSERT INTO events VALUES (?, ?, ?, ?, ?)",
        (document, last + 1, at, payload.text, command.id),
    )
    return _event(link, document, last + 1)


def events(link: sqlite3.Connection, document: str, after: int) -> tuple[Event, ...]:
    """Return the events of a document with a sequence number above ``after``, in order."""
    require(link, document)
    rows = link.execute(
        "SELECT document, sequence, at, payload, command FROM events"
        " WHERE document = ? AND sequence > ? ORDER BY sequence",
        (document, after),
    )
    return tuple(Event(*row) for row in rows)


def _event(link: sqlite3.Connection, document: str, sequence: int) -> Event:
    row = link.execute(
        "SELECT document, sequence, at, payload, command FROM events"
        " WHERE document = ? AND sequence = ?",
        (document, sequence),
    ).fetchone()
    return Event(*row)
