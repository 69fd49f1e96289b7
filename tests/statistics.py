"""Statistical checks that derive their tolerance and say how often they would fail by chance.

Every check takes ``alpha``: the most a right program would fail it, over all seeds. Seeds are
fixed, so a check that passes once passes always; alpha says what that is worth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import stats

ALPHA = 1e-7
Values = npt.NDArray[np.float64]


def assert_chance(hits: int, samples: int, p: float, alpha: float = ALPHA) -> None:
    """``hits`` out of ``samples`` independent ones agree with a chance ``p``.

    Exact two-sided binomial test: a right program fails with a chance of at most alpha.
    """
    found = float(stats.binomtest(hits, samples, p).pvalue)
    assert found >= alpha, f"{hits}/{samples} = {hits / samples:.6f}, not {p:.6f} (p {found:.1e})"


def assert_mean(
    values: Values, expected: float, sd: float | None = None, alpha: float = ALPHA
) -> None:
    """Independent ``values`` agree with a mean (``sd``: of one value, where it is known).

    Normal by the central limit theorem; below alpha only where the mean of so many is normal far
    out, so use it for thousands of values with light tails.
    """
    sd = float(np.std(values, ddof=1)) if sd is None else sd
    off = abs(float(np.mean(values)) - expected)
    allowed = float(stats.norm.isf(alpha / 2)) * sd / math.sqrt(values.size)
    assert off <= allowed, f"mean {np.mean(values):.6g}, not {expected:.6g} +- {allowed:.2g}"


def assert_correlation(a: Values, b: Values, rho: float, alpha: float = ALPHA) -> None:
    """Pairs from a bivariate normal agree with a correlation (Fisher's z, sd 1/sqrt(n - 3))."""
    off = abs(math.atanh(float(np.corrcoef(a, b)[0, 1])) - math.atanh(rho))
    allowed = float(stats.norm.isf(alpha / 2)) / math.sqrt(a.size - 3)
    assert off <= allowed, f"correlation {np.corrcoef(a, b)[0, 1]:.4f}, not {rho}"


def assert_same_chance(
    first: tuple[int, int], second: tuple[int, int], alpha: float = ALPHA
) -> None:
    """Two independent (hits, samples) have one chance.

    Exact: given all hits, those of the first are hypergeometric, whatever the chance is. The
    smaller tail is doubled, so a right program fails with a chance of at most alpha.
    """
    (x, n), (y, m) = first, second
    law = stats.hypergeom(n + m, x + y, n)
    found = 2 * min(float(law.cdf(x)), float(law.sf(x - 1)))
    assert found >= alpha, f"{x}/{n} = {x / n:.5f} and {y}/{m} = {y / m:.5f} (p {found:.1e})"


def assert_same_law(first: Values, second: Values, alpha: float = ALPHA, cuts: int = 9) -> None:
    """Two samples of rows (one row per quantity, samples last) have one joint law.

    Each row's distribution is compared at its deciles (fixed by the second sample, which is taken
    as given), and every pair of rows jointly at deciles 2, 5 and 8, by the exact test above; alpha
    is shared out over all comparisons. Taking the cuts from the second sample leaves the exchange
    of labels between the two nearly exact: a cut is one of thousands of values.
    """
    share = np.linspace(0, 1, cuts + 2)[1:-1]
    finite = [row[np.isfinite(row)] for row in second]
    grid = [np.quantile(row, share) if row.size else np.empty(0) for row in finite]
    masks: list[tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]] = [
        (np.isinf(a), np.isinf(b)) for a, b in zip(first, second, strict=True)
    ]
    masks += [
        (a <= cut, b <= cut)
        for a, b, at in zip(first, second, grid, strict=True)
        for cut in at
    ]  # fmt: skip
    few = [(at[1], at[cuts // 2], at[-2]) if at.size else () for at in grid]
    for i in range(len(first)):
        for j in range(i):
            masks += [
                ((first[i] <= u) & (first[j] <= v), (second[i] <= u) & (second[j] <= v))
                for u in few[i]
                for v in few[j]
            ]
    for a, b in masks:
        hits = (int(a.sum()), a.size), (int(b.sum()), b.size)
        assert_same_chance(*hits, alpha / len(masks))


def wilson(hits: int | Values, samples: int) -> tuple[Values, Values]:
    """Wilson's 95 % interval as the two roots p of (share - p)^2 = z^2 p (1 - p) / n."""
    z2 = float(stats.norm.ppf(0.975)) ** 2
    share = np.asarray(hits, dtype=np.float64) / samples
    # (1 + z2/n) p^2 - (2 share + z2/n) p + share^2 = 0, solved as a quadratic
    a, b, c = 1 + z2 / samples, -(2 * share + z2 / samples), share**2
    root = np.sqrt(np.maximum(b * b - 4 * a * c, 0.0))
    return np.asarray((-b - root) / (2 * a)), np.asarray((-b + root) / (2 * a))


def cover_chance(hits: int, samples: int, rerun_hits: int, rerun_samples: int) -> float:
    """Return the exact chance that Wilson's interval of a short run covers a long rerun's share.

    Given all hits together, those of the short run are hypergeometric, so that neither the
    unknown chance nor a normal approximation comes in, and the rerun's own error is in it.
    """
    total = hits + rerun_hits
    x = np.arange(max(0, total - rerun_samples), min(samples, total) + 1)
    low, high = wilson(x.astype(np.float64), samples)
    share = (total - x) / rerun_samples
    covers = (low <= share + 1e-12) & (share <= high + 1e-12)
    law = stats.hypergeom(samples + rerun_samples, total, samples)
    return float(law.pmf(x)[covers].sum())


def count_law(chances: Sequence[float]) -> Values:
    """Return the probabilities of 0, 1, 2, ... successes of independent, unequal trials."""
    law = np.ones(1)
    for p in chances:
        law = np.convolve(law, [1 - p, p])
    return np.asarray(law)


def assert_coverage(
    covered: Sequence[bool], chances: Sequence[float], alpha: float = ALPHA
) -> None:
    """As many intervals cover their rerun's value as their chances of it allow.

    Each tail of the exact law of the count (independent, unequal trials) is given alpha / 2: a
    right program fails with a chance of at most alpha.
    """
    count, law = sum(covered), count_law(chances)
    below, above = float(law[: count + 1].sum()), float(law[count:].sum())
    mean = sum(chances)
    words = f"{count} of {len(covered)} intervals cover, expected {mean:.1f}"
    assert min(below, above) >= alpha / 2, f"{words} (tail {min(below, above):.1e})"
