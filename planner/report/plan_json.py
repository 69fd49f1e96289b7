"""``plan --json``: the result with its series for charts."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from planner.plan import Plan
from planner.policy_document import policy_document
from planner.report.result import plan_result
from planner.report.series import Series, series_of


def plan_json(plan: Plan) -> dict[str, Any]:
    """Return the whole result of a plan as plain data.

    ``series`` holds, besides the chance of anyone out by minute, gauges by patient and litres
    needed against supplied by connection (the first one: all together), each as 10 %, 50 % and
    90 % points on one grid of minutes. ``policy`` is what a crew follows, to plan on from
    (:mod:`planner.replan`).
    """
    result = plan_result(plan)
    result["series"] |= series_result(series_of(plan))
    result["policy"] = policy_document(plan.policy)
    return result


def series_result(series: Series) -> dict[str, Any]:
    """Return series as plain data."""
    tree = asdict(series)
    return {
        "minutes": tree["minutes"],
        "samples": tree["num_samples"],
        "gauges": tree["gauges"],
        "need_against_supply": tree["need_supply"],
    }
