"""The board, and a plan as one tree: everyone stands in it once, and every text is escaped."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from planner.files import read_incident
from planner.plan import Plan
from planner.policy_document import policy_from
from planner.report.board import board, board_html, grid_html
from planner.report.plan_document import plan_document, view_from
from planner.report.view import Grid, view_of
from planner.rules import queue_order
from planner.workflow import Request, make_plan
from tests.rule_incidents import cyl, pat, reg, world

SCENARIOS = Path(__file__).parents[1] / "scenarios"
QUICK = Request(samples=300, effort=0, deterministic_s=0.3)
HOSTILE = "<script>alert(1)</script>&\"'"


@cache
def plan_of(name: str) -> Plan:
    return make_plan(read_incident(SCENARIOS / f"{name}.toml").incident, None, QUICK)


@pytest.mark.parametrize("name", ["ulvaren-bowl", "drommick-chair", "ostrenga-pass"])
def test_everyone_stands_on_the_board_once_in_the_queues_order(name: str) -> None:
    plan = plan_of(name)
    assert [row.patient for row in board(plan)] == [p.tag for p in queue_order(plan.incident)]


def test_each_way_to_stand() -> None:
    # P is on the one regulator, Q waits for one, M is not found yet, N has no oxygen indicated.
    people = [
        pat("P", gone=30), pat("Q", "delayed", gone=30), pat("M", found=20, gone=50),
        pat("N", options=None),
    ]  # fmt: skip
    incident = world(people, [cyl("c1", 300), cyl("c2", 300)], [reg("r1")])
    rows = {row.patient: row for row in board(make_plan(incident, None, QUICK))}
    assert {tag: row.state for tag, row in rows.items()} == {
        "P": "on", "Q": "waiting", "M": "awaited", "N": "none",
    }  # fmt: skip
    assert rows["P"].source.endswith(" on r1")
    assert re.fullmatch(r"\d\d:\d\d", rows["P"].change_by)
    assert rows["Q"].source == "WAITING: regulator"
    assert (rows["M"].change_by, rows["N"].runs_out) == ("", "")


def test_category_is_a_word_and_a_shape() -> None:
    html = board_html(board(plan_of("ulvaren-bowl")))
    assert html.count("<tr") == 1 + len(plan_of("ulvaren-bowl").incident.patients)
    assert "\u25a0</span> Immediate" in html
    assert "\u25c6</span> Delayed" in html


def test_hostile_text_is_text() -> None:
    row = replace(board(plan_of("ulvaren-bowl"))[0], patient=HOSTILE, source=HOSTILE, state=HOSTILE)
    grid = Grid(HOSTILE, (HOSTILE,), ((HOSTILE,),), frozenset({0}))
    for html in (board_html([row]), grid_html(grid)):
        assert "<script" not in html
        assert "&lt;script&gt;alert(1)&lt;/script&gt;&amp;&quot;&#x27;" in html
    assert '<tr class="">' in board_html([row])  # no class of a user's making


@pytest.mark.parametrize("name", ["ulvaren-bowl", "ostrenga-pass"])
def test_a_plan_goes_through_json_and_comes_back(name: str) -> None:
    plan = plan_of(name)
    tree = json.loads(json.dumps(plan_document(plan), allow_nan=False))
    assert view_from(tree["view"]) == view_of(plan)
    assert policy_from(tree["policy"]) == plan.policy
    assert tree["kind"] == "plan"
    assert board_html(tree["board"]) == board_html(board(plan))
