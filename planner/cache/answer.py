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
from typing import Final, Literal

from planner.cache.choosing import Aim, Chosen, Wish, choose
from planner.cache.executors import Job, done_in_order
from planner.cache.loads import Load, pack
from planner.cache.picking import Judge, pick, total_mass_kg
from planner.cache.pictures import Draw, draw_case
from planner.cache.proving import Proof, prove
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
    proof : Proof or None
        Of the lightest: how much lighter a stock could be.
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
    proof: Proof | None = None


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
    judge = Judge(study, _choosing(study, effort), is_stopped, Screen.of(study, wants))
    made: list[Chosen] = []

    def starts() -> Iterator[Stock]:
        for margin in MARGINS:
            tight = replace(wish, target=wish.target * margin)
            try:
                made.append(choose(study, wants, tight, settings))
            except SolverError:
                return
            yield made[-1].stock

    stock = pick(study, judge, starts(), _with_margin(study, effort, wish))
    return Pick(wish.aim, stock, made[0] if made else None)


def prove_for(
    study: Study, effort: Effort, stock: Stock, is_stopped: Callable[[], bool] = _never
) -> tuple[Stock, Proof]:
    """Try what is lighter than a stock; return the stock or a lighter one, and the bound."""
    judge = Judge(study, _choosing(study, effort), is_stopped)
    plain = Wish("mass", study.target_chance)
    return prove(study, judge, stock, (plain, _with_margin(study, effort, plain)))


def _choosing(study: Study, effort: Effort) -> list[Draw]:
    cases = range(len(study.cases))
    return [draw_case(study, c, effort.choosing_samples, effort.seed + 1) for c in cases]


def _with_margin(study: Study, effort: Effort, wish: Wish) -> Wish:
    """Return a wish whose target is one standard error less.

    The least of many stocks on the same samples looks a little better than it is.
    """
    off = math.sqrt(
        sum(w**2 for w in study.weights) * wish.target * (1 - wish.target) / effort.choosing_samples
    )
    return replace(wish, target=max(0.0, wish.target - off))


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
    wanted: list[Job] = [(pick_for, (study, effort, wish)) for wish in aims]
    picks = done_in_order(executor, wanted, is_stopped)
    named = [("lightest", picks[0]), ("cheapest", picks[1])]
    light, cheap = (p.stock for p in picks)
    proof = None
    if light is not None and cheap is not None and not is_stopped():
        tell("trying every set of cylinders that is lighter")
        least = min(light, cheap, key=lambda s: total_mass_kg(study, s) or math.inf)
        wanted = [(prove_for, (study, effort, least))]
        if light != cheap:
            scale = (total_mass_kg(study, light) or 1.0, stock_price(study, cheap) or 1.0)
            wanted.append((pick_for, (study, effort, Wish("both", target, scale))))
        (found, proof), *others = done_in_order(executor, wanted, is_stopped)
        named[0] = ("lightest", replace(picks[0], stock=found))
        named += [("between", other) for other in others]
    tell("trying them in operation on fresh samples")
    wanted = [(offer_of, (study, effort, *one)) for one in _each_least(study, named)]
    offers = tuple(done_in_order(executor, wanted))
    offers = tuple(replace(o, proof=proof) if o.name == "lightest" else o for o in offers)
    reachable = None
    if not offers:
        tell("looking for the best that can be reached")
        reachable = offer_of(study, effort, "best reachable", best_reachable(study, effort),
                             has_less=False)  # fmt: skip
    return Answer(
        study, effort, offers, reachable, tuple((name, version(name)) for name in LIBRARIES),
        os.cpu_count() or 1, not is_stopped(),
    )  # fmt: skip


def _is_no_more(study: Study, stock: Stock, other: Stock) -> bool:
    """Say whether a stock neither weighs nor costs more than another."""
    masses = [total_mass_kg(study, one) or math.inf for one in (stock, other)]
    prices = [stock_price(study, one) for one in (stock, other)]
    return masses[0] <= masses[1] + 1e-9 and prices[0] <= prices[1] + 1e-9


def _each_least(
    study: Study, named: list[tuple[str, Pick]]
) -> list[tuple[str, Stock, Chosen | None]]:
    """Return the stock of each name: an aim takes another's pick where that has less of it.

    One between is left out where another is no heavier and no dearer.
    """
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
        if name != "between" or not any(_is_no_more(study, taken, stock) for _, taken, _ in found):
            found.append((name, stock, one.model))
    return found
