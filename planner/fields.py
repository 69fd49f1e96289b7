"""Each input field once: name, unit, limits, choices, help and how to mend it.

The readers of TOML, JSON and CSV, the writers, the page's row forms and the documentation all
work from these tables, so a field is added here and nowhere else. Limits marked "common
practice" or "from memory" in ``help`` have no published source; the others only keep a slip of
the keyboard (a gauge of 18500) out of a plan.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType
from typing import Final

from planner.units import Pressure, Temperature


class Kind(Enum):
    """What a field holds in a file."""

    TEXT = "text"
    NUMBER = "number"
    WHOLE = "whole number"
    FLAG = "true or false"
    CLOCK = "date and time"
    DATE = "date"
    THREE_POINT = "three-point time"
    PRESSURE = "gauge pressure"
    TEMPERATURE = "temperature"
    NUMBERS = "list of numbers"
    TEXTS = "list of texts"
    CARRY = "minutes by place"
    ROW = "one row"
    ROWS = "rows"


class Presence(Enum):
    """What happens when a field is left out."""

    REQUIRED = "required"
    OPTIONAL = "optional"
    DEFAULTED = "defaulted"


@dataclass(frozen=True, slots=True)
class Field:
    """One field of an input table.

    Parameters
    ----------
    name : str
        Name without the unit suffix of pressures and temperatures.
    kind : Kind
        Shape of the value.
    help : str
        One sentence for the person who fills it in.
    unit : str
        Unit shown beside it.
    low, high : float or None
        Inclusive limits of each number in it.
    choices : tuple of str
        Allowed texts; empty when any text will do.
    default : object
        Value taken when it is left out; only read when ``presence`` is DEFAULTED.
    presence : Presence
        Required, optional or defaulted.
    table : str
        Name of the sub-table for ROW and ROWS.
    """

    name: str
    kind: Kind
    help: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    default: object = None
    presence: Presence = Presence.OPTIONAL
    table: str = ""

    @property
    def spellings(self) -> tuple[str, ...]:
        """Names under which a file may give it (one per unit)."""
        if self.kind is Kind.PRESSURE:
            return (f"{self.name}_psi", f"{self.name}_bar")
        if self.kind is Kind.TEMPERATURE:
            return (f"{self.name}_c", f"{self.name}_f")
        return (self.name,)


@dataclass(frozen=True, slots=True)
class Table:
    """A table of an input file."""

    name: str
    title: str
    fields: tuple[Field, ...]
    key: str = ""
    is_single: bool = False

    def field(self, name: str) -> Field:
        """Return the field with this name (without unit suffix)."""
        for field in self.fields:
            if field.name == name:
                return field
        raise KeyError(f"table {self.name} has no field {name}")


TRIAGE: Final = ("immediate", "delayed", "minimal", "expectant", "dead")
AGES: Final = ("adult", "child", "infant")
LEVELS: Final = ("first choice", "reduced", "minimum")
SUNDRY_KINDS: Final = ("key", "washer")
CONTENTS: Final = ("real gas", "handbook")
ORDERS: Final = ("category", "need")
SETTINGS_LPM: Final = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 25.0)
MAX_TAG: Final = 60
MAX_TEXT: Final = 2000
MAX_ROWS: Final = 2000
MAX_COUNT: Final = 500
WEEK_MIN: Final = 10_080.0  # a week: longer incidents are not what this aid is for


def _required(name: str, kind: Kind, text: str, **more: object) -> Field:
    return Field(name, kind, text, presence=Presence.REQUIRED, **more)  # type: ignore[arg-type]


def _defaulted(name: str, kind: Kind, default: object, text: str, **more: object) -> Field:
    return Field(name, kind, text, default=default, presence=Presence.DEFAULTED, **more)  # type: ignore[arg-type]


def _place(text: str) -> Field:
    return Field("place", Kind.TEXT, text + " May be left out when there is only one place.")


_TAG = Field("tag", Kind.TEXT, "What is written on it. Made up when left out.")
_TAGS = Field("tags", Kind.TEXTS, "Several tags for identical ones.")
_COUNT = Field(
    "count", Kind.WHOLE, "How many identical ones; tags are made up.", low=1, high=MAX_COUNT
)
_SETTINGS = _defaulted(
    "settings_lpm",
    Kind.NUMBERS,
    SETTINGS_LPM,
    "Click settings of the flow dial.",
    unit="L/min",
    low=0.1,
    high=60,
)

INCIDENT: Final = Table(
    "incident",
    "Incident",
    (
        _required("name", Kind.TEXT, "What to call the incident."),
        _required("start", Kind.CLOCK, "Date and local time of minute 0."),
        Field("note", Kind.TEXT, "What this incident is for or teaches."),
        _defaulted(
            "altitude_m", Kind.NUMBER, 0.0, "Height above sea.", unit="m", low=-430, high=8850
        ),
        _defaulted(
            "air_temperature",
            Kind.TEMPERATURE,
            Temperature(10.0, "C"),
            "Air temperature where the oxygen is used.",
            low=-50,
            high=50,
        ),
        _defaulted(
            "change_at",
            Kind.PRESSURE,
            Pressure(500.0, "psi"),
            "Gauge at which a swap is due (common practice, no source).",
            low=0,
            high=1500,
        ),
        _defaulted(
            "safe_residual",
            Kind.PRESSURE,
            Pressure(200.0, "psi"),
            "Nobody breathes below this gauge (US Army course MD0542).",
            low=0,
            high=1500,
        ),
        _defaulted(
            "swap_min",
            Kind.NUMBER,
            3.0,
            "A responder is busy this long.",
            unit="min",
            low=0,
            high=60,
        ),
        _defaulted(
            "swap_gap_min",
            Kind.NUMBER,
            1.0,
            "Without flow during a swap.",
            unit="min",
            low=0,
            high=30,
        ),
        _defaulted(
            "horizon_min",
            Kind.NUMBER,
            480.0,
            "Planned as far as this.",
            unit="min",
            low=1,
            high=WEEK_MIN,
        ),
        _defaulted(
            "target_chance",
            Kind.NUMBER,
            0.05,
            "Chance of anyone running out to stay under.",
            low=0.0001,
            high=0.9999,
        ),
        _defaulted("contents", Kind.TEXT, "real gas", "How litres are counted.", choices=CONTENTS),
        Field(
            "step_down_floor",
            Kind.NUMBER,
            "Lowest saturation at which reduced and minimum levels may be proposed, in place of "
            "the protocol rows' own.",
            unit="%",
            low=50,
            high=100,
        ),
        _defaulted(
            "protocol", Kind.TEXT, "example", "Name of the protocol table.", choices=("example",)
        ),
        Field("approved_by", Kind.TEXT, "Medical director who approved the protocol as used."),
        Field("approved_on", Kind.DATE, "Date of that approval."),
    ),
    key="name",
    is_single=True,
)

PLACES: Final = Table(
    "places",
    "Places",
    (
        _required("name", Kind.TEXT, "Name of the place."),
        Field(
            "carry_min",
            Kind.CARRY,
            "Minutes to carry kit to here from there; the way back is the same unless given.",
            unit="min",
            low=0,
            high=1440,
        ),
    ),
    key="name",
)

CONNECTED: Final = Table(
    "connected",
    "Already connected",
    (
        _required("cylinder", Kind.TEXT, "Tag of the cylinder in use."),
        Field("regulator", Kind.TEXT, "Tag of the regulator; left out for a built-in valve."),
        _required("device", Kind.TEXT, "Mask or cannula in use."),
        _required("flow_lpm", Kind.NUMBER, "Dial setting.", unit="L/min", low=0.1, high=60),
    ),
    is_single=True,
)

PHASES: Final = Table(
    "phases",
    "Phases",
    (
        _required("flow_lpm", Kind.NUMBER, "Dial setting.", unit="L/min", low=0.1, high=60),
        Field(
            "for_min",
            Kind.NUMBER,
            "For so long; the last phase has none.",
            unit="min",
            low=0.1,
            high=WEEK_MIN,
        ),
        _defaulted("chance", Kind.NUMBER, 1.0, "Chance that this phase can begin.", low=0, high=1),
    ),
)

OPTIONS: Final = Table(
    "options",
    "Oxygen options",
    (
        _required("device", Kind.TEXT, "Mask or cannula."),
        Field(
            "flow_lpm",
            Kind.NUMBER,
            "Dial setting, unless phases are given.",
            unit="L/min",
            low=0.1,
            high=60,
        ),
        _required("level", Kind.TEXT, "First choice, reduced or minimum.", choices=LEVELS),
        Field("phases", Kind.ROWS, "Flow over time.", table="phases"),
    ),
)

PATIENTS: Final = Table(
    "patients",
    "Patients",
    (
        _required("tag", Kind.TEXT, "Triage tag; no names."),
        _required("triage", Kind.TEXT, "SALT category.", choices=TRIAGE),
        _defaulted("age", Kind.TEXT, "adult", "Decides mask sizes.", choices=AGES),
        Field("indication", Kind.TEXT, "Row of the protocol table."),
        Field("spo2", Kind.NUMBER, "Saturation read.", unit="%", low=30, high=100),
        _defaulted("spo2_reliable", Kind.FLAG, True, "False: no reduction on a number."),
        _place("Where the patient is."),
        _defaulted(
            "oxygen_from_min",
            Kind.THREE_POINT,
            (0.0, 0.0, 0.0),
            "Needs oxygen from.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        Field(
            "transfer_min",
            Kind.THREE_POINT,
            "Transport's own oxygen takes over.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        Field(
            "transfer_after_found_min",
            Kind.THREE_POINT,
            "The same, counted from found.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        Field("transfer_group", Kind.TEXT, "Shared transport: late together."),
        _defaulted(
            "chance_needed",
            Kind.NUMBER,
            1.0,
            "Below 1: not yet found, or may not need it.",
            low=0.001,
            high=1,
        ),
        _defaulted(
            "airway_device",
            Kind.FLAG,
            False,
            "True: a bag-valve-mask holds one responder, not two.",
        ),
        Field("connected", Kind.ROW, "Oxygen already running.", table="connected"),
        Field("options", Kind.ROWS, "Own options in place of the protocol's.", table="options"),
        Field("note", Kind.TEXT, "Anything worth printing on the card."),
    ),
    key="tag",
)

TRANSFER_GROUPS: Final = Table(
    "transfer_groups",
    "Transfer groups",
    (
        _required("name", Kind.TEXT, "Name of the shared transport."),
        _defaulted(
            "no_show_chance", Kind.NUMBER, 0.0, "Chance that it never comes.", low=0, high=1
        ),
        Field(
            "fallback_min",
            Kind.THREE_POINT,
            "Transfer when it never comes, from the start.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        Field(
            "kit_return_min",
            Kind.NUMBER,
            "Kit is back after so long; left out: it leaves.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
    ),
    key="name",
)

_CYLINDER_FIELDS: Final = (
    _TAG,
    _TAGS,
    _COUNT,
    _required("size", Kind.TEXT, "Row of the cylinder table."),
    Field("gauge", Kind.PRESSURE, "Gauge as read.", presence=Presence.REQUIRED, low=0, high=3600),
    Field("read_at", Kind.TEMPERATURE, "Temperature of the cylinder when read.", low=-50, high=60),
    Field("connection", Kind.TEXT, "Valve connection, where the size allows several."),
    Field(
        "water_volume_l",
        Kind.NUMBER,
        "Water volume, in place of the table's.",
        unit="L",
        low=0.1,
        high=100,
    ),
    Field(
        "factor_l_per_psi",
        Kind.NUMBER,
        "Handbook factor, in place of the table's.",
        unit="L/psi",
        low=0.005,
        high=10,
    ),
    Field(
        "settings_lpm",
        Kind.NUMBERS,
        "Settings of a built-in valve.",
        unit="L/min",
        low=0.1,
        high=60,
    ),
)

CYLINDERS: Final = Table(
    "cylinders", "Cylinders", (*_CYLINDER_FIELDS, _place("Where it lies.")), key="tag"
)

_REGULATOR_FIELDS: Final = (
    _TAG,
    _TAGS,
    _COUNT,
    _required("connection", Kind.TEXT, "Valve connection that it fits."),
    _SETTINGS,
    _defaulted("outlets", Kind.WHOLE, 1, "Outlets with a flow dial of their own.", low=1, high=12),
)

REGULATORS: Final = Table(
    "regulators", "Regulators", (*_REGULATOR_FIELDS, _place("Where it lies.")), key="tag"
)

_DEVICE_FIELDS: Final = (
    _required("kind", Kind.TEXT, "Mask, cannula or bag-valve-mask."),
    _defaulted("age", Kind.TEXT, "adult", "Size.", choices=AGES),
    _defaulted("count", Kind.WHOLE, 1, "How many.", low=1, high=MAX_COUNT),
)

DEVICES: Final = Table("devices", "Masks and cannulas", (*_DEVICE_FIELDS, _place("Where.")))

_SUNDRY_FIELDS: Final = (
    _required("kind", Kind.TEXT, "Key or washer.", choices=SUNDRY_KINDS),
    _defaulted(
        "count", Kind.WHOLE, 1, "How many; 0 says that none is there.", low=0, high=MAX_COUNT
    ),
)

SUNDRIES: Final = Table("sundries", "Keys and washers", (*_SUNDRY_FIELDS, _place("Where.")))

RESPONDERS: Final = Table(
    "responders",
    "Responders",
    (
        _TAG,
        _TAGS,
        _COUNT,
        _place("Where they work."),
        _defaulted("from_min", Kind.NUMBER, 0.0, "There from.", unit="min", low=0, high=WEEK_MIN),
    ),
    key="tag",
)

RESUPPLY: Final = Table(
    "resupply",
    "Resupply",
    (
        _required("arrive_min", Kind.THREE_POINT, "Arrives.", unit="min", low=0, high=WEEK_MIN),
        _defaulted(
            "no_show_chance", Kind.NUMBER, 0.0, "Chance that it never comes.", low=0, high=1
        ),
        _place("Where it arrives."),
        Field("cylinders", Kind.ROWS, "Cylinders in it.", table="resupply cylinders"),
        Field("regulators", Kind.ROWS, "Regulators in it.", table="resupply regulators"),
        Field("devices", Kind.ROWS, "Masks and cannulas in it.", table="resupply devices"),
    ),
)

UNCERTAINTY: Final = Table(
    "uncertainty",
    "Uncertainty",
    (
        _defaulted(
            "shared_delay",
            Kind.NUMBER,
            0.5,
            "Correlation of transfer times within a group (no source).",
            low=0,
            high=1,
        ),
        _defaulted(
            "flow_setting",
            Kind.NUMBER,
            0.10,
            "Relative standard deviation of a flow setting (from memory of ISO 10524-1).",
            low=0,
            high=0.5,
        ),
        _defaulted(
            "gauge",
            Kind.PRESSURE,
            Pressure(50.0, "psi"),
            "Standard deviation of a gauge reading (from memory: gauge class 2.5).",
            low=0,
            high=500,
        ),
        _defaulted(
            "cold_flow_factor",
            Kind.NUMBER,
            1.0,
            "Flow over dial setting for all; about 1.08 at -20 C if the gas is that cold.",
            low=0.5,
            high=1.5,
        ),
    ),
    is_single=True,
)

PRIORITIES: Final = Table(
    "priorities",
    "Priorities",
    (
        _defaulted(
            "tier_weights",
            Kind.NUMBERS,
            (9.0, 3.0, 1.0),
            "Weight of: an Immediate; an Immediate or Delayed; anyone running out.",
            low=0,
            high=1000,
        ),
        _defaulted(
            "minute_weights",
            Kind.NUMBERS,
            (0.004, 0.0015, 0.0005),
            "Weight of a minute out: Immediate, Delayed, others.",
            low=0,
            high=10,
        ),
        _defaulted(
            "step_prices",
            Kind.NUMBERS,
            (0.04, 0.015, 0.005),
            "Price of a level below first choice: Immediate, Delayed, others.",
            low=0,
            high=10,
        ),
        _defaulted("order", Kind.TEXT, "category", "Who is served first.", choices=ORDERS),
        _defaulted("expectant_counts", Kind.FLAG, False, "Expectant patients count in anyone."),
    ),
    is_single=True,
)

TOP: Final = (
    INCIDENT, PLACES, PATIENTS, TRANSFER_GROUPS, CYLINDERS, REGULATORS, DEVICES, SUNDRIES,
    RESPONDERS, RESUPPLY, UNCERTAINTY, PRIORITIES,
)  # fmt: skip

_SUB: Final = (
    CONNECTED,
    OPTIONS,
    PHASES,
    Table("resupply cylinders", "Resupply cylinders", _CYLINDER_FIELDS, key="tag"),
    Table("resupply regulators", "Resupply regulators", _REGULATOR_FIELDS, key="tag"),
    Table("resupply devices", "Resupply masks and cannulas", _DEVICE_FIELDS),
)

TABLES: Final[Mapping[str, Table]] = MappingProxyType({t.name: t for t in (*TOP, *_SUB)})
CSV_TABLES: Final = ("patients", "cylinders")
