"""A sampled number with its interval, and the two ways one is made."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Z975: Final = 1.959963984540054  # 97.5 % point of the standard normal


@dataclass(frozen=True, slots=True)
class Estimate:
    """A sampled number: value, 95 % interval, and on how many samples it rests."""

    value: float
    low: float
    high: float
    samples: int


def chance(hits: npt.NDArray[np.bool_]) -> Estimate:
    """Return the share of samples that hit, with Wilson's interval (E. B. Wilson, 1927).

    Parameters
    ----------
    hits : bool array (samples,)
    """
    count = hits.size
    share = float(np.mean(hits))
    z2 = Z975**2 / count
    middle = (share + z2 / 2) / (1 + z2)
    half = Z975 / (1 + z2) * math.sqrt(share * (1 - share) / count + z2 / (4 * count))
    # At a share of 0 or 1 the interval ends there; float noise must not put it inside.
    low, high = max(0.0, middle - half), min(1.0, middle + half)
    return Estimate(share, min(low, share), max(high, share), count)


def mean(values: npt.NDArray[np.float64]) -> Estimate:
    """Return the mean of samples with its normal 95 % interval.

    Parameters
    ----------
    values : float array (samples,)
    """
    count = values.size
    value = float(np.mean(values))
    half = Z975 * float(np.std(values, ddof=1)) / math.sqrt(count) if count > 1 else math.inf
    return Estimate(value, value - half, value + half, count)


def difference(after: npt.NDArray[np.float64], before: npt.NDArray[np.float64]) -> Estimate:
    """Return the mean of ``after - before`` on common samples, with its paired interval.

    Raises
    ------
    ValueError
        When the two do not have the same number of samples.
    """
    if after.shape != before.shape:
        raise ValueError(f"samples do not pair: {after.shape} and {before.shape}")
    return mean(np.asarray(after, dtype=np.float64) - before)
