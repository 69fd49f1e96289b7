"""What all charts share: look, clock axis, rows of people, and the ways out (SVG, PNG, table)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from copy import deepcopy
from datetime import UTC, datetime
from typing import Any, Final, Protocol, TypeAlias

import vl_convert

from planner.banner import BANNER
from planner.incident import Incident
from planner.report.view import Grid
from planner.state import State

Spec: TypeAlias = dict[str, Any]
Values: TypeAlias = list[dict[str, Any]]

PRINT_WIDTH: Final = 680  # px, of the plot alone
VEGA_LITE: Final = "6.1"

INK: Final = "#1a1a1a"
PAPER: Final = "#ffffff"
ALARM: Final = "#8f1d14"  # 8.6:1 on paper
BLUE: Final = "#1f4e79"
PALE_BLUE: Final = "#a9c8e6"
PALE_ORANGE: Final = "#f3d3a6"
ORANGE: Final = "#8a4b08"
GRID: Final = "#dcdcdc"

LABEL_PX: Final = 150  # a longer tag is cut with an ellipsis
FONT: Final = "sans-serif"

CONFIG: Final[Mapping[str, Any]] = {
    "background": PAPER,
    "font": FONT,
    "axis": {
        "labelColor": INK, "titleColor": INK, "domainColor": INK, "tickColor": INK,
        "gridColor": GRID, "labelFontSize": 12, "titleFontSize": 13, "titleFontWeight": "normal",
    },
    "legend": {
        "labelColor": INK, "titleColor": INK, "labelFontSize": 12, "orient": "top",
        "title": None, "labelLimit": 260, "symbolSize": 110, "columnPadding": 18,
    },
    "title": {
        "color": INK, "subtitleColor": INK, "fontSize": 15, "subtitleFontSize": 12,
        "anchor": "start", "frame": "group", "offset": 10,
    },
    "text": {"color": INK, "fontSize": 12},
    "view": {"stroke": None},
    "mark": {"tooltip": None},
}  # fmt: skip


# ----- parts ---------------------------------------------------------------------------------


def spec_of(title: str, subtitle: str, layers: list[Spec], table: Grid, **more: Any) -> Spec:
    """Return a layered chart as wide as its container, with its table in ``usermeta``."""
    return {
        "title": {"text": title, "subtitle": [subtitle, BANNER]},
        "description": f"{title}. {subtitle} {BANNER}",
        "width": "container",
        "layer": layers,
        "config": deepcopy(dict(CONFIG)),
        "usermeta": {
            "table": {
                "title": table.title,
                "heads": list(table.heads),
                "rows": [list(row) for row in table.rows],
                "numeric": sorted(table.numeric),
            }
        },
        **more,
    }


def _millis(start: datetime, minute: float) -> float:
    """Return the incident's wall clock as milliseconds, as if it were UTC."""
    return start.replace(tzinfo=UTC).timestamp() * 1000 + minute * 60_000


class Timed(Protocol):
    """What has an incident and a state, such as a plan."""

    @property
    def incident(self) -> Incident:
        """Its start and horizon bound the axis."""

    @property
    def state(self) -> State:
        """Its minute begins the axis."""


class ClockAxis:
    """The x axis of a plan: clock times from the state's minute to the horizon.

    Parameters
    ----------
    plan : Plan, or anything with an incident and a state
    last_min : float or None
        Nothing is drawn later than this: the axis ends half an hour after it.
    """

    def __init__(self, plan: Timed, last_min: float | None = None) -> None:
        self.start = plan.incident.start
        self.from_min, self.to_min = plan.state.at_min, plan.incident.horizon_min
        if last_min is not None:
            self.to_min = min(self.to_min, max(last_min, self.from_min) + 30.0)

    def at(self, minute: float) -> float:
        """Return a minute as the chart's number, kept inside the axis."""
        return _millis(self.start, min(max(minute, self.from_min), self.to_min))

    def x(self, field: str = "at") -> Spec:
        """Return the encoding; labels of another day say so."""
        step = next(
            (s for s in (15, 30, 60, 120, 180, 360) if (self.to_min - self.from_min) / s <= 12), 720
        )
        day = self.start.replace(hour=0, minute=0, second=0, microsecond=0)
        past_midnight = (self.start - day).total_seconds() / 60
        first = math.ceil((past_midnight + self.from_min) / step)
        last = math.floor((past_midnight + self.to_min) / step)
        midnight = _millis(day, 24 * 60)
        later = f"utcFormat(datum.value, '%H:%M') + (datum.value < {midnight:.0f} ? '' : ' +1d')"
        is_next_day = self.at(self.to_min) >= midnight
        axis: Spec = {
            "title": "Clock time (+1d: next day or later)" if is_next_day else "Clock time",
            "labelExpr": later if is_next_day else "utcFormat(datum.value, '%H:%M')",
            "values": [_millis(day, k * step) for k in range(first, last + 1)],
            "labelOverlap": True,
        }
        domain = [self.at(self.from_min), self.at(self.to_min)]
        scale = {"domain": domain, "nice": False, "zero": False}
        # Not "temporal": the browser's interpreter of expressions drops that type's explicit ticks.
        return {"field": field, "type": "quantitative", "scale": scale, "axis": axis}


def layer(mark: Spec, values: Values, encoding: Spec) -> Spec:
    """Return one mark with data of its own."""
    return {"data": {"values": values}, "mark": mark, "encoding": encoding}


def rows_by_number(size: int) -> Spec:
    """Return the encoding of rows by number, one band each, without its field."""
    scale = {"domain": list(range(size)), "paddingInner": 0.1, "paddingOuter": 0.1}
    return {"type": "ordinal", "axis": None, "scale": scale}


def row_labels(labels: Sequence[tuple[str, str]], y: Sequence[Any], encoding: Spec) -> list[Spec]:
    """Return tags, and a word of ours in front of each, as text left of the plot.

    Parameters
    ----------
    labels : sequence of (tag, word)
        Tags are users' text and stand in the data only.
    y : sequence
        Where each stands, as values of the field ``y``.
    encoding : dict
        Of y, without its field.
    """
    values = [
        {"y": at, "tag": tag, "word": word} for at, (tag, word) in zip(y, labels, strict=True)
    ]
    text = {"type": "text", "align": "right", "baseline": "middle"}
    room = min(LABEL_PX, max((_width(tag) for tag, _ in labels), default=0.0))
    at = {"y": {"field": "y", **encoding}}
    return [
        layer(
            {**text, "fontWeight": "bold", "limit": LABEL_PX}, values,
            {"x": {"value": -8}, **at, "text": {"field": "tag"}},
        ),
        layer(
            text, values,
            {"x": {"value": -20 - room}, **at, "text": {"field": "word"}},
        ),
    ]  # fmt: skip


def _width(text: str) -> float:
    """Return about how wide a bold text of 12 px is; scripts that fill a square count double."""
    return sum(13.0 if ord(letter) >= 0x1100 else 8.0 for letter in text)


def key(field: str, words: Sequence[str], values: Sequence[Any], **more: Any) -> Spec:
    """Return an encoding from our own words to values, with a legend of the words."""
    scale = {"domain": list(words), "range": list(values)}
    return {"field": field, "type": "nominal", "scale": scale, **more}


def half_hours(minutes: Sequence[float]) -> list[int]:
    """Return points half an hour apart or more, with both ends: a table is for reading."""
    picked: list[int] = []
    for k, minute in enumerate(minutes):
        if not picked or minute - minutes[picked[-1]] >= 30 or k == len(minutes) - 1:
            picked.append(k)
    return picked


# ----- out of a specification ----------------------------------------------------------------


def as_table(spec: Spec) -> Grid:
    """Return the table behind a chart: the same in texts, long tags whole."""
    table = spec["usermeta"]["table"]
    rows = tuple(tuple(row) for row in table["rows"])
    return Grid(table["title"], tuple(table["heads"]), rows, frozenset(table["numeric"]))


def svg_of(spec: Spec, width: int = PRINT_WIDTH) -> str:
    """Return a chart as SVG, plot ``width`` px wide; nothing is loaded from anywhere."""
    found = vl_convert.vegalite_to_svg(
        _fixed(spec, width), vl_version=VEGA_LITE, allowed_base_urls=[]
    )
    return str(found)


def png_of(spec: Spec, width: int = PRINT_WIDTH) -> bytes:
    """Return the same as PNG."""
    found = vl_convert.vegalite_to_png(
        _fixed(spec, width), vl_version=VEGA_LITE, allowed_base_urls=[]
    )
    return bytes(found)


def _fixed(spec: Spec, width: int) -> Spec:
    return {key: value for key, value in spec.items() if key != "usermeta"} | {"width": width}


__all__ = [
    "ALARM", "BLUE", "INK", "ORANGE", "PALE_BLUE", "PALE_ORANGE", "PAPER", "ClockAxis", "Spec",
    "Values", "as_table", "half_hours", "key", "layer", "png_of", "row_labels",
    "rows_by_number", "spec_of", "svg_of",
]  # fmt: skip
