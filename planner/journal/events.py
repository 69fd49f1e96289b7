"""What an oxygen log holds: entries, each with one event; nothing is ever changed or deleted.

A correction is a new entry that names the one it replaces. An entry says the role of whoever
acted, not a name, and which log or clock it comes from.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType
from typing import Final

from planner.errors import Fault, InputError
from planner.incident import Triage
from planner.units import Pressure, Temperature


@dataclass(frozen=True, slots=True)
class Found:
    """Somebody is found (or arrives)."""

    patient: str
    triage: Triage | None = None


@dataclass(frozen=True, slots=True)
class TriageChanged:
    """A patient's category is another from now on."""

    patient: str
    triage: Triage
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Connected:
    """Somebody's oxygen begins; ``regulator`` None is a built-in valve or not written down.

    Two patients on one source are two entries with the same cylinder and regulator.
    ``flow_lpm`` None: not written down.
    """

    patient: str
    cylinder: str
    regulator: str | None = None
    device: str | None = None
    flow_lpm: float | None = None
    gauge: Pressure | None = None
    gauge_plus_minus: Pressure | None = None
    temperature: Temperature | None = None


@dataclass(frozen=True, slots=True)
class FlowChanged:
    """The dial is set anew; 0 turns it off."""

    patient: str
    flow_lpm: float
    device: str | None = None


@dataclass(frozen=True, slots=True)
class GaugeRead:
    """A gauge is read, by the cylinder's tag or on whatever the patient breathes from.

    ``gauge_plus_minus`` is how far a rough reading ("half") may be off, beyond the gauge's error.
    """

    gauge: Pressure
    cylinder: str | None = None
    patient: str | None = None
    gauge_plus_minus: Pressure | None = None
    temperature: Temperature | None = None


@dataclass(frozen=True, slots=True)
class Swapped:
    """One cylinder off (``off``, None: not written down), ``cylinder`` on; the rest as it was.

    Gauge and temperature are of the new cylinder.
    """

    patient: str
    cylinder: str
    off: str | None = None
    regulator: str | None = None
    device: str | None = None
    flow_lpm: float | None = None
    gauge: Pressure | None = None
    gauge_plus_minus: Pressure | None = None
    temperature: Temperature | None = None


@dataclass(frozen=True, slots=True)
class Disconnected:
    """Somebody's oxygen ends and nothing else is put on."""

    patient: str
    cylinder: str | None = None


@dataclass(frozen=True, slots=True)
class Moved:
    """A patient or a piece of kit is, from now on, at the entry's place."""

    patient: str | None = None
    cylinder: str | None = None
    regulator: str | None = None


@dataclass(frozen=True, slots=True)
class Transferred:
    """Transport's own oxygen takes over.

    Kit that is named left with the patient; where none is named, what was on did.
    """

    patient: str
    transport: str | None = None
    cylinder: str | None = None
    regulator: str | None = None


@dataclass(frozen=True, slots=True)
class Died:
    """The patient died; oxygen and kit are free."""

    patient: str


@dataclass(frozen=True, slots=True)
class TreatmentStopped:
    """Treatment with oxygen ended on purpose."""

    patient: str
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class DelayAnnounced:
    """Transport comes later: by so many minutes, or at a minute; both None: nobody knows when."""

    transport: str
    delay_min: float | None = None
    expected_min: float | None = None


@dataclass(frozen=True, slots=True)
class Requested:
    """More was asked for."""

    items: str
    count: int | None = None


@dataclass(frozen=True, slots=True)
class ResupplyArrived:
    """Something was delivered, by tag or in words."""

    cylinders: tuple[str, ...] = ()
    regulators: tuple[str, ...] = ()
    items: str | None = None
    count: int | None = None


@dataclass(frozen=True, slots=True)
class CylinderLow:
    """A cylinder holds less than was thought."""

    cylinder: str
    gauge: Pressure | None = None
    gauge_plus_minus: Pressure | None = None
    temperature: Temperature | None = None


@dataclass(frozen=True, slots=True)
class CylinderEmpty:
    """A cylinder is found empty."""

    cylinder: str


@dataclass(frozen=True, slots=True)
class KitFailed:
    """Something does not work; what, by tag or kind (or in the note)."""

    patient: str | None = None
    cylinder: str | None = None
    regulator: str | None = None
    device: str | None = None


@dataclass(frozen=True, slots=True)
class Note:
    """Anything else; the text stands in the entry's note."""

    patient: str | None = None
    cylinder: str | None = None


Event = (
    Found | TriageChanged | Connected | FlowChanged | GaugeRead | Swapped | Disconnected | Moved
    | Transferred | Died | TreatmentStopped | DelayAnnounced | Requested | ResupplyArrived
    | CylinderLow | CylinderEmpty | KitFailed | Note
)  # fmt: skip

#: The word for each event in a file, in the order in which events of one minute are taken: what
#: arrives and is read comes before what is done with it, and leaving comes last.
EVENTS: Final[Mapping[str, type[Event]]] = MappingProxyType(
    {
        "resupply arrived": ResupplyArrived,
        "found": Found,
        "triage changed": TriageChanged,
        "moved": Moved,
        "gauge read": GaugeRead,
        "cylinder low": CylinderLow,
        "cylinder empty": CylinderEmpty,
        "kit failed": KitFailed,
        "disconnected": Disconnected,
        "connected": Connected,
        "swapped": Swapped,
        "flow changed": FlowChanged,
        "transferred": Transferred,
        "died": Died,
        "treatment stopped": TreatmentStopped,
        "delay announced": DelayAnnounced,
        "requested": Requested,
        "note": Note,
    }
)
WORDS: Final[Mapping[type[Event], str]] = MappingProxyType({t: w for w, t in EVENTS.items()})
_RANK: Final[Mapping[type[Event], int]] = MappingProxyType(
    {event: rank for rank, event in enumerate(EVENTS.values())}
)


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One entry of the log.

    Parameters
    ----------
    id : str
        Once in a journal.
    at_min : float
        When it happened: minutes from the journal's start; below 0 before it.
    event : Event
        What happened.
    plus_minus_min : float
        It happened at most so many minutes sooner or later.
    role : str or None
        Who did or saw it, by role, not by name.
    place : str or None
        Where; of what was moved: where it is afterwards.
    source : str or None
        Which log or clock it comes from.
    note : str or None
        In the writer's words.
    replaces : str or None
        Id of the entry that this one corrects.
    """

    id: str
    at_min: float
    event: Event
    plus_minus_min: float = 0.0
    role: str | None = None
    place: str | None = None
    source: str | None = None
    note: str | None = None
    replaces: str | None = None


@dataclass(frozen=True, slots=True)
class Journal:
    """A log with its name and the clock time of minute 0; entries in the order they came."""

    name: str
    start: datetime
    entries: tuple[LogEntry, ...] = ()


@dataclass(frozen=True, slots=True)
class Contest:
    """Two or more corrections of one thing; ``taken`` holds, the ``others`` do not."""

    taken: str
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class InForce:
    """The entries that hold, in the order they happened, and corrections that contradict."""

    entries: tuple[LogEntry, ...]
    contests: tuple[Contest, ...]


SortKey = tuple[tuple[int, int, str], ...]
_DIGITS: Final = re.compile(r"([0-9]+)")


def tag_key(tag: str) -> tuple[SortKey, str]:
    """Return the key that sorts tags as people count them: H-9 before H-10."""
    parts = _DIGITS.split(tag)
    key = tuple((1, int(p[:18]), "") if k % 2 else (0, 0, p) for k, p in enumerate(parts))
    return key, tag


def in_order(entries: Iterable[LogEntry]) -> list[LogEntry]:
    """Return entries by time, by kind within a minute (see `EVENTS`), then by id."""
    return sorted(entries, key=lambda e: (e.at_min, _RANK[type(e.event)], tag_key(e.id)))


def in_force(entries: Iterable[LogEntry]) -> InForce:
    """Return the entries that nothing replaces.

    Where several correct the same entry (and not each other), the one with the last id holds: ids
    count up. An entry that is named but is not there may be a part of the log that was left out.

    Raises
    ------
    InputError
        For an id that stands twice, or entries that replace each other in a ring.
    """
    by_id, faults = _by_id(entries)
    roots, rings = _roots(by_id)
    faults += rings
    if faults:
        raise InputError(faults)
    replaced = {entry.replaces for entry in by_id.values()}
    leaves: dict[str, list[LogEntry]] = {}
    for entry in by_id.values():
        if entry.id not in replaced:
            leaves.setdefault(roots[entry.id], []).append(entry)
    held, contests = [], []
    for rivals in leaves.values():
        rivals.sort(key=lambda e: tag_key(e.id))
        held.append(rivals[-1])
        if len(rivals) > 1:
            contests.append(Contest(rivals[-1].id, tuple(e.id for e in rivals[:-1])))
    contests.sort(key=lambda c: tag_key(c.taken))
    return InForce(tuple(in_order(held)), tuple(contests))


def up_to(entries: Iterable[LogEntry], until_min: float) -> tuple[LogEntry, ...]:
    """Return the part of a log that counts by a minute, in the order given.

    That is what holds and happened by then, as the whole log now has it, with what it replaced: a
    correction that says something happened later takes it out of the minutes before.

    Raises
    ------
    InputError
        As :func:`in_force` does.
    """
    given = tuple(entries)
    held = [entry.id for entry in in_force(given).entries if entry.at_min <= until_min]
    roots, _ = _roots(_by_id(given)[0])
    counted = {roots[id_] for id_ in held}
    return tuple(entry for entry in given if roots[entry.id] in counted)


def entry_faults(entries: Iterable[LogEntry], file: str = "") -> tuple[Fault, ...]:
    """Return what is wrong with the ids of a whole log: twice, in a ring, naming nothing."""
    by_id, faults = _by_id(entries, file)
    faults += _roots(by_id, file)[1]
    for entry in by_id.values():
        if entry.replaces is not None and entry.replaces not in by_id:
            words = ("the id of an entry of this log", "Name the entry that it corrects.")
            faults.append(Fault(file, "entries", entry.id, "replaces", entry.replaces, *words))
    return tuple(faults)


def _by_id(entries: Iterable[LogEntry], file: str = "") -> tuple[dict[str, LogEntry], list[Fault]]:
    found: dict[str, LogEntry] = {}
    faults = []
    for entry in entries:
        if entry.id in found:
            words = ("each id once", "Give the second one an id of its own.")
            faults.append(Fault(file, "entries", entry.id, "id", "an id used before", *words))
        found.setdefault(entry.id, entry)
    return found, faults


def _roots(by_id: Mapping[str, LogEntry], file: str = "") -> tuple[dict[str, str], list[Fault]]:
    """Return what each entry goes back to (an id that may not be there), and the rings."""
    roots: dict[str, str] = {}
    faults = []
    for entry in by_id.values():
        path: dict[str, None] = {}
        step = entry.id
        while step not in roots and step in by_id and step not in path:
            path[step] = None
            before = by_id[step].replaces
            if before is None:
                roots[step] = step
            else:
                step = before
        if step in path and step not in roots:
            ring = list(path)[list(path).index(step) :]
            words = ("entries that do not replace each other", "Take one of them out of the ring.")
            received = " replaces ".join((*ring[:8], ring[0]))
            faults.append(Fault(file, "entries", step, "replaces", received, *words))
        roots.update(dict.fromkeys(path, roots.get(step, step)))
    return roots, faults
