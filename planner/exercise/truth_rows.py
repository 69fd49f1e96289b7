"""The truth at a minute, as frozen rows.

For controllers and what is reckoned, never for players.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from planner.incident import Patient, Triage

TrueStatus = Literal["not found", "waiting", "on oxygen", "transferred", "dead", "stopped"]
TrueCylinder = Literal["reserve", "in use", "taken off", "gone", "to arrive"]


@dataclass(frozen=True, slots=True)
class TruePatient:
    """A patient in truth.

    Parameters
    ----------
    patient : Patient
        The incident's row with what injects have changed.
    status : TrueStatus
        ``waiting``: there, nothing on (with or without a need). ``stopped``: treatment ended.
    place : str
    there_from_min : float
        Later than the truth's minute: still on its way there.
    found_min, left_min : float
        When found, and when transferred or dead; infinite: not by this course.
    cylinder, regulator, device : str or None
    flow_lpm : float
        What the dial says; 0 where nothing is on.
    true_lpm : float
        What flows now: nothing in the gap of a swap, nor below the safe residual.
    flow_from_min, first_flow_min : float or None
    wants_oxygen : bool
        Oxygen is indicated; lacking it counts.
    out_since_min, first_out_min : float or None
        Without oxygen since, though it is indicated; and when that first was so.
    minutes_out : float
        Minutes without, up to the truth's minute.
    late_swaps : int
    """

    patient: Patient
    status: TrueStatus
    place: str
    there_from_min: float
    found_min: float
    left_min: float
    cylinder: str | None
    regulator: str | None
    device: str | None
    flow_lpm: float
    true_lpm: float
    flow_from_min: float | None
    first_flow_min: float | None
    wants_oxygen: bool
    out_since_min: float | None
    first_out_min: float | None
    minutes_out: float
    late_swaps: int

    @property
    def tag(self) -> str:
        """The patient's tag."""
        return self.patient.tag

    @property
    def triage(self) -> Triage:
        """The category in truth."""
        return self.patient.triage

    @property
    def is_here(self) -> bool:
        """Whether found, and neither transferred nor dead."""
        return self.status in {"waiting", "on oxygen", "stopped"}


@dataclass(frozen=True, slots=True)
class TrueCylinderRow:
    """A cylinder in truth; ``gauge_psi`` at the temperature of use, ``litres`` from vacuum."""

    tag: str
    status: TrueCylinder
    place: str
    there_from_min: float
    litres: float
    gauge_psi: float
    users: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TrueRegulator:
    """A regulator in truth; ``stuck_lpm``: its dial does not move."""

    tag: str
    place: str
    there_from_min: float
    users: tuple[str, ...]
    is_broken: bool
    is_gone: bool
    stuck_lpm: float | None
    to_arrive: bool


@dataclass(frozen=True, slots=True)
class TrueMask:
    """A mask or cannula in truth; ``tag`` as in :func:`planner.state.device_units`."""

    tag: str
    kind: str
    age: str
    place: str
    there_from_min: float
    holder: str | None
    is_gone: bool
    to_arrive: bool


@dataclass(frozen=True, slots=True)
class TrueHands:
    """A responder in truth."""

    tag: str
    place: str
    free_from_min: float
    is_out: bool
    has_key: bool = False  # in hand until free


@dataclass(frozen=True, slots=True)
class TrueSwap:
    """A change of cylinder: what was left in the one that came off, and how late it was.

    ``late_min`` counts from the change pressure; below 0 is never written.
    """

    at_min: float
    patient: str
    off: str
    on: str
    left_psi: float
    left_l: float
    late_min: float


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything that is so at a minute; rows in the incident's order.

    ``washers`` by place, None where the incident lists none; ``keys`` by place, each by the minute
    from which it is free, likewise; ``used_l`` and ``supplied_l`` are the
    litres breathed and all that there were (concentrators apart), ``lost_l`` what injects took.
    ``silent`` holds places without radio and until when.
    """

    at_min: float
    patients: tuple[TruePatient, ...]
    cylinders: tuple[TrueCylinderRow, ...]
    regulators: tuple[TrueRegulator, ...]
    masks: tuple[TrueMask, ...]
    hands: tuple[TrueHands, ...]
    swaps: tuple[TrueSwap, ...]
    arrived: tuple[int, ...]
    washers: tuple[tuple[str, int], ...] | None
    used_l: float
    supplied_l: float
    lost_l: float
    silent: tuple[tuple[str, float], ...] = ()
    keys: tuple[tuple[str, tuple[float, ...]], ...] | None = None

    def patient(self, tag: str) -> TruePatient:
        """Return one patient's row."""
        return next(p for p in self.patients if p.tag == tag)

    def cylinder(self, tag: str) -> TrueCylinderRow:
        """Return one cylinder's row."""
        return next(c for c in self.cylinders if c.tag == tag)

    def regulator(self, tag: str) -> TrueRegulator:
        """Return one regulator's row."""
        return next(r for r in self.regulators if r.tag == tag)
