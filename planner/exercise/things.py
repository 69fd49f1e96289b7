"""The things and people of a simulated scene, as they change: what :mod:`world` moves about."""

from __future__ import annotations

from dataclasses import dataclass, field

from planner.exercise.truth_rows import TrueCylinder, TrueStatus
from planner.incident import Cylinder, Patient, Regulator
from planner.state import DeviceUnit


@dataclass(slots=True)
class Line:
    """What a patient breathes from."""

    cylinder: str
    regulator: str | None
    device: str | None
    flow_lpm: float
    flow_from: float


@dataclass(slots=True)
class Person:
    """A patient."""

    row: Patient
    found: float
    left: float
    place: str
    there_from: float = 0.0
    status: TrueStatus = "not found"
    line: Line | None = None
    device: str | None = None
    regulator: str | None = None
    first_flow: float | None = None
    out_since: float | None = None
    first_out: float | None = None
    minutes_out: float = 0.0
    late_swaps: int = 0
    wants: bool = False


@dataclass(slots=True)
class Bottle:
    """A cylinder."""

    cylinder: Cylinder
    litres: float
    change_l: float
    residual_l: float
    status: TrueCylinder
    place: str
    there_from: float = 0.0
    users: list[str] = field(default_factory=list)
    due_since: float | None = None

    @property
    def is_dry(self) -> bool:
        """Whether nothing flows any more."""
        return self.litres <= self.residual_l + 1e-9


@dataclass(slots=True)
class Valve:
    """A regulator."""

    regulator: Regulator
    place: str
    to_arrive: bool
    there_from: float = 0.0
    is_broken: bool = False
    is_gone: bool = False
    stuck: float | None = None
    users: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Mask:
    """A mask or cannula."""

    unit: DeviceUnit
    place: str
    to_arrive: bool
    there_from: float = 0.0
    holder: str | None = None
    is_gone: bool = False


@dataclass(slots=True)
class Hands:
    """A responder."""

    tag: str
    place: str
    free_from: float
    is_out: bool = False
    has_key: bool = False  # of those listed, in hand until free


__all__ = ["Bottle", "Hands", "Line", "Mask", "Person", "Valve"]
