"""From findings to contributing factors, recommendations and improvements: about the system.

Each comes from a rule of our own (no source) over the findings, names no person and says what in
the record it rests on.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from planner.incident import Incident
from planner.report.words import counted, joined, pressure
from planner.review.findings import Findings
from planner.units import Pressure

Heading = Literal[
    "equipment", "information", "environment", "workload", "communication", "training"
]
HEADINGS: Final[tuple[Heading, ...]] = (
    "equipment", "information", "environment", "workload", "communication", "training",
)  # fmt: skip
Topic = Literal["gauges and flow", "kit", "requests and transport", "swaps", "the record"]
MOST_RECOMMENDED: Final = 5
ASKED_LATE_MIN: Final = 5.0  # so long from the news to a request is worth a look; no source
COLD_C: Final = 0.0
BUSY: Final = 4  # log entries within five minutes; our own, no source
_WEATHER: Final = re.compile(r"\b(?:cloud|wind|fog|snow|storm|visibility|dark)\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Recommendation:
    """What to change; ``about`` is equipment or the system before training."""

    about: Literal["equipment", "system", "training"]
    words: str
    because: str
    owner: str
    topic: Topic


@dataclass(frozen=True, slots=True)
class Improvement:
    """A line of the improvement list: an owner by role; the date is for the meeting to set."""

    words: str
    owner: str
    due: str | None = None


def factors_of(
    found: Findings, incident: Incident | None
) -> Mapping[Heading, tuple[str, ...]]:  # fmt: skip
    """Return what may have contributed, by heading; empty: nothing in the record points to it."""
    makers = (_equipment, _information, _environment, _workload, _communication, _training)
    made = zip(HEADINGS, makers, strict=True)
    return MappingProxyType({heading: tuple(make(found, incident)) for heading, make in made})


def _equipment(found: Findings, incident: Incident | None) -> Iterator[str]:
    del incident
    for tag in dict.fromkeys(m.reading.cylinder for m in found.misfits if m.is_of_flow):
        flow = next(m.flow for m in reversed(found.misfits) if m.reading.cylinder == tag)
        if flow is not None:
            least = "at least " if flow.is_at_least else ""
            yield (
                f"{tag} gave {least}about {flow.lpm:.0f} L/min ({flow.low_lpm:.0f}-"
                f"{flow.high_lpm:.0f}) with {flow.written_lpm:.0f} written"
            )
    for tag in dict.fromkeys(tag for tag, _, _ in found.regulators_gone):
        yield f"regulator {tag} left with a patient"
    if found.failed:
        yield f"kit that failed or was missing: {counted(len(found.failed), 'entry', 'entries')}"


def _information(found: Findings, incident: Incident | None) -> Iterator[str]:
    del incident
    if found.record_gaps:
        total = sum(_length(g.from_min, g.until_min, found.end_min) for g in found.record_gaps)
        told = counted(len(found.record_gaps), "gap")
        yield f"{told} in the record, {total:.0f} min together: what happened then is not known"
    unread = [s.on for s in found.swaps if not s.is_on_read]
    if unread:
        yield f"no gauge written at the swap onto {joined(unread)}"
    odd = [d for d in found.disagreements if d.kind != "gauge"]
    if odd:
        yield f"{counted(len(odd), 'place')} where entries do not agree"


def _environment(found: Findings, incident: Incident | None) -> Iterator[str]:
    if incident is not None and incident.air_temperature.c < COLD_C:
        cold = f"{incident.air_temperature.c:.0f} C"
        yield f"{cold}: gauges read lower than indoors with nothing lost"
    for entry in found.entries:
        if entry.note and _WEATHER.search(entry.note):
            yield f"entry {entry.id}: {entry.note}"


def _workload(found: Findings, incident: Incident | None) -> Iterator[str]:
    times = sorted(e.at_min for e in found.entries)
    most = max((bisect_right(times, t + 5.0) - k for k, t in enumerate(times)), default=0)
    if most >= BUSY:
        hands = f" with {counted(len(incident.responders), 'responder')}" if incident else ""
        yield f"up to {most} entries within five minutes{hands}"
    if found.swaps_late:
        yield f"{counted(len(found.swaps_late), 'swap')} under the change pressure"


def _communication(found: Findings, incident: Incident | None) -> Iterator[str]:
    del incident
    for need in found.needs:
        late = need.after_prompt_min
        if late is not None and late >= ASKED_LATE_MIN:
            yield f"{late:.0f} min from the news about transport to the request"
    if any(d.kind == "one cylinder on two patients" for d in found.disagreements):
        yield "two entries put one cylinder on two patients"
    sources = {e.source for e in found.entries if e.source is not None}
    if len(sources) > 1:
        yield f"{len(sources)} logs, each with a clock of its own"


def _training(found: Findings, incident: Incident | None) -> Iterator[str]:
    del incident
    if any(not s.is_on_read for s in found.swaps):
        yield "reading and writing the gauge at each swap, as a habit"
    if found.misfits:
        yield "what to check when a gauge does not fit: washer, setting, tag, and read again"


# ----- recommendations --------------------------------------------------------------------------


def recommendations_of(found: Findings) -> tuple[Recommendation, ...]:
    """Return at most five recommendations: equipment first, then the system, training last."""
    return tuple(_recommended(found))[:MOST_RECOMMENDED]


def _recommended(found: Findings) -> Iterator[Recommendation]:
    of_flow = dict.fromkeys(m.reading.cylinder for m in found.misfits if m.is_of_flow)
    if of_flow:
        yield Recommendation(
            "equipment",
            "Check washers and dials of the regulators used; carry spare washers with them",
            f"more flowed than written from {joined(of_flow)}", "equipment lead",
            "gauges and flow",
        )  # fmt: skip
    if found.regulators_gone:
        yield Recommendation(
            "equipment", "Agree with transport how regulators come back, or carry one more",
            f"{counted(len(found.regulators_gone), 'regulator')} left with patients",
            "equipment lead", "kit",
        )  # fmt: skip
    late = [n for n in found.needs if _is_late(n.requested_min, n.needed_by_min)]
    slow = [n for n in found.needs if (n.after_prompt_min or 0.0) >= ASKED_LATE_MIN]
    if late or slow:
        because = "a request came after the minute by which it was needed" if late else (
            "some minutes passed from the news to the request")  # fmt: skip
        yield Recommendation(
            "system", "Ask for oxygen by rule as soon as transport is late, before it is short",
            because, "incident lead", "requests and transport",
        )  # fmt: skip
    if found.swaps_late:
        change = pressure(Pressure(found.change_at_psi, "psi"), is_bar=found.is_bar)
        yield Recommendation(
            "system", f"Lay the next cylinder beside the patient before {change} is reached",
            f"{counted(len(found.swaps_late), 'swap')} under {change}", "medical lead", "swaps",
        )  # fmt: skip
    if found.record_gaps or any(not s.is_on_read for s in found.swaps):
        yield Recommendation(
            "system", "One log and one clock, a gauge written at each visit and each swap",
            "gaps in the record, or swaps without a gauge", "documentation lead", "the record",
        )  # fmt: skip
    if found.misfits:
        yield Recommendation(
            "training", "Practise what to do when a gauge does not fit",
            f"{counted(len(found.misfits), 'reading')} did not fit", "training lead",
            "gauges and flow",
        )  # fmt: skip


def improvements_of(recommended: tuple[Recommendation, ...]) -> tuple[Improvement, ...]:
    """Return the improvement list: one line a recommendation, owner by role, date left open."""
    return tuple(Improvement(r.words, r.owner) for r in recommended)


def _is_late(requested_min: float, needed_by_min: float | None) -> bool:
    return needed_by_min is not None and requested_min > needed_by_min


def _length(from_min: float, until_min: float | None, end_min: float) -> float:
    return (end_min if until_min is None else until_min) - from_min
