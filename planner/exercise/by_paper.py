"""An evening that went on by paper, typed in: a run from the logs that were written by hand.

The logs say what was decided. That an inject was given stands in them as a note that names it, such
as ``inject 3``; one that no log names counts as not given. What the world does (people found and
taken over, deliveries) counts as the controller's word, as in :mod:`planner.exercise.truth`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from planner.exercise.run import Given, Run, Told, Writer
from planner.exercise.setup import Exercise
from planner.journal.events import (
    Died,
    Found,
    LogEntry,
    Note,
    ResupplyArrived,
    Transferred,
    in_force,
)

CONTROLLER: Final = "controller"
_NAMED: Final = re.compile(r"\binject\s*(?:no\.?|number|#)?\s*(\d{1,4})\b", re.IGNORECASE)
_NOT: Final = re.compile(r"\b(?:not given|skipped|left out|held back)\b", re.IGNORECASE)
_WORLD: Final = (Died, Found, ResupplyArrived, Transferred)


@dataclass(frozen=True, slots=True)
class TypedIn:
    """A run from logs, its clock at the last line; numbers of injects that no log names."""

    run: Run
    not_named: tuple[int, ...]


def typed_in(exercise: Exercise, entries: Iterable[LogEntry]) -> TypedIn:
    """Return the run that an evening's logs tell of.

    Parameters
    ----------
    exercise : Exercise
    entries : iterable of LogEntry
        From :func:`planner.journal.reading_log.read_logs`. Those before the start count as at
        minute 0.

    Returns
    -------
    TypedIn
        An inject named twice was given at the first; a note that says it was not, does not count.
    """
    written = tuple(entries)
    by_number = {inject.number: inject for inject in exercise.injects}
    minutes: dict[int, float] = {}
    notes: set[str] = set()
    for entry in sorted(in_force(written).entries, key=lambda e: e.at_min):
        number = named_inject(entry)
        if number in by_number and number is not None:
            minutes.setdefault(number, max(0.0, entry.at_min))
            notes.add(entry.id)
    given = tuple(Given(by_number[n], at) for n, at in sorted(minutes.items(), key=lambda p: p[1]))
    told = tuple(
        Told(entry, _writer(entry), max(0.0, entry.at_min))
        for entry in written if entry.id not in notes
    )  # fmt: skip
    last = max((max(0.0, entry.at_min) for entry in written), default=0.0)
    missing = tuple(sorted(set(by_number) - set(minutes)))
    return TypedIn(Run(minute=last, told=told, given=given, is_ended=True), missing)


def named_inject(entry: LogEntry) -> int | None:
    """Return the number of the inject that a note says was given; None for any other entry."""
    if not isinstance(entry.event, Note) or entry.note is None or _NOT.search(entry.note):
        return None
    found = _NAMED.search(entry.note)
    return int(found[1]) if found else None


def _writer(entry: LogEntry) -> Writer:
    is_controllers = (entry.role or "").strip().lower().startswith(CONTROLLER)
    return "controller" if is_controllers or isinstance(entry.event, _WORLD) else "players"
