"""What a measure does: a chance before and after on common samples, with paired intervals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.advice.measures import Measure
from planner.advice.setting import Judged
from planner.demand import Flags
from planner.estimate import Estimate, chance, difference, mean
from planner.what_if import Compared

Progress = Callable[[str], None]
Stop = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class Effect:
    """Before, after and the paired difference of the chances, the minutes out and J."""

    anyone: Compared
    immediate: Compared
    minutes_out: Compared
    objective: Compared


@dataclass(frozen=True, slots=True)
class Row:
    """One measure, or two together.

    Parameters
    ----------
    measures : tuple of Measure
    kept : Effect
        What it brings at once: the plan kept, extended only by what is needed to use the thing.
    replanned : Effect or None
        What it brings beyond planning again without it; None where that was not looked into.
    is_left_unused : bool
        Planning again found nothing better than leaving the thing in its box.
    is_tied : bool
        No clear difference in J to the row ahead: the paired interval of the difference does not
        lie wholly on the worse side. The first row is tied with none.
    is_tied_by_chance : bool
        Likewise by the chance of anyone, to the row ahead in the order by it.
    is_verified : bool
        Judged on samples that the choice did not see.
    """

    measures: tuple[Measure, ...]
    kept: Effect
    replanned: Effect | None = None
    is_left_unused: bool = False
    is_tied: bool = False
    is_tied_by_chance: bool = False
    is_verified: bool = True

    @property
    def is_clear(self) -> bool:
        """Whether it lowers J or the chance of anyone beyond the paired interval."""
        return self.kept.objective.by.high < 0 or self.kept.anyone.by.high < 0


def effect_of(before: Judged, after: Judged) -> Effect:
    """Compare two settings judged on the same samples."""
    return Effect(
        _chances(before.anyone, after.anyone),
        _chances(before.immediate, after.immediate),
        Compared(mean(before.minutes_out), mean(after.minutes_out),
                 difference(after.minutes_out, before.minutes_out)),
        Compared(mean(before.objective), mean(after.objective),
                 difference(after.objective, before.objective)),
    )  # fmt: skip


def _chances(before: Flags, after: Flags) -> Compared:
    return Compared(chance(before), chance(after), flags_difference(before, after))


def flags_difference(before: Flags, after: Flags) -> Estimate:
    """Return the paired difference of two chances, after less before."""
    return difference(after.astype(np.float64), before.astype(np.float64))


def is_same(before: Judged, after: Judged) -> bool:
    """Say whether nothing at all is different in any sample."""
    return np.array_equal(before.minutes_out, after.minutes_out) and np.array_equal(
        before.objective, after.objective
    )
