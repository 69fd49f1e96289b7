"""The core of cache planning against known values, enumeration and laws."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from planner.cache.answer import (
    Effort,
    Pick,
    _each_least,
    answer,
    model_wants,
    offer_of,
    pick_for,
    word_of,
)
from planner.cache.beside import Bench, frontier, holds, next_best, what_binds, what_ifs
from planner.cache.choosing import Wish, choose
from planner.cache.loads import pack
from planner.cache.picking import Judge, cost_of, pick, total_mass_kg
from planner.cache.pictures import draw_case, needs_with, usable_groups
from planner.cache.proving import prove
from planner.cache.reading import read_study
from planner.cache.scene import scene_of as cache_scene
from planner.cache.scene import units_of
from planner.cache.screening import Screen
from planner.cache.study import (
    KINDS,
    Cache,
    Item,
    Limits,
    NumPatients,
    Person,
    Spot,
    Stock,
    Study,
    stock_mass_kg,
)
from planner.cache.trying import chance_of, change_of, try_stock, weighted_chance
from planner.errors import SolverError
from planner.estimate import Estimate, chance
from planner.incident import ThreePoint
from planner.risk import OUT_MIN, weights_of
from planner.rules import triage_order
from planner.solver import Settings
from tests.cache_studies import (
    CANNULA,
    MASK,
    REGULATOR,
    SIMPLE,
    cylinder,
    family,
    fixed,
    three_families,
)
from tests.simpy_model import simulate

SCENARIOS = Path(__file__).parents[1] / "scenarios"

Z = 5.2  # a fair count is off by so many standard errors in 2 of 10 million (normal tails)
SETTINGS = Settings(1, 10.0)


def one_each(counts: NumPatients, most: int) -> Study:
    """Everyone needs just one D: 10 min at 15 L/min is 150 L of some 235 usable; all is exact."""
    people = (Person(1.0, "immediate", "major trauma", transfer=ThreePoint(24, 24, 24)),)
    return Study(
        name="one each",
        cases=(family("one each", 1, counts, people=people, transfer_groups=()),),
        items=(
            cylinder("D", 4.0, 100, most=most), replace(REGULATOR, most=most),
            replace(MASK, most=most),
        ),
        caches=(Cache("hut"),),
    )  # fmt: skip


def poisson(mean: float, most: int) -> NumPatients:
    chances = [math.exp(-mean) * mean**n / math.factorial(n) for n in range(most + 1)]
    return NumPatients(tuple(range(most + 1)), tuple(c / sum(chances) for c in chances))


def sets(study: Study, count: int) -> Stock:
    return Stock.of({("hut", item.name): count for item in study.items})


@pytest.mark.parametrize(
    ("mean", "held", "share"), [(5, 5, 0.6160), (5, 8, 0.9319), (10, 15, 0.9513)]
)
def test_poisson_values(mean: float, held: int, share: float) -> None:
    """P(X <= 5; 5) = .6160, P(X <= 8; 5) = .9319, P(X <= 15; 10) = .9513 (usual tables)."""
    study = one_each(poisson(mean, 30), 30)
    samples = 4000
    tried = try_stock(study, draw_case(study, 0, samples, 7), sets(study, held))
    tolerance = Z * math.sqrt(share * (1 - share) / samples) + 0.5e-4  # printed to four places
    assert abs(tried.runs_out.mean() - (1 - share)) < tolerance
    fewer = try_stock(study, draw_case(study, 0, samples, 7), sets(study, held - 1))
    assert fewer.runs_out.sum() > tried.runs_out.sum()


def test_poisson_least_number() -> None:
    """P(X > 8; 5) = .068 and P(X > 7; 5) = .133: at a target of .10 eight of each, no fewer."""
    study = replace(one_each(poisson(5, 20), 20), target_chance=0.10)
    wants = model_wants(study, Effort(model_samples=2000))
    made = choose(study, wants, Wish("mass", 0.10), SETTINGS)
    assert made.stock == sets(study, 8)
    assert made.gap <= 0.005


@pytest.mark.parametrize(("underage", "overage", "least"), [(1.0, 1.0, 16), (3.0, 1.0, 17)])
def test_newsvendor(underage: float, overage: float, least: int) -> None:
    """15..18 with .4 .2 .3 .1; critical ratio .5 (buy 1.50, sell 2.50, salvage .50) gives 16.

    A ratio of .75 gives 17. The target chance is one less the ratio.
    """
    ratio = underage / (underage + overage)
    study = one_each(NumPatients((15, 16, 17, 18), (0.4, 0.2, 0.3, 0.1)), 20)
    wants = model_wants(study, Effort(model_samples=2000))
    made = choose(study, wants, Wish("mass", 1 - ratio), SETTINGS)
    assert made.stock == sets(study, least)


def small(seed: int) -> Study:
    """A study with few enough stocks to try them all."""
    rng = np.random.default_rng(seed)
    sizes = [
        ("D", 4.0, 90.0),
        ("jumbo D", 4.6, 170.0),
        ("M9", 2.1, 60.0),
        ("aluminium E", 5.0, 150.0),
    ]
    picked = [sizes[k] for k in rng.permutation(4)[:2]]
    people = (
        Person(0.6, "immediate", "major trauma", transfer=ThreePoint(30, 45, 70)),
        Person(0.4, "immediate", "major trauma", transfer=ThreePoint(25, 35, 60)),
    )  # fmt: skip
    counts = NumPatients((1, 2), (0.6, 0.4))
    return Study(
        name=f"small {seed}",
        cases=(
            family("a", 2, counts, people=people, transfer_groups=()),
            family("b", 1, fixed(1), people=people, transfer_groups=(), responders=1),
        ),
        items=(
            *(cylinder(n, m, p, most=5, unusable_chance=0.03 * (seed % 2)) for n, m, p in picked),
            replace(REGULATOR, most=3), replace(MASK, most=2),
        ),
        caches=(Cache("hut"),),
        target_chance=float(rng.choice([0.08, 0.15, 0.25])),
        limits=Limits(load_kg=14.0, pack_kg=1.5),
    )  # fmt: skip


@pytest.mark.parametrize("aim", ["mass", "price"])
@pytest.mark.parametrize("seed", [2, 4])
def test_enumeration(seed: int, aim: str) -> None:
    """The stock picked is the least of all that hold on the same samples, every one tried."""
    study = small(seed)
    effort = Effort(seed=seed)
    wish = Wish("mass" if aim == "mass" else "price", study.target_chance)
    draws = [draw_case(study, c, 150, seed) for c in range(2)]
    wants = model_wants(study, replace(effort, model_samples=150))
    judge = Judge(study, draws, screen=Screen.of(study, wants))
    starts = [
        choose(study, wants, replace(wish, target=wish.target * k), SETTINGS).stock
        for k in (1, 0.6)
    ]
    got = pick(study, judge, starts, wish)
    assert got is not None
    costs = []
    ranges = [range(item.most + 1) for item in study.items]
    for counts in itertools.product(*ranges):
        stock = Stock.of({("hut", i.name): n for i, n in zip(study.items, counts, strict=True)})
        cost = cost_of(study, stock, wish)
        if cost is not None:
            costs.append((cost, stock))
    found = cost_of(study, got, wish)
    assert found is not None
    cheaper = [stock for cost, stock in costs if cost < found - 1e-9]
    held = [s for s in cheaper if judge.chance(s) <= wish.target and pack(study, s, "hut")]
    assert held == []
    assert judge.chance(got) <= wish.target
    if aim == "mass":
        tried = [(judge.chance(s) <= wish.target, cost, s) for cost, s in costs if cost <= found]
        least = min(cost for holds, cost, s in tried if holds and pack(study, s, "hut"))
        _check_proof(study, judge, got, wish, least)


def _check_proof(study: Study, judge: Judge, got: Stock, wish: Wish, least: float) -> None:
    """The bound is under every stock that holds, and a heavier start comes down to the same."""
    same, proof = prove(study, judge, got, (wish, wish))
    assert same == got
    assert proof.is_whole
    assert proof.bound_kg <= least + 1e-9
    assert proof.bound_kg > 0.9 * least
    heavier = got.with_more("hut", study.items[0].name, 2)
    lighter, again = prove(study, judge, heavier, (wish, wish))
    assert total_mass_kg(study, lighter) == pytest.approx(least)
    assert again.bound_kg == pytest.approx(proof.bound_kg)


def test_more_kit_lets_nobody_run_out_who_does_not_with_less() -> None:
    """What the bound on lighter stocks takes for granted, on random stocks of small studies."""
    rng = np.random.default_rng(20_271)
    for seed in range(1, 5):
        study = small(seed)
        draws = [draw_case(study, c, 100, seed) for c in range(2)]
        for _ in range(12):
            counts = {("hut", i.name): int(rng.integers(0, i.most + 1)) for i in study.items}
            full = counts | {
                ("hut", i.name): i.most for i in study.items if i.kind != "cylinder"
            }  # fmt: skip
            before = [try_stock(study, d, Stock.of(counts)) for d in draws]
            after = [try_stock(study, d, Stock.of(full)) for d in draws]
            for b, a in zip(before, after, strict=True):
                assert not (a.runs_out & ~b.runs_out).any()


def test_looser_targets_need_no_more() -> None:
    study = three_families()
    wants = model_wants(study, Effort(model_samples=40))
    made = [choose(study, wants, Wish("mass", t), SETTINGS) for t in (0.5, 0.3)]
    for loose, tight in itertools.pairwise(made):
        assert loose.bound <= tight.value + 1e-9
        assert loose.value <= tight.value * 1.005 + 1e-9  # each within half a per cent of least


def test_more_of_everything_helps_in_the_model_and_nested_units_in_operation() -> None:
    study = small(1)
    draws = [draw_case(study, c, 300, 5) for c in range(2)]
    base = Stock.of({("hut", study.items[0].name): 2, ("hut", "regulator"): 2, ("hut", "mask"): 2})
    more = base.with_more("hut", study.items[0].name)
    before = [try_stock(study, d, base) for d in draws]
    after = [try_stock(study, d, more) for d in draws]
    assert change_of(study, after, before).value < 0
    for b, a in zip(before, after, strict=True):
        assert not (a.runs_out & ~b.runs_out).any()  # one size only: nobody takes a worse one


def test_ample_stock_never_runs_out_and_none_always_does() -> None:
    study = one_each(fixed(3), 6)
    draw = draw_case(study, 0, 50, 1)
    assert not try_stock(study, draw, sets(study, 3)).runs_out.any()
    assert try_stock(study, draw, sets(study, 2)).runs_out.all()
    assert try_stock(study, draw, Stock()).runs_out.all()
    no_masks = Stock.of({("hut", "D"): 3, ("hut", "regulator"): 3})
    assert try_stock(study, draw, no_masks).runs_out.all()


def test_a_far_cache_does_not_feed_the_first_minutes() -> None:
    """Near is there at 14, far at 40 and the transfer at 60: 46 min at 15 L/min need 690 L.

    A D holds some 235: three in the near one do it, and the far one alone never.
    """
    study = one_each(fixed(1), 6)
    case = study.cases[0]
    people = (Person(1.0, "immediate", "major trauma", transfer=ThreePoint(60, 60, 60)),)
    spot = Spot("slope", 1.0, (("hut", 14.0), ("valley", 40.0)))
    study = replace(
        study, cases=(replace(case, people=people, spots=(spot,)),),
        caches=(Cache("hut"), Cache("valley")),
        uncertainty=replace(study.uncertainty, flow_setting=0.0),
    )  # fmt: skip
    kit = {("hut", "regulator"): 1, ("hut", "mask"): 1}
    draw = draw_case(study, 0, 20, 3)
    far = Stock.of({**kit, ("valley", "D"): 6})
    near = Stock.of({**kit, ("hut", "D"): 3})
    both = Stock.of({**kit, ("hut", "D"): 2, ("valley", "D"): 1})
    assert try_stock(study, draw, far).runs_out.all()
    assert not try_stock(study, draw, near).runs_out.any()
    assert not try_stock(study, draw, both).runs_out.any()
    wants = model_wants(study, Effort(model_samples=20))
    made = choose(study, wants, Wish("mass", 0.0), SETTINGS)
    assert made.stock.count("hut", "D") >= 2  # 26 min before the far one is there: 390 L


def test_washers_are_counted_and_loads_can_be_laid_without_keys() -> None:
    """Two people need a D each: two washers, where the study has any; one of them is too few."""
    study = one_each(fixed(2), 4)
    washer = Item(name="washer", kind="washer", mass_kg=0.01, most=4)
    with_them = replace(study, items=(*study.items, washer), limits=Limits(load_kg=12.0))
    draw = draw_case(with_them, 0, 20, 1)
    for count, is_out in ((0, True), (1, True), (2, False)):
        stock = sets(study, 2).with_more("hut", "washer", count)
        assert try_stock(with_them, draw, stock).runs_out.all() == is_out
    made = choose(with_them, model_wants(with_them, Effort(model_samples=20)), Wish(), SETTINGS)
    assert made.stock.count("hut", "washer") == 2
    assert made.stock.count("hut", "D") == 2
    assert pack(with_them, made.stock, "hut") is not None


@pytest.mark.parametrize("case", [0, 1])
def test_a_stock_is_tried_as_each_sample_alone_would_go(case: int) -> None:
    """Beside the process model, sample by sample: people found at different minutes, one hut.

    What was drawn for a sample must stay with it when samples are taken together by picture and
    by which units are unusable.
    """
    study = read_study(SCENARIOS / "serrin-hut-study.toml")
    draw = draw_case(study, case, 60, 5)
    stock = Stock.of({(study.caches[0].name, i.name): min(i.most, 2) for i in study.items})
    tried = try_stock(study, draw, stock)
    tags = [tag for _, _, tag in units_of(study, stock, KINDS)]
    starts, seen = set(), 0
    for sight in (s for s in draw.sights if s.bare.patients):
        for unusable, where in usable_groups(draw, sight, tags):
            incident, state = cache_scene(study, sight.picture, stock, unusable)
            policy = triage_order(incident, state)
            tiers = weights_of(incident).tier.tolist()
            people = zip(incident.patients, tiers, strict=True)
            counted = [patient.tag for patient, tier in people if tier <= 2]
            for at in where:
                needs = needs_with(draw, sight, incident, np.array([at]))
                alone = simulate(incident, state, policy, needs, 0)
                minutes = [alone.minutes_out[tag] for tag in counted]
                row = sight.rows[at]
                assert tried.minutes_out[row] == pytest.approx(sum(minutes), abs=1e-6)
                assert tried.runs_out[row] == any(m > OUT_MIN for m in minutes)
                starts |= set(needs.start_min[needs.is_needed])
                seen += 1
    assert seen > 40
    assert len(starts) > 5
    assert 0 < tried.runs_out.sum() < seen


def test_unusable_units_count() -> None:
    """With a chance q of an empty cylinder and one that is needed, the chance is q."""
    study = one_each(fixed(1), 1)
    items = (replace(study.items[0], unusable_chance=0.2), *study.items[1:])
    study = replace(study, items=items)
    samples = 4000
    share = try_stock(study, draw_case(study, 0, samples, 2), sets(study, 1)).runs_out.mean()
    assert abs(share - 0.2) < Z * math.sqrt(0.16 / samples)


def test_loads_are_complete_and_carried() -> None:
    study = three_families()
    stock = Stock.of({
        ("hut", "aluminium D"): 5, ("hut", "jumbo D"): 4, ("hut", "regulator"): 4,
        ("hut", "mask"): 3, ("hut", "simple mask"): 3,
    })  # fmt: skip
    loads = pack(study, stock, "hut")
    assert loads is not None
    total: dict[tuple[str, str], int] = {}
    for load in loads:
        kinds = {study.item(name).kind for name, _ in load}
        assert kinds >= {"cylinder", "regulator", "device"}
        mass = sum(study.item(name).mass_kg * n for name, n in load)
        assert mass + study.limits.pack_kg <= 18.0
        for name, n in load:
            total["hut", name] = total.get(("hut", name), 0) + n
    assert Stock.of(total) == stock
    heavy = stock.with_more("hut", "E", 8)  # 92 kg in four loads of 16.2
    assert stock_mass_kg(study, heavy) > 4 * 16.2
    assert pack(study, heavy, "hut") is None


def test_impossible_target_tells_the_best_reachable() -> None:
    limits = Limits(18.0, 1.8, 500.0)
    study = replace(small(1), target_chance=0.01, limits=limits)
    effort = Effort(model_samples=60, choosing_samples=200, fresh_samples=400)
    got = answer(study, effort)
    assert got.offers == ()
    assert got.reachable is not None
    assert got.reachable.price <= 500
    assert got.reachable.word == "over the target"
    bench = Bench(study, effort)
    assert what_binds(bench, got.reachable.stock)[0].what == "litres"
    assert not all(change.is_within for change in next_best(bench, got.reachable.stock))
    with pytest.raises(SolverError):
        choose(study, model_wants(study, effort), Wish("mass", 0.01), SETTINGS)


@pytest.fixture(scope="module")
def small_answer() -> tuple[Study, Effort]:
    study = small(2)
    return study, Effort(model_samples=150, choosing_samples=600, fresh_samples=3000)


def test_what_is_told_of_an_offer_holds_on_samples_of_its_own(
    small_answer: tuple[Study, Effort],
) -> None:
    study, effort = small_answer
    got = answer(study, effort)
    light = got.offers[0]
    assert light.name == "lightest"
    assert light.chance.low <= study.target_chance
    for less in light.one_less:
        assert less.word in {"over the target", "undecided within the interval"}
    other = offer_of(study, replace(effort, seed=99), "again", light.stock, has_less=False)
    gap = abs(other.chance.value - light.chance.value)
    p = light.chance.value
    assert gap < Z * math.sqrt(2 * p * (1 - p) / (2 * effort.fresh_samples)) + 1e-9
    again = answer(study, effort)
    assert [o.stock for o in again.offers] == [o.stock for o in got.offers]
    assert [o.chance for o in again.offers] == [o.chance for o in got.offers]


def test_what_stands_beside(small_answer: tuple[Study, Effort]) -> None:
    study, effort = small_answer
    effort = replace(effort, fresh_samples=600)
    bench = Bench(study, effort)
    name = study.items[0].name
    stock = Stock.of({("hut", name): 3, ("hut", "regulator"): 2, ("hut", "mask"): 2})
    ifs = {c.what.split(" ")[0]: c for c in what_ifs(bench, stock)}
    assert ifs["transfers"].by.value > 0
    assert ifs["one"].by.value > 0
    assert ifs["change"].by.value <= 0
    points = frontier(bench)
    for left, right in itertools.pairwise(points):
        assert left.mass_kg <= right.mass_kg
        assert left.chance.value > right.chance.value
    for one in holds(bench, stock):
        values = [c.value for _, c in one.chances]
        assert values == sorted(values)  # more patients on the same stock, run out no less often


def test_weighted_chance_is_the_parts_own_where_there_is_one() -> None:
    part = chance(np.array([True] * 3 + [False] * 97))
    whole = weighted_chance((1.0,), [part])
    assert (whole.value, whole.low, whole.high) == pytest.approx((part.value, part.low, part.high))
    half = weighted_chance((0.5, 0.5), [part, part])
    assert half.high - half.low < whole.high - whole.low


def test_words_of_a_chance() -> None:
    assert word_of(Estimate(0.03, 0.02, 0.04, 9), 0.05) == "holds"
    assert word_of(Estimate(0.05, 0.04, 0.06, 9), 0.05) == "undecided within the interval"
    assert word_of(Estimate(0.07, 0.06, 0.08, 9), 0.05) == "over the target"


def test_stock_counts() -> None:
    with pytest.raises(ValueError, match="0 or more"):
        Stock.of({("hut", "D"): -1})
    assert Stock.of({("hut", "D"): 0}) == Stock()
    item: Item = CANNULA
    assert item.kind == "device"
    study = three_families()
    whole, parts = chance_of(
        study, [try_stock(study, draw_case(study, c, 20, 1), Stock()) for c in range(3)]
    )
    assert whole.value == 1.0
    assert len(parts) == 3


def test_no_offer_is_lighter_than_the_lightest_or_cheaper_than_the_cheapest() -> None:
    """Picks are found one by one; an aim takes over what another one found."""
    study = three_families()
    heavy = Stock.of({("hut", "E"): 2, ("hut", "regulator"): 1, ("hut", "mask"): 1})
    dear = Stock.of({("hut", "jumbo D"): 2, ("hut", "regulator"): 1, ("hut", "mask"): 1})
    cheap = Stock.of({("hut", "M9"): 1, ("hut", "regulator"): 1, ("hut", "mask"): 1})
    named = [("lightest", Pick("mass", dear, None)), ("cheapest", Pick("price", heavy, None)),
             ("between", Pick("both", cheap, None))]  # fmt: skip
    assert _each_least(study, named) == [("lightest", cheap, None), ("cheapest", cheap, None)]


def test_one_size_alone_is_thought_of() -> None:
    """Jumbo D alone is less here than what exchanges from a mixture find."""
    counts = NumPatients((1, 2), (0.7, 0.3))
    study = Study(
        name="tiny",
        cases=(family("a", 3, counts), family("b", 1, fixed(1))),
        items=(
            cylinder("jumbo D", 4.4, 150, most=8), cylinder("aluminium E", 4.5, 160, most=8),
            REGULATOR, MASK, SIMPLE,
        ),
        caches=(Cache("hut", 3),),
        limits=Limits(load_kg=18.0, pack_kg=1.8, budget=6000.0),
    )  # fmt: skip
    effort = Effort(model_samples=60, choosing_samples=300, fresh_samples=300)
    got = pick_for(study, effort, Wish("price", 0.05))
    assert got.stock is not None
    draws = [draw_case(study, c, 300, effort.seed + 1) for c in range(2)]
    judge = Judge(study, draws)
    for size in ("jumbo D", "aluminium E"):
        for count in range(1, 9):
            kit = {("hut", "regulator"): 2, ("hut", "mask"): 2, ("hut", "simple mask"): 2}
            alone = Stock.of({**kit, ("hut", size): count})
            cost = cost_of(study, alone, Wish("price"))
            if cost is not None and judge.chance(alone) <= 0.04 and pack(study, alone, "hut"):
                found = cost_of(study, got.stock, Wish("price"))
                assert found is not None
                assert found <= cost


def test_an_item_that_only_completes_a_load_is_told_as_that() -> None:
    """Two loads of one D each want a key each; with one nobody runs out, but a load lacks it."""
    study = one_each(fixed(2), 4)
    key = Item(name="key", kind="key", mass_kg=0.1, most=4)
    study = replace(study, items=(*study.items, key), limits=Limits(load_kg=6.0, pack_kg=1.0))
    stock = sets(study, 2)
    offer = offer_of(study, Effort(fresh_samples=100), "two loads", stock)
    words = {less.item: less.word for less in offer.one_less}
    assert len(offer.loads[0][1]) == 2
    assert words["key"] == "a load would not be complete"
    assert words["D"] == "over the target"
