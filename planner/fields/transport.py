"""Fields of what fetches patients and what brings more."""

from __future__ import annotations

from typing import Final

from planner.fields.kinds import (
    MAX_COUNT,
    SEAT_ORDERS,
    WEEK_MIN,
    Field,
    Kind,
    Table,
    defaulted,
    place_field,
    required,
)

_NO_SHOW: Final = defaulted(
    "no_show_chance",
    Kind.NUMBER,
    0.0,
    "How likely it is that it never comes.",
    low=0,
    high=1,
)
_KIT_RETURN: Final = Field(
    "kit_return_min",
    Kind.NUMBER,
    "Minutes until kit that left with a patient is back; left out, it is gone for good.",
    unit="min",
    low=0,
    high=WEEK_MIN,
)

TRANSFER_GROUPS: Final = Table(
    "transfer_groups",
    "Transfer groups",
    (
        required("name", Kind.TEXT, "Give the shared transport a name; patients refer to it."),
        _NO_SHOW,
        Field(
            "fallback_min",
            Kind.THREE_POINT,
            "When patients leave in another way if it never comes, counted from the start.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        _KIT_RETURN,
    ),
    key="name",
)

VEHICLES: Final = Table(
    "vehicles",
    "Vehicles",
    (
        required("name", Kind.TEXT, "Give the vehicle a name; patients may refer to it."),
        place_field("The place from which it fetches people."),
        required(
            "capacity", Kind.WHOLE, "Say how many people it takes a trip.", low=1, high=MAX_COUNT
        ),
        required(
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
        defaulted(
            "order",
            Kind.TEXT,
            "triage",
            "Whether it takes people by triage category or in the order of the file.",
            choices=SEAT_ORDERS,
        ),
        defaulted(
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
        _NO_SHOW,
        Field(
            "trips",
            Kind.WHOLE,
            "How often it comes at most; left out, as often as needed.",
            low=1,
            high=MAX_COUNT,
        ),
        _KIT_RETURN,
    ),
    key="name",
)

RESUPPLY: Final = Table(
    "resupply",
    "Resupply",
    (
        required(
            "arrive_min",
            Kind.THREE_POINT,
            "When the delivery arrives.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        _NO_SHOW,
        place_field("The place where it arrives."),
        Field("cylinders", Kind.ROWS, "The cylinders that it brings.", table="resupply cylinders"),
        Field(
            "regulators", Kind.ROWS, "The regulators that it brings.", table="resupply regulators"
        ),
        Field(
            "devices", Kind.ROWS, "The masks and cannulas that it brings.", table="resupply devices"
        ),
    ),
)
