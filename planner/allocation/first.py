"""First allocation by CP-SAT: who gets which option, cylinder, regulator and mask now.

A small model on mean litres. It decides options for everyone, first connections for who is there
and promised kit for who is not yet found; the reserve is left to the printed list. Chances are not
in it: they are judged afterwards by operation.

minimise   sum of the prices of lower levels
         + sum over people there and not connected of (tier weight + 60 min of minute weight +
           what all their litres would cost if short)
         + the same times the chance needed, for people awaited without promised kit
         + what promised kit that is carried too late costs on the samples
         + sum over tiers a and connections of W_a x litres short / litres of a usual cylinder
         - a small reward for usable litres at first, by tier

subject to one option each; a connection takes one cylinder, one regulator of its connection whose
dial has the option's flows (or a built-in valve), one mask of the option's kind and the patient's
age, a washer and a key where they are listed; nothing is given out twice; and litres needed by
tiers up to a on a connection are at most what there is of it plus what is short.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from ortools.sat.python import cp_model

from planner.demand import Floats, Needs
from planner.incident import BUILT_IN, Incident, Option, Patient, tier_of
from planner.oxygen_options import options_of
from planner.policy import Policy, Promise
from planner.reference import load_connections
from planner.rules import default_order, going_on_option, usable_l
from planner.solver import Settings, Solved, scaled, solve
from planner.state import Hookup, Line, State, device_units, keys

SHORT_WEIGHT: Final = 0.3  # mu of model.md, per usual cylinder short (measured there)
USUAL_L: Final = 300.0  # litres of "a usual cylinder": about a D (our own scale)
WAIT_MIN: Final = 60.0  # minutes out that waiting without kit is taken to cost (our own)
REWARD: Final = 1e-3  # for a full first cylinder of an Immediate (breaks ties only)


@dataclass(frozen=True, slots=True)
class Item:
    """A cylinder, regulator or mask that could be given out, as the model sees it."""

    tag: str
    place: str
    there_from: dict[str, float]
    connection: str = ""
    settings: frozenset[float] = frozenset()
    kind: tuple[str, str] = ("", "")
    usable_l: float = 0.0


@dataclass(slots=True)
class Case:
    """What the model decides about, gathered once."""

    incident: Incident
    state: State
    people: list[Patient]
    awaited: set[str]
    options: dict[str, tuple[Option, ...]]
    litres: dict[tuple[str, int], float]
    cylinders: list[Item]
    regulators: list[Item]
    devices: list[Item]
    supply_l: dict[str, float]
    needs: Needs
    rows: dict[str, int]
    fixed: dict[str, Hookup] = field(default_factory=dict)


def allocate_first(
    incident: Incident, state: State, needs: Needs, settings: Settings
) -> tuple[Policy, Solved]:
    """Return a policy from the small model, with what the solver proved about it.

    Raises
    ------
    SolverError
        When the solver has nothing to read within its limits.
    """
    case = _case(incident, state, needs)
    model = _Model(case)
    solved = solve(model.model, model.variables, settings)
    return _policy(case, model, solved), solved


def mean_litres(needs: Needs, row: int, option: Option, horizon_min: float) -> float:
    """Return the mean litres a patient needs on an option, over all samples.

    Phases count with their chance and run from the start.
    """
    end = np.minimum(needs.transfer_min[row], horizon_min)
    length: Floats = np.maximum(end - needs.start_min[row], 0.0) * needs.is_needed[row]
    total, begin, chance, before = 0.0, 0.0, 1.0, 0.0
    for phase in option.phases:
        chance *= phase.chance
        rest = float(np.mean(np.maximum(length - begin, 0.0)))
        total += chance * (phase.flow_lpm - before) * rest
        before = phase.flow_lpm
        begin += phase.for_min if phase.for_min is not None else 0.0
    return total


def _case(incident: Incident, state: State, needs: Needs) -> Case:
    status = {p.tag: p.status for p in state.patients}
    rows = {p.tag: row for row, p in enumerate(incident.patients)}
    going_on = {line.patient: h for h in state.hookups for line in h.lines}
    people, options, litres = [], {}, {}
    for patient in incident.patients:
        allowed = options_of(incident, patient)
        if not allowed or status[patient.tag] in {"gone", "dead"}:
            continue
        if patient.tag in going_on:
            allowed = (going_on_option(going_on[patient.tag], patient, allowed),)
        people.append(patient)
        options[patient.tag] = allowed
        for k, option in enumerate(allowed):
            litres[patient.tag, k] = mean_litres(
                needs, rows[patient.tag], option, incident.horizon_min
            )
    supply: dict[str, float] = defaultdict(float)
    for cylinder in incident.all_cylinders:
        supply[cylinder.connection] += usable_l(incident, state, cylinder)
    return Case(
        incident,
        state,
        people,
        {tag for tag in options if status[tag] == "unknown"},
        options,
        litres,
        _cylinders(incident, state),
        _regulators(incident, state),
        _devices(incident, state),
        dict(supply),
        needs,
        rows,
        {tag: going_on[tag] for tag in options if tag in going_on},
    )


def _there_from(incident: Incident, place: str, since: float) -> dict[str, float]:
    found = {p.name: incident.carry_min(place, p.name) for p in incident.places}
    return {name: since + minutes for name, minutes in found.items() if minutes is not None}


def _cylinders(incident: Incident, state: State) -> list[Item]:
    rows = {c.tag: c for c in incident.all_cylinders}
    items = []
    for now in state.cylinders:
        usable = usable_l(incident, state, rows[now.tag])
        if now.status == "reserve" and usable > 0:
            items.append(
                Item(
                    now.tag, now.place, _there_from(incident, now.place, now.since_min),
                    rows[now.tag].connection, frozenset(rows[now.tag].settings_lpm),
                    usable_l=usable,
                )
            )  # fmt: skip
    return items


def _regulators(incident: Incident, state: State) -> list[Item]:
    rows = {r.tag: r for r in incident.all_regulators}
    return [
        Item(
            now.tag, now.place, _there_from(incident, now.place, now.since_min),
            rows[now.tag].connection, frozenset(rows[now.tag].settings_lpm),
        )
        for now in state.regulators
        if now.holder is None and not now.is_gone
    ]  # fmt: skip


def _devices(incident: Incident, state: State) -> list[Item]:
    units = {u.tag: u for u in device_units(incident)}
    return [
        Item(
            now.tag, now.place, _there_from(incident, now.place, now.since_min),
            kind=(units[now.tag].kind, units[now.tag].age),
        )
        for now in state.devices
        if now.holder is None and not now.is_gone
    ]  # fmt: skip


Expression = cp_model.LinearExpr | int


def total(terms: Sequence[Expression]) -> Expression:
    """Return the sum of expressions, as the solver's own type."""
    return cp_model.LinearExpr.sum(list(terms))


class _Model:
    """The CP-SAT model; each method adds what its name guarantees."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.model = cp_model.CpModel()
        self.variables: dict[str, cp_model.IntVar] = {}
        self.costs: list[tuple[cp_model.IntVar, float]] = []
        for patient in case.people:
            options = [self._new(f"x {patient.tag} {k}") for k in self._range(patient)]
            self.model.add_exactly_one(options)
            if patient.tag not in case.fixed:
                self._give_kit(patient)
        self._give_each_once("y", case.cylinders)
        self._give_each_once("r", case.regulators)
        self._give_each_once("m", case.devices)
        self._use_washers()
        self._count_shortage()
        self._price()

    def _new(self, name: str) -> cp_model.IntVar:
        self.variables[name] = self.model.new_bool_var(name)
        return self.variables[name]

    def _range(self, patient: Patient) -> range:
        return range(len(self.case.options[patient.tag]))

    def _is_there(self, item: Item, patient: Patient) -> bool:
        minute = item.there_from.get(patient.place)
        if patient.tag in self.case.awaited:
            return minute is not None
        return minute is not None and minute <= self.case.state.at_min

    def _options_with(self, patient: Patient, fits: frozenset[float]) -> list[cp_model.IntVar]:
        return [
            self.variables[f"x {patient.tag} {k}"]
            for k, option in enumerate(self.case.options[patient.tag])
            if {p.flow_lpm for p in option.phases} <= fits
        ]

    def _give_kit(self, patient: Patient) -> None:
        """Give a connection or a promise a mask and a source, and one that fits the option."""
        tag = patient.tag
        served = self._new(f"n {tag}")
        is_awaited = tag in self.case.awaited
        by_connection: dict[str, list[cp_model.IntVar]] = defaultdict(list)
        built_in: list[cp_model.IntVar] = []
        for cylinder in [] if is_awaited else self.case.cylinders:
            if not self._is_there(cylinder, patient):
                continue
            y = self._new(f"y {tag} {cylinder.tag}")
            by_connection[cylinder.connection].append(y)
            if cylinder.connection == BUILT_IN:
                built_in.append(y)
                self.model.add(y <= total(self._options_with(patient, cylinder.settings)))
        regulators: dict[str, list[cp_model.IntVar]] = defaultdict(list)
        for regulator in self.case.regulators:
            if self._is_there(regulator, patient):
                r = self._new(f"r {tag} {regulator.tag}")
                self._price_lateness(patient, regulator, r)
                regulators[regulator.connection].append(r)
                self.model.add(r <= total(self._options_with(patient, regulator.settings)))
        every = [r for rows in regulators.values() for r in rows]
        self.model.add(total(every) + total(built_in) == served)
        if not is_awaited:
            for connection in sorted({*by_connection, *regulators} - {BUILT_IN}):
                self.model.add(total(by_connection[connection]) == total(regulators[connection]))
        masks = []
        for device in self.case.devices:
            if self._is_there(device, patient) and device.kind[1] == patient.age:
                m = self._new(f"m {tag} {device.tag}")
                self._price_lateness(patient, device, m)
                masks.append(m)
                self.model.add(m <= total(self._options_on(patient, device.kind[0])))
        self.model.add(total(masks) == served)

    def _price_lateness(self, patient: Patient, item: Item, taken: cp_model.IntVar) -> None:
        """Charge for promised kit that is still being carried when somebody is found."""
        if patient.tag not in self.case.awaited:
            return
        case, there = self.case, item.there_from[patient.place]
        row = case.rows[patient.tag]
        late = np.maximum(there - case.needs.start_min[row], 0.0) * case.needs.is_needed[row]
        priorities, tier = case.incident.priorities, tier_of(patient.triage)
        weight = priorities.tier_weights[tier] / sum(priorities.tier_weights)
        cost = weight * float(np.mean(late > 0))
        cost += priorities.minute_weights[tier] * float(np.mean(late))
        self.costs.append((taken, cost))

    def _options_on(self, patient: Patient, kind: str) -> list[cp_model.IntVar]:
        return [
            self.variables[f"x {patient.tag} {k}"]
            for k, option in enumerate(self.case.options[patient.tag])
            if option.device == kind
        ]

    def _give_each_once(self, letter: str, items: list[Item]) -> None:
        for item in items:
            takers = [
                self.variables[name]
                for p in self.case.people
                if (name := f"{letter} {p.tag} {item.tag}") in self.variables
            ]
            if len(takers) > 1:
                self.model.add_at_most_one(takers)

    def _use_washers(self) -> None:
        """First connections use washers; where keys are listed and none is there, nothing is."""
        state, incident = self.case.state, self.case.incident
        listed = keys(incident)
        table = load_connections()
        for number, place in enumerate(incident.places):
            here = [p.tag for p in self.case.people if p.place == place.name]
            takes = [
                (variable, table[item.connection])
                for item in self.case.cylinders
                for tag in here
                if (variable := self.variables.get(f"y {tag} {item.tag}")) is not None
            ]
            wet = [variable for variable, kind in takes if kind.needs_washer]
            if state.washers is not None and wet:
                self.model.add(total(wet) <= state.washers[number])
            if listed is not None and listed[number] == 0:
                for variable, kind in takes:
                    if kind.needs_key:
                        self.model.add(variable == 0)

    def _count_shortage(self) -> None:
        """Litres needed by tiers up to a, on a connection, are what there is plus what is short."""
        weights = self.case.incident.priorities.tier_weights
        connections = sorted({i.connection for i in self.case.cylinders} | set(self.case.supply_l))
        for tier, weight in enumerate(weights):
            for connection in connections:
                terms = self._needed(tier, connection)
                short = self.model.new_int_var(0, 10**7, f"short {tier} {connection}")
                supply = int(self.case.supply_l.get(connection, 0.0))
                self.model.add(total(terms) <= supply + short)
                self.costs.append((short, SHORT_WEIGHT * weight / sum(weights) / USUAL_L))

    def _shortage_of(self, patient: Patient) -> float:
        """Return what a patient's litres would cost if all were short: waiting saves nothing."""
        weights, tier = self.case.incident.priorities.tier_weights, tier_of(patient.triage)
        litres = max(self.case.litres[patient.tag, k] for k in self._range(patient))
        return SHORT_WEIGHT * sum(weights[tier:]) / sum(weights) * litres / USUAL_L

    def _needed(self, tier: int, connection: str) -> list[Expression]:
        terms: list[Expression] = []
        for patient in self.case.people:
            if tier_of(patient.triage) > tier:
                continue
            on = self._on_connection(patient, connection)
            for k in self._range(patient):
                litres = round(self.case.litres[patient.tag, k])
                x = self.variables[f"x {patient.tag} {k}"]
                if on is True:
                    terms.append(litres * x)
                elif on is not False:
                    both = self.model.new_bool_var(f"z {patient.tag} {k} {connection} {tier}")
                    self.model.add(both >= x + on - 1)
                    terms.append(litres * both)
        return terms

    def _on_connection(self, patient: Patient, connection: str) -> bool | Expression:
        """Say whether a patient is on a connection: known, or a sum of choices."""
        if patient.tag in self.case.fixed:
            tag = self.case.fixed[patient.tag].cylinders[0]
            row = next(c for c in self.case.incident.all_cylinders if c.tag == tag)
            return row.connection == connection
        items = self.case.cylinders if connection == BUILT_IN else self.case.regulators
        letter = "y" if connection == BUILT_IN else "r"
        chosen = [
            self.variables[name]
            for item in items
            if item.connection == connection
            and (name := f"{letter} {patient.tag} {item.tag}") in self.variables
        ]
        return total(chosen) if chosen else False

    def _price(self) -> None:
        priorities = self.case.incident.priorities
        all_weights = sum(priorities.tier_weights)
        for patient in self.case.people:
            tier = tier_of(patient.triage)
            for k, option in enumerate(self.case.options[patient.tag]):
                self.costs.append(
                    (self.variables[f"x {patient.tag} {k}"],
                     priorities.step_prices[tier] * option.steps)
                )  # fmt: skip
            if f"n {patient.tag}" in self.variables:
                waiting = (
                    priorities.tier_weights[tier] / all_weights
                    + WAIT_MIN * priorities.minute_weights[tier]
                ) * patient.chance_needed + self._shortage_of(patient)
                self.costs.append((self.variables[f"n {patient.tag}"], -waiting))
            for item in self.case.cylinders:
                taken = self.variables.get(f"y {patient.tag} {item.tag}")
                if taken is not None:
                    reward = REWARD * priorities.tier_weights[tier] / all_weights
                    self.costs.append((taken, -reward * item.usable_l / USUAL_L))
        self.model.minimize(
            cp_model.LinearExpr.weighted_sum(
                [variable for variable, _ in self.costs], [scaled(c) for _, c in self.costs]
            )
        )


def _policy(case: Case, model: _Model, solved: Solved) -> Policy:
    """Turn the solver's values into a policy."""
    chosen = {name for name, value in solved.values.items() if value}
    options, hookups, promises = [], [], []
    for patient in case.people:
        tag = patient.tag
        k = next(k for k in range(len(case.options[tag])) if f"x {tag} {k}" in chosen)
        option = case.options[tag][k]
        options.append((tag, option))
        if tag in case.fixed:
            hookups.append(case.fixed[tag])
            continue
        if f"n {tag}" not in chosen:
            continue
        cylinder, regulator, device = (
            next((i.tag for i in items if f"{letter} {tag} {i.tag}" in chosen), None)
            for letter, items in (("y", case.cylinders), ("r", case.regulators),
                                  ("m", case.devices))
        )  # fmt: skip
        if tag in case.awaited:
            promises.append(Promise(tag, regulator, device))
        elif cylinder is not None:
            line = Line(tag, option.device, option.flow_lpm)
            hookups.append(Hookup((cylinder,), regulator, (line,), case.state.at_min))
    taken = [tag for hookup in hookups for tag in hookup.cylinders]
    return Policy(
        hookups=tuple(hookups),
        options=tuple(options),
        order=default_order(case.incident, case.state, taken),
        promises=tuple(promises),
    )
