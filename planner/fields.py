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
from typing import Final, TypedDict, Unpack

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
SEAT_ORDERS: Final = ("triage", "as given")
SETTINGS_LPM: Final = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 25.0)
MAX_TAG: Final = 60
MAX_TEXT: Final = 2000
MAX_ROWS: Final = 2000
MAX_COUNT: Final = 500
WEEK_MIN: Final = 10_080.0  # a week: longer incidents are not what this aid is for


class _More(TypedDict, total=False):
    """What a field may say besides its name, kind, help and presence."""

    unit: str
    low: float
    high: float
    choices: tuple[str, ...]
    table: str


def _required(name: str, kind: Kind, text: str, **more: Unpack[_More]) -> Field:
    return Field(name, kind, text, presence=Presence.REQUIRED, **more)


def _defaulted(name: str, kind: Kind, default: object, text: str, **more: Unpack[_More]) -> Field:
    return Field(name, kind, text, default=default, presence=Presence.DEFAULTED, **more)


def _place(text: str) -> Field:
    return Field("place", Kind.TEXT, text + " May be left out when there is only one place.")


_TAG = Field("tag", Kind.TEXT, "The tag written on it; when you leave it out, one is made up.")
_TAGS = Field("tags", Kind.TEXTS, "Several tags in one row, for items that are alike.")
_COUNT = Field(
    "count",
    Kind.WHOLE,
    "How many there are, all alike; their tags are counted up.",
    low=1,
    high=MAX_COUNT,
)
_SETTINGS = _defaulted(
    "settings_lpm",
    Kind.NUMBERS,
    SETTINGS_LPM,
    "The flows that the dial clicks into.",
    unit="L/min",
    low=0.1,
    high=60,
)

INCIDENT: Final = Table(
    "incident",
    "Incident",
    (
        _required("name", Kind.TEXT, "Give the incident a name to tell it by."),
        _required(
            "start",
            Kind.CLOCK,
            "Give the date and local time of minute 0, from which all minutes count.",
        ),
        Field("note", Kind.TEXT, "A line about what this incident is for or teaches."),
        _defaulted(
            "altitude_m",
            Kind.NUMBER,
            0.0,
            "How high above the sea it happens.",
            unit="m",
            low=-430,
            high=8850,
        ),
        _defaulted(
            "air_temperature",
            Kind.TEMPERATURE,
            Temperature(10.0, "C"),
            "How cold or warm the air is where the oxygen is used.",
            low=-50,
            high=50,
        ),
        _defaulted(
            "change_at",
            Kind.PRESSURE,
            Pressure(500.0, "psi"),
            "At this gauge a cylinder is due to be swapped (common practice, no source).",
            low=0,
            high=1500,
        ),
        _defaulted(
            "safe_residual",
            Kind.PRESSURE,
            Pressure(200.0, "psi"),
            "At this gauge a cylinder counts as empty (US Army course MD0542).",
            low=0,
            high=1500,
        ),
        _defaulted(
            "swap_min",
            Kind.NUMBER,
            3.0,
            "How long one swap keeps a responder busy.",
            unit="min",
            low=0,
            high=60,
        ),
        _defaulted(
            "swap_gap_min",
            Kind.NUMBER,
            1.0,
            "How long no oxygen flows during a swap.",
            unit="min",
            low=0,
            high=30,
        ),
        _defaulted(
            "horizon_min",
            Kind.NUMBER,
            480.0,
            "How many minutes ahead to plan.",
            unit="min",
            low=1,
            high=WEEK_MIN,
        ),
        _defaulted(
            "target_chance",
            Kind.NUMBER,
            0.05,
            "The chance of anyone running out that the plan should stay under; 0.05 is 1 in 20.",
            low=0.0001,
            high=0.9999,
        ),
        _defaulted(
            "contents",
            Kind.TEXT,
            "real gas",
            "How litres follow from a gauge: by real gas or the handbook's litres a psi.",
            choices=CONTENTS,
        ),
        Field(
            "step_down_floor",
            Kind.NUMBER,
            "The lowest SpO2 at which lower flows (reduced, minimum) may be proposed, in "
            "place of the one in each protocol row.",
            unit="%",
            low=50,
            high=100,
        ),
        _defaulted(
            "protocol",
            Kind.TEXT,
            "example",
            "Which protocol table gives the oxygen options.",
            choices=("example",),
        ),
        Field(
            "approved_by",
            Kind.TEXT,
            "The medical director who approved the protocol as it is used here.",
        ),
        Field("approved_on", Kind.DATE, "The date of that approval."),
    ),
    key="name",
    is_single=True,
)

PLACES: Final = Table(
    "places",
    "Places",
    (
        _required(
            "name", Kind.TEXT, "Give the place a name; patients, kit and people refer to it."
        ),
        Field(
            "carry_min",
            Kind.CARRY,
            "How many minutes it takes to carry kit to here from each other place; the way back "
            "takes the same unless that place says otherwise.",
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
        _required(
            "cylinder", Kind.TEXT, "Say which cylinder the patient breathes from, by its tag."
        ),
        Field(
            "regulator",
            Kind.TEXT,
            "The tag of its regulator; leave it out for a valve that is built in.",
        ),
        _required("device", Kind.TEXT, "Say which mask or cannula the patient wears."),
        _required(
            "flow_lpm",
            Kind.NUMBER,
            "Say which flow is set on the dial.",
            unit="L/min",
            low=0.1,
            high=60,
        ),
    ),
    is_single=True,
)

PHASES: Final = Table(
    "phases",
    "Phases",
    (
        _required(
            "flow_lpm",
            Kind.NUMBER,
            "Say which flow is set on the dial.",
            unit="L/min",
            low=0.1,
            high=60,
        ),
        Field(
            "for_min",
            Kind.NUMBER,
            "How long this flow runs; the last phase needs no length.",
            unit="min",
            low=0.1,
            high=WEEK_MIN,
        ),
        _defaulted(
            "chance",
            Kind.NUMBER,
            1.0,
            "How likely it is that this flow can begin when its time comes.",
            low=0,
            high=1,
        ),
    ),
)

OPTIONS: Final = Table(
    "options",
    "Oxygen options",
    (
        _required("device", Kind.TEXT, "Say which mask or cannula this option uses."),
        Field(
            "flow_lpm",
            Kind.NUMBER,
            "The flow set on the dial; leave it out when you give phases.",
            unit="L/min",
            low=0.1,
            high=60,
        ),
        _required(
            "level",
            Kind.TEXT,
            "Say whether this is the first choice, a reduced or the minimum level.",
            choices=LEVELS,
        ),
        Field(
            "phases",
            Kind.ROWS,
            "The flows one after the other, when the flow changes over time.",
            table="phases",
        ),
    ),
)

PATIENTS: Final = Table(
    "patients",
    "Patients",
    (
        _required("tag", Kind.TEXT, "Give the number on the triage tag; never write a name here."),
        _required(
            "triage",
            Kind.TEXT,
            "Give the triage category found (SALT); it says who comes first.",
            choices=TRIAGE,
        ),
        _defaulted(
            "age", Kind.TEXT, "adult", "The age group, which decides the mask size.", choices=AGES
        ),
        Field(
            "indication",
            Kind.TEXT,
            "What is wrong; the protocol has the devices and flows for it.",
        ),
        Field(
            "spo2", Kind.NUMBER, "The oxygen saturation as it was read.", unit="%", low=30, high=100
        ),
        _defaulted(
            "spo2_reliable",
            Kind.FLAG,
            True,
            "Whether the reading can be trusted; when not, it never lowers a flow.",
        ),
        _place("The place where the patient is."),
        _defaulted(
            "oxygen_from_min",
            Kind.THREE_POINT,
            (0.0, 0.0, 0.0),
            "Minutes from the start until the patient is found or needs oxygen.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        Field(
            "transfer_min",
            Kind.THREE_POINT,
            "Minutes from the start until transport takes over with its own oxygen.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        Field(
            "transfer_after_found_min",
            Kind.THREE_POINT,
            "Minutes from being found until transport comes; in place of those from the start.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        Field(
            "transfer_group",
            Kind.TEXT,
            "The transport shared with others, by name; who share it are late together.",
        ),
        Field(
            "vehicle",
            Kind.TEXT,
            "The vehicle that fetches the patient, by name; left out, any that serves the place "
            "may, unless a time is typed in.",
        ),
        _defaulted(
            "chance_needed",
            Kind.NUMBER,
            1.0,
            "How likely it is that oxygen is needed; below 1 for someone not yet found.",
            low=0.001,
            high=1,
        ),
        _defaulted(
            "airway_device",
            Kind.FLAG,
            False,
            "Whether an airway device is in: bagging then holds one responder, not two.",
        ),
        Field(
            "connected",
            Kind.ROW,
            "The oxygen that is already running when the plan begins.",
            table="connected",
        ),
        Field(
            "options",
            Kind.ROWS,
            "Oxygen options for this patient only, in place of those of the protocol.",
            table="options",
        ),
        Field("note", Kind.TEXT, "Anything about the patient that is worth printing on the card."),
    ),
    key="tag",
)

TRANSFER_GROUPS: Final = Table(
    "transfer_groups",
    "Transfer groups",
    (
        _required("name", Kind.TEXT, "Give the shared transport a name; patients refer to it."),
        _defaulted(
            "no_show_chance",
            Kind.NUMBER,
            0.0,
            "How likely it is that it never comes.",
            low=0,
            high=1,
        ),
        Field(
            "fallback_min",
            Kind.THREE_POINT,
            "When patients leave in another way if it never comes, counted from the start.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        Field(
            "kit_return_min",
            Kind.NUMBER,
            "Minutes until kit that left with a patient is back; left out, it is gone for good.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
    ),
    key="name",
)

VEHICLES: Final = Table(
    "vehicles",
    "Vehicles",
    (
        _required("name", Kind.TEXT, "Give the vehicle a name; patients may refer to it."),
        _place("The place from which it fetches people."),
        _required(
            "capacity", Kind.WHOLE, "Say how many people it takes a trip.", low=1, high=MAX_COUNT
        ),
        _required(
            "first_arrival_min",
            Kind.THREE_POINT,
            "Say how many minutes from the start it first arrives, weather aside.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        Field(
            "round_trip_min",
            Kind.THREE_POINT,
            "Minutes from one arrival to the next; left out, it comes once.",
            unit="min",
            low=1,
            high=WEEK_MIN,
        ),
        _defaulted(
            "order",
            Kind.TEXT,
            "triage",
            "Whether it takes people by triage category or in the order of the file.",
            choices=SEAT_ORDERS,
        ),
        _defaulted(
            "hold_chance",
            Kind.NUMBER,
            0.0,
            "How likely it is that weather holds it up once, before its first arrival.",
            low=0,
            high=1,
        ),
        Field(
            "hold_min",
            Kind.THREE_POINT,
            "How long such a hold lasts; it delays everything of this vehicle.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        _defaulted(
            "no_show_chance",
            Kind.NUMBER,
            0.0,
            "How likely it is that it never comes.",
            low=0,
            high=1,
        ),
        Field(
            "trips",
            Kind.WHOLE,
            "How often it comes at most; left out, as often as needed.",
            low=1,
            high=MAX_COUNT,
        ),
        Field(
            "kit_return_min",
            Kind.NUMBER,
            "Minutes until kit that left with a patient is back; left out, it is gone for good.",
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
    _required(
        "size", Kind.TEXT, "Say which size it is, such as D or E; the size gives its litres."
    ),
    Field(
        "gauge",
        Kind.PRESSURE,
        "Say what the gauge reads, in psi or bar.",
        presence=Presence.REQUIRED,
        low=0,
        high=3600,
    ),
    Field(
        "read_at",
        Kind.TEMPERATURE,
        "How cold or warm it was when its gauge was read; a cold cylinder reads lower.",
        low=-50,
        high=60,
    ),
    Field(
        "connection",
        Kind.TEXT,
        "What its valve fits, such as CGA 870; needed where this size comes with several.",
    ),
    Field(
        "water_volume_l",
        Kind.NUMBER,
        "The litres of water stamped on it, in place of the table's for its size.",
        unit="L",
        low=0.1,
        high=100,
    ),
    Field(
        "factor_l_per_psi",
        Kind.NUMBER,
        "The handbook's litres for each psi, in place of the table's for its size.",
        unit="L/psi",
        low=0.005,
        high=10,
    ),
    Field(
        "settings_lpm",
        Kind.NUMBERS,
        "The flows that the dial of a built-in valve clicks into.",
        unit="L/min",
        low=0.1,
        high=60,
    ),
)

CYLINDERS: Final = Table(
    "cylinders", "Cylinders", (*_CYLINDER_FIELDS, _place("The place where it lies.")), key="tag"
)

_REGULATOR_FIELDS: Final = (
    _TAG,
    _TAGS,
    _COUNT,
    _required("connection", Kind.TEXT, "Say which cylinder valve it fits, such as CGA 870."),
    _SETTINGS,
    _defaulted(
        "outlets", Kind.WHOLE, 1, "How many outlets have a flow dial of their own.", low=1, high=12
    ),
)

REGULATORS: Final = Table(
    "regulators", "Regulators", (*_REGULATOR_FIELDS, _place("The place where it lies.")), key="tag"
)

_DEVICE_FIELDS: Final = (
    _required("kind", Kind.TEXT, "Say what it is: a mask, a cannula or a bag-valve-mask."),
    _defaulted("age", Kind.TEXT, "adult", "The size that it is, by age group.", choices=AGES),
    _defaulted("count", Kind.WHOLE, 1, "How many of these there are.", low=1, high=MAX_COUNT),
)

DEVICES: Final = Table(
    "devices", "Masks and cannulas", (*_DEVICE_FIELDS, _place("The place where they lie."))
)

_SUNDRY_FIELDS: Final = (
    _required("kind", Kind.TEXT, "Say whether these are keys or washers.", choices=SUNDRY_KINDS),
    _defaulted(
        "count",
        Kind.WHOLE,
        1,
        "How many of these there are; 0 says that there is none.",
        low=0,
        high=MAX_COUNT,
    ),
)

SUNDRIES: Final = Table(
    "sundries", "Keys and washers", (*_SUNDRY_FIELDS, _place("The place where they lie."))
)

RESPONDERS: Final = Table(
    "responders",
    "Responders",
    (
        _TAG,
        _TAGS,
        _COUNT,
        _place("The place where they work."),
        _defaulted(
            "from_min",
            Kind.NUMBER,
            0.0,
            "From which minute on they are there.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
    ),
    key="tag",
)

RESUPPLY: Final = Table(
    "resupply",
    "Resupply",
    (
        _required(
            "arrive_min",
            Kind.THREE_POINT,
            "When the delivery arrives.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        _defaulted(
            "no_show_chance",
            Kind.NUMBER,
            0.0,
            "How likely it is that it never comes.",
            low=0,
            high=1,
        ),
        _place("The place where it arrives."),
        Field("cylinders", Kind.ROWS, "The cylinders that it brings.", table="resupply cylinders"),
        Field(
            "regulators", Kind.ROWS, "The regulators that it brings.", table="resupply regulators"
        ),
        Field(
            "devices", Kind.ROWS, "The masks and cannulas that it brings.", table="resupply devices"
        ),
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
            "How much those who share transport are late together, from 0 to 1 (no source).",
            low=0,
            high=1,
        ),
        _defaulted(
            "flow_setting",
            Kind.NUMBER,
            0.10,
            "How far a dial may be off, as a share of its setting: relative standard deviation "
            "(from memory of ISO 10524-1).",
            low=0,
            high=0.5,
        ),
        _defaulted(
            "gauge",
            Kind.PRESSURE,
            Pressure(50.0, "psi"),
            "How far a gauge may be off: standard deviation (from memory: gauge class 2.5).",
            low=0,
            high=500,
        ),
        _defaulted(
            "cold_flow_factor",
            Kind.NUMBER,
            1.0,
            "What dials really give over what they show; about 1.08 at -20 C for gas as cold.",
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
            "How much it weighs when an Immediate, an Immediate or Delayed, or anyone runs out.",
            low=0,
            high=1000,
        ),
        _defaulted(
            "minute_weights",
            Kind.NUMBERS,
            (0.004, 0.0015, 0.0005),
            "How much a minute without oxygen weighs for an Immediate, a Delayed and others.",
            low=0,
            high=10,
        ),
        _defaulted(
            "step_prices",
            Kind.NUMBERS,
            (0.04, 0.015, 0.005),
            "What each level below first choice costs for an Immediate, a Delayed and others.",
            low=0,
            high=10,
        ),
        _defaulted(
            "order",
            Kind.TEXT,
            "category",
            "Whether triage category or need decides who is served first.",
            choices=ORDERS,
        ),
        _defaulted(
            "expectant_counts",
            Kind.FLAG,
            False,
            "Whether Expectant patients count when anyone runs out.",
        ),
        _defaulted(
            "change_price",
            Kind.NUMBER,
            0.002,
            "What each change to a plan in force costs when planning on (our own, no source).",
            low=0,
            high=1,
        ),
    ),
    is_single=True,
)

TOP: Final = (
    INCIDENT, PLACES, PATIENTS, TRANSFER_GROUPS, VEHICLES, CYLINDERS, REGULATORS, DEVICES,
    SUNDRIES, RESPONDERS, RESUPPLY, UNCERTAINTY, PRIORITIES,
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
