"""A decision as one quick form's data: made a log entry, or told why it cannot be done.

A clinically poor choice is taken, an impossible one is not: a tag that players do not know, a
cylinder that is elsewhere, a regulator that does not fit, no free hands. What a message names is
what players know, or what they would see on trying.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from planner.errors import Fault
from planner.exercise.decision_form import Form
from planner.exercise.deeds import CHECKS
from planner.exercise.known import known_to_players
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.exercise.truth import truth_at
from planner.intake import Intake, nearest, printable, shown
from planner.journal.cells import minutes_of_clock
from planner.journal.events import LogEntry
from planner.journal.trees import entry_from
from planner.units import clock

#: What a player may decide, and the log's event for it.
DEEDS: Final[Mapping[str, str]] = {
    "connect": "connected", "swap": "swapped", "set flow": "flow changed",
    "take off": "disconnected", "read gauge": "gauge read", "move": "moved",
    "change triage": "triage changed", "stop treatment": "treatment stopped",
    "request": "requested", "note": "note",
}  # fmt: skip
#: Fields of the form; each may be empty.
FIELDS: Final = (
    "do", "patient", "cylinder", "regulator", "device", "flow_lpm", "place", "triage", "items",
    "count", "reason", "note", "role", "clock",
)  # fmt: skip


def decide(
    exercise: Exercise, run: Run, form: Mapping[str, object]
) -> LogEntry | tuple[Fault, ...]:  # fmt: skip
    """Return the log entry that a decision makes, or what is impossible about it.

    Parameters
    ----------
    exercise : Exercise
    run : Run
        As it stands; the entry happens at what its clock shows.
    form : mapping
        By `FIELDS`, texts or numbers; empty or None is left out. ``do`` is one of `DEEDS`.
        ``clock`` types something in later: ``17:04``, not after now. ``regulator``, ``device`` and
        ``flow_lpm`` left out stay as they are; a first connection takes the first regulator there
        that fits.

    Returns
    -------
    LogEntry or tuple of Fault
        The id is empty: it comes with the number of the event. A gauge that is read stands in it.
    """
    said, bad = _said(form)
    if bad:
        return bad
    if run.is_stopped or run.is_ended:
        words = "the exercise goes on" if run.is_stopped else "the exercise is not over"
        return (Fault("", "decision", "", "", "a decision", f"one while {words}", "Wait."),)
    at_min, late = _minute(exercise, run, said.get("clock", ""))
    if late is not None:
        return (late,)
    truth, known = truth_at(exercise, run, at_min), known_to_players(exercise, run)
    draft = Form(exercise, run, said, at_min, truth, known)
    deed = said.get("do", "")
    if deed not in DEEDS:
        draft.tell("do", "one of " + ", ".join(DEEDS), nearest(deed, DEEDS) or "Choose one.")
        return tuple(draft.faults)
    draft.entry |= {"id": "new", "at_min": at_min, "event": DEEDS[deed]}
    draft.entry |= {name: said[name] for name in ("role", "note") if name in said}
    CHECKS[deed](draft)
    if draft.faults:
        return tuple(draft.faults)
    intake = Intake("")
    entry = entry_from(draft.entry, "decision", intake)
    return entry if entry is not None else tuple(intake.faults)


def _said(form: Mapping[str, object]) -> tuple[dict[str, str], tuple[Fault, ...]]:
    """Return what was filled in as texts; what is no text or number is a fault."""
    said, faults = {}, []
    for name, value in form.items():
        if name not in FIELDS:
            words = ("a field", "one of " + ", ".join(FIELDS), nearest(str(name), FIELDS))
            faults.append(Fault("", "decision", "", printable(str(name)), *words))
        elif isinstance(value, bool) or not isinstance(value, str | int | float | None):
            words = (shown(value), "a text or a number", "Write it again.")
            faults.append(Fault("", "decision", "", name, *words))
        elif value is not None and str(value).strip():
            said[name] = str(value).strip()
    return said, tuple(faults)


def _minute(exercise: Exercise, run: Run, cell: str) -> tuple[float, Fault | None]:
    now = math.floor(run.minute * 100) / 100  # not after what the clock shows
    if not cell:
        return now, None
    found = minutes_of_clock(cell, exercise.incident.start)
    if found is None or found > run.minute:
        until = clock(exercise.incident.start, run.minute)
        words = (shown(cell), f"a time such as 17:04, not after {until}", "Write it so.")
        return now, Fault("", "decision", "", "clock", *words)
    return found, None
