"""Shared reserve, promised chains and the limit: how many full D cylinders hold 5 %.

The project's first measurements were 32 / 71 / 129 promised and 22 / 40 / 63 shared for 3 / 6 / 10
patients, against 20.7 / 36.8 / 57.4 that no plan can undercut. Their inputs were not written down.
Independent transfers of [45, 75, 130] min, 15 L/min and D cylinders at 2015 psi and 70 F (266 L
above 500 psi, 17.8 min) give all nine within one cylinder; the judge, the promises of a policy
and the limit are each run here, not a formula.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from planner.demand import sample
from planner.estimate import Estimate
from planner.incident import (
    Cylinder,
    DeviceStock,
    Incident,
    Option,
    Patient,
    Phase,
    Place,
    Regulator,
    Responder,
    ThreePoint,
    Uncertainty,
)
from planner.limits import best_possible
from planner.operation.judge import Bench
from planner.policy import Promise
from planner.risk import risk_of
from planner.rules import triage_order
from planner.state import initial_state
from planner.units import Pressure, Temperature

HERE = "hut"
WARM = Temperature(70.0, "F")
SAMPLES = 20_000
TARGET = 0.05
FIRST = {3: (32, 22, 20.7), 6: (71, 40, 36.8), 10: (129, 63, 57.4)}


def incident(num_patients: int, num_cylinders: int) -> Incident:
    option = Option("non-rebreather", "first choice", (Phase(15.0),))
    return Incident(
        name="equal patients",
        start=datetime(2027, 1, 5, 9, 0),
        places=(Place(HERE),),
        patients=tuple(
            Patient(
                f"P{k:02d}", "immediate", HERE, options=(option,), transfer=ThreePoint(45, 75, 130)
            )
            for k in range(num_patients)
        ),
        cylinders=tuple(
            Cylinder(
                f"D-{k:03d}", "D", Pressure(2015.0, "psi"), WARM, "CGA 870", 2.38, 0.16, (), HERE
            )
            for k in range(num_cylinders)
        ),
        regulators=tuple(
            Regulator(f"R-{k}", "CGA 870", (15.0,), 1, HERE) for k in range(num_patients)
        ),
        devices=(DeviceStock("non-rebreather", "adult", num_patients, HERE),),
        responders=tuple(Responder(f"H{k}", HERE) for k in range(num_patients)),
        uncertainty=Uncertainty(flow_setting=0.0, gauge=Pressure(0.0, "psi")),
        air_temperature=WARM,
        swap_min=0.0,
        swap_gap_min=0.0,
    )


def bench_of(what: Incident) -> Bench:
    state = initial_state(what)
    return Bench.of(what, state, sample(what, state, SAMPLES, 11))


def shared(what: Incident) -> Estimate:
    bench = bench_of(what)
    policy = triage_order(what, bench.state)
    return risk_of(what, policy, bench.operate(policy)).anyone


def promised(what: Incident) -> Estimate:
    """Every cylinder that is not in use at first is dealt out evenly, and is nobody else's."""
    bench = bench_of(what)
    policy = triage_order(what, bench.state)
    people = [p.tag for p in what.patients]
    dealt = tuple(
        Promise(tag, cylinders=policy.order[k :: len(people)]) for k, tag in enumerate(people)
    )
    policy = replace(policy, promises=dealt)
    return risk_of(what, policy, bench.operate(policy)).anyone


def pooled(what: Incident) -> Estimate:
    return best_possible(bench_of(what)).anyone


def least(num_patients: int, chance: Callable[[Incident], Estimate], low: int, high: int) -> int:
    """Return the least number of cylinders that holds the target, by halving."""
    assert chance(incident(num_patients, high)).value <= TARGET
    assert chance(incident(num_patients, low)).value > TARGET
    while high - low > 1:
        middle = (low + high) // 2
        if chance(incident(num_patients, middle)).value <= TARGET:
            high = middle
        else:
            low = middle
    return high


@pytest.mark.parametrize("num_patients", FIRST)
def test_within_one_cylinder_of_the_first_measurements(num_patients: int) -> None:
    chains, reserve, limit = FIRST[num_patients]
    found = (
        least(num_patients, promised, 2 * num_patients, 2 * chains),
        least(num_patients, shared, 2 * num_patients, 2 * reserve),
        least(num_patients, pooled, 2 * num_patients, 2 * reserve),
    )
    assert abs(found[0] - chains) <= 1
    assert abs(found[1] - reserve) <= 1
    assert abs(found[2] - np.ceil(limit)) <= 1
    assert found[2] <= found[1] < found[0]
