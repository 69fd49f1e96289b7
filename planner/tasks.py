"""The tasks a worker can do, by name: each takes a payload of plain data and gives one back."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from planner import tasks_advice, tasks_cache, tasks_exercise, tasks_review
from planner.call import Call, Task
from planner.errors import Fault, InputError
from planner.intake import nearest, printable, shown
from planner.units import Pressure, PressureUnit

if TYPE_CHECKING:
    from planner.incident import Incident
    from planner.plan import Plan
    from planner.state import State


def plan(call: Call) -> dict[str, Any]:
    """Plan an incident.

    The payload holds ``incident``, the raw tree of an incident file; if wanted, ``request``, a
    table of ``seed``, ``samples``, ``effort``, ``deterministic_s`` and ``wall_s`` as in
    :class:`planner.workflow.Request`, ``situation``, the raw tree of a situation to plan on from,
    ``in_force``, the policy that the crew follows now, and ``file``, the name to use in faults.
    Other names are left alone.

    Raises
    ------
    InputError
        With every fault of the incident and of the request.
    """
    from planner.files import incident_from

    faults = list(_request_faults(call.payload.get("request", {})))
    raw, file = call.payload.get("incident"), call.payload.get("file", "")
    try:
        if not isinstance(raw, dict):
            raise InputError([_fault("incident", "", raw, "the tables of an incident file")])
        reading = incident_from(raw, file if isinstance(file, str) else "")
    except InputError as error:
        raise InputError([*faults, *error.faults]) from None
    if faults:
        raise InputError(faults)
    incident, state = _known(reading.incident, call)
    from planner.policy_files import policy_of_tree
    from planner.workflow import Request, make_plan

    in_force = call.payload.get("in_force")
    request = Request(
        **call.payload.get("request", {}),
        is_interrupted=call.is_stopped,
        in_force=None if in_force is None else policy_of_tree(in_force, incident),
    )
    made = make_plan(incident, state, request, call.tell)
    told = [f"warning: {warning}" for warning in reading.warnings]
    return _document(replace(made, warnings=(*told, *made.warnings)), call)


def _known(incident: Incident, call: Call) -> tuple[Incident, State | None]:
    """Return the incident as it is known now, and the state, where the payload says more."""
    tree = call.payload.get("situation")
    if tree is None:
        return incident, None
    from planner.situation import situation_from

    found = situation_from(tree, incident)
    return found.incident, found.state


def _document(made: Plan, call: Call) -> dict[str, Any]:
    from planner.report.plan_document import plan_document

    asked = {name: call.payload[name] for name in ASKED if call.payload.get(name) is not None}
    return plan_document(made) | {"asked": asked}


def expect(call: Call) -> dict[str, Any]:
    """Say what a kept plan expects at a later minute, as the tree of a situation.

    The payload holds ``incident``, ``policy``, ``situation`` (of a plan that was planned on from
    one, else nothing) and ``at_min``.

    Raises
    ------
    InputError
        With the faults of the incident or situation, or a minute that is over.
    """
    from planner.files import incident_from

    incident, state = _known(incident_from(call.payload["incident"]).incident, call)
    from planner.expecting import expected_situation
    from planner.policy_files import policy_of_tree
    from planner.state import initial_state

    begin = state if state is not None else initial_state(incident)
    at_min, horizon = call.payload["at_min"], incident.horizon_min
    if (
        isinstance(at_min, bool)
        or not isinstance(at_min, int | float)
        or not (begin.at_min <= at_min < horizon)
    ):
        allowed = f"{begin.at_min:g} to less than {horizon:g}, minutes from the incident's start"
        raise InputError([_fault("situation", "at_min", at_min, allowed)])
    call.tell("working out what is expected by then")
    policy = policy_of_tree(call.payload["policy"], incident)
    return expected_situation(incident, begin, policy, float(at_min))


def compare_changed(call: Call) -> dict[str, Any]:
    """Compare a kept plan before and after a change; see :mod:`planner.what_if`.

    The payload holds ``incident``, ``policy`` (as :mod:`planner.policy_document` has it),
    ``change`` (``later_min``, ``flow_percent``, ``num_fewer``, ``change_at_psi``), ``samples`` and
    ``seed``.

    Raises
    ------
    InputError
        With every fault of the incident and of the change.
    """
    from planner.files import incident_from

    change = call.payload["change"]
    try:
        incident = incident_from(call.payload["incident"]).incident
    except InputError as error:
        raise InputError([*_change_faults(change, "psi"), *error.faults]) from None
    faults = list(_change_faults(change, incident.change_at.unit))
    faults += _residual_faults(change["change_at_psi"], incident)
    if faults:
        raise InputError(faults)
    from planner.policy_document import policy_from
    from planner.report.what_if_words import what_if_result
    from planner.state import initial_state
    from planner.what_if import Change, what_if

    at_psi, unit = change["change_at_psi"], incident.change_at.unit
    asked = None if at_psi is None else Pressure(float(at_psi), "psi")
    wanted = Change(
        later_min=float(change["later_min"]),
        flow_factor=1 + change["flow_percent"] / 100,
        num_fewer=int(change["num_fewer"]),
        change_at=None if asked is None else Pressure(asked.in_unit(unit), unit),
    )
    call.tell("judging before and after")
    samples = (int(call.payload["samples"]), int(call.payload["seed"]))
    policy = policy_from(call.payload["policy"])
    found = what_if(incident, initial_state(incident), policy, wanted, samples)
    return what_if_result(wanted, found)


#: What of a payload is kept with its plan, so that the same can be asked again.
ASKED: Final = ("request", "situation", "in_force")
TASKS: Final[Mapping[str, Task]] = MappingProxyType(
    {
        "plan": plan,
        "what_if": compare_changed,
        "expect": expect,
        "advise": tasks_advice.advise,
        "ways": tasks_advice.ways,
        "cache": tasks_cache.cache,
        "cache_plans": tasks_cache.cache_plans,
        "review": tasks_review.review,
        "beside": tasks_exercise.beside,
    }
)
ROUNDING_PSI: Final = 1e-6  # a residual in bar, turned into psi and back
# low, high, what is allowed; our own limits against a slip of the keyboard
_CHANGE: Final[Mapping[str, tuple[float, float, str]]] = MappingProxyType(
    {
        "later_min": (-600, 600, "minutes, -600 to 600"),
        "flow_percent": (-50, 100, "per cent, -50 to 100"),
        "num_fewer": (0, 500, "a whole number, 0 to 500"),
        "change_at_psi": (0, 1500, "psi, 0 to 1500, or nothing"),
    }
)


# low, high, what is allowed; the same as the command line allows
_REQUEST: Final[Mapping[str, tuple[float, float, str]]] = MappingProxyType(
    {
        "seed": (0, 2**31 - 1, "a whole number, 0 to 2147483647"),
        "samples": (100, 1_000_000, "a whole number, 100 to 1000000"),
        "effort": (0, 1_000_000, "a whole number, 0 to 1000000, or nothing"),
        "deterministic_s": (0.001, 86_400, "seconds, 0.001 to 86400"),
        "wall_s": (0.001, 86_400, "seconds, 0.001 to 86400, or nothing"),
    }
)


def _change_faults(change: Mapping[str, object], unit: PressureUnit) -> Iterator[Fault]:
    for name, (low, high, allowed) in _CHANGE.items():
        value = change[name]
        if _is_allowed(value, low, high, allowed):
            continue
        if name == "change_at_psi" and isinstance(value, int | float) and unit == "bar":
            upto = f"{math.floor(Pressure(high, 'psi').bar)}"
            yield _fault("what if", name, _gauge(value, unit), f"0 to {upto} bar, or nothing")
        else:
            yield _fault("what if", name, value, allowed)


def _residual_faults(at_psi: Any, incident: Incident) -> Iterator[Fault]:
    """Keep a change pressure at or above the safe residual, as the incident file does."""
    is_number = isinstance(at_psi, int | float) and _is_allowed(at_psi, *_CHANGE["change_at_psi"])
    if is_number and at_psi < incident.safe_residual.psi - ROUNDING_PSI:
        unit = incident.change_at.unit
        least = _gauge(incident.safe_residual.psi, unit)
        words = f"at least {least}, the safe residual: nobody breathes below it"
        yield _fault("what if", "change_at_psi", _gauge(at_psi, unit), words)


def _gauge(psi: float, unit: PressureUnit) -> str:
    """Return a gauge in a unit, exact enough that what is refused is not told as allowed."""
    return f"{round(Pressure(float(psi), 'psi').in_unit(unit), 3):g} {unit}"


def _request_faults(request: object) -> Iterator[Fault]:
    if not isinstance(request, dict):
        yield _fault("request", "", request, "a table")
        return
    for name, value in request.items():
        if name not in _REQUEST:
            mend = nearest(name, _REQUEST) or "Leave it out."
            yield _fault("request", printable(name), value, "one of " + ", ".join(_REQUEST), mend)
        elif not _is_allowed(value, *_REQUEST[name]):
            yield _fault("request", name, value, _REQUEST[name][2])


def _is_allowed(value: object, low: float, high: float, allowed: str) -> bool:
    if value is None:
        return "nothing" in allowed
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    is_kind = isinstance(value, int) or "whole" not in allowed
    return is_kind and low <= value <= high


def _fault(table: str, field: str, value: object, allowed: str, mend: str = "") -> Fault:
    return Fault("", table, "", field, shown(value), allowed, mend)
