"""Advice as plain data, ready for JSON: raw numbers, and each row in words beside them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from planner.advice.effects import Effect, Row
from planner.advice.measures import Measure
from planner.advice.ranking import Advice
from planner.advice.request import Answer
from planner.banner import BANNER
from planner.estimate import Estimate
from planner.files import digest
from planner.incident import Incident
from planner.report.advice_words import (
    NOTES,
    advice_lines,
    measure_words,
    measures_words,
    pair_lines,
    request_lines,
    row_words,
)
from planner.report.estimates import chance_result
from planner.report.request_chart import chance_by_arrival
from planner.units import clock
from planner.what_if import Compared

SCHEMA: Final = 1


def advice_result(
    incident: Incident, advice: Advice, answer: Answer, travel_min: float
) -> dict[str, Any]:
    """Return the whole advice as plain data.

    Parameters
    ----------
    incident : Incident
    advice : Advice
    answer : Answer
        The resource request.
    travel_min : float
        From asking to arrival, as it was given.
    """
    return {
        "schema": SCHEMA,
        "kind": "advice",
        "banner": BANNER,
        "incident": {
            "name": incident.name,
            "start": incident.start.isoformat(),
            "digest": digest(incident),
        },
        "is_interrupted": advice.is_interrupted,
        "looked_at": {"done": advice.num_tried, "of": advice.num_measures},
        "before": _effect(advice.before),
        "planned_again": None if advice.again is None else _effect(advice.again),
        "helps": _rows(advice.rows, incident),
        "order_by_chance": [k + 1 for k in advice.by_chance],
        "pairs": _rows(advice.pairs, incident),
        "others": [
            {"words": measure_words(m, incident), **_measure(m), "objective": _estimate(by)}
            for m, by in advice.others
        ],
        "no_effect": [
            {"words": measure_words(m, incident), **_measure(m)} for m in advice.without_effect
        ],
        "request": request_result(incident, answer),
        "request_status": answer.status,
        "request_curve": [
            {"arrive_min": minute, "clock": clock(incident.start, minute), **chance_result(e)}
            for minute, e in answer.curve
        ],
        "charts": {"request_curve": chance_by_arrival(answer)},
        "lines": {
            "helps": list(advice_lines(advice, incident)),
            "pairs": list(pair_lines(advice, incident)),
            "request": list(request_lines(answer, incident, travel_min)),
        },
        "notes": list(NOTES),
    }


def request_result(incident: Incident, answer: Answer) -> dict[str, Any] | None:
    """Return the resource request under the contract's names; None when there is none."""
    if answer.status != "found" or answer.chance_after is None:
        return None
    return {
        "target": answer.target,
        "items": [
            {"size": m.size, "count": n, "connection": m.connection, "gauge_psi": m.gauge.psi}
            for m, n in answer.items
        ],
        "place": answer.place,
        "request_by": _moment(incident, answer.request_by_min),
        "arrive_by": _moment(incident, answer.arrive_by_min),
        "chance_after": chance_result(answer.chance_after),
        "chance_before": chance_result(answer.before),
        "mass_kg": answer.mass_kg,
        "is_plan_made_again": answer.is_replanned,
        "is_all_lighter_looked_at": answer.is_complete,
    }


def _moment(incident: Incident, minute: float) -> dict[str, Any]:
    return {"min": minute, "clock": clock(incident.start, minute)}


def _rows(rows: Sequence[Row], incident: Incident) -> list[dict[str, Any]]:
    return [
        {
            "words": row_words(row, incident),
            "what": measures_words(row.measures, incident),
            "measures": [_measure(m) for m in row.measures],
            "kept": _effect(row.kept),
            "planned_again": None if row.replanned is None else _effect(row.replanned),
            "is_left_unused": row.is_left_unused,
            "is_tied_with_ahead": row.is_tied,
            "is_tied_by_chance": row.is_tied_by_chance,
            "is_clear": row.is_clear,
            "is_checked_on_fresh_samples": row.is_verified,
        }
        for row in rows
    ]


def _measure(measure: Measure) -> dict[str, Any]:
    return {
        "kind": measure.kind,
        "name": measure.name,
        "age": measure.age,
        "place": measure.place,
        "origin": measure.origin,
    }


def _effect(effect: Effect) -> dict[str, Any]:
    return {
        "anyone": _compared(effect.anyone),
        "immediate": _compared(effect.immediate),
        "minutes_out": _compared(effect.minutes_out),
        "objective": _compared(effect.objective),
    }


def _compared(compared: Compared) -> dict[str, Any]:
    return {
        "before": _estimate(compared.before),
        "after": _estimate(compared.after),
        "by": _estimate(compared.by),
    }


def _estimate(e: Estimate) -> dict[str, Any]:
    return {"value": e.value, "low": e.low, "high": e.high, "samples": e.samples}
