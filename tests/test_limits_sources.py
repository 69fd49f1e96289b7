"""No plan comes under the limit: also where one swap saves the gap for several, and on legs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.demand import sample
from planner.limits import shortages
from planner.operation.judge import Bench
from planner.state import initial_state
from tests.generator import random_incident
from tests.leg_incidents import B, carried, leg, with_kit
from tests.random_policies import carried as with_legs
from tests.random_policies import random_policy, shared, varied
from tests.rule_incidents import cyl, hand, on, pat, plan, reg, world
from tests.source_incidents import both_on


def test_one_gap_saves_the_oxygen_of_all_on_a_source() -> None:
    # Two at 10 L/min, five cylinders of 20 L, a gap of 4 min: each lasts 1 min, four gaps between:
    # 21 min. Fetched at 18 nobody runs out, though 360 L would flow in 18 min without gaps.
    cylinders = [cyl(f"c{k}", 20) for k in range(5)]
    regulator = replace(reg("g"), outlets=2)
    incident = world(
        [pat("P", gone=18), pat("Q", gone=18)], cylinders, (regulator,), [hand()],
        swap_gap_min=4.0, swap_min=4.0,
    )  # fmt: skip
    policy = plan(incident, both_on("c0", "g", "P", "Q"), order=("c1", "c2", "c3", "c4"))
    bench = Bench.of(incident, initial_state(incident), sample(incident, initial_state(incident),
                                                              1, 1))  # fmt: skip
    assert bench.operate(policy).minutes_out.max() == 0
    assert not shortages(bench, policy)[2].any()
    # Twin: without gaps the litres are short.
    short = replace(incident, swap_gap_min=0.0)
    bench = Bench.of(short, initial_state(short), sample(short, initial_state(short), 1, 1))
    assert shortages(bench, policy)[2].all()


def test_on_a_leg_the_buffer_is_breathed() -> None:
    # Leaves at 5 for 7 min with 80 L above the residual; due at 10, on the buffer to 12; from 13 on
    # 75 L to 20.5. Fetched at 20.4: 204 L wanted, 175 above the change pressure, two gaps of 10 L.
    incident = with_kit(carried(leg(5, 7), gone=20.4), cylinders=(cyl("c1", 100), cyl("c3", 75, B)))
    state = initial_state(incident)
    policy = plan(incident, on("P", "c1", "r1"))
    bench = Bench.of(incident, state, sample(incident, state, 1, 1))
    assert bench.operate(policy).minutes_out.max() == 0
    assert not shortages(bench, policy)[2].any()
    # Twin: much later nothing helps.
    late = replace(incident, patients=(carried(leg(5, 7), gone=60),))
    bench = Bench.of(late, state, sample(late, state, 1, 1))
    assert shortages(bench, policy)[2].all()


@pytest.mark.parametrize("seed", range(40))
def test_no_random_policy_is_better(seed: int) -> None:
    incident = random_incident(
        seed, num_patients=4 + seed % 6, num_cylinders=8 + seed % 9,
        supply_ratio=(0.5, 0.8, 1.0, 1.2)[seed % 4],
    )  # fmt: skip
    incident = with_legs(shared(varied(incident, seed), seed), seed)
    state = initial_state(incident)
    needs = sample(incident, state, 200, seed)
    policy = random_policy(incident, state, seed)
    bench = Bench.of(incident, state, needs)
    outcome = bench.operate(policy)
    counted = np.array([policy.option_of(p.tag) is not None for p in incident.patients])
    late = outcome.late_swaps.any(axis=0)  # what a late swap breathes is not counted, as it says
    is_out = (outcome.minutes_out[counted] > 1e-9).any(axis=0)
    short = shortages(bench, policy)[2]
    assert not (short & ~is_out & ~late).any()
