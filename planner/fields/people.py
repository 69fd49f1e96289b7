"""Fields of patients, of what they breathe from and may be given, and of responders."""

from __future__ import annotations

from typing import Final

from planner.fields.kinds import (
    AGES,
    COUNT,
    LEVELS,
    TAG,
    TAGS,
    TRIAGE,
    WEEK_MIN,
    Field,
    Kind,
    Table,
    defaulted,
    place_field,
    required,
)

CONNECTED: Final = Table(
    "connected",
    "Already connected",
    (
        required(
            "cylinder", Kind.TEXT, "Say which cylinder the patient breathes from, by its tag."
        ),
        Field(
            "regulator",
            Kind.TEXT,
            "The tag of its regulator; leave it out for a valve that is built in.",
        ),
        required("device", Kind.TEXT, "Say which mask or cannula the patient wears."),
        required(
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
        required(
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
        defaulted(
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
        required("device", Kind.TEXT, "Say which mask or cannula this option uses."),
        Field(
            "flow_lpm",
            Kind.NUMBER,
            "The flow set on the dial; leave it out when you give phases.",
            unit="L/min",
            low=0.1,
            high=60,
        ),
        required(
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
        required("tag", Kind.TEXT, "Give the number on the triage tag; never write a name here."),
        required(
            "triage",
            Kind.TEXT,
            "Give the triage category found (SALT); it says who comes first.",
            choices=TRIAGE,
        ),
        defaulted(
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
        defaulted(
            "spo2_reliable",
            Kind.FLAG,
            True,
            "Whether the reading can be trusted; when not, it never lowers a flow.",
        ),
        place_field("The place where the patient is."),
        defaulted(
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
        defaulted(
            "chance_needed",
            Kind.NUMBER,
            1.0,
            "How likely it is that oxygen is needed; below 1 for someone not yet found.",
            low=0.001,
            high=1,
        ),
        defaulted(
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
        Field(
            "legs",
            Kind.ROWS,
            "Where the patient is carried to before transport comes, one leg after another.",
            table="legs",
        ),
        Field("note", Kind.TEXT, "Anything about the patient that is worth printing on the card."),
    ),
    key="tag",
)

LEGS: Final = Table(
    "legs",
    "Carried from place to place",
    (
        required("to", Kind.TEXT, "Say to which place."),
        required(
            "leave_min",
            Kind.THREE_POINT,
            "Say from when on it can leave, in minutes from the start.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
        required(
            "takes_min",
            Kind.THREE_POINT,
            "Say how long it is on the way, when no cylinder is swapped.",
            unit="min",
            low=0,
            high=WEEK_MIN,
        ),
    ),
)

RESPONDERS: Final = Table(
    "responders",
    "Responders",
    (
        TAG,
        TAGS,
        COUNT,
        place_field("The place where they work."),
        defaulted(
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
