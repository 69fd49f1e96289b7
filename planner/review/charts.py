"""The charts of a review, one specification each for page and print."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from planner.report.chart_parts import Spec
from planner.review.chart_axis import LogAxis
from planner.review.cylinder_chart import cylinder_chart
from planner.review.findings import Findings, Timeline
from planner.review.gauge_course import gauge_courses
from planner.review.patient_chart import patient_chart
from planner.review.supply_chart import supply_chart

MOST_PEOPLE: Final = 16  # rows that fit on a printed page
MOST_CYLINDERS: Final = 12


def review_charts(facts: Findings, start: datetime) -> tuple[Spec, ...]:
    """Return the charts: oxygen of each person, gauge of each cylinder, need against supply.

    Parameters
    ----------
    facts : Findings
    start : datetime
        Clock time of the log's minute 0.

    Returns
    -------
    tuple of dict
        Many people or cylinders are shared out over several charts; empty for an empty log.
    """
    if not facts.entries:
        return ()
    clock = LogAxis(start, min(0.0, *(e.at_min for e in facts.entries)), facts.end_min)
    courses = gauge_courses(facts.entries, facts.stock, clock.grid())
    people = [row for row in facts.patients if row.stretches]
    specs = [patient_chart(facts, clock, rows) for rows in _parts(people, MOST_PEOPLE)]
    specs += [
        cylinder_chart(facts, clock, rows, courses)
        for rows in _parts(facts.cylinders, MOST_CYLINDERS)
    ]
    if facts.stock.cylinders:
        specs.append(supply_chart(facts, clock, courses))
    return tuple(specs)


def _parts(rows: Sequence[Timeline], most: int) -> list[Sequence[Timeline]]:
    return [rows[k : k + most] for k in range(0, len(rows), most)]
