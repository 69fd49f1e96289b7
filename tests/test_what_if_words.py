"""Words of a what-if: what is different, both chances, and whether samples can show it."""

from __future__ import annotations

import json

from planner.estimate import Estimate
from planner.report.what_if_words import what_if_lines, what_if_result
from planner.units import Pressure
from planner.what_if import Change, Compared, Difference


def told(change: Change, by: Estimate) -> list[str]:
    pair = Compared(Estimate(0.1, 0.09, 0.11, 1000), Estimate(0.2, 0.18, 0.22, 1000), by)
    found = Difference(pair, pair, Compared(pair.before, pair.after, by))
    return what_if_lines(json.loads(json.dumps(what_if_result(change, found))))


def test_more_and_fewer_points_and_none() -> None:
    lines = told(Change(later_min=15), Estimate(0.1, 0.08, 0.12, 1000))
    assert lines[0] == "With transport 15 min later, the plan kept as it is:"
    assert lines[1] == (
        "About 1 in 5 that anyone runs out, 20 % (18-22); before 10 % (9.0-11). "
        "10.0 points more (8.0-12.0)."
    )
    fewer = told(Change(later_min=-15), Estimate(-0.1, -0.12, -0.08, 1000))
    assert fewer[0].startswith("With transport 15 min earlier")
    assert fewer[1].endswith("10.0 points fewer (8.0-12.0).")
    unclear = told(Change(), Estimate(0.001, -0.001, 0.003, 1000))
    assert unclear[0].startswith("With nothing changed")
    assert unclear[1].endswith("No difference that 1,000 samples can show.")


def test_every_change_is_named() -> None:
    change = Change(flow_factor=1.1, num_fewer=2, change_at=Pressure(200, "psi"))
    assert told(change, Estimate(0, 0, 0, 10))[0] == (
        "With flows +10 %, 2 of the list's last cylinders gone, swaps due at 200 psi, the plan "
        "kept as it is:"
    )
    in_bar = told(Change(change_at=Pressure(20, "bar")), Estimate(0, 0, 0, 10))[0]
    assert in_bar.startswith("With swaps due at 20 bar, ")
