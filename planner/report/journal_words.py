"""An oxygen log in words: what was read with every doubt, and what it says is so at a minute."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final

from planner.banner import BANNER
from planner.journal.reading_log import Doubt, LogReading
from planner.journal.states import (
    CylinderByLog,
    GaugeCheck,
    LogState,
    OxygenGap,
    PatientByLog,
    RecordGap,
)
from planner.journal.trees import entry_tree
from planner.report.view import Grid
from planner.report.words import TITLES, counted, joined, when
from planner.units import Pressure

NOTE: Final = (
    "By the record alone: what nobody wrote down may have happened. Expected gauges are real gas "
    "at the flows written down, with a 95 % band."
)


def doubt_line(doubt: Doubt) -> str:
    """Return one doubt: where, what stands there, as what it counts, why."""
    where = f"{doubt.source}, line {doubt.line}" if doubt.line else doubt.source
    written = f" '{doubt.written}'" if doubt.written else ""
    return f"{where}, {doubt.field}{written}: taken as {doubt.taken}. {doubt.why}"


def reading_lines(reading: LogReading) -> Iterator[str]:
    """Yield how much was read, then every doubt."""
    rows = counted(len(reading.entries), "entry", "entries")
    yield f"{rows} read; {counted(len(reading.doubts), 'doubt')}."
    yield from (doubt_line(doubt) for doubt in reading.doubts)


def state_lines(state: LogState, start: datetime, most: int | None = None) -> Iterator[str]:
    """Yield who is without oxygen, what is due, what does not fit, and the gaps.

    ``most`` keeps so many of each of the last three, the latest, and says how many there are.
    """
    for row in state.without:
        about = f" (\u00b1 {row.plus_minus_min:.0f} min)" if row.plus_minus_min else ""
        since = when(start, row.since_min)
        yield f"WITHOUT OXYGEN by the record: {row.patient} since {since}{about}"
    for due in state.due:
        who = joined(due.patients)
        word = "was due" if due.is_past else "due"
        yield (
            f"{due.cylinder} ({who}): change {word} {when(start, due.change_at_min)} "
            f"({when(start, due.early_min)}-{when(start, due.late_min)})"
        )
    odd = [_check_line(check, start) for check in state.checks if check.side is not None]
    yield from _latest(odd, most, "readings that do not fit")
    gaps = [
        f"Gap in oxygen: {gap.patient}, {_span(gap, start)}: {gap.why}"
        for gap in state.oxygen_gaps
    ]  # fmt: skip
    yield from _latest(gaps, most, "gaps in oxygen")
    silences = [
        f"Gap in the record: {silence.patient}"
        f"{f' on {silence.cylinder}' if silence.cylinder else ''}, "
        f"{_span(silence, start)}: {silence.why}"
        for silence in state.record_gaps
    ]
    yield from _latest(silences, most, "gaps in the record")
    others = [
        f"Does not agree ({when(start, other.at_min)}): {other.why}. Taken: {other.taken}"
        for other in state.disagreements
    ]
    yield from _latest(others, most, "places that do not agree")


def _latest(lines: list[str], most: int | None, what: str) -> Iterator[str]:
    """Yield the latest lines, and how many there are where not all are shown."""
    if most is None or len(lines) <= most:
        yield from lines
        return
    yield f"The latest {most} of {len(lines)} {what}:"
    yield from lines[-most:]


def _span(gap: OxygenGap | RecordGap, start: datetime) -> str:
    until = "now" if gap.until_min is None else when(start, gap.until_min)
    return f"{when(start, gap.from_min)} to {until}"


def _check_line(check: GaugeCheck, start: datetime) -> str:
    side = "lower" if check.side == "lower" else "higher"
    extra = ""
    if check.extra_lpm is not None:
        more = "more" if check.extra_lpm > 0 else "less"
        extra = f"; {abs(check.extra_lpm):.0f} L/min {more} than written"
    read, low, high = (
        Pressure(psi, "psi").in_unit(check.unit)
        for psi in (check.read_psi, check.low_psi, check.high_psi)
    )
    return (
        f"{check.cylinder} at {when(start, check.at_min)}: read {read:.0f} {check.unit}, "
        f"{side} than expected ({low:.0f}-{high:.0f}){extra}"
    )


def patients_grid(state: LogState, start: datetime) -> Grid:
    """Return who breathes from what, by the record."""
    return Grid(
        "Patients by the record",
        ("Patient", "Triage", "Place", "Stands", "Since", "From"),
        tuple(_patient(row, start) for row in state.patients),
    )


def _patient(row: PatientByLog, start: datetime) -> tuple[str, ...]:
    source = row.source
    text = ""
    if source is not None:
        flow = "" if source.flow_lpm is None else f" {source.flow_lpm:g} L/min"
        on = "" if source.regulator is None else f" on {source.regulator}"
        text = f"{source.cylinder}{on}, {source.device or 'mask not written'}{flow}"
    triage = "" if row.triage is None else TITLES[row.triage]
    return (row.tag, triage, row.place or "", row.status, when(start, row.since_min), text)


def cylinders_grid(state: LogState, *, is_bar: bool) -> Grid:
    """Return what each cylinder's gauge should read, by the record."""
    unit = "bar" if is_bar else "psi"
    return Grid(
        f"Cylinders by the record, gauges in {unit}",
        ("Cylinder", "Stands", "Place", "With", "Expected", "95 % band"),
        tuple(_cylinder(row, is_bar=is_bar) for row in state.cylinders),
        frozenset({4, 5}),
    )


def _cylinder(row: CylinderByLog, *, is_bar: bool) -> tuple[str, ...]:
    expected, band = row.unknown or "", ""
    if row.expected is not None:
        found = row.expected
        expected, low, high = (
            f"{Pressure(psi, 'psi').in_unit('bar' if is_bar else 'psi'):.0f}"
            for psi in (found.gauge_psi, found.low_psi, found.high_psi)
        )
        band = f"{low}-{high}"
    return (row.tag, row.status, row.place or "", joined(row.patients), expected, band)


def journal_result(
    name: str, reading: LogReading, state: LogState, start: datetime
) -> dict[str, Any]:
    """Return reading and state as plain data."""
    return {
        "schema": 1,
        "kind": "journal state",
        "banner": BANNER,
        "incident": name,
        "start": start.isoformat(),
        "at_min": state.at_min,
        "entries": [entry_tree(entry) for entry in reading.entries],
        "doubts": [
            {"source": d.source, "line": d.line, "field": d.field, "written": d.written,
             "taken": d.taken, "why": d.why, "entry": d.entry, "others": list(d.others)}
            for d in reading.doubts
        ],
        "state": list(state_lines(state, start)),
        "without": [row.patient for row in state.without],
        "note": NOTE,
    }  # fmt: skip
