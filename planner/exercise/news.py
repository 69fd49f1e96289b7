"""What players learn of the world by itself: people found, taken over or dead, deliveries."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.exercise.truth_rows import Truth
from planner.journal.events import Died, Found, LogEntry, ResupplyArrived, Transferred


def news_due(exercise: Exercise, run: Run, truth: Truth) -> tuple[LogEntry, ...]:
    """Return what the world has to tell and has not yet: people found and gone, deliveries.

    Their ids say what they are about, so that two who look at once tell each once.
    """
    told = {news_id(entry) for entry in run.log}
    found = [entry for entry in _news(exercise, truth) if entry.id not in told]
    return tuple(sorted(found, key=lambda e: e.at_min))


def news_id(entry: LogEntry) -> str:
    """Return what makes a piece of news the same as another."""
    match entry.event:
        case Found(tag):
            return f"found {tag}"
        case Transferred(tag):
            return f"left {tag}"
        case Died(tag):
            return f"died {tag}"
        case ResupplyArrived(cylinders, regulators):
            return f"came {','.join((*cylinders, *regulators))}"
        case _:
            return f"other {entry.id}"


def _news(exercise: Exercise, truth: Truth) -> Iterator[LogEntry]:
    by_tag = {p.tag: p for p in exercise.incident.patients}
    for person in truth.patients:
        if person.status == "not found":
            continue
        event = Found(person.tag, by_tag[person.tag].triage)
        yield _entry(event, person.found_min, by_tag[person.tag].place)
        if person.status == "transferred":
            group = by_tag[person.tag].transfer_group or by_tag[person.tag].vehicle
            yield _entry(Transferred(person.tag, group), person.left_min, person.place)
        elif person.status == "dead" and by_tag[person.tag].triage != "dead":
            yield _entry(Died(person.tag), person.left_min, person.place)
    for number in truth.arrived:
        supply = exercise.incident.resupply[number]
        tags = tuple(c.tag for c in supply.cylinders), tuple(r.tag for r in supply.regulators)
        at = min(
            [truth.cylinder(t).there_from_min for t in tags[0]]
            + [truth.regulator(t).there_from_min for t in tags[1]],
            default=truth.at_min,
        )
        items = None if any(tags) else "; ".join(f"{d.count} {d.kind}" for d in supply.devices)
        event_came = ResupplyArrived(*tags, items=items or None)
        yield _entry(event_came, min(at, truth.at_min), supply.place)


def _entry(
    event: Found | Transferred | Died | ResupplyArrived, at: float, place: str
) -> LogEntry:  # fmt: skip
    entry = LogEntry("", math.floor(max(0.0, at) * 100) / 100, event, place=place, role="world")
    return replace(entry, id=news_id(entry))


__all__ = ["news_due", "news_id"]
