"""What a row of each reference table is: pure data, nothing here reads a file.

`sources` is left out of comparison everywhere: a mapping has no hash, and rows are to be hashable.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

from planner.reference.marks import Marks, no_marks

Age = Literal["adult", "child", "infant"]
Level = Literal["first choice", "reduced", "minimum"]
Need = Literal["sustaining", "protective", "comfort", "none"]
Triage = Literal["immediate", "delayed", "minimal", "expectant", "dead"]

AGES: Final[tuple[Age, ...]] = ("adult", "child", "infant")
LEVELS: Final[tuple[Level, ...]] = ("first choice", "reduced", "minimum")
NEEDS: Final[tuple[Need, ...]] = ("sustaining", "protective", "comfort", "none")
TRIAGE: Final[tuple[Triage, ...]] = ("immediate", "delayed", "minimal", "expectant", "dead")


@dataclass(frozen=True, slots=True)
class CylinderSize:
    """A cylinder size.

    Parameters
    ----------
    water_volume_l : float
        Inner volume, litres of water.
    service_psi : float
        Gauge pressure when full, at `nominal_at_c`.
    nominal_l : float
        Litres of oxygen when full, at `nominal_at_c` and 1 atm.
    factor_l_per_psi : float
        Litres per psi of the handbook method.
    empty_kg : float
        Empty mass, rough.
    connections : tuple of str
        Valve connections it comes with; more than one: the incident has to say which.
    """

    name: str
    aliases: tuple[str, ...]
    water_volume_l: float
    service_psi: float
    nominal_l: float
    nominal_at_c: float
    factor_l_per_psi: float
    empty_kg: float
    connections: tuple[str, ...]
    note: str
    sources: Marks = field(default_factory=no_marks, compare=False, repr=False)

    @property
    def connection(self) -> str | None:
        """The connection, or None when the incident has to give one of `connections`."""
        return self.connections[0] if len(self.connections) == 1 else None


@dataclass(frozen=True, slots=True)
class Connection:
    """A valve connection; `settings_lpm` only where the flow selector is built in."""

    name: str
    aliases: tuple[str, ...]
    valve: str
    pins: tuple[int, ...]
    needs_regulator: bool
    needs_washer: bool
    needs_key: bool
    settings_lpm: tuple[float, ...]
    note: str
    sources: Marks = field(default_factory=no_marks, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class RegulatorKind:
    """A common kind of regulator, to pick from."""

    name: str
    connection: str
    settings_lpm: tuple[float, ...]
    outlets: int
    note: str
    sources: Marks = field(default_factory=no_marks, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class RegulatorDefaults:
    """What a regulator is taken to be when the incident does not say.

    Parameters
    ----------
    settings_lpm : tuple of float
        Click settings.
    outlets : int
        Flow outlets.
    flow_error, low_flow_error : float
        Largest flow error as a fraction of the setting, above `low_flow_up_to_lpm` and up to it.
    gauge_class_percent : float
        Largest gauge error, per cent of `gauge_full_scale_psi`.
    """

    settings_lpm: tuple[float, ...]
    outlets: int
    flow_error: float
    low_flow_error: float
    low_flow_up_to_lpm: float
    gauge_class_percent: float
    gauge_full_scale_psi: float
    note: str
    sources: Marks = field(default_factory=no_marks, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class DeviceKind:
    """A delivery device.

    Parameters
    ----------
    min_lpm, max_lpm, usual_lpm : float
        Flow range and usual flow for an adult.
    max_lpm_child, max_lpm_infant : float or None
        Lower caps for children; None where `max_lpm` holds.
    oxygen_low, oxygen_high : float
        Inspired oxygen fraction, 0 to 1.
    hands, hands_with_airway_device : int
        Responders it holds.
    off_without_flow : bool
        Comes off at once when flow ends.
    room_air_without_flow : bool
        Goes on with room air when flow ends.
    has_reservoir : bool
        With a bag that must be kept full: not for a concentrator.
    is_plannable : bool
        False: known to the table, never put into a plan.
    outlet_psi : float or None
        Pressure of the outlet it needs, where it needs a pressure outlet.
    """

    name: str
    aliases: tuple[str, ...]
    min_lpm: float
    max_lpm: float
    usual_lpm: float
    max_lpm_child: float | None
    max_lpm_infant: float | None
    oxygen_low: float
    oxygen_high: float
    hands: int
    hands_with_airway_device: int
    ages: tuple[Age, ...]
    off_without_flow: bool
    room_air_without_flow: bool
    has_reservoir: bool
    is_plannable: bool
    outlet_psi: float | None
    note: str
    sources: Marks = field(default_factory=no_marks, compare=False, repr=False)

    def max_lpm_for(self, age: Age) -> float:
        """Highest flow for an age, L/min."""
        caps = {"child": self.max_lpm_child, "infant": self.max_lpm_infant}
        cap = caps.get(age)
        return self.max_lpm if cap is None else cap

    def hands_held(self, *, has_airway_device: bool = False) -> int:
        """Responders held while it is in use."""
        return self.hands_with_airway_device if has_airway_device else self.hands


@dataclass(frozen=True, slots=True)
class FlowPhase:
    """A flow, for how many minutes (None: to the end), and the chance that it comes about."""

    flow_lpm: float
    for_min: float | None = None
    chance: float = 1.0


@dataclass(frozen=True, slots=True)
class OxygenOption:
    """One way of giving oxygen: level, device, dial setting in L/min.

    With `phases` the flow changes over time, and `flow_lpm` is that of the first phase. Where the
    protocol gives a range, `flow_lpm` is its upper end and `flow_range_lpm` the range.
    """

    level: Level
    device: str
    flow_lpm: float
    phases: tuple[FlowPhase, ...] = ()
    flow_range_lpm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Indication:
    """A row of a protocol.

    Parameters
    ----------
    triage : tuple of str
        Categories in which it is usual.
    need : {"sustaining", "protective", "comfort", "none"}
        ``"none"``: no oxygen indicated, no options.
    options : tuple of OxygenOption
        First choice to minimum, in order of preference.
    if_target_missed : tuple of OxygenOption
        Outside the levels: what to give when the target is not held.
    target_low, target_high, never_under : float or None
        Saturation, per cent.
    step_down_floor : float
        Lowest saturation at which *reduced* and *minimum* are allowed, per cent.
    recheck_min : float or None
        Minutes after which the patient is looked at again.
    is_titratable : bool
        The reading can be trusted for reducing.
    is_unchanged_at_altitude : bool
        The no-oxygen threshold stays what it is, however high.
    is_surplus_only : bool
        Nothing is planned; the options are for cylinders nobody else needs.
    """

    name: str
    triage: tuple[Triage, ...]
    need: Need
    options: tuple[OxygenOption, ...]
    if_target_missed: tuple[OxygenOption, ...]
    target_text: str
    target_low: float | None
    target_high: float | None
    never_under: float | None
    step_down_floor: float
    recheck_min: float | None
    is_titratable: bool
    is_unchanged_at_altitude: bool
    is_surplus_only: bool
    notes: str
    below_minimum: str
    warn: str
    sources: Marks = field(default_factory=no_marks, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class AltitudeRule:
    """Above `above_m` the no-oxygen threshold falls, at most to `floor` per cent."""

    above_m: float
    floor: float
    example_m: float
    well_low: float
    well_high: float
    note: str
    sources: Marks = field(default_factory=no_marks, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class Protocol:
    """Oxygen by indication; `overrides` are the rows that hold for a category, whatever is wrong.

    `approved_by` and `approved_on` (ISO date) are empty until a director has signed.
    """

    name: str
    title: str
    approved_by: str
    approved_on: str
    step_down_floor: float
    rows: tuple[Indication, ...]
    overrides: tuple[Indication, ...]
    altitude: AltitudeRule
    notes: tuple[str, ...]
    sources: Marks = field(default_factory=no_marks, compare=False, repr=False)

    @property
    def is_approved(self) -> bool:
        """Whether someone signed it and the date is known."""
        return bool(self.approved_by and self.approved_on)

    def indication(self, name: str) -> Indication | None:
        """Return the row of that name, whatever its case; None when unknown."""
        wanted = " ".join(name.casefold().split())
        return next((row for row in self.rows if row.name.casefold() == wanted), None)

    def row_for(self, name: str, triage: Triage) -> Indication | None:
        """Return the row that holds for a patient: that of the category if there is one."""
        override = next((row for row in self.overrides if triage in row.triage), None)
        return override or self.indication(name)

    def triage_concern(self, name: str, triage: Triage) -> str:
        """Say what is odd about an indication in a category; empty when nothing is."""
        row = self.row_for(name, triage)
        if row is None:
            return ""
        if triage not in row.triage:
            return f"{row.name} is usually {' or '.join(row.triage)}, not {triage}: re-triage?"
        return row.warn

    def threshold(self, row: Indication, altitude_m: float) -> float | None:
        """Saturation (per cent) from which a row's patient needs no oxygen at that height."""
        if row.target_low is None or row.is_unchanged_at_altitude:
            return row.target_low
        is_high = altitude_m > self.altitude.above_m
        return min(row.target_low, self.altitude.floor) if is_high else row.target_low


@dataclass(frozen=True, slots=True)
class Caution:
    """A short caution and the moments at which it belongs on a sheet."""

    id: str
    text: str
    where: tuple[str, ...]
    sources: Marks = field(default_factory=no_marks, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class Citation:
    """A published source; `unsure` says what of the citation itself was written from memory."""

    key: str
    citation: str
    doi: str
    unsure: str
