"""A plan as one tree of plain data: what the page draws from and what is kept in the store.

Everything a surface shows is in it (words, board, charts, numbers), so a page loaded anew, in
another tab or after a restart shows the same plan without planning again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

from planner.plan import Plan
from planner.policy_document import policy_document
from planner.report.board import board
from planner.report.cards import cards_of
from planner.report.charts import chance_by_minute, chance_by_patient, need_against_supply
from planner.report.gauge_chart import gauge_chart
from planner.report.result import plan_result
from planner.report.series import series_of
from planner.report.timeline_chart import swap_timeline
from planner.report.view import Grid, View, view_of

SCHEMA: Final = 1
GRIDS: Final = ("now", "awaited", "waiting", "swaps", "beside")


def plan_document(plan: Plan) -> dict[str, Any]:
    """Return a plan as a tree of texts, numbers, lists and tables, ready for JSON."""
    result = plan_result(plan)
    rows = board(plan, result)
    return {
        "schema": SCHEMA,
        "kind": "plan",
        "view": view_document(view_of(plan, result)),
        "board": [asdict(row) for row in rows],
        "cards": [asdict(card) for card in cards_of(plan, rows, result)],
        "policy": policy_document(plan.policy),
        "charts": charts_of(plan),
        "result": result,
    }


def charts_of(plan: Plan) -> dict[str, Any]:
    """Return the chart specs of a plan by name, for page and print alike."""
    series = series_of(plan)
    return {
        "swap_timeline": swap_timeline(plan),
        "gauges": gauge_chart(plan, series),
        "chance_by_minute": chance_by_minute(plan),
        "chance_by_patient": chance_by_patient(plan),
        "need_against_supply": need_against_supply(plan, series),
    }


def view_document(view: View) -> dict[str, Any]:
    """Return a view-model as plain data."""
    tree = asdict(view)
    for name in GRIDS:
        tree[name]["numeric"] = sorted(tree[name]["numeric"])
    return tree


def view_from(tree: Mapping[str, Any]) -> View:
    """Return the view-model of a tree made by :func:`view_document`."""
    values: dict[str, Any] = {}
    for name, value in tree.items():
        if name in GRIDS:
            values[name] = Grid(
                value["title"],
                tuple(value["heads"]),
                tuple(tuple(row) for row in value["rows"]),
                frozenset(value["numeric"]),
            )
        else:
            values[name] = tuple(value) if isinstance(value, list) else value
    return View(**{"changes": (), "moves": (), **values})  # kept by an earlier version: none
