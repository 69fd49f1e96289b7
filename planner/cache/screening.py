"""The rows of a model's samples as arrays: which share of them a stock misses, in a millisecond."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.cache.study import Stock, Study
from planner.cache.wants import Key, Want

Counts = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Screen:
    """All different rows, and which of them each sample has; unusable units count as usable.

    Parameters
    ----------
    keys : tuple of (cache, item)
        Columns.
    weights : int array (rows, keys)
    least : int array (rows,)
    sample, row : int arrays (pairs,)
        Sample ``sample[k]`` has row ``row[k]``.
    shares : float array (samples,)
    """

    keys: tuple[Key, ...]
    weights: npt.NDArray[np.int64]
    least: npt.NDArray[np.int64]
    sample: npt.NDArray[np.int64]
    row: npt.NDArray[np.int64]
    shares: npt.NDArray[np.float64]

    @classmethod
    def of(cls, study: Study, wants: tuple[Want, ...]) -> Screen:
        """Lay the rows down."""
        keys = tuple((c.name, i.name) for c in study.caches for i in study.items)
        column = {key: k for k, key in enumerate(keys)}
        number = {row: k for k, row in enumerate(dict.fromkeys(r for w in wants for r in w.rows))}
        weights = np.zeros((len(number), len(keys)), dtype=np.int64)
        for row, k in number.items():
            for key, weight in row.weights:
                weights[k, column[key]] = weight
        pairs = [(s, number[row]) for s, want in enumerate(wants) for row in want.rows]
        table = np.array(pairs, dtype=np.int64).reshape(-1, 2)
        least = np.array([row.least for row in number], dtype=np.int64)
        shares = np.array([want.share for want in wants])
        return cls(keys, weights, least, table[:, 0], table[:, 1], shares)

    def missed(self, stock: Stock) -> float:
        """Return the share of samples of which a stock misses a row."""
        return self.missed_by(self.counts(stock))

    def counts(self, stock: Stock) -> Counts:
        """Return a stock as a column of numbers, one a key: any screen of the study takes it."""
        known = dict(stock.counts)
        return np.array([known.get(key, 0) for key in self.keys], dtype=np.int64)

    def missed_by(self, counts: Counts) -> float:
        """Return the share of samples of which such a column misses a row."""
        is_short = self.weights @ counts < self.least
        out = np.zeros(self.shares.size, dtype=np.bool_)
        out[self.sample[is_short[self.row]]] = True
        return float(self.shares[out].sum())
