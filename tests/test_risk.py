"""Chances against closed forms, through operation; intervals, tiers and J against hand results.

Contents by handbook at 0.1 L/psi as in tests/rule_incidents.py: ``cyl(tag, 100)`` has 100 L above
the change pressure, 10 min at 10 L/min, and 30 L of buffer, 3 min more. A swap's new flow begins a
minute after its start; that minute is not out. Every statistical comparison fails a right program
with a chance of at most 1e-7.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from planner.demand import Floats, sample
from planner.estimate import Estimate, chance, difference, mean
from planner.incident import (
    Incident,
    Option,
    Patient,
    Phase,
    Priorities,
    ThreePoint,
    TransferGroup,
    Uncertainty,
)
from planner.operation.judge import Outcome, operate
from planner.policy import Policy
from planner.risk import Lasts, Risk, chance_out_by, lasts_until, risk_of
from planner.state import initial_state
from planner.units import Pressure
from tests.rule_incidents import NRB, at, cyl, flows, hand, masks, on, pat, plan, reg, world
from tests.statistics import (
    assert_chance,
    assert_mean,
    count_law,
    cover_chance,
    wilson,
)

N = 200_000
Z90 = float(stats.norm.ppf(0.9))


def lognormal(median: float, ratio: float = 1.6) -> tuple[ThreePoint, Any]:
    """A three-point time with equal halves, and the same as scipy's lognormal."""
    time = ThreePoint(median / ratio, median, median * ratio)
    return time, stats.lognorm(math.log(ratio) / Z90, scale=median)


def leaving(tag: str, time: ThreePoint | None, **more: Any) -> Patient:
    return replace(pat(tag, more.pop("triage", "immediate"), **more), transfer=time)


def outcome_of(incident: Incident, policy: Policy, num: int = N) -> Outcome:
    state = initial_state(incident)
    return operate(incident, state, policy, sample(incident, state, num, 11))


def hits(estimate: Estimate) -> int:
    return round(estimate.value * estimate.samples)


# ----- closed forms -----------------------------------------------------------------------------


@pytest.mark.parametrize("median", [5.0, 9.0, 20.0])
def test_one_patient_one_cylinder(median: float) -> None:
    # Due at 10 with nothing to take: out exactly where transport comes later than that.
    time, law = lognormal(median)
    incident = world([leaving("P", time)], [cyl("c1", 100)], horizon_min=400.0)
    policy = plan(incident, on("P", "c1", "r1"))
    outcome = outcome_of(incident, policy)
    risk = risk_of(incident, policy, outcome)
    assert_chance(hits(risk.anyone), N, float(law.sf(10)))
    # E[min(T, h)] is the integral of the survival up to h; the horizon is beyond 8 sd.
    minutes = np.linspace(10, 400, 400_001)
    assert_mean(outcome.minutes_out[0], float(np.trapezoid(law.sf(minutes), minutes)))


def test_nobody_to_swap_breathes_the_buffer_first() -> None:
    # A second cylinder lies there and no hands: out at 13, where the buffer ends, not at 10.
    time, law = lognormal(12.0)
    incident = world([leaving("P", time)], [cyl("c1", 100), cyl("c2", 100)], responders=())
    policy = plan(incident, on("P", "c1", "r1"))
    risk = risk_of(incident, policy, outcome_of(incident, policy))
    assert_chance(hits(risk.anyone), N, float(law.sf(13)))


def test_readings_and_dials_that_may_be_off() -> None:
    # Due when (100 + .1 e) / (10 k) minutes have passed: e the gauge error, k the flow factor.
    # Gauss-Hermite over both; k below .5 is 5 sd away and adds less than 3e-7.
    time, law = lognormal(11.0)
    unsure = Uncertainty(shared_delay=0.0, flow_setting=0.1, gauge=Pressure(50.0, "psi"))
    incident = world([leaving("P", time)], [cyl("c1", 100)], uncertainty=unsure)
    policy = plan(incident, on("P", "c1", "r1"))
    nodes, weights = np.polynomial.hermite_e.hermegauss(60)
    weights = weights / weights.sum()
    e, k = np.meshgrid(nodes * 50, np.maximum(1 + 0.1 * nodes, 0.5))
    expected = float(weights @ law.sf((100 + 0.1 * e) / (10 * k)) @ weights)
    assert abs(expected - float(law.sf(10))) > 0.001  # it tells from the certain one
    risk = risk_of(incident, policy, outcome_of(incident, policy))
    assert_chance(hits(risk.anyone), N, expected)


def several(medians: list[float], **more: Any) -> tuple[Incident, Policy, list[Any]]:
    laws = [lognormal(m) for m in medians]
    tags = [f"P{k}" for k in range(len(medians))]
    group = {"transfer_group": "g"} if "transfer_groups" in more else {}
    incident = world(
        [leaving(t, time, **group) for t, (time, _) in zip(tags, laws, strict=True)],
        [cyl(f"c{t}", 100) for t in tags],
        [reg(f"r{t}") for t in tags],
        **more,
    )
    policy = plan(incident, *(on(t, f"c{t}", f"r{t}") for t in tags))
    return incident, policy, [law for _, law in laws]


def test_several_independent_patients_multiply() -> None:
    incident, policy, laws = several([4.0, 6.0, 7.0, 8.0])
    outcome = outcome_of(incident, policy)
    risk = risk_of(incident, policy, outcome)
    assert_chance(hits(risk.anyone), N, 1 - math.prod(float(law.cdf(10)) for law in laws))
    for row, law in zip(risk.by_patient, laws, strict=True):
        assert_chance(hits(row.chance), N, float(law.sf(10)))


def test_fully_shared_delay_does_not_multiply() -> None:
    # One score for all: somebody is out exactly where the one with the latest median is.
    incident, policy, laws = several(
        [4.0, 6.0, 7.0, 8.0],
        transfer_groups=(TransferGroup("g"),),
        uncertainty=Uncertainty(1.0, 0.0, Pressure(0.0, "psi")),
    )
    risk = risk_of(incident, policy, outcome_of(incident, policy))
    assert_chance(hits(risk.anyone), N, float(laws[-1].sf(10)))


ROUNDS = 9  # swaps due at 10, 21, .. 98: the last before the horizon of 100


def test_shared_cylinders_are_a_convolution() -> None:
    # Four patients, ten equal cylinders of 10 min, gap 1: all swaps fall due together at 10, 21,
    # .., so a patient transferred at T draws 1 + #{m >= 0: T > 10 + 11 m}, whatever the others
    # do. Hands for everyone. Somebody is out exactly where the draws together exceed ten.
    incident, policy, pmf = sharing(("immediate",) * 4)
    draws = np.ones(1)
    for _ in range(4):
        draws = np.convolve(draws, pmf)
    more_than_ten = float(draws[11:].sum())
    assert 0.02 < more_than_ten < 0.98
    risk = risk_of(incident, policy, outcome_of(incident, policy))
    assert_chance(hits(risk.anyone), N, more_than_ten)


def test_shared_cylinders_go_to_immediates_first() -> None:
    # The same, two of them Delayed and first in the file: by enumeration of all 10^4 draws.
    incident, policy, pmf = sharing(("delayed", "delayed", "immediate", "immediate"))
    anyone = immediate = 0.0
    for counts in itertools.product(range(1, ROUNDS + 2), repeat=4):
        p = math.prod(float(pmf[c]) for c in counts)
        any_out, immediate_out = _first_come(counts, 10)
        anyone += p * any_out
        immediate += p * immediate_out
    assert immediate < anyone - 0.02
    risk = risk_of(incident, policy, outcome_of(incident, policy))
    assert_chance(hits(risk.anyone), N, anyone)
    assert_chance(hits(risk.immediate), N, immediate)
    assert_chance(hits(risk.immediate_or_delayed), N, anyone)


def _first_come(counts: tuple[int, ...], stock: int) -> tuple[bool, bool]:
    """Who finds none, round by round; the last two are Immediate and come first."""
    any_out = immediate_out = False
    for number in range(1, ROUNDS + 2):
        wanting = [c >= number for c in counts]
        first, all_ = sum(wanting[2:]), sum(wanting)
        immediate_out |= first > stock
        any_out |= all_ > stock
        stock = max(0, stock - all_)
    return any_out, immediate_out


def sharing(triages: tuple[Any, ...]) -> tuple[Incident, Policy, Floats]:
    """Four patients on ten cylinders, and the law of one patient's draws (index: how many)."""
    time, law = lognormal(15.0, 2.0)
    tags = [f"P{k}" for k in range(4)]
    incident = world(
        [leaving(t, time, triage=triage) for t, triage in zip(tags, triages, strict=True)],
        [cyl(f"c{k}", 100) for k in range(10)],
        [reg(f"r{t}") for t in tags],
        [hand(f"R{t}") for t in tags],
    )
    policy = plan(
        incident,
        *(on(t, f"c{k}", f"r{t}") for k, t in enumerate(tags)),
        order=tuple(f"c{k}" for k in range(4, 10)),
    )
    beyond = [1.0, *(float(law.sf(10 + 11 * m)) for m in range(ROUNDS)), 0.0]
    pmf = np.array([0.0, *(a - b for a, b in itertools.pairwise(beyond))])
    assert pmf.sum() == pytest.approx(1)
    return incident, policy, pmf


def test_fixed_times_by_hand() -> None:
    # c1 from 0 to 10, gap, c2 from 11 to 21, then nothing until 35: 14 min out, in every sample.
    incident = world([pat("P", gone=35)], [cyl("c1", 100), cyl("c2", 100)])
    policy = plan(incident, on("P", "c1", "r1"), order=("c2",))
    risk = risk_of(incident, policy, outcome_of(incident, policy, 50))
    assert risk.anyone.value == risk.immediate.value == 1
    assert risk.minutes_out.value == pytest.approx(14)
    assert risk.objective.value == pytest.approx(1 + 14 * 0.004)
    assert risk.still_here.value == 0


def test_twin_gone_before_the_second_ends() -> None:
    incident = world([pat("P", gone=20)], [cyl("c1", 100), cyl("c2", 100)])
    policy = plan(incident, on("P", "c1", "r1"), order=("c2",))
    risk = risk_of(incident, policy, outcome_of(incident, policy, 50))
    assert (risk.anyone.value, risk.minutes_out.value, risk.objective.value) == (0, 0, 0)


def test_indicated_and_given_nothing_is_out() -> None:
    # No option in the policy: out from 0 to the transfer at 20.
    incident = world([pat("P", gone=20), pat("Q", gone=5)], [cyl("c1", 100)])
    policy = plan(incident, on("Q", "c1", "r1"), without=("P",))
    risk = risk_of(incident, policy, outcome_of(incident, policy, 10))
    assert [row.chance.value for row in risk.by_patient] == [1, 0]
    assert risk.minutes_out.value == pytest.approx(20)


# ----- intervals --------------------------------------------------------------------------------

# R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3 (from memory).
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0000, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("count", "size", "low", "high"), NEWCOMBE)
def test_wilson_as_published(count: int, size: int, low: float, high: float) -> None:
    found = chance(np.arange(size) < count)
    assert found.value == pytest.approx(count / size)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)
    assert found.samples == size


@pytest.mark.parametrize(("count", "size"), [(0, 1), (1, 1), (0, 2000), (2000, 2000), (37, 2000)])
def test_wilson_against_two_others(count: int, size: int) -> None:
    found = chance(np.arange(size) < count)
    other = stats.binomtest(count, size).proportion_ci(method="wilson")
    assert (found.low, found.high) == pytest.approx((other.low, other.high), abs=1e-12)
    low, high = wilson(count, size)
    assert (found.low, found.high) == pytest.approx((float(low), float(high)), abs=1e-9)
    assert 0 <= found.low <= found.value <= found.high <= 1


MORE = np.array([1.0, 2.0, 3.0, 6.0])


def test_paired_difference_by_hand() -> None:
    # Differences 1 2 3 6: mean 3, sd sqrt((4 + 1 + 0 + 9) / 3) = 2.160, half 1.96 x 2.160 / 2.
    before = np.array([10.0, 0.0, 5.0, 7.0])
    found = difference(before + MORE, before)
    half = 1.959964 * math.sqrt(14 / 3) / 2
    assert (found.value, found.low, found.high) == pytest.approx((3, 3 - half, 3 + half))
    assert found.samples == 4


def test_twin_unpaired_is_wider() -> None:
    before = np.array([10.0, 0.0, 5.0, 7.0])
    after = before + MORE
    paired = difference(after, before)
    unpaired = math.hypot(*((e.high - e.low) for e in (mean(after), mean(before))))
    assert unpaired > 2 * (paired.high - paired.low)


def test_what_does_not_pair_is_refused() -> None:
    with pytest.raises(ValueError, match="pair"):
        difference(np.zeros(3), np.zeros(4))


def test_one_sample_has_no_interval() -> None:
    assert mean(np.array([2.0])) == Estimate(2.0, -math.inf, math.inf, 1)


def test_common_samples_pair_policies() -> None:
    # A second cylinder helps wherever the first does not last: the difference is the share with
    # 10 < T <= 21, and its interval is narrower than that of either chance.
    time, law = lognormal(12.0)
    incident = world([leaving("P", time)], [cyl("c1", 100), cyl("c2", 100)])
    one = plan(incident, on("P", "c1", "r1"))
    two = plan(incident, on("P", "c1", "r1"), order=("c2",))
    promised = replace(incident, cylinders=incident.cylinders[:1])
    out_two = outcome_of(incident, two).minutes_out[0] > 0
    out_one = outcome_of(promised, one).minutes_out[0] > 0
    found = difference(out_two.astype(float), out_one.astype(float))
    assert not (out_two & ~out_one).any()  # common random numbers: never worse
    assert_chance(round(-found.value * N), N, float(law.cdf(21) - law.cdf(10)))


# ----- tiers and J by hand ----------------------------------------------------------------------


def _level(level: Any) -> Option:
    return Option(NRB, level, (Phase(10.0),))


LEVELS = (_level("first choice"), _level("reduced"), _level("minimum"))
TRIAGES = {"I": "immediate", "D": "delayed", "M": "minimal", "X": "expectant"}


def mixed(**priorities: Any) -> Incident:
    people = [pat(t, triage, options=LEVELS) for t, triage in TRIAGES.items()]  # type: ignore[arg-type]
    more = [pat("Z", "dead"), pat("N", "minimal", options=())]
    return world(
        [*people, *more], [cyl("c1", 100)], priorities=Priorities(**priorities), devices=(masks(),)
    )


def two_samples() -> Outcome:
    """I out 10 min in the second, D 4 min in the first, X 7 min in both; nobody else."""
    out = np.array([[0, 10], [4, 0], [0, 0], [7, 7], [0, 0], [0, 0]], dtype=np.float64)
    first = np.where(out > 0, [[30.0, 30.0]], np.inf)
    first[1, 0] = 50.0
    first[3] = 1.0
    late = np.array([[2, 0], [0, 0], [0, 0], [0, 0], [0, 0], [0, 0]])
    here = np.zeros((6, 2), dtype=np.bool_)
    here[2, 1] = here[3, 0] = True
    litres = np.zeros(2)
    return Outcome(out, first, late, here, litres, litres, litres, litres, litres, None)


POLICY = Policy(options=(("I", LEVELS[1]), ("D", LEVELS[2]), ("M", LEVELS[0]), ("X", LEVELS[2])))


def found(**priorities: Any) -> Risk:
    incident = mixed(**priorities)
    return risk_of(incident, POLICY, two_samples())


def test_objective_by_hand() -> None:
    # Price: I one step .04, D two steps .03; X is outside. First sample: D out: tiers 2 and 3 of
    # 9:3:1, 4/13, and 4 min x .0015. Second: I out: all three tiers, 1, and 10 x .004.
    first = 0.07 + 4 / 13 + 4 * 0.0015
    second = 0.07 + 1 + 10 * 0.004
    assert found().objective.value == pytest.approx((first + second) / 2)


def test_tiers() -> None:
    risk = found()
    assert risk.immediate.value == 0.5
    assert risk.immediate_or_delayed.value == 1
    assert risk.anyone.value == 1
    assert risk.minutes_out.value == pytest.approx(7)  # (4 + 10) / 2, X apart
    assert risk.samples == 2


def test_expectant_stand_apart() -> None:
    risk = found()
    assert risk.expectant is not None
    assert risk.expectant.value == 1
    assert [row.patient for row in risk.by_patient] == ["I", "D", "M", "X"]
    assert risk.still_here.value == 0.5  # M in the second; X in the first is apart


def test_twin_expectant_that_count_are_in() -> None:
    # Tier 3: 7 min x .0005 in both and the lowest price twice, .01; "anyone" was 1 already.
    risk = found(expectant_counts=True)
    assert risk.expectant is None
    assert risk.objective.value - found().objective.value == pytest.approx(7 * 0.0005 + 0.01)
    assert risk.minutes_out.value == pytest.approx(14)
    assert risk.still_here.value == 1


def test_own_priorities() -> None:
    risk = found(
        tier_weights=(1.0, 1.0, 2.0), minute_weights=(0.1, 0.0, 0.0), step_prices=(0.0, 0.0, 0.0)
    )
    assert risk.objective.value == pytest.approx(((1 + 2) / 4 + 1 + 10 * 0.1) / 2)


def test_by_patient() -> None:
    first = found().by_patient[0]
    assert (first.chance.value, first.minutes_out.value, first.late_swaps.value) == (0.5, 5.0, 1.0)


def test_chance_out_by_minute() -> None:
    # First minutes out: 50 (D) and 30 (I); X at 1 is apart.
    found_ = chance_out_by(mixed(), two_samples(), np.array([0.0, 29.9, 30.0, 49.0, 50.0, 400.0]))
    assert found_.tolist() == [0, 0, 0.5, 0.5, 1, 1]
    apart = chance_out_by(mixed(expectant_counts=True), two_samples(), np.array([0.9, 1.0]))
    assert apart.tolist() == [0, 1]


def test_chance_out_by_against_the_closed_form() -> None:
    # Due at 10 / k; out by minute m where 10 / k <= m and T > 10 / k: one integral over k.
    time, law = lognormal(9.0)
    unsure = Uncertainty(shared_delay=0.0, flow_setting=0.1, gauge=Pressure(0.0, "psi"))
    incident = world([leaving("P", time)], [cyl("c1", 100)], uncertainty=unsure)
    policy = plan(incident, on("P", "c1", "r1"))
    minutes = np.array([8.0, 9.0, 10.0, 11.0, 12.0, 15.0])
    shares = chance_out_by(incident, outcome_of(incident, policy), minutes)
    for minute, share in zip(minutes, shares, strict=True):
        z = np.linspace((10 / minute - 1) / 0.1, 8.0, 20_001)
        due = 10 / np.maximum(1 + 0.1 * z, 0.5)
        expected = float(np.trapezoid(stats.norm.pdf(z) * law.sf(due), z))
        assert_chance(round(float(share) * N), N, expected)


def test_nobody_indicated() -> None:
    incident = world([pat("Z", "dead")], [cyl("c1", 100)])
    outcome = outcome_of(incident, Policy(), 5)
    assert chance_out_by(incident, outcome, np.array([50.0])).tolist() == [0]
    assert risk_of(incident, Policy(), outcome).anyone.value == 0
    assert lasts_until(incident, initial_state(incident), Policy()) == Lasts(None, None)


# ----- lasts until ------------------------------------------------------------------------------


def lasting(incident: Incident, *hookups: Any, order: tuple[str, ...] = ()) -> Lasts:
    return lasts_until(incident, initial_state(incident), plan(incident, *hookups, order=order))


def test_lasts_until_by_hand() -> None:
    # D: c2 (60 L) is due at 6, takes c3 (100 L), 7 to 17, out at 17. I: c1 (100 L) is due at 10
    # and finds nothing: out at 10. Transfers at 5 are not waited for, nor is anything uncertain.
    unsure = Uncertainty(0.5, 0.3, Pressure(300.0, "psi"))
    people = [pat("I", gone=5), pat("D", "delayed", gone=5)]
    incident = world(
        people, [cyl("c1", 100), cyl("c2", 60), cyl("c3", 100)], uncertainty=unsure
    )  # fmt: skip
    hookups = on("I", "c1", "r1"), on("D", "c2", "r2")
    assert lasting(incident, *hookups, order=("c3",)) == Lasts(10, 10)
    # Twin: D on 2 L/min is due only at 30, so that I takes c3 at 10, 11 to 21, out at 21.
    slow = replace(people[1], options=(flows(Phase(2.0)),))
    incident = replace(incident, patients=(people[0], slow))
    hookups = on("I", "c1", "r1"), on("D", "c2", "r2", flow=2.0)
    lasts = lasting(incident, *hookups, order=("c3",))
    assert lasts.everyone_min == pytest.approx(21)
    assert lasts.immediates_min == pytest.approx(21)


def test_lasts_until_with_someone_found_at_the_median() -> None:
    # Q is found at the median, 22, needed in one of ten: taken as found. Its cylinder c2 of 100 L
    # runs from 23 to 33; P (5 L/min, 400 L) is due at 80.
    missing = replace(
        pat("Q", "delayed"), chance_needed=0.1, oxygen_from=ThreePoint(12.0, 22.0, 38.0)
    )
    people = [pat("P", flow=5.0), missing]
    incident = world(people, [cyl("c1", 400), cyl("c2", 100)])
    lasts = lasting(incident, on("P", "c1", "r1", flow=5.0), order=("c2",))
    assert lasts.everyone_min == pytest.approx(33)
    assert lasts.immediates_min == pytest.approx(80)


def test_lasts_beyond_the_horizon() -> None:
    incident = world([pat("P", flow=5.0)], [cyl("c1", 600)])  # due at 120, horizon 100
    assert lasting(incident, on("P", "c1", "r1", flow=5.0)) == Lasts(None, None)


def test_no_immediate_has_no_minute() -> None:
    incident = world([pat("D", "delayed")], [cyl("c1", 100)])
    assert lasting(incident, on("D", "c1", "r1")) == Lasts(10, None)


def test_waiting_from_the_start_lasts_until_now() -> None:
    # No mask for Q: out from minute 0.
    incident = world([pat("P"), pat("Q", "delayed")], [cyl("c1", 100)], devices=(masks(1),))
    assert lasting(incident, on("P", "c1", "r1")) == Lasts(0, 10)


# ----- the helpers ------------------------------------------------------------------------------


def test_count_law() -> None:
    assert count_law([0.5, 0.5]).tolist() == [0.25, 0.5, 0.25]
    assert count_law([0.95] * 40) == pytest.approx(stats.binom(40, 0.95).pmf(np.arange(41)))


def test_cover_chance() -> None:
    # Normal theory: an interval of +-1.96 sd against a rerun with a tenth of that sd covers
    # 2 Phi(1.96 / sqrt(1.01)) - 1 = .9489 of the time; the exact one is within 2 points at p = .3.
    expected = 2 * stats.norm.cdf(1.959964 / math.sqrt(1.01)) - 1
    assert cover_chance(600, 2000, 60_000, 200_000) == pytest.approx(expected, abs=0.02)
    assert cover_chance(0, 2000, 0, 200_000) == pytest.approx(1, rel=1e-12)
    # and against drawing both, 1e-7 two-sided
    generator = np.random.default_rng(5)
    total = 60_600
    x = generator.hypergeometric(total, 202_000 - total, 2000, 100_000).astype(float)
    low, high = wilson(x, 2000)
    share = (total - x) / 200_000
    covers = int(((low <= share) & (share <= high)).sum())
    assert_chance(covers, x.size, cover_chance(600, 2000, 60_000, 200_000))


def test_fixed_transfer_has_no_chance_between() -> None:
    # A three-point time with equal points is a step: out or not in all samples alike.
    for minute, expected in [(9.9, 0.0), (10.1, 1.0)]:
        incident = world([leaving("P", at(minute))], [cyl("c1", 100)])
        policy = plan(incident, on("P", "c1", "r1"))
        risk = risk_of(incident, policy, outcome_of(incident, policy, 300))
        assert risk.anyone.value == expected
