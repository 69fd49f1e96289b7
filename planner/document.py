"""An incident as the plain tree of its file, in the units in which it was given."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from planner.fields import TABLES, Field, Kind, Table
from planner.incident import Incident, Option, Phase, ThreePoint
from planner.units import Pressure, Temperature

Assumed = frozenset[tuple[str, str, str]]

# Fields whose name in the dataclass is not the field table's name.
ATTRIBUTES: Mapping[str, str] = {
    "oxygen_from_min": "oxygen_from",
    "transfer_min": "transfer",
    "transfer_after_found_min": "transfer_after_found",
    "fallback_min": "fallback",
    "arrive_min": "arrive",
    "first_arrival_min": "first_arrival",
    "round_trip_min": "round_trip",
    "hold_min": "hold",
    "leave_min": "leave",
    "takes_min": "length",
}
LISTS = (
    "places", "patients", "transfer_groups", "vehicles", "cylinders", "concentrators",
    "regulators", "devices", "sundries", "responders", "resupply",
)  # fmt: skip


def incident_document(incident: Incident, *, with_assumed: bool = False) -> dict[str, Any]:
    """Return the plain tree of an incident's file.

    Parameters
    ----------
    incident : Incident
        The incident.
    with_assumed : bool
        Write out what was left out of the file and took its default or the table's value.

    Returns
    -------
    dict
        Tree of tables, lists, texts, numbers, dates; ready for TOML.
    """
    assumed = frozenset() if with_assumed else incident.assumed
    tree: dict[str, Any] = {"schema": 1}
    tree["incident"] = _row(TABLES["incident"], incident, assumed, "")
    for name in LISTS:
        rows = _rows(TABLES[name], getattr(incident, name), assumed, "")
        if rows:
            tree[name] = rows
    for name in ("uncertainty", "priorities"):
        row = _row(TABLES[name], getattr(incident, name), assumed, "")
        if row:
            tree[name] = row
    return tree


def row_label(table: Table, tag: object, index: int, owner: str = "") -> str:
    """Return what a row is called in faults and assumptions: its tag, or ``#3``."""
    return str(tag) if table.key and tag is not None else f"{owner} #{index}".strip()


def _rows(table: Table, items: Iterable[object], assumed: Assumed, owner: str) -> list[Any]:
    rows = []
    for index, item in enumerate(items, start=1):
        label = row_label(table, getattr(item, table.key or "tag", None), index, owner)
        row = _row(table, item, assumed, label)
        if row or table.key == "":
            rows.append(row)
    return rows


def _row(table: Table, item: object, assumed: Assumed, label: str) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for field in table.fields:
        attribute = ATTRIBUTES.get(field.name, field.name)
        if (table.name, label, field.name) in assumed or not hasattr(item, attribute):
            continue
        value = getattr(item, attribute)
        if isinstance(item, Phase | Option) and field.name in {"flow_lpm", "phases"}:
            _put_flow(row, item, field)
        elif value is not None and value != ():
            _put(row, field, value, assumed, label)
        elif value == () and field.name == "options":
            row["options"] = []
    return row


def _put_flow(row: dict[str, Any], item: Phase | Option, field: Field) -> None:
    """Write the flow of a phase; an option of one plain phase is written with its flow alone."""
    if isinstance(item, Phase):
        row["flow_lpm"] = item.flow_lpm
        return
    is_plain = item.phases == (Phase(item.flow_lpm),)
    if field.name == "flow_lpm" and is_plain:
        row["flow_lpm"] = item.flow_lpm
    elif field.name == "phases" and not is_plain:
        row["phases"] = _rows(TABLES["phases"], item.phases, frozenset(), "")


def _put(row: dict[str, Any], field: Field, value: object, assumed: Assumed, label: str) -> None:
    if isinstance(value, Pressure):
        row[f"{field.name}_{value.unit}"] = value.value
    elif isinstance(value, Temperature):
        row[f"{field.name}_{value.unit.lower()}"] = value.value
    elif field.kind is Kind.ROW:
        row[field.name] = _row(TABLES[field.table], value, assumed, label)
    elif field.kind is Kind.ROWS and isinstance(value, tuple):
        row[field.name] = _rows(TABLES[field.table], value, assumed, label)
    else:
        row[field.name] = _plain(field, value)


def _plain(field: Field, value: object) -> Any:
    if isinstance(value, ThreePoint):
        return value.p50_min if value.is_fixed else [value.p10_min, value.p50_min, value.p90_min]
    if field.kind is Kind.CARRY and isinstance(value, tuple):
        return dict(value)
    if isinstance(value, tuple):
        return list(value)
    if isinstance(value, datetime | date | str | bool | int | float):
        return value
    raise TypeError(f"no file form for field {field.name}: {type(value).__name__}")
