"""Three ways to run it: each end has the levels it says, on common samples; litres add up."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from planner.files import read_incident
from planner.incident import Option, Phase
from planner.oxygen_options import options_of
from planner.report.ways_words import ways_grid, ways_lines, ways_result
from planner.ways import FIRST, PRICED, REDUCED, Way, three_ways
from planner.workflow import Request, make_plan
from tests.rule_incidents import NRB, cyl, hand, masks, pat, reg, world

SCENARIOS = Path(__file__).parents[1] / "scenarios"
QUICK = Request(seed=3, samples=1000, effort=30, deterministic_s=0.1)


@cache
def ways(name: str) -> tuple[Way, Way, Way]:
    plan = make_plan(read_incident(SCENARIOS / f"{name}.toml").incident, None, QUICK)
    return three_ways(plan, QUICK, lambda _: None)


@pytest.mark.parametrize("name", ["ulvaren-bowl", "pelvarra-camp"])
def test_each_end_has_its_levels(name: str) -> None:
    first, priced, reduced = ways(name)
    assert (first.name, priced.name, reduced.name) == (FIRST, PRICED, REDUCED)
    assert first.steps == ()
    assert all(option.steps == 0 for _, option in first.plan.policy.options)
    incident = priced.plan.incident
    could = {p.tag for p in incident.patients if any(o.steps for o in options_of(incident, p))}
    assert could
    planned = {tag for tag, _ in reduced.plan.policy.options}
    assert {tag for tag, _ in reduced.steps} == could & planned
    assert priced.by.value == 0.0


@pytest.mark.parametrize("name", ["ulvaren-bowl", "pelvarra-camp"])
def test_litres_add_up_to_the_same_stock(name: str) -> None:
    """Oxygen in = used + left, and what is there does not depend on the way it is run."""
    sums = [
        w.litres.used.value + w.litres.left_at_swaps.value + w.litres.left_in_reserve.value
        + w.litres.left_with_patients.value
        for w in ways(name)
    ]  # fmt: skip
    assert sums == pytest.approx([sums[0]] * 3)
    assert sums[0] > 1000


def test_by_hand() -> None:
    """One patient, 40 min, 5 cylinders of 100 L at 10 L/min last 50; at 20 L/min 25, at 5 all.

    First choice: 20 L/min runs out in every run. As priced and reduced: 5 or 10 L/min never do.
    The step to 10 costs .04, running out all of J: taken.
    """
    options = tuple(
        Option(NRB, level, (Phase(flow),))
        for level, flow in (("first choice", 20.0), ("reduced", 10.0), ("minimum", 5.0))
    )
    incident = world(
        [pat("P", gone=40.0, options=options)],
        [cyl(f"T{k}", 100.0) for k in range(5)],
        [reg("r1", settings=(5.0, 10.0, 20.0))],
        [hand("R1")],
        devices=(masks(1),),
    )
    found = three_ways(make_plan(incident, None, QUICK), QUICK, lambda _: None)
    first, priced, reduced = found
    assert [w.plan.risk.anyone.value for w in found] == [1.0, 0.0, 0.0]
    assert first.by.value == 1.0
    assert reduced.by.value == 0.0
    assert priced.plan.policy.option_of("P") == options[1]
    assert first.swaps.value == 4.0  # five cylinders, the first one named by the plan
    assert priced.swaps.value == 3.0  # 40 min of 10 L/min: four cylinders (gaps put off the last)
    # 5 at 20 L/min: all 500 L above the change pressure, and no more.
    assert first.litres.used.value == pytest.approx(500.0)
    lines = ways_lines(found)
    assert "nobody steps down; beside this plan 100 points more" in lines[0]
    assert "P to non-rebreather 10 L/min (reduced)" in lines[1]
    assert "no clear difference" in lines[2]


def test_words_and_data_hold_the_same() -> None:
    found = ways("ulvaren-bowl")
    grid = ways_grid(found)
    assert len(grid.rows) == 3
    assert all(len(row) == len(grid.heads) for row in grid.rows)
    tree = json.loads(json.dumps(ways_result(found)))
    assert [row["way"] for row in tree] == [FIRST, PRICED, REDUCED]
    for row, way in zip(tree, found, strict=True):
        assert row["risk"]["anyone"]["chance"] == way.plan.risk.anyone.value
        assert [s["patient"] for s in row["steps"]] == [tag for tag, _ in way.steps]


def test_same_request_same_ways() -> None:
    plan = make_plan(
        read_incident(SCENARIOS / "ulvaren-bowl.toml").incident, None, replace(QUICK, effort=5)
    )
    one, other = (
        ways_result(three_ways(plan, replace(QUICK, effort=5), lambda _: None)) for _ in range(2)
    )
    assert one == other
