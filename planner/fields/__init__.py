"""Each input field once: name, unit, limits, choices, help and how to mend it.

The readers of TOML, JSON and CSV, the writers, the page's row forms and the documentation all
work from these tables, so a field is added here and nowhere else. Limits marked "common
practice" or "from memory" in ``help`` have no published source; the others only keep a slip of
the keyboard (a gauge of 18500) out of a plan.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from planner.fields.kinds import (
    MAX_COUNT,
    MAX_ROWS,
    MAX_TAG,
    MAX_TEXT,
    SETTINGS_LPM,
    TRIAGE,
    WEEK_MIN,
    Field,
    Kind,
    Presence,
    Table,
)
from planner.fields.kit import (
    CONCENTRATORS,
    CYLINDER_FIELDS,
    CYLINDERS,
    DEVICE_FIELDS,
    DEVICES,
    REGULATOR_FIELDS,
    REGULATORS,
    SUNDRIES,
)
from planner.fields.people import CONNECTED, LEGS, OPTIONS, PATIENTS, PHASES, RESPONDERS
from planner.fields.settings import INCIDENT, PLACES, PRIORITIES, UNCERTAINTY
from planner.fields.transport import RESUPPLY, TRANSFER_GROUPS, VEHICLES

TOP: Final = (
    INCIDENT, PLACES, PATIENTS, TRANSFER_GROUPS, VEHICLES, CYLINDERS, CONCENTRATORS,
    REGULATORS, DEVICES, SUNDRIES, RESPONDERS, RESUPPLY, UNCERTAINTY, PRIORITIES,
)  # fmt: skip
_SUB: Final = (
    CONNECTED,
    OPTIONS,
    PHASES,
    LEGS,
    Table("resupply cylinders", "Resupply cylinders", CYLINDER_FIELDS, key="tag"),
    Table("resupply regulators", "Resupply regulators", REGULATOR_FIELDS, key="tag"),
    Table("resupply devices", "Resupply masks and cannulas", DEVICE_FIELDS),
)

TABLES: Final[Mapping[str, Table]] = MappingProxyType({t.name: t for t in (*TOP, *_SUB)})
CSV_TABLES: Final = ("patients", "cylinders")

__all__ = [
    "CSV_TABLES", "MAX_COUNT", "MAX_ROWS", "MAX_TAG", "MAX_TEXT", "PATIENTS", "SETTINGS_LPM",
    "TABLES", "TOP", "TRIAGE", "WEEK_MIN", "Field", "Kind", "Presence", "Table",
]  # fmt: skip
