"""The answer to a study: stocks that hold, tried on fresh samples; what they hold, what binds.

Samples are of three kinds that share nothing: few for the model's rows, more to choose on in
operation, most and fresh for every chance that is told.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import Any, Final, Literal

from planner.cache.choosing import Aim, Chosen, Wish, choose
from planner.cache.loads import Load, pack
from planner.cache.picking import Judge, pick, total_mass_kg
from planner.cache.pictures import draw_case
from planner.cache.screening import Screen
from planner.cache.study import Stock, Study, stock_price
from planner.cache.trying import chance_of, try_stock
from planner.cache.wants import Want, wants_of
from planner.errors import SolverError
from planner.estimate import Estimate
from planner.solver import Settings

FRESH: Final = 1_000_003  # added to the seed for samples that no choice has seen
#: Of the target, asked of the model in turn; our own, as all numbers of samples below.
MARGINS: Final = (1.0, 0.85, 0.7, 0.5, 0.3)
LIBRARIES: Final = ("ortools", "numpy", "numba", "oxygen-planner")
Word = Literal["holds", "undecided within the interval", "over the target"]
LessWord = Word | Literal["a load would not be complete"]
Tell = Callable[[str], None]


def _never() -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Effort:
    """How much is put into a study.

    Parameters
    ----------
    seed : int
    model_samples, choosing_samples, fresh_samples : int
        A case.
    deterministic_s : float
        Limit of one model in the solver's own time.
    """

    seed: int = 1
    model_samples: int = 300
    choosing_samples: int = 4000
    fresh_samples: int = 4000
    deterministic_s: float = 6.0

    @classmethod
    def of(cls, seed: int, samples: int) -> Effort:
        """Return the effort for so many samples a case; the model sees a tenth, 20 to 400 of them.

        More takes it too long (measured), and its choice is only where operation begins.
        """
        return cls(seed, min(400, max(20, samples // 10)), samples, samples)


@dataclass(frozen=True, slots=True)
class Less:
    """The stock with one item less, tried on the same fresh samples."""

    cache: str
    item: str
    chance: Estimate
    word: LessWord


@dataclass(frozen=True, slots=True)
class Offer:
    """A stock that is offered.

    Parameters
    ----------
    name : str
        "lightest", "cheapest" or "between".
    stock : Stock
    mass_kg, price : float
        Packs included in the mass.
    loads : tuple of (cache, loads)
    chance : Estimate
        That anyone runs out, over all cases, on fresh samples.
    by_case : tuple of Estimate
    word : str
        Whether it holds the target.
    model : Chosen or None
        What the model chose on its own samples, with the bound and the gap that it proved there.
    one_less : tuple of Less
    """

    name: str
    stock: Stock
    mass_kg: float
    price: float
    loads: tuple[tuple[str, tuple[Load, ...]], ...]
    chance: Estimate
    by_case: tuple[Estimate, ...]
    word: Word
    model: Chosen | None = None
    one_less: tuple[Less, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """What a study came to.

    ``offers`` is empty where no stock within the limits holds the target; ``reachable`` is then
    the best that was reached.
    """

    study: Study
    effort: Effort
    offers: tuple[Offer, ...]
    reachable: Offer | None
    versions: tuple[tuple[str, str], ...]
    cores: int
    is_complete: bool = True


def word_of(chance: Estimate, target: float) -> Word:
    """Return whether a chance is at or under a target, over it, or cannot be told apart from it."""
    if chance.high <= target:
        return "holds"
    return "over the target" if chance.low > target else "undecided within the interval"


@dataclass(frozen=True, slots=True)
class Pick:
    """One aim's pick: the stock and what the model said; None where nothing holds."""

    aim: Aim
    stock: Stock | None
    model: Chosen | None


def model_wants(study: Study, effort: Effort) -> tuple[Want, ...]:
    """Return the rows of the samples that the model sees."""
    cases = range(len(study.cases))
    return wants_of(study, [draw_case(study, c, effort.model_samples, effort.seed) for c in cases])


def pick_for(
    study: Study, effort: Effort, wish: Wish, is_stopped: Callable[[], bool] = _never
) -> Pick:
    """Pick the stock of one aim."""
    wants = model_wants(study, effort)
    settings = Settings(effort.seed, effort.deterministic_s)
    seed = effort.seed + 1
    draws = [draw_case(study, c, effort.choosing_samples, seed) for c in range(len(study.cases))]
    judge = Judge(study, draws, is_stopped, Screen.of(study, wants))
    made: list[Chosen] = []

    def starts() -> Iterator[Stock]:
        for margin in MARGINS:
            tight = replace(wish, target=wish.target * margin)
            try:
                made.append(choose(study, wants, tight, settings))
            except SolverError:
                return
            yield made[-1].stock

    # The least of many stocks on the same samples looks a little better than it is: one standard
    # error of their chance is asked less than the target.
    off = math.sqrt(
        sum(w**2 for w in study.weights) * wish.target * (1 - wish.target) / effort.choosing_samples
    )
    stock = pick(study, judge, starts(), replace(wish, target=max(0.0, wish.target - off)))
    return Pick(wish.aim, stock, made[0] if made else None)


def best_reachable(study: Study, effort: Effort) -> Stock:
    """Return the stock within the limits that the model misses least with."""
    settings = Settings(effort.seed, effort.deterministic_s)
    wish = Wish(is_best_reachable=True)
    return choose(study, model_wants(study, effort), wish, settings).stock


def offer_of(study: Study, effort: Effort, name: str, stock: Stock, model: Chosen | None = None,
             *, has_less: bool = True) -> Offer:  # fmt: skip
    """Try a stock on fresh samples, and each with one item less."""
    draws = [
        draw_case(study, c, effort.fresh_samples, effort.seed + FRESH)
        for c in range(len(study.cases))
    ]
    whole, by_case = chance_of(study, [try_stock(study, d, stock) for d in draws])
    less = []
    for (cache, item), _ in stock.counts if has_less else ():
        fewer = stock.with_more(cache, item, by=-1)
        chance, _ = chance_of(study, [try_stock(study, d, fewer) for d in draws])
        word: LessWord = word_of(chance, study.target_chance)
        if word == "holds" and total_mass_kg(study, fewer) is None:
            word = "a load would not be complete"
        less.append(Less(cache, item, chance, word))
    loads = tuple((c.name, pack(study, stock, c.name) or ()) for c in study.caches)
    return Offer(
        name, stock, total_mass_kg(study, stock) or 0.0, stock_price(study, stock), loads, whole,
        by_case, word_of(whole, study.target_chance), model, tuple(less),
    )  # fmt: skip


def answer(
    study: Study, effort: Effort | None = None, tell: Tell = lambda _: None,
    is_stopped: Callable[[], bool] = _never, executor: Executor | None = None,
) -> Answer:  # fmt: skip
    """Answer a study.

    Parameters
    ----------
    study : Study
    effort : Effort or None
        None: the defaults.
    tell : callable
        Told in a few words what is being done.
    is_stopped : callable
        Asked between steps; True ends with what there is (``is_complete`` False).
    executor : Executor or None
        To pick and try on; None: here, one after the other. The answer is the same.
    """
    effort = effort or Effort()
    target = study.target_chance
    tell("choosing the lightest and the cheapest stock")
    aims: list[Wish] = [Wish("mass", target), Wish("price", target)]
    # A pool cannot be asked to stop in the middle of a pick; here it can.
    asked = () if executor is not None else (is_stopped,)
    picks = _mapped(executor, pick_for, [(study, effort, wish, *asked) for wish in aims])
    named = [("lightest", picks[0]), ("cheapest", picks[1])]
    light, cheap = (p.stock for p in picks)
    if light is not None and cheap is not None and light != cheap and not is_stopped():
        tell("choosing one between them")
        scale = (total_mass_kg(study, light) or 1.0, stock_price(study, cheap) or 1.0)
        named.append(("between", pick_for(study, effort, Wish("both", target, scale), is_stopped)))
    tell("trying them in operation on fresh samples")
    jobs = [(study, effort, *one) for one in _each_least(study, named)]
    offers = tuple(_mapped(executor, offer_of, jobs))
    reachable = None
    if not offers:
        tell("looking for the best that can be reached")
        reachable = offer_of(study, effort, "best reachable", best_reachable(study, effort),
                             has_less=False)  # fmt: skip
    return Answer(
        study, effort, offers, reachable, tuple((name, version(name)) for name in LIBRARIES),
        os.cpu_count() or 1, not is_stopped(),
    )  # fmt: skip


def _each_least(
    study: Study, named: list[tuple[str, Pick]]
) -> list[tuple[str, Stock, Chosen | None]]:
    """Return the stock of each name: an aim takes another's pick where that has less of it."""
    stocks = [pick.stock for _, pick in named if pick.stock is not None]
    found: list[tuple[str, Stock, Chosen | None]] = []
    for name, one in named:
        if one.stock is None:
            continue
        stock = one.stock
        if name == "lightest":
            stock = min(stocks, key=lambda s: total_mass_kg(study, s) or math.inf)
        elif name == "cheapest":
            stock = min(stocks, key=lambda s: stock_price(study, s))
        if name != "between" or stock not in [taken for _, taken, _ in found]:
            found.append((name, stock, one.model))
    return found


def _mapped(executor: Executor | None, function: Callable[..., Any], jobs: list[Any]) -> list[Any]:
    """Call a function with each job's arguments, here or elsewhere; results in order."""
    if executor is None:
        return [function(*job) for job in jobs]
    return [done.result() for done in [executor.submit(function, *job) for job in jobs]]
