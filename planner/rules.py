"""The simple rules: each a function from incident and state to a policy, as people do it today.

They need no solver, so they are also what is left when the solver has nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from planner.demand import fetched_points, score_from_time
from planner.incident import (
    BUILT_IN,
    TRIAGE_ORDER,
    Cylinder,
    Incident,
    Option,
    Patient,
    Phase,
)
from planner.oxygen_options import need_of, need_rank, options_of, valve_has
from planner.policy import Policy, Promise
from planner.shelf import Shelf, default_order, usable_l, with_hookup, with_line
from planner.state import Hookup, State

Rule = Callable[[Incident, State], Policy]


def first_choice(options: tuple[Option, ...]) -> Option:
    """Return the first option of the best level."""
    return options[0]


def lowest(options: tuple[Option, ...]) -> Option:
    """Return the allowed option with the least flow to begin with, of those the lowest level."""
    return min(options, key=lambda o: (max(p.flow_lpm for p in o.phases), -o.steps))


def triage_order(incident: Incident, state: State) -> Policy:
    """Rule (a): in triage order everyone gets the first-choice flow and the next cylinder.

    Whoever is there is connected in the queue's order with what lies at its place; later swaps
    take the next cylinder on the list, whoever asks; nothing is kept for anyone.
    """
    return _dealt(incident, state, first_choice)


def promised_in_advance(incident: Incident, state: State) -> Policy:
    """Rule (b): as rule (a), but every cylinder is promised to somebody in advance.

    In the queue's order each gets cylinders that fit and can be carried there, largest first,
    until they cover first-choice flow to the 90 % point of its need; what is left then is dealt
    out one by one in the same order. Nobody may take another's.
    """
    policy = triage_order(incident, state)
    cylinders = {c.tag: c for c in incident.all_cylinders}
    left = [cylinders[tag] for tag in policy.order]
    sharers = [p for p in queue_order(incident) if policy.option_of(p.tag) is not None]
    dealt: dict[str, list[str]] = {p.tag: [] for p in sharers}
    fetched = fetched_points(incident, state, 0.9)
    for patient in sharers:
        wanted = need_at_90_l(incident, state, policy, (patient, fetched.get(patient.tag)))
        while wanted > 0:
            cylinder = _first_fit(incident, state, policy, patient, left)
            if cylinder is None:
                break
            left.remove(cylinder)
            dealt[patient.tag].append(cylinder.tag)
            wanted -= usable_l(incident, state, cylinder)
    is_dealing = True
    while left and is_dealing:
        is_dealing = False
        for patient in sharers:
            cylinder = _first_fit(incident, state, policy, patient, left)
            if cylinder is not None:
                left.remove(cylinder)
                dealt[patient.tag].append(cylinder.tag)
                is_dealing = True
    kit = {p.patient: p for p in policy.promises}
    promises = tuple(
        replace(kit.get(tag, Promise(tag)), cylinders=tuple(tags))
        for tag, tags in dealt.items()
        if tags or tag in kit
    )
    return replace(policy, promises=promises)


def need_at_90_l(
    incident: Incident, state: State, policy: Policy, fetched: tuple[Patient, float | None]
) -> float:
    """Return the litres, beyond the first cylinder, that cover the 90 % point of a need.

    ``fetched`` is the patient and, where a vehicle fetches it, the 90 % point of that.

    From the median start (or now) to the 90 % point of the transfer, no-show and fallback counted,
    all phases taken to begin.
    """
    patient, point = fetched
    option = policy.option_of(patient.tag)
    if option is None:
        return 0.0
    if point is None:
        point = transfer_point(incident, patient, 0.9, state.at_min)
    begin, end = max(state.at_min, patient.oxygen_from.p50_min), min(point, incident.horizon_min)
    litres, passed, length = 0.0, 0.0, max(0.0, end - begin)
    for phase in option.phases:
        minutes = length - passed if phase.for_min is None else min(phase.for_min, length - passed)
        litres += phase.flow_lpm * max(0.0, minutes)
        passed += max(0.0, minutes)
    first = [
        usable_l(incident, state, c)
        for h in policy.hookups if any(x.patient == patient.tag for x in h.lines)
        for c in incident.all_cylinders if c.tag in h.cylinders
    ]  # fmt: skip
    return litres - sum(first)


def transfer_point(incident: Incident, patient: Patient, share: float, at_min: float) -> float:
    """Return the minute by which a share of a patient's transfers fall, given none by ``at_min``.

    Infinite when so many never come.
    """
    group = incident.group_of(patient)
    time, begin = patient.transfer, 0.0
    if time is None:
        time, begin = patient.transfer_after_found, patient.oxygen_from.p50_min
    if time is None:
        return math.inf
    no_show = group.no_show_chance if group is not None else 0.0
    fallback = group.fallback if group is not None else None

    def gone_by(minute: float) -> float:
        regular = _normal(score_from_time(time, minute - begin))
        late = 0.0 if fallback is None else _normal(score_from_time(fallback, minute))
        return (1 - no_show) * regular + no_show * late

    before = gone_by(at_min)
    if before >= 1:
        return at_min
    goal = before + share * (1 - before)
    low, high = at_min, 1e6
    if gone_by(high) < goal:
        return math.inf
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (low, middle) if gone_by(middle) >= goal else (middle, high)
    return high


def _normal(score: float) -> float:
    return 0.5 * math.erfc(-score / math.sqrt(2))


def _first_fit(
    incident: Incident, state: State, policy: Policy, patient: Patient, left: list[Cylinder]
) -> Cylinder | None:
    """Return the first cylinder that fits a patient's regulator and can be carried to it."""
    option = policy.option_of(patient.tag)
    held = {h.regulator for h in policy.hookups for x in h.lines if x.patient == patient.tag}
    held |= {p.regulator for p in policy.promises if p.patient == patient.tag}
    known = {r.connection for r in incident.all_regulators if r.tag in held}
    flows = {phase.flow_lpm for phase in option.phases} if option is not None else set()
    any_of = known or {
        r.connection for r in incident.all_regulators if flows <= set(r.settings_lpm)
    }
    if not known:
        any_of = any_of | {BUILT_IN}
    now = {c.tag: c.place for c in state.cylinders}
    here = state.patient(patient.tag).place
    supply = {c.tag: r.place for r in incident.resupply for c in r.cylinders}
    for cylinder in left:
        place = now.get(cylinder.tag) or supply[cylinder.tag]
        fits_valve = cylinder.connection != BUILT_IN or (
            option is not None and valve_has(cylinder, option)
        )
        is_near = incident.carry_min(place, here) is not None
        if cylinder.connection in any_of and fits_valve and is_near:
            return cylinder
    return None


def lowest_flow(incident: Incident, state: State) -> Policy:
    """Rule (c): as rule (a), but everyone is on the lowest allowed option from the start."""
    return _dealt(incident, state, lowest)


def queue_order(incident: Incident) -> list[Patient]:
    """Return the patients in the order in which they are served, all waiting equally long."""
    rows = list(enumerate(incident.patients))

    def rank(row: tuple[int, Patient]) -> tuple[int, int, int]:
        index, patient = row
        category = TRIAGE_ORDER.index(patient.triage)
        need = need_rank(need_of(incident, patient))
        first, second = (need, category) if incident.priorities.order == "need" else (
            category, need)  # fmt: skip
        return first, second, index

    return [patient for _, patient in sorted(rows, key=rank)]


def going_on_option(hookup: Hookup, patient: Patient, allowed: tuple[Option, ...]) -> Option:
    """Return the option of somebody already connected: what runs goes on as it is set.

    The allowed option with that device and flow, or one made of what runs, at the level of the
    first allowed option with at least that flow.
    """
    line = next(line for line in hookup.lines if line.patient == patient.tag)
    for option in allowed:
        flows = {phase.flow_lpm for phase in option.phases}
        if option.device == line.device and line.flow_lpm in flows:
            return option
    below = [option for option in allowed if option.flow_lpm <= line.flow_lpm]
    level = (below or allowed[-1:])[0].level
    return Option(line.device, level, (Phase(line.flow_lpm),))


def _dealt(
    incident: Incident, state: State, choose: Callable[[tuple[Option, ...]], Option]
) -> Policy:
    shelf = Shelf.of(incident, state)
    going_on = {line.patient: hookup for hookup in state.hookups for line in hookup.lines}
    status = {p.tag: p.status for p in state.patients}
    hookups: list[Hookup] = []
    promises: list[Promise] = []
    options: list[tuple[str, Option]] = []
    people = queue_order(incident)
    people.sort(key=lambda p: status[p.tag] == "unknown")  # kit goes to who is there first
    for patient in people:
        allowed = options_of(incident, patient)
        if not allowed or status[patient.tag] in {"gone", "dead"}:
            continue
        option = choose(allowed)
        if patient.tag in going_on:
            option = going_on_option(going_on[patient.tag], patient, allowed)
            source = going_on[patient.tag]
            line = next(x for x in source.lines if x.patient == patient.tag)
            hookups = with_line(hookups, source, line)
        elif status[patient.tag] == "unknown":
            promise = shelf.promise(patient, option)
            if promise is not None:
                promises.append(promise)
        else:
            hookup = shelf.hookup(patient, option)
            if hookup is not None:
                hookups = with_hookup(hookups, hookup)
        options.append((patient.tag, option))
    taken = [tag for hookup in hookups for tag in hookup.cylinders]
    return Policy(
        hookups=tuple(hookups),
        options=tuple(options),
        order=default_order(incident, state, taken),
        promises=tuple(promises),
    )


RULES: Final[tuple[tuple[str, Rule], ...]] = (
    ("(a) triage order, first-choice flow", triage_order),
    ("(b) cylinders promised in advance", promised_in_advance),
    ("(c) lowest allowed flow for all", lowest_flow),
)
