"""The published flow table through a whole plan: 3226 L shared, how long it lasts at each flow.

US Army TM 55-1510-221-10 Table 2-5, P; printed minutes are cut to one place, 13.9 L/min is
rounded. ``test_gas_published`` checks the arithmetic alone. Here the litres lie in cylinders above
the change pressure, by handbook contents, and the minute is the plan's "lasts until": found by
operation, not by a division. Swaps take no time, since the table knows none.

One supply is shared by one patient at the whole flow, by several at parts of it who take from one
list, or, as the table means it, by several on the outlets of one source.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from planner.incident import Cylinder, Incident
from planner.plan import Plan
from planner.units import Pressure, Temperature
from planner.workflow import Request, make_plan
from tests.published.test_gas_published import CUT
from tests.rule_incidents import THREAD, A, hand, masks, pat, reg, world

SOURCE = "US Army TM 55-1510-221-10 Table 2-5, P"
SUPPLY_L = 3226.0
QUICK = Request(seed=3, samples=4, effort=2)
TABLE = [*CUT, (13.9, 232.1)]  # the last entry is rounded, the others cut


def printed_as(minutes: float, flow_lpm: float) -> float:
    """As the table prints: cut to one place, the entry of 13.9 rounded."""
    return round(minutes, 1) if flow_lpm == 13.9 else math.floor(minutes * 10) / 10


def shared(flows_lpm: list[float], num_cylinders: int, supply_l: float = SUPPLY_L) -> Incident:
    """Patients at these flows, and the supply in equal cylinders read at 2000 psi."""
    each_l = supply_l / num_cylinders
    gauge, at_c = Pressure(2000.0, "psi"), Temperature(10.0, "C")
    factor = each_l / 1500.0  # above the change pressure of 500 psi
    people = [pat(f"P{k}", flow=flow) for k, flow in enumerate(flows_lpm)]
    dial = tuple(sorted(set(flows_lpm)))
    return world(
        people,
        [
            Cylinder(f"c{k}", "M", gauge, at_c, THREAD, 21.3, factor, dial, A)
            for k in range(num_cylinders)
        ],
        [reg(f"r{k}", settings=dial) for k in range(len(people))],
        [hand(f"R{k}") for k in range(len(people))],
        devices=(masks(len(people)),),
        swap_min=0.0,
        swap_gap_min=0.0,
        horizon_min=480.0,
    )


def lasts_min(plan: Plan) -> float:
    """The plan's "lasts until"; what everybody's samples say must agree with it."""
    found = plan.lasts.everyone_min
    assert found is not None
    # Nothing is uncertain and nobody leaves, so all samples run out at that very minute.
    assert plan.risk.anyone.value == 1.0
    minutes, chances = plan.chance_out_by
    assert (chances[minutes < found - 1e-6] == 0).all()
    assert (chances[minutes > found + 1e-6] == 1).all()
    return found


@pytest.mark.parametrize(("flow", "printed"), TABLE)
def test_one_patient_at_the_whole_flow_from_one_cylinder(flow: float, printed: float) -> None:
    plan = make_plan(shared([flow], 1), None, QUICK)
    assert printed_as(lasts_min(plan), flow) == printed, SOURCE
    # Out from then to the horizon.
    assert plan.risk.minutes_out.value == pytest.approx(480 - SUPPLY_L / flow, abs=1e-6)


@pytest.mark.parametrize(("flow", "printed"), TABLE)
def test_two_patients_at_half_the_flow_from_one_list(flow: float, printed: float) -> None:
    # Ten equal cylinders, two breathe alike: both change at the same minutes and take the last
    # two together, so the supply ends for both when the table says.
    plan = make_plan(shared([flow / 2, flow / 2], 10), None, QUICK)
    assert printed_as(lasts_min(plan), flow) == printed, SOURCE
    assert plan.risk.minutes_out.value == pytest.approx(2 * (480 - SUPPLY_L / flow), abs=1e-6)


@pytest.mark.parametrize(("flow", "printed"), TABLE)
def test_three_patients_on_the_outlets_of_one_source(flow: float, printed: float) -> None:
    # As the table means it: one supply at the sum of unlike flows; all are out together.
    flows = [0.2 * flow, 0.3 * flow, 0.5 * flow]
    incident = shared(flows, 1)
    source = replace(incident.regulators[0], outlets=3)
    plan = make_plan(replace(incident, regulators=(source,)), None, QUICK)
    assert [len(hookup.lines) for hookup in plan.policy.hookups] == [3]
    assert printed_as(lasts_min(plan), flow) == printed, SOURCE
    assert plan.risk.minutes_out.value == pytest.approx(3 * (480 - SUPPLY_L / flow), abs=1e-6)


def test_two_outlets_leave_the_third_without() -> None:
    # Twin: at 13.9 L/min, two of the three on it: it lasts longer, and one is out from the start.
    incident = shared([0.2 * 13.9, 0.3 * 13.9, 0.5 * 13.9], 1)
    source = replace(incident.regulators[0], outlets=2)
    plan = make_plan(replace(incident, regulators=(source,)), None, QUICK)
    assert [len(hookup.lines) for hookup in plan.policy.hookups] == [2]
    assert plan.lasts.everyone_min == 0.0


def test_unlike_flows_from_one_list_end_within_one_cylinder_of_the_table() -> None:
    # 13.9 L/min as 1 + 4.9 + 8: 100 cylinders of 32.26 L. In triage order, "next on the list", the
    # first is out when list and own cylinder are empty; by then the others have less than one
    # cylinder each left, so at most 64.52 L are unused: 227.4 at the earliest, 232.1 at the latest.
    plan = make_plan(shared([1.0, 4.9, 8.0], 100), None, QUICK)
    rule = plan.rules[0]
    assert rule.rule.startswith("(a)")
    exact = SUPPLY_L / 13.9
    assert rule.lasts.everyone_min is not None
    assert exact - 2 * 32.26 / 13.9 <= rule.lasts.everyone_min <= exact + 1e-6, SOURCE
    # The plan itself does otherwise, and rightly by J: a minute weighs the same for all three, so
    # litres go to the low flows, and the first is out sooner than when all share alike.
    assert plan.risk.objective.value < rule.risk.objective.value


def test_eighty_four_per_cent_full() -> None:
    plan = make_plan(shared([13.9], 1, 0.84 * SUPPLY_L), None, QUICK)
    assert math.floor(lasts_min(plan) * 10) / 10 == 194.9, SOURCE


def test_known_misprints_are_not_copied() -> None:
    """Same table: 170.0 at 18.9 L/min (170.7), and 178.2 at 18.1, 84 % full (149.7)."""
    assert lasts_min(make_plan(shared([18.9], 1), None, QUICK)) == pytest.approx(170.7, abs=0.05)
    plan = make_plan(shared([18.1], 1, 0.84 * SUPPLY_L), None, QUICK)
    assert lasts_min(plan) == pytest.approx(149.7, abs=0.05)


def test_a_swap_gap_is_no_use_of_oxygen() -> None:
    # Twin: with a gap of a minute at each of nine swaps the supply lasts nine minutes longer, so
    # the table does need swaps that take no time.
    incident = shared([15.2], 10)
    plan = make_plan(replace(incident, swap_gap_min=1.0), None, QUICK)
    assert plan.lasts.everyone_min == pytest.approx(SUPPLY_L / 15.2 + 9, abs=1e-6)
