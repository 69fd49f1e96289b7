"""Oxygen over time, a row for each patient: cylinders, swaps with their gauges, and the gaps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

from planner.report.chart_parts import (
    INK,
    PAPER,
    Spec,
    Values,
    key,
    layer,
    row_labels,
    spec_of,
)
from planner.report.view import Grid
from planner.report.words import pressure, when
from planner.review.chart_axis import (
    DASHES,
    FILLS,
    KINDS,
    SILENT,
    WITHOUT,
    WORDS,
    Box,
    LogAxis,
    hatched,
    hatching,
    words_at,
)
from planner.review.findings import Exchange, Findings, Timeline, gauge_off_psi
from planner.units import Pressure

LOW, HIGH, UNDER = 0.42, 0.88, 0.2  # of a row: edges of the bar, and where gauges stand
ROW_PX: Final = 46
SWAP_PX: Final = 96.0  # the words of a swap
SHORT: Final = {WITHOUT: "NO OXYGEN", SILENT: "nothing written"}


def patient_chart(facts: Findings, clock: LogAxis, rows: Sequence[Timeline]) -> Spec:
    """Return who breathed from what, when nothing was on, and when nothing was written."""
    size = len(rows)
    base_of = {row.tag: float(size - 1 - k) for k, row in enumerate(rows)}
    y: Spec = {"type": "quantitative", "axis": None,
               "scale": {"domain": [0, max(size, 1)], "nice": False}}  # fmt: skip
    bars = list(_bars(facts, clock, rows, base_of))
    lines = [
        line for row in rows for s in row.stretches if s.kind == "record silent"
        for line in hatched(clock, Box(
            s.from_min, facts.end_min if s.until_min is None else s.until_min,
            base_of[row.tag] + LOW, base_of[row.tag] + HIGH))
    ]  # fmt: skip
    swaps = [s for s in facts.swaps if s.patient in base_of]
    marks: Values = [
        {"at": clock.at(s.at_min), "y": base_of[s.patient] + LOW} for s in swaps
    ]  # fmt: skip
    light: Values = [b for b in bars if b["kind"] != WITHOUT]
    dark: Values = [b for b in bars if b["kind"] == WITHOUT]
    words = list(_swap_words(facts, clock, swaps, base_of))
    middles = [base_of[row.tag] + (LOW + HIGH) / 2 for row in rows]
    return spec_of(
        "Oxygen of each person, by the record",
        "In the bar: the cylinder. Mark: swap, gauge of what came off > of what went on; "
        "~ by arithmetic, not read.",
        [
            _bar_layer(clock, bars, y),
            hatching(clock, lines, y),
            *words_at(clock, light, y, align="left", dx=3),
            layer({"type": "text", "fontSize": 11, "baseline": "middle", "align": "left", "dx": 3,
                   "color": PAPER}, dark,
                  {"x": clock.x(), "y": {"field": "y", **y}, "text": {"field": "word"}}),
            layer({"type": "point", "filled": True, "shape": "triangle-up", "color": INK,
                   "size": 60, "opacity": 1, "yOffset": 5}, marks,
                  {"x": clock.x(), "y": {"field": "y", **y}}),
            *words_at(clock, words, y, align="left", dx=-4),
            *row_labels([(row.tag, "") for row in rows], middles, y),
        ],
        _table(facts, clock, rows),
        height=max(1, size) * ROW_PX,
    )  # fmt: skip


def _bars(
    facts: Findings, clock: LogAxis, rows: Sequence[Timeline], base_of: dict[str, float]
) -> Iterator[dict[str, Any]]:
    for row in rows:
        base = base_of[row.tag]
        for s in row.stretches:
            until = facts.end_min if s.until_min is None else s.until_min
            kind = WORDS[s.kind]
            flow = "" if s.flow_lpm is None else f", {s.flow_lpm:g}"
            said = clock.fitting(SHORT.get(kind, f"{s.other}{flow}"), until - s.from_min)
            if kind in SHORT and said != SHORT[kind]:
                said = ""  # the legend says it
            yield {
                "at": clock.at(s.from_min), "to": clock.at(until), "kind": kind,
                "low": base + LOW, "high": base + HIGH, "y": base + (LOW + HIGH) / 2,
                "word": said,
            }  # fmt: skip


def _bar_layer(clock: LogAxis, bars: Values, y: Spec) -> Spec:
    legend = {"symbolType": "square", "symbolStrokeColor": INK, "columns": 2, "labelLimit": 460}
    return layer(
        {"type": "rect", "stroke": INK, "strokeWidth": 1.2}, bars,
        {
            "x": clock.x(), "x2": {"field": "to"}, "y": {"field": "low", **y},
            "y2": {"field": "high"},
            "fill": key("kind", KINDS, FILLS, legend=legend),
            "strokeDash": key("kind", KINDS, DASHES, legend=None),
        },
    )  # fmt: skip


def _swap_words(
    facts: Findings, clock: LogAxis, swaps: Sequence[Exchange], base_of: dict[str, float]
) -> Iterator[dict[str, Any]]:
    """Yield the gauges of each swap; where two stand too close, the second is in the table only."""
    taken: dict[str, float] = {}
    for swap in swaps:
        if clock.px(swap.at_min - taken.get(swap.patient, float("-inf"))) < SWAP_PX:
            continue
        taken[swap.patient] = swap.at_min
        at_min = min(swap.at_min, clock.to_min - SWAP_PX / clock.px(1.0))
        yield {
            "at": clock.at(at_min), "y": base_of[swap.patient] + UNDER,
            "word": swap_gauges(facts, swap),
        }  # fmt: skip


def swap_gauges(facts: Findings, swap: Exchange) -> str:
    """Return the gauges of a swap: ``277~ > 1900 psi``; ``~`` is by arithmetic, not read."""
    off = f"{_number(facts, gauge_off_psi(swap))}{'' if swap.off_read_psi is not None else '~'}"
    on = f"{_number(facts, swap.on_psi)}{'' if swap.is_on_read else '~'}"
    return f"{off} > {on} {'bar' if facts.is_bar else 'psi'}"


def _number(facts: Findings, gauge_psi: float | None) -> str:
    if gauge_psi is None:
        return "?"
    return pressure(Pressure(gauge_psi, "psi"), is_bar=facts.is_bar).partition(" ")[0]


def _table(facts: Findings, clock: LogAxis, rows: Sequence[Timeline]) -> Grid:
    told = []
    for row in rows:
        for s in row.stretches:
            until = facts.end_min if s.until_min is None else s.until_min
            flow = "" if s.flow_lpm is None else f"{s.flow_lpm:g}"
            told.append((s.from_min, (
                row.tag, when(clock.start, s.from_min), when(clock.start, until),
                WORDS[s.kind].partition(" (")[0].partition(":")[0], s.other, flow)))  # fmt: skip
        told += [
            (s.at_min, (row.tag, when(clock.start, s.at_min), "", "swap", f"{s.off} > {s.on}",
                        swap_gauges(facts, s)))
            for s in facts.swaps if s.patient == row.tag
        ]  # fmt: skip
    order = {row.tag: k for k, row in enumerate(rows)}
    told.sort(key=lambda each: (order[each[1][0]], each[0]))
    heads = ("Patient", "From", "To", "What", "Cylinder", "L/min, gauges")
    return Grid("Oxygen of each person", heads, tuple(cells for _, cells in told))
