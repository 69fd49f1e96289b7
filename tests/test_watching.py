"""Watching operation minute by minute against reading one sample at one minute."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from planner.demand import sample
from planner.files import read_incident
from planner.gas import content_l
from planner.operation.judge import Bench
from planner.operation.reading import state_after
from planner.operation.watching import watch
from planner.policy import Policy
from planner.rules import promised_in_advance
from planner.state import initial_state

FOLDER = Path(__file__).parents[1] / "scenarios"
NAMES = ["ulvaren-bowl", "drommick-chair", "harrow-col-forty"]
NUM_SAMPLES = 6


@cache
def bench_and_policy(name: str) -> tuple[Bench, Policy]:
    incident = read_incident(FOLDER / f"{name}.toml").incident
    state = initial_state(incident)
    bench = Bench.of(incident, state, sample(incident, state, NUM_SAMPLES, seed=7))
    return bench, promised_in_advance(incident, state)


@pytest.mark.parametrize("name", NAMES)
def test_watching_sees_what_reading_reads(name: str) -> None:
    bench, policy = bench_and_policy(name)
    incident, horizon = bench.incident, bench.incident.horizon_min
    assert incident.contents == "real gas"
    # Round minutes, one amid a gap, the start, the horizon; out of order on purpose.
    minutes = np.array([90.0, 0.0, 12.5, 25.0, 37.0, 50.0, 70.0, 150.0, 200.0, horizon])
    seen = watch(bench, policy, minutes, NUM_SAMPLES)
    tags = [c.tag for c in incident.all_cylinders]
    rows = {c.tag: c for c in incident.all_cylinders}
    compared = 0
    for k, minute in enumerate(minutes):
        for s in range(0, NUM_SAMPLES, 2):
            state = state_after(incident, bench.state, policy, bench.needs, s, float(minute))
            on = {line.patient: h.cylinders[0] for h in state.hookups for line in h.lines}
            now = {c.tag: c for c in state.cylinders}
            for i, person in enumerate(state.patients):
                c = seen.cylinder[i, k, s]
                assert on.get(person.tag) == (None if c < 0 else tags[c])
                assert seen.is_out[i, k, s] == person.is_out
                if c < 0:
                    assert np.isnan(seen.litres[i, k, s])
                    continue
                at = now[tags[c]]
                litres = content_l(rows[at.tag].water_volume_l, at.gauge.psi, at.read_at.c)
                assert seen.litres[i, k, s] == pytest.approx(litres, abs=1e-6)
                compared += 1
    assert compared > 20


def test_sum_of_watched_minutes_out_is_the_judges() -> None:
    """Out at a minute, over a fine grid, adds up to the judge's minutes out.

    A stretch out of oxygen misses or gains less than one step at each of its two ends.
    """
    bench, policy = bench_and_policy("harrow-col-forty")
    step, horizon = 1.0, bench.incident.horizon_min
    seen = watch(bench, policy, np.arange(0.0, horizon, step), 2)
    out = bench.operate(policy).minutes_out[:, :2]
    stretches = 1 + (np.diff(seen.is_out.astype(int), axis=1) == 1).sum(axis=1)
    assert out.max() > 10 * step
    assert np.all(np.abs(seen.is_out.sum(axis=1) * step - out) <= 2 * step * (stretches + 1))


def test_watching_leaves_the_bench_as_it_was() -> None:
    bench, policy = bench_and_policy("ulvaren-bowl")
    before = bench.operate(policy).minutes_out
    watch(bench, policy, np.array([5.0]), 2)
    assert np.array_equal(bench.operate(policy).minutes_out, before)


def test_more_samples_do_not_change_the_first() -> None:
    bench, policy = bench_and_policy("drommick-chair")
    minutes = np.array([30.0, 60.0])
    few, many = (watch(bench, policy, minutes, n) for n in (2, NUM_SAMPLES))
    assert np.array_equal(few.cylinder, many.cylinder[:, :, :2])
    assert np.array_equal(few.litres, many.litres[:, :, :2], equal_nan=True)


@pytest.mark.parametrize(("minute", "num_samples"), [(-1.0, 2), (1e9, 2), (np.nan, 2), (5.0, 0),
                                                     (5.0, NUM_SAMPLES + 1)])  # fmt: skip
def test_what_cannot_be_watched_is_refused(minute: float, num_samples: int) -> None:
    bench, policy = bench_and_policy("ulvaren-bowl")
    with pytest.raises(ValueError, match="allowed"):
        watch(bench, policy, np.array([minute]), num_samples)
