"""From the rows of a situation to a state: what they do not say follows, or is as it was."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, cast

from planner.incident import Incident, Resupply
from planner.intake import Row
from planner.situation_fields import (
    DEAD,
    GONE,
    IN_USE,
    NOT_FOUND,
    ON_OXYGEN,
    RESERVE,
    TAKEN_OFF,
    TRANSFERRED,
    WAITING,
)
from planner.state import (
    CylinderNow,
    CylinderStatus,
    Hookup,
    KitNow,
    Line,
    PatientNow,
    ResponderNow,
    State,
    Status,
    device_units,
    initial_state,
)

Rows = Mapping[str, list[Row]]

STATUS: Final[Mapping[str, Status]] = {
    NOT_FOUND: "unknown", WAITING: "waiting", ON_OXYGEN: "here", TRANSFERRED: "gone", DEAD: "dead",
}  # fmt: skip
CYLINDER_STATUS: Final[Mapping[str, CylinderStatus]] = {
    RESERVE: "reserve", IN_USE: "connected", TAKEN_OFF: "taken off", GONE: "gone",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Known:
    """What later steps need of earlier ones."""

    rows: Rows
    incident: Incident
    before: State
    at_min: float
    people: Mapping[str, PatientNow]
    hookups: tuple[Hookup, ...]
    arrived: tuple[int, ...]

    @property
    def resupply(self) -> list[Resupply]:
        """Those that have arrived."""
        return [self.incident.resupply[n] for n in self.arrived]


def state_of(rows: Rows, incident: Incident) -> State:
    """Return the state that rows without a fault describe."""
    before = initial_state(incident)
    at_min = float(rows["situation"][0].get("at_min"))
    people = _patients(rows, before, at_min)
    hookups = _hookups(rows, before, people)
    arrived = tuple(
        sorted(row.get("number") - 1 for row in rows["resupply"] if row.get("arrived") is True)
    )
    known = _Known(rows, incident, before, at_min, {p.tag: p for p in people}, hookups, arrived)
    return State(
        at_min=at_min,
        patients=people,
        cylinders=_cylinders(known),
        regulators=_regulators(known),
        devices=_devices(known),
        responders=_responders(rows, before),
        hookups=hookups,
        arrived=arrived,
        washers=_washers(rows, incident, before),
    )


# ----- people -----------------------------------------------------------------------------------


def _patients(rows: Rows, before: State, at_min: float) -> tuple[PatientNow, ...]:
    said = _by_tag(rows["patients"])
    return tuple(_patient(was, said.get(was.tag), at_min) for was in before.patients)


def status_now(row: Row | None, was: Status) -> Status:
    """Return how somebody stands: as said, on oxygen where it is said what from, else as before."""
    if row is None:
        return was
    if row.get("now") is not None:
        return STATUS[row.get("now")]
    return "here" if row.get("connected") is not None else was


def _patient(was: PatientNow, row: Row | None, at_min: float) -> PatientNow:
    status = status_now(row, was.status)
    values = {} if row is None else {name: row.get(name) for name in row.raw_names}
    since = values.get("waiting_since_min")
    if status == "waiting" and since is None:
        since = was.waiting_since_min if was.status == "waiting" else at_min
    first = values.get("first_flow_min", was.first_flow_min)
    if status == "here" and first is None:
        first = values.get("flow_from_min", at_min)
    return PatientNow(
        was.tag,
        values.get("place", was.place),
        status,
        since if status in {"waiting", "here"} else None,
        values.get("is_out", False),
        first,
        values.get("phases_stopped", False),
        values.get("legs_done", was.legs_done),
        values.get("arrives_min"),
        values.get("leaving", ""),
    )


def _hookups(rows: Rows, before: State, people: tuple[PatientNow, ...]) -> tuple[Hookup, ...]:
    """Return what everyone on oxygen breathes from, as said or as before."""
    said = _by_tag(rows["patients"])
    old = {line.patient: h for h in before.hookups for line in h.lines}
    found = []
    for now in people:
        if now.status != "here":
            continue
        row = said.get(now.tag)
        on = None if row is None else row.get("connected")
        if on is None:
            was = old[now.tag]
            found.append(replace(was, lines=tuple(x for x in was.lines if x.patient == now.tag)))
            continue
        line = Line(now.tag, on.get("device"), on.get("flow_lpm"))
        begun = None if row is None else row.get("flow_from_min")
        if begun is None:
            begun = now.first_flow_min or 0.0
        found.append(Hookup((on.get("cylinder"),), on.get("regulator"), (line,), begun))
    return _as_sources(found)


def _as_sources(hookups: list[Hookup]) -> tuple[Hookup, ...]:
    """Return hookups of one line each as sources; a line that begins later than its source says."""
    sources: dict[tuple[tuple[str, ...], str | None], list[Hookup]] = {}
    for hookup in hookups:
        sources.setdefault((hookup.cylinders, hookup.regulator), []).append(hookup)
    found = []
    for (cylinders, regulator), rows in sources.items():
        begun = min(row.begins_min(row.lines[0]) for row in rows)
        lines = []
        for row in rows:
            line, begins = row.lines[0], row.begins_min(row.lines[0])
            lines.append(replace(line, flow_from_min=None if begins == begun else begins))
        found.append(Hookup(cylinders, regulator, tuple(lines), begun))
    return tuple(found)


# ----- cylinders --------------------------------------------------------------------------------


def _cylinders(known: _Known) -> tuple[CylinderNow, ...]:
    said = _by_tag(known.rows["cylinders"])
    delivered = [
        CylinderNow(c.tag, c.gauge, c.read_at, supply.place, known.at_min)
        for supply in known.resupply
        for c in supply.cylinders
    ]
    users, had = _users(known.hookups), _users(known.before.hookups)
    return tuple(
        _cylinder(_moved(was, known.people, users, had), said.get(was.tag), known.incident)
        for was in (*known.before.cylinders, *delivered)
    )


def _users(hookups: tuple[Hookup, ...]) -> dict[str, str]:
    return {tag: line.patient for h in hookups for tag in h.cylinders for line in h.lines}


def _moved(
    was: CylinderNow, people: Mapping[str, PatientNow], users: Mapping[str, str],
    had: Mapping[str, str],
) -> CylinderNow:  # fmt: skip
    """Return a cylinder as the patients' rows have it."""
    if was.tag in users:
        return replace(was, status="connected", place=people[users[was.tag]].place)
    if was.tag not in had:
        return was
    if was.power_min is not None:
        return replace(was, status="reserve")  # a concentrator stays where it stands
    # Taken off while the patient stayed; otherwise it left with the patient.
    stays = people[had[was.tag]].status in {"here", "waiting"}
    return replace(was, status="taken off" if stays else "gone")


def _cylinder(was: CylinderNow, row: Row | None, incident: Incident) -> CylinderNow:
    if row is None:
        return was
    read_at = row.get("read_at")
    if read_at is None:  # a new reading is taken out there
        read_at = incident.air_temperature if row.get("gauge") is not None else was.read_at
    now = row.get("now")
    return CylinderNow(
        was.tag,
        row.get("gauge") or was.gauge,
        read_at,
        row.get("place") or was.place,
        was.since_min if row.get("since_min") is None else row.get("since_min"),
        was.status if now is None else CYLINDER_STATUS[now],
        bool(row.get("is_exact")),
        was.power_min if row.get("power_left_min") is None else row.get("power_left_min"),
    )


# ----- kit --------------------------------------------------------------------------------------


def _regulators(known: _Known) -> tuple[KitNow, ...]:
    holders = {h.regulator: h.lines[0].patient for h in known.hookups if h.regulator is not None}
    came = [KitNow(r.tag, s.place, known.at_min) for s in known.resupply for r in s.regulators]
    return _kit(known, (*known.before.regulators, *came), known.rows["regulators"], holders)


def _devices(known: _Known) -> tuple[KitNow, ...]:
    came = [
        KitNow(u.tag, known.incident.resupply[u.resupply].place, known.at_min)
        for u in device_units(known.incident)
        if u.resupply is not None and u.resupply in known.arrived
    ]
    kit = (*known.before.devices, *came)
    rows = known.rows["devices"]
    return _kit(known, kit, rows, _worn(known, kit, rows))


def _worn(known: _Known, kit: tuple[KitNow, ...], rows: list[Row]) -> dict[str, str]:
    """Return who wears which mask: the one said, else the one of before, else the first free."""
    units = {u.tag: u for u in device_units(known.incident)}
    ages = {p.tag: p.age for p in known.incident.patients}
    before = {k.holder: k.tag for k in kit if k.holder is not None}
    worn = {str(row.get("tag")): str(row.get("holder")) for row in rows if row.get("holder")}
    served = set(worn.values())
    for line in (line for hookup in known.hookups for line in hookup.lines):
        if line.patient in served:
            continue
        fits = [
            k.tag for k in kit
            if (u := units[k.tag]).kind == line.device and u.age == ages[line.patient]
            and k.tag not in worn
        ]  # fmt: skip
        own = [tag for tag in fits if tag == before.get(line.patient)]
        if own or fits:
            worn[(own or fits)[0]] = line.patient
    return worn


def _kit(
    known: _Known, kit: tuple[KitNow, ...], said: list[Row], holders: Mapping[str, str]
) -> tuple[KitNow, ...]:
    rows = _by_tag(said)
    found = []
    for was in kit:
        holder = holders.get(was.tag)
        left = was.holder is not None and known.people[was.holder].status in {"gone", "dead"}
        made = replace(
            was,
            holder=holder,
            place=was.place if holder is None else known.people[holder].place,
            is_gone=holder is None and left,
        )
        row = rows.get(was.tag)
        values = {} if row is None else {n: row.get(n) for n in row.raw_names if n != "tag"}
        found.append(replace(made, **values))
    return tuple(found)


def _responders(rows: Rows, before: State) -> tuple[ResponderNow, ...]:
    said = _by_tag(rows["responders"])
    found = []
    for was in before.responders:
        row = said.get(was.tag)
        values = {} if row is None else {n: row.get(n) for n in row.raw_names if n != "tag"}
        found.append(replace(was, **values))
    return tuple(found)


def _washers(rows: Rows, incident: Incident, before: State) -> tuple[int, ...] | None:
    if before.washers is None:
        return None
    said = {row.get("place"): row.get("count") for row in rows["washers"]}
    pairs = zip(incident.places, before.washers, strict=True)
    return tuple(said.get(place.name, was) for place, was in pairs)


def _by_tag(rows: list[Row]) -> dict[str, Row]:
    return {cast(str, row.get("tag")): row for row in rows}


__all__ = ["state_of", "status_now"]
