"""The CP-SAT model: the least mass or price of a stock that meets the rows of enough samples.

A sample is held when every one of its rows is met; the shares of samples that are not held may be
at most the target chance. Since the rows are what any stock that holds has to meet, the bound that
the solver proves is one below every stock that holds in these samples, however it is operated.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from ortools.sat.python import cp_model

from planner.cache.study import Cache, Item, ItemKind, Stock, Study, held_stock
from planner.cache.wants import Key, Want
from planner.reference import load_connections
from planner.solver import COST_SCALE, Settings, Solved, Tuning, scaled, solve

Aim = Literal["mass", "price", "both"]
SHARES: Final = 10**6  # shares of samples are counted in millionths
GAP: Final = 0.005  # proved so close is good enough; our own
MILLI: Final = 1000  # masses in grams, prices in thousandths, volumes in millilitres
MOST_LOADS: Final = 8  # of a cache without a number of carriers; more is no cache to carry; our own


@dataclass(frozen=True, slots=True)
class Chosen:
    """A stock that the model chose.

    Parameters
    ----------
    stock : Stock
    aim : {"mass", "price", "both"}
    value, bound, gap : float
        Of what is made small, and how far it is proved.
    missed : float
        Share of samples whose rows are not met.
    loads : tuple of (cache, loads)
        So many loads at least.
    status : str
    """

    stock: Stock
    aim: Aim
    value: float
    bound: float
    gap: float
    missed: float
    loads: tuple[tuple[str, int], ...]
    status: str


@dataclass(frozen=True, slots=True)
class Wish:
    """What to choose by.

    ``scale`` are mass and price that count as 1 when both count; ``most_loads`` may be lowered.
    """

    aim: Aim = "mass"
    target: float = 0.05
    scale: tuple[float, float] = (1.0, 1.0)
    is_best_reachable: bool = False


class _Model:
    """Variables of one model and what stands on them."""

    def __init__(self, study: Study) -> None:
        self.study = study
        self.model = cp_model.CpModel()
        self.units: dict[Key, list[cp_model.IntVar]] = {}
        self.loads: dict[str, cp_model.IntVar] = {}
        for cache in study.caches:
            self.loads[cache.name] = self.model.new_int_var(
                0, most_loads(cache), f"loads {cache.name}"
            )
            for item in study.items:
                self._add_units((cache.name, item.name), item)
        self._limit()

    def _add_units(self, key: Key, item: Item) -> None:
        """One boolean a unit, in order: unit j is there only if unit j - 1 is."""
        flags = [self.model.new_bool_var(f"{key} {j + 1}") for j in range(item.most)]
        for before, after in pairwise(flags):
            self.model.add_implication(after, before)
        self.units[key] = flags

    def count(self, key: Key) -> cp_model.LinearExpr:
        return cp_model.LinearExpr.sum(self.units[key])

    def mass_g(self) -> cp_model.LinearExpr:
        study = self.study
        pack = round(study.limits.pack_kg * MILLI)
        terms = [round(study.item(k[1]).mass_kg * MILLI) * self.count(k) for k in self.units]
        return cp_model.LinearExpr.sum([*terms, *(pack * n for n in self.loads.values())])

    def price_m(self) -> cp_model.LinearExpr:
        held = dict(held_stock(self.study).counts)
        terms = [
            round(self.study.item(key[1]).price * MILLI)
            * cp_model.LinearExpr.sum(flags[held.get(key, 0) :])
            for key, flags in self.units.items() if len(flags) > held.get(key, 0)
        ]  # fmt: skip
        return cp_model.LinearExpr.sum(terms) if terms else cp_model.LinearExpr.sum([0])

    def _limit(self) -> None:
        limits, model = self.study.limits, self.model
        if limits.budget is not None:
            model.add(self.price_m() <= math.floor(limits.budget * MILLI))
        for cache in self.study.caches:
            mine = {k: self.study.item(k[1]) for k in self.units if k[0] == cache.name}
            if limits.shelf_l is not None:
                room = cp_model.LinearExpr.sum(
                    [round(i.volume_l * MILLI) * self.count(k) for k, i in mine.items()]
                )
                model.add(room <= math.floor(limits.shelf_l * MILLI))
            self._load(self.loads[cache.name], mine)
            self._pack(self.loads[cache.name], most_loads(cache), mine)
            self._fit(mine)

    def _load(self, loads: cp_model.IntVar, mine: Mapping[Key, Item]) -> None:
        """Mass of so many loads, and that each can be complete in itself."""
        limits, model = self.study.limits, self.model
        if limits.load_kg is not None:
            net = math.floor((limits.load_kg - limits.pack_kg) * MILLI)
            mass = cp_model.LinearExpr.sum(
                [round(i.mass_kg * MILLI) * self.count(k) for k, i in mine.items()]
            )
            model.add(mass <= net * loads)
        else:
            every = cp_model.LinearExpr.sum([self.count(k) for k in mine])
            model.add(every <= sum(i.most for i in mine.values()) * loads)
        for kinds in complete_kinds(self.study):
            model.add(
                cp_model.LinearExpr.sum([self.count(k) for k, i in mine.items() if i.kind in kinds])
                >= loads
            )

    def _pack(self, loads: cp_model.IntVar, most: int, mine: Mapping[Key, Item]) -> None:
        """Lay every unit into a load that is complete and not too heavy; heavier loads first."""
        limits, model = self.study.limits, self.model
        if limits.load_kg is None:
            return
        net = math.floor((limits.load_kg - limits.pack_kg) * MILLI)
        parts = {
            k: [model.new_int_var(0, i.most, f"{k} in {n}") for n in range(most)]
            for k, i in mine.items()
        }
        used = [model.new_bool_var(f"load {n} is used") for n in range(most)]
        grams = [round(i.mass_kg * MILLI) for i in mine.values()]
        masses = [model.new_int_var(0, net, f"mass {n}") for n in range(most)]
        for n, mass in enumerate(masses):
            here = [parts[k][n] for k in mine]
            model.add(cp_model.LinearExpr.weighted_sum(here, grams) == mass)
        model.add(cp_model.LinearExpr.sum(used) == loads)
        for key, row in parts.items():
            model.add(cp_model.LinearExpr.sum(row) == self.count(key))
        for n, flag in enumerate(used):
            model.add(masses[n] <= net * flag)
            for kinds in complete_kinds(self.study):
                rows = [parts[k][n] for k, i in mine.items() if i.kind in kinds]
                model.add(cp_model.LinearExpr.sum(rows) >= flag)
        for before, after in pairwise(masses):
            model.add(before >= after)

    def _fit(self, mine: Mapping[Key, Item]) -> None:
        """Cylinders only with a regulator for them in the same cache."""
        for key, item in mine.items():
            if item.kind != "cylinder" or not load_connections()[item.connection].needs_regulator:
                continue
            fits = [
                self.count(k) for k, i in mine.items()
                if i.kind == "regulator" and i.connection == item.connection
            ]  # fmt: skip
            if not fits:
                self.model.add(self.count(key) == 0)
            else:
                self.model.add(cp_model.LinearExpr.sum(fits) >= 1).only_enforce_if(
                    self.units[key][0]
                )


def most_loads(cache: Cache) -> int:
    """Return how many loads can be carried from a cache."""
    return MOST_LOADS if cache.carriers is None else cache.carriers


def complete_kinds(study: Study) -> list[set[ItemKind]]:
    """Return the kinds of which every load needs one: any of each set."""
    kinds: list[set[ItemKind]] = [{"cylinder"}, {"regulator"}, {"device"}]
    if all(i.connection == "built-in" for i in study.items if i.kind == "cylinder"):
        kinds.remove({"regulator"})
    offered = {item.kind for item in study.items}
    small: tuple[ItemKind, ...] = ("key", "washer")
    kinds += [{kind} for kind in small if kind in offered]
    return [kind for kind in kinds if kind & offered]


def choose(
    study: Study, wants: tuple[Want, ...], wish: Wish, settings: Settings, hint: Stock | None = None
) -> Chosen:
    """Choose a stock.

    Parameters
    ----------
    study : Study
    wants : tuple of Want
        What the samples need.
    wish : Wish
    settings : Settings
    hint : Stock or None
        To begin from.

    Raises
    ------
    SolverError
        When no stock within the limits meets the target in these samples, or none was found.
    """
    made = _Model(study)
    missed = _hold(made, wants)
    model = made.model
    if wish.is_best_reachable:
        model.minimize((COST_SCALE // SHARES) * missed)
    else:
        model.add(missed <= math.floor(wish.target * SHARES + 1e-6))
        model.minimize(_objective(made, wish))
    if hint is not None:
        for key, flags in made.units.items():
            for number, flag in enumerate(flags):
                model.add_hint(flag, number < hint.count(*key))
    variables = [*(f for flags in made.units.values() for f in flags), *made.loads.values()]
    done = solve(model, [*variables, *_as_variables(made, missed)], settings, Tuning(gap=GAP))
    return _read(made, done, wish)


def _objective(made: _Model, wish: Wish) -> cp_model.LinearExpr:
    """Return the objective in the solver's scale; a hundredth of the other one breaks ties."""
    mass, price = made.mass_g(), made.price_m()
    if wish.aim == "mass":
        return (scaled(1.0) // MILLI) * mass
    if wish.aim == "price":
        return (scaled(1.0) // MILLI) * price
    by_mass = scaled(1.0 / (wish.scale[0] * MILLI))
    by_price = scaled(1.0 / (wish.scale[1] * MILLI))
    return by_mass * mass + by_price * price


def _hold(made: _Model, wants: tuple[Want, ...]) -> cp_model.LinearExpr:
    """Say which samples are held, and return the share of those that are not."""
    model, held, shares = made.model, [], []
    levels: dict[tuple[object, ...], cp_model.IntVar] = {}
    for number, want in enumerate(wants):
        flag = model.new_bool_var(f"held {number}")
        for row in want.rows:
            key = (row.weights, row.least, want.unusable if want.unusable else None)
            if key not in levels:
                levels[key] = _met(made, want, row.weights, row.least)
            model.add_implication(flag, levels[key])
        held.append(flag)
        shares.append(round(want.share * SHARES))
    total = sum(shares)
    return total - cp_model.LinearExpr.weighted_sum(held, shares)


def _met(
    made: _Model, want: Want, weights: tuple[tuple[Key, int], ...], least: int
) -> cp_model.IntVar:
    """Return a flag that may be true only where a row is met."""
    flag = made.model.new_bool_var("met")
    flags, numbers = [], []
    for key, weight in weights:
        for j, unit in enumerate(made.units[key], start=1):
            if (key, j) not in want.unusable:
                flags.append(unit)
                numbers.append(weight)
    made.model.add(cp_model.LinearExpr.weighted_sum(flags, numbers) >= least).only_enforce_if(flag)
    return flag


def _as_variables(made: _Model, missed: cp_model.LinearExpr) -> list[cp_model.IntVar]:
    total = made.model.new_int_var(0, 2 * SHARES, "missed")
    made.model.add(total == missed)
    return [total]


def _read(made: _Model, done: Solved, wish: Wish) -> Chosen:
    counts, at = {}, 0
    for key, flags in made.units.items():
        counts[key] = sum(done.values[at : at + len(flags)])
        at += len(flags)
    loads = tuple(zip(made.loads, done.values[at : at + len(made.loads)], strict=True))
    missed = done.values[at + len(made.loads)] / SHARES
    return Chosen(
        Stock.of(counts), wish.aim, done.objective, done.bound, done.gap, missed, loads, done.status
    )


__all__ = ["Aim", "Chosen", "Wish", "choose", "complete_kinds", "most_loads"]
