"""How a cross-check tells a fault, and what it may ask of a draft that has holes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from typing import Protocol

from planner.draft import Draft
from planner.errors import Fault, Severity
from planner.intake import Row, listed, nearest, shown
from planner.reference import (
    DeviceKind,
    load_devices,
    load_protocol,
    options_for,
)
from planner.units import Pressure


class Named(Protocol):
    """A row of a reference table."""

    @property
    def name(self) -> str:
        """Its own name, as files write it."""


def tell(
    draft: Draft, row: Row, field: str, words: tuple[str, str], severity: Severity = "fault"
) -> Fault:
    """Make a fault about a field of a row; ``words`` are what is allowed and the mend."""
    name = row.raw_names.get(field, field)
    value = row.get(field)
    received = "nothing" if value is None else shown(value)
    file = row.file or draft.file
    return Fault(file, row.table.name, row.label, name, received, *words, severity)


def unknown(
    draft: Draft,
    row: Row,
    field: str,
    known: Collection[str],
    find: Callable[[str], Named | None] | None = None,
) -> Iterator[Fault]:
    """Tell a name that is not known; ``find`` looks it up among other words for the same."""
    value = row.get(field)
    if not isinstance(value, str) or value in known:
        return
    other = find(value) if find else None
    name = other.name if other is not None and other.name in known else None
    other_way = "Check the spelling" + ("." if find else ", or add it to this file.")
    mend = f"Write {name}." if name else nearest(value, known) or other_way
    allowed = f"one of {listed(known)}" if known else "one that this file lists: there is none"
    yield tell(draft, row, field, (allowed, mend))


def connected_row(row: Row) -> Iterator[Row]:
    """Yield what a patient's row says is connected, if anything."""
    if row.get("connected") is not None:
        yield row.get("connected")


def plannable() -> dict[str, DeviceKind]:
    """Return the devices that may be put into a plan, by name."""
    return {name: kind for name, kind in load_devices().items() if kind.is_plannable}


def is_readable(draft: Draft, table: str) -> bool:
    """Say whether a table's names are known; they are not when it could not be read at all."""
    return bool(draft.rows[table]) or table not in draft.tables_with_faults


def in_unit(psi: float, given: Pressure) -> str:
    """Return a pressure in the unit in which the user gave another."""
    digits = 0 if given.unit == "psi" else 1
    return f"{Pressure(psi, 'psi').in_unit(given.unit):.{digits}f} {given.unit}"


def flows_text(dial: Iterable[float]) -> str:
    """Return dial settings as text."""
    return ", ".join(f"{flow:g}" for flow in dial)


def options_known(draft: Draft, row: Row) -> list[tuple[str, set[float]]]:
    """Return device and flows of each option of a patient row, as far as it is known."""
    if row.get("triage") == "dead":
        return []
    if row.get("options") is not None:
        return [
            (o.get("device"), {f for p in o.get("phases") or (o,) if (f := p.get("flow_lpm"))})
            for o in row.get("options")
            if o.get("device") is not None
        ]
    found = load_protocol("example").indication(row.get("indication") or "")
    if found is None or row.get("triage") == "expectant":
        return []
    options = options_for(found, row.get("age") or "adult")
    return [(o.device, {o.flow_lpm, *(p.flow_lpm for p in o.phases)}) for o in options]


def wants_oxygen(draft: Draft, row: Row) -> bool:
    """Say whether a patient's row has any oxygen option."""
    return bool(options_known(draft, row))
