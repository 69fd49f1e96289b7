"""The swap timeline as facts: who is on oxygen from when until when, swaps, hands busy."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from planner.demand import sample
from planner.incident import Patient
from planner.oxygen_options import is_indicated
from planner.plan import Plan
from planner.reference import load_devices
from planner.report.result import by_triage
from planner.swaps import LIKELY, Swap
from planner.workflow import FRESH

NUM_SAMPLES: Final = 1_000  # for medians of starts and transfers

ON, LATER, WITHOUT = "on oxygen", "on oxygen, once found", "without oxygen"
SWAP, UNLIKELY, FIRST, TRANSFER = (
    "swap", "swap, less likely than not", "first connection", "transport takes over",
)  # fmt: skip
FREE, FULL, SHORT = "hands busy, some left", "all hands busy", "too few hands"
KINDS: Final = (ON, LATER, WITHOUT)
MARKS: Final = (SWAP, UNLIKELY, FIRST, TRANSFER)
BUSY: Final = (FREE, FULL, SHORT)


@dataclass(frozen=True, slots=True)
class Bar:
    """One of ``KINDS`` for one patient, by the medians of the plan's fresh samples [min]."""

    patient: str
    kind: str
    from_min: float
    to_min: float


@dataclass(frozen=True, slots=True)
class Mark:
    """One of ``MARKS`` for one patient; early and late are its 10 % and 90 % points [min]."""

    patient: str
    kind: str
    early_min: float
    expected_min: float
    late_min: float
    swap: Swap | None


@dataclass(frozen=True, slots=True)
class Busy:
    """Hands busy at a place for a stretch of time [min], and how many there are."""

    place: str
    kind: str
    from_min: float
    to_min: float
    num_busy: int
    num_there: int


@dataclass(frozen=True, slots=True)
class Timeline:
    """Everything the chart shows; patients in triage order."""

    patients: tuple[Patient, ...]
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    places: tuple[tuple[str, int], ...]
    busy: tuple[Busy, ...]


@dataclass(frozen=True, slots=True)
class _Stay:
    """When a patient needs oxygen from and until when, by medians; 10 % and 90 % points too."""

    begin_min: float
    early_min: float
    end_min: float
    late_min: float


def timeline_of(plan: Plan) -> Timeline:
    """Return the timeline of a plan: who has oxygen indicated and is still to be looked after."""
    stays = _stays(plan)
    people = tuple(p for p in by_triage(plan) if p.tag in stays)
    bars = [bar for p in people for bar in _bars(plan, p, stays[p.tag])]
    shown = {p.tag for p in people}
    marks = [_mark(swap) for swap in plan.swaps if swap.patient in shown]
    for tag, stay in stays.items():
        if stay.end_min < plan.incident.horizon_min:
            span = (stay.early_min, stay.end_min, stay.late_min)
            marks.append(Mark(tag, TRANSFER, *span, None))
    busy = tuple(row for place in plan.incident.places for row in _busy(plan, place.name, stays))
    places = tuple(
        (place.name, number)
        for place in plan.incident.places
        if (number := sum(r.place == place.name for r in plan.state.responders))
        or any(row.place == place.name for row in busy)
    )
    return Timeline(people, tuple(bars), tuple(marks), places, busy)


def _stays(plan: Plan) -> dict[str, _Stay]:
    """Return the median stay of everyone with an indication, from the plan's fresh samples."""
    incident, state, horizon = plan.incident, plan.state, plan.incident.horizon_min
    needs = sample(incident, state, NUM_SAMPLES, plan.run.seed + FRESH)
    options, stays = dict(plan.policy.options), {}
    for row, patient in enumerate(incident.patients):
        needed = needs.is_needed[row]
        if not needed.any() or not (patient.tag in options or is_indicated(incident, patient)):
            continue
        begin = max(state.at_min, float(np.median(needs.start_min[row, needed])))
        ends = np.minimum(needs.transfer_min[row, needed], horizon)
        early, end, late = (float(q) for q in np.quantile(ends, (0.1, 0.5, 0.9)))
        if begin < horizon:
            stays[patient.tag] = _Stay(begin, early, end, late)
    return stays


def _bars(plan: Plan, patient: Patient, stay: _Stay) -> Iterator[Bar]:
    """Yield without oxygen until the first connection, then on oxygen until transfer."""
    running = {line.patient for h in plan.policy.hookups for line in h.lines}
    first = next((s for s in plan.swaps if s.patient == patient.tag and s.off is None), None)
    is_awaited = plan.state.patient(patient.tag).status == "unknown"
    begin = stay.begin_min
    if patient.tag not in running:
        if plan.policy.option_of(patient.tag) is None or (first is None and not is_awaited):
            connected = stay.end_min
        elif first is None:  # awaited, and needed too rarely for its connection to be printed
            connected = begin
        else:
            connected = min(max(begin, first.expected_min), stay.end_min)
        if connected > begin:
            yield Bar(patient.tag, WITHOUT, begin, connected)
        begin = connected
    if stay.end_min > begin:
        yield Bar(patient.tag, LATER if is_awaited else ON, begin, stay.end_min)


def _mark(swap: Swap) -> Mark:
    kind = FIRST if swap.off is None and swap.number == 1 else SWAP
    if kind == SWAP and swap.chance_needed < LIKELY:
        kind = UNLIKELY
    span = (swap.early_min, swap.expected_min, swap.late_min)
    return Mark(swap.patient, kind, *span, swap)


def _busy(plan: Plan, place: str, stays: dict[str, _Stay]) -> Iterator[Busy]:
    """Yield stretches with hands busy: swaps likely to be needed, and whoever bags."""
    spans = [
        (s.expected_min, s.expected_min + plan.incident.swap_min, 1)
        for s in plan.swaps
        if s.place == place and s.chance_needed >= LIKELY
    ]
    devices = load_devices()
    for patient in plan.incident.patients:
        option, stay = plan.policy.option_of(patient.tag), stays.get(patient.tag)
        if option is None or stay is None or plan.state.patient(patient.tag).place != place:
            continue
        hands = devices[option.device].hands_held(has_airway_device=patient.airway_device)
        if hands and patient.chance_needed >= LIKELY:
            spans.append((stay.begin_min, stay.end_min, hands))
    there = [r.free_from_min for r in plan.state.responders if r.place == place]
    inner = {m for m in there if any(a < m < b for a, b, _ in spans)}
    cuts = sorted({minute for a, b, _ in spans for minute in (a, b)} | inner)
    cuts = [cut for cut in cuts if cut <= plan.incident.horizon_min]
    for a, b in pairwise(cuts):
        number = sum(hands for begin, end, hands in spans if begin <= a < end)
        if number:
            present = sum(minute <= a for minute in there)
            kind = FREE if number < present else FULL if number == present else SHORT
            yield Busy(place, kind, a, b, number, present)


__all__ = ["BUSY", "KINDS", "MARKS", "Bar", "Busy", "Mark", "Timeline", "timeline_of"]
