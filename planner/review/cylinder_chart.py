"""Gauges over time, a strip for each cylinder: expected with its band, readings, and the gaps."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from planner.report.chart_parts import (
    ALARM,
    INK,
    PALE_BLUE,
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
from planner.review.chart_axis import DARK, Box, LogAxis, hatched, hatching, words_at
from planner.review.findings import Findings, Timeline
from planner.review.gauge_course import GaugePoint
from planner.units import Pressure

STRIP: Final = 0.8  # share of a lane that the full scale takes
FLAT: Final = 0.07  # height of the band that says without oxygen
STEPS: Final = {"psi": 500.0, "bar": 50.0}
FITS, ODD = "reading that fits", "reading that does not fit"
SILENT, WITHOUT = "nothing written", "NO OXYGEN"  # where they are drawn

Courses = Mapping[str, tuple[GaugePoint, ...]]


def cylinder_chart(
    facts: Findings, clock: LogAxis, rows: Sequence[Timeline], courses: Courses
) -> Spec:  # fmt: skip
    """Return a strip for each cylinder: gauge expected with its band, and what was read."""
    top_psi = _top_psi(facts, courses)
    size = len(rows)
    base_of = {row.tag: float(size - 1 - k) for k, row in enumerate(rows)}
    y: Spec = {"type": "quantitative", "axis": None,
               "scale": {"domain": [0, max(size, 1)], "nice": False}}  # fmt: skip
    points = [
        point for row in rows
        for point in _points(clock, courses.get(row.tag, ()), base_of[row.tag], top_psi)
    ]  # fmt: skip
    spans = _spans(facts, clock, rows, base_of)
    users = [_users(row) for row in rows]
    middles = [base_of[row.tag] + STRIP / 2 for row in rows]
    change = pressure(facts.stock.change_at, is_bar=facts.is_bar)
    full = pressure(Pressure(top_psi, "psi"), is_bar=facts.is_bar)
    return spec_of(
        "Gauge of each cylinder in use, by the record",
        f"Strip: 0 to {full}. Line: expected at the flows written; shade: 95 % band; "
        f"dashed: change at {change}.",
        [
            *_layers(clock, points, _due(facts, base_of, top_psi), y),
            hatching(clock, spans["hatch"], y),
            _flat(clock, spans["flat"], y),
            *words_at(clock, spans["words"], y, align="left", dx=4),
            *_readings(clock, list(_read(facts, clock, base_of, top_psi)), y),
            *row_labels(list(zip([r.tag for r in rows], users, strict=True)), middles, y),
        ],
        _table(facts, clock, rows),
        height=max(1, size) * 58,
    )


def _top_psi(facts: Findings, courses: Courses) -> float:
    highest = max((p.gauge_psi for points in courses.values() for p in points), default=0.0)
    highest = max([highest, *(r.psi for r in facts.readings), facts.change_at_psi])
    unit = facts.stock.change_at.unit
    step = Pressure(STEPS[unit], unit).psi
    return step * max(1, math.ceil(highest / step))


def _users(row: Timeline) -> str:
    """Return who was on a cylinder, three names at most."""
    names = dict.fromkeys(s.other for s in row.stretches if s.other)
    told = list(names)[:3]
    return ", ".join(told)[:14] + ("\u2026" if len(names) > 3 or len(", ".join(told)) > 14 else "")


def _points(
    clock: LogAxis, course: Sequence[GaugePoint], base: float, top_psi: float
) -> Iterator[dict[str, Any]]:
    for p in course:
        low, mid, high = (
            base + STRIP * min(psi, top_psi) / top_psi
            for psi in (p.low_psi, p.gauge_psi, p.high_psi)
        )
        yield {"at": clock.at(p.at_min), "low": low, "mid": mid, "high": high,
               "part": f"{base} {p.part}"}  # fmt: skip


def _due(facts: Findings, base_of: Mapping[str, float], top_psi: float) -> Values:
    return [{"y": base + STRIP * facts.change_at_psi / top_psi} for base in base_of.values()]


def _spans(
    facts: Findings, clock: LogAxis, rows: Sequence[Timeline], base_of: Mapping[str, float]
) -> dict[str, Values]:
    hatch: Values = []
    flat: Values = []
    words: Values = []
    for row in rows:
        base = base_of[row.tag]
        for s in row.stretches:
            until = facts.end_min if s.until_min is None else s.until_min
            if s.kind == "record silent":
                hatch += hatched(clock, Box(s.from_min, until, base, base + STRIP))
                words.append({"at": clock.at(s.from_min), "y": base + 3 * FLAT, "word": SILENT})
            if s.kind == "without by the record":
                flat.append({"at": clock.at(s.from_min), "to": clock.at(until), "low": base,
                             "high": base + FLAT})  # fmt: skip
                words.append({"at": clock.at(until), "y": base + 2 * FLAT, "word": WITHOUT})
    return {"hatch": hatch, "flat": flat, "words": words}


def _flat(clock: LogAxis, spans: Values, y: Spec) -> Spec:
    return layer(
        {"type": "rect", "color": DARK, "opacity": 1}, spans,
        {"x": clock.x(), "x2": {"field": "to"}, "y": {"field": "low", **y},
         "y2": {"field": "high"}},
    )  # fmt: skip


def _layers(clock: LogAxis, points: Values, due: Values, y: Spec) -> list[Spec]:
    x, detail = clock.x(), {"field": "part", "type": "nominal"}
    floors: Values = [{"y": math.floor(row["y"])} for row in due]
    at = {"y": {"field": "y", **y}}
    return [
        layer({"type": "rule", "color": "#8c8c8c"}, floors, at),
        layer({"type": "area", "color": PALE_BLUE, "opacity": 1}, points,
              {"x": x, "y": {"field": "low", **y}, "y2": {"field": "high"}, "detail": detail}),
        layer({"type": "rule", "color": ALARM, "strokeDash": [6, 4]}, due, at),
        layer({"type": "line", "color": INK, "strokeWidth": 1.6}, points,
              {"x": x, "y": {"field": "mid", **y}, "detail": detail}),
    ]  # fmt: skip


def _read(
    facts: Findings, clock: LogAxis, base_of: Mapping[str, float], top_psi: float
) -> Iterator[dict[str, Any]]:
    for r in facts.readings:
        if r.cylinder not in base_of:
            continue
        is_odd = r.verdict is not None and r.verdict.side is not None
        number = pressure(Pressure(r.psi, "psi"), is_bar=facts.is_bar).partition(" ")[0]
        yield {
            "at": clock.at(r.at_min), "what": ODD if is_odd else FITS,
            "y": base_of[r.cylinder] + STRIP * min(r.psi, top_psi) / top_psi,
            "word": f"{number}!" if is_odd else "",
        }  # fmt: skip


def _readings(clock: LogAxis, values: Values, y: Spec) -> list[Spec]:
    legend = {"columns": 2}
    return [
        layer(
            {"type": "point", "filled": True, "stroke": INK, "size": 50, "opacity": 1}, values,
            {"x": clock.x(), "y": {"field": "y", **y},
             "shape": key("what", (FITS, ODD), ("circle", "diamond"), legend=legend),
             "fill": key("what", (FITS, ODD), (INK, PAPER), legend=legend)},
        ),
        *words_at(clock, [v for v in values if v["word"]], y, align="left", dx=4, dy=-9),
    ]  # fmt: skip


def _table(facts: Findings, clock: LogAxis, rows: Sequence[Timeline]) -> Grid:
    def gauge(psi: float | None) -> str:
        if psi is None:
            return "-"
        return pressure(Pressure(psi, "psi"), is_bar=facts.is_bar).partition(" ")[0]

    order = {row.tag: k for k, row in enumerate(rows)}
    read = [r for r in facts.readings if r.cylinder in order]
    read.sort(key=lambda r: (order[r.cylinder], r.at_min))
    told = tuple(
        (
            r.cylinder, when(clock.start, r.at_min), gauge(r.psi),
            gauge(r.verdict.from_last.gauge_psi if r.verdict else None),
            f"{gauge(r.verdict.low_psi)}-{gauge(r.verdict.high_psi)}" if r.verdict else "-",
            "-" if r.verdict is None else f"no: {r.verdict.side}" if r.verdict.side else "yes",
        )
        for r in read
    )  # fmt: skip
    unit = "bar" if facts.is_bar else "psi"
    heads = ("Cylinder", "Clock", f"Read, {unit}", f"Expected, {unit}", "95 % band", "Fits")
    return Grid("Readings of each cylinder", heads, told, frozenset({2, 3, 4}))
