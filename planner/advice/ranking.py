"""What would help most: each measure alone, then pairs, ranked on common samples.

Three kinds of samples, since the best of many estimates is the best partly by luck (the winner's
curse): all measures are screened on some, the best few are ordered on more of the same streams,
and every number that is reported comes from fresh ones that no choice has seen. They are those
that the plan's own chances come from, so that "before" is the number the plan prints.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from planner.advice.candidates import measures_of
from planner.advice.effects import Effect, Progress, Row, Stop, effect_of, flags_difference, is_same
from planner.advice.measures import OPTIONAL, Measure, applied
from planner.advice.pairs import pairs_of
from planner.advice.replanning import Again, planned_again
from planner.advice.setting import Judged, Setting, judged
from planner.estimate import Estimate, difference
from planner.workflow import CHOOSING_SAMPLES, FRESH

SCREENING: Final = 2 * FRESH  # added to the seed for the samples that choose among measures
FIRST_LOOK: Final = 1_000  # samples in which something must differ at all
SCREENED: Final = 4_000
ORDERED: Final = 10_000
NUM_ROWS: Final = 10
NUM_PAIRS: Final = 5
NUM_COMBINED: Final = 4  # of the best alone, all two of them together and each twice
#: Planning again would undo them: an option is the search's own choice.
STEPS: Final = frozenset({"step down", "step up"})


def _never() -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Options:
    """What a caller may set.

    Parameters
    ----------
    seed, samples : int
        The plan's; fresh samples behind every number reported.
    effort : float
        Evaluations for each planning again; 0 leaves that out.
    num_rows, num_pairs : int
        How many are checked on fresh samples and reported.
    progress, is_interrupted : callable
        Told what is being done; asked between judgements: True keeps what is done, labelled.
    """

    seed: int = 1
    samples: int = 20_000
    effort: float = 50.0
    num_rows: int = NUM_ROWS
    num_pairs: int = NUM_PAIRS
    progress: Progress = lambda _: None
    is_interrupted: Stop = _never


@dataclass(frozen=True, slots=True)
class Advice:
    """What would help most.

    Parameters
    ----------
    before : Effect
        The plan as it is (its differences are 0).
    again : Effect or None
        Planning again with nothing new; None where that was left out.
    rows : tuple of Row
        The best, by J.
    by_chance : tuple of int
        Their numbers (from 0) by the chance of anyone running out.
    pairs : tuple of Row
        The best two together, by J.
    without_effect : tuple of Measure
        What changed nothing at all in any sample looked at.
    others : tuple of (Measure, Estimate)
        The rest with their difference in J on the screening samples.
    num_tried, num_measures : int
        How many were screened, of how many.
    is_interrupted : bool
        Somebody stopped it; what had been done by then is there, and the rest is not.
    """

    before: Effect
    again: Effect | None
    rows: tuple[Row, ...]
    by_chance: tuple[int, ...]
    pairs: tuple[Row, ...]
    without_effect: tuple[Measure, ...]
    others: tuple[tuple[Measure, Estimate], ...]
    num_tried: int
    num_measures: int
    is_interrupted: bool


@dataclass(frozen=True, slots=True)
class Tried:
    """Measures together with what they gave on the samples that choose."""

    measures: tuple[Measure, ...]
    effect: Effect

    @property
    def rank(self) -> tuple[float, float, tuple[tuple[str, ...], ...]]:
        """Sorted by J, then by the chance, then by name: never by who was tried first."""
        keys = tuple(sorted(m.key for m in self.measures))
        return (self.effect.objective.by.value, self.effect.anyone.by.value, keys)


def advise(
    setting: Setting, options: Options | None = None, measures: Sequence[Measure] | None = None
) -> Advice:
    """Say what would help most.

    Parameters
    ----------
    setting : Setting
        With the plan's policy.
    options : Options or None
        None: the defaults.
    measures : sequence of Measure or None
        None: every one that can be had.

    Returns
    -------
    Advice
    """
    options = options if options is not None else Options()
    return _Ranking(setting, options).run(measures_of(setting) if measures is None else measures)


class _Ranking:
    """One run: remembers what was left out when it was stopped."""

    def __init__(self, setting: Setting, options: Options) -> None:
        self.setting, self.options = setting, options
        self.is_cut = False

    def run(self, measures: Sequence[Measure]) -> Advice:
        options = self.options
        before = judged(self.setting, options.samples, options.seed + FRESH)
        tried, idle = self._screened(measures)
        chosen = self._ordered(_best(tried, options.num_rows))
        found = self._verified(chosen, before)
        rows, again = self._replanned([row for row, _ in found])
        best = [t.measures[0] for t in chosen[:NUM_COMBINED]]
        pairs = self._pairs(
            pairs_of(self.setting, best, sorted(measures, key=lambda m: m.key)), before
        )
        by_chance = sorted(range(len(rows)), key=lambda k: (rows[k].kept.anyone.by.value, k))
        shown = {row.measures for row in rows}
        return Advice(
            before=effect_of(before, before),
            again=again,
            rows=tuple(_with_ties(rows, [after for _, after in found], by_chance)),
            by_chance=tuple(by_chance),
            pairs=tuple(pairs),
            without_effect=tuple(m for m in sorted(idle, key=lambda m: m.key)),
            others=tuple(
                (t.measures[0], t.effect.objective.by)
                for t in sorted(tried, key=lambda t: t.rank)
                if t.measures not in shown
            ),
            num_tried=len(tried) + len(idle),
            num_measures=len(measures),
            is_interrupted=self.is_cut,
        )

    def _is_stopped(self) -> bool:
        self.is_cut = self.is_cut or self.options.is_interrupted()
        return self.is_cut

    def _screened(self, measures: Sequence[Measure]) -> tuple[list[Tried], list[Measure]]:
        """Judge every measure on the screening samples; what changes nothing gets no second look.

        A thousand samples without any difference bound the chance of one at 3 in 1,000 (95 %).
        """
        seed = self.options.seed + SCREENING
        first, before = (judged(self.setting, n, seed) for n in (FIRST_LOOK, SCREENED))
        tried: list[Tried] = []
        idle: list[Measure] = []
        for number, measure in enumerate(measures):
            if self._is_stopped():
                break
            if number % 10 == 0:
                self.options.progress(f"what would help: {number + 1} of {len(measures)}")
            setting = applied(measure, self.setting)
            if is_same(first, judged(setting, FIRST_LOOK, seed)):
                idle.append(measure)
            else:
                effect = effect_of(before, judged(setting, SCREENED, seed))
                tried.append(Tried((measure,), effect))
        return tried, idle

    def _ordered(self, best: list[Tried]) -> list[Tried]:
        """Order the best few on more samples, still not those that are reported."""
        seed = self.options.seed + SCREENING
        if self._is_stopped() or not best:
            return sorted(best, key=lambda t: t.rank)
        before = judged(self.setting, ORDERED, seed)
        found = [
            t if self._is_stopped()
            else Tried(t.measures, effect_of(before, judged(self._with(t.measures), ORDERED, seed)))
            for t in best
        ]  # fmt: skip
        return sorted(found, key=lambda t: t.rank)

    def _verified(self, chosen: list[Tried], before: Judged) -> list[tuple[Row, Judged | None]]:
        """Judge the chosen on fresh samples; those not reached keep their number, labelled."""
        found: list[tuple[Row, Judged | None]] = []
        for t in chosen:
            if self._is_stopped():
                found.append((Row(t.measures, t.effect, is_verified=False), None))
                continue
            after = self._fresh(self._with(t.measures))
            found.append((Row(t.measures, effect_of(before, after)), after))
        return found

    def _with(self, measures: tuple[Measure, ...], base: Setting | None = None) -> Setting:
        setting = self.setting if base is None else base
        for measure in measures:
            setting = applied(measure, setting)
        return setting

    def _fresh(self, setting: Setting) -> Judged:
        return judged(setting, self.options.samples, self.options.seed + FRESH)

    def _replanned(self, rows: list[Row]) -> tuple[list[Row], Effect | None]:
        """Plan again without and with each thing; see :mod:`planner.advice.replanning`."""
        options = self.options
        if options.effort <= 0 or not rows or self._is_stopped():
            return rows, None
        options.progress("planning again without anything new")
        again = Again(
            options.effort, CHOOSING_SAMPLES, options.seed + SCREENING, options.is_interrupted
        )
        twice = replace(again, evaluations=2 * options.effort)
        base = planned_again(self.setting, (), twice)
        before = self._fresh(base)
        done = []
        for number, row in enumerate(rows):
            is_step = any(m.kind in STEPS for m in row.measures)
            if self._is_stopped() or is_step:
                done.append(row)
                continue
            options.progress(f"planning again: {number + 1} of {len(rows)}")
            done.append(self._row_again(row, (base, before), again))
        effect = effect_of(self._fresh(self.setting), before)
        return done, effect

    def _row_again(self, row: Row, base: tuple[Setting, Judged], again: Again) -> Row:
        """Plan again with a row's measures; a thing may also be left in its box."""
        without, before = base
        kept = self._with(row.measures)
        try:
            started = self._with(row.measures, without)
        except ValueError:  # that plan has in use what this would move: begin from the printed one
            started = kept
        found = planned_again(started, (kept.policy,), again)
        samples = (again.samples, again.seed)
        is_optional = all(m.kind in OPTIONAL for m in row.measures)
        unused = is_optional and float(np.mean(judged(found, *samples).objective)) > float(
            np.mean(judged(without, *samples).objective)
        )
        after = before if unused else self._fresh(found)
        return replace(row, replanned=effect_of(before, after), is_left_unused=unused)

    def _pairs(self, pairs: Sequence[tuple[Measure, Measure]], before: Judged) -> list[Row]:
        seed = self.options.seed + SCREENING
        tried = []
        base = judged(self.setting, SCREENED, seed) if pairs and not self._is_stopped() else None
        for number, pair in enumerate(pairs):
            if base is None or self._is_stopped():
                break
            if number % 10 == 0:
                self.options.progress(f"two together: {number + 1} of {len(pairs)}")
            tried.append(Tried(pair, effect_of(base, judged(self._with(pair), SCREENED, seed))))
        chosen = self._ordered(sorted(tried, key=lambda t: t.rank)[: self.options.num_pairs])
        found = self._verified(chosen, before)
        rows = [row for row, _ in found]
        order = sorted(range(len(rows)), key=lambda k: (rows[k].kept.anyone.by.value, k))
        return _with_ties(rows, [after for _, after in found], order)


def _best(tried: list[Tried], count: int) -> list[Tried]:
    """Return the best by J, of each thing its best place first, and the best few by the chance."""
    if count <= 0:
        return []
    by_j = sorted(tried, key=lambda t: t.rank)
    best_place: dict[tuple[str, str, str], Tried] = {}
    for t in by_j:
        (measure,) = t.measures
        best_place.setdefault((measure.kind, measure.name, measure.age), t)
    first = dict.fromkeys((*best_place.values(), *by_j))
    by_chance = sorted(tried, key=lambda t: (t.effect.anyone.by.value, *t.rank))[: count // 5]
    return sorted(dict.fromkeys((*list(first)[:count], *by_chance)), key=lambda t: t.rank)


def _with_ties(
    rows: Sequence[Row], after: Sequence[Judged | None], by_chance: Sequence[int]
) -> list[Row]:
    """Say which rows cannot be told from the one ahead, in both orders."""
    found = list(rows)
    for ahead, row in pairwise(range(len(rows))):
        one, other = after[ahead], after[row]
        if one is None or other is None:
            continue
        by = difference(other.objective, one.objective)
        found[row] = replace(found[row], is_tied=by.low <= 0)
    for ahead, row in pairwise(by_chance):
        one, other = after[ahead], after[row]
        if one is None or other is None:
            continue
        by = flags_difference(one.anyone, other.anyone)
        found[row] = replace(found[row], is_tied_by_chance=by.low <= 0)
    return found
