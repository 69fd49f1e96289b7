"""A first good plan: packages dealt out person by person, then exchanged while that helps.

Every step weighs all packages of one person at once against what the others draw, in the true
objective of step 1. It has no bound; the only randomness is a generator passed in.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.allocation.rows import TIERS, Numbers, Rows, Value, chosen_of
from planner.demand import Floats

ENOUGH = 1e-10  # an exchange must be better by more than float noise


class Dealer:
    """Chosen packages by person, with what they use and draw; changed one person at a time."""

    def __init__(self, rows: Rows, uses: Numbers, counts: Numbers) -> None:
        self.rows, self.uses, self.counts = rows, uses, counts
        self.of_person = [
            np.flatnonzero(rows.person == person) for person in range(int(rows.person.max()) + 1)
        ]
        self.chosen = [int(packages[0]) for packages in self.of_person]
        self.weighings = 0
        self._recount()

    def _recount(self) -> None:
        self.left = self.counts - self.uses[:, self.chosen].sum(axis=1)
        self.excess = self.rows.excess(chosen_of(self.rows, self.chosen))
        self.price = float(self.rows.cost[self.chosen].sum())

    def value(self) -> Value:
        """Return the value of what is chosen, summed afresh."""
        return self.rows.value(chosen_of(self.rows, self.chosen))

    def start_from(self, chosen: Sequence[int]) -> None:
        """Begin from a choice that is within the counts."""
        self.chosen = list(chosen)
        self._recount()

    def deal(self, wish: Floats | None = None) -> None:
        """Give everyone in turn, higher tiers first, what fits: most wished for, else cheapest."""
        self.start_from([int(packages[0]) for packages in self.of_person])
        tiers = [int(self.rows.tier[packages[0]]) for packages in self.of_person]
        for person in sorted(range(len(tiers)), key=lambda i: (tiers[i], i)):
            fits = self._fitting(person)
            if wish is not None:
                best = int(fits[np.argmax(wish[fits])])
            else:
                best = int(fits[np.argmin(self._totals(person, fits))])
            self._set(person, best)

    def improve(self, passes: int) -> None:
        """Exchange packages of one person, or of two over one scarce item, until none helps."""
        for _ in range(passes):
            if not (self._improve_each() or self._improve_pairs()):
                break

    def _improve_each(self) -> bool:
        is_better = False
        for person in range(len(self.of_person)):
            fits = self._fitting(person)
            totals = self._totals(person, fits)
            best = int(np.argmin(totals))
            now = float(totals[np.flatnonzero(fits == self.chosen[person])[0]])
            if totals[best] < now - ENOUGH:
                self._set(person, int(fits[best]))
                is_better = True
        return is_better

    def kick(self, random: np.random.Generator, people: int) -> None:
        """Give a few people, taken at random, packages at random out of what fits then."""
        free = [i for i, packages in enumerate(self.of_person) if len(packages) > 1]
        some = random.permutation(len(free))[:people]
        for person in (free[int(k)] for k in some):
            self._set(person, int(self.of_person[person][0]))
        for person in (free[int(k)] for k in some):
            fits = self._fitting(person)
            self._set(person, int(fits[random.integers(len(fits))]))

    def neighbours(self, most: int) -> list[list[int]]:
        """Return the best choices that differ from this one in one person's package."""
        found: list[tuple[float, list[int]]] = []
        for person, now in enumerate(self.chosen):
            fits = self._fitting(person)
            for total, package in zip(self._totals(person, fits), fits, strict=True):
                if package != now:
                    other = list(self.chosen)
                    other[person] = int(package)
                    found.append((float(total), other))
        return [chosen for _, chosen in sorted(found)[:most]]

    def _improve_pairs(self) -> bool:
        """Let somebody take what somebody else gives up for the best of what is left."""
        is_better = False
        for person in range(len(self.of_person)):
            is_better |= self._take_over(person)
        return is_better

    def _take_over(self, person: int) -> bool:
        before, was = self._now(), self.chosen[person]
        packages = self.of_person[person]
        totals = self._totals(person, packages)
        for k in np.argsort(totals, kind="stable"):
            package = int(packages[k])
            if totals[k] >= before - ENOUGH:
                break
            for other in self._holders(person, package):
                theirs = self.chosen[other]
                self._set(other, int(self.of_person[other][0]))
                if package in self._fitting(person):
                    self._set(person, package)
                    fits = self._fitting(other)
                    values = self._totals(other, fits)
                    best = int(np.argmin(values))
                    if values[best] < before - ENOUGH:
                        self._set(other, int(fits[best]))
                        return True
                    self._set(person, was)
                self._set(other, theirs)
        return False

    def _holders(self, person: int, package: int) -> list[int]:
        """Return who holds something that a package lacks."""
        free = self.left + self.uses[:, self.chosen[person]]
        lacks = self.uses[:, package] > free
        return [
            other
            for other, theirs in enumerate(self.chosen)
            if other != person and bool((self.uses[lacks, theirs] > 0).any())
        ]

    def _fitting(self, person: int) -> Numbers:
        """Return the packages of a person that are within what the others leave."""
        free = self.left + self.uses[:, self.chosen[person]]
        packages = self.of_person[person]
        fitting: Numbers = packages[(self.uses[:, packages] <= free[:, None]).all(axis=0)]
        return fitting

    def _set(self, person: int, package: int) -> None:
        old = self.chosen[person]
        if old == package:
            return
        for sign, number in ((-1.0, old), (1.0, package)):
            c = int(self.rows.connection[number])
            if c >= 0:
                which = np.array([number])
                for tier in range(TIERS):
                    self.excess[tier, c] += sign * self.rows.draws(tier, which)[0]
        self.left = self.left + self.uses[:, old] - self.uses[:, package]
        self.price += float(self.rows.cost[package] - self.rows.cost[old])
        self.chosen[person] = package

    def _now(self) -> float:
        worst = self.excess.reshape(TIERS, -1, self.excess.shape[-1]).max(axis=1, initial=0.0)
        return self.price + float(self.rows.weights @ worst.mean(axis=1))

    def _totals(self, person: int, packages: Numbers) -> Floats:
        """Return the objective with each of a person's packages in turn."""
        self.weighings += len(packages)
        old = self.chosen[person]
        base = self.price - float(self.rows.cost[old])
        excess = self.excess.copy()
        c = int(self.rows.connection[old])
        if c >= 0:
            for tier in range(TIERS):
                excess[tier, c] -= self.rows.draws(tier, np.array([old]))[0]
        totals: Floats = base + self.rows.cost[packages]
        by_connection = excess.max(axis=2, initial=0.0)  # (tiers, connections, samples)
        num_connections = by_connection.shape[1]
        for c in range(-1, num_connections):
            on = np.flatnonzero(self.rows.connection[packages] == c)
            if not on.size:
                continue
            others = np.delete(by_connection, c, axis=1) if c >= 0 else by_connection
            rest = others.max(axis=1, initial=0.0)  # (tiers, samples)
            for tier in range(TIERS):
                worst = rest[tier][None]
                if c >= 0:
                    drawn = excess[tier, c] + self.rows.draws(tier, packages[on])
                    worst = np.maximum(worst, drawn.max(axis=1, initial=0.0))
                totals[on] += self.rows.weights[tier] * worst.mean(axis=1)
        return totals
