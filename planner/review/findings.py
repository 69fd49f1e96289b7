"""What a finished log says: oxygen over time, exchanges, readings that do not fit, requests.

Minutes of which the record says that somebody was without oxygen, and minutes of which it says
nothing, stand apart: the second are gaps in the record, not in oxygen.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from planner.incident import Incident
from planner.journal.events import (
    Connected,
    KitFailed,
    LogEntry,
    Swapped,
)
from planner.journal.states import Disagreement, OxygenGap, RecordGap
from planner.journal.stock import Stock
from planner.report.words import pressure
from planner.review.misfits import Misfit, misfits
from planner.review.needs import Need, pooled_until, requests
from planner.review.timelines import Stretch, Timeline, by_cylinder, by_patient
from planner.review.walking import Draw, Exchange, ReadGauge, Walk, walk

READING_EVERY_MIN: Final = 20.0  # a gauge is looked at so often: our own, no source


@dataclass(frozen=True, slots=True)
class WentWell:
    """Something that went well, with the entries that show it."""

    kind: Literal["leak ended", "swaps in time", "readings at each visit"]
    words: str
    entries: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything found in a log, by the record as it is now with all corrections."""

    end_min: float
    entries: tuple[LogEntry, ...]
    patients: tuple[Timeline, ...]
    cylinders: tuple[Timeline, ...]
    swaps: tuple[Exchange, ...]
    readings: tuple[ReadGauge, ...]
    misfits: tuple[Misfit, ...]
    needs: tuple[Need, ...]
    went_well: tuple[WentWell, ...]
    oxygen_gaps: tuple[OxygenGap, ...]
    record_gaps: tuple[RecordGap, ...]
    disagreements: tuple[Disagreement, ...]
    regulators_gone: tuple[tuple[str, str, float], ...]
    failed: tuple[LogEntry, ...]
    change_at_psi: float
    is_bar: bool
    stock: Stock
    draws: tuple[Draw, ...]

    @property
    def swaps_late(self) -> tuple[Exchange, ...]:
        """Swaps with the gauge under the change pressure, as read or else by arithmetic."""
        return tuple(
            s for s in self.swaps
            if (psi := gauge_off_psi(s)) is not None and psi < self.change_at_psi
        )  # fmt: skip


def gauge_off_psi(swap: Exchange) -> float | None:
    """Return the gauge of what came off: as read in that minute, else by arithmetic."""
    if swap.off_read_psi is not None:
        return swap.off_read_psi
    return swap.off_expected.gauge_psi if swap.off_expected is not None else None


def find(
    entries: Iterable[LogEntry], stock: Stock, incident: Incident | None = None
) -> Findings:  # fmt: skip
    """Return what a log says.

    Parameters
    ----------
    entries : iterable of LogEntry
        In any order, corrections among them.
    stock : Stock
        What there was (:func:`planner.journal.stock.stock_of` of the incident, if there is one).
    incident : Incident or None
        Gives the usual time of a delivery where the log has none.

    Raises
    ------
    InputError
        For an id that stands twice, or entries that replace each other in a ring.
    """
    given = tuple(entries)
    found = walk(given, stock)
    end = found.end
    odd = misfits(found, stock)
    return Findings(
        end_min=end.at_min,
        entries=found.entries,
        patients=by_patient(found),
        cylinders=by_cylinder(found),
        swaps=found.exchanges,
        readings=found.readings,
        misfits=odd,
        needs=tuple(requests(given, found, stock, incident)),
        went_well=tuple(_went_well(found, odd, stock)),
        oxygen_gaps=end.oxygen_gaps,
        record_gaps=end.record_gaps,
        disagreements=end.disagreements,
        regulators_gone=found.regulators_gone,
        failed=tuple(e for e in found.entries if isinstance(e.event, KitFailed)),
        change_at_psi=stock.change_at.psi,
        is_bar=stock.change_at.unit == "bar",
        stock=stock,
        draws=found.draws,
    )


# ----- what went well ---------------------------------------------------------------------------


def _went_well(found: Walk, odd: tuple[Misfit, ...], stock: Stock) -> Iterator[WentWell]:
    yield from _leaks_ended(found, odd)
    change = stock.change_at.psi
    known = [(s, psi) for s in found.exchanges if (psi := gauge_off_psi(s)) is not None]
    in_time = [s for s, psi in known if psi >= change]
    told = pressure(stock.change_at, is_bar=stock.change_at.unit == "bar")
    if in_time:
        words = f"{len(in_time)} of {len(known)} swaps were made before {told}"
        yield WentWell("swaps in time", words, tuple(s.entry for s in in_time))
    yield from _readings_kept_up(found)


def _leaks_ended(found: Walk, odd: tuple[Misfit, ...]) -> Iterator[WentWell]:
    """Yield each extra loss that was there before a swap and, by a later reading, not after."""
    told: set[str] = set()
    for misfit in odd:
        flow, tag = misfit.flow, misfit.reading.cylinder
        if misfit.side != "lower" or flow is None or flow.is_as_written or tag in told:
            continue
        if not misfit.is_of_flow:
            continue  # a single reading that a later one does not bear out
        swap = next(
            (s for s in found.exchanges if s.off == tag and s.at_min >= misfit.reading.at_min), None
        )
        if swap is None:
            continue
        after = [
            r for r in found.readings
            if r.cylinder == swap.on and r.flow is not None and swap.patient in r.patients
        ]  # fmt: skip
        if not after or not all(r.flow.is_as_written for r in after if r.flow is not None):
            continue
        told.add(tag)
        entry = next(e for e in found.entries if e.id == swap.entry)
        note = f" ({entry.note})" if entry.note else ""
        words = (
            f"an extra loss of about {flow.lpm - flow.written_lpm:.0f} L/min on {tag} was seen in "
            f"the gauge and ended at the swap onto {swap.on}{note}"
        )
        yield WentWell("leak ended", words, (misfit.reading.entry, swap.entry, after[0].entry))


def _readings_kept_up(found: Walk) -> Iterator[WentWell]:
    """Say for whom a gauge was written at each connection and swap, and often enough between."""
    for person in found.end.patients:
        visits = [
            e for e in found.entries
            if isinstance(e.event, Connected | Swapped) and e.event.patient == person.tag
        ]  # fmt: skip
        draws = [d for d in found.draws if d.patient == person.tag]
        if not visits or any(getattr(e.event, "gauge", None) is None for e in visits):
            continue
        times = [r.at_min for r in found.readings if person.tag in r.patients]
        times += [e.at_min for e in visits]
        ends = [d.until_min if d.until_min is not None else found.end.at_min for d in draws]
        marks = sorted({*times, max(ends)})
        longest = max((b - a for a, b in pairwise(marks)), default=0.0)
        if longest <= READING_EVERY_MIN and len(times) > len(visits):
            words = (
                f"{person.tag}: a gauge at each connection and swap, never more than "
                f"{longest:.0f} min apart"
            )
            yield WentWell("readings at each visit", words, tuple(e.id for e in visits))


__all__ = [
    "Exchange", "Findings", "Misfit", "Need", "Stretch", "Timeline", "WentWell", "find",
    "gauge_off_psi", "pooled_until",
]  # fmt: skip
