"""The process model gives what was worked out by hand, and loses no litre."""

from __future__ import annotations

import pytest

from planner.demand import sample
from tests.rule_incidents import Case, Rich, eight_incidents
from tests.simpy_model import SimResult, simulate
from tests.source_incidents import ALL_CASES, shared_incidents

RICH = [*eight_incidents(), *shared_incidents()]


def _run(case: Case) -> SimResult:
    return simulate(case.incident, case.start, case.policy, case.needs(), 0)


def _facts(result: SimResult) -> tuple[object, ...]:
    """Minutes, late swaps and connections of a run, rounded far below what a rule changes."""
    return (
        {tag: round(minutes, 7) for tag, minutes in result.minutes_out.items()},
        result.late_swaps,
        [(round(s.minute, 7), *s[1:]) for s in result.swaps],
    )


def _pairs() -> list[Case]:
    return [c for case in ALL_CASES for c in (case, case.twin) if c is not None]


@pytest.mark.parametrize("case", _pairs(), ids=lambda c: c.name)
def test_result_by_hand(case: Case) -> None:
    minutes, late, swaps = _facts(_run(case))
    assert minutes == pytest.approx(case.expected_out(), abs=1e-7)
    assert swaps == [(round(m.minute, 7), *m[1:]) for m in case.swaps]
    assert late == case.expected_late()


@pytest.mark.parametrize("case", ALL_CASES, ids=lambda c: c.name)
def test_twin_differs(case: Case) -> None:
    # A case whose twin gave the same would show nothing about its rule.
    assert case.twin is not None
    assert _facts(_run(case)) != _facts(_run(case.twin))


@pytest.mark.parametrize("case", _pairs(), ids=lambda c: c.name)
def test_litres_balance(case: Case) -> None:
    _check_litres(_run(case))


def _check_litres(result: SimResult) -> None:
    """What was there and arrived is used or left."""
    left = sum(
        litres for tag, litres in result.litres_left.items() if result.ended[tag] != "not arrived"
    )
    there = result.litres_start + result.litres_arrived
    assert there == pytest.approx(result.litres_used + left, rel=1e-12, abs=0)
    assert min(result.litres_left.values(), default=0.0) >= 0


def test_every_rule_has_a_case() -> None:
    named = {part.strip() for case in ALL_CASES for part in case.rule.split(",")}
    assert {str(n) for n in range(1, 13)} <= named
    names = [case.name for case in _pairs()]
    assert len(set(names)) >= len(ALL_CASES)


@pytest.mark.parametrize("rich", RICH, ids=lambda r: r.name)
def test_richer_incidents(rich: Rich) -> None:
    needs = sample(rich.incident, rich.state, 40, seed=7)
    span = rich.incident.horizon_min - rich.state.at_min
    swaps = late = out = 0
    for n in range(needs.num_samples):
        result = simulate(rich.incident, rich.state, rich.policy, needs, n)
        _check_litres(result)
        assert all(0 <= minutes <= span + 1e-9 for minutes in result.minutes_out.values())
        minutes_of_swaps = [swap.minute for swap in result.swaps]
        assert minutes_of_swaps == sorted(minutes_of_swaps)
        swaps += len(result.swaps)
        late += sum(result.late_swaps.values())
        out += sum(minutes > 0 for minutes in result.minutes_out.values())
    # They are there to be compared with another operation: something has to happen in them.
    assert swaps > 40
    assert out > 0
