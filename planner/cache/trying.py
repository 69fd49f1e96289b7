"""A stock tried in operation: in how many samples of each case anyone runs out of oxygen.

The crew follows the simple rule in triage order at the study's flows and the printed list, most
usable litres first: people who open a cache have the list and no computer. A plan made for one
incident, which begins from that rule among others, is what the page shows beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.cache.pictures import Draw, Ints, Sight, needs_with, usable_groups
from planner.cache.scene import scene_of, units_of
from planner.cache.study import KINDS, Stock, Study
from planner.estimate import Z975, Estimate, chance
from planner.operation.judge import Bench
from planner.risk import OUT_MIN, weights_of
from planner.rules import lowest_flow, triage_order

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Tried:
    """What operation gave for one stock in one case.

    Parameters
    ----------
    runs_out : bool array (samples,)
        Whether anyone runs out of oxygen, by sample of the case.
    minutes_out : float array (samples,)
    swaps : int array (samples,)
        Connections after the first.
    """

    runs_out: Flags
    minutes_out: npt.NDArray[np.float64]
    swaps: Ints


def try_stock(study: Study, draw: Draw, stock: Stock) -> Tried:
    """Operate a stock in all samples of one case."""
    out, minutes, swaps = _empty(draw)
    tags = [tag for _, _, tag in units_of(study, stock, KINDS)]
    for sight in draw.sights:
        if not sight.bare.patients:
            continue
        for unusable, where in usable_groups(draw, sight, tags):
            _operate(study, draw, sight, (stock, unusable, where), (out, minutes, swaps))
    return Tried(out, minutes, swaps)


def shares_out(study: Study, draw: Draw, sight: Sight, stock: Stock) -> float:
    """Return what share of all samples, weighted by case, run out with a stock in one picture."""
    tags = [tag for _, _, tag in units_of(study, stock, KINDS)]
    into = _empty(draw)
    for unusable, where in usable_groups(draw, sight, tags):
        _operate(study, draw, sight, (stock, unusable, where), into)
    return study.weights[draw.case] * float(into[0].sum()) / draw.num_samples


def _empty(draw: Draw) -> tuple[Flags, npt.NDArray[np.float64], Ints]:
    size = draw.num_samples
    return np.zeros(size, dtype=np.bool_), np.zeros(size), np.zeros(size, dtype=np.int64)


def _operate(
    study: Study, draw: Draw, sight: Sight, part: tuple[Stock, frozenset[str], Ints],
    into: tuple[Flags, npt.NDArray[np.float64], Ints],
) -> None:  # fmt: skip
    """Operate the samples of one picture with the same units unusable, and write them down."""
    stock, unusable, where = part
    incident, state = scene_of(study, sight.picture, stock, unusable)
    needs = needs_with(draw, sight, incident, where)
    rule = triage_order if study.flows == "first choice" else lowest_flow
    policy = rule(incident, state)
    outcome = Bench.of(incident, state, needs).operate(policy, max_swaps=1, num_threads=1)
    counts = weights_of(incident).tier <= 2
    minutes = outcome.minutes_out[counts]
    rows = sight.rows[where]
    into[0][rows] = (minutes > OUT_MIN).any(axis=0)
    into[1][rows] = minutes.sum(axis=0)
    if outcome.swaps is not None:
        into[2][rows] = outcome.swaps.num_swaps


def weighted_chance(shares: tuple[float, ...], parts: list[Estimate]) -> Estimate:
    """Return the chance over all cases from the chance in each, with its 95 % interval.

    Samples of cases are independent. The interval recovers each part's variance from its own
    limits (method of variance estimates recovery, G. Y. Zou and A. Donner, Statistics in Medicine
    2008;27:1693; from memory), with Wilson's limits for the parts.
    """
    value = sum(w * p.value for w, p in zip(shares, parts, strict=True))
    down = sum((w * (p.value - p.low)) ** 2 for w, p in zip(shares, parts, strict=True))
    up = sum((w * (p.high - p.value)) ** 2 for w, p in zip(shares, parts, strict=True))
    return Estimate(
        value, max(0.0, value - down**0.5), min(1.0, value + up**0.5), sum(p.samples for p in parts)
    )


def chance_of(study: Study, tried: list[Tried]) -> tuple[Estimate, tuple[Estimate, ...]]:
    """Return the chance over all cases, and in each."""
    parts = [chance(one.runs_out) for one in tried]
    return weighted_chance(study.weights, parts), tuple(parts)


def change_of(study: Study, after: list[Tried], before: list[Tried]) -> Estimate:
    """Return how the chance changes between two stocks on common samples, with its interval."""
    value = variance = 0.0
    for share, a, b in zip(study.weights, after, before, strict=True):
        change = a.runs_out.astype(np.float64) - b.runs_out
        value += share * float(change.mean())
        variance += share**2 * float(change.var(ddof=1)) / change.size if change.size > 1 else 0.0
    half = Z975 * variance**0.5
    return Estimate(value, value - half, value + half, sum(a.runs_out.size for a in after))
