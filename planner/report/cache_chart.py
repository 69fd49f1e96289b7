"""The frontier of a study as a chart: the chance of anyone running out against the weight."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from planner.report.cache_words import frontier_grid, money, shown_offers
from planner.report.chart_parts import ALARM, BLUE, INK, ORANGE, Spec, Values, layer, spec_of
from planner.report.words import share

POINT: Final = "picked"  # name of the selection of a point, where one can be clicked
CLICKED: Final = "points"  # the marks that can be
_SHAPES: Final = {
    "lightest": "triangle-up", "cheapest": "square", "between": "diamond",
    "best reachable": "circle",
}  # fmt: skip


def frontier_chart(document: Mapping[str, Any]) -> Spec | None:
    """Return the chart of the frontier with the offers in it; None where there is no point."""
    points = document["frontier"]
    if not points:
        return None
    values: Values = [
        {"number": n, **_at(row), "price": money(document, row["price"])}
        for n, row in enumerate(points)
    ]
    offers: Values = [
        {"name": row["name"], **_at(row), "price": money(document, row["price"])}
        for row in shown_offers(document)
    ]
    names = [name for name in _SHAPES if any(row["name"] == name for row in offers)]
    rules: Values = [{"name": row["rule"], **_at(row)} for row in document["rules"]]
    target = document["study"]["target_chance"]
    highest = max(row["high"] for row in (*values, *offers, *rules))
    top = min(1.0, max(0.1, 1.1 * target, 1.1 * highest))
    y = {
        "type": "quantitative", "scale": {"domain": [0, top], "nice": False},
        "axis": {"format": ".0%", "title": "Chance that anyone runs out", "tickCount": 6},
    }  # fmt: skip
    every = [row["kg"] for row in (*values, *offers, *rules)]
    room = max(1.0, 0.08 * (max(every) - min(every)))
    domain = [max(0.0, min(every) - room), max(every) + room]
    x = {
        "field": "kg", "type": "quantitative",
        "scale": {"domain": domain, "nice": False, "zero": False},
        "axis": {"title": "Weight with packs, kg"},
    }  # fmt: skip
    at, span = {"x": x, "y": {"field": "chance", **y}}, {"y2": {"field": "high"}}
    aim: Values = [{"y": target, "word": f"target: at most {share(target)} %"}]
    layers = [
        layer({"type": "rule", "color": ALARM, "strokeDash": [6, 4], "strokeWidth": 1.5}, aim,
              {"y": {"field": "y", **y}}),
        layer({"type": "text", "align": "right", "baseline": "bottom", "dx": -4, "dy": -4,
               "color": ALARM}, aim,
              {"x": {"value": "width"}, "y": {"field": "y", **y}, "text": {"field": "word"}}),
        layer({"type": "rule", "color": INK}, values,
              {"x": x, "y": {"field": "low", **y}, **span}),
        layer({"type": "line", "color": INK, "strokeWidth": 1.5}, values, at),
        layer({"type": "point", "shape": "cross", "color": ORANGE, "size": 70, "filled": True},
              rules, at),
        layer({"type": "point", "color": BLUE, "filled": True, "size": 180}, offers,
              {**at, "shape": {"field": "name", "type": "nominal", "scale": {
                  "domain": names, "range": [_SHAPES[name] for name in names]},
                  "legend": {"title": None, "orient": "bottom", "symbolFillColor": BLUE,
                             "symbolStrokeColor": BLUE}}}),
        layer({"type": "point", "color": INK, "filled": True, "size": 90}, values,
              {**at, "tooltip": [{"field": "kg", "title": "kg"}, {"field": "price"}]})
        | {"name": CLICKED},
    ]  # fmt: skip
    return spec_of(
        "Chance of anyone running out, by the weight of the stock",
        "Line: lightest stocks; upright: 95 % interval; crosses: simple rules; large: stocks "
        "offered.",
        layers, frontier_grid(document), height=260,
        params=[{"name": POINT, "select": {"type": "point", "fields": ["number"]},
                 "views": [CLICKED]}],
    )  # fmt: skip


def _at(row: Mapping[str, Any]) -> dict[str, float]:
    chance = row["anyone"]
    return {"kg": round(row["mass_kg"], 2), "chance": chance["chance"], "low": chance["low"],
            "high": chance["high"]}  # fmt: skip


__all__ = ["POINT", "frontier_chart"]
