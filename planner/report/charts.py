"""Charts: one Vega-Lite specification for page and print, each with the table behind it.

Data stand inline and nothing is fetched. Text from users is hostile: it stands in data values
only, shown by text marks, and never in a field name, an expression, a title, a scale's domain or
a legend; people and places are rows by number. Categories differ by word, shape, dash and
lightness, not by colour alone. Times are the incident's own clock as plain numbers, labelled as
if they were UTC, so that no viewer's time zone shifts them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from planner.estimate import chance
from planner.plan import Plan
from planner.report.chart_parts import (
    ALARM,
    BLUE,
    INK,
    ORANGE,
    PALE_BLUE,
    PALE_ORANGE,
    PAPER,
    ClockAxis,
    Spec,
    Values,
    as_table,
    half_hours,
    key,
    layer,
    png_of,
    row_labels,
    rows_by_number,
    spec_of,
    svg_of,
)
from planner.report.gauge_chart import gauge_chart
from planner.report.result import by_triage
from planner.report.series import Band, Series
from planner.report.timeline_chart import swap_timeline
from planner.report.view import Grid, when_short
from planner.report.words import TITLES, percent, share

# ----- chances -------------------------------------------------------------------------------


def chance_by_minute(plan: Plan) -> Spec:
    """Return the chance that anyone has run out by each minute, with its interval."""
    clock = ClockAxis(plan)
    by_minute, shares = plan.chance_out_by
    samples = plan.risk.samples
    order = np.arange(samples)
    found = [(float(m), chance(order < round(float(v) * samples)))
             for m, v in zip(by_minute, shares, strict=True)]  # fmt: skip
    values: Values = [
        {"at": clock.at(m), "low": e.low, "chance": e.value, "high": e.high} for m, e in found
    ]
    target = plan.incident.target_chance
    top = min(1.0, max(0.1, 1.15 * max(target, *(e.high for _, e in found))))
    y = {
        "type": "quantitative", "scale": {"domain": [0, top], "nice": False},
        "axis": {"format": ".0%", "title": "Chance that anyone has run out", "tickCount": 6},
    }  # fmt: skip
    x = clock.x()
    is_over = found[-1][1].value > target
    aim: Values = [{"y": target, "word": f"target: at most {share(target)} %"}]
    layers = [
        layer(
            {"type": "area", "color": PALE_BLUE, "opacity": 1, "interpolate": "step-after"}, values,
            {"x": x, "y": {"field": "low", **y}, "y2": {"field": "high"}},
        ),
        layer(
            {"type": "line", "color": INK, "strokeWidth": 2, "interpolate": "step-after"}, values,
            {"x": x, "y": {"field": "chance", **y}},
        ),
        layer(
            {"type": "rule", "color": ALARM, "strokeDash": [6, 4], "strokeWidth": 1.5}, aim,
            {"y": {"field": "y", **y}},
        ),
        layer(
            {"type": "text", "align": "right", "baseline": "top" if is_over else "bottom",
             "dx": -4, "dy": 4 if is_over else -4, "color": ALARM}, aim,
            {"x": {"value": "width"}, "y": {"field": "y", **y}, "text": {"field": "word"}},
        ),
    ]  # fmt: skip
    rows = tuple((when_short(plan, m), percent(e)) for m, e in found)
    return spec_of(
        "Chance that anyone has run out of oxygen by then",
        f"By the end: {percent(found[-1][1])}. Shade: 95 % interval of the samples.",
        layers,
        Grid("Chance by minute", ("Clock", "Anyone out by then"), rows, frozenset({1})),
        height=240,
    )


def chance_by_patient(plan: Plan) -> Spec:
    """Return each patient's chance of running out, with its interval."""
    by_tag = {row.patient: row for row in plan.risk.by_patient}
    people = [p for p in by_triage(plan) if p.tag in by_tag]
    found = [by_tag[p.tag] for p in people]
    words = [TITLES[p.triage] for p in people]
    values: Values = [
        {"row": k, "low": r.chance.low, "chance": r.chance.value, "high": r.chance.high,
         "triage": words[k], "words": percent(r.chance)}
        for k, r in enumerate(found)
    ]  # fmt: skip
    top = min(1.0, max([0.1, *(1.1 * r.chance.high for r in found)]))
    size = len(people)
    x = {
        "type": "quantitative", "scale": {"domain": [0, top], "nice": False},
        "axis": {"format": ".0%", "title": "Chance of running out of oxygen", "tickCount": 6},
    }  # fmt: skip
    y = rows_by_number(size)
    row = {"field": "row", **y}
    order = [word for word in CATEGORIES if word in words]
    layers = [
        layer(
            {"type": "rule", "color": INK, "strokeWidth": 2}, values,
            {"x": {"field": "low", **x}, "x2": {"field": "high"}, "y": row},
        ),
        layer(
            {"type": "point", "filled": True, "stroke": INK, "size": 80, "opacity": 1}, values,
            {
                "x": {"field": "chance", **x}, "y": row,
                "shape": key("triage", order, [CATEGORIES[w][0] for w in order], legend={}),
                "color": key("triage", order, [CATEGORIES[w][1] for w in order]),
            },
        ),
        layer(
            {"type": "text", "align": "left", "baseline": "middle", "dx": 14}, values,
            {"x": {"value": "width"}, "y": row, "text": {"field": "words"}},
        ),
        *row_labels(list(zip([p.tag for p in people], words, strict=True)), list(range(size)), y),
    ]  # fmt: skip
    rows = tuple(
        (r.patient, word, percent(r.chance), f"{r.minutes_out.value:.1f}")
        for r, word in zip(found, words, strict=True)
    )
    heads = ("Patient", "Triage", "Runs out", "Minutes out, on average")
    return spec_of(
        "Chance of running out, by patient",
        "Line: 95 % interval of the samples.",
        layers,
        Grid("Chance by patient", heads, rows, frozenset({2, 3})),
        height={"step": 24 if size <= 24 else 19},
    )


CATEGORIES: Final[Mapping[str, tuple[str, str]]] = {
    "Immediate": ("diamond", INK),
    "Delayed": ("square", "#8c8c8c"),
    "Minimal": ("circle", PAPER),
    "Expectant": ("triangle-down", PAPER),
}


# ----- litres --------------------------------------------------------------------------------

NEEDED, SUPPLIED = "needed", "supplied (usable, as it arrives)"


def need_against_supply(plan: Plan, series: Series, connection: str | None = None) -> Spec:
    """Return litres needed against litres supplied up to each minute, for one connection or all.

    Raises
    ------
    ValueError
        A connection that the series does not have.
    """
    row = next((b for b in series.need_supply if b.connection == connection), None)
    if row is None:
        known = ", ".join(str(b.connection) for b in series.need_supply)
        raise ValueError(f"connection is {connection!r}; allowed: {known}")
    clock = ClockAxis(plan)
    words, fills, lines = (NEEDED, SUPPLIED), (PALE_ORANGE, PALE_BLUE), (ORANGE, BLUE)
    y = {"type": "quantitative", "axis": {"format": ",.0f", "title": "Litres", "tickCount": 6}}
    x = clock.x()
    layers = []
    for word, fill, band in zip(words, fills, (row.needed_l, row.supplied_l), strict=True):
        values = _band_values(clock, series, band, word)
        layers.append(
            layer(
                {"type": "area", "color": fill, "opacity": 0.75, "interpolate": STEPS[word]},
                values,
                {"x": x, "y": {"field": "low", **y}, "y2": {"field": "high"}},
            )
        )
    for word, band in zip(words, (row.needed_l, row.supplied_l), strict=True):
        values = _band_values(clock, series, band, word)
        layers.append(
            layer(
                {"type": "line", "strokeWidth": 2.2, "interpolate": STEPS[word]},
                values,
                {
                    "x": x, "y": {"field": "mid", **y},
                    "color": key("what", words, lines, legend={"symbolSize": 400}),
                    "strokeDash": key("what", words, ([1, 0], [7, 4])),
                },
            )
        )  # fmt: skip
    since = when_short(plan, series.minutes[0])
    return spec_of(
        f"Litres needed and supplied since {since}, "
        + ("all connections together" if connection is None else f"connection {connection}"),
        "Line: median; shade: 8 in 10 lie in it. Needed: at the plan's flows, were there enough.",
        layers,
        _litres_table(plan, series, row.needed_l, row.supplied_l),
        height=260,
    )


STEPS: Final = {NEEDED: "linear", SUPPLIED: "step-after"}


def _band_values(clock: ClockAxis, series: Series, band: Band, word: str) -> Values:
    rows = zip(series.minutes, band.low, band.median, band.high, strict=True)
    return [
        {"at": clock.at(minute), "low": low, "mid": mid, "high": high, "what": word}
        for minute, low, mid, high in rows
    ]


def _litres_table(plan: Plan, series: Series, needed: Band, supplied: Band) -> Grid:
    def cells(band: Band, k: int) -> tuple[str, str]:
        low, mid, high = (value or 0.0 for value in (band.low[k], band.median[k], band.high[k]))
        return f"{mid:,.0f}", f"{low:,.0f}-{high:,.0f}"

    rows = tuple(
        (when_short(plan, series.minutes[k]), *cells(needed, k), *cells(supplied, k))
        for k in half_hours(series.minutes)
    )
    heads = ("Clock", "Needed, L", "8 in 10", "Supplied, L", "8 in 10")
    return Grid("Litres needed and supplied", heads, rows, frozenset({1, 2, 3, 4}))


__all__ = [
    "as_table", "chance_by_minute", "chance_by_patient", "gauge_chart", "need_against_supply",
    "png_of", "svg_of", "swap_timeline",
]  # fmt: skip
