"""What is wrong with a raw tree, row by row, and what can be said of one that has faults."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Final

from planner.checks import check
from planner.document import ATTRIBUTES
from planner.draft import TAGGED, Draft, construct, draft_from
from planner.errors import Fault, InputError
from planner.fields import TABLES, TOP, Field
from planner.gas import gauge_after_temperature, minutes_at
from planner.incident import Cylinder, Incident, Option, Patient
from planner.intake import Intake, Row
from planner.oxygen_options import options_of
from planner.page.edits import Path, Tree, row_at, rows_in, table_at
from planner.reference import find_size
from planner.report.facts import cylinder_facts
from planner.report.words import pressure
from planner.units import Pressure

OWNERS: Final = {
    "connected": "patients", "options": "patients", "phases": "patients", "legs": "patients",
    "resupply cylinders": "resupply", "resupply regulators": "resupply",
    "resupply devices": "resupply",
}  # fmt: skip
FLOWS_LPM: Final = (15.0, 6.0)  # the two columns of the job: a mask, and a mask turned down
_MORE: Final = re.compile(r" and \d+ more\Z")


@dataclass(frozen=True)
class Review:
    """Faults and warnings of a tree; ``incident`` is None while there is a fault.

    ``names`` gives for each table, row by row, what faults call that row.
    """

    found: tuple[Fault, ...]
    incident: Incident | None
    names: dict[str, tuple[frozenset[str], ...]]

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What stops the work."""
        return tuple(fault for fault in self.found if fault.severity == "fault")

    def in_table(self, table: str) -> tuple[Fault, ...]:
        """Return what was found in a table and the tables within it."""
        return tuple(f for f in self.found if OWNERS.get(f.table, f.table) == table)

    def in_row(self, table: str, number: int) -> tuple[Fault, ...]:
        """Return what was found in one row, what stands within it included."""
        names = self.names.get(table, ())
        own = names[number] if number < len(names) else frozenset()
        return tuple(f for f in self.in_table(table) if _is_of(f, own))

    def at(self, path: Path, field: Field) -> tuple[Fault, ...]:
        """Return what was found in one field of the row at a path."""
        table = table_at(path).name
        there = (field.name, *field.spellings)
        found = self.in_row(str(path[0]), path[1]) if len(path) > 1 and isinstance(
            path[1], int) else self.in_table(str(path[0]))  # fmt: skip
        tail = "".join(f" #{step + 1}" for step in path[2:] if isinstance(step, int))
        return tuple(
            f for f in found
            if f.table == table and f.field in there and (not tail or f.row.endswith(tail))
        )  # fmt: skip


@lru_cache(maxsize=16)
def review(content: str) -> Review:
    """Return what is wrong with the tree of a revision, faults and warnings alike."""
    tree = json.loads(content)
    intake = Intake("")
    try:
        draft = draft_from(tree, intake)
        found = tuple(dict.fromkeys((*intake.faults, *check(draft))))
    except InputError as error:  # too many to go on
        return Review(error.faults, None, _names(tree, None))
    is_sound = all(fault.severity == "warning" for fault in found)
    return Review(found, construct(draft) if is_sound else None, _names(tree, draft))


def typed_row(table: str, raw: object) -> dict[str, Any]:
    """Return the good values of a raw row, defaults filled in."""
    if not isinstance(raw, dict):
        return {}
    try:
        return Intake("").row(TABLES[table], raw, "").values
    except InputError:
        return {}


def bare_incident(tree: Tree) -> Incident:
    """Return an incident with the good values of the incident's own row, and nobody in it."""
    head = typed_row("incident", tree.get("incident"))
    values = {ATTRIBUTES.get(name, name): value for name, value in head.items()}
    values = {"name": "incident", "start": datetime(2000, 1, 1), **values}
    return Incident(
        **values, places=(), patients=(), cylinders=(), regulators=(), devices=(), responders=()
    )


@dataclass(frozen=True, slots=True)
class Contents:
    """What a cylinder holds and how long it lasts, in words; litres above the safe residual."""

    litres: str
    handbook: str
    minutes: tuple[str, ...]
    to_change: tuple[str, ...]
    gauge: str

    @property
    def lines(self) -> tuple[str, str]:
        """The same in two lines."""
        to_residual, to_change = " / ".join(self.minutes), " / ".join(self.to_change)
        flows = " / ".join(f"{flow:g}" for flow in FLOWS_LPM)
        return (
            f"{self.litres} L real gas, {self.handbook} L handbook above the safe residual."
            f"{self.gauge}",
            f"At {flows} L/min: {to_change} min to the change, {to_residual} min to the residual.",
        )


def contents(tree: Tree, raw: object) -> Contents | None:
    """Return what the cylinder of a raw row holds; None while size or gauge is not known."""
    values, incident = typed_row("cylinders", raw), bare_incident(tree)
    size = find_size(values["size"]) if isinstance(values.get("size"), str) else None
    gauge = values.get("gauge")
    if size is None or gauge is None:
        return None
    read_at = values.get("read_at") or incident.air_temperature
    cylinder = Cylinder(
        "", size.name, gauge, read_at, "", values.get("water_volume_l") or size.water_volume_l,
        values.get("factor_l_per_psi") or size.factor_l_per_psi, (), None,
    )  # fmt: skip
    try:
        facts = cylinder_facts(incident, cylinder, None)
        in_use = gauge_after_temperature(gauge.psi, read_at.c, incident.air_temperature.c)
    except ValueError:  # outside the range of the gas arithmetic
        return None
    used = Pressure(in_use, "psi")
    cold = f" At {incident.air_temperature.c:.0f} C it will read " + (
        f"{pressure(used, is_bar=gauge.unit == 'bar')} with nothing lost."
    )
    return Contents(
        f"{facts.litres:.0f}",
        f"{facts.handbook_litres:.0f}",
        tuple(f"{int(minutes_at(facts.litres, flow))}" for flow in FLOWS_LPM),
        tuple(f"{int(minutes_at(facts.usable_litres, flow))}" for flow in FLOWS_LPM),
        cold if read_at != incident.air_temperature else "",
    )


def protocol_options(tree: Tree, raw: object) -> tuple[Option, ...]:
    """Return the oxygen options that the protocol gives the patient of a raw row."""
    values = typed_row("patients", raw)
    if "triage" not in values:
        return ()
    kept = ("triage", "age", "indication", "spo2", "spo2_reliable")
    known = {name: values[name] for name in kept if values.get(name) is not None}
    patient = Patient("", place="", **{n: v for n, v in known.items() if n != "place"})
    return options_of(bare_incident(tree), patient)


def option_words(option: Option) -> str:
    """Return device and flow of an option, phase by phase."""
    phases = []
    for phase in option.phases:
        text = f"{phase.flow_lpm:g} L/min"
        text += f" for {phase.for_min:g} min" if phase.for_min is not None else ""
        text += f" (chance {phase.chance:g})" if phase.chance < 1 else ""
        phases.append(text)
    return f"{option.device}, " + ", then ".join(phases)


def _is_of(fault: Fault, names: Iterable[str]) -> bool:
    told = _MORE.sub("", fault.row).split(", ")
    return any(
        fault.row == name or name in told or fault.row.startswith(f"{name} #") for name in names
    )


def _names(tree: Tree, draft: Draft | None) -> dict[str, tuple[frozenset[str], ...]]:
    found = {}
    for table in TOP:
        if table.is_single:
            continue
        raw = rows_in(tree, table.name)
        try:
            typed = iter(Intake("").rows(table, raw))
        except InputError:
            continue
        expanded = list(draft.rows[table.name]) if draft is not None else []
        found[table.name] = tuple(
            _names_of(table.name, next(typed), expanded) if isinstance(row, dict)
            else frozenset({f"#{number}"})
            for number, row in enumerate(raw, start=1)
        )  # fmt: skip
    return found


def _names_of(table: str, row: Row, expanded: list[Row]) -> frozenset[str]:
    """Return what faults call a row: its label, and those of what it was expanded to."""
    is_one = table not in TAGGED or row.get("tag")
    number = 1 if is_one else len(row.get("tags") or ()) or row.get("count") or 1
    mine, expanded[:number] = expanded[:number], []
    within = [
        item.label
        for one in mine
        if table == "resupply"
        for name in ("cylinders", "regulators", "devices")
        for item in one.get(name) or ()
    ]
    return frozenset({row.label, *(one.label for one in mine), *within})


def row_words(tree: Tree, table: str, number: int) -> str:
    """Return what a row is called in a list of rows."""
    row = row_at(tree, (table, number))
    tags = row.get("tags")
    name = row.get("tag") or row.get("name") or row.get("kind") or row.get("size")
    if name is None and isinstance(tags, list) and tags:
        name = str(tags[0]) + (f" to {tags[-1]}" if len(tags) > 1 else "")
    told = [str(name)] if name is not None else [f"#{number + 1}"]
    count = row.get("count")
    if isinstance(count, int) and not isinstance(count, bool):
        told.append(f"x {count}")
    for field in ("triage", "indication", "size", "connection", "age", "place"):
        value = row.get(field)
        if isinstance(value, str) and value not in told:
            told.append(value)
    return " | ".join(told)
