"""The resource request as a chart: the chance of anyone running out against the arrival."""

from __future__ import annotations

from planner.advice.request import Answer
from planner.report.chart_parts import (
    ALARM,
    INK,
    PALE_BLUE,
    ClockAxis,
    Spec,
    Values,
    layer,
    spec_of,
)
from planner.report.view import Grid
from planner.report.words import percent, share, when


def chance_by_arrival(answer: Answer) -> Spec | None:
    """Return the chart of a request's curve; None where nothing was asked for."""
    if not answer.curve:
        return None
    setting = answer.setting
    clock = ClockAxis(setting)
    start = setting.incident.start
    values: Values = [
        {"at": clock.at(minute), "low": e.low, "chance": e.value, "high": e.high}
        for minute, e in answer.curve
    ]
    top = min(1.0, max(0.1, 1.15 * max(answer.target, *(e.high for _, e in answer.curve))))
    y = {
        "type": "quantitative", "scale": {"domain": [0, top], "nice": False},
        "axis": {"format": ".0%", "title": "Chance that anyone runs out", "tickCount": 6},
    }  # fmt: skip
    x = clock.x()
    aim: Values = [{"y": answer.target, "word": f"target: at most {share(answer.target)} %"}]
    layers = [
        layer({"type": "area", "color": PALE_BLUE, "opacity": 1}, values,
              {"x": x, "y": {"field": "low", **y}, "y2": {"field": "high"}}),
        layer({"type": "line", "color": INK, "strokeWidth": 2, "point": {"color": INK}}, values,
              {"x": x, "y": {"field": "chance", **y}}),
        layer({"type": "rule", "color": ALARM, "strokeDash": [6, 4], "strokeWidth": 1.5}, aim,
              {"y": {"field": "y", **y}}),
        layer({"type": "text", "align": "right", "baseline": "bottom", "dx": -4, "dy": -4,
               "color": ALARM}, aim,
              {"x": {"value": "width"}, "y": {"field": "y", **y}, "text": {"field": "word"}}),
    ]  # fmt: skip
    rows = tuple((when(start, minute), percent(e)) for minute, e in answer.curve)
    return spec_of(
        "Chance of anyone running out, by when the request arrives",
        "The first point: were it there now. Shade: 95 % interval of the samples.",
        layers,
        Grid("Chance by arrival", ("Arrives", "Anyone out"), rows, frozenset({1})),
        height=220,
    )
