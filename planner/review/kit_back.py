"""Kit that left with somebody, and whether it came back or is awaited, by the log and the file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from planner.incident import Incident
from planner.journal.events import (
    Connected,
    KitFailed,
    LogEntry,
    Moved,
    ResupplyArrived,
    Swapped,
    Transferred,
)
from planner.report.words import when
from planner.review.walking import Walk


@dataclass(frozen=True, slots=True)
class KitByLog:
    """A regulator or cylinder that left, failed or was moved.

    Parameters
    ----------
    is_gone : bool
        It is not there, and nothing says that it comes back.
    place : str or None
        Where it is, or comes back to; None: where it was.
    back_min : float or None
        When it comes back by the incident file's ``kit_return_min``, as nothing is written of it.
    """

    is_gone: bool
    place: str | None = None
    back_min: float | None = None


def regulators_by_log(incident: Incident, walk: Walk) -> Mapping[str, KitByLog]:
    """Return the regulators of which the log says something, by tag; the last word holds."""
    left = {id_: tag for tag, id_, _ in walk.regulators_gone}
    found: dict[str, KitByLog] = {}
    for entry in walk.entries:
        event = entry.event
        if entry.id in left and isinstance(event, Transferred):
            found[left[entry.id]] = _left(incident, event.patient, entry)
        elif isinstance(event, KitFailed) and event.regulator:
            found[event.regulator] = KitByLog(is_gone=True)
        elif isinstance(event, Moved) and event.regulator:
            found[event.regulator] = KitByLog(is_gone=False, place=entry.place)
        elif isinstance(event, ResupplyArrived):
            back = KitByLog(is_gone=False, place=entry.place)
            found.update({tag: back for tag in event.regulators if tag in found})
        elif isinstance(event, Connected | Swapped) and event.regulator in found:
            found[event.regulator] = KitByLog(is_gone=False, place=entry.place)  # seen in use
    return found


def cylinder_back(incident: Incident, walk: Walk, tag: str) -> KitByLog | None:
    """Return whether a cylinder that left with somebody is awaited back; None: it did not."""
    for entry in reversed(walk.entries):
        event = entry.event
        if not isinstance(event, Transferred):
            continue
        had = {d.source.cylinder for d in walk.draws
               if d.patient == event.patient and d.until_min == entry.at_min}  # fmt: skip
        names_kit = event.cylinder is not None or event.regulator is not None
        if event.cylinder == tag or (not names_kit and tag in had):
            return _left(incident, event.patient, entry)
    return None


def _left(incident: Incident, tag: str, entry: LogEntry) -> KitByLog:
    patient = next((p for p in incident.patients if p.tag == tag), None)
    back = incident.kit_return_of(patient) if patient is not None else None
    if patient is None or back is None:
        return KitByLog(is_gone=True)
    return KitByLog(False, entry.place or patient.place, entry.at_min + back)


def back_words(incident: Incident, tag: str, kit: KitByLog, at_min: float) -> Iterator[str]:
    """Yield what is assumed of kit whose return nobody wrote down."""
    if kit.back_min is not None:
        about = when(incident.start, kit.back_min)
        how = "counted as back since" if kit.back_min <= at_min else "counted on from"
        yield f"{tag} left with somebody: {how} {about}, as the incident file says"
