"""What a field is, the limits that several share, and fields that several tables have."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final, TypedDict, Unpack


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


class More(TypedDict, total=False):
    """What a field may say besides its name, kind, help and presence."""

    unit: str
    low: float
    high: float
    choices: tuple[str, ...]
    table: str


def required(name: str, kind: Kind, text: str, **more: Unpack[More]) -> Field:
    """Return a field that must be filled in."""
    return Field(name, kind, text, presence=Presence.REQUIRED, **more)


def defaulted(name: str, kind: Kind, default: object, text: str, **more: Unpack[More]) -> Field:
    """Return a field that has a default."""
    return Field(name, kind, text, default=default, presence=Presence.DEFAULTED, **more)


def place_field(text: str) -> Field:
    """Return the field for a place."""
    return Field("place", Kind.TEXT, text + " May be left out when there is only one place.")


TAG = Field("tag", Kind.TEXT, "The tag written on it; when you leave it out, one is made up.")
TAGS = Field("tags", Kind.TEXTS, "Several tags in one row, for items that are alike.")
COUNT = Field(
    "count",
    Kind.WHOLE,
    "How many there are, all alike; their tags are counted up.",
    low=1,
    high=MAX_COUNT,
)
SETTINGS = defaulted(
    "settings_lpm",
    Kind.NUMBERS,
    SETTINGS_LPM,
    "The flows that the dial clicks into.",
    unit="L/min",
    low=0.1,
    high=60,
)
