"""What the store gives back: documents, revisions, events; and what a command is."""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass
from typing import Any, Final, Literal

DocumentKind = Literal["incident", "study", "plan", "journal", "exercise"]
KINDS: Final[tuple[DocumentKind, ...]] = ("incident", "study", "plan", "journal", "exercise")


@dataclass(frozen=True, slots=True)
class Command:
    """What every write carries.

    Parameters
    ----------
    id : str
        Made when the form is drawn (:func:`new_command_id`), so that a second click sends the
        same one; 1 to 100 printable characters.
    base : int
        The revision on which the write is based: the one that was shown. For an event, the
        sequence number of the last event seen. 0 where there is none yet.
    """

    id: str
    base: int


@dataclass(frozen=True, slots=True)
class Document:
    """A document as it stands now.

    Parameters
    ----------
    id : str
        Made by the store; 16 hexadecimal digits.
    kind : {"incident", "study", "plan", "journal", "exercise"}
        What it is.
    name : str
        Its name in the current revision.
    revision : int
        Number of the current revision, from 1.
    made_at, changed_at : str
        UTC, ISO 8601, of the first and the current revision.
    """

    id: str
    kind: DocumentKind
    name: str
    revision: int
    made_at: str
    changed_at: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a document's history: a revision without its content.

    Parameters
    ----------
    document : str
        Id of the document.
    number : int
        Revision, from 1 without gaps.
    name : str
        The document's name in this revision.
    digest : str
        SHA-256 of the content, hexadecimal.
    at : str
        When it was written: UTC, ISO 8601.
    note : str
        What the writer said about it.
    command : str
        Id of the command that wrote it.
    stands_for : int
        The revision whose content this one has: its own number after an edit, an earlier one
        after undo or redo.
    """

    document: str
    number: int
    name: str
    digest: str
    at: str
    note: str
    command: str
    stands_for: int


@dataclass(frozen=True, slots=True)
class Revision(Entry):
    """A revision with its content.

    Parameters
    ----------
    kind : str
        The document's kind.
    content : str
        Canonical JSON text of the document tree.
    """

    kind: DocumentKind
    content: str

    @property
    def tree(self) -> dict[str, Any]:
        """The document tree; a new one at each call, so it may be edited."""
        return _tree(self.content)


@dataclass(frozen=True, slots=True)
class Steps:
    """Where undo and redo lead; None where they lead nowhere."""

    undo: int | None
    redo: int | None


@dataclass(frozen=True, slots=True)
class Event:
    """One event of a document; never changed, never removed.

    Parameters
    ----------
    document : str
        Id of the document.
    sequence : int
        From 1 without gaps.
    at : str
        When it was written: UTC, ISO 8601.
    payload : str
        Canonical JSON text.
    command : str
        Id of the command that wrote it.
    """

    document: str
    sequence: int
    at: str
    payload: str
    command: str

    @property
    def tree(self) -> dict[str, Any]:
        """The payload as a tree; a new one at each call."""
        return _tree(self.payload)


@dataclass(frozen=True, slots=True)
class Sent:
    """What a refused write had sent; name or content are None where they were to stay."""

    name: str | None
    content: str | None
    note: str = ""

    @property
    def tree(self) -> dict[str, Any] | None:
        """The tree that was sent."""
        return None if self.content is None else _tree(self.content)


def new_command_id() -> str:
    """Return a command id that nobody has used."""
    return secrets.token_hex(12)


def _tree(text: str) -> dict[str, Any]:
    tree: dict[str, Any] = json.loads(text)
    return tree
