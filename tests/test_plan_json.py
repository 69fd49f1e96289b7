"""The JSON of a plan: its series stand on one grid and agree with the rest."""

from __future__ import annotations

import json

from planner.report.plan_json import plan_json
from planner.workflow import Request, make_plan
from tests.rule_incidents import cyl, pat, world


def test_series_of_one_patient_by_hand() -> None:
    # 10 L/min to minute 25, three cylinders of 100 usable litres each: 100 L needed by minute 10,
    # 250 L from 25 on, 300 L there from the start.
    incident = world([pat("P", gone=25)], [cyl(f"c{k}", 100) for k in range(3)])
    plan = make_plan(incident, None, Request(samples=200, effort=0, deterministic_s=0.3))
    series = json.loads(json.dumps(plan_json(plan), allow_nan=False))["series"]
    assert series["chance_out_by"]["chance"][-1] == 0.0
    every = series["need_against_supply"][0]
    needed = dict(zip(series["minutes"], every["needed_l"]["median"], strict=True))
    assert round(needed[10.0]) == 100
    assert round(needed[30.0]) == 250
    assert {round(x) for x in every["supplied_l"]["median"]} == {300}
    assert [row["patient"] for row in series["gauges"]] == ["P"]
    assert len(series["gauges"][0]["gauge_psi"]["median"]) == len(series["minutes"])
    # Twin: what the result holds without the series is the same.
    assert plan_json(plan)["risk"]["samples"] == 200
