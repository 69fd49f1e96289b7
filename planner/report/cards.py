"""A card for each patient: what goes on them now, till when, and what comes next."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from planner.plan import Plan
from planner.report.board import ON_OXYGEN, BoardRow
from planner.report.view import when_short
from planner.report.words import TITLES
from planner.units import clock


@dataclass(frozen=True, slots=True)
class Card:
    """What one patient's card says, in words; ``time_on`` is empty where it is to be written in."""

    patient: str
    triage: str
    category: str
    place: str
    gets: str
    level: str
    source: str
    time_on: str
    change_by: str
    next_line: str
    state: str


def cards_of(plan: Plan, rows: tuple[BoardRow, ...], result: Mapping[str, Any]) -> tuple[Card, ...]:
    """Return a card for everyone on the board but the dead, in its order."""
    started = {
        line.patient: hookup.flow_from_min
        for hookup in plan.policy.hookups
        for line in hookup.lines
    }
    return tuple(_card(plan, row, started, result) for row in rows if row.triage != "dead")


def _card(
    plan: Plan, row: BoardRow, started: Mapping[str, float], result: Mapping[str, Any]
) -> Card:
    time_on = ""
    if row.state == ON_OXYGEN and row.patient in started:
        time_on = when_short(plan, started[row.patient])
    return Card(
        patient=row.patient,
        triage=row.triage,
        category=TITLES.get(row.triage, row.triage),
        place=row.place,
        gets=f"{row.gets} L/min" if row.gets else "",
        level=row.level,
        source=row.source,
        time_on=time_on,
        change_by=row.change_by if row.state == ON_OXYGEN else "",
        next_line="; ".join(_next(plan, row.patient, result)),
        state=row.state,
    )


def _next(plan: Plan, patient: str, result: Mapping[str, Any]) -> Iterator[str]:
    """Yield what comes on next: the first two connections of the schedule that need a doer."""
    mine = [s for s in result["swaps"] if patient in (s["patient"], *s["together"])]
    for swap in mine[:2]:
        onto = "the next on the list" if swap["on"] is None else swap["on"]
        if swap["on"] is not None and swap["number"] > 1:
            onto = f"the next on the list, expected {swap['on']}"
        if swap["is_joining"]:
            onto = f"an outlet of the source of {swap['on']}"
        start = plan.incident.start
        early, late = clock(start, swap["early_min"]), clock(start, swap["late_min"])
        span = "" if early == late else f" ({early}-{late})"
        by = f", by {swap['responder']}" if swap["responder"] else ""
        yield f"{when_short(plan, swap['expected_min'])}{span} onto {onto}{by}"
