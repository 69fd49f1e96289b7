"""The swap timeline: people above, hands below, one clock."""

from __future__ import annotations

from typing import Any, Final

from planner.plan import Plan
from planner.report.chart_parts import (
    ALARM,
    BLUE,
    INK,
    PALE_BLUE,
    PAPER,
    ClockAxis,
    Spec,
    Values,
    key,
    layer,
    row_labels,
    rows_by_number,
    spec_of,
)
from planner.report.timeline import BUSY, KINDS, MARKS, Busy, Timeline, timeline_of
from planner.report.view import Grid, when_short
from planner.report.words import TITLES, share

FILLS: Final = (PALE_BLUE, "#e3edf7", PAPER, "#b5b5b5", "#6a6a6a", ALARM)
DASHES: Final = ([1, 0], [5, 3], [2, 2], [1, 0], [1, 0], [1, 0])
SHAPES: Final = ("diamond", "diamond", "triangle-up", "square")
MARK_FILLS: Final = (INK, PAPER, BLUE, "#8c8c8c")


def swap_timeline(plan: Plan) -> Spec:
    """Return who is on oxygen from when until when, each swap, and hands busy below.

    The axis ends half an hour after the last thing shown, at the horizon at the latest.
    """
    found = timeline_of(plan)
    ends = [b.to_min for b in found.bars] + [b.to_min for b in found.busy]
    ends += [m.late_min for m in found.marks]
    clock = ClockAxis(plan, max(ends, default=plan.state.at_min))
    row_of = {p.tag: k for k, p in enumerate(found.patients)}
    first_place = len(row_of) + 1  # one empty row between people and places
    place_of = {name: first_place + k for k, (name, _) in enumerate(found.places)}
    size = first_place + len(found.places)
    labels = [(p.tag, TITLES[p.triage]) for p in found.patients] + [("", "")]
    labels += [(name, f"Hands ({number})") for name, number in found.places]
    y = rows_by_number(size)
    spans: Values = [
        _span(clock, row_of[b.patient], b.kind, (b.from_min, b.to_min)) for b in found.bars
    ]
    spans += [_span(clock, place_of[p], kind, span) for p, kind, span in _merged(found.busy)]
    marks: Values = [
        {
            "row": row_of[m.patient], "mark": m.kind, "at": clock.at(m.expected_min),
            "early": clock.at(m.early_min), "late": clock.at(m.late_min),
        }
        for m in found.marks
    ]  # fmt: skip
    return spec_of(
        "Who is on oxygen until when, and when swaps are due",
        "Mark: as likely as not by then; line: 1 in 10 sooner, 1 in 10 later. "
        "Hands: bagging, and swaps needed at least 1 time in 2.",
        [
            _bars(clock, spans, y),
            *_marks(clock, marks, y),
            *row_labels(labels, list(range(size)), y),
        ],
        _table(plan, found),
        height={"step": 24 if size <= 24 else 19},
    )


def _span(clock: ClockAxis, row: int, kind: str, span: tuple[float, float]) -> dict[str, Any]:
    return {"row": row, "kind": kind, "at": clock.at(span[0]), "to": clock.at(span[1])}


def _merged(busy: tuple[Busy, ...]) -> list[tuple[str, str, tuple[float, float]]]:
    """Return stretches of one kind that follow each other as one."""
    found: list[tuple[str, str, tuple[float, float]]] = []
    for row in busy:
        last = found[-1] if found else None
        if last and last[:2] == (row.place, row.kind) and last[2][1] == row.from_min:
            found[-1] = (*last[:2], (last[2][0], row.to_min))
        else:
            found.append((row.place, row.kind, (row.from_min, row.to_min)))
    return found


def _bars(clock: ClockAxis, spans: Values, y: Spec) -> Spec:
    legend = {"symbolType": "square", "symbolStrokeColor": INK, "columns": 3}
    return layer(
        {"type": "bar", "stroke": INK, "strokeWidth": 1, "height": {"band": 0.62}}, spans,
        {
            "x": clock.x(), "x2": {"field": "to"}, "y": {"field": "row", **y},
            "fill": key("kind", (*KINDS, *BUSY), FILLS, legend=legend),
            "strokeDash": key("kind", (*KINDS, *BUSY), DASHES, legend=None),
        },
    )  # fmt: skip


def _marks(clock: ClockAxis, marks: Values, y: Spec) -> list[Spec]:
    row = {"field": "row", **y}
    tick = {"type": "tick", "color": INK, "thickness": 1.3, "size": 7}
    point = {"type": "point", "filled": True, "stroke": INK, "size": 75, "opacity": 1}
    legend = {"columns": 2, "orient": "bottom"}
    return [
        layer(
            {"type": "rule", "color": INK, "strokeWidth": 1.3}, marks,
            {"x": clock.x("early"), "x2": {"field": "late"}, "y": row},
        ),
        layer(tick, marks, {"x": clock.x("early"), "y": row}),
        layer(tick, marks, {"x": clock.x("late"), "y": row}),
        layer(
            point, marks,
            {
                "x": clock.x(), "y": row,
                "shape": key("mark", MARKS, SHAPES, legend=legend),
                "color": key("mark", MARKS, MARK_FILLS, legend=legend),
            },
        ),
    ]  # fmt: skip


def _table(plan: Plan, found: Timeline) -> Grid:
    def clock(minute: float) -> str:
        return when_short(plan, minute)

    rows = [(b.patient, b.kind, clock(b.from_min), clock(b.to_min), "", "") for b in found.bars]
    for m in found.marks:
        onto = "" if m.swap is None else f"{m.swap.off or '-'} to {m.swap.on or 'list'}"
        needed = "" if m.swap is None else f"{share(m.swap.chance_needed)} %"
        span = f"{clock(m.early_min)}-{clock(m.late_min)}"
        rows.append((m.patient, m.kind, clock(m.expected_min), span, onto, needed))
    order = {p.tag: k for k, p in enumerate(found.patients)}
    rows.sort(key=lambda row: order[row[0]])
    for b in found.busy:
        text = f"{b.kind}: {b.num_busy} of {b.num_there}"
        rows.append((b.place, text, clock(b.from_min), clock(b.to_min), "", ""))
    heads = ("Who, where", "What", "From, expected", "To, early-late", "Off to on", "Needed")
    return Grid("Timeline", heads, tuple(rows), frozenset({5}))


__all__ = ["swap_timeline"]
