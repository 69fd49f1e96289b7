"""The full sampled model of step 1, built a second time and solved by HiGHS.

Written from the formulas, person by person and sample by sample, with plain loops; of the planner
it takes packages (with their costs) and the stock's groups, and counts everything else itself:
litres, first and refill draws, periods, sets of places, supply. One excess variable for every
tier and sample instead of cuts.
"""

from __future__ import annotations

from itertools import combinations
from math import ceil
from statistics import median

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from planner.allocation.packages import Choice, Package
from planner.incident import Option
from planner.shelf import usable_l

MU, RHO, USUAL_L = 0.3, 0.5, 300.0


def breathed_l(choice: Choice, row: int, option: Option, until_min: float, s: int) -> float:
    """Walk through the phases from first flow on; nobody is connected yet."""
    needs, incident = choice.needs, choice.incident
    if not needs.is_needed[row, s]:
        return 0.0
    minute = max(float(needs.start_min[row, s]), choice.state.at_min)
    end = min(float(needs.transfer_min[row, s]), incident.horizon_min, until_min)
    litres, flow, stopped = 0.0, 0.0, False
    for k, phase in enumerate(option.phases):
        if k == 0 or (not stopped and needs.phase_score[row, k - 1, s] < phase.chance):
            flow = phase.flow_lpm
        else:
            stopped = True
        last = end if phase.for_min is None else min(end, minute + phase.for_min)
        litres += flow * max(0.0, last - minute)
        minute = max(minute, last)
    if option.phases[-1].for_min is not None:
        litres += flow * max(0.0, end - minute)
    return litres * incident.uncertainty.cold_flow_factor


class Twin:
    """Rows of the full model: for each (tier, sample) a list of (draw by package, supply)."""

    def __init__(self, choice: Choice) -> None:
        self.choice = choice
        self.samples = choice.needs.num_samples
        incident, stock = choice.incident, choice.stock
        self.later = [n for n in range(len(incident.resupply)) if n not in choice.state.arrived]
        self.holders: dict[str, set[str]] = {}
        for group in stock.cylinders:
            self.holders.setdefault(group.connection, set()).add(group.place)
        for n in self.later:
            for cylinder in incident.resupply[n].cylinders:
                self.holders.setdefault(cylinder.connection, set()).add(incident.resupply[n].place)
        self.rows: list[tuple[int, int, np.ndarray, float]] = []
        for connection in self.holders:
            for places in self._sets(connection):
                for period in (*self.later, None):
                    for s in range(self.samples):
                        self._add(connection, places, period, s)

    def _reach(self, connection: str, place: str) -> frozenset[str]:
        carry = self.choice.incident.carry_min
        return frozenset(q for q in self.holders[connection] if carry(q, place) is not None)

    def _sets(self, connection: str) -> set[frozenset[str]]:
        places = sorted({p.patient.place for p in self.choice.people})
        return {
            frozenset().union(*(self._reach(connection, place) for place in some))
            for size in range(1, len(places) + 1)
            for some in combinations(places, size)
        }

    def _add(self, connection: str, places: frozenset[str], period: int | None, s: int) -> None:
        choice, incident, needs = self.choice, self.choice.incident, self.choice.needs
        until = incident.horizon_min
        if period is not None:
            until = min(until, float(needs.resupply_min[period, s]))
        supply = sum(
            usable_l(incident, choice.state, c)
            for c in incident.cylinders
            if c.connection == connection and c.place in places
        )
        for n in self.later:
            arrival, place = float(needs.resupply_min[n, s]), incident.resupply[n].place
            if place in places and (arrival < until or (period is None and arrival <= until)):
                supply += sum(
                    usable_l(incident, choice.state, c)
                    for c in incident.resupply[n].cylinders
                    if c.connection == connection
                )
        for tier in range(3):
            draws = [self._draw(p, connection, places, until, tier, s) for p in choice.packages]
            self.rows.append((tier, s, np.array(draws), supply))

    def _draw(
        self, p: Package, connection: str, places: frozenset[str], until: float, tier: int, s: int
    ) -> float:
        if p.option is None or p.connection != connection:
            return 0.0
        person = self.choice.people[p.person]
        litres = breathed_l(self.choice, person.row, person.options[p.option], until, s)
        size = self.list_cylinder_l(connection)
        first = 0.0
        if p.cylinders is not None:
            group = self.choice.stock.cylinders[p.cylinders]
            first = group.usable_l if group.place in places else 0.0
            refill = size * ceil(max(0.0, litres - group.usable_l) / size - 1e-6)
        else:
            refill = size * max(0, ceil(litres / size - 1e-6) - 1)
        reach = self._reach(connection, person.patient.place)
        if not reach or not reach <= places:
            return first
        if p.cylinders is None and litres > 1e-6 * size:
            first = size
        return first + (1.0 if person.tier <= tier else RHO) * refill

    def list_cylinder_l(self, connection: str) -> float:
        """The median cylinder of a connection in the reserve; of a resupply when there is none."""
        sizes = [
            g.usable_l
            for g in self.choice.stock.cylinders
            for _ in g.tags
            if g.connection == connection
        ]
        if not sizes:
            brought = [c for r in self.choice.incident.resupply for c in r.cylinders]
            sizes = [
                usable_l(self.choice.incident, self.choice.state, c)
                for c in brought
                if c.connection == connection
            ]
        return median(sizes)

    def value(self, z: np.ndarray) -> float:
        """The objective of a choice, by the formulas."""
        worst = np.zeros((3, self.samples))
        for tier, s, draws, supply in self.rows:
            worst[tier, s] = max(worst[tier, s], float(draws @ z) - supply)
        costs = np.array([p.cost for p in self.choice.packages])
        return float(costs @ z + MU * self.weights() @ worst.mean(axis=1) / USUAL_L)

    def weights(self) -> np.ndarray:
        given = np.array(self.choice.incident.priorities.tier_weights)
        return np.asarray(given / given.sum())

    def optimum(self) -> tuple[float, float]:
        """Solve to gap 0: objective and bound."""
        packages, stock = self.choice.packages, self.choice.stock
        num, size = len(packages), len(packages) + 3 * self.samples
        lines, low, high = [], [], []
        for person in range(len(self.choice.people)):
            line = np.zeros(size)
            line[[k for k, p in enumerate(packages) if p.person == person]] = 1
            lines.append(line)
            low.append(1.0)
            high.append(1.0)
        for resource, count in enumerate(stock.counts):
            line = np.zeros(size)
            for k, p in enumerate(packages):
                line[k] = sum(amount for r, amount in p.uses if r == resource)
            lines.append(line)
            low.append(-np.inf)
            high.append(float(count))
        for tier, s, draws, supply in self.rows:
            line = np.zeros(size)
            line[:num] = draws / USUAL_L  # excess in usual cylinders, for the solver's scaling
            line[num + tier * self.samples + s] = -1
            lines.append(line)
            low.append(-np.inf)
            high.append(supply / USUAL_L)
        costs = np.repeat(MU * self.weights() / self.samples, self.samples)
        found = milp(
            np.concatenate([[p.cost for p in packages], costs]),
            integrality=np.r_[np.ones(num), np.zeros(3 * self.samples)],
            bounds=Bounds(0, np.r_[np.ones(num), np.full(3 * self.samples, np.inf)]),
            constraints=LinearConstraint(csr_array(np.array(lines)), low, high),
            options={"mip_rel_gap": 0.0},
        )
        assert found.success, found.message
        return float(found.fun), float(found.mip_dual_bound)
