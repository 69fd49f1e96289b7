"""Three ways to run it, in words and as plain data."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from planner.report.estimates import difference_words, value_result
from planner.report.result import risk_result
from planner.report.view import Grid
from planner.report.words import joined, percent, share, when
from planner.ways import FIRST, PRICED, REDUCED, Way

TITLES: Final = {
    FIRST: "First choice for all",
    PRICED: "As priced, this plan",
    REDUCED: "Reduced for all",
}
HEADS: Final = (
    "", "Anyone out", "An Immediate", "Lasts till", "Swaps", "Used", "Left at swaps", "Reserve",
)  # fmt: skip


def ways_grid(ways: Iterable[Way]) -> Grid:
    """Return the three ways side by side."""
    rows = tuple(
        (
            TITLES[way.name],
            percent(way.plan.risk.anyone),
            percent(way.plan.risk.immediate),
            _until(way),
            f"{way.swaps.value:.1f}",
            f"{way.litres.used.value:,.0f}",
            f"{way.litres.left_at_swaps.value:,.0f}",
            f"{way.litres.left_in_reserve.value:,.0f}",
        )
        for way in ways
    )
    return Grid(
        "Three ways to run it (litres: means of all runs)",
        HEADS,
        rows,
        frozenset({1, 2, 4, 5, 6, 7}),
    )


def ways_lines(ways: Iterable[Way]) -> tuple[str, ...]:
    """Say of each way who steps down, and how it differs from the plan."""
    lines = []
    for way in ways:
        steps = [f"{tag} to {o.device} {o.flow_lpm:g} L/min ({o.level})" for tag, o in way.steps]
        who = f"steps down: {joined(steps)}" if steps else "nobody steps down"
        by = "" if way.name == PRICED else f"; beside this plan {difference_words(way.by)} run out"
        if way.name != PRICED and way.by.low <= 0 <= way.by.high:
            by = f"; beside this plan no clear difference ({share(abs(way.by.value))} points)"
        lines.append(f"{TITLES[way.name]}: {who}{by}.")
    lines.append("A lower level is a clinician's decision; the plan proposes.")
    return tuple(lines)


def _until(way: Way) -> str:
    minute = way.plan.lasts.everyone_min
    if minute is None:
        return "the end"
    return when(way.plan.incident.start, minute)


def ways_document(ways: Sequence[Way]) -> dict[str, Any]:
    """Return the ways as one tree: table, words and numbers."""
    grid = ways_grid(ways)
    return {
        "schema": 1,
        "kind": "ways",
        "grid": {"title": grid.title, "heads": list(grid.heads),
                 "rows": [list(row) for row in grid.rows], "numeric": sorted(grid.numeric)},
        "lines": list(ways_lines(ways)),
        "ways": ways_result(ways),
    }  # fmt: skip


def grid_of(tree: Mapping[str, Any]) -> Grid:
    """Return the table of a tree made by :func:`ways_document`."""
    grid = tree["grid"]
    rows = tuple(tuple(row) for row in grid["rows"])
    return Grid(grid["title"], tuple(grid["heads"]), rows, frozenset(grid["numeric"]))


def ways_result(ways: Iterable[Way]) -> list[dict[str, Any]]:
    """Return the ways as plain data."""
    return [
        {
            "way": way.name,
            "title": TITLES[way.name],
            "risk": risk_result(way.plan.risk),
            "by": value_result(way.by),
            "lasts_min": way.plan.lasts.everyone_min,
            "swaps": value_result(way.swaps),
            "litres": {
                "used": value_result(way.litres.used),
                "left_at_swaps": value_result(way.litres.left_at_swaps),
                "left_in_reserve": value_result(way.litres.left_in_reserve),
                "left_with_patients": value_result(way.litres.left_with_patients),
            },
            "steps": [
                {"patient": tag, "device": o.device, "flow_lpm": o.flow_lpm, "level": o.level}
                for tag, o in way.steps
            ],
        }
        for way in ways
    ]
