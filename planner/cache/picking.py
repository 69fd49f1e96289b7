"""A stock picked with operation as the judge: the model's choice, mended, then made smaller.

The model's choice meets what no stock can do without; operation asks more (hands, the list, who
is found when). Where it runs out too often one item is added at a time, the one that takes most
of the chance away for its mass or price; then items are left out or exchanged while it holds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import combinations_with_replacement
from typing import Final

from planner.cache.choosing import Wish
from planner.cache.loads import can_carry, fewest_loads
from planner.cache.pictures import Draw, Sight
from planner.cache.screening import Screen
from planner.cache.study import (
    Item,
    Stock,
    Study,
    stock_mass_kg,
    stock_price,
    stock_volume_l,
)
from planner.cache.trying import shares_out
from planner.cache.wants import Key
from planner.reference import load_connections

SLACK: Final = 0.01  # of the chance; a stock that misses so much more is not tried (our own)


def _never() -> bool:
    return False


@dataclass(slots=True)
class Judge:
    """The chance of each stock on the choosing samples, each tried once."""

    study: Study
    draws: list[Draw]
    is_stopped: Callable[[], bool] = _never
    screen: Screen | None = None
    known: dict[Stock, float] = field(default_factory=dict)
    order: list[tuple[Draw, Sight]] = field(default_factory=list)

    def is_hopeful(self, other: Stock, stock: Stock, target: float) -> bool:
        """Say whether another stock may hold, by how much more rows it misses than one that does.

        Operation runs out more often than rows are missed, by about as much for either.
        """
        if self.screen is None:
            return True
        more = self.screen.missed(other) - self.screen.missed(stock)
        return more <= target - self.chance(stock) + SLACK

    def chance(self, stock: Stock) -> float:
        """Return the chance that anyone runs out, on the choosing samples."""
        if stock not in self.known:
            pictures = [(d, s) for d in self.draws for s in d.sights if s.bare.patients]
            shares = [shares_out(self.study, d, s, stock) for d, s in pictures]
            ranked = sorted(range(len(shares)), key=lambda k: -shares[k])
            self.order = [pictures[k] for k in ranked]
            self.known[stock] = math.fsum(shares)  # in whatever order
        return self.known[stock]

    def keeps(self, stock: Stock, target: float) -> bool:
        """Say whether the chance is at most a target; it is operated only until that is known.

        The pictures in which the stock tried last ran out most come first.
        """
        if stock in self.known or not self.order:
            return self.chance(stock) <= target
        shares: list[float] = []
        for draw, sight in self.order:
            shares.append(shares_out(self.study, draw, sight, stock))
            if math.fsum(shares) > target:
                return False
        self.known[stock] = math.fsum(shares)
        return True


def total_mass_kg(study: Study, stock: Stock) -> float | None:
    """Return the mass of a stock with its packs; None when it cannot be carried."""
    loads = 0
    for cache in study.caches:
        here = fewest_loads(study, stock, cache.name)
        if here is None:
            return None
        loads += here
    return stock_mass_kg(study, stock) + loads * study.limits.pack_kg


def cost_of(study: Study, stock: Stock, wish: Wish) -> float | None:
    """Return what is made small; None when the stock is over a limit or cannot be used."""
    mass, price = total_mass_kg(study, stock), stock_price(study, stock)
    if mass is None or is_over_limits(study, stock):
        return None
    for (cache, name), count in stock.counts:
        if count > study.item(name).most or not _fits(study, stock, cache, study.item(name)):
            return None
    if wish.aim == "mass":
        return mass
    if wish.aim == "price":
        return price
    return mass / wish.scale[0] + price / wish.scale[1]


def is_over_limits(study: Study, stock: Stock) -> bool:
    """Say whether a stock costs more than the budget, or takes more room than a shelf has."""
    limits = study.limits
    if limits.budget is not None and stock_price(study, stock) > limits.budget + 1e-9:
        return True
    return limits.shelf_l is not None and any(
        stock_volume_l(study, stock, cache.name) > limits.shelf_l + 1e-9 for cache in study.caches
    )


def _fits(study: Study, stock: Stock, cache: str, item: Item) -> bool:
    if item.kind != "cylinder" or not load_connections()[item.connection].needs_regulator:
        return True
    return any(
        stock.count(cache, other.name)
        for other in study.items
        if other.kind == "regulator" and other.connection == item.connection
    )


def holds(study: Study, judge: Judge, stock: Stock, target: float) -> bool:
    """Say whether a stock holds on the judge's samples and can be carried."""
    return judge.keeps(stock, target) and can_carry(study, stock)


def pick(study: Study, judge: Judge, starts: Iterable[Stock], wish: Wish) -> Stock | None:
    """Return a stock that holds on the judge's samples, as small as exchanges make it.

    Parameters
    ----------
    study : Study
    judge : Judge
        With a screen it tries only what may hold by its rows.
    starts : iterable of Stock
        Tried in their order, each mended; the first that then holds is made smaller.
    wish : Wish

    Returns
    -------
    Stock or None
        None where no start could be mended.
    """
    for start in starts:
        stock = mended(study, judge, start, wish)
        if holds(study, judge, stock, wish.target):
            stock = _smaller(study, judge, stock, wish)
            alone = _of_one_size(study, judge, stock, wish)
            return stock if alone is None else _smaller(study, judge, alone, wish)
    return None


def _of_one_size(study: Study, judge: Judge, stock: Stock, wish: Wish) -> Stock | None:
    """Return the least stock that holds with one size alone in a cache, if less than this one.

    Exchanges of three for three do not get there from a mixture.
    """
    best, least = None, cost_of(study, stock, wish)
    for cache in study.caches:
        bare = Stock.of({
            key: n for key, n in stock.counts
            if key[0] != cache.name or study.item(key[1]).kind != "cylinder"
        })  # fmt: skip
        if bare == stock:
            continue
        for item in study.items:
            if item.kind != "cylinder" or judge.is_stopped():
                continue
            for count in range(1, item.most + 1):
                other = bare.with_more(cache.name, item.name, count)
                cost = cost_of(study, other, wish)
                if cost is not None and (least is None or cost >= least - 1e-9):
                    break
                if cost is None or not judge.is_hopeful(other, stock, wish.target):
                    continue
                if holds(study, judge, other, wish.target):
                    best, least = other, cost
                    break
    return best


def mended(study: Study, judge: Judge, stock: Stock, wish: Wish) -> Stock:
    """Add one item after another until it holds or nothing helps."""
    while judge.chance(stock) > wish.target and not judge.is_stopped():
        now, cost = judge.chance(stock), cost_of(study, stock, wish) or 0.0
        best: tuple[float, Stock] | None = None
        for cache in study.caches:
            for item in study.items:
                more = stock.with_more(cache.name, item.name)
                new = cost_of(study, more, wish)
                if new is None:
                    continue
                gain = (now - judge.chance(more)) / max(new - cost, 1e-3)
                is_better = gain > 0 and (best is None or gain > best[0])
                if is_better and can_carry(study, more):
                    best = gain, more
        if best is None:
            return stock
        stock = best[1]
    return stock


def _smaller(study: Study, judge: Judge, stock: Stock, wish: Wish) -> Stock:
    """Take the first exchange that holds, dearest saving first, until none does."""
    is_moving = True
    while is_moving and not judge.is_stopped():
        is_moving = False
        now = cost_of(study, stock, wish)
        if now is None:
            return stock
        tries = [
            (cost, k, other)
            for k, other in enumerate(_exchanges(study, stock))
            if (cost := cost_of(study, other, wish)) is not None and cost < now - 1e-9
        ]
        for _, _, other in sorted(tries, key=lambda t: t[:2]):
            if not judge.is_hopeful(other, stock, wish.target) or judge.is_stopped():
                continue
            if judge.keeps(other, wish.target) and can_carry(study, other):
                stock, is_moving = other, True
                break
    return stock


def _exchanges(study: Study, stock: Stock) -> Iterator[Stock]:
    """Yield stocks with one item less, or up to three cylinders exchanged for up to three others.

    Those that lose more than the largest cylinder holds are left out: where the stock is about as
    small as can be they hardly hold, and each try costs a tenth of a second.
    """
    keys = [key for key, _ in stock.counts]
    for key in keys:
        yield stock.with_more(*key, by=-1)
    sizes = [(c.name, i.name) for c in study.caches for i in study.items if i.kind == "cylinder"]
    mine = [key for key in keys if key in sizes]
    one = max((_litres(study, Stock.of({key: 1})) for key in sizes), default=0.0)
    least = _litres(study, stock) - one
    for out in _few(mine):
        if any(out.count(key) > stock.count(*key) for key in out):
            continue
        less = _moved(stock, out, -1)
        for into in _few(sizes):
            if not set(into) & set(out):
                other = _moved(less, into, 1)
                if _litres(study, other) >= least:
                    yield other


def _few(keys: list[Key]) -> Iterator[tuple[Key, ...]]:
    """Yield one or two of any, and three of one."""
    for number in (1, 2):
        yield from combinations_with_replacement(keys, number)
    yield from ((key,) * 3 for key in keys)


def _moved(stock: Stock, keys: tuple[Key, ...], by: int) -> Stock:
    for key in keys:
        stock = stock.with_more(*key, by=by)
    return stock


def _litres(study: Study, stock: Stock) -> float:
    """Return about what a stock holds: water volume times gauge, in no unit that matters."""
    rows = ((study.item(name), count) for (_, name), count in stock.counts)
    return sum(i.water_volume_l * i.gauge.psi * n for i, n in rows if i.gauge is not None)


__all__ = ["Judge", "cost_of", "holds", "is_over_limits", "mended", "pick", "total_mass_kg"]
