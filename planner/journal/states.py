"""What a log says is so at a minute, and what in it does not fit; frozen rows, in a fixed order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from planner.incident import Triage
from planner.units import PressureUnit

PatientStatus = Literal[
    "named", "found", "on oxygen", "off oxygen", "transferred", "died", "treatment stopped"
]
Side = Literal["lower", "higher"]
CylinderStatus = Literal["in stock", "to arrive", "connected", "taken off", "gone", "empty"]


@dataclass(frozen=True, slots=True)
class Source:
    """What somebody breathes from; None is not written down (a regulator None: or built in)."""

    cylinder: str
    regulator: str | None
    device: str | None
    flow_lpm: float | None
    since_min: float


@dataclass(frozen=True, slots=True)
class PatientByLog:
    """A patient by the record. ``named``: in the log without having been found."""

    tag: str
    status: PatientStatus
    since_min: float
    place: str | None = None
    triage: Triage | None = None
    source: Source | None = None


@dataclass(frozen=True, slots=True)
class Expected:
    """A gauge by arithmetic: real gas, from a reading on, at the flows written down.

    Parameters
    ----------
    gauge_psi, low_psi, high_psi : float
        Expected, and its 95 % band from gauge and flow errors and from plus-minus minutes.
    from_psi, from_min : float
        The reading (or start gauge) it is counted from.
    used_l : float
        Litres breathed since [L at 70 F, 1 atm].
    """

    gauge_psi: float
    low_psi: float
    high_psi: float
    from_psi: float
    from_min: float
    used_l: float


@dataclass(frozen=True, slots=True)
class CylinderByLog:
    """A cylinder by the record; ``expected`` None: ``unknown`` says why."""

    tag: str
    status: CylinderStatus
    place: str | None
    patients: tuple[str, ...] = ()
    expected: Expected | None = None
    unknown: str = ""


@dataclass(frozen=True, slots=True)
class GaugeCheck:
    """A reading against what was expected.

    Parameters
    ----------
    entry, cylinder : str
        Id of the entry, tag.
    at_min, read_psi : float
        The reading.
    from_last : Expected
        Counted from the reading before.
    from_first : Expected or None
        Counted from the first gauge known; None when that was the one before.
    low_psi, high_psi : float
        Where a reading counted from the one before falls 95 times in 100, its own error included.
    side : {"lower", "higher"} or None
        Outside the band of either; None: it fits.
    extra_lpm : float or None
        How much more than written flowed, on average, counted from the first gauge where that is
        outside its band, else from the one before; None where nothing flowed or the gauge rose.
    unit : {"psi", "bar"}
        In which it was read.
    """

    entry: str
    cylinder: str
    at_min: float
    read_psi: float
    from_last: Expected
    from_first: Expected | None
    low_psi: float
    high_psi: float
    side: Side | None
    extra_lpm: float | None
    unit: PressureUnit = "psi"


@dataclass(frozen=True, slots=True)
class Without:
    """Somebody without oxygen by the record, at the state's minute."""

    patient: str
    since_min: float
    plus_minus_min: float
    why: str
    entry: str


@dataclass(frozen=True, slots=True)
class Due:
    """When a cylinder in use reaches the change pressure, and the safe residual, by arithmetic.

    ``early_min`` and ``late_min`` are the 95 % band of the change.
    """

    cylinder: str
    patients: tuple[str, ...]
    change_at_min: float
    early_min: float
    late_min: float
    residual_at_min: float
    is_past: bool


@dataclass(frozen=True, slots=True)
class OxygenGap:
    """Minutes that the record itself says somebody was without oxygen; ``until_min`` None: still.

    ``plus_minus_min`` is how far its length may be off.
    """

    patient: str
    from_min: float
    until_min: float | None
    plus_minus_min: float
    why: str
    entries: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecordGap:
    """Minutes of which the record does not say enough; what happened in them is not known.

    ``until_min`` None: up to the state's minute.
    """

    patient: str
    cylinder: str | None
    from_min: float
    until_min: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Entries that do not agree with each other or with the stock, and the reading taken."""

    kind: str
    at_min: float
    entries: tuple[str, ...]
    why: str
    taken: str


@dataclass(frozen=True, slots=True)
class LogState:
    """What the log says is so at ``at_min``; rows in the order of the stock, then of their tags."""

    at_min: float
    patients: tuple[PatientByLog, ...]
    cylinders: tuple[CylinderByLog, ...]
    without: tuple[Without, ...]
    due: tuple[Due, ...]
    checks: tuple[GaugeCheck, ...]
    oxygen_gaps: tuple[OxygenGap, ...]
    record_gaps: tuple[RecordGap, ...]
    disagreements: tuple[Disagreement, ...]

    def patient(self, tag: str) -> PatientByLog:
        """Return one patient's row."""
        return next(p for p in self.patients if p.tag == tag)

    def cylinder(self, tag: str) -> CylinderByLog:
        """Return one cylinder's row."""
        return next(c for c in self.cylinders if c.tag == tag)
