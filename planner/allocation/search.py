"""Local search over sketches, judged by operation on common samples.

It has no bound, and says so. It sees the judge only as a function from a policy and a span of
samples to J by sample. Effort counts evaluations of the judge, never the clock, so the same seed
and effort give the same policy. A change is given up after a part of the samples when its paired
difference there is worse by more than ``DOUBT`` standard errors.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from planner.allocation.sketch import (
    JOIN,
    Board,
    Sketch,
    categories_kept,
    leading_stacks,
    policy_of,
)
from planner.demand import Floats
from planner.policy import KeptFor, Policy
from planner.streams import stream

Judge = Callable[[Policy, int, int], Floats]

SPANS: Final = (0.1, 0.3, 1.0)  # shares of the samples after which a change may be given up
DOUBT: Final = 1.5  # standard errors; small: more changes tried, a few good ones lost
MAX_KEPT: Final = 8
KICKS: Final = 3
ENOUGH: Final = 1e-12  # a change must be better by more than float noise


@dataclass(frozen=True, slots=True)
class Effort:
    """How much may be tried.

    Parameters
    ----------
    evaluations : float
        Whole judgements of all samples; a part of the samples counts as that part.
    samples : int
        Common samples.
    seed : int
        Order in which changes are tried.
    is_stopped : callable
        Asked between evaluations; True ends the search with the best so far.
    """

    evaluations: float
    samples: int
    seed: int
    is_stopped: Callable[[], bool] = lambda: False


@dataclass(frozen=True, slots=True)
class Found:
    """The best sketch, its policy and its J by sample, and what it took."""

    sketch: Sketch
    policy: Policy
    objective: Floats
    evaluations: float


class Search:
    """One search: remembers what was tried, and how much has been spent."""

    def __init__(self, board: Board, judge: Judge, effort: Effort) -> None:
        self.board, self.judge, self.effort = board, judge, effort
        self.spent = 0.0
        self.seen: set[Policy] = set()
        self.random = stream(effort.seed, "search", "")

    def run(self, starts: list[Sketch]) -> Found:
        """Improve the best of the starts, then kick the best about, until the effort is spent."""
        best = self._descended(self._best_of(starts))
        while self._may_go_on():
            self.seen.clear()
            there = self._descended(self._judged(self._kicked(best.sketch)))
            if np.mean(there.objective) < np.mean(best.objective) - ENOUGH:
                best = there
        return replace(best, evaluations=self.spent)

    def _descended(self, found: Found) -> Found:
        """Improve until a whole pass brings nothing."""
        while self._may_go_on():
            improved = self._pass(found)
            if improved is found:
                break
            found = improved
        return found

    def _kicked(self, sketch: Sketch) -> Sketch:
        """Make a few choices at random, to get out of a local optimum."""
        for _ in range(KICKS):
            changes = list(neighbours(self.board, sketch))
            if changes:
                sketch = changes[int(self.random.integers(len(changes)))](sketch)
        return sketch

    def _may_go_on(self) -> bool:
        return self.spent < self.effort.evaluations and not self.effort.is_stopped()

    def _best_of(self, starts: list[Sketch]) -> Found:
        found = [self._judged(sketch) for sketch in starts]
        return min(found, key=lambda f: float(np.mean(f.objective)))

    def _judged(self, sketch: Sketch) -> Found:
        policy = policy_of(self.board, sketch)
        self.seen.add(policy)
        self.spent += 1.0
        return Found(sketch, policy, self.judge(policy, 0, self.effort.samples), 0.0)

    def _pass(self, best: Found) -> Found:
        """Try every change once, in random order; keep each that is better."""
        changes = list(neighbours(self.board, best.sketch))
        for number in self.random.permutation(len(changes)):
            if not self._may_go_on():
                break
            tried = self._tried(changes[number](best.sketch), best)
            if tried is not None:
                best = tried
        return best

    def _tried(self, sketch: Sketch, best: Found) -> Found | None:
        """Return the sketch judged on all samples when it is better, giving up early."""
        policy = policy_of(self.board, sketch)
        if policy in self.seen:
            return None
        self.seen.add(policy)
        parts: list[Floats] = []
        done = 0
        for span in SPANS:
            last = int(span * self.effort.samples)
            parts.append(self.judge(policy, done, last))
            self.spent += (last - done) / self.effort.samples
            done = last
            worse = np.concatenate(parts) - best.objective[:last]
            mean, spread = float(np.mean(worse)), float(np.std(worse))
            if mean > DOUBT * spread / np.sqrt(last):
                return None
        if mean < -ENOUGH:
            return Found(sketch, policy, np.concatenate(parts), 0.0)
        return None


Change = Callable[[Sketch], Sketch]


def neighbours(board: Board, sketch: Sketch) -> Iterator[Change]:
    """Yield the changes worth trying: each makes one choice differently."""
    for number, patient in enumerate(board.people):
        for k in range(len(board.options[patient.tag])):
            if k != sketch.options[number]:
                yield _set_option(number, k)
        if patient.tag in board.going_on:
            continue
        yield _hold_back(number)
        is_awaited = patient.tag in board.awaited
        stacks = leading_stacks(board).values() if is_awaited else range(len(board.stacks))
        is_shared = not is_awaited and any(r.outlets > 1 for r in board.incident.all_regulators)
        for k in (-1, *stacks, *([JOIN] if is_shared else [])):
            if k != sketch.first[number]:
                yield _set_first(number, k)
    for a in range(len(sketch.deal) - 1):
        yield _swap_deal(a)
    yield from _kept_changes(board)
    for a in range(len(sketch.order) - 1):
        yield _swap_order(a)
    for a in range(1, len(sketch.order)):
        yield _to_front(a)
        yield _to_back(a - 1)


def _kept_changes(board: Board) -> Iterator[Change]:
    connections = dict.fromkeys(stack.connection for stack in board.stacks)
    places = [None, *dict.fromkeys(p.place for p in board.people)]
    for triage in categories_kept(board):
        for connection in connections:
            for place in places if len(places) > 2 else places[:1]:
                for step in (-1, 1, 2):
                    yield _keep(KeptFor(place, connection, triage, 0), step)


def _put(values: tuple[int, ...], at: int, value: int) -> tuple[int, ...]:
    return (*values[:at], value, *values[at + 1 :])


def _set_option(number: int, option: int) -> Change:
    return lambda s: replace(s, options=_put(s.options, number, option))


def _set_first(number: int, stack: int) -> Change:
    return lambda s: replace(s, first=_put(s.first, number, stack))


def _hold_back(number: int) -> Change:
    def change(s: Sketch) -> Sketch:
        held = s.is_held_back
        return replace(s, is_held_back=(*held[:number], not held[number], *held[number + 1 :]))

    return change


def _swap_deal(a: int) -> Change:
    def change(s: Sketch) -> Sketch:
        deal = list(s.deal)
        deal[a], deal[a + 1] = deal[a + 1], deal[a]
        return replace(s, deal=tuple(deal))

    return change


def _swap_order(a: int) -> Change:
    def change(s: Sketch) -> Sketch:
        order = list(s.order)
        order[a], order[a + 1] = order[a + 1], order[a]
        return replace(s, order=tuple(order))

    return change


def _to_front(a: int) -> Change:
    return lambda s: replace(s, order=(s.order[a], *s.order[:a], *s.order[a + 1 :]))


def _to_back(a: int) -> Change:
    return lambda s: replace(s, order=(*s.order[:a], *s.order[a + 1 :], s.order[a]))


def _keep(row: KeptFor, step: int) -> Change:
    """Keep more or fewer cylinders by a row; none drops it."""

    def change(s: Sketch) -> Sketch:
        same = [k for k in s.kept_for if _is_same(k, row)]
        number = (same[0].num_cylinders if same else 0) + step
        others = tuple(k for k in s.kept_for if not _is_same(k, row))
        if not 0 < number <= MAX_KEPT:
            return replace(s, kept_for=others)
        kept = (*others, replace(row, num_cylinders=number))
        return replace(
            s, kept_for=tuple(sorted(kept, key=lambda k: (k.place or "", k.connection, k.triage)))
        )

    return change


def _is_same(a: KeptFor, b: KeptFor) -> bool:
    return (a.place, a.connection, a.triage) == (b.place, b.connection, b.triage)
