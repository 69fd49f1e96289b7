"""What announcements about transport make of the times that people are fetched."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from planner.incident import Incident, Patient
from planner.journal.events import DelayAnnounced, LogEntry
from planner.report.words import when


@dataclass(frozen=True, slots=True)
class LaidNews:
    """Minutes that groups and vehicles come later, and times of people whose transport is off."""

    groups: dict[str, float]
    vehicles: dict[str, float]
    transfer: dict[str, list[float]]
    told: list[str]


def fell_through(event: object) -> bool:
    """Whether an announcement says that transport does not come, or nobody knows when."""
    return isinstance(event, DelayAnnounced) and event.delay_min is None and (
        event.expected_min is None
    )  # fmt: skip


def laid_news(incident: Incident, entries: Iterable[LogEntry]) -> LaidNews:
    """Return what the announcements among some entries change, the last one of each holding.

    A delay adds to what was announced before; an expected time stands in its place. Transport
    that is off is replaced by the group's fallback; without one nobody is fetched before the
    horizon.
    """
    later: dict[str, float | None] = {}
    told: list[str] = []
    names = {g.name.lower(): g.name for g in incident.transfer_groups}
    names |= {v.name.lower(): v.name for v in incident.vehicles}
    for entry in sorted(entries, key=lambda e: e.at_min):
        event = entry.event
        if not isinstance(event, DelayAnnounced):
            continue
        name = names.get(event.transport.strip().lower())
        if name is None:
            told.append(f"{event.transport} is no transport of the incident file: no time moved")
        elif event.expected_min is not None:
            first = _first_median(incident, name)
            later[name] = event.expected_min - first if first is not None else 0.0
        elif event.delay_min is not None:
            later[name] = (later.get(name) or 0.0) + event.delay_min
        else:
            later[name] = None
    groups = {g.name for g in incident.transfer_groups}
    off = {name for name, by in later.items() if by is None}
    transfer = {
        p.tag: _instead(incident, p) for p in incident.patients if p.transfer_group in off & groups
    }
    told += [_off_words(incident, name) for name in sorted(off & groups)]
    by = {name: m for name, m in later.items() if m is not None}
    vehicles = {n: m for n, m in by.items() if n not in groups}
    for vehicle in incident.vehicles:
        if vehicle.name in off:
            vehicles[vehicle.name] = incident.horizon_min - vehicle.first_arrival.p50_min
            told.append(f"{vehicle.name} is off: nobody is fetched by it before the horizon")
    return LaidNews({n: m for n, m in by.items() if n in groups}, vehicles, transfer, told)


def _first_median(incident: Incident, name: str) -> float | None:
    """Return the soonest median of a group's transfers or of a vehicle's arrival."""
    medians = [p.transfer.p50_min for p in incident.patients
               if p.transfer_group == name and p.transfer is not None]  # fmt: skip
    medians += [v.first_arrival.p50_min for v in incident.vehicles if v.name == name]
    return min(medians, default=None)


def _instead(incident: Incident, patient: Patient) -> list[float]:
    group = incident.group_of(patient)
    if group is None or group.fallback is None:
        return [incident.horizon_min] * 3
    time = group.fallback
    return [time.p10_min, time.p50_min, time.p90_min]


def _off_words(incident: Incident, name: str) -> str:
    group = next(g for g in incident.transfer_groups if g.name == name)
    if group.fallback is None:
        return (
            f"{name} is off, and the incident file has no fallback: nobody fetched by the horizon"
        )
    about = when(incident.start, group.fallback.p50_min)
    return f"{name} is off: its fallback counts, as likely as not by {about}"
