"""Inspection of a stock: what each cylinder should read, what is low, due or missing; restocking.

A stock is a CSV table, one cylinder a row. A full cylinder reads less in the cold with nothing
lost, so each gauge is held against what a full one would read at the temperature of its reading.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from io import StringIO
from typing import Any, Final, Literal

from planner.errors import Fault, InputError
from planner.fields import Field, Kind, Presence, Table
from planner.fields.kinds import required
from planner.files import raw_cell
from planner.gas import content_l, gauge_for_content
from planner.intake import Intake, Row, nearest, printable, shown
from planner.reference import find_size, load_cylinders
from planner.spreadsheet import plain
from planner.units import Pressure, Temperature

FULL, IN_USE, EMPTY = "FULL", "IN USE", "EMPTY"
STATUSES: Final = (FULL, IN_USE, EMPTY)
#: Under this share of what a full one would read it is told as short: common practice, no source.
FULL_SHARE: Final = 0.9
#: Ready-for-service minimum and years between requalifications, where nothing else is said: the
#: first common practice, no source; the second from memory (49 CFR 180.209, five years for most;
#: the stamp on the cylinder and the local rule win).
READY: Final = Pressure(1000.0, "psi")
YEARS: Final = 5
SOON_DAYS: Final = 60  # our own: told that long before it is due
Word = Literal["short", "low", "due", "missing", "odd"]

STOCK: Final = Table(
    "stock",
    "Stock",
    (
        required("tag", Kind.TEXT, "Give the tag written on it."),
        required("size", Kind.TEXT, "Say which size it is, such as D or E."),
        Field("gauge", Kind.PRESSURE, "What the gauge reads.", presence=Presence.REQUIRED,
              low=0, high=3600),
        Field("read_at", Kind.TEMPERATURE, "How cold it was where it was read.",
              presence=Presence.REQUIRED, low=-50, high=60),
        Field("status", Kind.TEXT, "What its label says.", choices=STATUSES),
        Field("place", Kind.TEXT, "Where it lies."),
        Field("seal", Kind.FLAG, "Whether the seal is whole."),
        Field("washer", Kind.FLAG, "Whether a new washer lies with it."),
        Field("key", Kind.FLAG, "Whether a key lies with it."),
        Field("requalified_on", Kind.DATE, "The date of the last requalification stamp."),
        Field("note", Kind.TEXT, "Anything else."),
    ),
    key="tag",
)  # fmt: skip
WANTED: Final = Table(
    "wanted",
    "Wanted stock",
    (
        required("size", Kind.TEXT, "Say which size."),
        required("count", Kind.WHOLE, "Say how many are wanted, full.", low=0, high=500),
        Field("place", Kind.TEXT, "Where they are to lie; left out: anywhere."),
    ),
)


@dataclass(frozen=True, slots=True)
class Rules:
    """What readings are held against."""

    on: date
    ready: Pressure = READY
    safe_residual: Pressure = Pressure(200.0, "psi")
    years: int = YEARS


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing about a cylinder or the stock: ``word`` says of which kind, ``text`` what."""

    word: Word
    text: str


@dataclass(frozen=True, slots=True)
class Inspected:
    """One cylinder as it was found.

    Parameters
    ----------
    tag, size, place, status, note : str
    gauge : Pressure
    read_at : Temperature
    full : Pressure
        What a full one would read at that temperature, in the reading's unit.
    litres : float
        What it holds [70 F, 1 atm, from vacuum].
    due_on : date or None
        When it is to be requalified.
    remarks : tuple of Remark
    """

    tag: str
    size: str
    place: str
    status: str
    note: str
    gauge: Pressure
    read_at: Temperature
    full: Pressure
    litres: float
    due_on: date | None
    remarks: tuple[Remark, ...]

    @property
    def is_ready(self) -> bool:
        """Whether it can be sent out: nothing short, low, due by now or missing."""
        return not any(r.word in {"short", "low", "due", "missing"} for r in self.remarks)


@dataclass(frozen=True, slots=True)
class Wanted:
    """So many full ones of a size, at a place or anywhere."""

    size: str
    count: int
    place: str


@dataclass(frozen=True, slots=True)
class Inspection:
    """A stock as it was found, and what is to be brought."""

    on: date
    cylinders: tuple[Inspected, ...]
    restock: tuple[Remark, ...]


def inspect(rows: Sequence[Row], wanted: Sequence[Wanted], rules: Rules) -> Inspection:
    """Hold every cylinder against the rules, and the ready ones against what is wanted.

    Parameters
    ----------
    rows : sequence of Row
        As :func:`stock_rows` gave them.
    wanted : sequence of Wanted
    rules : Rules
    """
    found = tuple(_inspected(row, rules) for row in rows)
    return Inspection(rules.on, found, tuple(_restock(found, wanted)))


def full_gauge(size: str, at: Temperature) -> Pressure:
    """Return what a full cylinder of a size reads at a temperature, real gas [psi]."""
    kind = find_size(size)
    if kind is None:
        raise KeyError(size)
    holds = content_l(kind.water_volume_l, kind.service_psi, kind.nominal_at_c)
    return Pressure(float(gauge_for_content(kind.water_volume_l, holds, at.c)), "psi")


def _inspected(row: Row, rules: Rules) -> Inspected:
    kind = find_size(row.get("size"))
    assert kind is not None  # noqa: S101 - stock_rows lets no other through
    gauge, read_at = row.get("gauge"), row.get("read_at")
    full = full_gauge(kind.name, read_at)
    stamped = row.get("requalified_on")
    due_on = None if stamped is None else _years_later(stamped, rules.years)
    return Inspected(
        row.get("tag"), kind.name, row.get("place") or "", row.get("status") or "",
        row.get("note") or "", gauge, read_at, Pressure(full.in_unit(gauge.unit), gauge.unit),
        float(content_l(kind.water_volume_l, gauge.psi, read_at.c)), due_on,
        tuple(_remarks(row, gauge.psi / full.psi, due_on, rules)),
    )  # fmt: skip


def _remarks(row: Row, share: float, due_on: date | None, rules: Rules) -> Iterator[Remark]:
    gauge, status = row.get("gauge"), row.get("status")
    if gauge.psi <= rules.safe_residual.psi:
        yield Remark("low", "empty: at or under the safe residual")
    elif gauge.psi < rules.ready.psi:
        yield Remark("low", "under the ready-for-service minimum")
    elif share < FULL_SHARE:
        yield Remark("short", f"{100 * share:.0f} % of what a full one reads at this temperature")
    if status == FULL and share < FULL_SHARE:
        yield Remark("odd", "labelled FULL and is not")
    if status == EMPTY and share >= FULL_SHARE:
        yield Remark("odd", "labelled EMPTY and is full")
    if status == FULL and row.get("seal") is False:
        yield Remark("missing", "seal broken")
    for name in ("washer", "key"):
        if row.get(name) is False:
            yield Remark("missing", f"no {name} with it")
    if due_on is not None and due_on <= rules.on:
        yield Remark("due", f"requalification was due {due_on:%d %b %Y}")
    elif due_on is not None and (due_on - rules.on).days <= SOON_DAYS:
        yield Remark("odd", f"requalification due {due_on:%d %b %Y}, soon")


def _years_later(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year + years)
    except ValueError:  # 29 February
        return day.replace(year=day.year + years, day=28)


def _restock(found: Sequence[Inspected], wanted: Sequence[Wanted]) -> Iterator[Remark]:
    """Yield how many are short of what is wanted; one that lies at a wanted place goes there."""
    ready = Counter((one.size, one.place) for one in found if one.is_ready)
    for want in sorted(wanted, key=lambda w: w.place == ""):  # places first, anywhere last
        places = [want.place] if want.place else [place for size, place in ready
                                                  if size == want.size]  # fmt: skip
        left = want.count
        for place in places:
            taken = min(left, ready[want.size, place])
            ready[want.size, place] -= taken
            left -= taken
        if left:
            where = f" to {want.place}" if want.place else ""
            yield Remark("short", f"{left} full {want.size}{where}, of {want.count} wanted")


# ----- reading ----------------------------------------------------------------------------------


def stock_rows(text: str, file: str = "") -> tuple[Row, ...]:
    """Return the rows of a stock's CSV.

    Raises
    ------
    InputError
        With every fault in it.
    """
    intake = Intake(file)
    rows = _rows(text, STOCK, intake)
    seen = Counter(row.get("tag") for row in rows)
    for row in rows:
        if row.get("tag") is not None and seen[row.get("tag")] > 1:
            words = (shown(row.get("tag")), "each tag once", "Give each its own.")
            intake.add(Fault(file, "stock", row.label, "tag", *words))
    return _checked(rows, intake, file)


def wanted_from(text: str, file: str = "") -> tuple[Wanted, ...]:
    """Return what is wanted, from its CSV.

    Raises
    ------
    InputError
        With every fault in it.
    """
    intake = Intake(file)
    rows = _checked(_rows(text, WANTED, intake), intake, file)
    names = [find_size(row.get("size")) for row in rows]
    return tuple(
        Wanted(kind.name, row.get("count"), row.get("place") or "")
        for row, kind in zip(rows, names, strict=True) if kind is not None
    )  # fmt: skip


def _checked(rows: Sequence[Row], intake: Intake, file: str) -> tuple[Row, ...]:
    for row in rows:
        size = row.get("size")
        if isinstance(size, str) and find_size(size) is None:
            names = list(load_cylinders())
            words = (shown(size), "a size of the table", nearest(size, names))
            intake.add(Fault(file, row.table.name, row.label, "size", *words))
    if intake.faults:
        raise InputError(intake.faults)
    return tuple(rows)


def _rows(text: str, table: Table, intake: Intake) -> list[Row]:
    kinds = {name: field.kind for field in table.fields for name in field.spellings}
    text = text.removeprefix("\ufeff")
    header = text.split("\n", 1)[0]
    mark = max(",;\t", key=header.count)
    reader = csv.reader(StringIO(text, newline=""), delimiter=mark, strict=True)
    rows: list[Row] = []
    try:
        columns = [cell.strip().lower() for cell in next(reader, [])]
        lacking = [
            " or ".join(field.spellings) for field in table.fields
            if field.presence is Presence.REQUIRED and not set(field.spellings) & set(columns)
        ]  # fmt: skip
        if any(columns) and lacking:
            words = (
                shown(header), f"a header line that has {', '.join(lacking)} too",
                f"Columns are {', '.join(kinds)}.",
            )  # fmt: skip
            intake.add(Fault(intake.file, table.name, "line 1", "", *words))
            return []
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            raw: dict[str, Any] = {
                name: raw_cell(kinds.get(name, Kind.TEXT), plain(cell.strip()),
                               has_decimal_comma=mark == ";")
                for name, cell in zip(columns, cells, strict=False)
                if name and name != "notice" and cell.strip()
            }  # fmt: skip
            label = f"line {reader.line_num}"
            if len(cells) != len(columns):
                words = (f"{len(cells)} cells", f"{len(columns)}, as in the first line", "")
                intake.add(Fault(intake.file, table.name, label, "", *words))
                continue
            rows.append(intake.row(table, _as_asked(raw), label))
    except csv.Error as error:
        words = (printable(str(error)), "a CSV table with a header line", "Export it again.")
        intake.add(Fault(intake.file, table.name, "", "", *words))
    if not rows and not intake.faults:
        words = ("nothing", "a header line and a row for each", "")
        intake.add(Fault(intake.file, table.name, "", "", *words))
    return rows


def _as_asked(raw: Mapping[str, Any]) -> dict[str, Any]:
    """Write a label's words as the choices have them."""
    status = raw.get("status")
    return {**raw, "status": status.upper()} if isinstance(status, str) else dict(raw)


__all__ = [
    "STOCK", "WANTED", "Inspected", "Inspection", "Remark", "Rules",
    "Wanted", "full_gauge", "inspect", "stock_rows", "wanted_from",
]  # fmt: skip
