"""A situation: what is so at a later minute, read from a file onto the incident.

A file says what differs from the beginning; whatever it does not name is as it was. Written out in
full (:func:`situation_document`) it holds a state to the last digit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from planner.errors import InputError
from planner.files import parse_file
from planner.incident import Incident, Patient, ThreePoint
from planner.intake import Intake, Row, Unfit, listed, nearest, printable
from planner.kinds_of_file import require_kind
from planner.situation_checks import check
from planner.situation_fields import (
    DEAD,
    NOT_FOUND,
    ON_OXYGEN,
    REVISED,
    TABLES_NOW,
    TOP_NOW,
    TRANSFERRED,
    WAITING,
)
from planner.situation_state import state_of
from planner.state import CylinderNow, State

SCHEMA: Final = 1
STATUS_WORDS: Final = {
    "unknown": NOT_FOUND, "waiting": WAITING, "here": ON_OXYGEN, "gone": TRANSFERRED, "dead": DEAD,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Situation:
    """The incident as it is known now, and everything that is so at that minute."""

    incident: Incident
    state: State


def read_situation(path: str | Path, incident: Incident) -> Situation:
    """Read a situation file, TOML or JSON by its ending.

    Raises
    ------
    InputError
        With every fault of the file.
    """
    raw, file = parse_file(path)
    return situation_from(raw, incident, file)


def situation_from(raw: Mapping[str, object], incident: Incident, file: str = "") -> Situation:
    """Return the situation of a plain tree.

    Raises
    ------
    InputError
        With every fault found.
    """
    require_kind(raw, "situation", file)
    intake = Intake(file)
    rows = _rows(raw, intake)
    faults = list(dict.fromkeys([*intake.faults, *check(rows, incident, file)]))
    if faults:
        raise InputError(faults)
    revised = _revised(rows, incident)
    return Situation(revised, state_of(rows, revised))


def _rows(raw: Mapping[str, object], intake: Intake) -> dict[str, list[Row]]:
    """Read every table; the head stands under its own name as the one row."""
    tree = dict(raw)
    schema = tree.pop("schema", None)
    if schema != SCHEMA or isinstance(schema, bool):
        intake.note("", "", "schema", schema, Unfit("schema = 1", "Put schema = 1 on top."))
    for name in [name for name in tree if name not in TABLES_NOW]:
        hint = nearest(name, TABLES_NOW) or f"Known tables: {listed(TABLES_NOW)}."
        intake.note("", "", printable(name), tree.pop(name), Unfit("a known table", hint))
    rows: dict[str, list[Row]] = {}
    for table in TOP_NOW:
        if table.is_single:
            value = tree.get(table.name, {})
            if not isinstance(value, dict):
                unfit = Unfit("one table", f"Write it as [{table.name}].")
                intake.note(table.name, "", "", value, unfit)
                value = {}
            rows[table.name] = [intake.row(table, value, "")]
        else:
            rows[table.name] = intake.rows(table, tree.get(table.name, []))
    return rows


# ----- what the incident is known to be now -----------------------------------------------------


def _revised(rows: Mapping[str, list[Row]], incident: Incident) -> Incident:
    """Return the incident with what is known better now: people, transport, resupply."""
    said = {row.get("tag"): row for row in rows["patients"]}
    later = {row.get("name"): float(row.get("later_min")) for row in rows["transfer_groups"]}
    people = tuple(_person(p, said.get(p.tag), later) for p in incident.patients)
    groups = tuple(
        replace(g, fallback=_moved(g.fallback, later.get(g.name, 0.0)))
        for g in incident.transfer_groups
    )
    arrive = {row.get("number"): row.get("arrive_min") for row in rows["resupply"]}
    resupply = tuple(
        replace(r, arrive=arrive[n]) if arrive.get(n) is not None else r
        for n, r in enumerate(incident.resupply, 1)
    )
    by = {row.get("name"): float(row.get("later_min")) for row in rows["vehicles"]}
    vehicles = tuple(
        replace(v, first_arrival=v.first_arrival.later(by.get(v.name, 0.0)))
        for v in incident.vehicles
    )
    return replace(
        incident, patients=people, transfer_groups=groups, vehicles=vehicles, resupply=resupply
    )


def _person(patient: Patient, row: Row | None, later: Mapping[Any, float]) -> Patient:
    by = later.get(patient.transfer_group, 0.0)
    if by:
        patient = replace(
            patient,
            transfer=_moved(patient.transfer, by),
            transfer_after_found=_moved(patient.transfer_after_found, by),
        )
    if row is None:
        return patient
    values = {
        name.removesuffix("_min") if name != "chance_needed" else name: row.get(name)
        for name in REVISED
        if name in row.raw_names
    }
    if "transfer" in values:
        values["transfer_after_found"] = None
    return replace(patient, **values)


def _moved(time: ThreePoint | None, by_min: float) -> ThreePoint | None:
    return None if time is None else time.later(by_min)


# ----- written out in full ----------------------------------------------------------------------


def situation_document(state: State, incident: Incident) -> dict[str, Any]:
    """Return a state as the tree of a situation file, to the last digit."""
    hookup_of = {line.patient: (h, line) for h in state.hookups for line in h.lines}
    tree: dict[str, Any] = {
        "schema": SCHEMA,
        "situation": {"at_min": state.at_min},
        "patients": [dict(_patient_row(p, hookup_of.get(p.tag))) for p in state.patients],
        "cylinders": [
            {
                "tag": c.tag,
                **_content_row(c),
                "place": c.place,
                "now": "in use" if c.status == "connected" else c.status,
                "since_min": c.since_min,
                "is_exact": c.is_exact,
            }
            for c in state.cylinders
        ],
        "regulators": [dict(_kit_row(k)) for k in state.regulators],
        "devices": [dict(_kit_row(k)) for k in state.devices],
        "responders": [
            {"tag": r.tag, "place": r.place, "free_from_min": r.free_from_min, "has_key": r.has_key}
            for r in state.responders
        ],
        "resupply": [{"number": n + 1, "arrived": True} for n in state.arrived],
    }
    if state.washers is not None:
        pairs = zip(incident.places, state.washers, strict=True)
        tree["washers"] = [{"place": place.name, "count": n} for place, n in pairs]
    return tree


def _content_row(cylinder: CylinderNow) -> dict[str, float]:
    if cylinder.power_min is not None:
        return {"power_left_min": cylinder.power_min}
    return {
        f"gauge_{cylinder.gauge.unit}": cylinder.gauge.value,
        f"read_at_{cylinder.read_at.unit.lower()}": cylinder.read_at.value,
    }


def _patient_row(now: Any, on: Any) -> Iterator[tuple[str, Any]]:
    yield "tag", now.tag
    yield "now", STATUS_WORDS[now.status]
    yield "place", now.place
    if on is not None:
        hookup, line = on
        source = {"cylinder": hookup.cylinders[0]}
        source |= {} if hookup.regulator is None else {"regulator": hookup.regulator}
        yield "connected", source | {"device": line.device, "flow_lpm": line.flow_lpm}
        yield "flow_from_min", hookup.begins_min(line)
    for name in ("waiting_since_min", "first_flow_min"):
        if getattr(now, name) is not None:
            yield name, getattr(now, name)
    if now.legs_done:
        yield "legs_done", now.legs_done
    if now.arrives_min is not None:
        yield "arrives_min", now.arrives_min
    if now.leaving:
        yield "leaving", now.leaving
    yield "is_out", now.is_out
    yield "phases_stopped", now.phases_stopped


def _kit_row(kit: Any) -> Iterator[tuple[str, Any]]:
    yield from (("tag", kit.tag), ("place", kit.place), ("since_min", kit.since_min))
    if kit.holder is not None:
        yield "holder", kit.holder
    yield "is_gone", kit.is_gone


__all__ = ["Situation", "read_situation", "situation_document", "situation_from"]
