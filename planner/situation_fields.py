"""Fields of a situation file: what is so at a later minute, where it differs from the incident.

Each field once, as in :mod:`planner.fields`; what a patient's row may revise is the incident's own
field. Names of fields are those of the incident file wherever they mean the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from planner.fields import PATIENTS, WEEK_MIN, Field, Kind, Presence, Table

NOT_FOUND, WAITING, ON_OXYGEN = "not found", "waiting", "on oxygen"
TRANSFERRED, DEAD = "transferred", "dead"
STATUSES: Final = (NOT_FOUND, WAITING, ON_OXYGEN, TRANSFERRED, DEAD)
RESERVE, IN_USE, TAKEN_OFF, GONE = "reserve", "in use", "taken off", "gone"
CYLINDER_STATUSES: Final = (RESERVE, IN_USE, TAKEN_OFF, GONE)
LEAVING: Final = ("early", "ready")
#: What a patient's row may say anew; the incident's own fields.
REVISED: Final = (
    "triage", "indication", "spo2", "spo2_reliable", "oxygen_from_min", "transfer_min",
    "chance_needed",
)  # fmt: skip


def _minute(name: str, text: str) -> Field:
    return Field(name, Kind.NUMBER, text, unit="min", low=0, high=WEEK_MIN)


def _needed(name: str, kind: Kind, text: str) -> Field:
    return Field(name, kind, text, presence=Presence.REQUIRED)


def _revised(name: str) -> Field:
    field = PATIENTS.field(name)
    return Field(field.name, field.kind, field.help, field.unit, field.low, field.high,
                 field.choices)  # fmt: skip


_PLACE: Final = Field("place", Kind.TEXT, "Where it is now; left out: where it was.")
_SINCE: Final = _minute("since_min", "From which minute it has been there, ready to be carried on.")
_HOLDER: Final = Field("holder", Kind.TEXT, "The patient who has it on, or to whom it is given.")
_KIT_GONE: Final = Field("is_gone", Kind.FLAG, "Say true when it left, is lost or has failed.")

SITUATION: Final = Table(
    "situation",
    "Situation",
    (
        Field(
            "at_min", Kind.NUMBER, "The minute since the incident's start that all this is about.",
            unit="min", low=0, high=WEEK_MIN, presence=Presence.REQUIRED,
        ),
        Field("note", Kind.TEXT, "A line about who reported it."),
    ),
    is_single=True,
)  # fmt: skip

PATIENTS_NOW: Final = Table(
    "patients",
    "Patients now",
    (
        _needed("tag", Kind.TEXT, "Say whom the row is about, by the incident's tag."),
        Field(
            "now", Kind.TEXT,
            "How things stand; left out: on oxygen where it says what from, else as before.",
            choices=STATUSES,
        ),
        _PLACE,
        Field("connected", Kind.ROW, "What is on now: cylinder, regulator, device, flow.",
              table="connected"),
        _minute("waiting_since_min", "Since when a swap or a first connection has been due."),
        _minute("first_flow_min", "When oxygen first ran."),
        _minute("flow_from_min", "When the flow from this cylinder began."),
        Field("is_out", Kind.FLAG, "Say true when a swap is due and the oxygen has stopped."),
        Field("phases_stopped", Kind.FLAG, "Say true when the flow could not be turned down."),
        Field("legs_done", Kind.WHOLE, "How many legs lie behind, the one it is on included.",
              low=0, high=100),
        _minute("arrives_min", "When the leg that it is on ends; its place is where it goes to."),
        Field("leaving", Kind.TEXT, "Whether a swap is due before leaving, or was made for it.",
              choices=LEAVING),
        *(_revised(name) for name in REVISED),
    ),
    key="tag",
)  # fmt: skip

CYLINDERS_NOW: Final = Table(
    "cylinders",
    "Cylinders now",
    (
        _needed("tag", Kind.TEXT, "Say which cylinder, by its tag."),
        Field("gauge", Kind.PRESSURE, "What the gauge reads now.", low=0, high=3600),
        Field("read_at", Kind.TEMPERATURE, "How cold it was where the gauge was read.",
              low=-50, high=60),
        Field("power_left_min", Kind.NUMBER, "How long a concentrator's power still lasts.",
              unit="min", low=0, high=WEEK_MIN),
        _PLACE,
        Field("now", Kind.TEXT, "Where it stands; left out: as the patients' rows have it.",
              choices=CYLINDER_STATUSES),
        _SINCE,
        Field("is_exact", Kind.FLAG, "Say true for a reading without error, as in an exercise."),
    ),
    key="tag",
)  # fmt: skip


def _kit(name: str, title: str, tag: str) -> Table:
    """Return the table of regulators, or of masks."""
    return Table(
        name, title, (_needed("tag", Kind.TEXT, tag), _PLACE, _SINCE, _HOLDER, _KIT_GONE), key="tag"
    )


REGULATORS_NOW: Final = _kit("regulators", "Regulators now", "Say which regulator, by its tag.")
DEVICES_NOW: Final = _kit(
    "devices", "Masks and cannulas now", "Say which one: kind, age and number over the whole file."
)

RESPONDERS_NOW: Final = Table(
    "responders",
    "Responders now",
    (
        _needed("tag", Kind.TEXT, "Say who, by the tag."),
        _PLACE,
        _minute("free_from_min", "From which minute the hands are free."),
        Field("has_key", Kind.FLAG, "Say true when a key stays in that hand till then."),
    ),
    key="tag",
)


def _later(name: str, title: str, which: str, what: str) -> Table:
    """Return the table of what comes later than thought, by name."""
    text = f"By how much {what} later (below 0: sooner)."
    return Table(
        name,
        title,
        (
            _needed("name", Kind.TEXT, f"Say which {which}, by its name."),
            Field("later_min", Kind.NUMBER, text, unit="min", low=-WEEK_MIN, high=WEEK_MIN,
                  presence=Presence.REQUIRED),
        ),
        key="name",
    )  # fmt: skip


GROUPS_NOW: Final = _later("transfer_groups", "Transport now", "group", "all its transfers come")
VEHICLES_NOW: Final = _later("vehicles", "Vehicles now", "vehicle", "its first arrival comes")

RESUPPLY_NOW: Final = Table(
    "resupply",
    "Resupply now",
    (
        Field("number", Kind.WHOLE, "Which one, counted from 1 in the incident's order.",
              low=1, high=2000, presence=Presence.REQUIRED),
        Field("arrived", Kind.FLAG, "Say true when it is there."),
        Field("arrive_min", Kind.THREE_POINT, "When it is expected now.", unit="min",
              low=0, high=WEEK_MIN),
    ),
)  # fmt: skip

WASHERS_NOW: Final = Table(
    "washers",
    "Washers now",
    (
        _needed("place", Kind.TEXT, "Say at which place."),
        Field("count", Kind.WHOLE, "How many are left there.", low=0, high=5000,
              presence=Presence.REQUIRED),
    ),
    key="place",
)  # fmt: skip

TOP_NOW: Final = (
    SITUATION, PATIENTS_NOW, CYLINDERS_NOW, REGULATORS_NOW, DEVICES_NOW, RESPONDERS_NOW,
    GROUPS_NOW, VEHICLES_NOW, RESUPPLY_NOW, WASHERS_NOW,
)  # fmt: skip
TABLES_NOW: Final[Mapping[str, Table]] = MappingProxyType({t.name: t for t in TOP_NOW})
