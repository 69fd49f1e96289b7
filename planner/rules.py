"""The simple rules: each a function from incident and state to a policy, as people do it today.

They need no solver, so they are also what is left when the solver has nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from planner.demand import score_from_time
from planner.gas import content_l
from planner.incident import (
    BUILT_IN,
    TRIAGE_ORDER,
    Cylinder,
    Incident,
    Option,
    Patient,
    Phase,
    Regulator,
)
from planner.operation.arrays import litres_at
from planner.oxygen_options import need_of, need_rank, options_of
from planner.policy import Policy, Promise
from planner.reference import load_connections
from planner.state import DeviceUnit, Hookup, Line, State, device_units, keys

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
    for patient in sharers:
        wanted = need_at_90_l(incident, state, policy, patient)
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


def need_at_90_l(incident: Incident, state: State, policy: Policy, patient: Patient) -> float:
    """Return the litres, beyond the first cylinder, that cover the 90 % point of a need.

    From the median start (or now) to the 90 % point of the transfer, no-show and fallback counted,
    all phases taken to begin.
    """
    option = policy.option_of(patient.tag)
    if option is None:
        return 0.0
    begin = max(state.at_min, patient.oxygen_from.p50_min)
    end = min(transfer_point(incident, patient, 0.9, state.at_min), incident.horizon_min)
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
    supply = {c.tag: r.place for r in incident.resupply for c in r.cylinders}
    for cylinder in left:
        place = now.get(cylinder.tag) or supply[cylinder.tag]
        fits_valve = cylinder.connection != BUILT_IN or flows <= set(cylinder.settings_lpm)
        is_near = incident.carry_min(place, patient.place) is not None
        if cylinder.connection in any_of and fits_valve and is_near:
            return cylinder
    return None


def lowest_flow(incident: Incident, state: State) -> Policy:
    """Rule (c): as rule (a), but everyone is on the lowest allowed option from the start."""
    return _dealt(incident, state, lowest)


def default_order(incident: Incident, state: State, taken: Iterable[str] = ()) -> tuple[str, ...]:
    """Return the default printed list: most usable litres first, ties in file order.

    Cylinders at or under the change pressure, in use, taken off or gone are left out.
    """
    now = {c.tag: c for c in state.cylinders}
    gone, used = set(taken), []
    for cylinder in incident.all_cylinders:
        at = now.get(cylinder.tag)
        if cylinder.tag in gone or (at is not None and at.status != "reserve"):
            continue
        usable = usable_l(incident, state, cylinder)
        if usable > 0:
            used.append((-usable, cylinder.tag))
    order = sorted(range(len(used)), key=lambda k: (used[k][0], k))
    return tuple(used[k][1] for k in order)


def usable_l(incident: Incident, state: State, cylinder: Cylinder) -> float:
    """Return litres above the change pressure at the temperature of use, by the reading."""
    at = next((c for c in state.cylinders if c.tag == cylinder.tag), None)
    gauge, read_at = (cylinder.gauge, cylinder.read_at) if at is None else (at.gauge, at.read_at)
    low = litres_at(cylinder, incident.change_at.psi, incident)
    if incident.contents == "handbook":
        return max(0.0, cylinder.factor_l_per_psi * gauge.psi - low)
    return max(0.0, content_l(cylinder.water_volume_l, gauge.psi, read_at.c) - low)


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


@dataclass(slots=True)
class Shelf:
    """Kit that is not spoken for yet, while first connections are dealt out."""

    incident: Incident
    state: State
    cylinders: list[str]
    regulators: list[Regulator]
    devices: list[DeviceUnit]
    washers: dict[str, int]
    keys: dict[str, int]
    rows: Mapping[str, Cylinder]
    where: Mapping[str, tuple[str, float]]

    def copy(self) -> Shelf:
        """Return a shelf to deal from that leaves this one as it is."""
        return replace(
            self,
            cylinders=list(self.cylinders),
            regulators=list(self.regulators),
            devices=list(self.devices),
            washers=dict(self.washers),
        )

    @classmethod
    def of(cls, incident: Incident, state: State) -> Shelf:
        """Return all kit that is free in a state, cylinders in the default order."""
        free = {k.tag for k in (*state.regulators, *state.devices) if k.holder is None}
        free -= {k.tag for k in (*state.regulators, *state.devices) if k.is_gone}
        places = [p.name for p in incident.places]
        washers, listed = state.washers, keys(incident)
        here = {c.tag for c in state.cylinders}
        return cls(
            incident,
            state,
            [tag for tag in default_order(incident, state) if tag in here],
            [r for r in incident.all_regulators if r.tag in free],
            [u for u in device_units(incident) if u.tag in free],
            dict(zip(places, washers, strict=True)) if washers is not None else {},
            dict(zip(places, listed, strict=True)) if listed is not None else {},
            {c.tag: c for c in incident.all_cylinders},
            {row.tag: (row.place, row.since_min) for row in state.cylinders}
            | {row.tag: (row.place, row.since_min) for row in (*state.regulators, *state.devices)},
        )

    def hookup(self, patient: Patient, option: Option) -> Hookup | None:
        """Take what one first connection needs, all of it or nothing."""
        device = self._device(patient, option, is_here=True)
        if device is None:
            return None
        found = self._source(patient, option)
        if found is None:
            return None
        cylinder, regulator = found
        self.devices.remove(device)
        self.cylinders.remove(cylinder.tag)
        if regulator is not None:
            self.regulators.remove(regulator)
        if load_connections()[cylinder.connection].needs_washer and self.washers:
            self.washers[patient.place] -= 1
        return Hookup(
            (cylinder.tag,),
            None if regulator is None else regulator.tag,
            (Line(patient.tag, option.device, option.flow_lpm),),
            self.state.at_min,
        )

    def promise(self, patient: Patient, option: Option) -> Promise | None:
        """Set regulator and mask aside for someone not yet found; None when nothing fits."""
        device = self._device(patient, option, is_here=False)
        regulator = next(
            (r for r in self.regulators
             if self._fits(r, option) and self._reaches(self._place(r.tag), patient.place)),
            None,
        )  # fmt: skip
        if device is not None:
            self.devices.remove(device)
        if regulator is not None:
            self.regulators.remove(regulator)
        if device is None and regulator is None:
            return None
        return Promise(
            patient.tag,
            regulator.tag if regulator is not None else None,
            device.tag if device is not None else None,
        )

    def lacks(self, patient: Patient, option: Option) -> str:
        """Return what a first connection lacks: mask, regulator, cylinder, washer, key or hands."""
        if self._device(patient, option, is_here=True) is None:
            return "mask"
        if self._source(patient, option) is not None:
            return "hands"
        here = [
            r for r in self.regulators
            if self._fits(r, option) and self._is_there(r.tag, patient.place)
        ]  # fmt: skip
        if not here:
            return "regulator"
        if all(not self._can_connect(patient.place, r.connection) for r in here):
            return "washer or key"
        return "cylinder"

    def _device(self, patient: Patient, option: Option, *, is_here: bool) -> DeviceUnit | None:
        for unit in self.devices:
            place = self._place(unit.tag)
            fits = unit.kind == option.device and unit.age == patient.age
            near = self._is_there(unit.tag, patient.place) if is_here else self._reaches(
                place, patient.place)  # fmt: skip
            if fits and near:
                return unit
        return None

    def _source(self, patient: Patient, option: Option) -> tuple[Cylinder, Regulator | None] | None:
        """Return the first regulator with a cylinder there, else a cylinder with its own valve."""
        for regulator in self.regulators:
            if self._fits(regulator, option) and self._is_there(regulator.tag, patient.place):
                cylinder = self._cylinder(patient, regulator.connection, option)
                if cylinder is not None:
                    return cylinder, regulator
        cylinder = self._cylinder(patient, BUILT_IN, option)
        return None if cylinder is None else (cylinder, None)

    def _cylinder(self, patient: Patient, connection: str, option: Option) -> Cylinder | None:
        if not self._can_connect(patient.place, connection):
            return None
        for tag in self.cylinders:
            cylinder = self.rows[tag]
            if cylinder.connection != connection or not self._is_there(tag, patient.place):
                continue
            if connection == BUILT_IN and not self._dial_has(cylinder.settings_lpm, option):
                continue
            return cylinder
        return None

    def _can_connect(self, place: str, connection: str) -> bool:
        kind = load_connections()[connection]
        if kind.needs_washer and self.washers and self.washers[place] < 1:
            return False
        return not (kind.needs_key and self.keys and self.keys[place] < 1)

    def _fits(self, regulator: Regulator, option: Option) -> bool:
        has_cylinders = any(
            c.connection == regulator.connection for c in self.incident.all_cylinders
        )
        return has_cylinders and self._dial_has(regulator.settings_lpm, option)

    @staticmethod
    def _dial_has(settings: tuple[float, ...], option: Option) -> bool:
        return {phase.flow_lpm for phase in option.phases} <= set(settings)

    def _place(self, tag: str) -> str:
        return self.where[tag][0]

    def _reaches(self, origin: str, place: str) -> bool:
        return self.incident.carry_min(origin, place) is not None

    def _is_there(self, tag: str, place: str) -> bool:
        origin, since = self.where[tag]
        minutes = self.incident.carry_min(origin, place)
        return minutes is not None and since + minutes <= self.state.at_min


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
            hookups.append(going_on[patient.tag])
        elif status[patient.tag] == "unknown":
            promise = shelf.promise(patient, option)
            if promise is not None:
                promises.append(promise)
        else:
            hookup = shelf.hookup(patient, option)
            if hookup is not None:
                hookups.append(hookup)
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
