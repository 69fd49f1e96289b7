"""What a controller may do in a run: a command's payload, or every fault in it in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.exercise.clock import SPEEDS
from planner.exercise.injects import Inject
from planner.exercise.run import ENDED, GIVEN, HELD, LIFTED, SEEN, EventKind, Run
from planner.exercise.setup import Exercise, improvised_from
from planner.exercise.writing import inject_document
from planner.intake import Intake, shown
from planner.journal.trees import clean_text

#: What may still be recorded once it was stopped for a real emergency.
_WHILE_STOPPED: Final = (LIFTED, ENDED, SEEN)
IMPROVISED_FROM: Final = 1000  # numbers of improvised injects, beyond those of a file


def asked(
    exercise: Exercise, run: Run, kind: EventKind, data: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return the payload of a controller's command, or raise what is wrong with it.

    Parameters
    ----------
    exercise : Exercise
    run : Run
        As it stands.
    kind : EventKind
        ``started``, ``paused``, ``ended``, ``stop lifted``: no data. ``speed``: ``speed``.
        ``rewound``, ``put forward``: ``minute``. ``given``, ``skipped``: ``number``. ``held``:
        ``number`` and, where it is not for good, ``until_min``. ``improvised``: ``inject``, a
        row as in the file without its number. ``plan revealed``: ``lines``.
        ``stopped for real``: ``why``.
    data : mapping or None

    Raises
    ------
    InputError
        With every fault, in words for the controller.
    """
    said = dict(data or {})
    if run.is_stopped and kind not in _WHILE_STOPPED:
        raise _refused(kind, "the exercise is stopped for a real emergency", "Lift the stop first.")
    match kind:
        case "started" if run.is_ended:
            raise _refused(kind, "the exercise is over", "Rewind to go on as a branch.")
        case "speed" if said.get("speed") not in SPEEDS:
            allowed = ", ".join(f"{speed:g}" for speed in SPEEDS)
            raise _fault(kind, "speed", said.get("speed"), allowed, "Choose one of these.")
        case "speed":
            said = {"speed": float(said["speed"])}
        case "rewound":
            said = {"minute": _minute(said.get("minute"), 0.0, run.minute, kind)}
        case "put forward" if run.is_ended:
            raise _refused(kind, "the exercise is over", "Rewind to go on as a branch.")
        case "put forward":
            last = exercise.incident.horizon_min
            said = {"minute": _minute(said.get("minute"), run.minute, last, kind)}
        case "given" | "skipped" | "held":
            said = _about_inject(exercise, run, kind, said)
        case "improvised":
            said = {"inject": inject_document(_improvised(exercise, run, said.get("inject")))}
        case "plan revealed":
            lines = said.get("lines")
            lines = [lines] if isinstance(lines, str) else list(lines or ())
            said = {"lines": [clean_text(str(line)) for line in lines]}
        case "stopped for real":
            said = {"why": clean_text(str(said.get("why", "")))}
        case _:
            said = {}
    return {"kind": kind, **said}


def _about_inject(
    exercise: Exercise, run: Run, kind: EventKind, said: Mapping[str, Any]
) -> dict[str, Any]:
    number = said.get("number")
    inject = next((i for i in exercise.injects if i.number == number), None)
    if inject is None:
        known = ", ".join(str(i.number) for i in exercise.injects) or "none"
        raise _fault(kind, "number", number, f"an inject of this exercise: {known}", "Choose one.")
    if inject.number in run.done:
        raise _fault(kind, "number", number, "one not yet given or skipped", "It is done already.")
    if kind == GIVEN:
        return {"number": inject.number, "inject": inject_document(inject)}
    if kind == HELD and said.get("until_min") is not None:
        until = _minute(said["until_min"], run.minute, math.inf, kind)
        return {"number": inject.number, "until_min": until}
    return {"number": inject.number}


def _improvised(exercise: Exercise, run: Run, raw: object) -> Inject:
    """Return an improvised inject, numbered beyond those of the file."""
    from planner.exercise.checking import check_injects

    used = [g.inject.number for g in run.given if g.is_improvised]
    number = max([IMPROVISED_FROM - 1, *used]) + 1
    intake = Intake("")
    row = {**raw, "at_min": run.minute} if isinstance(raw, Mapping) else {}
    row.pop("number", None)
    found = improvised_from(row, intake, {o.name for o in exercise.objectives})
    if found is not None:
        check_injects([found], exercise.incident, intake)
    if intake.faults or found is None:
        raise InputError(intake.faults)
    return replace(found, number=number)


def _minute(value: object, low: float, high: float, kind: str) -> float:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    minute = float(value) if isinstance(value, int | float) else math.nan
    if not is_number or not low <= minute <= high:
        upto = f"{low:.1f} or later" if high == math.inf else f"{low:g} to {high:.1f}"
        raise _fault(kind, "minute", value, upto, "Give a minute of the exercise's clock.")
    return minute


def _fault(kind: str, field: str, value: object, allowed: str, mend: str) -> InputError:
    return InputError([Fault("", "run", kind, field, shown(value), allowed, mend)])


def _refused(kind: str, why: str, mend: str) -> InputError:
    return InputError([Fault("", "run", kind, "", why, "this only while it goes on", mend)])


__all__ = ["IMPROVISED_FROM", "asked"]
