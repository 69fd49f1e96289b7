"""Fields of the incident as a whole: its clock, rules, uncertainty and priorities; its places."""

from __future__ import annotations

from typing import Final

from planner.fields.kinds import CONTENTS, ORDERS, WEEK_MIN, Field, Kind, Table, defaulted, required
from planner.units import Pressure, Temperature

INCIDENT: Final = Table(
    "incident",
    "Incident",
    (
        required("name", Kind.TEXT, "Give the incident a name to tell it by."),
        required(
            "start",
            Kind.CLOCK,
            "Give the date and local time of minute 0, from which all minutes count.",
        ),
        Field("note", Kind.TEXT, "A line about what this incident is for or teaches."),
        defaulted(
            "altitude_m",
            Kind.NUMBER,
            0.0,
            "How high above the sea it happens.",
            unit="m",
            low=-430,
            high=8850,
        ),
        defaulted(
            "air_temperature",
            Kind.TEMPERATURE,
            Temperature(10.0, "C"),
            "How cold or warm the air is where the oxygen is used.",
            low=-50,
            high=50,
        ),
        defaulted(
            "change_at",
            Kind.PRESSURE,
            Pressure(500.0, "psi"),
            "At this gauge a cylinder is due to be swapped (common practice, no source).",
            low=0,
            high=1500,
        ),
        defaulted(
            "safe_residual",
            Kind.PRESSURE,
            Pressure(200.0, "psi"),
            "At this gauge a cylinder counts as empty (US Army course MD0542).",
            low=0,
            high=1500,
        ),
        defaulted(
            "swap_min",
            Kind.NUMBER,
            3.0,
            "How long one swap keeps a responder busy.",
            unit="min",
            low=0,
            high=60,
        ),
        defaulted(
            "swap_gap_min",
            Kind.NUMBER,
            1.0,
            "How long no oxygen flows during a swap.",
            unit="min",
            low=0,
            high=30,
        ),
        defaulted(
            "horizon_min",
            Kind.NUMBER,
            480.0,
            "How many minutes ahead to plan.",
            unit="min",
            low=1,
            high=WEEK_MIN,
        ),
        defaulted(
            "target_chance",
            Kind.NUMBER,
            0.05,
            "The chance of anyone running out that the plan should stay under; 0.05 is 1 in 20.",
            low=0.0001,
            high=0.9999,
        ),
        defaulted(
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
        defaulted(
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
        required("name", Kind.TEXT, "Give the place a name; patients, kit and people refer to it."),
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

UNCERTAINTY: Final = Table(
    "uncertainty",
    "Uncertainty",
    (
        defaulted(
            "shared_delay",
            Kind.NUMBER,
            0.5,
            "How much those who share transport are late together, from 0 to 1 (no source).",
            low=0,
            high=1,
        ),
        defaulted(
            "flow_setting",
            Kind.NUMBER,
            0.10,
            "How far a dial may be off, as a share of its setting: relative standard deviation "
            "(from memory of ISO 10524-1).",
            low=0,
            high=0.5,
        ),
        defaulted(
            "gauge",
            Kind.PRESSURE,
            Pressure(50.0, "psi"),
            "How far a gauge may be off: standard deviation (from memory: gauge class 2.5).",
            low=0,
            high=500,
        ),
        defaulted(
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
        defaulted(
            "tier_weights",
            Kind.NUMBERS,
            (9.0, 3.0, 1.0),
            "How much it weighs when an Immediate, an Immediate or Delayed, or anyone runs out.",
            low=0,
            high=1000,
        ),
        defaulted(
            "minute_weights",
            Kind.NUMBERS,
            (0.004, 0.0015, 0.0005),
            "How much a minute without oxygen weighs for an Immediate, a Delayed and others.",
            low=0,
            high=10,
        ),
        defaulted(
            "step_prices",
            Kind.NUMBERS,
            (0.04, 0.015, 0.005),
            "What each level below first choice costs for an Immediate, a Delayed and others.",
            low=0,
            high=10,
        ),
        defaulted(
            "order",
            Kind.TEXT,
            "category",
            "Whether triage category or need decides who is served first.",
            choices=ORDERS,
        ),
        defaulted(
            "expectant_counts",
            Kind.FLAG,
            False,
            "Whether Expectant patients count when anyone runs out.",
        ),
        defaulted(
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
