"""A regional study: every stock tried in every case of every valley, on as many machines as are.

Pieces (:mod:`planner.cache.pieces`) are handed to an executor a bounded number at a time and kept
as they finish. All sums are made here, in the order of the study, so that neither the number of
workers nor the order in which they finish changes a number.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from importlib.metadata import version
from itertools import islice
from typing import Any, Final

import numpy as np

from planner.cache.answer import Word, word_of
from planner.cache.executors import Crew
from planner.cache.pieces import LIBRARIES, Piece, piece_key, try_piece
from planner.cache.region import Region, studies_of
from planner.cache.results import Results
from planner.cache.study import Stock, Study, held_stock, stock_mass_kg, stock_price
from planner.cache.trying import weighted_chance
from planner.errors import Fault, InputError, PlannerError
from planner.estimate import Estimate, chance

AHEAD: Final = 4  # pieces handed out for each worker: enough that none waits, few to stop
LOOK_S: Final = 0.5  # between looks whether to stop
TELL_S: Final = 1.0  # between lines of progress


@dataclass(frozen=True, slots=True)
class Draws:
    """How it is drawn.

    Parameters
    ----------
    seed : int
        The same in all valleys: what differs between them is not luck.
    samples : int
        A case.
    """

    seed: int = 1
    samples: int = 4000


@dataclass(frozen=True, slots=True)
class Watch:
    """Where progress goes, and whether to stop; both are asked between pieces."""

    tell: Callable[[str], None] = lambda _: None
    is_stopped: Callable[[], bool] = lambda: False


@dataclass(frozen=True, slots=True)
class StockThere:
    """One stock in one valley; minutes and swaps are means a sample, weighted over cases."""

    stock: str
    chance: Estimate
    by_case: tuple[Estimate, ...]
    minutes_out: float
    swaps: float
    word: Word


@dataclass(frozen=True, slots=True)
class ValleyResult:
    """One valley.

    Parameters
    ----------
    name : str
    cases : tuple of (name, share)
    stocks : tuple of StockThere
    best : str
        The stock with the least chance; of equals the lightest.
    as_good : tuple of str
        Others whose interval meets that of the best.
    lightest : str or None
        The lightest stock that holds the target there.
    """

    name: str
    cases: tuple[tuple[str, float], ...]
    stocks: tuple[StockThere, ...]
    best: str
    as_good: tuple[str, ...]
    lightest: str | None


@dataclass(frozen=True, slots=True)
class StockOverall:
    """One stock over all valleys, each counted alike.

    Valleys share their draws, so their errors may go together: the interval is the mean of theirs,
    the widest that can be.
    """

    stock: str
    mass_kg: float
    price: float
    chance: Estimate
    num_hold: int
    num_best: int
    worst_valley: str


@dataclass(frozen=True, slots=True)
class RegionResult:
    """What a regional study came to; valleys of which a piece is missing are left out.

    Parameters
    ----------
    num_pieces, num_done, num_kept : int
        Different pieces; worked out in this run; taken from an earlier one.
    """

    name: str
    target: float
    draws: Draws
    valleys: tuple[ValleyResult, ...]
    overall: tuple[StockOverall, ...]
    num_valleys: int
    num_pieces: int
    num_done: int
    num_kept: int
    versions: tuple[tuple[str, str], ...]

    @property
    def is_complete(self) -> bool:
        """Whether every piece is there."""
        return self.num_done + self.num_kept == self.num_pieces


@dataclass(frozen=True, slots=True)
class _Call:
    """Arguments of one piece."""

    study: Study
    case: int
    stock: Stock


def run_region(
    region: Region, draws: Draws, crew: Crew | None = None, results: Results | None = None,
    watch: Watch = Watch(),
) -> RegionResult:  # fmt: skip
    """Try all stocks in all cases of all valleys.

    Parameters
    ----------
    region : Region
    draws : Draws
    crew : Crew or None
        None: here, one piece after the other.
    results : Results or None
        Pieces that are there are not done again; each new one is kept as it finishes.
    watch : Watch

    Raises
    ------
    InputError
        No stock to try; or the folder cannot take a piece.
    PlannerError
        A worker's program is not this one.
    """
    stocks, studies = _stocks(region), studies_of(region)
    keys: dict[tuple[int, int, int], str] = {}
    calls: dict[str, _Call] = {}
    for v, (_, study) in enumerate(studies):
        for c in range(len(study.cases)):
            for s, (_, stock) in enumerate(stocks):
                key = piece_key(study, c, stock, draws.seed, draws.samples)
                keys[v, c, s] = key
                calls.setdefault(key, _Call(study, c, stock))
    found = {} if results is None else {k: p for k in calls if (p := results.get(k)) is not None}
    num_kept = len(found)
    todo = {key: call for key, call in calls.items() if key not in found}
    steps = _Steps(len(calls), num_kept, watch.tell)
    for piece in _worked(todo, draws, crew, watch.is_stopped):
        if results is not None:
            results.put(piece)
        found[piece.key] = piece
        steps.tell(len(found))
    valleys = tuple(_valleys(studies, stocks, keys, found))
    return RegionResult(
        region.name, region.study.target_chance, draws, valleys,
        tuple(_overall(region.study, stocks, valleys)), len(studies), len(calls),
        len(found) - num_kept, num_kept, tuple((name, version(name)) for name in LIBRARIES),
    )  # fmt: skip


def _stocks(region: Region) -> tuple[tuple[str, Stock], ...]:
    held = held_stock(region.study)
    stocks = region.stocks or ((("what is there", held),) if held.counts else ())
    if not stocks:
        words = ("nothing", "at least one stock to try", "Add it as [[stocks]].")
        raise InputError([Fault("", "stocks", "", "", *words)])
    return stocks


# ----- handing out ------------------------------------------------------------------------------


def _worked(
    todo: Mapping[str, _Call], draws: Draws, crew: Crew | None, is_stopped: Callable[[], bool]
) -> Iterator[Piece]:
    """Yield pieces as they finish; few are handed out at a time, so that a stop is soon."""
    if crew is None:
        for key, call in todo.items():
            if is_stopped():
                return
            yield _same(key, try_piece(*_arguments(call, draws)))
        return
    waiting = iter(todo.items())
    out: dict[Future[Piece], str] = {}
    try:
        while True:
            for key, call in islice(waiting, AHEAD * crew.num_workers - len(out)):
                out[crew.executor.submit(try_piece, *_arguments(call, draws))] = key
            if not out or is_stopped():
                return
            for future in wait(out, timeout=LOOK_S, return_when=FIRST_COMPLETED).done:
                yield _same(out.pop(future), future.result())
    finally:
        for future in out:
            future.cancel()


def _arguments(call: _Call, draws: Draws) -> tuple[Study, int, Stock, int, int]:
    return call.study, call.case, call.stock, draws.seed, draws.samples


def _same(key: str, piece: Piece) -> Piece:
    if piece.key != key:
        raise PlannerError(
            "a worker runs another version of this program or its libraries; install the same "
            "everywhere"
        )
    return piece


class _Steps:
    """Says how far it is, at most once in a while."""

    def __init__(self, total: int, kept: int, tell: Callable[[str], None]) -> None:
        self._total, self._kept, self._tell = total, kept, tell
        self._begun = self._told = time.monotonic()
        if kept:
            tell(f"{kept} of {total} pieces are there from an earlier run")

    def tell(self, done: int) -> None:
        now = time.monotonic()
        if now - self._told < TELL_S and done < self._total:
            return
        self._told = now
        left_s = (now - self._begun) / (done - self._kept) * (self._total - done)
        self._tell(f"{done} of {self._total} pieces done, about {left_s / 60:.1f} min left")


# ----- sums -------------------------------------------------------------------------------------


def _valleys(
    studies: Iterable[tuple[str, Study]], stocks: tuple[tuple[str, Stock], ...],
    keys: Mapping[tuple[int, int, int], str], found: Mapping[str, Piece],
) -> Iterator[ValleyResult]:  # fmt: skip
    for v, (name, study) in enumerate(studies):
        cases = range(len(study.cases))
        if any(keys[v, c, s] not in found for c in cases for s in range(len(stocks))):
            continue
        there = tuple(
            _there(study, stock, [found[keys[v, c, s]] for c in cases])
            for s, (stock, _) in enumerate(stocks)
        )
        masses = {stock: stock_mass_kg(study, content) for stock, content in stocks}
        best = min(there, key=lambda t: (t.chance.value, masses[t.stock]))
        holding = [t.stock for t in there if t.word == "holds"]
        yield ValleyResult(
            name,
            tuple((c.name, w) for c, w in zip(study.cases, study.weights, strict=True)),
            there,
            best.stock,
            tuple(t.stock for t in there if t is not best and t.chance.low <= best.chance.high),
            min(holding, key=lambda stock: masses[stock], default=None),
        )


def _there(study: Study, stock: str, pieces: list[Piece]) -> StockThere:
    parts = [chance(np.arange(p.samples) < p.num_out) for p in pieces]
    overall = weighted_chance(study.weights, parts)
    pairs = list(zip(study.weights, pieces, strict=True))
    return StockThere(
        stock, overall, tuple(parts),
        sum(w * p.minutes_out / p.samples for w, p in pairs),
        sum(w * p.swaps / p.samples for w, p in pairs),
        word_of(overall, study.target_chance),
    )  # fmt: skip


def _overall(
    study: Study, stocks: tuple[tuple[str, Stock], ...], valleys: tuple[ValleyResult, ...]
) -> Iterator[StockOverall]:
    if not valleys:
        return
    for s, (name, stock) in enumerate(stocks):
        rows = [(valley, valley.stocks[s]) for valley in valleys]
        chances = [row.chance for _, row in rows]
        count = len(rows)
        yield StockOverall(
            name, stock_mass_kg(study, stock), stock_price(study, stock),
            Estimate(sum(c.value for c in chances) / count, sum(c.low for c in chances) / count,
                     sum(c.high for c in chances) / count, sum(c.samples for c in chances)),
            sum(row.word == "holds" for _, row in rows),
            sum(valley.best == name for valley, _ in rows),
            max(rows, key=lambda row: row[1].chance.value)[0].name,
        )  # fmt: skip


def region_document(result: RegionResult) -> dict[str, Any]:
    """Return a result as a plain tree for JSON."""
    from planner.banner import BANNER

    return {
        "banner": BANNER,
        "region": result.name,
        "target_chance": result.target,
        "seed": result.draws.seed,
        "samples_a_case": result.draws.samples,
        "is_complete": result.is_complete,
        "pieces": {
            "all": result.num_pieces, "done_now": result.num_done, "kept": result.num_kept,
        },
        "versions": dict(result.versions),
        "num_valleys": result.num_valleys,
        "valleys": [_valley_tree(valley) for valley in result.valleys],
        "stocks": [
            {
                "stock": row.stock, "items_mass_kg": row.mass_kg, "price": row.price,
                **_chance_tree(row.chance), "holds_in": row.num_hold, "best_in": row.num_best,
                "worst_valley": row.worst_valley,
            }
            for row in result.overall
        ],
    }  # fmt: skip


def _valley_tree(valley: ValleyResult) -> dict[str, Any]:
    names = [name for name, _ in valley.cases]
    return {
        "valley": valley.name,
        "cases": [{"case": name, "share": share} for name, share in valley.cases],
        "best": valley.best,
        "as_good": list(valley.as_good),
        "lightest_that_holds": valley.lightest,
        "stocks": [
            {
                "stock": t.stock, **_chance_tree(t.chance), "word": t.word,
                "minutes_out": t.minutes_out, "swaps": t.swaps,
                "by_case": [
                    {"case": n, **_chance_tree(e)} for n, e in zip(names, t.by_case, strict=True)
                ],
            }
            for t in valley.stocks
        ],
    }  # fmt: skip


def _chance_tree(of: Estimate) -> dict[str, float]:
    return {"chance": of.value, "low": of.low, "high": of.high}


__all__ = ["Draws", "RegionResult", "StockOverall", "StockThere", "ValleyResult", "Watch",
           "region_document", "run_region", "try_piece"]  # fmt: skip
