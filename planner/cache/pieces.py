"""One piece of a regional study: one stock tried in one case of one valley; a pure task.

A piece is worked out on nothing but its own content (:func:`alone`), and its key is the digest of
just that content. So whatever could change its numbers changes its key, an old result is never
taken for a new question, and valleys in which a case is the same share its pieces.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date
from functools import lru_cache
from importlib.metadata import version
from importlib.resources import files
from typing import Final

from planner.cache.pictures import Draw, draw_case
from planner.cache.study import Limits, Stock, Study
from planner.cache.trying import try_stock

FORMAT: Final = 1  # of keys; one more where a piece's numbers come to mean something else
LIBRARIES: Final = ("oxygen-planner", "numpy", "numba")
OWN: Final = ("", "operation", "cache", "reference", "fields")  # our code that a piece runs through


@dataclass(frozen=True, slots=True)
class Piece:
    """What operation gave for one stock in one case, counted.

    Parameters
    ----------
    key : str
        Digest of everything that the numbers depend on.
    samples : int
    num_out : int
        Samples in which anyone runs out of oxygen.
    minutes_out : float
        Minutes without oxygen, summed over samples and patients.
    swaps : int
        Connections after the first, summed over samples.
    """

    key: str
    samples: int
    num_out: int
    minutes_out: float
    swaps: int


def alone(study: Study, case: int) -> Study:
    """Return a study without all that leaves one case's numbers alone, such as prices."""
    own = replace(study.cases[case], weight=1.0)
    # Random streams are keyed by the row of the case, so the row stays what it was.
    return replace(
        study, name="piece", note=None, approved_by=None, review_on=None, limits=Limits(),
        assumed=(), cases=(own,) * (case + 1),
        items=tuple(replace(item, price=0.0) for item in study.items),
    )  # fmt: skip


def piece_key(study: Study, case: int, stock: Stock, seed: int, samples: int) -> str:
    """Return the digest of a piece's content: study, stock, samples, seed and what computes it."""
    return _key(_study_digest(alone(study, case)), case, stock, seed, samples)


def try_piece(study: Study, case: int, stock: Stock, seed: int, samples: int) -> Piece:
    """Try one stock in one case; the same numbers wherever and beside whatever it runs.

    Parameters
    ----------
    study : Study
        As it is in the valley.
    case : int
        Row of ``study.cases``.
    stock : Stock
    seed, samples : int
    """
    own = alone(study, case)
    tried = try_stock(own, _draw(own, case, samples, seed), stock)
    return Piece(
        _key(_study_digest(own), case, stock, seed, samples), samples, int(tried.runs_out.sum()),
        float(tried.minutes_out.sum()), int(tried.swaps.sum()),
    )  # fmt: skip


@lru_cache(maxsize=2)  # a case's stocks come one after the other, and a draw is half of the work
def _draw(study: Study, case: int, samples: int, seed: int) -> Draw:
    return draw_case(study, case, samples, seed)


@lru_cache(maxsize=64)
def _study_digest(study: Study) -> str:
    return _digest(_plain(study))


def _key(study: str, case: int, stock: Stock, seed: int, samples: int) -> str:
    return _digest([FORMAT, _program(), study, case, _plain(stock), seed, samples])


@lru_cache(maxsize=1)
def _program() -> str:
    """Return the digest of what computes: library versions, our own code and tables."""
    found: list[object] = [[name, version(name)] for name in LIBRARIES]
    for part in OWN:
        folder = files("planner").joinpath(part) if part else files("planner")
        found += [
            [part, file.name, hashlib.sha256(file.read_bytes()).hexdigest()]
            for file in sorted(folder.iterdir(), key=lambda f: f.name)
            if file.name.endswith((".py", ".toml"))
        ]
    return _digest(found)


def _digest(tree: object) -> str:
    text = json.dumps(tree, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: object) -> object:
    """Return frozen data as a tree for JSON, kinds named, numbers whole.

    Raises
    ------
    TypeError
        For a value of a kind that has no one text.
    """
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return value.hex()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, Mapping):
        return ["mapping", sorted([_plain(k), _plain(v)] for k, v in value.items())]
    if is_dataclass(value):
        return [
            type(value).__name__,
            {f.name: _plain(getattr(value, f.name)) for f in fields(value)},
        ]
    raise TypeError(f"no canonical text for a {type(value).__name__}")


__all__ = ["Piece", "alone", "piece_key", "try_piece"]
