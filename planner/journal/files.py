"""A journal in and out of files: CSV for people with a spreadsheet, JSON with a checksum.

The functions take and give texts; nothing here touches a disk. A text that cannot be used raises
:class:`planner.errors.InputError` with every fault in it.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from io import StringIO
from typing import Any, Final

from planner.banner import BANNER
from planner.errors import Fault, InputError
from planner.fields import Field, Kind, Table
from planner.fields.kinds import required
from planner.files import MAX_BYTES, parse_text, raw_cell
from planner.intake import Intake, nearest, printable, shown
from planner.journal.cells import (
    COLUMNS,
    NOTICE,
    measure_cell,
    measure_text,
    minutes_of_clock,
    number_cell,
    tags_cell,
    tags_of,
)
from planner.journal.events import WORDS, Journal, LogEntry, entry_faults
from planner.journal.trees import ENTRY, FREE_TEXTS, TAG_LISTS, entry_from, entry_tree
from planner.spreadsheet import harmless, plain
from planner.store.canonical import content_of
from planner.units import Pressure, Temperature, clock, parse_pressure, parse_temperature

SCHEMA: Final = 1
MAX_ENTRIES: Final = 20_000  # four times the log that must replay in a second; our own
HEADER: Final = Table(
    "journal",
    "Journal",
    (
        required("schema", Kind.WHOLE, "Write schema = 1.", low=SCHEMA, high=SCHEMA),
        required("kind", Kind.TEXT, "Say what the file is.", choices=("journal",)),
        required("name", Kind.TEXT, "Give the log a name."),
        required("start", Kind.CLOCK, "Say the date and time of minute 0."),
        Field("notice", Kind.TEXT, "What every file of this aid says."),
    ),
    is_single=True,
)
MAX_SHOWN_MIN: Final = 100_000.0  # beyond it at_min is a fault of its own
_GAUGES: Final = ("gauge", "gauge_plus_minus")
_KINDS: Final[Mapping[str, Kind]] = {field.name: field.kind for field in ENTRY.fields}


# ----- JSON -------------------------------------------------------------------------------------


def journal_tree(journal: Journal) -> dict[str, Any]:
    """Return a journal as the tree of its JSON file, checksum and all."""
    tree: dict[str, Any] = {
        "schema": SCHEMA,
        "kind": "journal",
        "notice": BANNER,
        "name": journal.name,
        "start": journal.start.isoformat(),
        "entries": [entry_tree(entry) for entry in journal.entries],
    }
    return {**tree, "sha256": checksum(tree)}


def json_text(journal: Journal) -> str:
    """Return a journal as the text of a JSON file that reads back as the same."""
    return json.dumps(journal_tree(journal), indent=1, ensure_ascii=False) + "\n"


def checksum(tree: Mapping[str, object]) -> str:
    """Return the SHA-256 of a journal's tree, whatever its ``sha256`` says.

    Taken over the canonical text: keys sorted, nothing spaced, whole numbers without decimals.

    Raises
    ------
    InputError
        When the tree holds what no text can carry.
    """
    return content_of(
        {name: _whole_as_int(value) for name, value in tree.items() if name != "sha256"}
    ).digest


def journal_from_json(text: str, file: str = "") -> Journal:
    """Read a journal from the text of a JSON file.

    Raises
    ------
    InputError
        With every fault, a checksum that does not fit among them.
    """
    _check_size(text, file)
    return journal_from(parse_text(text, file, is_json=True), file)


def journal_from(tree: Mapping[str, object], file: str = "") -> Journal:
    """Read a journal from the tree of a JSON file; raises as :func:`journal_from_json` does."""
    intake = Intake(file)
    apart = ("entries", "sha256")
    header = intake.row(HEADER, {k: v for k, v in tree.items() if k not in apart}, "")
    _check_sum(tree, intake)
    raw = tree.get("entries")
    if not isinstance(raw, list):
        words = ("a list of entries", 'Write "entries": [ ... ].')
        intake.add(Fault(file, "journal", "", "entries", shown(raw), *words))
        raw = []
    _check_count(len(raw), intake)
    entries = []
    for number, item in enumerate(raw, start=1):
        if not isinstance(item, Mapping):
            words = ("a table", "Write each entry as { ... }.")
            intake.add(Fault(file, ENTRY.name, f"#{number}", "", shown(item), *words))
            continue
        entries.append(entry_from(item, f"#{number}", intake))
    good = _checked(entries, intake)
    return Journal(header.get("name"), header.get("start"), good)


def _check_sum(tree: Mapping[str, object], intake: Intake) -> None:
    try:
        found = checksum(tree)
    except InputError as error:
        for fault in error.faults:
            intake.add(fault)
        return
    if tree.get("sha256") != found:
        intake.add(
            Fault(
                intake.file, "journal", "", "sha256", shown(tree.get("sha256")),
                f"the checksum of what the file holds, {found}",
                "The file was changed or cut after it was written. Take another copy; or, if the"
                " change is meant, put this checksum in.",
            )
        )  # fmt: skip


def _whole_as_int(value: object) -> object:
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, Mapping):
        return {name: _whole_as_int(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [_whole_as_int(item) for item in value]
    return value


# ----- CSV --------------------------------------------------------------------------------------


def csv_text(entries: Iterable[LogEntry], start: datetime, *, is_semicolon: bool = False) -> str:
    """Return entries as CSV: the columns of the printed log, then what it has no room for.

    Parameters
    ----------
    entries : iterable of LogEntry
        In any order; rows keep it.
    start : datetime
        Clock time of minute 0, for the column of clock times.
    is_semicolon : bool
        Semicolons between cells and decimal commas, for spreadsheets of countries that write so.
    """
    stream = StringIO(newline="")
    writer = csv.writer(stream, delimiter=";" if is_semicolon else ",", lineterminator="\r\n")
    writer.writerow((*COLUMNS, NOTICE))
    for entry in entries:
        cells = _cells(entry, start, is_semicolon=is_semicolon)
        writer.writerow((*(cells.get(name, "") for name in COLUMNS), BANNER))
    return "\ufeff" + stream.getvalue()  # the mark tells a spreadsheet that it is UTF-8


def _cells(entry: LogEntry, start: datetime, *, is_semicolon: bool) -> dict[str, str]:
    cells = {"clock": clock(start, entry.at_min), "event": WORDS[type(entry.event)]}
    for owner in (entry, entry.event):
        for field in fields(owner):
            value = getattr(owner, field.name)
            if value is None or value == () or field.name == "event":
                continue
            if isinstance(value, Pressure | Temperature):
                text = harmless(measure_cell(value, is_semicolon=is_semicolon))
            elif isinstance(value, float | int):
                text = number_cell(value, is_semicolon=is_semicolon)
            else:
                text = harmless(tags_cell(value) if isinstance(value, tuple) else value)
            name = field.name.removesuffix("s") if field.name in TAG_LISTS else field.name
            cells[name] = text
    return cells


def entries_from_csv(text: str, start: datetime, file: str = "") -> tuple[LogEntry, ...]:
    """Read entries from CSV with the columns that :func:`csv_text` writes, in any order.

    Columns may be missing. Without ``at_min`` a clock time is the first such time at or after the
    start, or has its date before it; without ``id`` an entry is called after its line. A log that
    was written by hand belongs in :mod:`planner.journal.reading_log`.

    Raises
    ------
    InputError
        With every fault.
    """
    _check_size(text, file)
    intake = Intake(file)
    entries = []
    for line, cells, has_decimal_comma in _lines(text.removeprefix("\ufeff"), intake):
        before = len(intake.faults)
        raw = _raw(cells, f"line {line}", intake, has_decimal_comma=has_decimal_comma)
        _place_in_time(raw, start, f"line {line}", intake)
        raw.setdefault("id", f"line {line}")
        entry = entry_from(raw, f"line {line}", intake)
        entries.append(entry if len(intake.faults) == before else None)
    _check_count(len(entries), intake)
    return _checked(entries, intake)


def table_rows(text: str, file: str = "") -> tuple[tuple[int, dict[str, str]], ...]:
    """Return the rows of a log's CSV as line number and cells by column, nothing read yet.

    Raises
    ------
    InputError
        When it is no CSV table with known columns.
    """
    _check_size(text, file)
    intake = Intake(file)
    rows = tuple((n, cells) for n, cells, _ in _lines(text.removeprefix("\ufeff"), intake))
    if intake.faults:
        raise InputError(intake.faults)
    return rows


def _lines(text: str, intake: Intake) -> list[tuple[int, dict[str, str], bool]]:
    """Return line number, cells by column and whether decimals have a comma."""
    header = text.split("\n", 1)[0]
    mark = max(",;\t", key=header.count)
    reader = csv.reader(StringIO(text, newline=""), delimiter=mark, strict=True)
    rows = []
    try:
        names = next(reader, [])
        if not _is_header(names):
            intake.add(Fault(intake.file, "entries", "line 1", "", *_no_header(header, names)))
            return []
        columns = _columns(names, intake)
        for cells in reader:
            line = f"line {reader.line_num}"
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(columns):
                mend = "Put a cell that holds a separator in double quotes; keep empty cells."
                allowed = f"{len(columns)} cells, as in the first line"
                words = (f"{len(cells)} cells", allowed, mend)
                intake.add(Fault(intake.file, "entries", line, "", *words))
                continue
            named = {
                name: held
                for name, cell in zip(columns, cells, strict=True)
                if name and (held := plain(cell.strip()).strip())
            }
            if named:
                rows.append((reader.line_num, named, mark == ";"))
    except csv.Error as error:
        words = (
            f"{error} in line {reader.line_num}", "a CSV table with a header line",
            "Look for a double quote that is not closed, or export it again.",
        )  # fmt: skip
        intake.add(Fault(intake.file, "entries", "", "", *words))
    return rows


def _is_header(cells: Sequence[str]) -> bool:
    """Say whether half of the names at least are a log's; it may be a table of something else."""
    names = [cell.strip().lower() for cell in cells if cell.strip()]
    known = sum(name in COLUMNS or nearest(name, COLUMNS) != "" for name in names)
    return bool(names) and 2 * known >= len(names)


def _no_header(header: str, names: Sequence[str]) -> tuple[str, str, str]:
    is_empty = not any(cell.strip() for cell in names)
    mend = f"Begin with a line of column names: {', '.join(COLUMNS[:4])}, ..."
    return "nothing" if is_empty else shown(header), "a header line", mend


def _columns(header: Sequence[str], intake: Intake) -> list[str]:
    """Return the columns' names, empty for those that are not read; wrong ones are faults."""
    names = [cell.strip().lower() for cell in header]
    known = (*COLUMNS, NOTICE)
    for index, name in enumerate(names):
        if name and name not in known:
            mend = nearest(name, known) or "Known: " + ", ".join(COLUMNS) + "."
            words = ("a column", "a known column of the log", mend)
            intake.add(Fault(intake.file, "entries", "line 1", printable(name), *words))
        elif name and name in names[:index]:
            words = ("a column of that name again", "each column once", "Remove one of them.")
            intake.add(Fault(intake.file, "entries", "line 1", printable(name), *words))
    return [name if name in COLUMNS else "" for name in names]


def _raw(
    cells: Mapping[str, str], label: str, intake: Intake, *, has_decimal_comma: bool
) -> dict[str, object]:
    """Return cells as the raw values that a JSON file would hold."""
    is_delivery = cells.get("event", "").lower() == "resupply arrived"
    raw: dict[str, object] = {}
    for name, cell in cells.items():
        if name in _GAUGES or name == "temperature":
            _measure(name, measure_text(cell) if has_decimal_comma else cell, raw, label, intake)
        elif is_delivery and f"{name}s" in TAG_LISTS:
            raw[f"{name}s"] = tags_of(cell)
        elif name in FREE_TEXTS or name == "clock":
            raw[name] = cell
        else:
            raw[name] = raw_cell(_KINDS[name], cell, has_decimal_comma=has_decimal_comma)
    return raw


def _measure(name: str, cell: str, raw: dict[str, object], label: str, intake: Intake) -> None:
    try:
        read = parse_temperature(cell) if name == "temperature" else parse_pressure(cell)
    except ValueError:
        units = "C or F, such as -7C" if name == "temperature" else "psi or bar, such as 1850psi"
        words = (shown(cell), f"a number and its unit, {units}", "Write number and unit.")
        intake.add(Fault(intake.file, ENTRY.name, label, name, *words))
        raw.pop(name, None)
        return
    raw[f"{name}_{read.unit.lower()}"] = read.value


def _place_in_time(raw: dict[str, object], start: datetime, label: str, intake: Intake) -> None:
    """Put ``at_min`` for a clock time, or see that both say the same."""
    cell = raw.pop("clock", None)
    if cell is None:
        return
    at_min = raw.get("at_min")
    read_min = minutes_of_clock(str(cell), start)
    if read_min is None:
        words = ("a time such as 14:06, or with its date 2027-02-14 14:06", "Write it so.")
        intake.add(Fault(intake.file, ENTRY.name, label, "clock", shown(cell), *words))
        raw.setdefault("at_min", 0.0)  # one fault is enough
    elif at_min is None:
        raw["at_min"] = read_min
    elif isinstance(at_min, float) and abs(at_min) <= MAX_SHOWN_MIN:
        there = clock(start, at_min)
        if there not in str(cell):
            words = (f"{there}, as at_min has it", "Mend one of the two, or empty at_min.")
            intake.add(Fault(intake.file, ENTRY.name, label, "clock", shown(cell), *words))


def _checked(entries: Sequence[LogEntry | None], intake: Intake) -> tuple[LogEntry, ...]:
    """Return the entries, or raise every fault."""
    good = tuple(entry for entry in entries if entry is not None)
    # With rows missing, a name that points nowhere may be their fault.
    if len(good) == len(entries) and not intake.faults:
        for fault in entry_faults(good, intake.file):
            intake.add(fault)
    if intake.faults:
        raise InputError(intake.faults)
    return good


def _check_count(number: int, intake: Intake) -> None:
    if number > MAX_ENTRIES:
        words = (f"{number} entries", f"at most {MAX_ENTRIES} entries", "Split the log.")
        intake.add(Fault(intake.file, "entries", "", "", *words))


def _check_size(text: str, file: str) -> None:
    if len(text) > MAX_BYTES or len(text.encode(errors="replace")) > MAX_BYTES:
        words = ("more than 5 MB", "at most 5 MB", "Is it the right file?")
        raise InputError([Fault(file, "", "", "", *words)])
