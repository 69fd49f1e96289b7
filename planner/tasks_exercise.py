"""The task that sets an exercise's decisions beside planning on, for a worker."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from planner.call import Call
from planner.errors import Fault, InputError
from planner.intake import shown

if TYPE_CHECKING:
    from planner.exercise.keeping import Seen


def payload_of(
    seen: Seen, now: datetime, minute: float, request: Mapping[str, Any]
) -> dict[str, Any]:
    """Return what the task takes of a run as it stands; plain data."""
    from planner.exercise.writing import exercise_document

    return {
        "exercise": exercise_document(seen.exercise, is_embedded=True),
        "events": [[e.sequence, e.at.isoformat(), e.kind, dict(e.data)] for e in seen.events],
        "now": now.isoformat(),
        "minute": minute,
        "request": dict(request),
    }


def beside(call: Call) -> dict[str, Any]:
    """Set what was decided from a minute on beside planning on there.

    The payload is :func:`payload_of`'s.

    Returns
    -------
    dict
        ``at_min``, ``until_min``, ``rows`` of patient, minutes without as decided and as planned,
        ``by_category`` and ``caution``.

    Raises
    ------
    InputError
        With the faults of the exercise, or for a minute that the clock has not passed.
    """
    from planner.exercise.after import beside_planning
    from planner.exercise.run import RunEvent, run_state
    from planner.exercise.setup import exercise_from
    from planner.workflow import Request

    exercise = exercise_from(call.payload["exercise"])
    events = [
        RunEvent(int(number), datetime.fromisoformat(at), kind, data)
        for number, at, kind, data in call.payload["events"]
    ]
    run = run_state(events, datetime.fromisoformat(call.payload["now"]))
    request = Request(**call.payload["request"], is_interrupted=call.is_stopped)
    minute = call.payload["minute"]
    call.tell("planning on")
    try:
        found = beside_planning(exercise, run, float(minute), request)
    except ValueError:
        allowed = f"0 or more, and before {run.minute:.1f}"
        raise InputError([Fault("", "run", "", "minute", shown(minute), allowed, "")]) from None
    return {
        "at_min": found.at_min,
        "until_min": found.until_min,
        "rows": [[tag, m, found.planned_min[tag]] for tag, m in found.decided_min.items()],
        "by_category": dict(found.by_category),
        "caution": found.one_luck,
    }
