"""Rows: litres that a choice of packages draws, against what there is, sample by sample.

Sets and indices: connections c; q = (period t, set A of places that hold stock of c); tiers a;
samples s; packages p with z[p] = 1 when chosen. Units: reference litres above the change pressure.

*Periods.* One up to the arrival of each resupply still to come, without it, and one up to the
horizon, with all that arrives. *Sets.* For each connection, the stock places within reach of some
patient's place, and their unions. The row of A holds whoever can be served from within A only
(else a cylinder out of reach would count), and first cylinders taken from A by anyone.

    first[p, A]        = litres of the first cylinder if its stack lies in A, else 0
    refill[p, A, t, s] = whole(max(0, litres needed in t - first litres)) if p's patient reaches A
                         only, else 0
    draw[a, p, q, s] = first + refill            for patients of tier a or above
                       first + rho x refill      below it; who counts for nothing is below all
    excess[a, c, q, s] = sum over p on c of draw[a, p, q, s] z[p] - supply[c, q, s]
    shortage[a, s]   = max(0, largest excess over c and q)

``whole`` rounds up to whole list cylinders of c, the median of its reserve: what is left in the
last one goes with the patient. Counted so, policies were better than with bare litres in 22 of 24
random incidents (12 patients, 36 cylinders), their mean J .52 against .64 on fresh samples. From
the list, the first list cylinder counts whole in every tier, as a first connection does. Larger
cylinders serve for smaller, because rows compare litres.

Expected shortage is convex in z, so at any point it gives a cut (a subgradient) that never lies
above it:

    theta[a] >= 1/S sum over s with shortage of (sum over p of draw[a, p, q*(s), s] z[p]
                                                 - supply[c*(s), q*(s), s])
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from planner.allocation.litres import litres_until
from planner.allocation.packages import RHO, SHORT_WEIGHT, USUAL_L, Choice, Person
from planner.demand import Floats
from planner.incident import Incident
from planner.shelf import usable_l

TIERS: Final = 3
MOST_SETS: Final = 16  # sets of places of one connection; later unions are left out

Numbers = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Cut:
    """``theta[tier] >= constant + slopes @ z``, in cost (weight and scale included)."""

    tier: int
    constant: float
    slopes: Floats  # (packages,)


@dataclass(frozen=True, slots=True)
class Value:
    """What a choice costs: prices, and the expected shortage of each tier, all in cost."""

    price: float
    short: Floats  # (tiers,)

    @property
    def total(self) -> float:
        """The objective of step 1."""
        return self.price + float(self.short.sum())


@dataclass(frozen=True, slots=True)
class Rows:
    """Draws and supply as arrays.

    Parameters
    ----------
    cost : array (packages,)
    person, connection : int array (packages,)
        Connection -1: waits, draws nothing.
    full, low : array (packages, rows of a connection, samples)
        Draws of somebody in the row's tier or above, and below it.
    supply : array (connections, rows of a connection, samples)
        Infinite where a connection has fewer rows than others.
    tier : int array (packages,)
    weights : array (tiers,)
        mu x tier weight / litres of a usual cylinder.
    """

    cost: Floats
    person: Numbers
    connection: Numbers
    full: Floats
    low: Floats
    supply: Floats
    tier: Numbers
    weights: Floats

    @classmethod
    def of(cls, choice: Choice) -> Rows:
        """Count draws and supply beforehand."""
        return _Counter(choice).rows()

    @property
    def num_packages(self) -> int:
        """Number of packages."""
        return len(self.cost)

    def draws(self, tier: int, which: Numbers) -> Floats:
        """Return draws of some packages in a tier's rows: array (packages, rows, samples)."""
        below = self.tier[which] > tier
        drawn: Floats = self.full[which]
        drawn[below] = self.low[which[below]]
        return drawn

    def excess(self, z: Floats) -> Floats:
        """Return excess over supply: array (tiers, connections, rows, samples)."""
        found = np.empty((TIERS, *self.supply.shape))
        for c in range(len(self.supply)):
            on = np.flatnonzero((self.connection == c) & (z != 0))
            for tier in range(TIERS):
                drawn = np.tensordot(z[on], self.draws(tier, on), axes=1)
                found[tier, c] = drawn - self.supply[c]
        return found

    def value(self, z: Floats) -> Value:
        """Return what a choice costs; fractional choices too."""
        return Value(float(self.cost @ z), self._short(self.excess(z)))

    def _short(self, excess: Floats) -> Floats:
        worst = excess.reshape(TIERS, -1, excess.shape[-1]).max(axis=1, initial=0.0)
        return np.asarray(self.weights * worst.mean(axis=1))

    def cuts(self, z: Floats) -> tuple[Value, list[Cut]]:
        """Return a choice's value and one cut for each tier, exact at that choice."""
        excess = self.excess(z)
        num_connections, num_rows, num_samples = self.supply.shape
        cuts = []
        for tier in range(TIERS):
            flat = excess[tier].reshape(-1, num_samples)
            if not flat.size:
                cuts.append(Cut(tier, 0.0, np.zeros(self.num_packages)))
                continue
            worst = flat.argmax(axis=0)
            short = np.flatnonzero(flat[worst, np.arange(num_samples)] > 0)
            active = np.zeros((num_connections * num_rows, num_samples))
            active[worst[short], short] = self.weights[tier] / num_samples
            active = active.reshape(self.supply.shape)
            slopes = np.zeros(self.num_packages)
            constant = 0.0
            for c in range(num_connections):
                on = np.flatnonzero(self.connection == c)
                slopes[on] = np.tensordot(self.draws(tier, on), active[c], axes=2)
                finite = np.where(active[c] > 0, self.supply[c], 0.0)
                constant -= float((active[c] * finite).sum())
            cuts.append(Cut(tier, constant, slopes))
        return Value(float(self.cost @ z), self._short(excess)), cuts


class _Counter:
    """Counts draws and supply of one choice."""

    def __init__(self, choice: Choice) -> None:
        self.choice = choice
        self.incident: Incident = choice.incident
        self.needs = choice.needs
        self.later = [
            number
            for number in range(len(self.incident.resupply))
            if number not in choice.state.arrived
        ]
        horizon = self.incident.horizon_min
        arrivals = [self.needs.resupply_min[number] for number in self.later]
        self.until = [np.minimum(arrival, horizon) for arrival in arrivals]
        self.until.append(np.full(self.needs.num_samples, horizon))
        self.connections = tuple(dict.fromkeys(c.connection for c in self.incident.all_cylinders))
        self.usual_l = {c: usual_l(choice, c) for c in self.connections}
        self.sets = [self._sets_of(connection) for connection in self.connections]

    def rows(self) -> Rows:
        choice, count = self.choice, len(self.choice.packages)
        num_rows = len(self.until) * max((len(sets) for sets in self.sets), default=0)
        full = np.zeros((count, num_rows, self.needs.num_samples))
        low = np.zeros_like(full)
        for number, package in enumerate(choice.packages):
            if package.option is not None:
                c = self.connections.index(package.connection)
                self._draw(number, c, full[number], low[number])
        tiers = choice.weights.tiers
        return Rows(
            cost=np.array([p.cost for p in choice.packages], dtype=np.float64),
            person=np.array([p.person for p in choice.packages], dtype=np.int64),
            connection=np.array(
                [self.connections.index(p.connection) if p.option is not None else -1
                 for p in choice.packages], dtype=np.int64,
            ),
            full=full,
            low=low,
            supply=np.stack([self._supply(c, num_rows) for c in range(len(self.connections))])
            if self.connections else np.zeros((0, num_rows, self.needs.num_samples)),
            tier=np.array([choice.people[p.person].tier for p in choice.packages], dtype=np.int64),
            weights=np.asarray(SHORT_WEIGHT * tiers / USUAL_L),
        )  # fmt: skip

    def _places_with(self, connection: str) -> list[str]:
        """Return the places that hold reserve of a connection, now or with a resupply."""
        held = {c.place for c in self.choice.stock.cylinders if c.connection == connection}
        for number in self.later:
            supply = self.incident.resupply[number]
            if any(c.connection == connection for c in supply.cylinders):
                held.add(supply.place)
        return [p.name for p in self.incident.places if p.name in held]

    def _reach(self, connection: str, place: str) -> frozenset[str]:
        carry = self.incident.carry_min
        return frozenset(q for q in self._places_with(connection) if carry(q, place) is not None)

    def _sets_of(self, connection: str) -> list[frozenset[str]]:
        """Return reachable sets of some patient, and their unions."""
        places = dict.fromkeys(person.patient.place for person in self.choice.people)
        sets = dict.fromkeys(s for place in places if (s := self._reach(connection, place)))
        for one in list(sets):  # adding one after another gives every union
            for other in list(sets):
                if len(sets) < MOST_SETS:
                    sets.setdefault(one | other)
        return list(sets)

    def _draw(self, number: int, c: int, full: Floats, low: Floats) -> None:
        """Fill in one package's draws; arrays (rows, samples)."""
        package = self.choice.packages[number]
        person = self.choice.people[package.person]
        reach = self._reach(package.connection, person.patient.place)
        for t, until in enumerate(self.until):
            refill, listed = self._refill(person, number, until)
            for k, places in enumerate(self.sets[c]):
                row = t * len(self.sets[c]) + k
                if package.cylinders is not None:
                    taken = self.choice.stock.cylinders[package.cylinders].place in places
                    full[row] += package.first_l * taken
                    low[row] += package.first_l * taken
                if reach and reach <= places:
                    full[row] += listed + refill
                    low[row] += listed + RHO * refill

    def _refill(self, person: Person, number: int, until: Floats) -> tuple[Floats, Floats]:
        """Return litres of refills, and of a first cylinder from the list; arrays (samples,)."""
        package, choice = self.choice.packages[number], self.choice
        option = person.options[package.option or 0]
        litres = litres_until(
            choice.incident, choice.state, choice.needs, person.row, option, until
        )
        usual = self.usual_l[package.connection]
        if person.is_awaited:
            drawn = whole(litres, usual)
            listed = np.minimum(drawn, usual)
            return drawn - listed, listed
        return whole(np.maximum(litres - package.first_l, 0.0), usual), np.zeros_like(litres)

    def _supply(self, c: int, num_rows: int) -> Floats:
        """Return litres there are by row; array (rows, samples)."""
        connection, sets = self.connections[c], self.sets[c]
        found = np.full((num_rows, self.needs.num_samples), np.inf)
        for t, until in enumerate(self.until):
            for k, places in enumerate(sets):
                litres = sum(
                    g.usable_l * len(g.tags)
                    for g in self.choice.stock.cylinders
                    if g.connection == connection and g.place in places
                )
                found[t * len(sets) + k] = litres
                for number in self.later:
                    supply = self.incident.resupply[number]
                    brought = sum(
                        usable_l(self.incident, self.choice.state, cylinder)
                        for cylinder in supply.cylinders
                        if cylinder.connection == connection and supply.place in places
                    )
                    arrival = self.needs.resupply_min[number]
                    is_last = t == len(self.until) - 1
                    in_time = arrival <= until if is_last else arrival < until
                    found[t * len(sets) + k] += brought * in_time
        return found


def whole(litres: Floats, usual: float) -> Floats:
    """Round litres up to whole cylinders; a millionth of one is float noise."""
    return np.asarray(np.ceil(litres / usual - 1e-6) * usual)


def usual_l(choice: Choice, connection: str) -> float:
    """Return usable litres of a list cylinder of a connection: the median there is."""
    held = [
        g.usable_l for g in choice.stock.cylinders if g.connection == connection for _ in g.tags
    ]
    later = [
        usable_l(choice.incident, choice.state, c)
        for r in choice.incident.resupply
        for c in r.cylinders
        if c.connection == connection
    ]
    found = [litres for litres in held or later if litres > 0]
    return float(np.median(found)) if found else USUAL_L


def uses_of(choice: Choice) -> tuple[Numbers, Numbers]:
    """Return what packages use, array (resources, packages), and counts, array (resources,)."""
    uses = np.zeros((len(choice.stock.resources), len(choice.packages)), dtype=np.int64)
    for number, package in enumerate(choice.packages):
        for resource, amount in package.uses:
            uses[resource, number] = amount
    return uses, np.array(choice.stock.counts, dtype=np.int64)


def chosen_of(rows: Rows, chosen: Sequence[int]) -> Floats:
    """Return z of chosen packages; array (packages,)."""
    z = np.zeros(rows.num_packages)
    z[list(chosen)] = 1.0
    return z
