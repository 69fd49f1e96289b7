"""Three-point times: the split lognormal through a 10 % point, a median and a 90 % point.

``p50 * exp(z / z90 * ln(p90/p50))`` above the median and ``ln(p50/p10)`` below it, with z a
standard normal score and z90 = 1.2816; it meets all three points.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from planner.incident import ThreePoint

Floats = npt.NDArray[np.float64]

Z90: Final = 1.2815515655446004  # 90 % point of the standard normal
Z95: Final = 1.6448536269514722  # 95 % point of the standard normal


def time_from_score(time: ThreePoint, score: Floats) -> Floats:
    """Return minutes for standard normal scores (split lognormal through the three points)."""
    if time.p50_min <= 0:
        return np.full(np.shape(score), time.p50_min)
    up = math.log(time.p90_min / time.p50_min) / Z90
    down = math.log(time.p50_min / time.p10_min) / Z90
    return np.asarray(time.p50_min * np.exp(np.where(score > 0, up, down) * score))


def score_from_time(time: ThreePoint, minute: float) -> float:
    """Return the least normal score at which a three-point time is not before ``minute``.

    Minus infinity where every score is, infinity where none is.
    """
    return score_bounds(time, minute)[0]


def score_bounds(time: ThreePoint, minute: float) -> tuple[float, float]:
    """Return the least score with a time not before a minute, the largest with one not after it.

    They differ only where much lies on the minute itself: where points coincide.
    """
    if min(minute, time.p50_min) <= 0:
        return (-math.inf if minute <= time.p50_min else math.inf,
                -math.inf if minute < time.p50_min else math.inf)  # fmt: skip
    ratio = math.log(max(minute / time.p50_min, math.ulp(0.0)))  # a quotient may underflow to 0
    up = math.log(time.p90_min / time.p50_min) / Z90
    down = math.log(time.p50_min / time.p10_min) / Z90
    if ratio == 0:
        return 0.0 if down > 0 else -math.inf, 0.0 if up > 0 else math.inf
    spread = up if ratio > 0 else down
    score = ratio / spread if spread > 0 else math.copysign(math.inf, ratio)
    return score, score


def time_at(time: ThreePoint, z: float) -> float:
    """Return the minute at one normal score."""
    return float(time_from_score(time, np.array([z]))[0])


def split_quantile(time: ThreePoint, share: float) -> float:
    """Return the point of a three-point time below which ``share`` of it lies."""
    from statistics import NormalDist

    return time_at(time, NormalDist().inv_cdf(share))


def score_above(score: Floats, floor: float | Floats) -> Floats:
    """Map standard normal scores to ones given above ``floor``, keeping their order.

    One infinite floor leaves them as they are: nothing, or nothing possible, is known.
    """
    if np.ndim(floor) == 0 and not np.isfinite(floor):
        return score
    from scipy.special import ndtr, ndtri

    tail = ndtr(-np.asarray(floor, dtype=np.float64))
    mapped = -ndtri(np.maximum(ndtr(-score) * tail, 1e-300))
    return np.asarray(np.maximum(mapped, floor), dtype=np.float64)
