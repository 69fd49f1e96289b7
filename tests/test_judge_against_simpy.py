"""The compiled judge and the independent SimPy model agree, sample by sample."""

from __future__ import annotations

import numpy as np
import pytest

from planner.demand import sample
from planner.incident import Incident
from planner.operation.judge import Bench, Outcome
from tests.rule_incidents import Case, Rich, eight_incidents
from tests.simpy_model import SimResult, simulate
from tests.source_incidents import ALL_CASES, shared_incidents

MINUTES = 1e-6  # both add up the same few products, in other orders
LITRES = 1e-6
SAMPLES = 200
EVERY = [
    pytest.param(case, id=f"{number} {case.name}")
    for number, pair in enumerate(ALL_CASES)
    for case in (pair, pair.twin)
    if case is not None
]
RICH = [*eight_incidents(), *shared_incidents()]


def swaps_of(incident: Incident, outcome: Outcome, s: int) -> list[tuple[object, ...]]:
    tally = outcome.swaps
    assert tally is not None
    tags = [c.tag for c in incident.all_cylinders]
    people = [p.tag for p in incident.patients]
    assert tally.num_swaps[s] <= tally.swap_min.shape[1]
    return [
        (
            round(float(tally.swap_min[s, k]), 5),
            people[tally.swap_patient[s, k]],
            None if tally.swap_off[s, k] < 0 else tags[tally.swap_off[s, k]],
            tags[tally.swap_on[s, k]],
        )
        for k in range(tally.num_swaps[s])
    ]


def assert_agree(incident: Incident, outcome: Outcome, s: int, other: SimResult) -> None:
    people = [p.tag for p in incident.patients]
    minutes = dict(zip(people, outcome.minutes_out[:, s], strict=True))
    late = dict(zip(people, outcome.late_swaps[:, s], strict=True))
    for tag, expected in other.minutes_out.items():
        assert minutes[tag] == pytest.approx(expected, abs=MINUTES), tag
    for tag, expected in other.late_swaps.items():
        assert late[tag] == expected, tag
    theirs = [(round(w.minute, 5), w.patient, w.off, w.on) for w in other.swaps]
    assert swaps_of(incident, outcome, s) == theirs
    assert outcome.used_l[s] == pytest.approx(other.litres_used, abs=LITRES)


@pytest.mark.parametrize("case", EVERY)
def test_every_case_by_hand(case: Case) -> None:
    needs = case.needs()
    outcome = Bench.of(case.incident, case.start, needs).operate(case.policy, max_swaps=60)
    expected = case.expected_out()
    for row, patient in enumerate(case.incident.patients):
        assert outcome.minutes_out[row] == pytest.approx(expected[patient.tag], abs=MINUTES)
    assert_agree(
        case.incident, outcome, 0, simulate(case.incident, case.start, case.policy, needs, 0)
    )


@pytest.mark.parametrize("rich", RICH, ids=lambda rich: rich.name)
def test_eight_incidents_sample_by_sample(rich: Rich) -> None:
    num_samples = SAMPLES if rich in eight_incidents() else SAMPLES // 2
    needs = sample(rich.incident, rich.state, num_samples, 7)
    outcome = Bench.of(rich.incident, rich.state, needs).operate(rich.policy, max_swaps=120)
    assert outcome.swaps is not None
    assert outcome.swaps.num_swaps.sum() > SAMPLES  # the comparison is about something
    for s in range(num_samples):
        other = simulate(rich.incident, rich.state, rich.policy, needs, s)
        assert_agree(rich.incident, outcome, s, other)


@pytest.mark.parametrize("rich", RICH, ids=lambda rich: rich.name)
def test_litres_balance_and_threads(rich: Rich) -> None:
    needs = sample(rich.incident, rich.state, 2000, 8)
    bench = Bench.of(rich.incident, rich.state, needs)
    one, two = (bench.operate(rich.policy, num_threads=k) for k in (1, 2))
    total = one.used_l + one.in_place_l + one.with_patients_l + one.taken_off_l
    assert np.allclose(total, one.supplied_l, rtol=1e-9, atol=1e-9)
    assert (one.used_l > 0).any()
    for name in ("minutes_out", "first_out_min", "late_swaps", "used_l", "taken_off_l"):
        assert getattr(one, name).tobytes() == getattr(two, name).tobytes(), name
    assert np.array_equal(bench.minutes_out(rich.policy, 500, 900), one.minutes_out[:, 500:900])
