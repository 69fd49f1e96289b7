"""What people wrote in the hot wash, kept with the run: appended, never changed, the last counts.

Nothing here knows Streamlit. Each is an event of the run's document of a kind that the run itself
passes over, so that the state of a run does not depend on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.exercise.after import HotWash, ObjectiveRow
from planner.intake import shown
from planner.journal.trees import clean_text
from planner.store import Command, Event, StaleAppend, Store

KIND: Final = "hot wash"
TRIES: Final = 50  # so many others may get in between before it is called busy: our own
FIELDS: Final = ("strengths", "gaps", "owner", "due")


@dataclass(frozen=True, slots=True)
class Written:
    """What was written about an objective, and the number of the event that has it (0: none)."""

    sequence: int = 0
    strengths: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()
    owner: str = ""
    due: str = ""


def written(store: Store, run: str) -> dict[str, Written]:
    """Return what was written last about each objective, by name."""
    return _last(store.events(run))


def _last(events: Iterable[Event]) -> dict[str, Written]:
    found: dict[str, Written] = {}
    for event in events:
        tree: Mapping[str, Any] = event.tree
        if tree.get("kind") == KIND:
            found[str(tree["objective"])] = Written(
                event.sequence, tuple(tree["strengths"]), tuple(tree["gaps"]),
                str(tree["owner"]), str(tree["due"]),
            )  # fmt: skip
    return found


def write(
    store: Store, run: str, objective: str, said: Mapping[str, str], base: int, command_id: str
) -> None:
    """Keep what was written about an objective.

    Parameters
    ----------
    store : Store
    run : str
    objective : str
        Its name; empty: injects of no objective.
    said : mapping
        By `FIELDS`, texts; strengths and gaps one a line, ``due`` a date such as 2027-04-30.
    base : int
        `Written.sequence` that the form showed.
    command_id : str
        Made when the form was drawn: a second click writes nothing.

    Raises
    ------
    InputError
        A date that is none, or somebody else wrote in between: nothing is overwritten unseen.
    """
    for _ in range(TRIES):
        events = store.events(run)
        if any(event.command == command_id for event in events):
            return
        tree = _to_keep(_last(events).get(objective, Written()), objective, said, base)
        try:  # on what was looked at: two who write between look and write do not both get in
            store.append(run, tree, Command(command_id, events[-1].sequence if events else 0))
        except StaleAppend:
            continue
        return
    words = ("others wrote all the while", "a moment of its own", "Write it again.")
    raise InputError([Fault("", KIND, objective, "", *words)])


def _to_keep(now: Written, objective: str, said: Mapping[str, str], base: int) -> dict[str, Any]:
    """Return what is appended, or raise what is wrong with it."""
    if now.sequence != base:
        words = ("written on an older one", "one written on the last", "Look, then write again.")
        raise InputError([Fault("", KIND, objective, "", *words)])
    due = said.get("due", "").strip()
    if due and not _is_date(due):
        words = (shown(due), "a date such as 2027-04-30, or nothing", "Write year, month and day.")
        raise InputError([Fault("", KIND, objective, "due", *words)])
    return {
        "kind": KIND, "objective": objective, "owner": clean_text(said.get("owner", "")),
        "due": due, **{n: _lines(said.get(n, "")) for n in ("strengths", "gaps")},
    }  # fmt: skip


def filled_in(wash: HotWash, said: Mapping[str, Written]) -> HotWash:
    """Return the hot wash with what was written."""
    return replace(wash, objectives=tuple(_row(row, said.get(row.name)) for row in wash.objectives))


def _row(row: ObjectiveRow, said: Written | None) -> ObjectiveRow:
    if said is None:
        return row
    return replace(
        row, strengths=said.strengths, gaps=said.gaps, owner=said.owner, due=said.due
    )  # fmt: skip


def _lines(text: str) -> list[str]:
    return [line for raw in text.splitlines() if (line := clean_text(raw))]


def _is_date(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
