"""Fields of cylinders, regulators, masks, keys and washers."""

from __future__ import annotations

from typing import Final

from planner.fields.kinds import (
    AGES,
    COUNT,
    MAX_COUNT,
    SETTINGS,
    SUNDRY_KINDS,
    TAG,
    TAGS,
    WEEK_MIN,
    Field,
    Kind,
    Presence,
    Table,
    defaulted,
    place_field,
    required,
)

CYLINDER_FIELDS: Final = (
    TAG,
    TAGS,
    COUNT,
    required("size", Kind.TEXT, "Say which size it is, such as D or E; the size gives its litres."),
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
    "cylinders", "Cylinders", (*CYLINDER_FIELDS, place_field("The place where it lies.")), key="tag"
)

#: What small machines click into: common practice, no source; larger ones go to 10 L/min.
CONCENTRATOR_LPM: Final = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0)

CONCENTRATORS: Final = Table(
    "concentrators",
    "Concentrators",
    (
        TAG,
        TAGS,
        COUNT,
        required(
            "power_min",
            Kind.NUMBER,
            "Say how long its battery, or the fuel for it, lasts while it runs.",
            unit="min",
            low=1,
            high=WEEK_MIN,
        ),
        defaulted(
            "settings_lpm",
            Kind.NUMBERS,
            CONCENTRATOR_LPM,
            "The flows that its dial clicks into; it feeds no mask with a reservoir.",
            unit="L/min",
            low=0.1,
            high=15,
        ),
        place_field("The place where it stands, and stays when its patient leaves."),
    ),
    key="tag",
)

REGULATOR_FIELDS: Final = (
    TAG,
    TAGS,
    COUNT,
    required("connection", Kind.TEXT, "Say which cylinder valve it fits, such as CGA 870."),
    SETTINGS,
    defaulted(
        "outlets", Kind.WHOLE, 1, "How many outlets have a flow dial of their own.", low=1, high=12
    ),
)

REGULATORS: Final = Table(
    "regulators",
    "Regulators",
    (*REGULATOR_FIELDS, place_field("The place where it lies.")),
    key="tag",
)

DEVICE_FIELDS: Final = (
    required("kind", Kind.TEXT, "Say what it is: a mask, a cannula or a bag-valve-mask."),
    defaulted("age", Kind.TEXT, "adult", "The size that it is, by age group.", choices=AGES),
    defaulted("count", Kind.WHOLE, 1, "How many of these there are.", low=1, high=MAX_COUNT),
)

DEVICES: Final = Table(
    "devices", "Masks and cannulas", (*DEVICE_FIELDS, place_field("The place where they lie."))
)

_SUNDRY_FIELDS: Final = (
    required("kind", Kind.TEXT, "Say whether these are keys or washers.", choices=SUNDRY_KINDS),
    defaulted(
        "count",
        Kind.WHOLE,
        1,
        "How many of these there are; 0 says that there is none.",
        low=0,
        high=MAX_COUNT,
    ),
)

SUNDRIES: Final = Table(
    "sundries", "Keys and washers", (*_SUNDRY_FIELDS, place_field("The place where they lie."))
)
