"""What the store refuses, and what it hands back with the refusal.

::

    PlannerError
    `-- StoreError
        |-- UnusableFile      no store can be opened there (also an InputError: exit 2)
        |-- StoreBusy         another process holds the file for too long
        |-- UnknownDocument   no document (or revision) of that id
        |-- NothingToUndo     there is no earlier (or undone) revision to go to
        |-- StaleWrite        the document has changed since; carries both versions
        |-- StaleAppend       events were added since; carries them
        `-- RepeatedCommand   a command id used before, for something else

Whatever is raised, nothing was written. The names say what happened, without "Error".
"""

from __future__ import annotations

from planner.errors import Fault, InputError, PlannerError
from planner.store.records import Event, Revision, Sent


class StoreError(PlannerError):
    """The store could not do what was asked; nothing was written."""


class UnusableFile(StoreError, InputError):  # noqa: N818
    """The file is no store, or cannot be read or written; carries one fault that says why."""

    @classmethod
    def told(cls, file: str, received: str, allowed: str, mend: str) -> UnusableFile:
        """Return the error with its one fault."""
        return cls([Fault(file, "", "", "", received, allowed, mend)])


class StoreBusy(StoreError):  # noqa: N818
    """Another process held the file for longer than the store waits."""


class UnknownDocument(StoreError):  # noqa: N818
    """There is no document, or no revision of it, by that id."""


class NothingToUndo(StoreError):  # noqa: N818
    """There is no revision to go back (or forward) to."""


class StaleWrite(StoreError):  # noqa: N818
    """The document was changed after the revision on which the write was based.

    Attributes
    ----------
    base : int
        The revision on which the write was based.
    sent : Sent
        The version that was sent and not written.
    current : Revision
        The version that stands.
    """

    def __init__(self, base: int, sent: Sent, current: Revision) -> None:
        self.base, self.sent, self.current = base, sent, current
        super().__init__(
            f"based on revision {base}, but revision {current.number} of {current.at} stands now; "
            "nothing was written. Compare the two versions, then save again or let it be."
        )


class StaleAppend(StoreError):  # noqa: N818
    """Events were added after the last one that the writer had seen.

    Attributes
    ----------
    base : int
        Sequence number of the last event that the writer had seen.
    sent : Sent
        The payload that was sent and not written.
    missed : tuple of Event
        The events that the writer had not seen; empty when it claims to have seen more than
        there are.
    """

    def __init__(self, base: int, sent: Sent, missed: tuple[Event, ...]) -> None:
        self.base, self.sent, self.missed = base, sent, missed
        more = f"{len(missed)} more since" if missed else "there are fewer than that"
        super().__init__(
            f"based on event {base}, but {more}; nothing was written. "
            "Read them, then note it again."
        )


class RepeatedCommand(StoreError):  # noqa: N818
    """A command id that was used before for something else.

    Attributes
    ----------
    command : str
        The command id.
    document : str
        Id of the document that the first use wrote to.
    number : int
        The revision, or the sequence number of the event, that the first use wrote.
    """

    def __init__(self, command: str, document: str, number: int) -> None:
        self.command, self.document, self.number = command, document, number
        super().__init__(
            f"command {command} has already written number {number} of document {document}, with "
            "other content; nothing was written. Draw the form anew and save again."
        )
