"""Logs in the store: one journal document an incident, entries appended and never changed.

Nothing here knows Streamlit. Each import is one event of the journal's document, so that a crash
leaves all of it or nothing; an entry that is there already is not written again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.intake import Intake, shown
from planner.journal.events import LogEntry, entry_faults, in_order
from planner.journal.trees import entry_from, entry_tree
from planner.store import Command, Store, new_command_id

LOG_BEGUN: Final = "log begun"
ENTRIES: Final = "entries"


@dataclass(frozen=True, slots=True)
class KeptLog:
    """The log of an incident as it is kept.

    Parameters
    ----------
    document : str
        Id of the journal's document.
    sequence : int
        Number of the last import; what a further one is based on.
    entries : tuple of LogEntry
        In the order they happened.
    """

    document: str
    sequence: int
    entries: tuple[LogEntry, ...]


def kept_log(store: Store, incident: str) -> KeptLog | None:
    """Return the log kept for an incident; None when there is none."""
    document = _document(store, incident)
    if document is None:
        return None
    events = store.events(document)
    entries = [
        _entry(tree) for event in events if event.tree.get("kind") == ENTRIES
        for tree in event.tree[ENTRIES]
    ]  # fmt: skip
    last = events[-1].sequence if events else 0
    return KeptLog(document, last, tuple(in_order(entries)))


def keep_log(store: Store, incident: str, entries: Iterable[LogEntry], command: str) -> int:
    """Append the entries that are not kept yet; return how many.

    Parameters
    ----------
    store : Store
    incident : str
        Its document.
    entries : iterable of LogEntry
    command : str
        Made when the button was drawn: a second click writes nothing.

    Raises
    ------
    InputError
        When an entry has the id of another that is kept, or replaces one that is nowhere.
    StoreError
        When the store cannot be written, or somebody else wrote in between.
    """
    before = kept_log(store, incident)
    known = {} if before is None else {entry.id: entry for entry in before.entries}
    given = list(entries)
    faults = [
        Fault("", "log", entry.id, "id", shown(entry.id), "an id of its own",
              "Another entry that is kept has it: correct that one by a new entry.")
        for entry in given if entry.id in known and known[entry.id] != entry
    ]  # fmt: skip
    new = [entry for entry in given if entry.id not in known]
    faults += entry_faults([*known.values(), *new])
    if faults:
        raise InputError(faults)
    if not new:
        return 0
    document = before.document if before is not None else _begin(store, incident)
    payload = {"kind": ENTRIES, ENTRIES: [entry_tree(entry) for entry in new]}
    store.append(document, payload, Command(command, 0 if before is None else before.sequence))
    return len(new)


def _begin(store: Store, incident: str) -> str:
    name = store.revision(incident).name
    made = store.create("journal", name, {"incident": incident}, new_command_id())
    event = {"kind": LOG_BEGUN, "journal": made.document}
    store.append(incident, event, Command(new_command_id(), 0), is_anywhere=True)
    return made.document


def _document(store: Store, incident: str) -> str | None:
    trees: list[dict[str, Any]] = [event.tree for event in store.events(incident)]
    found = (tree["journal"] for tree in trees if tree.get("kind") == LOG_BEGUN)
    return next(found, None)


def _entry(tree: Mapping[str, object]) -> LogEntry:
    """Return an entry that this program wrote.

    Raises
    ------
    InputError
        When it does not read back.
    """
    intake = Intake("")
    entry = entry_from(tree, str(tree.get("id")), intake)
    if entry is None or intake.faults:
        raise InputError(intake.faults)
    return entry
