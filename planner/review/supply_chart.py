"""Supply against need: litres that were wanted, that were there, and that were left unused."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from planner.gas import content_l
from planner.incident import Cylinder
from planner.journal.events import ResupplyArrived
from planner.report.chart_parts import (
    BLUE,
    INK,
    ORANGE,
    Spec,
    Values,
    half_hours,
    key,
    layer,
    spec_of,
)
from planner.report.view import Grid
from planner.report.words import when
from planner.review.chart_axis import LogAxis, words_at
from planner.review.cylinder_chart import Courses
from planner.review.findings import Findings, Stretch

NEEDED: Final = "needed, also while without oxygen"
THERE: Final = "there, above the change pressure"
USED: Final = "there, less what was left or gone"
LINES: Final = (NEEDED, THERE, USED)
STEPS: Final = ("linear", "step-after", "step-after")
DASHES: Final = ([1, 0], [7, 4], [2, 3])
UPRIGHT: Final = {"requested": [1, 0], "needed by": [5, 3], "came": [2, 2]}
MOST_REQUESTS: Final = 3  # drawn; the facts have all


@dataclass(frozen=True, slots=True)
class Supply:
    """Litres up to each minute [70 F, 1 atm].

    ``unwritten_min`` are minutes on oxygen at a flow that nobody wrote down: not counted.
    """

    minutes: tuple[float, ...]
    needed_l: tuple[float, ...]
    there_l: tuple[float, ...]
    used_l: tuple[float, ...]
    unwritten_min: float


def supply_of(facts: Findings, minutes: Sequence[float], courses: Courses) -> Supply:
    """Return litres needed and there by the record, up to each of some minutes."""
    spans, unwritten = _wanted(facts)
    came = _came(facts)
    left = list(_left(facts, courses))
    there = [sum(litres for m, litres in came if m <= t) for t in minutes]
    unused = [sum(litres for m, litres in left if m <= t) for t in minutes]
    needed = [
        sum(flow * max(0.0, min(t, until) - since) for since, until, flow in spans) for t in minutes
    ]
    used = tuple(a - b for a, b in zip(there, unused, strict=True))
    return Supply(tuple(minutes), tuple(needed), tuple(there), used, unwritten)


def _wanted(facts: Findings) -> tuple[list[tuple[float, float, float]], float]:
    """Return when how much was wanted, and minutes whose flow is not written.

    In minutes without oxygen the flow is the one before, or else the next one.
    """
    spans, unwritten = [], 0.0
    factor = facts.stock.uncertainty.cold_flow_factor
    for row in facts.patients:
        flows = list(_flows(facts, row.tag))
        for s in row.stretches:
            until = facts.end_min if s.until_min is None else s.until_min
            for since, to in _cut(s, until, [m for m, _ in flows]):
                flow = _flow_at(flows, since)
                if flow is None:
                    unwritten += to - since
                else:
                    spans.append((since, to, flow * factor))
    return spans, unwritten


def _cut(s: Stretch, until: float, cuts: Sequence[float]) -> Iterator[tuple[float, float]]:
    inner = [m for m in cuts if s.from_min < m < until]
    yield from pairwise([s.from_min, *inner, until])


def _flows(facts: Findings, tag: str) -> Iterator[tuple[float, float | None]]:
    for draw in facts.draws:
        if draw.patient == tag and draw.source.flow_lpm != 0.0:
            yield draw.from_min, draw.source.flow_lpm


def _flow_at(flows: Sequence[tuple[float, float | None]], minute: float) -> float | None:
    before = [flow for since, flow in flows if since <= minute]
    return before[-1] if before else flows[0][1] if flows else None


def _came(facts: Findings) -> list[tuple[float, float]]:
    """Return when each cylinder was there, with its usable litres by the list."""
    arrived: dict[str, float] = {}
    for entry in facts.entries:
        if isinstance(entry.event, ResupplyArrived):
            for tag in entry.event.cylinders:
                arrived.setdefault(tag, entry.at_min)
    for draw in facts.draws:  # told in words only: there when it was put on
        arrived.setdefault(draw.source.cylinder, draw.from_min)
    came = []
    for cylinder in facts.stock.cylinders:
        if cylinder.power_min is not None:
            continue
        at_min = -math.inf if cylinder.place is not None else arrived.get(cylinder.tag)
        if at_min is not None:
            came.append((at_min, _usable_l(facts, cylinder, cylinder.gauge.psi,
                                           cylinder.read_at.c)))  # fmt: skip
    return came


def _usable_l(facts: Findings, cylinder: Cylinder, gauge_psi: float, at_c: float) -> float:
    stock, volume = facts.stock, cylinder.water_volume_l
    due_l = float(content_l(volume, stock.change_at.psi, stock.air_temperature.c))
    return max(0.0, float(content_l(volume, gauge_psi, at_c)) - due_l)


def _left(facts: Findings, courses: Courses) -> Iterator[tuple[float, float]]:
    """Yield when a cylinder was last used, with what was left above the change pressure."""
    table = {c.tag: c for c in facts.stock.cylinders}
    air_c = facts.stock.air_temperature.c
    for tag in {d.source.cylinder for d in facts.draws}:
        ends = [d.until_min for d in facts.draws if d.source.cylinder == tag]
        known = [m for m in ends if m is not None]
        if len(known) < len(ends) or tag not in table or not courses.get(tag):
            continue  # still on, or nothing known of it
        yield max(known), _usable_l(facts, table[tag], courses[tag][-1].gauge_psi, air_c)


def supply_chart(facts: Findings, clock: LogAxis, courses: Courses) -> Spec:
    """Return needed against there, with the minute of each request and when it was needed."""
    found = supply_of(facts, clock.grid(), courses)
    y = {"type": "quantitative", "axis": {"format": ",.0f", "title": "Litres", "tickCount": 6}}
    x = clock.x()
    legend = {"symbolSize": 400, "columns": 1, "labelLimit": 520}
    layers = []
    rows = zip(LINES, STEPS, (found.needed_l, found.there_l, found.used_l), strict=True)
    for word, step, litres in rows:
        values: Values = [
            {"at": clock.at(m), "litres": v, "what": word}
            for m, v in zip(found.minutes, litres, strict=True)
        ]
        layers.append(
            layer(
                {"type": "line", "strokeWidth": 2.2, "interpolate": step}, values,
                {
                    "x": x, "y": {"field": "litres", **y},
                    "color": key("what", LINES, (ORANGE, BLUE, INK), legend=legend),
                    "strokeDash": key("what", LINES, DASHES, legend=legend),
                },
            )
        )  # fmt: skip
    layers += _requests(facts, clock, max(found.there_l, default=1.0), y)
    silent = f" {found.unwritten_min:.0f} min without a flow written are not counted." * (
        found.unwritten_min >= 0.5
    )
    return spec_of(
        "Litres needed and litres there, by the record",
        f"All connections and places together. Upright lines: requests.{silent}",
        layers, _table(clock, found), height=250,
    )  # fmt: skip


def _requests(facts: Findings, clock: LogAxis, top: float, y: Spec) -> list[Spec]:
    """Return upright lines with their words; a dash each, outside the legend of the others."""
    marks: dict[str, list[dict[str, Any]]] = {word: [] for word in UPRIGHT}
    for number, need in enumerate(facts.needs[:MOST_REQUESTS]):
        for minute, word in (
            (need.requested_min, "requested"), (need.needed_by_min, "needed by"),
            (need.came_min, "came"),
        ):  # fmt: skip
            if minute is not None and clock.from_min <= minute <= clock.to_min:
                height = 0.97 - 0.16 * number - 0.07 * (word != "requested")
                told = f"{word} {when(clock.start, minute)}"
                marks[word].append({"at": clock.at(minute), "y": height * top, "word": told})
    rules = [
        layer({"type": "rule", "color": INK, "strokeWidth": 1.2, "strokeDash": dash}, marks[word],
              {"x": clock.x()})
        for word, dash in UPRIGHT.items()
    ]  # fmt: skip
    words = [mark for each in marks.values() for mark in each]
    return [*rules, *words_at(clock, words, y, align="left", dx=4)]


def _table(clock: LogAxis, found: Supply) -> Grid:
    rows = tuple(
        (when(clock.start, found.minutes[k]), f"{found.needed_l[k]:,.0f}",
         f"{found.there_l[k]:,.0f}", f"{found.used_l[k]:,.0f}")
        for k in half_hours(found.minutes)
    )  # fmt: skip
    heads = ("Clock", "Needed, L", "There, L", "There less left, L")
    return Grid("Litres needed and there", heads, rows, frozenset({1, 2, 3}))
