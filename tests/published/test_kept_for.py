"""Cylinders kept for Immediates against the newsvendor, judged by operation.

The incident: one Delayed breathes from the start and needs more than there is (ample lower
demand); with k cylinders kept it gets all but k of the reserve and leaves at ``T``. One Immediate
is found at T and needs X cylinders, with X drawn. Swaps take no time, so minutes out are

    Delayed:   constant + k cylinders' minutes     Immediate:   max(X - k, 0) cylinders' minutes

and with minute weights w1 (Immediate) and w2 (Delayed) J(k) = constant + w2 k + w1 E max(X - k, 0),
the newsvendor's cost with overage w2 and underage w1 - w2 (K. Littlewood's protection level). Its
least k has P(X <= k) >= 1 - w2/w1 = underage / (underage + overage). The chance of the last tier
is 1 for every k, since the Delayed always runs out; the other tiers have no weight here.

Nothing is left to chance: X takes the (i + 1/2)/n points of its law, so that its distribution
function is met within 1/(2n) and the test cannot fail by the luck of a draw.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from planner.allocation.search import Effort, Search
from planner.allocation.sketch import Board, plain_sketch
from planner.demand import Floats, sample
from planner.incident import Incident, Priorities
from planner.operation.judge import Bench
from planner.policy import KeptFor, Policy, Promise
from planner.state import initial_state
from planner.workflow import judge_on
from tests.rule_incidents import THREAD, cyl, hand, masks, on, pat, plan, reg, world

NAHMIAS = "Nahmias, Production and Operations Analysis, newsvendor with N(11.73, 4.74), P"
FOUR_POINTS = "15..18 w.p. .4 .2 .3 .1, buy 1.50, sell 2.50, salvage .50, P"
POISSON = "Poisson tables, P"
CYLINDER_MIN = 10.0  # 100 L at 10 L/min
Law = Callable[[Floats], Floats]


def newsvendor(num_cylinders: int, immediate: float, delayed: float) -> Incident:
    """The incident of this module's docstring, ``num_cylinders`` in the reserve at the start."""
    leaves_min = CYLINDER_MIN * (num_cylinders + 2)  # one on, the reserve, and still short
    return world(
        [pat("D", "delayed", gone=leaves_min), pat("I", found=leaves_min, gone=1e5)],
        [cyl(f"c{k}", 100) for k in range(num_cylinders + 1)],
        [reg("r1"), reg("r2")],
        [hand("R1"), hand("R2")],
        devices=(masks(2),),
        swap_min=0.0,
        swap_gap_min=0.0,
        horizon_min=leaves_min + CYLINDER_MIN * (2 * num_cylinders + 2),
        priorities=Priorities(
            tier_weights=(0.0, 0.0, 1.0), minute_weights=(immediate / 1e3, delayed / 1e3, 0.0)
        ),
    )


def bench_of(incident: Incident, demand: Floats) -> Bench:
    """The incident with the Immediate's need, in cylinders, by sample."""
    state = initial_state(incident)
    needs = sample(incident, state, demand.size, 1)
    transfer_min = needs.transfer_min.copy()
    # A need of nothing leaves the moment it is found.
    transfer_min[1] = needs.start_min[1] + CYLINDER_MIN * np.maximum(demand, 0.0)
    needed = needs.is_needed.copy()
    needed[1] = demand > 0
    return Bench.of(incident, state, replace(needs, transfer_min=transfer_min, is_needed=needed))


def keeping(incident: Incident, number: int) -> Policy:
    kept = (KeptFor(None, THREAD, "immediate", number),) if number else ()
    order = tuple(c.tag for c in incident.cylinders[1:])
    promise = Promise("I", "r2", "non-rebreather adult 2")
    return plan(incident, on("D", "c0", "r1"), order=order, promises=(promise,), kept=kept)


def spread(law: Law, count: int = 2000) -> Floats:
    """The (i + 1/2)/n points of a law, in a fixed random order."""
    points = law((np.arange(count) + 0.5) / count)
    return np.random.default_rng(1).permutation(np.asarray(points, dtype=np.float64))


def costs(bench: Bench, numbers: Sequence[int]) -> Floats:
    judge = judge_on(bench)
    size = bench.needs.num_samples
    return np.array([float(np.mean(judge(keeping(bench.incident, k), 0, size))) for k in numbers])


def test_incident_costs_what_the_newsvendor_pays() -> None:
    # Four points of demand at once, 20 in the reserve, minute weights .002 and .001: somebody is
    # out for certain (1), the Delayed ten minutes for each kept and ten more, its ample demand, the
    # Immediate ten minutes for each one lacking.
    incident = newsvendor(20, 2.0, 1.0)
    demand = np.array([15.0, 16.0, 17.0, 18.0])
    bench = bench_of(incident, demand)
    for k in (0, 1, 15, 16, 18, 20):
        minutes = bench.minutes_out(keeping(incident, k), 0, 4)
        assert minutes[0] == pytest.approx(np.full(4, 10.0 * (k + 1)), abs=1e-6)
        assert minutes[1] == pytest.approx(10 * np.maximum(demand - k, 0), abs=1e-6)
        expected = 1 + 0.001 * minutes[0] + 0.002 * minutes[1]
        assert judge_on(bench)(keeping(incident, k), 0, 4) == pytest.approx(expected, abs=1e-9)


def test_four_point_newsvendor() -> None:
    # Underage 2.50 - 1.50 = 1, overage 1.50 - .50 = 1: ratio .5, F(15) = .4, F(16) = .6: 16.
    # Costs about it: 15 + 2 x 1.1 = 17.2, 16 + 2 x .5 = 17, 17 + 2 x .1 = 17.2: a clear minimum.
    demand = np.repeat([15.0, 16.0, 17.0, 18.0], [4, 2, 3, 1])
    bench = bench_of(newsvendor(24, 2.0, 1.0), demand)
    found = costs(bench, range(25))
    assert int(np.argmin(found)) == 16, FOUR_POINTS
    assert found[15] - found[16] == pytest.approx(0.2 * 0.01, abs=1e-9)
    assert found[17] - found[16] == pytest.approx(0.2 * 0.01, abs=1e-9)
    # Twin: with underage 3 the ratio is .75, F(16) = .6, F(17) = .9: 17.
    assert int(np.argmin(costs(bench_of(newsvendor(24, 4.0, 1.0), demand), range(25)))) == 17


def test_normal_newsvendor() -> None:
    # Ratio 50/65 = .769, z = .7363, 11.73 + 4.74 x .7363 = 15.22, printed 15.2. A cylinder is a
    # fifth of a unit here, so 15.2 is 76 of them, and 75 or 77 would read 15.0 and 15.4. 15.22 lies
    # .02 from 76 and .18 from 77, and J is convex, so no other number can be the least. The law is
    # met within 1/2000, which is .007 of a unit there (density .062 by unit).
    demand = 5 * spread(stats.norm(11.73, 4.74).ppf, 1000)
    bench = bench_of(newsvendor(110, 65.0, 15.0), demand)
    numbers = [*range(0, 70, 10), *range(70, 83), 90, 100, 110]
    found = costs(bench, numbers)
    best = numbers[int(np.argmin(found))]
    assert best / 5 == pytest.approx(15.2, abs=1e-9), NAHMIAS
    rises = np.diff(found) / np.diff(numbers)
    assert (np.diff(rises) > -1e-9).all()  # convex, so that the coarse steps hide no other
    # Twin: at equal weights nothing is worth keeping.
    even = bench_of(newsvendor(110, 15.0, 15.0), demand)
    assert int(np.argmin(costs(even, [0, 40, 60, 76]))) == 0


@pytest.mark.parametrize(
    ("mean", "number", "printed"), [(5, 5, 0.6160), (5, 8, 0.9319), (10, 15, 0.9513)]
)
def test_poisson_protection_levels(mean: int, number: int, printed: float) -> None:
    """P(X <= 5; 5) = .6160, P(X <= 8; 5) = .9319, P(X <= 15; 10) = .9513 (Poisson tables, P).

    A ratio .001 under the printed chance is met by the number, one .001 above it is not: the next
    one is least. With 2000 points the law is met within .00025, the print within .00005.
    """
    demand = spread(stats.poisson(mean).ppf)
    around = range(max(0, number - 3), number + 4)
    for off, expected in ((-0.001, number), (0.001, number + 1)):
        ratio = printed + off
        bench = bench_of(newsvendor(26, 100.0, 100.0 * (1 - ratio)), demand)
        found = costs(bench, around)
        assert around[int(np.argmin(found))] == expected, POISSON


def test_search_finds_the_protection_level() -> None:
    # Poisson(5) at a ratio of .55: F(4) = .4405, F(5) = .6160: 5. The search may change anything
    # else as well, begins with nothing kept and sees J alone.
    bench = bench_of(newsvendor(16, 100.0, 45.0), spread(stats.poisson(5).ppf))
    board = Board.of(bench.incident, bench.state)
    effort = Effort(60, bench.needs.num_samples, 3)
    found = Search(board, judge_on(bench), effort).run([plain_sketch(board)])
    assert {k.num_cylinders for k in found.policy.kept_for} == {5}
    assert float(np.mean(found.objective)) == pytest.approx(costs(bench, [5])[0], abs=1e-9)
