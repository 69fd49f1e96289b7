"""What is so now: where everyone and everything is at one minute of an incident.

Every run of operation begins from a :class:`State`, at the incident's start or from the middle of
it. A state holds all that operation needs to go on exactly as if it had never stopped.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from planner.incident import BUILT_IN, Cylinder, Incident, Patient, Responder
from planner.units import Pressure, Temperature

Status = Literal["unknown", "waiting", "here", "gone", "dead"]
UNKNOWN: Status = "unknown"
Leaving = Literal["", "early", "ready"]
CylinderStatus = Literal["reserve", "connected", "taken off", "gone"]


@dataclass(frozen=True, slots=True)
class Line:
    """One patient on a source: device and dial setting.

    ``flow_from_min`` is when this line's own flow begins where that is later than the source's.
    """

    patient: str
    device: str
    flow_lpm: float
    flow_from_min: float | None = None


@dataclass(frozen=True, slots=True)
class Hookup:
    """A source and who breathes from it: one a line, as many as the regulator has outlets.

    ``cylinders`` holds one tag unless the source is a manifold; ``regulator`` None is a built-in
    valve. ``flow_from_min`` is when its flow begins, later than the state's minute in the middle
    of a swap. ``drop`` in gauge is found in the state's cylinder.
    """

    cylinders: tuple[str, ...]
    regulator: str | None
    lines: tuple[Line, ...]
    flow_from_min: float = 0.0

    def line_of(self, patient: str) -> Line | None:
        """Return a patient's line, None when it has none here."""
        return next((line for line in self.lines if line.patient == patient), None)

    def begins_min(self, line: Line) -> float:
        """Return when the flow of a line begins."""
        return self.flow_from_min if line.flow_from_min is None else line.flow_from_min


@dataclass(frozen=True, slots=True)
class PatientNow:
    """A patient at the state's minute.

    Parameters
    ----------
    tag, place : str
    status : {"unknown", "waiting", "here", "gone", "dead"}
        Not yet found; here without oxygen running; here on oxygen; transferred; dead.
    waiting_since_min : float or None
        Since when a swap or first connection is due; None when none is.
    is_out : bool
        Out of oxygen since the swap became due without supply, or below the safe residual.
    first_flow_min : float or None
        When oxygen first ran; phases run by the clock from it.
    phases_stopped : bool
        A phase's chance failed: the flow stays and later phases are dropped.
    legs_done : int
        Legs left behind, the one it is on included.
    arrives_min : float or None
        When the leg it is on ends, at ``place``; None: not on a leg.
    leaving : {"", "early", "ready"}
        A swap is due before leaving though the gauge is above the change pressure; a connection
        for leaving was made.
    """

    tag: str
    place: str
    status: Status
    waiting_since_min: float | None = None
    is_out: bool = False
    first_flow_min: float | None = None
    phases_stopped: bool = False
    legs_done: int = 0
    arrives_min: float | None = None
    leaving: Leaving = ""


@dataclass(frozen=True, slots=True)
class CylinderNow:
    """A cylinder at the state's minute.

    ``since_min`` is when it joined the reserve at ``place`` (in the future: on its way back);
    carrying to other places counts from then. ``is_exact`` readings carry no gauge error.
    ``power_min`` is how long a concentrator's power still lasts.
    """

    tag: str
    gauge: Pressure
    read_at: Temperature
    place: str
    since_min: float
    status: CylinderStatus = "reserve"
    is_exact: bool = False
    power_min: float | None = None


@dataclass(frozen=True, slots=True)
class KitNow:
    """A regulator (by tag) or a mask (by ``kind`` and ``age``) at the state's minute.

    ``holder`` is the patient who has it; ``number`` is its place among all masks in file order.
    """

    tag: str
    place: str
    since_min: float
    holder: str | None = None
    is_gone: bool = False


@dataclass(frozen=True, slots=True)
class ResponderNow:
    """A responder: at a place, free from some minute on, with a key in hand till then or not."""

    tag: str
    place: str
    free_from_min: float
    has_key: bool = False


@dataclass(frozen=True, slots=True)
class State:
    """Everything that is so at ``at_min``; rows in file order.

    ``arrived`` holds the numbers (from 0) of resupplies whose items stand among the others.
    ``washers`` are those left, by place, in the order of the incident's places; None: not listed.
    """

    at_min: float
    patients: tuple[PatientNow, ...]
    cylinders: tuple[CylinderNow, ...]
    regulators: tuple[KitNow, ...]
    devices: tuple[KitNow, ...]
    responders: tuple[ResponderNow, ...]
    hookups: tuple[Hookup, ...] = ()
    arrived: tuple[int, ...] = ()
    washers: tuple[int, ...] | None = None

    def patient(self, tag: str) -> PatientNow:
        """Return one patient's row."""
        return next(p for p in self.patients if p.tag == tag)


def has_leg_left(patient: Patient, now: PatientNow) -> bool:
    """Say whether a patient is to be carried on: it goes with a source of its own."""
    return len(patient.legs) > now.legs_done


def expected_place(patient: Patient, now: PatientNow, minute: float) -> str | None:
    """Return where a patient is at a minute, by the medians of its legs; None: on one.

    Getting ready to leave is taken to need no time.
    """
    place, free_from = now.place, now.arrives_min or 0.0
    if minute < free_from:
        return None
    for leg in patient.legs[now.legs_done :]:
        leave = max(free_from, patient.oxygen_from.p50_min, leg.leave.p50_min)
        if minute < leave:
            return place
        free_from, place = leave + leg.length.p50_min, leg.to
        if minute < free_from:
            return None
    return place


@dataclass(frozen=True, slots=True)
class DeviceUnit:
    """One mask or cannula out of a counted row, numbered over the whole file."""

    tag: str
    kind: str
    age: str
    place: str | None
    resupply: int | None


def device_units(incident: Incident) -> tuple[DeviceUnit, ...]:
    """Return every mask of the file as one unit, in file order, resupply last."""
    units: list[DeviceUnit] = []
    stocks = [(stock, None) for stock in incident.devices]
    later = [(stock, n) for n, r in enumerate(incident.resupply) for stock in r.devices]
    for stock, number in [*stocks, *later]:
        for _ in range(stock.count):
            tag = f"{stock.kind} {stock.age} {len(units) + 1}"
            units.append(DeviceUnit(tag, stock.kind, stock.age, stock.place, number))
    return tuple(units)


def initial_state(incident: Incident) -> State:
    """Return the state at minute 0: everything where the file says it is.

    Patients already connected keep their hookup. Resupply is still to come.
    """
    units = device_units(incident)
    hookups = _hookups(incident)
    in_use = {tag for hookup in hookups for tag in hookup.cylinders}
    holders = {h.regulator: h.lines[0].patient for h in hookups if h.regulator is not None}
    return State(
        at_min=0.0,
        patients=tuple(_patient_now(p) for p in incident.patients),
        cylinders=tuple(_cylinder_now(c, c.tag in in_use) for c in incident.cylinders_here),
        regulators=tuple(
            KitNow(r.tag, r.place or "", 0.0, holders.get(r.tag)) for r in incident.regulators
        ),
        devices=_devices_now(incident, units),
        responders=tuple(_responder_now(r) for r in incident.responders),
        hookups=hookups,
        washers=washers(incident),
    )


def _hookups(incident: Incident) -> tuple[Hookup, ...]:
    """Return what is connected at first; all on one cylinder are lines of one source."""
    lines: dict[tuple[str, str | None], list[Line]] = {}
    for patient in incident.patients:
        if (on := patient.connected) is not None:
            line = Line(patient.tag, on.device, on.flow_lpm)
            lines.setdefault((on.cylinder, on.regulator), []).append(line)
    return tuple(Hookup((c,), g, tuple(rows)) for (c, g), rows in lines.items())


def washers(incident: Incident) -> tuple[int, ...] | None:
    """Return washers by place in the order of the places; None when the file lists none."""
    return _sundries(incident, "washer")


def keys(incident: Incident) -> tuple[int, ...] | None:
    """Return keys by place in the order of the places; None when the file lists none."""
    return _sundries(incident, "key")


def _sundries(incident: Incident, kind: str) -> tuple[int, ...] | None:
    rows = [row for row in incident.sundries if row.kind == kind]
    if not rows:
        return None
    return tuple(
        sum(row.count for row in rows if row.place == place.name) for place in incident.places
    )


def _patient_now(patient: Patient) -> PatientNow:
    if patient.triage == "dead":
        return PatientNow(patient.tag, patient.place, "dead")
    if patient.connected is not None:
        return PatientNow(patient.tag, patient.place, "here", first_flow_min=0.0)
    if patient.chance_needed < 1 or patient.oxygen_from.p90_min > 0:
        return PatientNow(patient.tag, patient.place, "unknown")
    return PatientNow(patient.tag, patient.place, "waiting", waiting_since_min=0.0)


def _cylinder_now(cylinder: Cylinder, is_connected: bool) -> CylinderNow:
    return CylinderNow(
        cylinder.tag, cylinder.gauge, cylinder.read_at, cylinder.place or "", 0.0,
        "connected" if is_connected else "reserve", power_min=cylinder.power_min,
    )  # fmt: skip


def power_left_min(cylinder: Cylinder, now: CylinderNow | None) -> float | None:
    """Return how long a concentrator's power still lasts; None for a cylinder."""
    return cylinder.power_min if now is None or now.power_min is None else now.power_min


def _devices_now(incident: Incident, units: tuple[DeviceUnit, ...]) -> tuple[KitNow, ...]:
    """Give each connected patient the first mask of its kind and age at its place."""
    holder: dict[str, str] = {}
    for patient in incident.patients:
        if patient.connected is None:
            continue
        for unit in units:
            fits = unit.kind == patient.connected.device and unit.age == patient.age
            if fits and unit.place == patient.place and unit.tag not in holder:
                holder[unit.tag] = patient.tag
                break
    return tuple(
        KitNow(u.tag, u.place or "", 0.0, holder.get(u.tag)) for u in units if u.resupply is None
    )


def _responder_now(responder: Responder) -> ResponderNow:
    return ResponderNow(responder.tag, responder.place, responder.from_min)


__all__ = [
    "BUILT_IN", "CylinderNow", "DeviceUnit", "Hookup", "KitNow", "Line", "PatientNow",
    "ResponderNow", "State", "device_units", "expected_place", "has_leg_left",
    "initial_state", "keys", "power_left_min", "washers",
]  # fmt: skip
