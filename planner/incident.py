"""What there is: an incident as frozen data, one object per patient and per piece of kit.

Nothing here reads files or checks input; :mod:`planner.files` parses to faults first and only
then constructs these. Rows keep the order of the file, which settles ties everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal, cast

from planner.units import Pressure, Temperature

Triage = Literal["immediate", "delayed", "minimal", "expectant", "dead"]
Age = Literal["adult", "child", "infant"]
Level = Literal["first choice", "reduced", "minimum"]

TRIAGE_ORDER: tuple[Triage, ...] = ("immediate", "delayed", "minimal", "expectant", "dead")
LEVEL_ORDER: tuple[Level, ...] = ("first choice", "reduced", "minimum")
BUILT_IN = "built-in"
CONCENTRATOR = "concentrator"  # stands where a cylinder has its size
LEG_MARGIN = 1.5  # so many legs must be in a cylinder before leaving: common practice, no source
POWER_CHANGE_MIN = 5.0  # a concentrator is swapped so long before its power ends: no source


@dataclass(frozen=True, slots=True)
class ThreePoint:
    """A time known by its 10 % point, median and 90 % point, in minutes."""

    p10_min: float
    p50_min: float
    p90_min: float

    @property
    def is_fixed(self) -> bool:
        """Whether all three are the same, so that nothing is uncertain."""
        return self.p10_min == self.p90_min

    def later(self, by_min: float) -> ThreePoint:
        """Return the time moved as a whole, sooner below 0, and not before minute 0.

        A first point that falls before minute 0 while the median does not becomes minute 1 (or
        the median, if that is sooner): an uncertain time has no logarithm at 0.
        """
        low, mid, high = (max(0.0, m + by_min) for m in (self.p10_min, self.p50_min, self.p90_min))
        if mid == 0.0:
            return ThreePoint(0.0, 0.0, 0.0)
        return ThreePoint(low if low > 0.0 else min(1.0, mid), mid, high)


@dataclass(frozen=True, slots=True)
class Place:
    """A place and the minutes it takes to carry kit *to* it, by place of origin."""

    name: str
    carry_min: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of constant flow; ``for_min`` None is until transfer."""

    flow_lpm: float
    for_min: float | None = None
    chance: float = 1.0


@dataclass(frozen=True, slots=True)
class Option:
    """A device with its flow over time, at one level of the protocol."""

    device: str
    level: Level
    phases: tuple[Phase, ...]

    @property
    def flow_lpm(self) -> float:
        """Flow of the first phase, L/min."""
        return self.phases[0].flow_lpm

    @property
    def steps(self) -> int:
        """Levels below first choice."""
        return LEVEL_ORDER.index(self.level)


@dataclass(frozen=True, slots=True)
class Leg:
    """A way that a patient is carried: not before ``leave`` (minutes from the incident's start)."""

    to: str
    leave: ThreePoint
    length: ThreePoint


@dataclass(frozen=True, slots=True)
class Connected:
    """What a patient already breathes from at the start; ``regulator`` None is a built-in valve."""

    cylinder: str
    regulator: str | None
    device: str
    flow_lpm: float


@dataclass(frozen=True, slots=True)
class Patient:
    """One patient, found or not.

    ``vehicle`` names the one that fetches the patient, where not any that serves the place may.

    ``options`` are the file's own (``None``: the protocol's row for ``indication``; an empty
    tuple: no oxygen). Times are minutes from the incident's start.
    """

    tag: str
    triage: Triage
    place: str
    age: Age = "adult"
    indication: str | None = None
    spo2: float | None = None
    spo2_reliable: bool = True
    oxygen_from: ThreePoint = ThreePoint(0.0, 0.0, 0.0)
    transfer: ThreePoint | None = None
    transfer_after_found: ThreePoint | None = None
    transfer_group: str | None = None
    vehicle: str | None = None
    chance_needed: float = 1.0
    airway_device: bool = False
    connected: Connected | None = None
    options: tuple[Option, ...] | None = None
    legs: tuple[Leg, ...] = ()
    note: str | None = None


@dataclass(frozen=True, slots=True)
class TransferGroup:
    """Patients who wait for the same transport."""

    name: str
    no_show_chance: float = 0.0
    fallback: ThreePoint | None = None
    kit_return_min: float | None = None


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A vehicle that fetches people from one place, a few at a time.

    ``round_trip`` None: it comes once. ``trips`` None: as often as needed.
    """

    name: str
    place: str
    capacity: int
    first_arrival: ThreePoint
    round_trip: ThreePoint | None = None
    order: Literal["triage", "as given"] = "triage"
    hold_chance: float = 0.0
    hold: ThreePoint | None = None
    no_show_chance: float = 0.0
    trips: int | None = None
    kit_return_min: float | None = None

    @property
    def num_trips(self) -> float:
        """How often it comes at most; infinite when it comes as often as needed."""
        if self.round_trip is None:
            return 1.0
        return float("inf") if self.trips is None else float(self.trips)


@dataclass(frozen=True, slots=True)
class Cylinder:
    """One cylinder. ``place`` is None for one that is still to arrive with a resupply.

    Volumes, factor, connection and settings are those that hold for this cylinder, whether given
    in the file or taken from the table. ``power_min`` makes it a concentrator: it runs so long at
    any of its settings, and gauge, volume and factor say nothing.
    """

    tag: str
    size: str
    gauge: Pressure
    read_at: Temperature
    connection: str
    water_volume_l: float
    factor_l_per_psi: float
    settings_lpm: tuple[float, ...]
    place: str | None
    power_min: float | None = None

    @property
    def power_rate(self) -> float:
        """What a concentrator's time counts as for a minute, its highest setting; else 0."""
        return max(self.settings_lpm, default=0.0) if self.power_min is not None else 0.0


@dataclass(frozen=True, slots=True)
class Regulator:
    """One regulator; ``place`` None while it is still to arrive."""

    tag: str
    connection: str
    settings_lpm: tuple[float, ...]
    outlets: int
    place: str | None


@dataclass(frozen=True, slots=True)
class DeviceStock:
    """So many identical masks or cannulas at a place (None: still to arrive)."""

    kind: str
    age: Age
    count: int
    place: str | None


@dataclass(frozen=True, slots=True)
class SundryStock:
    """Keys or washers at a place."""

    kind: Literal["key", "washer"]
    count: int
    place: str


@dataclass(frozen=True, slots=True)
class Responder:
    """Someone who can connect a cylinder, at one place, from some minute on."""

    tag: str
    place: str
    from_min: float = 0.0


@dataclass(frozen=True, slots=True)
class Resupply:
    """A delivery; its items stand in here, never among the incident's own."""

    arrive: ThreePoint
    no_show_chance: float
    place: str
    cylinders: tuple[Cylinder, ...] = ()
    regulators: tuple[Regulator, ...] = ()
    devices: tuple[DeviceStock, ...] = ()


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """How far readings, settings and shared transport may be off."""

    shared_delay: float = 0.5
    flow_setting: float = 0.10
    gauge: Pressure = Pressure(50.0, "psi")
    cold_flow_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Priorities:
    """What makes a plan better, in the file's own numbers."""

    tier_weights: tuple[float, float, float] = (9.0, 3.0, 1.0)
    minute_weights: tuple[float, float, float] = (0.004, 0.0015, 0.0005)
    step_prices: tuple[float, float, float] = (0.04, 0.015, 0.005)
    order: Literal["category", "need"] = "category"
    expectant_counts: bool = False
    change_price: float = 0.002


@dataclass(frozen=True, slots=True)
class Incident:
    """One incident: who needs oxygen, what there is, and the rules it runs by.

    ``assumed`` names, as (table, row, field), everything that was left out of the file and took
    its default; a writer leaves those out again, so that a file survives a round trip.
    """

    name: str
    start: datetime
    places: tuple[Place, ...]
    patients: tuple[Patient, ...]
    cylinders: tuple[Cylinder, ...]
    regulators: tuple[Regulator, ...]
    devices: tuple[DeviceStock, ...]
    responders: tuple[Responder, ...]
    transfer_groups: tuple[TransferGroup, ...] = ()
    vehicles: tuple[Vehicle, ...] = ()
    sundries: tuple[SundryStock, ...] = ()
    concentrators: tuple[Cylinder, ...] = ()
    resupply: tuple[Resupply, ...] = ()
    uncertainty: Uncertainty = Uncertainty()
    priorities: Priorities = Priorities()
    note: str | None = None
    altitude_m: float = 0.0
    air_temperature: Temperature = Temperature(10.0, "C")
    change_at: Pressure = Pressure(500.0, "psi")
    safe_residual: Pressure = Pressure(200.0, "psi")
    swap_min: float = 3.0
    swap_gap_min: float = 1.0
    horizon_min: float = 480.0
    target_chance: float = 0.05
    contents: Literal["real gas", "handbook"] = "real gas"
    step_down_floor: float | None = None
    protocol: str = "example"
    approved_by: str | None = None
    approved_on: date | None = None
    assumed: frozenset[tuple[str, str, str]] = frozenset()

    @property
    def all_cylinders(self) -> tuple[Cylinder, ...]:
        """Cylinders here, concentrators, and cylinders still to arrive, in file order."""
        return (*self.cylinders_here, *(c for r in self.resupply for c in r.cylinders))

    @property
    def cylinders_here(self) -> tuple[Cylinder, ...]:
        """Cylinders here and concentrators."""
        return self.cylinders + self.concentrators

    @property
    def all_regulators(self) -> tuple[Regulator, ...]:
        """Regulators here and still to arrive, in file order (resupply last)."""
        return self.regulators + tuple(g for r in self.resupply for g in r.regulators)

    def carry_min(self, origin: str, destination: str) -> float | None:
        """Minutes to carry kit directly between two places; None when out of reach."""
        if origin == destination:
            return 0.0
        there = next(p for p in self.places if p.name == destination)
        back = next(p for p in self.places if p.name == origin)
        given = dict(there.carry_min).get(origin)
        return given if given is not None else dict(back.carry_min).get(destination)

    def group_of(self, patient: Patient) -> TransferGroup | None:
        """Transfer group of a patient, if any."""
        return next((g for g in self.transfer_groups if g.name == patient.transfer_group), None)

    def vehicles_of(self, patient: Patient, place: str | None = None) -> tuple[Vehicle, ...]:
        """Return the vehicles that may fetch a patient from ``place`` (where the file has it).

        None where a transfer time is typed in; the one named if it serves that place, otherwise
        every one that does.
        """
        if patient.transfer is not None or patient.transfer_after_found is not None:
            return ()
        if patient.legs:  # it is carried to where they come
            place = patient.legs[-1].to
        here = tuple(v for v in self.vehicles if v.place == (place or patient.place))
        return tuple(v for v in here if v.name == patient.vehicle) or here

    def kit_return_of(self, patient: Patient) -> float | None:
        """Minutes until kit that left with a patient is back; None when it is gone for good.

        Where several vehicles may come the longest counts, and it is gone if one brings none back.
        """
        group, vehicles = self.group_of(patient), self.vehicles_of(patient)
        if not vehicles:
            return None if group is None else group.kit_return_min
        back = [v.kit_return_min for v in vehicles if v.kit_return_min is not None]
        return max(back) if len(back) == len(vehicles) else None


def tier_of(triage: Triage) -> int:
    """Row of the three-fold priorities: 0 Immediate, 1 Delayed, 2 everyone else."""
    return min(TRIAGE_ORDER.index(triage), 2)


def as_triage(text: str) -> Triage:
    """Narrow a text that was checked against the choices."""
    return cast(Triage, text)
