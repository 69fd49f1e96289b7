"""How much lighter a stock could be: every lighter set of cylinders tried in operation.

A stock that holds has cylinders that hold with all other kit that may be bought, and weighs at
least those cylinders with the kit that too many samples cannot do without. So sets of cylinders are
tried by that mass, lightest first. Up to the first that holds there is none that does. Where a set
holds, it is completed with as little kit as holds, and may be lighter than what was offered.

This is of the choosing samples, and takes it that more of other kit than cylinders lets nobody run
out who does not with less. Budget and shelf only make what can hold fewer.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from planner.cache.choosing import Wish
from planner.cache.loads import can_carry
from planner.cache.picking import Judge, cost_of, is_over_limits, total_mass_kg
from planner.cache.pictures import Draw, Sight
from planner.cache.screening import Screen
from planner.cache.study import Item, Stock, Study, stock_mass_kg
from planner.cache.trying import shares_out
from planner.cache.wants import Key, wants_of

#: Our own, so that it ends: sets looked at by their rows, tried in operation, completed with kit.
LOOKED_AT, TRIED, COMPLETED = 20_000, 1_500, 12
NOISE_KG: Final = 1e-6
ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Proof:
    """What was found of stocks lighter than the one offered.

    Parameters
    ----------
    bound_kg : float
        No stock lighter than this holds the target on the choosing samples.
    tried : int
        Sets of cylinders tried in operation; all others miss needs of too many samples.
    is_whole : bool
        Whether all up to the bound's mass were tried; else it ended at a limit, and
        heavier stocks may not hold either.
    """

    bound_kg: float
    tried: int
    is_whole: bool


def prove(
    study: Study, judge: Judge, stock: Stock, wishes: tuple[Wish, Wish]
) -> tuple[Stock, Proof]:
    """Try every lighter set of cylinders.

    Parameters
    ----------
    study : Study
    judge : Judge
        With the samples to try on.
    stock : Stock
        The one that is offered: it holds, and is to be undercut.
    wishes : pair of Wish
        By mass: with the study's own target, and with the one that a stock has to keep on these
        samples to be offered.

    Returns
    -------
    stock, proof
        The stock offered, or a lighter one that holds.
    """
    plain, offered = wishes
    best = total_mass_kg(study, stock) or math.inf
    parts = _parts(study, judge.draws, stock)
    if not parts:  # nobody is ever there
        return stock, Proof(0.0, 0, is_whole=True)
    kit = _least_kit(study, parts, plain.target)
    sets = _lighter(study, parts, kit, best, plain.target)
    ample = _ample_kit(study, judge)
    tried, completed, bound = 0, 0, math.inf
    for mass, cylinders in sets or ():
        if mass >= best - NOISE_KG:
            break
        if tried == TRIED or judge.is_stopped():
            return stock, Proof(min(bound, mass), tried, bound < math.inf)
        tried += 1
        if _is_over(study, parts, _with(cylinders, ample), plain.target):
            continue
        bound = min(bound, mass)
        if completed == COMPLETED:
            break
        completed += 1
        found = _completed(study, judge, cylinders, _kit_of(study, stock), offered)
        cost = None if found is None else cost_of(study, found, offered)
        if found is not None and cost is not None and cost < best - NOISE_KG:
            stock, best = found, cost
    if sets is None:
        return stock, Proof(0.0, tried, is_whole=False)
    return stock, Proof(min(bound, best), tried, is_whole=True)


@dataclass(frozen=True, slots=True)
class _Part:
    """One picture's samples in a case, and the rows that a stock has to meet in them."""

    draw: Draw
    sight: Sight
    screen: Screen


def _parts(study: Study, draws: list[Draw], stock: Stock) -> list[_Part]:
    """Return the pictures of all cases, first those where operation asks most beyond the rows."""
    found = []
    for draw in draws:
        for sight in draw.sights:
            if sight.bare.patients:
                screen = Screen.of(study, wants_of(study, [replace(draw, sights=(sight,))]))
                more = shares_out(study, draw, sight, stock) - screen.missed(stock)
                found.append((more, _Part(draw, sight, screen)))
    return [part for _, part in sorted(found, key=lambda one: one[0], reverse=True)]


def _misses_more(parts: list[_Part], stock: Stock, most: float) -> bool:
    """Say whether a stock misses rows of more samples than a share of all."""
    total, counts = 0.0, parts[0].screen.counts(stock)
    for part in parts:
        total += part.screen.missed_by(counts)
        if total > most + ROUNDING:
            return True
    return False


def _is_over(study: Study, parts: list[_Part], stock: Stock, most: float) -> bool:
    """Say whether a stock's chance is over a limit; it is operated only until that is known.

    Where rows are missed somebody runs out: that much stands before anything is operated.
    """
    counts = parts[0].screen.counts(stock)
    missed = [part.screen.missed_by(counts) for part in parts]
    total = sum(missed)
    for part, share in zip(parts, missed, strict=True):
        if total > most + ROUNDING:
            return True
        total += shares_out(study, part.draw, part.sight, stock) - share
    return total > most + ROUNDING


def _with(first: Stock, second: Stock) -> Stock:
    return Stock.of(dict(first.counts) | dict(second.counts))


def _of_kind(study: Study, *, is_cylinder: bool) -> list[tuple[Key, Item]]:
    return [
        ((cache.name, item.name), item) for cache in study.caches for item in study.items
        if (item.kind == "cylinder") == is_cylinder
    ]  # fmt: skip


def _most_kit(study: Study) -> Stock:
    return Stock.of({key: item.most for key, item in _of_kind(study, is_cylinder=False)})


def _ample_kit(study: Study, judge: Judge) -> Stock:
    """Return so much kit that more can't help: all of it, or one of each a patient in each cache.

    Nobody holds two of what is sure to be usable, except that each connection takes a washer.
    """
    people = max((len(s.bare.patients) for d in judge.draws for s in d.sights), default=0)
    return Stock.of({
        key: item.most if item.unusable_chance or item.kind == "washer" else min(item.most, people)
        for key, item in _of_kind(study, is_cylinder=False)
    })  # fmt: skip


def _most(study: Study) -> Stock:
    return Stock.of({(c.name, i.name): i.most for c in study.caches for i in study.items})


def _kit_of(study: Study, stock: Stock) -> Stock:
    return Stock.of({k: n for k, n in stock.counts if study.item(k[1]).kind != "cylinder"})


def _least_kit(study: Study, parts: list[_Part], target: float) -> Stock:
    """Return how many of each piece of kit there are at least where all else is plenty."""
    plenty, found = dict(_most(study).counts), {}
    for key, item in _of_kind(study, is_cylinder=False):
        counts = range(item.most + 1)
        found[key] = next(
            (n for n in counts if not _misses_more(parts, Stock.of({**plenty, key: n}), target)),
            item.most,
        )
    return Stock.of(found)


def _lighter(
    study: Study, parts: list[_Part], kit: Stock, best_kg: float, target: float
) -> list[tuple[float, Stock]] | None:
    """Return the sets of cylinders that are lighter and miss rows of few enough samples.

    By mass with the least kit and the packs; None when there are too many to look at.
    """
    found = []
    for looked, (mass, cylinders) in enumerate(_sets(study, kit, best_kg), start=1):
        if looked > LOOKED_AT:
            return None
        whole = _with(cylinders, _most_kit(study))
        if is_over_limits(study, _with(cylinders, kit)):
            continue
        if not _misses_more(parts, whole, target):
            found.append((mass, cylinders))
    return sorted(found, key=lambda one: (one[0], one[1].counts))


def _sets(study: Study, kit: Stock, best_kg: float) -> Iterator[tuple[float, Stock]]:
    """Yield every set of cylinders that is lighter, with its mass."""
    sizes = _of_kind(study, is_cylinder=True)

    def more(k: int, counts: dict[Key, int]) -> Iterator[tuple[float, Stock]]:
        mass = _mass_kg(study, _with(Stock.of(counts), kit))
        if mass >= best_kg - NOISE_KG:
            return
        if k == len(sizes):
            yield mass, Stock.of(counts)
            return
        key, item = sizes[k]
        for count in range(item.most + 1):
            if _mass_kg(study, _with(Stock.of({**counts, key: count}), kit)) >= best_kg - NOISE_KG:
                return
            yield from more(k + 1, {**counts, key: count})

    yield from more(0, {})


def _mass_kg(study: Study, stock: Stock) -> float:
    """Return the mass with as many packs as it takes at least."""
    limits = study.limits
    packs = 0
    for cache in study.caches:
        here = ((name, count) for (where, name), count in stock.counts if where == cache.name)
        net = sum(study.item(name).mass_kg * count for name, count in here)
        if net and limits.load_kg is not None:
            packs += max(1, math.ceil(net / (limits.load_kg - limits.pack_kg) - 1e-9))
        elif net:
            packs += 1
    return stock_mass_kg(study, stock) + packs * limits.pack_kg


def _completed(study: Study, judge: Judge, stock: Stock, kit: Stock, wish: Wish) -> Stock | None:
    """Return a set of cylinders with as much kit of what was offered as holds; None if not all."""
    stock = _with(stock, kit)
    if not can_carry(study, stock) or not judge.keeps(stock, wish.target):
        return None
    for key in dict(kit.counts):
        fewer = stock.with_more(*key, by=-1)
        if can_carry(study, fewer) and judge.keeps(fewer, wish.target):
            stock = fewer
    return stock


__all__ = ["Proof", "prove"]
