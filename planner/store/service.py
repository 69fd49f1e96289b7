"""The one service layer: what the page, the journal and the exercise may do with the store."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from pathlib import Path

from planner.intake import printable
from planner.store import documents, events, schema, upkeep
from planner.store.canonical import check_command, check_words, content_of
from planner.store.connection import connected
from planner.store.documents import Edit
from planner.store.errors import UnusableFile
from planner.store.records import Command, Document, DocumentKind, Entry, Event, Revision, Steps

Tree = Mapping[str, object]


def utc_now() -> datetime:
    """Return the time now, UTC."""
    return datetime.now(UTC)


class Store:
    """One SQLite file of documents with revisions and append-only events.

    The content of a document is the **raw tree** of its file, not a typed incident: the page
    saves every committed edit, also while the incident has faults. A tree comes out equal to
    what went in (dates as ISO 8601 texts, tuples as lists) or is refused with its faults.

    Each call opens its own connection and holds one transaction, so one object may be used from
    many threads, and many processes may have the same file open. What a call has returned is on
    the disk. A call that raises has written nothing.

    Parameters
    ----------
    path : str or Path
        The file; made when it is not there.
    now : callable
        Gives the time, with zone; for tests.

    Raises
    ------
    UnusableFile
        When the file is no store, is one of another version, or cannot be opened. It is left as
        it was.
    """

    def __init__(self, path: str | Path, *, now: Callable[[], datetime] = utc_now) -> None:
        self.path = _absolute(path)
        self._now = now
        schema.prepare(self.path)

    # --- documents -------------------------------------------------------------------------------

    def create(
        self, kind: DocumentKind, name: str, tree: Tree, command_id: str, *, note: str = ""
    ) -> Revision:
        """Make a document; its id is made here.

        Parameters
        ----------
        kind : {"incident", "study", "plan", "journal", "exercise"}
            What it is.
        name : str
            Its name: printable text of at most 60 characters, as an incident's.
        tree : mapping
            Raw tree, faults and all.
        command_id : str
            See :class:`Command`.
        note : str
            What to say about it in the history.

        Returns
        -------
        Revision
            Revision 1. The same command again gets the same answer.

        Raises
        ------
        InputError
            For a tree, name or note that would not come out as it went in.
        RepeatedCommand
            When the command id was used for something else.
        """
        check_command(Command(command_id, 0))
        check_words(name=name, note=note, kind=kind)
        edit = Edit(content_of(tree), name, note)
        with self._writing() as link:
            return documents.create(link, kind, edit, command_id, self._at())

    def write(
        self,
        document: str,
        tree: Tree,
        command: Command,
        *,
        name: str | None = None,
        note: str = "",
    ) -> Revision:
        """Write a new revision of a document.

        Parameters
        ----------
        document : str
            Its id.
        tree : mapping
            Raw tree, whole.
        command : Command
            Its ``base`` is the revision that was edited.
        name : str, optional
            New name; left out, it stays.
        note : str
            What to say about it in the history.

        Returns
        -------
        Revision
            The new one; for a repeated command the one it wrote the first time.

        Raises
        ------
        StaleWrite
            When the document has changed since; carries both versions.
        RepeatedCommand, UnknownDocument, InputError
            As for :meth:`create`.
        """
        check_command(command)
        check_words(name=name, note=note)
        edit = Edit(content_of(tree), name, note)
        with self._writing() as link:
            return documents.write(link, document, edit, command, self._at())

    def undo(self, document: str, command: Command) -> Revision:
        """Write a revision equal to the one before the last edit (name and content).

        Raises
        ------
        NothingToUndo
            At the first revision.
        StaleWrite, RepeatedCommand, UnknownDocument
            As for :meth:`write`.
        """
        check_command(command)
        with self._writing() as link:
            return documents.step(link, document, "undo", command, self._at())

    def redo(self, document: str, command: Command) -> Revision:
        """Write a revision equal to the edit last undone; an edit leaves nothing to redo.

        Raises
        ------
        NothingToUndo
            When nothing was undone since the last edit.
        StaleWrite, RepeatedCommand, UnknownDocument
            As for :meth:`write`.
        """
        check_command(command)
        with self._writing() as link:
            return documents.step(link, document, "redo", command, self._at())

    def steps(self, document: str) -> Steps:
        """Return the revisions to which undo and redo would lead."""
        with self._reading() as link:
            return documents.steps(link, document)

    def revision(self, document: str, number: int | None = None) -> Revision:
        """Return a revision with its content; without a number the current one.

        Raises
        ------
        UnknownDocument
            When there is none.
        """
        with self._reading() as link:
            return documents.revision(link, document, number)

    def history(self, document: str) -> tuple[Entry, ...]:
        """Return all revisions of a document without their content, oldest first."""
        with self._reading() as link:
            return documents.history(link, document)

    def documents(self, kind: DocumentKind | None = None) -> tuple[Document, ...]:
        """Return all documents (of a kind) as they stand, last changed first."""
        with self._reading() as link:
            return documents.documents(link, kind)

    # --- events ----------------------------------------------------------------------------------

    def append(
        self, document: str, payload: Tree, command: Command, *, is_anywhere: bool = False
    ) -> Event:
        """Append an event to a document.

        Parameters
        ----------
        document : str
            Its id.
        payload : mapping
            What happened.
        command : Command
            Its ``base`` is the sequence number of the last event seen, 0 for none.
        is_anywhere : bool
            Do not compare the base: for an observation that holds whatever else was noted.

        Returns
        -------
        Event
            The new one; for a repeated command the one it wrote the first time.

        Raises
        ------
        StaleAppend
            When other events came in between; carries them.
        RepeatedCommand, UnknownDocument, InputError
            As for :meth:`write`.
        """
        check_command(command)
        content = content_of(payload)
        with self._writing() as link:
            return events.append(
                link, document, content, command, self._at(), is_anywhere=is_anywhere
            )

    def events(self, document: str, after: int = 0) -> tuple[Event, ...]:
        """Return the events with a sequence number above ``after``, in order."""
        with self._reading() as link:
            return events.events(link, document, after)

    # --- the file --------------------------------------------------------------------------------

    def check(self) -> tuple[str, ...]:
        """Return what is wrong with the file; empty when it is whole.

        Looks at SQLite's integrity and foreign keys, and at the digest of every content.
        """
        try:
            with self._reading() as link:
                return upkeep.problems(link)
        except UnusableFile as error:  # too damaged to look through
            return (str(error),)

    def backup(self, path: str | Path) -> None:
        """Copy the store into another file, replaced whole or not at all.

        Raises
        ------
        UnusableFile
            When the file is this store, is open, or cannot be written.
        """
        upkeep.backup(self.path, _absolute(path))

    def _reading(self) -> AbstractContextManager[sqlite3.Connection]:
        return connected(self.path)

    def _writing(self) -> AbstractContextManager[sqlite3.Connection]:
        return connected(self.path, begin="BEGIN IMMEDIATE")

    def _at(self) -> str:
        return self._now().astimezone(UTC).isoformat(timespec="milliseconds")


def _absolute(path: str | Path) -> Path:
    """Return a path that stays the same when the working folder changes."""
    name = printable(Path(path).name)
    try:
        path = Path(path).resolve()
        is_folder = path.is_dir()
    except (OSError, ValueError, RuntimeError) as error:  # a ring of links is a RuntimeError
        reason = getattr(error, "strerror", None) or "a name that no file can have"
        raise UnusableFile.told(name, reason, "the name of a file", "Check the name.") from None
    if is_folder:
        raise UnusableFile.told(name, "a folder", "a file", "Give a file name.")
    return path
