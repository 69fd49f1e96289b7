"""The tasks ``advise`` and ``ways``: what would help, what to ask for, three ways to run it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from planner.call import Call
from planner.errors import Fault, InputError
from planner.intake import shown

if TYPE_CHECKING:
    from planner.incident import Incident
    from planner.state import State

TRAVEL: Final = (0.0, 2880.0)  # two days: more is a slip (our own)


def advise(call: Call) -> dict[str, Any]:
    """Say what would help a kept plan most, and what to ask for.

    The payload holds ``incident``, ``policy``, ``situation`` (or nothing), ``seed``, ``samples``
    and ``travel_min``.

    Raises
    ------
    InputError
        With the faults of the incident, or of the minutes of travel.
    """
    travel = call.payload["travel_min"]
    low, high = TRAVEL
    if isinstance(travel, bool) or not isinstance(travel, int | float) or not low <= travel <= high:
        allowed = f"{low:g} to {high:g} minutes"
        raise InputError([Fault("", "advise", "", "travel_min", shown(travel), allowed, "")])
    incident, state = _case(call.payload)
    from planner.policy_files import policy_of_tree

    policy = policy_of_tree(call.payload["policy"], incident)
    from planner.advice.ranking import Options, advise
    from planner.advice.request import Wanted, request_for
    from planner.advice.setting import Setting
    from planner.report.advice_result import advice_result

    seed, samples = int(call.payload["seed"]), int(call.payload["samples"])
    setting = Setting(incident, state, policy)
    tell, stop = call.tell, call.is_stopped
    wanted = Wanted(None, float(travel), seed, samples, progress=tell, is_interrupted=stop)
    answer = request_for(setting, wanted)
    found = advise(setting, Options(seed, samples, progress=tell, is_interrupted=stop))
    return advice_result(incident, found, answer, float(travel))


def ways(call: Call) -> dict[str, Any]:
    """Plan the three ways to run an incident.

    The payload is that of :func:`planner.tasks.plan`, and gives that plan as the middle way.

    Raises
    ------
    InputError
        With the faults of the incident.
    """
    from planner.policy_files import policy_of_tree
    from planner.report.ways_words import ways_document
    from planner.ways import three_ways
    from planner.workflow import Request, make_plan

    incident, state = _case(call.payload)
    in_force = call.payload.get("in_force")
    request = Request(
        **call.payload.get("request", {}),
        is_interrupted=call.is_stopped,
        in_force=None if in_force is None else policy_of_tree(in_force, incident),
    )
    plan = make_plan(incident, state, request, call.tell)
    return ways_document(three_ways(plan, request, call.tell))


def _case(payload: Mapping[str, Any]) -> tuple[Incident, State]:
    """Return the incident as it is known, and the state."""
    from planner.files import incident_from
    from planner.state import initial_state

    incident = incident_from(payload["incident"]).incident
    if payload.get("situation") is None:
        return incident, initial_state(incident)
    from planner.situation import situation_from

    found = situation_from(payload["situation"], incident)
    return found.incident, found.state
