"""Oxygen over time, by patient and by cylinder, from a walk through a log.

Minutes of which the record says that somebody was without oxygen, and minutes of which it says
nothing, stand apart: the second are gaps in the record, not in oxygen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from planner.journal.events import tag_key
from planner.review.walking import Draw, Walk

StretchKind = Literal["on oxygen", "without by the record", "record silent"]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Minutes of one kind, of a patient (``other`` is the cylinder) or a cylinder (its patients).

    ``until_min`` None: to the end of the log. Where the record says "without" and is silent in
    the same minutes, they are without, since an entry says so.
    """

    kind: StretchKind
    from_min: float
    until_min: float | None
    other: str = ""
    flow_lpm: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Timeline:
    """Stretches of one patient or cylinder, in order."""

    tag: str
    stretches: tuple[Stretch, ...]

    def minutes(self, kind: StretchKind, end_min: float) -> float:
        """Return how long a kind lasted, all its stretches together."""
        return sum(
            (end_min if s.until_min is None else s.until_min) - s.from_min
            for s in self.stretches
            if s.kind == kind
        )


def by_patient(found: Walk) -> tuple[Timeline, ...]:
    """Return what each patient breathed, when, and of which minutes nothing is known."""
    end = found.end
    timelines = []
    for person in end.patients:
        draws = [d for d in found.draws if d.patient == person.tag]
        out = [
            Stretch("without by the record", g.from_min, g.until_min, why=g.why)
            for g in end.oxygen_gaps if g.patient == person.tag
        ]  # fmt: skip
        silent = [
            Stretch("record silent", g.from_min, g.until_min, g.cylinder or "", why=g.why)
            for g in end.record_gaps if g.patient == person.tag
        ]  # fmt: skip
        on = [
            Stretch("on oxygen", d.from_min, d.until_min, d.source.cylinder, d.source.flow_lpm)
            for d in draws
        ]
        timelines.append(Timeline(person.tag, _laid((out, silent, on), end.at_min)))
    return tuple(timelines)


def by_cylinder(found: Walk) -> tuple[Timeline, ...]:
    """Return when each cylinder that was used was on whom; silent where its patient's record is."""
    end = found.end
    tags = sorted({d.source.cylinder for d in found.draws}, key=tag_key)
    timelines = []
    for tag in tags:
        draws = [d for d in found.draws if d.source.cylinder == tag]
        users = {d.patient for d in draws}
        flat = [
            Stretch("without by the record", *span, other=g.patient, why=g.why)
            for g in end.oxygen_gaps if g.patient in users
            for span in _within(g.from_min, g.until_min, draws, g.patient)
        ]  # fmt: skip
        silent = [
            Stretch("record silent", g.from_min, g.until_min, g.patient, why=g.why)
            for g in end.record_gaps if g.cylinder == tag
        ]  # fmt: skip
        timelines.append(Timeline(tag, _laid((flat, silent, list(_together(draws))), end.at_min)))
    return tuple(timelines)


def _within(
    from_min: float, until_min: float | None, draws: list[Draw], patient: str
) -> Iterator[tuple[float, float | None]]:
    """Yield the parts of a span in which a patient had the cylinder on."""
    for d in draws:
        low = max(from_min, d.from_min)
        ends = [m for m in (until_min, d.until_min) if m is not None]
        high = min(ends) if ends else None
        if d.patient == patient and (high is None or low < high):
            yield low, high


def _together(draws: list[Draw]) -> Iterator[Stretch]:
    """Yield who was on one cylinder, several at once named together."""
    spans = [(d, math.inf if d.until_min is None else d.until_min) for d in draws]
    cuts = sorted({d.from_min for d in draws} | {until for _, until in spans})
    for low, high in pairwise(cuts):
        on = [d for d, until in spans if d.from_min <= low and until >= high]
        flows = [d.source.flow_lpm for d in on]
        known = [f for f in flows if f is not None]
        flow = sum(known) if len(known) == len(flows) else None
        if on:
            users = ", ".join(d.patient for d in on)
            yield Stretch("on oxygen", low, None if high == math.inf else high, users, flow)


def _laid(layers: Iterable[list[Stretch]], end_min: float) -> tuple[Stretch, ...]:
    """Lay stretches over each other: an earlier layer hides what is under it."""
    shown: list[Stretch] = []
    for layer in layers:
        for stretch in layer:
            shown += _uncovered(stretch, shown, end_min)
    return tuple(sorted(shown, key=lambda s: (s.from_min, s.kind)))


def _uncovered(stretch: Stretch, above: list[Stretch], end_min: float) -> list[Stretch]:
    parts = [(stretch.from_min, end_min if stretch.until_min is None else stretch.until_min)]
    for other in above:
        low, high = other.from_min, end_min if other.until_min is None else other.until_min
        parts = [
            part
            for a, b in parts
            for part in ((a, min(b, low)), (max(a, high), b))
            if part[0] < part[1]
        ]
    return [
        Stretch(
            stretch.kind, a, None if b == end_min and stretch.until_min is None else b,
            stretch.other, stretch.flow_lpm, stretch.why,
        )
        for a, b in parts
    ]  # fmt: skip
