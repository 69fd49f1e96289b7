"""When oxygen was requested, and when it would have been needed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from planner.gas import content_l
from planner.incident import Incident
from planner.journal.events import DelayAnnounced, LogEntry, Requested, ResupplyArrived
from planner.journal.gauges import Z_95
from planner.journal.replaying import replay
from planner.journal.states import LogState, OxygenGap
from planner.journal.stock import Stock
from planner.review.walking import Walk


@dataclass(frozen=True, slots=True)
class Need:
    """When oxygen was requested, and when it would have been needed.

    Parameters
    ----------
    requested_min : float
    prompt : str
        Entry of the news about transport before it; empty: none.
    after_prompt_min : float or None
        From that news to the request.
    came_min : float or None
        First delivery after it.
    lasts_min, lasts_low_min, lasts_high_min : float or None
        Until when all usable oxygen there lasted at the flows then written, pooled and with no
        one taken away, as of the request; None: nothing flowed or was known.
    short_min : float or None
        First minute from then on that somebody was without oxygen by the record.
    needed_by_min : float or None
        Latest request that would have come in time, by the delivery's own lead time: before the
        first such minute, or before the pooled oxygen ended, whichever is sooner.
    """

    entry: str
    requested_min: float
    items: str
    prompt: str
    after_prompt_min: float | None
    came_min: float | None
    lasts_min: float | None
    lasts_low_min: float | None
    lasts_high_min: float | None
    short_min: float | None
    needed_by_min: float | None


def requests(
    given: tuple[LogEntry, ...], found: Walk, stock: Stock, incident: Incident | None
) -> Iterator[Need]:
    """Yield each request, with when it would have been needed."""
    asked = [e for e in found.entries if isinstance(e.event, Requested)]
    news = [e for e in found.entries if isinstance(e.event, DelayAnnounced)]
    came = [e.at_min for e in found.entries if isinstance(e.event, ResupplyArrived)]
    for entry in asked:
        at_min = entry.at_min
        before = [e for e in news if e.at_min <= at_min]
        arrived = next((m for m in came if m >= at_min), None)
        lead = arrived - at_min if arrived is not None else _usual_lead(incident)
        lasts = pooled_until(replay(given, stock, at_min), stock) or (None, None, None)
        short = min((g.from_min for g in _supply_gaps(found) if g.from_min >= at_min),
                    default=None)  # fmt: skip
        ends = [m for m in (short, lasts[0]) if m is not None]
        yield Need(
            entry=entry.id,
            requested_min=at_min,
            items=getattr(entry.event, "items", ""),
            prompt=before[-1].id if before else "",
            after_prompt_min=at_min - before[-1].at_min if before else None,
            came_min=arrived,
            lasts_min=lasts[0],
            lasts_low_min=lasts[1],
            lasts_high_min=lasts[2],
            short_min=short,
            needed_by_min=min(ends) - lead if ends and lead is not None else None,
        )


def _supply_gaps(found: Walk) -> list[OxygenGap]:
    """Return gaps in oxygen of people who had been on it: not those who wait after being found."""
    first = {d.patient: d.from_min for d in reversed(found.draws)}
    return [g for g in found.end.oxygen_gaps if g.from_min >= first.get(g.patient, math.inf)]


def _usual_lead(incident: Incident | None) -> float | None:
    if incident is None or not incident.resupply:
        return None
    return min(r.arrive.p50_min for r in incident.resupply)


def pooled_until(state: LogState, stock: Stock) -> tuple[float, float, float] | None:
    """Return until when the oxygen that is there lasts at the flows written, and its 95 % band.

    All litres above the change pressure, of whatever connection or place, are pooled, so no plan
    can do better at these flows. None: nothing flows.
    """
    people = [p for p in state.patients if p.source is not None]
    flows = [p.source.flow_lpm for p in people if p.source is not None]
    flow = sum(f for f in flows if f is not None) * stock.uncertainty.cold_flow_factor
    if flow <= 0.0:
        return None
    table, air = {c.tag: c for c in stock.cylinders}, stock.air_temperature.c
    litres, variance = 0.0, 0.0
    for row in state.cylinders:
        cylinder = table.get(row.tag)
        if cylinder is None or row.expected is None or row.status not in {"in stock", "connected"}:
            continue
        volume = cylinder.water_volume_l
        held, low, change = (
            float(content_l(volume, psi, air))
            for psi in (row.expected.gauge_psi, row.expected.low_psi, stock.change_at.psi)
        )
        litres += max(0.0, held - change)
        variance += ((held - low) / Z_95) ** 2
    minutes = litres / flow
    share = math.sqrt(variance) / flow, stock.uncertainty.flow_setting * minutes
    off = Z_95 * math.hypot(*share)
    at_min = state.at_min
    return at_min + minutes, at_min + max(0.0, minutes - off), at_min + minutes + off
