"""The published flow table from a made-up log: when it is due, and the flow found from gauges.

US Army TM 55-1510-221-10 Table 2-5, P: 3226 L shared; see ``test_flow_table_plan`` for how the
table prints. Here the litres lie in one cylinder between start and change gauge by real gas.
"""

from __future__ import annotations

import math

import pytest

from planner.gas import content_l
from planner.incident import Cylinder
from planner.journal.events import Connected, GaugeRead, LogEntry
from planner.journal.replaying import replay
from planner.journal.stock import Stock
from planner.review.walking import walk
from planner.units import Pressure, Temperature
from tests.published.test_flow_table_plan import SOURCE, SUPPLY_L, TABLE, printed_as

START_PSI, CHANGE_PSI, AIR_C = 2000.0, 500.0, 10.0
EACH_L = float(content_l(1.0, START_PSI, AIR_C) - content_l(1.0, CHANGE_PSI, AIR_C))


def stock(supply_l: float = SUPPLY_L) -> Stock:
    """One cylinder with so many litres above the change pressure."""
    cylinder = Cylinder(
        "c", "M", Pressure(START_PSI, "psi"), Temperature(AIR_C, "C"), "CGA 540",
        supply_l / EACH_L, 1.56, (), "hut",
    )  # fmt: skip
    return Stock(cylinders=(cylinder,), air_temperature=Temperature(AIR_C, "C"))


def on(flow_lpm: float) -> LogEntry:
    return LogEntry("1", 0.0, Connected("P", "c", None, "mask", flow_lpm))


@pytest.mark.parametrize(("flow", "printed"), TABLE)
def test_due_at_the_printed_minute(flow: float, printed: float) -> None:
    (due,) = replay([on(flow)], stock(), 0.0).due
    assert printed_as(due.change_at_min, flow) == printed, SOURCE


def test_when_not_full() -> None:
    (due,) = replay([on(13.9)], stock(0.84 * SUPPLY_L), 0.0).due
    assert math.floor(due.change_at_min * 10) / 10 == 194.9, SOURCE  # 84 % full


@pytest.mark.parametrize(("flow", "printed"), TABLE)
def test_flow_from_two_gauges_and_the_printed_minutes(flow: float, printed: float) -> None:
    # Whatever flow is written, the gauges give the true one: as near as the table's cut place.
    read = LogEntry("2", printed, GaugeRead(Pressure(CHANGE_PSI, "psi"), "c"))
    found = walk([on(8.0), read], stock()).readings[-1].flow
    assert found is not None
    assert found.lpm == pytest.approx(flow, rel=0.11 / printed), SOURCE
    assert found.written_lpm == pytest.approx(8.0)
