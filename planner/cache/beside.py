"""What stands beside an answer: simple rules, the frontier, what binds, what if, what holds.

Everything is tried on the same fresh samples as the offers, so that differences are paired.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from planner.cache.answer import FRESH, Effort, model_wants, word_of
from planner.cache.choosing import Wish, choose
from planner.cache.picking import cost_of
from planner.cache.pictures import Draw, draw_case
from planner.cache.scene import Picture, arrival_min, scene_of, units_of
from planner.cache.study import Case, Family, Item, Stock, Study, Weather, stock_price
from planner.cache.trying import Tried, chance_of, change_of, try_stock
from planner.errors import SolverError
from planner.estimate import Estimate, chance
from planner.incident import ThreePoint
from planner.shelf import usable_l
from planner.solver import Settings
from planner.units import Pressure, Temperature

TARGETS: Final = (0.3, 0.2, 0.1, 0.05, 0.03, 0.02, 0.01)  # points of the frontier; our own
EACH: Final = 2  # cylinders a patient in the first simple rule: common practice, no source
#: What is asked "what if": our own.
LATER_MIN: Final = 30.0
COLDER_C: Final = 15.0
LOWER_PSI: Final = 200.0


@dataclass(frozen=True, slots=True)
class Point:
    """A point of the frontier: the lightest stock for a target, as operation tries it."""

    target: float
    stock: Stock
    mass_kg: float
    price: float
    chance: Estimate


@dataclass(frozen=True, slots=True)
class Simple:
    """What a simple rule would stock; ``is_within`` says whether the limits allow it."""

    rule: str
    stock: Stock
    mass_kg: float
    price: float
    chance: Estimate
    is_within: bool


@dataclass(frozen=True, slots=True)
class Change:
    """One thing changed, and the chance then; ``by`` is the paired difference."""

    what: str
    chance: Estimate
    by: Estimate
    mass_kg: float = 0.0
    price: float = 0.0
    is_within: bool = True


@dataclass(frozen=True, slots=True)
class Holds:
    """How many oxygen patients a stock holds in one case.

    Parameters
    ----------
    case : str
    patients : int
        The largest number up to which every number holds the target; 0 for none.
    most : int
        The largest number that was tried: the case's own.
    median_min : float
        Median wait from when the first cache is there until transfer.
    chances : tuple of (number of patients, Estimate)
    """

    case: str
    patients: int
    most: int
    median_min: float
    chances: tuple[tuple[int, Estimate], ...]


@dataclass(frozen=True, slots=True)
class SizeFact:
    """What a size is worth: usable litres in the study's coldest air, a kg, swaps an hour."""

    item: str
    usable_l: float
    litres_a_kg: float
    litres_a_price: float | None
    swaps_an_hour: tuple[tuple[float, float], ...]  # (flow L/min, swaps in an hour)


class Bench:
    """A stock's surroundings: the study, its fresh draws, and what was tried on them."""

    def __init__(self, study: Study, effort: Effort) -> None:
        self.study, self.effort = study, effort
        self.draws = self._drawn(study)
        self._tried: dict[Stock, list[Tried]] = {}

    def _drawn(self, study: Study) -> list[Draw]:
        effort = self.effort
        return [
            draw_case(study, c, effort.fresh_samples, effort.seed + FRESH)
            for c in range(len(study.cases))
        ]

    def tried(self, stock: Stock) -> list[Tried]:
        """Try a stock in every case, once."""
        if stock not in self._tried:
            self._tried[stock] = [try_stock(self.study, d, stock) for d in self.draws]
        return self._tried[stock]

    def tried_as(self, study: Study, stock: Stock, *, is_drawn_anew: bool = False) -> list[Tried]:
        """Try a stock in a changed study; times and weather change the draws, rules do not."""
        draws = self._drawn(study) if is_drawn_anew else self.draws
        return [try_stock(study, d, stock) for d in draws]

    def change(self, what: str, before: Stock, after: list[Tried], stock: Stock | None = None,
               ) -> Change:  # fmt: skip
        """Return what a change does; ``stock`` is the changed stock where that is the change."""
        whole, _ = chance_of(self.study, after)
        by = change_of(self.study, after, self.tried(before))
        if stock is None:
            return Change(what, whole, by)
        mass = sum(self.study.item(k[1]).mass_kg * n for k, n in stock.counts) - sum(
            self.study.item(k[1]).mass_kg * n for k, n in before.counts
        )
        price = stock_price(self.study, stock) - stock_price(self.study, before)
        is_within = cost_of(self.study, stock, Wish()) is not None
        return Change(what, whole, by, mass, price, is_within)


def simple_rules(bench: Bench) -> tuple[Simple, ...]:
    """Return the simple rules: so many cylinders a patient, and the lightest of one size only."""
    study = bench.study
    people = _nine_in_ten(bench)
    made = [(f"{EACH} cylinders a patient, {people} patients", _each(study, people))]
    made += [(f"all one size: {item}", stock) for item, stock in _one_size(bench)]
    found = []
    for rule, stock in made:
        whole, _ = chance_of(study, bench.tried(stock))
        mass = cost_of(replace(study, limits=replace(study.limits, budget=None, shelf_l=None)),
                       stock, Wish())  # fmt: skip
        bare = sum(study.item(k[1]).mass_kg * n for k, n in stock.counts)
        is_within = cost_of(study, stock, Wish()) is not None
        found.append(Simple(rule, stock, mass or bare, stock_price(study, stock), whole, is_within))
    return tuple(found)


def _nine_in_ten(bench: Bench) -> int:
    """Return the number of oxygen patients that 9 in 10 samples do not exceed."""
    counts = np.concatenate([d.num_patients for d in bench.draws])
    shares = np.concatenate([
        np.full(d.num_samples, bench.study.weights[d.case] / d.num_samples) for d in bench.draws
    ])  # fmt: skip
    order = np.argsort(counts, kind="stable")
    at = int(np.searchsorted(np.cumsum(shares[order]), 0.9))
    return max(1, int(counts[order][min(at, counts.size - 1)]))


def _kit_for(study: Study, cache: str, people: int) -> Stock:
    """Return a regulator, each kind of mask, a key and washers for so many people."""
    stock = Stock()
    for item in study.items:
        if item.kind in {"regulator", "device", "key"}:
            stock = stock.with_more(cache, item.name, min(people, item.most))
        elif item.kind == "washer":
            stock = stock.with_more(cache, item.name, min(4 * people, item.most))
    return stock


def _each(study: Study, people: int) -> Stock:
    """Return two of the first size of the study for each patient, with kit, in the first cache."""
    cache = study.caches[0].name
    first = next(i for i in study.items if i.kind == "cylinder")
    stock = _kit_for(study, cache, people)
    return stock.with_more(cache, first.name, min(EACH * people, first.most))


def _one_size(bench: Bench) -> Iterator[tuple[str, Stock]]:
    """Yield, for each size, the fewest of it alone that hold, or as many as there may be.

    With a regulator and each mask for the largest number of patients that any sample has.
    """
    study, cache = bench.study, bench.study.caches[0].name
    people = max(int(d.num_patients.max()) for d in bench.draws)
    for item in study.items:
        if item.kind != "cylinder":
            continue
        low, high = 0, item.most
        kit = _kit_for(study, cache, people)
        while low < high:  # more of one size alone is taken to hold more
            middle = (low + high) // 2
            stock = kit.with_more(cache, item.name, middle)
            is_held = chance_of(study, bench.tried(stock))[0].value <= study.target_chance
            low, high = (low, middle) if is_held else (middle + 1, high)
        yield item.name, kit.with_more(cache, item.name, low)


def frontier(bench: Bench, tell: Callable[[str], None] = lambda _: None) -> tuple[Point, ...]:
    """Return chance against mass: the model's lightest stock for each target, tried in operation.

    A point that a lighter one beats in chance is left out, so that along the frontier less chance
    never has less mass.
    """
    study, effort = bench.study, bench.effort
    wants = model_wants(study, replace(effort, model_samples=min(effort.model_samples, 200)))
    points, hint = [], None
    for target in sorted({*TARGETS, study.target_chance}, reverse=True):
        tell(f"frontier: 1 in {1 / target:.0f}")
        try:
            made = choose(study, wants, Wish("mass", target), Settings(effort.seed, 4.0), hint)
        except SolverError:
            break
        hint = made.stock
        whole, _ = chance_of(study, bench.tried(made.stock))
        mass = cost_of(study, made.stock, Wish()) or made.value
        points.append(Point(target, made.stock, mass, stock_price(study, made.stock), whole))
    points.sort(key=lambda p: (p.mass_kg, p.chance.value))
    kept: list[Point] = []
    for point in points:
        if not kept or point.chance.value < kept[-1].chance.value:
            kept.append(point)
    return tuple(kept)


def what_binds(bench: Bench, stock: Stock) -> tuple[Change, ...]:
    """Return what runs short: the chance with two more of each kind of thing, most gain first."""
    study = bench.study
    found = []
    groups = {
        "litres": ("cylinder",), "regulators": ("regulator",), "masks": ("device",),
        "keys and washers": ("key", "washer"),
    }  # fmt: skip
    for name, kinds in groups.items():
        more = stock
        for cache in study.caches:
            for item in study.items:
                if item.kind in kinds:
                    more = more.with_more(cache.name, item.name, _spare(stock, cache.name, item))
        if more != stock:
            found.append(bench.change(name, stock, bench.tried(more), more))
    handed = replace(study, cases=tuple(_with_hands(case) for case in study.cases))
    found.append(bench.change("hands", stock, bench.tried_as(handed, stock)))
    return tuple(sorted(found, key=lambda c: c.by.value))


def _spare(stock: Stock, cache: str, item: Item) -> int:
    return max(0, min(2, item.most - stock.count(cache, item.name)))


def _with_hands(case: Case) -> Case:
    return replace(case, responders=case.responders + 2) if isinstance(case, Family) else case


def next_best(bench: Bench, stock: Stock) -> tuple[Change, ...]:
    """Return each item that may be added, once, the most chance taken away first."""
    study = bench.study
    found = []
    for cache in study.caches:
        for item in study.items:
            if stock.count(cache.name, item.name) < item.most:
                more = stock.with_more(cache.name, item.name)
                what = item.name if len(study.caches) == 1 else f"{item.name} in {cache.name}"
                found.append(bench.change(what, stock, bench.tried(more), more))
    return tuple(sorted(found, key=lambda c: c.by.value))


def what_ifs(bench: Bench, stock: Stock) -> tuple[Change, ...]:
    """Return the chance with the change pressure lower, transfers later, colder, one empty."""
    study = bench.study
    found = []
    lower = study.change_at.psi - LOWER_PSI
    if lower >= study.safe_residual.psi:
        other = replace(study, change_at=Pressure(lower, "psi"))
        unit = study.change_at.unit
        now, then = study.change_at.in_unit(unit), other.change_at.in_unit(unit)
        words = f"change at {then:.0f} {unit} in place of {now:.0f}"
        found.append(bench.change(words, stock, bench.tried_as(other, stock)))
    later = replace(study, cases=tuple(_later(case) for case in study.cases))
    after = bench.tried_as(later, stock, is_drawn_anew=True)
    found.append(bench.change(f"transfers {LATER_MIN:g} min later", stock, after))
    colder = replace(study, cases=tuple(_colder(case) for case in study.cases))
    after = bench.tried_as(colder, stock, is_drawn_anew=True)
    found.append(bench.change(f"{COLDER_C:g} C colder", stock, after))
    cylinders = [k for k, _ in stock.counts if study.item(k[1]).kind == "cylinder"]
    if cylinders:
        key = max(cylinders, key=lambda k: study.item(k[1]).water_volume_l)
        fewer = stock.with_more(*key, by=-1)
        found.append(bench.change(f"one {key[1]} found empty", stock, bench.tried(fewer)))
    return tuple(found)


def _moved(time: ThreePoint | None) -> ThreePoint | None:
    return None if time is None else time.later(LATER_MIN)


def _later(case: Case) -> Case:
    """Return a case with every transfer later: typed in, after found, fallbacks, first arrivals."""
    if isinstance(case, Family):
        people = tuple(replace(p, transfer=_moved(p.transfer)) for p in case.people)
        groups = tuple(replace(g, fallback=_moved(g.fallback)) for g in case.transfer_groups)
        return replace(case, people=people, transfer_groups=groups)
    incident = case.incident
    patients = tuple(
        replace(p, transfer=_moved(p.transfer), transfer_after_found=_moved(p.transfer_after_found))
        for p in incident.patients
    )
    groups = tuple(replace(g, fallback=_moved(g.fallback)) for g in incident.transfer_groups)
    vehicles = tuple(
        replace(v, first_arrival=v.first_arrival.later(LATER_MIN)) for v in incident.vehicles
    )
    later = replace(incident, patients=patients, transfer_groups=groups, vehicles=vehicles)
    return replace(case, incident=later)


def _colder(case: Case) -> Case:
    def air(now: Temperature) -> Temperature:
        return Temperature(max(-50.0, now.c - COLDER_C), "C")

    if isinstance(case, Family):
        return replace(
            case, weather=tuple(Weather(air(w.temperature), w.chance) for w in case.weather)
        )
    incident = replace(case.incident, air_temperature=air(case.incident.air_temperature))
    return replace(case, incident=incident)


def holds(bench: Bench, stock: Stock) -> tuple[Holds, ...]:
    """Return, case by case, how many oxygen patients a stock holds, and for how long."""
    study, effort = bench.study, bench.effort
    samples = max(200, effort.fresh_samples // 4)
    found = []
    for number, case in enumerate(study.cases):
        if isinstance(case, Family):
            counts = sorted(c for c in set(case.num_patients.counts) if c > 0)
            draws = [
                (n, draw_case(study, number, samples, effort.seed + FRESH, num_patients=n))
                for n in range(1, max(counts, default=0) + 1)
            ]
        else:
            draws = [(int(bench.draws[number].num_patients.max()), bench.draws[number])]
        chances = tuple((n, chance(try_stock(study, d, stock).runs_out)) for n, d in draws)
        held = 0
        for n, one in chances:
            if word_of(one, study.target_chance) == "over the target":
                break
            held = n if one.value <= study.target_chance else held
        median = _median_wait(bench.draws[number], case)
        found.append(Holds(case.name, held, draws[-1][0] if draws else 0, median, chances))
    return tuple(found)


def _median_wait(draw: Draw, case: Case) -> float:
    """Return the median wait for transfer from when the first cache is there; inf: nobody comes."""
    waits = []
    for sight in draw.sights:
        begin = arrival_min(case, sight.picture.spot) if isinstance(case, Family) else 0.0
        needed = sight.needs.is_needed
        waits.append((sight.needs.transfer_min - begin)[needed])
    every = np.concatenate(waits) if waits else np.array([])
    return float(np.median(every)) if every.size else math.nan


def size_facts(study: Study) -> tuple[SizeFact, ...]:
    """Return litres a kg, litres for its price and swaps an hour, size by size."""
    case = study.cases[0]
    one = Stock.of({(c.name, i.name): 1 for c in study.caches for i in study.items})
    people = (0,) * len(case.people) if isinstance(case, Family) else ()
    coldest = 0
    if isinstance(case, Family):
        coldest = min(range(len(case.weather)), key=lambda k: case.weather[k].temperature.c)
    incident, state = scene_of(study, Picture(0, 0, coldest, people, people), one)
    rows = {tag: item for item, _, tag in units_of(study, one, {"cylinder"})}
    found: dict[str, SizeFact] = {}
    for cylinder in incident.cylinders:
        item = rows.get(cylinder.tag)
        if item is None or item.name in found:
            continue
        litres = usable_l(incident, state, cylinder)
        swaps = tuple((f, 60 * f / litres if litres > 0 else math.inf) for f in (6.0, 10.0, 15.0))
        by_price = litres / item.price if item.price > 0 else None
        found[item.name] = SizeFact(item.name, litres, litres / item.mass_kg, by_price, swaps)
    return tuple(found.values())


__all__ = [
    "Bench", "Change", "Holds", "Point", "Simple", "SizeFact", "frontier", "holds", "next_best",
    "simple_rules", "size_facts", "what_binds", "what_ifs",
]  # fmt: skip
