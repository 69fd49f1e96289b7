"""Packages: everything somebody could be given first, as one choice each.

A package p of person i is an option, a connection, and where the first cylinder comes from: a
stack of alike cylinders for who is there, "the list" for who is awaited, the own one for who is
connected. It names alike regulators and alike masks too, so that everything that can run out is a
count and the choice is

    sum over p in P(i) of z[p] = 1                for every person i
    sum over p of uses[p, k] z[p] <= stock[k]     for every resource k

Resources k are stacks of cylinders, groups of regulators and of masks, washers by place, and hands
by place (a bag-valve-mask holds two, one with an airway device). Whether something is there by
now, whether the dial has the flows and whether a key is there decides if a package exists at all.
Everybody has a package in which they wait; only who is connected has nothing but the own one.

Cost of a package: the price of its level; for someone awaited what kit costs that is still being
carried when they are found; for a first cylinder a small penalty for litres less than the largest
there is, which breaks ties and saves swaps. Waiting costs the tier's weight, ``WAIT_MIN`` minutes
out, and what all their litres would cost if short in every tier's rows: without that, letting
somebody wait would pay by the oxygen it saves, which is what numbers kept for a category are for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from planner.allocation.litres import litres_until
from planner.allocation.stock import Group, Stock, hands_held, stock_of
from planner.demand import Floats, Needs
from planner.incident import BUILT_IN, Incident, Option, Patient
from planner.oxygen_options import options_of
from planner.reference import load_connections
from planner.risk import Weights, weights_of
from planner.rules import going_on_option
from planner.shelf import usable_l
from planner.state import Hookup, State, keys

SHORT_WEIGHT: Final = 0.3  # mu of model.md, per usual cylinder short (measured there)
RHO: Final = 0.5  # of model.md: what lower tiers take of the reserve, seen from a higher one
USUAL_L: Final = 300.0  # litres of "a usual cylinder": about a D (our own scale)
WAIT_MIN: Final = 60.0  # minutes out that waiting without kit is taken to cost (our own)
SMALLER: Final = 1e-3  # penalty per usual cylinder that a first one holds less (breaks ties)
SURPLUS: Final = 1e-3  # who does not count waits at this share of the lowest tier's cost


@dataclass(frozen=True, slots=True)
class Person:
    """Someone who gets an option; ``hookup`` is what goes on, ``row`` the incident's row."""

    patient: Patient
    row: int
    tier: int
    options: tuple[Option, ...]
    is_awaited: bool
    hookup: Hookup | None


@dataclass(frozen=True, slots=True)
class Package:
    """One choice of one person.

    ``option`` is None for who waits. ``cylinders``, ``regulators`` and ``devices`` are numbers of
    groups or None. ``first_l`` are the usable litres of the first cylinder, 0 "from the list".
    ``uses`` are (resource, how many).
    """

    person: int
    cost: float
    option: int | None = None
    connection: str = ""
    first_l: float = 0.0
    cylinders: int | None = None
    regulators: int | None = None
    devices: int | None = None
    uses: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Choice:
    """What step 1 chooses among; packages by person, in the incident's order."""

    incident: Incident
    state: State
    needs: Needs
    weights: Weights
    people: tuple[Person, ...]
    stock: Stock
    packages: tuple[Package, ...]

    @classmethod
    def of(cls, incident: Incident, state: State, needs: Needs) -> Choice:
        """Gather people, stock and every package that can be given."""
        weights = weights_of(incident)
        people = people_of(incident, state, weights)
        stock = stock_of(incident, state)
        maker = _Maker(incident, state, needs, weights, stock)
        found: list[Package] = []
        for number, person in enumerate(people):
            found.extend(maker.packages(number, person))
        return cls(incident, state, needs, weights, people, stock, tuple(found))


def people_of(incident: Incident, state: State, weights: Weights) -> tuple[Person, ...]:
    """Return who takes part: has an option, and is neither gone nor dead."""
    status = {p.tag: p.status for p in state.patients}
    going_on = {line.patient: h for h in state.hookups for line in h.lines}
    people = []
    for row, patient in enumerate(incident.patients):
        allowed = options_of(incident, patient)
        if not allowed or status[patient.tag] in {"gone", "dead"}:
            continue
        hookup = going_on.get(patient.tag)
        if hookup is not None:
            allowed = (going_on_option(hookup, patient, allowed),)
        is_awaited = status[patient.tag] == "unknown"
        here = replace(patient, place=state.patient(patient.tag).place)
        people.append(Person(here, row, int(weights.tier[row]), allowed, is_awaited, hookup))
    return tuple(people)


@dataclass(frozen=True, slots=True)
class _Maker:
    """Makes the packages of one person after another."""

    incident: Incident
    state: State
    needs: Needs
    weights: Weights
    stock: Stock

    def packages(self, number: int, person: Person) -> Iterator[Package]:
        """Yield every package of a person; the first one waits, or is what goes on."""
        if person.hookup is not None:
            yield self._going_on(number, person, person.hookup)
            return
        yield Package(number, self._waiting(person))
        for option in range(len(person.options)):
            if person.is_awaited:
                yield from self._promised(number, person, option)
            else:
                yield from self._first(number, person, option)

    def _going_on(self, number: int, person: Person, hookup: Hookup) -> Package:
        """Return what goes on; several lines on one source share its litres evenly."""
        row = next(c for c in self.incident.all_cylinders if c.tag == hookup.cylinders[0])
        litres = usable_l(self.incident, self.state, row) * len(hookup.cylinders)
        price = self._price(person, 0)
        return Package(number, price, 0, row.connection, litres / len(hookup.lines))

    def _first(self, number: int, person: Person, option: int) -> Iterator[Package]:
        """Yield connections with a cylinder, a regulator and a mask that are there now."""
        stock, flows = self.stock, _flows(person.options[option])
        most_l = max((c.usable_l for c in stock.cylinders), default=0.0)
        for c, cylinders in enumerate(stock.cylinders):
            if not self._is_there(cylinders, person) or not self._has_key(person, cylinders):
                continue
            for r in self._sources(person, cylinders.connection, flows, is_here=True):
                if r is None and not flows <= cylinders.settings:
                    continue
                for d in self._masks(person, option, is_here=True):
                    cost = self._price(person, option)
                    share = (most_l - cylinders.usable_l) / USUAL_L
                    cost += SMALLER * self._weight(person) * share
                    yield Package(
                        number, cost, option, cylinders.connection, cylinders.usable_l, c, r, d,
                        self._uses(person, option, (c, r, d)),
                    )  # fmt: skip

    def _promised(self, number: int, person: Person, option: int) -> Iterator[Package]:
        """Yield regulator and mask set aside, the cylinder from the list when found."""
        flows = _flows(person.options[option])
        for connection in dict.fromkeys(c.connection for c in self.incident.all_cylinders):
            first = self._first_there(person, connection, flows)
            if first is None:
                continue
            for r in self._sources(person, connection, flows, is_here=False):
                for d in self._masks(person, option, is_here=False):
                    kit = [self.stock.devices[d]] + (
                        [self.stock.regulators[r]] if r is not None else []
                    )
                    cost = self._price(person, option) + self._late(person, first, kit)
                    yield Package(
                        number, cost, option, connection, 0.0, None, r, d,
                        self._uses(person, option, (None, r, d)),
                    )  # fmt: skip

    def _sources(
        self, person: Person, connection: str, flows: frozenset[float], *, is_here: bool
    ) -> Iterator[int | None]:
        """Yield groups of regulators that do, or None for a built-in valve."""
        if connection == BUILT_IN:
            yield None
            return
        for number, group in enumerate(self.stock.regulators):
            if group.connection == connection and flows <= group.settings:
                near = self._is_there(group, person) if is_here else self._reaches(group, person)
                if near:
                    yield number

    def _masks(self, person: Person, option: int, *, is_here: bool) -> Iterator[int]:
        device, age = person.options[option].device, person.patient.age
        for number, group in enumerate(self.stock.devices):
            if group.kind == device and group.age == age:
                near = self._is_there(group, person) if is_here else self._reaches(group, person)
                if near:
                    yield number

    def _uses(
        self, person: Person, option: int, kit: tuple[int | None, int | None, int | None]
    ) -> tuple[tuple[int, int], ...]:
        """Return what a package takes of every resource.

        Someone awaited takes washer and hands only when found, which first connections cannot
        know.
        """
        stock, place = self.stock, person.patient.place
        wanted = {f"{letter} {k}": 1 for letter, k in zip("crd", kit, strict=True) if k is not None}
        if kit[0] is not None:
            connection = load_connections()[stock.cylinders[kit[0]].connection]
            wanted[f"washers {place}"] = int(connection.needs_washer)
            wanted[f"hands {place}"] = hands_held(person.patient, person.options[option].device)
        return tuple(
            (number, amount)
            for resource, amount in wanted.items()
            if amount and (number := stock.number(resource)) is not None
        )

    def _has_key(self, person: Person, cylinders: Group) -> bool:
        """Say whether a key is there, where keys are listed and the valve needs one."""
        listed = keys(self.incident)
        if listed is None or not load_connections()[cylinders.connection].needs_key:
            return True
        places = [p.name for p in self.incident.places]
        return listed[places.index(person.patient.place)] > 0

    def _reaches(self, group: Group, person: Person) -> bool:
        return self.incident.carry_min(group.place, person.patient.place) is not None

    def _there_from(self, group: Group, person: Person) -> float:
        minutes = self.incident.carry_min(group.place, person.patient.place)
        return np.inf if minutes is None else group.since_min + minutes

    def _is_there(self, group: Group, person: Person) -> bool:
        return self._there_from(group, person) <= self.state.at_min

    def _first_there(
        self, person: Person, connection: str, flows: frozenset[float]
    ) -> Floats | None:
        """Return by sample when a first cylinder can be there; None when none ever can."""
        found: list[Floats] = []
        size = self.needs.num_samples
        for group in self.stock.cylinders:
            fits = connection != BUILT_IN or flows <= group.settings
            if group.connection == connection and fits and self._reaches(group, person):
                found.append(np.full(size, self._there_from(group, person)))
        for number, supply in enumerate(self.incident.resupply):
            minutes = self.incident.carry_min(supply.place, person.patient.place)
            brings = any(
                c.connection == connection
                and (connection != BUILT_IN or flows <= set(c.settings_lpm))
                for c in supply.cylinders
            )
            if brings and minutes is not None and number not in self.state.arrived:
                found.append(self.needs.resupply_min[number] + minutes)
        return np.min(np.stack(found), axis=0) if found else None

    def _weight(self, person: Person) -> float:
        """Return the tier's share of the weights; a small one for who does not count."""
        if person.tier > 2:
            return SURPLUS * float(self.weights.tiers[2])
        return float(self.weights.tiers[person.tier])

    def _price(self, person: Person, option: int) -> float:
        return float(self.weights.step[person.row]) * person.options[option].steps

    def _late(self, person: Person, first: Floats, kit: list[Group]) -> float:
        """Return what it costs that kit or cylinder come later than the patient is found.

        ``weight x P(late) + minute weight x E[minutes late]``, by the latest of them.
        """
        there = np.maximum(first, max(self._there_from(group, person) for group in kit))
        there = np.minimum(there, self.incident.horizon_min)
        late = np.maximum(there - self.needs.start_min[person.row], 0.0)
        late = late * self.needs.is_needed[person.row]
        minutes = float(self.weights.minute[person.row]) * float(np.mean(late))
        return self._weight(person) * float(np.mean(late > 0)) + minutes

    def _waiting(self, person: Person) -> float:
        """Return what waiting without kit costs: see the module's docstring."""
        minute = float(self.weights.minute[person.row])
        chance = float(np.mean(self.needs.is_needed[person.row]))
        until = np.full(self.needs.num_samples, self.incident.horizon_min)
        litres = max(
            float(
                np.mean(litres_until(self.incident, self.state, self.needs, person.row, o, until))
            )
            for o in person.options
        )
        tiers = self.weights.tiers
        share = float(tiers[person.tier :].sum() + RHO * tiers[: person.tier].sum())
        if person.tier > 2:
            share *= SURPLUS
        short = SHORT_WEIGHT * share * litres / USUAL_L
        return (self._weight(person) + WAIT_MIN * minute) * chance + short


def _flows(option: Option) -> frozenset[float]:
    return frozenset(phase.flow_lpm for phase in option.phases)
