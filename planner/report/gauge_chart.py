"""The gauge chart: one strip a patient."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

from planner.plan import Plan
from planner.report.chart_parts import (
    ALARM,
    INK,
    PALE_BLUE,
    ClockAxis,
    Spec,
    Values,
    half_hours,
    layer,
    row_labels,
    spec_of,
)
from planner.report.result import by_triage
from planner.report.series import Gauges, Series
from planner.report.view import Grid, when_short
from planner.report.words import TITLES, pressure, share
from planner.units import Pressure

STRIP: Final = 0.84  # share of a lane that the full scale takes
SCALE_STEPS: Final = {"psi": 500.0, "bar": 50.0}
SHOWN: Final = 0.05  # a gauge is drawn where at least 1 in 20 samples has one (our own)


def gauge_chart(plan: Plan, series: Series) -> Spec:
    """Return one strip a patient: median gauge, its band, and the change pressure."""
    change = plan.incident.change_at
    by_tag = {row.patient: row for row in series.gauges}
    rows = [(p, by_tag[p.tag]) for p in by_triage(plan) if p.tag in by_tag]
    rows = [(p, row) for p, row in rows if max(row.share_connected) >= SHOWN]
    clock = ClockAxis(plan, max((_last(series, row) for _, row in rows), default=0.0))
    top_psi = _full_scale_psi(change, [row for _, row in rows])
    size = len(rows)
    points = [
        point
        for k, (_, row) in enumerate(rows)
        for point in _points(clock, series, row, (size - 1 - k, top_psi))
    ]
    due = [k + STRIP * change.psi / top_psi for k in range(size)]
    y = {"type": "quantitative", "axis": None, "scale": {"domain": [0, max(size, 1)]}}
    middles = [size - 1 - k + STRIP / 2 for k in range(size)]
    full = Pressure(Pressure(top_psi, "psi").in_unit(change.unit), change.unit)
    is_bar = change.unit == "bar"
    return spec_of(
        "Gauge of the cylinder each one is on",
        f"Strip: 0 to {pressure(full, is_bar=is_bar)}. Line: median; shade: 8 in 10 lie in it; "
        f"dashed: change at {pressure(change, is_bar=is_bar)}, a line along it waits for the next.",
        [
            *_layers(clock, points, due, y),
            *row_labels([(p.tag, TITLES[p.triage]) for p, _ in rows], middles, y),
        ],
        _table(plan, series),
        height=max(1, size) * (46 if size <= 14 else 30),
    )


def _last(series: Series, row: Gauges) -> float:
    """Return the last minute at which a gauge is drawn."""
    on = zip(series.minutes, row.share_connected, strict=True)
    return max(minute for minute, share_on in on if share_on >= SHOWN)


def _full_scale_psi(change: Pressure, rows: list[Gauges]) -> float:
    """Return the round pressure that the highest gauge stays below."""
    highest = max((v for row in rows for v in row.gauge_psi.high if v is not None), default=0.0)
    step = Pressure(SCALE_STEPS[change.unit], change.unit).psi
    return step * max(1, math.ceil(max(highest, change.psi) / step))


def _points(
    clock: ClockAxis, series: Series, row: Gauges, strip: tuple[int, float]
) -> Iterator[dict[str, Any]]:
    """Yield one patient's points, heights in lanes; each stretch on a cylinder is a part."""
    base, top_psi = strip
    band, part, was_on = row.gauge_psi, 0, False
    for k, minute in enumerate(series.minutes):
        low, mid, high = band.low[k], band.median[k], band.high[k]
        if low is None or mid is None or high is None or row.share_connected[k] < SHOWN:
            was_on = False
            continue
        part += not was_on
        was_on = True
        yield {
            "at": clock.at(minute),
            "low": base + STRIP * low / top_psi,
            "mid": base + STRIP * mid / top_psi,
            "high": base + STRIP * high / top_psi,
            "part": f"{base} {part}",
        }


def _layers(clock: ClockAxis, points: Values, due: list[float], y: Spec) -> list[Spec]:
    x, detail = clock.x(), {"field": "part", "type": "nominal"}
    floors: Values = [{"y": k} for k in range(len(due))]
    changes: Values = [{"y": height} for height in due]
    at = {"y": {"field": "y", **y}}
    return [
        layer({"type": "rule", "color": "#8c8c8c"}, floors, at),
        layer(
            {"type": "area", "color": PALE_BLUE, "opacity": 1}, points,
            {"x": x, "y": {"field": "low", **y}, "y2": {"field": "high"}, "detail": detail},
        ),
        layer({"type": "rule", "color": ALARM, "strokeDash": [6, 4]}, changes, at),
        layer(
            {"type": "line", "color": INK, "strokeWidth": 1.8}, points,
            {"x": x, "y": {"field": "mid", **y}, "detail": detail},
        ),
    ]  # fmt: skip


def _table(plan: Plan, series: Series) -> Grid:
    unit = plan.incident.change_at.unit

    def cell(value: float | None) -> str:
        return "-" if value is None else f"{Pressure(value, 'psi').in_unit(unit):,.0f}"

    rows = tuple(
        (
            row.patient, when_short(plan, series.minutes[k]), cell(row.gauge_psi.low[k]),
            cell(row.gauge_psi.median[k]), cell(row.gauge_psi.high[k]),
            f"{share(row.share_connected[k])} %",
        )
        for row in series.gauges
        for k in half_hours(series.minutes)
    )  # fmt: skip
    heads = ("Patient", "Clock", f"Low, {unit}", f"Median, {unit}", f"High, {unit}",
             "On a cylinder")  # fmt: skip
    return Grid("Gauges", heads, rows, frozenset({2, 3, 4, 5}))


__all__ = ["gauge_chart"]
