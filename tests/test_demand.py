"""Samples of what is uncertain: laws against closed forms, streams exactly, the middle of things.

Tolerances are derived: every statistical comparison says its chance of failing a right program,
1e-7 unless it says otherwise (tests/statistics.py). Seeds are fixed.
"""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats

from planner.demand import (
    MIN_FLOW_FACTOR,
    Floats,
    Needs,
    certain,
    max_phases,
    sample,
    score_from_time,
    split_quantile,
    time_from_score,
)
from planner.files import incident_from
from planner.incident import (
    BUILT_IN,
    Incident,
    Leg,
    Patient,
    Phase,
    Regulator,
    Resupply,
    ThreePoint,
    TransferGroup,
    Uncertainty,
)
from planner.state import PatientNow, State, initial_state
from planner.streams import stream
from planner.units import Pressure
from tests.generator import random_incident
from tests.rule_incidents import NRB, THREAD, A, at, cyl, flows, later, pat, reg, world
from tests.statistics import (
    ALPHA,
    assert_chance,
    assert_correlation,
    assert_mean,
    assert_same_chance,
    assert_same_law,
)

N = 200_000
UNSURE = Uncertainty(shared_delay=0.5, flow_setting=0.1, gauge=Pressure(50.0, "psi"))
LATE = ThreePoint(60.0, 90.0, 150.0)
BACK = ThreePoint(140.0, 180.0, 260.0)


def three(*points: float) -> ThreePoint:
    return ThreePoint(*points)


def person(tag: str, **more: Any) -> Patient:
    patient = pat(tag)
    return replace(patient, transfer=more.pop("transfer", LATE), **more)


def scene(*patients: Patient, **more: Any) -> Incident:
    more.setdefault("uncertainty", UNSURE)
    more.setdefault("horizon_min", 1000.0)
    return world(patients, more.pop("cylinders", [cyl("c1", 100)]), **more)


def drawn(incident: Incident, num: int = N, seed: int = 3, state: State | None = None) -> Needs:
    return sample(incident, state or initial_state(incident), num, seed)


def still_here(incident: Incident, minute: float, **status: Any) -> State:
    """The state at a minute with everyone here on oxygen, but for those named."""
    return later(
        incident,
        minute,
        *(
            PatientNow(p.tag, p.place, status.get(p.tag, "here"), first_flow_min=0.0)
            for p in incident.patients
        ),
    )


def law(time: ThreePoint) -> Any:
    """Upper and lower half as scipy's lognormals: (cdf at t)."""
    below = stats.lognorm(math.log(time.p50_min / time.p10_min) / stats.norm.ppf(0.9))
    above = stats.lognorm(math.log(time.p90_min / time.p50_min) / stats.norm.ppf(0.9))

    def cdf(minute: float) -> float:
        half = below if minute < time.p50_min else above
        return float(half.cdf(minute / time.p50_min))

    return cdf


# ----- three points ----------------------------------------------------------------------------


@pytest.mark.parametrize("time", [LATE, three(12, 22, 38), three(30, 60, 62), three(5, 90, 95)])
def test_three_points_met(time: ThreePoint) -> None:
    # A million draws, so that the share below a point has sd sqrt(p (1-p) / 1e6) < .0005. The
    # empirical quantile errs by that over the density: for a lognormal half with sd s of its log
    # the relative error at z is .0005 x s / phi(z); at most 2.25 (the widest here) x .0005 / .1755
    # = .0064 at z90, and 5.3 sd of the wide half would be over 1 %. So the points are compared in
    # share (exact binomial, 1e-7 each), and in minutes to 1 % where 5.3 sd lie within it.
    incident = scene(person("P", transfer=time))
    times = drawn(incident, 1_000_000).transfer_min[0]
    for share, minute in [(0.1, time.p10_min), (0.5, time.p50_min), (0.9, time.p90_min)]:
        assert_chance(int((times <= minute).sum()), times.size, share)
        far = time.p10_min if share < 0.5 else time.p90_min
        spread = abs(math.log(far / time.p50_min)) / 1.2816
        sd = math.sqrt(share * (1 - share) / times.size) * spread
        sd /= float(stats.norm.pdf(stats.norm.ppf(share)))
        if 5.33 * sd < 0.01:
            assert np.quantile(times, share) == pytest.approx(minute, rel=0.01)


def test_most_points_are_met_to_one_per_cent() -> None:
    # The condition above does not empty the check: a spread of .5 gives 5.33 x .00085 = .0045.
    spread = math.log(150 / 90) / 1.2816
    assert 5.33 * math.sqrt(0.09 / 1e6) * spread / 0.1755 < 0.01


@pytest.mark.parametrize("time", [LATE, three(5, 90, 95)])
def test_tails_are_lognormal(time: ThreePoint) -> None:
    times = drawn(scene(person("P", transfer=time))).transfer_min[0]
    for minute in np.array([0.5, 0.8, 1.0, 1.2, 2.0, 3.0]) * time.p50_min:
        assert_chance(int((times <= minute).sum()), N, law(time)(minute))


def test_fixed_time_is_certain() -> None:
    times = drawn(scene(person("P", transfer=at(40.0))), 100).transfer_min
    assert np.all(times == 40.0)


points = st.tuples(
    st.floats(1, 300), st.floats(1.01, 4), st.floats(1.01, 4)
).map(lambda t: ThreePoint(t[0], t[0] * t[1], t[0] * t[1] * t[2]))  # fmt: skip


@given(points, st.floats(-6, 6))
@settings(max_examples=200, derandomize=True)
def test_score_and_time_are_inverse(time: ThreePoint, z: float) -> None:
    (minute,) = time_from_score(time, np.array([z]))
    assert score_from_time(time, float(minute)) == pytest.approx(z, abs=1e-6)


@pytest.mark.parametrize(
    ("time", "minute", "score"),
    [
        (at(40), 39.9, -math.inf), (at(40), 40.0, -math.inf), (at(40), 40.1, math.inf),
        (three(40, 40, 80), 40.0, -math.inf),  # the lower half all lies at 40: none is before
        (three(20, 40, 40), 40.0, 0.0), (three(20, 40, 40), 40.1, math.inf),
        (three(20, 40, 80), 20.0, -1.2815515655), (three(20, 40, 80), 0.0, -math.inf),
    ],
)  # fmt: skip
def test_score_where_points_coincide(time: ThreePoint, minute: float, score: float) -> None:
    # The least score whose time is not before the minute.
    assert score_from_time(time, minute) == pytest.approx(score)


def test_quantile() -> None:
    assert split_quantile(LATE, 0.9) == pytest.approx(150)
    assert law(LATE)(split_quantile(LATE, 0.95)) == pytest.approx(0.95)


# ----- correlation and groups -------------------------------------------------------------------


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_correlation_within_a_group(rho: float) -> None:
    group = TransferGroup("g")
    people = [person(t, transfer_group="g") for t in "PQ"] + [person("S")]
    incident = scene(
        *people, transfer_groups=(group,), uncertainty=replace(UNSURE, shared_delay=rho)
    )
    scores = _scores_of(drawn(incident).transfer_min, LATE)
    assert_correlation(scores[0], scores[1], rho)
    assert_correlation(scores[0], scores[2], 0.0)  # in no group: nothing shared
    assert_mean(scores[0], 0.0, sd=1.0)


def _scores_of(times: Floats, time: ThreePoint) -> Floats:
    """Back from minutes to scores, elementwise, without the code under test."""
    ratio = np.log(times / time.p50_min)
    up = math.log(time.p90_min / time.p50_min)
    down = math.log(time.p50_min / time.p10_min)
    return np.asarray(ratio / np.where(ratio > 0, up, down) * float(stats.norm.ppf(0.9)))


def test_full_correlation_is_one_draw() -> None:
    people = [person(t, transfer_group="g") for t in "PQ"]
    incident = scene(
        *people,
        transfer_groups=(TransferGroup("g"),),
        uncertainty=replace(UNSURE, shared_delay=1.0),
    )
    needs = drawn(incident, 100)
    assert np.array_equal(needs.transfer_min[0], needs.transfer_min[1])


def grouped(no_show: float, fallback: ThreePoint | None, **more: Any) -> Incident:
    people = [person("P", transfer_group="g"), person("Q", transfer_group="g")]
    return scene(*people, transfer_groups=(TransferGroup("g", no_show, fallback),), **more)


def test_no_show_without_fallback_nobody_comes() -> None:
    times = drawn(grouped(0.2, None)).transfer_min
    stays = np.isinf(times)
    assert np.array_equal(stays[0], stays[1])  # one draw for the group
    assert_chance(int(stays[0].sum()), N, 0.2)


def test_no_show_with_fallback_from_the_start() -> None:
    # The fallback's minutes count from the incident's start and replace the time, not add to it.
    far = three(100_000, 110_000, 120_000)  # tells who came by it from the time alone
    times = drawn(grouped(0.2, far)).transfer_min
    late = times > 20_000
    assert np.array_equal(late[0], late[1])
    assert_chance(int(late[0].sum()), N, 0.2)
    for minute in (100_000, 110_000, 120_000):
        hits = int((times[0][late[0]] <= minute).sum())
        assert_chance(hits, int(late[0].sum()), law(far)(minute))
    assert_correlation(*_scores_of(times[:, late[0]], far), 0.5)


def test_found_later_still_waits_for_the_fallback_from_the_start() -> None:
    # transfer_after_found counts from found, its group's fallback from the incident's start.
    patient = person("P", transfer=None, transfer_after_found=at(30), transfer_group="g")
    patient = replace(patient, oxygen_from=at(50.0))
    incident = scene(patient, transfer_groups=(TransferGroup("g", 0.5, at(200)),))
    times = drawn(incident, 1000).transfer_min[0]
    assert set(times) == {80.0, 200.0}


def test_who_gives_no_time_is_not_fetched_by_the_fallback() -> None:
    # "Left out, the patient needs oxygen until the plan ends": also when the group does not show.
    incident = grouped(0.5, BACK)
    incident = replace(
        incident, patients=(replace(incident.patients[0], transfer=None), incident.patients[1])
    )
    needs = drawn(incident, 1000)
    assert np.isinf(needs.transfer_min[0]).all()
    assert np.isfinite(needs.transfer_min[1]).all()


# ----- keyed streams ----------------------------------------------------------------------------


def same(first: Needs, second: Needs, **rows: tuple[list[int], list[int]]) -> None:
    """Everything equal, rows of the named arrays as given."""
    for field in fields(Needs):
        a, b = getattr(first, field.name), getattr(second, field.name)
        if isinstance(a, np.ndarray):
            mine, theirs = rows.get(field.name, (slice(None), slice(None)))
            assert np.array_equal(a[mine], b[theirs]), field.name


def _rows(size: int, inserted: int) -> tuple[list[int], list[int]]:
    return list(range(size)), [k + (k >= inserted) for k in range(size)]


def test_one_more_cylinder_changes_no_other_draw() -> None:
    incident = random_incident(1)
    new = cyl("new", 100, incident.places[0].name, incident.cylinders[0].connection)
    more = replace(incident, cylinders=(incident.cylinders[0], new, *incident.cylinders[1:]))
    rows = _rows(len(incident.all_cylinders), 1)
    same(drawn(incident, 50), drawn(more, 50), gauge_error_psi=rows, valve_factor=rows)


def test_one_more_regulator_changes_no_other_draw() -> None:
    incident = random_incident(1)
    new = Regulator("new", THREAD, (10.0,), 1, incident.places[0].name)
    more = replace(incident, regulators=(new, *incident.regulators))
    rows = _rows(len(incident.all_regulators), 0)
    same(drawn(incident, 50), drawn(more, 50), regulator_factor=rows)


@pytest.mark.parametrize("group", [None, "helicopter"])
def test_one_more_patient_changes_no_other_draw(group: str | None) -> None:
    incident = random_incident(1)
    new = person("new", place=incident.places[0].name, transfer_group=group, chance_needed=0.5)
    more = replace(incident, patients=(*incident.patients[:2], new, *incident.patients[2:]))
    rows = _rows(len(incident.patients), 2)
    names = ("start_min", "is_needed", "transfer_min", "phase_score", "leave_min", "leg_min")
    same(drawn(incident, 50), drawn(more, 50), **dict.fromkeys(names, rows))


def carried(leave: ThreePoint, length: ThreePoint) -> Incident:
    return scene(replace(person("P"), legs=(Leg("hut", leave, length),)), person("Q"))


def test_legs_meet_their_three_points() -> None:
    incident = carried(ThreePoint(10, 20, 40), ThreePoint(5, 8, 15))
    needs = drawn(incident, N)
    for rows, points in ((needs.leave_min[0, 0], (10, 20, 40)), (needs.leg_min[0, 0], (5, 8, 15))):
        for share, point in zip((0.1, 0.5, 0.9), points, strict=True):
            assert_chance(int((rows <= point).sum()), N, share)
    assert np.isinf(needs.leave_min[1]).all()
    assert (needs.leg_min[1] == 0).all()


def test_who_has_not_left_by_now_leaves_later() -> None:
    incident = carried(ThreePoint(10, 20, 40), ThreePoint(8, 8, 8))
    state = replace(initial_state(incident), at_min=20.0)
    late = sample(incident, state, N, 3).leave_min[0, 0]
    assert late.min() >= 20.0
    # Given not by the median, half of what is left leaves by the 75 % point of the whole.
    later_half = float(time_from_score(ThreePoint(10, 20, 40), np.array([stats.norm.ppf(0.75)]))[0])
    assert_chance(int((late <= later_half).sum()), N, 0.5)
    ready = (replace(state.patients[0], leaving="early"), state.patients[1])
    known = sample(incident, replace(state, patients=ready), N, 3)
    assert (known.leave_min[0, 0] <= 20.0).all()


def test_longer_runs_begin_with_the_shorter() -> None:
    incident = random_incident(2)
    short, long = drawn(incident, 100), drawn(incident, 1000)
    for field in fields(Needs):
        a, b = getattr(short, field.name), getattr(long, field.name)
        if isinstance(a, np.ndarray):
            assert np.array_equal(a, b[..., :100]), field.name


def test_twin_other_seed_other_draws() -> None:
    incident = random_incident(2)
    first, second = drawn(incident, 20), drawn(incident, 20, seed=4)
    assert not np.array_equal(first.transfer_min, second.transfer_min)
    assert not np.array_equal(first.gauge_error_psi, second.gauge_error_psi)


def test_streams_of_other_names_are_unlike() -> None:
    names = [(1, "a", "b"), (1, "ab", ""), (1, "a", "c"), (2, "a", "b"), (1, "", "ab")]
    draws = {float(stream(*name).random()) for name in names}
    assert len(draws) == len(names)
    assert_correlation(
        stream(1, "x", "P").standard_normal(N), stream(1, "x", "Q").standard_normal(N), 0.0
    )


def test_number_of_samples_is_checked() -> None:
    with pytest.raises(ValueError, match="1 or more"):
        drawn(scene(person("P")), 0)


# ----- presence, readings, flows, phases, resupply ----------------------------------------------


def test_presence_and_start() -> None:
    patient = person("P", chance_needed=0.3, oxygen_from=three(12, 22, 38), transfer=at(900))
    needs = drawn(scene(patient))
    assert_chance(int(needs.is_needed[0].sum()), N, 0.3)
    there = needs.start_min[0][needs.is_needed[0]]
    for minute in (12, 22, 30, 38, 60):
        share = law(patient.oxygen_from)(minute)
        assert_chance(int((there <= minute).sum()), there.size, share)


def test_transfer_before_the_start_is_never_needed() -> None:
    # The same three points for both, independent: by symmetry one in two is gone before.
    patient = person("P", oxygen_from=three(12, 22, 38), transfer=three(12, 22, 38))
    assert_chance(int(drawn(scene(patient)).is_needed[0].sum()), N, 0.5)


def test_transfer_after_found_counts_from_the_start_of_need() -> None:
    found = three(20, 30, 50)
    patient = person(
        "P", transfer=None, transfer_after_found=found, oxygen_from=three(12, 22, 38)
    )  # fmt: skip
    needs = drawn(scene(patient))
    wait = needs.transfer_min[0] - needs.start_min[0]
    assert needs.is_needed.all()
    for minute in (20, 30, 50):
        assert_chance(int((wait <= minute + 1e-9).sum()), N, law(found)(minute))
    assert_correlation(_scores_of(wait, found), np.log(needs.start_min[0]), 0.0)


def test_twin_a_plain_transfer_does_not_count_from_found() -> None:
    patient = person("P", transfer=at(60), oxygen_from=at(22.0))
    assert np.all(drawn(scene(patient), 10).transfer_min == 60)


def test_gauge_errors() -> None:
    needs = drawn(scene(person("P"), cylinders=[cyl("c1", 100), cyl("c2", 100)]))
    assert_mean(needs.gauge_error_psi[0], 0.0, sd=50.0)
    for z in (-2, -1, 0, 1, 2):
        hits = int((needs.gauge_error_psi[0] <= 50 * z).sum())
        assert_chance(hits, N, float(stats.norm.cdf(z)))
    assert_correlation(needs.gauge_error_psi[0], needs.gauge_error_psi[1], 0.0)


def test_exact_readings_carry_no_error() -> None:
    incident = scene(person("P"), cylinders=[cyl("c1", 100), cyl("c2", 100)])
    state = initial_state(incident)
    first = replace(state.cylinders[0], is_exact=True)
    needs = drawn(incident, 50, state=replace(state, cylinders=(first, state.cylinders[1])))
    assert not needs.gauge_error_psi[0].any()
    assert needs.gauge_error_psi[1].all()


@pytest.mark.parametrize("cold", [1.0, 1.08])
def test_flow_factors(cold: float) -> None:
    # At an sd of .4 the floor of .5 is 1.25 sd down: 10.6 % of the draws lie on it.
    unsure = replace(UNSURE, flow_setting=0.4, cold_flow_factor=cold)
    cylinders = [cyl("c1", 100, A, BUILT_IN), cyl("c2", 100)]
    needs = drawn(scene(person("P"), uncertainty=unsure, cylinders=cylinders))
    assert np.all(needs.valve_factor[1] == cold)  # no valve of its own
    for factor in (needs.regulator_factor[0], needs.valve_factor[0]):
        assert factor.min() == pytest.approx(MIN_FLOW_FACTOR * cold)
        on_floor = factor <= MIN_FLOW_FACTOR * cold * (1 + 1e-12)
        assert_chance(int(on_floor.sum()), N, float(stats.norm.cdf(-1.25)))
        for z in (-1, 0, 1, 2):
            hits = int((factor <= cold * (1 + 0.4 * z)).sum())
            assert_chance(hits, N, float(stats.norm.cdf(z)))
    assert_correlation(needs.regulator_factor[0], needs.regulator_factor[1], 0.0)


def test_phase_scores_are_uniform() -> None:
    option = flows(Phase(15.0, 10.0), Phase(10.0, 10.0, 0.6), Phase(6.0, None, 0.5))
    incident = scene(person("P", options=(option,)), person("Q"))
    needs = drawn(incident)
    assert needs.phase_score.shape == (2, 2, N)
    assert_chance(int((needs.phase_score[0, 0] < 0.6).sum()), N, 0.6)
    assert_chance(int((needs.phase_score[0, 1] < 0.5).sum()), N, 0.5)
    a, b = (needs.phase_score[0, k] < 0.5 for k in (0, 1))
    assert_chance(int((a & b).sum()), N, 0.25)


def test_phases_of_the_protocol_are_drawn_too(monkeypatch: pytest.MonkeyPatch) -> None:
    # The shipped table has no phases; a service's own may. A row with some is put in its place.
    import planner.oxygen_options as module

    row = module.load_protocol("example").indication("trauma, reading below 94")
    assert row is not None
    first = replace(
        row.options[0],
        phases=tuple(
            replace(_table_phase(), flow_lpm=f, for_min=m, chance=c)
            for f, m, c in [(8.0, 10.0, 1.0), (4.0, None, 0.6)]
        ),
    )
    row = replace(row, options=(first, *row.options[1:]))
    monkeypatch.setattr(module, "protocol_row", lambda incident, patient: row)
    incident = scene(person("P", options=None, indication="trauma, reading below 94"))
    assert max_phases(incident) == 1
    scores = drawn(incident).phase_score
    assert scores.shape == (1, 1, N)
    assert_chance(int((scores[0, 0] < 0.6).sum()), N, 0.6)
    assert certain(incident, initial_state(incident)).phase_score.shape == (1, 1, 1)


def _table_phase() -> Any:
    from planner.reference.protocols import FlowPhase

    return FlowPhase(1.0)


def test_twin_expectant_and_dead_have_no_phases() -> None:
    # Options that are never given ask for no scores.
    option = flows(Phase(15.0, 10.0), Phase(10.0))
    assert max_phases(scene(person("P", options=(option,)))) == 1
    dead = replace(person("P", options=(option,)), triage="dead")
    assert max_phases(scene(dead)) == 0


def test_resupply() -> None:
    supply = Resupply(three(40, 60, 90), 0.15, A, (cyl("s1", 100, None),))
    times = drawn(scene(person("P"), resupply=(supply,))).resupply_min[0]
    assert_chance(int(np.isinf(times).sum()), N, 0.15)
    for minute in (40, 60, 90):
        share = 0.85 * law(supply.arrive)(minute)
        assert_chance(int((times <= minute).sum()), N, share)


def test_capped_share() -> None:
    # Horizon at the 90 % point: one transfer in ten is cut. Q is needed in half of the samples
    # and never transferred: of 1.5 people needed, .1 + .5 are cut: 0.4.
    people = [person("P"), person("Q", transfer=None, chance_needed=0.5)]
    incident = scene(*people, horizon_min=150.0)
    needs = drawn(incident)
    cut = needs.transfer_min > 150
    assert_chance(int(cut[0].sum()), N, 0.1)
    assert needs.capped_share == (cut & needs.is_needed).sum() / needs.is_needed.sum()
    # Delta method: sd of the ratio below 1.0 / sqrt(N x 1.5); 6 sd fail 2e-9 of the time.
    assert needs.capped_share == pytest.approx(0.4, abs=6 / math.sqrt(1.5 * N))


# ----- from the middle of an incident -----------------------------------------------------------

MID = 100.0
M = 120_000


def rejection(incident: Incident, minute: float, gone: tuple[int, ...] = ()) -> Floats:
    """Transfers drawn at minute 0, kept where everyone is still there but those who are gone."""
    times = drawn(incident, 20 * M, seed=77).transfer_min
    kept = np.ones(times.shape[1], dtype=bool)
    for row, line in enumerate(times):
        kept &= line <= minute if row in gone else line > minute
    return np.asarray(times[:, kept])


def rare(no_show: float, fallback: ThreePoint | None, rho: float) -> Incident:
    people = [
        person("P", transfer_group="g", transfer=three(60, 90, 150)),
        person("Q", transfer_group="g", transfer=three(70, 85, 110)),
    ]
    return scene(
        *people,
        transfer_groups=(TransferGroup("g", no_show, fallback),),
        uncertainty=replace(UNSURE, shared_delay=rho),
    )


@pytest.mark.parametrize(
    ("no_show", "fallback"), [(0.0, None), (0.15, None), (0.15, BACK), (0.15, three(70, 120, 200))]
)
@pytest.mark.parametrize("rho", [0.0, 0.5, 1.0])
def test_transfers_given_both_are_still_here(
    no_show: float, fallback: ThreePoint | None, rho: float
) -> None:
    # What sample() draws at minute 100 is what is left of minute 0 after throwing away all
    # samples in which somebody was gone by then: margins and pairs, no-show included.
    incident = rare(no_show, fallback, rho)
    straight = drawn(incident, M, state=still_here(incident, MID)).transfer_min
    assert straight.min() >= MID
    assert_same_law(straight, rejection(incident, MID))


@pytest.mark.parametrize("fallback", [three(70, 120, 200), None])
def test_one_gone_tells_about_the_other(fallback: ThreePoint | None) -> None:
    # Q is gone by minute 100. Transport that has fetched Q did come, or it was the fallback.
    incident = rare(0.3, fallback, 0.5)
    state = still_here(incident, MID, Q="gone")
    straight = drawn(incident, M, state=state).transfer_min[:1]
    assert_same_law(straight, rejection(incident, MID, gone=(1,))[:1])


def test_twin_nothing_known_is_another_law() -> None:
    incident = rare(0.15, BACK, 0.5)
    straight = drawn(incident, M).transfer_min
    with pytest.raises(AssertionError):
        assert_same_law(straight, rejection(incident, MID))


def test_still_here_after_a_certain_time_means_no_show() -> None:
    # Both were to be fetched at 60 for certain unless nobody comes. At 70 they are still here.
    incident = replace(
        grouped(0.1, at(200)),
        patients=tuple(person(t, transfer_group="g", transfer=at(60)) for t in "PQ"),
    )
    times = drawn(incident, 100, state=still_here(incident, 70.0)).transfer_min
    assert np.all(times == 200)


def test_twin_before_the_certain_time_nothing_is_known() -> None:
    incident = replace(
        grouped(0.1, at(200)),
        patients=tuple(person(t, transfer_group="g", transfer=at(60)) for t in "PQ"),
    )
    times = drawn(incident, state=still_here(incident, 50.0)).transfer_min
    assert_chance(int((times[0] == 200).sum()), N, 0.1)


@pytest.mark.parametrize("transfer", [at(60), three(58, 60, 62), three(40, 60, 60)])
def test_overdue_without_another_explanation_comes_at_once(transfer: ThreePoint) -> None:
    # 140 is out of all reason for 60: the file is wrong, and no number is made up beyond it.
    incident = scene(person("P", transfer=transfer))
    times = drawn(incident, 1000, state=still_here(incident, 140.0)).transfer_min
    assert np.all(times >= 140)
    assert np.quantile(times, 0.9) < 142


def test_waiting_after_found_from_the_median_start() -> None:
    # Here at minute 60, found (taken as) at 20: the wait, given that it is over 40.
    found = three(20, 30, 50)
    patient = person("P", transfer=None, transfer_after_found=found, oxygen_from=at(20.0))
    incident = scene(patient)
    times = drawn(incident, state=still_here(incident, 60.0)).transfer_min[0]
    left = 1 - law(found)(40)
    for minute in (45, 50, 70):
        share = (law(found)(minute) - law(found)(40)) / left
        assert_chance(int((times - 20 <= minute).sum()), N, share)


@pytest.mark.parametrize("minute", [10.0, 22.0, 40.0])
def test_start_and_presence_given_not_found_yet(minute: float) -> None:
    # Bayes: P(needed | not found by m) = c S(m) / (c S(m) + 1 - c), starts are those above m.
    time, chance = three(12, 22, 38), 0.4
    incident = scene(person("P", chance_needed=chance, oxygen_from=time, transfer=None))
    state = later(incident, minute)
    needs = drawn(incident, state=state)
    survival = 1 - law(time)(minute)
    expected = chance * survival / (chance * survival + 1 - chance)
    there = needs.start_min[0][needs.is_needed[0]]
    assert_chance(there.size, N, expected)
    assert there.min() >= minute
    for then in (1.1 * minute, 1.5 * minute, 3 * minute):
        share = (law(time)(then) - law(time)(minute)) / survival
        assert_chance(int((there <= then).sum()), there.size, share)


@pytest.mark.parametrize("minute", [50.0, 80.0])
def test_resupply_given_not_arrived_yet(minute: float) -> None:
    supply = Resupply(three(40, 60, 90), 0.15, A, (cyl("s1", 100, None),))
    incident = scene(person("P", transfer=None), resupply=(supply,))
    times = drawn(incident, state=later(incident, minute)).resupply_min[0]
    survival = 1 - law(supply.arrive)(minute)
    never = 0.15 / (0.15 + 0.85 * survival)
    assert_chance(int(np.isinf(times).sum()), N, never)
    assert times.min() >= minute
    share = (law(supply.arrive)(100) - law(supply.arrive)(minute)) / survival
    assert_chance(int((times <= 100).sum()), N, (1 - never) * share)


def test_resupply_that_has_arrived_is_there() -> None:
    supply = Resupply(three(40, 60, 90), 0.15, A, (cyl("s1", 100, None),))
    incident = scene(person("P"), resupply=(supply,))
    state = replace(still_here(incident, 50.0), arrived=(0,))
    assert np.all(drawn(incident, 10, state=state).resupply_min == 50)
    assert np.all(certain(incident, state).resupply_min == 50)


@pytest.mark.parametrize(("no_show", "expected"), [(0.0, 50.0), (0.1, math.inf)])
def test_overdue_fixed_resupply(no_show: float, expected: float) -> None:
    # Certain at 40 and not there at 50: it never comes if it may not; if it must, it comes at once.
    supply = Resupply(at(40), no_show, A, (cyl("s1", 100, None),))
    incident = scene(person("P"), resupply=(supply,))
    assert np.all(drawn(incident, 10, state=still_here(incident, 50.0)).resupply_min == expected)


@pytest.mark.parametrize(("chance", "expected"), [(1.0, True), (0.6, False)])
def test_overdue_fixed_start(chance: float, expected: bool) -> None:
    # To be found at 40 and not found at 50: not there after all, unless that was certain.
    incident = scene(person("P", chance_needed=chance, oxygen_from=at(40.0), transfer=None))
    needs = drawn(incident, 10, state=later(incident, 50.0))
    assert np.all(needs.is_needed == expected)
    assert np.all(needs.start_min == 50)


@pytest.mark.parametrize("minute", [40.0, 39.0])
def test_fixed_time_at_its_own_minute_is_still_to_come(minute: float) -> None:
    # A state is what is so before the events of its minute.
    supply = Resupply(at(40), 0.5, A, (cyl("s1", 100, None),))
    incident = scene(
        person("P", chance_needed=0.5, oxygen_from=at(40.0), transfer=None), resupply=(supply,)
    )
    needs = drawn(incident, state=later(incident, minute))
    assert_chance(int(needs.is_needed[0].sum()), N, 0.5)
    assert_chance(int(np.isfinite(needs.resupply_min[0]).sum()), N, 0.5)
    assert set(np.unique(needs.start_min)) == {40.0}


def test_those_gone_and_dead_need_nothing() -> None:
    incident = scene(person("P"), person("Q"), person("S"))
    needs = drawn(incident, 10, state=still_here(incident, 30.0, P="gone", Q="dead"))
    assert needs.is_needed.any(axis=1).tolist() == [False, False, True]


@given(st.integers(0, 50), st.floats(0, 400))
@example(0, 5e-324)  # its quotient by a median underflows
@settings(max_examples=40, derandomize=True, deadline=None)
def test_nothing_is_drawn_before_the_state(seed: int, minute: float) -> None:
    incident = random_incident(seed, num_patients=4, num_cylinders=8)
    rows = [
        PatientNow(p.tag, p.place, "unknown" if p.chance_needed < 1 else "here")
        for p in incident.patients
    ]
    needs = drawn(incident, 30, state=later(incident, minute, *rows))
    here = np.array([r.status == "here" for r in rows])
    assert (needs.start_min[~here] >= minute).all()
    assert (needs.transfer_min[here] >= minute).all()
    assert (needs.resupply_min >= minute).all()
    assert not np.isnan(needs.transfer_min).any()


# ----- certain ----------------------------------------------------------------------------------


def test_certain() -> None:
    # Nothing uncertain, nobody transferred: the missing one is found at the median; the delivery
    # that comes more likely than not at its median, the other never; .5 is at least one half.
    option = flows(Phase(15.0, 10.0), Phase(10.0, 10.0, 0.5), Phase(6.0, None, 0.49))
    incident = scene(
        person("P"),
        person("Q", chance_needed=0.1, oxygen_from=three(12, 22, 38), options=(option,)),
        resupply=(
            Resupply(three(40, 60, 90), 0.49, A, (cyl("s1", 100, None),)),
            Resupply(three(40, 60, 90), 0.5, A, (cyl("s2", 100, None),)),
        ),
        uncertainty=replace(UNSURE, cold_flow_factor=1.08),
    )
    needs = certain(incident, initial_state(incident))
    assert needs.start_min.tolist() == [[0.0], [22.0]]
    assert needs.is_needed.all()
    assert np.isinf(needs.transfer_min).all()
    assert needs.resupply_min.tolist() == [[60.0], [math.inf]]
    assert not needs.gauge_error_psi.any()
    assert np.all(needs.regulator_factor == 1.08)
    assert (needs.phase_score[1, :, 0] < [0.5, 0.49]).tolist() == [True, False]


def test_certain_from_the_middle() -> None:
    incident = scene(person("P"), person("Q", chance_needed=0.1, oxygen_from=three(12, 22, 38)))
    state = still_here(incident, 50.0, Q="unknown")
    assert certain(incident, state).start_min.tolist() == [[0.0], [50.0]]


# ----- the helpers can fail ---------------------------------------------------------------------


def test_twin_helpers_refuse_what_is_off() -> None:
    z = stream(1, "twin", "a").standard_normal(N)
    with pytest.raises(AssertionError):
        assert_chance(int(0.51 * N), N, 0.5)
    with pytest.raises(AssertionError):
        assert_mean(z + 0.02, 0.0)
    with pytest.raises(AssertionError):
        assert_correlation(z, z + 3 * stream(1, "twin", "b").standard_normal(N), 0.0)
    with pytest.raises(AssertionError):
        assert_same_chance((int(0.5 * N), N), (int(0.51 * N), N))
    assert ALPHA < 1e-6


def test_a_whole_file_draws_alike() -> None:
    # Through planner.files: the same numbers as from the objects.
    tree = {
        "schema": 1,
        "incident": {"name": "x", "start": "2027-02-14T12:00:00"},
        "places": [{"name": A}],
        "patients": [
            {"tag": "P", "triage": "immediate", "place": A, "indication": "major trauma",
             "transfer_min": [60, 90, 150]},
        ],
        "cylinders": [{"tag": "c", "size": "D", "gauge_psi": 1900, "place": A}],
        "regulators": [{"connection": "CGA 870", "count": 1, "place": A}],
        "devices": [{"kind": NRB, "count": 1, "place": A}],
        "responders": [{"tag": "R1", "place": A}],
    }  # fmt: skip
    incident = incident_from(tree).incident
    plain = scene(person("P"), regulators=(reg("r1"),))
    assert np.array_equal(drawn(incident, 20).transfer_min, drawn(plain, 20).transfer_min)
