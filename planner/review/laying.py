"""A log laid onto its incident: the state at a minute, as far as it was known then.

The log is turned into the rows of a situation, and checked and read as such
(:mod:`planner.situation`). Whatever does not go together is left out of the rows and told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.incident import Incident, Patient
from planner.journal.events import (
    Connected,
    LogEntry,
    Requested,
    ResupplyArrived,
    Swapped,
)
from planner.journal.following import FLOW_OFF
from planner.journal.states import CylinderByLog, PatientByLog, Source, Without
from planner.journal.stock import stock_of
from planner.oxygen_options import options_of
from planner.review.hands import hands_by_log
from planner.review.kit_back import back_words, cylinder_back, regulators_by_log
from planner.review.knowledge import known_at
from planner.review.transport_news import laid_news
from planner.review.walking import Walk, walk
from planner.situation import situation_from
from planner.situation_fields import (
    DEAD,
    GONE,
    ON_OXYGEN,
    RESERVE,
    TAKEN_OFF,
    TRANSFERRED,
    WAITING,
)
from planner.state import State, device_units, initial_state

MAX_TRIES: Final = 12  # each leaves out at least one row
_OFF: Final = {"taken off": TAKEN_OFF, "empty": TAKEN_OFF, "gone": GONE}


@dataclass(frozen=True, slots=True)
class Laid:
    """The incident and state as known at a minute; ``state`` None: they do not go together.

    ``walk`` is of the entries known; ``told`` says what was assumed, or could not be laid.
    """

    at_min: float
    incident: Incident
    state: State | None
    walk: Walk
    told: tuple[str, ...]


def laid_onto(incident: Incident, entries: Iterable[LogEntry], at_min: float) -> Laid:
    """Return what was known at a minute as an incident and a state to plan on from.

    Parameters
    ----------
    incident : Incident
        As it was planned for; the log's minute 0 is its own.
    entries : iterable of LogEntry
        The whole log: only what was known at the minute is used (:mod:`planner.review.knowledge`),
        but for this: whether deliveries came on request at all.
    at_min : float
        The minute, 0 or more and before the horizon.

    Returns
    -------
    Laid

    Raises
    ------
    InputError
        For an id that stands twice, or entries that replace each other in a ring.
    """
    given = tuple(entries)
    known = known_at(given, at_min)
    draft = _Draft(incident, walk(known, stock_of(incident), at_min))
    is_on_request = any(isinstance(e.event, Requested) for e in given)
    news = laid_news(incident, known)
    draft.told += news.told
    for number in range(1, len(incident.resupply) + 1):
        if is_on_request and not draft.is_requested and number not in draft.arrived:
            draft.told.append("nothing had been requested yet: no delivery is counted on")
            incident = _without_deliveries(incident, draft.arrived)
            break
    draft.incident = incident
    if not 0.0 <= at_min < incident.horizon_min:
        draft.told.append("the minute lies before the start or beyond the horizon")
        return Laid(at_min, incident, None, draft.walk, tuple(draft.told))
    tree = _tree(draft, at_min, news.groups, news.vehicles, news.transfer)
    for _ in range(MAX_TRIES):
        try:
            found = situation_from(tree, incident)
        except InputError as error:
            if not _left_out(tree, error.faults, draft.told):
                break
        else:
            return Laid(at_min, found.incident, found.state, draft.walk, tuple(draft.told))
    return Laid(at_min, incident, None, draft.walk, tuple(draft.told))


def _without_deliveries(incident: Incident, arrived: set[int]) -> Incident:
    resupply = tuple(
        r if n in arrived else replace(r, no_show_chance=1.0)
        for n, r in enumerate(incident.resupply, 1)
    )
    return replace(incident, resupply=resupply)


def _left_out(tree: dict[str, Any], faults: Iterable[Fault], told: list[str]) -> bool:
    """Take the row of each fault out of the tree, and tell; False: there was none to take out."""
    is_less = False
    for fault in faults:
        if fault.table == "situation":
            continue
        table = "patients" if fault.table == "connected" else fault.table
        rows = tree.get(table, [])
        for row in list(rows):
            key = str(row.get("tag", row.get("name", row.get("number", row.get("place")))))
            is_it = key == fault.row or fault.row.startswith(f"{key} ")
            # A row about what somebody breathes from may be named only by its order.
            if is_it or (fault.table == "connected" and _holds(row.get("connected"), fault)):
                rows.remove(row)
                told.append(f"{key}: left as the incident has it, since {fault.field} is "
                            f"{fault.received} and allowed is {fault.allowed}")  # fmt: skip
                is_less = True
                break
    return is_less


def _holds(on: Mapping[str, Any] | None, fault: Fault) -> bool:
    return on is not None and str(on.get(fault.field)) in fault.received


# ----- rows -------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Draft:
    """What is gathered while rows are made."""

    incident: Incident
    walk: Walk
    told: list[str] = field(default_factory=list)
    holders: dict[str, str] = field(default_factory=dict)  # regulator: patient
    drained: set[str] = field(default_factory=set)  # cylinders of people who are not modelled

    @property
    def is_requested(self) -> bool:
        """Whether more had been asked for."""
        return any(isinstance(e.event, Requested) for e in self.walk.entries)

    @property
    def arrived(self) -> set[int]:
        """Resupplies that have come, from 1; one told in words only is the first not yet there."""
        came: set[int] = set()
        for entry in self.walk.entries:
            if not isinstance(entry.event, ResupplyArrived):
                continue
            tags = {*entry.event.cylinders, *entry.event.regulators}
            hit = [
                n for n, r in enumerate(self.incident.resupply, 1)
                if tags & {*(c.tag for c in r.cylinders), *(g.tag for g in r.regulators)}
            ]  # fmt: skip
            rest = [n for n in range(1, len(self.incident.resupply) + 1) if n not in came]
            came.update(hit or (rest[:1] if not tags else ()))
        return came

    def place(self, place: str | None) -> dict[str, str]:
        """Return a place as part of a row, where the incident has it."""
        names = {p.name for p in self.incident.places}
        return {"place": place} if place in names else {}


def _tree(
    draft: _Draft, at_min: float, groups: Mapping[str, float], vehicles: Mapping[str, float],
    transfer: Mapping[str, list[float]],
) -> dict[str, Any]:  # fmt: skip
    people = {p.tag: p for p in draft.incident.patients}
    rows: list[dict[str, Any]] = []
    for by_log in draft.walk.end.patients:
        patient = people.pop(by_log.tag, None)
        if patient is None:
            draft.told.append(f"{by_log.tag} is not in the incident file and is not modelled")
            continue
        row = _patient(draft, patient, by_log)
        if by_log.tag in transfer and row.get("now") not in {TRANSFERRED, DEAD}:
            row["transfer_min"] = transfer[by_log.tag]
        rows.append(row)
    rows += [{"tag": t, "transfer_min": transfer[t]} for t in people if t in transfer]
    on = {r["connected"]["cylinder"] for r in rows if "connected" in r}
    tree: dict[str, Any] = {
        "schema": 1,
        "situation": {"at_min": at_min},
        "patients": rows,
        "cylinders": [
            each
            for c in draft.walk.end.cylinders
            if (each := _cylinder(draft, c, (on, at_min))) is not None
        ],
        "regulators": _regulators(draft, at_min),
        "devices": _devices(draft, rows),
        "transfer_groups": [{"name": n, "later_min": m} for n, m in groups.items()],
        "vehicles": [{"name": n, "later_min": m} for n, m in vehicles.items()],
        "resupply": [{"number": n, "arrived": True} for n in sorted(draft.arrived)],
        "washers": _washers(draft),
        "responders": hands_by_log(draft.incident, draft.walk.entries, draft.told),
    }
    return {name: value for name, value in tree.items() if value != []}


def _patient(draft: _Draft, patient: Patient, by_log: PatientByLog) -> dict[str, Any]:
    row: dict[str, Any] = {"tag": patient.tag, **draft.place(by_log.place)}
    if by_log.triage is not None and by_log.triage != patient.triage:
        row["triage"] = by_log.triage
    source = by_log.source
    out = next((w for w in draft.walk.end.without if w.patient == patient.tag), None)
    if by_log.status == "died":
        return {**row, "now": DEAD}
    if by_log.status in {"transferred", "treatment stopped"}:
        if by_log.status == "treatment stopped":
            draft.told.append(f"{patient.tag}: oxygen had ended on purpose, so none is planned")
        return {**row, "now": TRANSFERRED}
    if source is None or (out is not None and out.why == FLOW_OFF):
        since = max(0.0, out.since_min if out is not None else by_log.since_min)
        return {**row, "now": WAITING, "waiting_since_min": since}
    if not options_of(draft.incident, patient):
        words = "on oxygen without an indication in the incident file: not modelled"
        draft.told.append(f"{patient.tag}: {words}, and {source.cylinder} counts as gone")
        draft.drained.add(source.cylinder)
        return {**row, "now": TRANSFERRED}
    return {**row, **_on_oxygen(draft, patient, source, out)}


def _on_oxygen(
    draft: _Draft, patient: Patient, source: Source, out: Without | None
) -> dict[str, Any]:
    option = options_of(draft.incident, patient)[0]
    for name in ("device", "flow_lpm"):
        if getattr(source, name) is None:
            draft.told.append(f"{patient.tag}: no {name} is written; taken as first choice")
    on: dict[str, Any] = {
        "cylinder": source.cylinder,
        "device": source.device or option.device,
        "flow_lpm": option.flow_lpm if source.flow_lpm is None else source.flow_lpm,
    }
    regulator = source.regulator or _any_regulator(draft, patient.tag, source.cylinder)
    if regulator is not None:
        on["regulator"] = regulator
        draft.holders[regulator] = patient.tag
    first = min(d.from_min for d in draft.walk.draws if d.patient == patient.tag)
    row: dict[str, Any] = {
        "now": ON_OXYGEN, "connected": on, "flow_from_min": max(0.0, source.since_min),
        "first_flow_min": max(0.0, first),
    }  # fmt: skip
    if out is not None:
        row |= {"is_out": True, "waiting_since_min": max(0.0, out.since_min)}
    return row


def _any_regulator(draft: _Draft, patient: str, cylinder: str) -> str | None:
    """Return a regulator that fits and nobody else has, where the log names none."""
    kind = next((c for c in draft.incident.all_cylinders if c.tag == cylinder), None)
    if kind is None or kind.settings_lpm:
        return None
    used = {p.source.regulator for p in draft.walk.end.patients if p.source is not None}
    used |= {*draft.holders, *(tag for tag, _, _ in draft.walk.regulators_gone)}
    for regulator in draft.incident.regulators:
        if regulator.connection == kind.connection and regulator.tag not in used:
            draft.told.append(f"{patient}: no regulator is written; taken as {regulator.tag}")
            return regulator.tag
    return None


def _cylinder(
    draft: _Draft, by_log: CylinderByLog, now: tuple[set[str], float]
) -> dict[str, Any] | None:
    on, at_min = now
    cylinder = next((c for c in draft.incident.all_cylinders if c.tag == by_log.tag), None)
    if cylinder is None or by_log.status == "to arrive":
        return None
    row: dict[str, Any] = {"tag": by_log.tag}
    if by_log.tag not in on:
        row |= draft.place(by_log.place) if by_log.place != cylinder.place else {}
        status = _OFF.get(by_log.status, TAKEN_OFF if by_log.status == "connected" else None)
        status = GONE if by_log.tag in draft.drained else status
        row |= {"now": status} if status is not None else {}
        back = cylinder_back(draft.incident, draft.walk, by_log.tag)
        if status == GONE and back is not None and back.back_min is not None:
            row |= {"now": RESERVE, "since_min": back.back_min, **draft.place(back.place)}
            draft.told += back_words(draft.incident, by_log.tag, back, at_min)
    expected = by_log.expected
    if expected is not None and (expected.from_min != 0.0 or expected.used_l > 0.0):
        row["gauge_psi"] = expected.gauge_psi
        row["read_at_c"] = draft.incident.air_temperature.c
    elif expected is None and cylinder.power_min is None:
        draft.told.append(f"{by_log.tag}: {by_log.unknown}; counted at its first gauge")
    return row if len(row) > 1 else None


# ----- kit --------------------------------------------------------------------------------------


def _regulators(draft: _Draft, at_min: float) -> list[dict[str, Any]]:
    """Return regulators that left or failed, came back or will, and those that stayed."""
    kit = regulators_by_log(draft.incident, draft.walk)
    began = {h.regulator for h in initial_state(draft.incident).hookups if h.regulator}
    used = {d.source.regulator for d in draft.walk.draws}
    rows = []
    for regulator in draft.incident.all_regulators:
        tag = regulator.tag
        by_log = kit.get(tag)
        if tag in draft.holders:
            continue
        if by_log is None:
            if tag in began and tag in used:
                rows.append({"tag": tag, "is_gone": False})
            continue
        draft.told += back_words(draft.incident, tag, by_log, at_min)
        if by_log.is_gone:
            rows.append({"tag": tag, "is_gone": True})
            continue
        rows.append({"tag": tag, "is_gone": False, **draft.place(by_log.place)})
        if by_log.back_min is not None:
            rows[-1]["since_min"] = by_log.back_min
    return rows


def _devices(draft: _Draft, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return who wears which mask, and the masks that left with somebody."""
    ages = {p.tag: p.age for p in draft.incident.patients}
    arrived = draft.arrived
    free = [
        u for u in device_units(draft.incident) if u.resupply is None or u.resupply + 1 in arrived
    ]
    last = {d.patient: d.source.device for d in draft.walk.draws}
    found: list[dict[str, Any]] = []
    worn = [(r["tag"], r["connected"]["device"], True) for r in rows if "connected" in r]
    left = [(r["tag"], last.get(r["tag"]), False) for r in rows if r.get("now") == TRANSFERRED]
    for tag, kind, is_here in (*worn, *left):
        unit = next((u for u in free if u.kind == kind and u.age == ages[tag]), None)
        if unit is not None:
            free.remove(unit)
            found.append({"tag": unit.tag, "holder": tag} if is_here else
                         {"tag": unit.tag, "is_gone": True})  # fmt: skip
    return found


def _washers(draft: _Draft) -> list[dict[str, Any]]:
    """Return the washers left by place: each connection by the log has used one there."""
    state = initial_state(draft.incident)
    if state.washers is None:
        return []
    places = {p.tag: p.place for p in draft.incident.patients}
    used: dict[str, int] = {}
    for entry in draft.walk.entries:
        if isinstance(entry.event, Connected | Swapped) and entry.event.patient in places:
            place = draft.place(entry.place).get("place", places[entry.event.patient])
            used[place] = used.get(place, 0) + 1
    return [
        {"place": place.name, "count": max(0, number - used[place.name])}
        for place, number in zip(draft.incident.places, state.washers, strict=True)
        if place.name in used
    ]
