"""Incident files in and out: TOML, JSON and CSV; parse to faults first, then construct.

Everything that touches the disk for incidents is here. A file that cannot be used raises
:class:`planner.errors.InputError` with every fault in it; files are written whole or not at all.
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
import re
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any, Final

from planner.checks import check
from planner.document import incident_document
from planner.draft import construct, draft_from
from planner.errors import Fault, InputError
from planner.fields import CSV_TABLES, TABLES, Kind
from planner.incident import Incident
from planner.intake import MAX_FAULTS, Intake, nearest, printable, shown, text_fault, too_many
from planner.kinds_of_file import require_kind

MAX_BYTES: Final = 5_000_000
MAX_NAME: Final = 200
SCHEMA: Final = 1


@dataclass(frozen=True, slots=True)
class Reading:
    """An incident together with the warnings found while reading it."""

    incident: Incident
    warnings: tuple[Fault, ...]


def read_incident(path: str | Path) -> Reading:
    """Read an incident from a TOML or JSON file (and the CSV files that it names).

    Parameters
    ----------
    path : str or Path
        File ending in ``.toml`` or ``.json``.

    Returns
    -------
    Reading
        The incident and its warnings.

    Raises
    ------
    InputError
        With every fault found; nothing is half read.
    """
    path = Path(path)
    raw, file = parse_file(path)
    intake = Intake(file)
    for table in CSV_TABLES:
        name = raw.get(table)
        if not isinstance(name, str):
            continue
        raw[table] = []
        try:
            raw[table] = csv_rows(path.parent, name, table, intake)
        except InputError as error:  # told together with what else is wrong
            intake.faults.extend(f for f in error.faults if f not in intake.faults)
    return incident_from(raw, file, intake)


def parse_file(path: str | Path) -> tuple[dict[str, object], str]:
    """Return the plain tree of a TOML or JSON file, and its name as faults show it.

    Raises
    ------
    InputError
        When it cannot be read or parsed.
    """
    path = Path(path)
    file = printable(path.name)
    return parse_text(text_of(path, file), file, path.suffix.lower() == ".json"), file


def incident_from(
    raw: Mapping[str, object], file: str = "", intake: Intake | None = None
) -> Reading:
    """Build an incident from the plain tree of a file.

    Raises
    ------
    InputError
        With every fault found.
    """
    require_kind(raw, "incident", file or (intake.file if intake else ""))
    intake = intake or Intake(file)
    draft = draft_from(raw, intake)
    remarks = tuple(check(draft))
    faults = [*intake.faults, *(r for r in remarks if r.severity == "fault")]
    if faults:
        more = [too_many(intake.file)] if len(faults) > MAX_FAULTS else []
        raise InputError(dict.fromkeys((*faults[:MAX_FAULTS], *more)))
    warnings = tuple(r for r in remarks if r.severity == "warning")
    return Reading(construct(draft), warnings)


def parse_text(text: str, file: str, is_json: bool) -> dict[str, object]:
    """Parse TOML or JSON text to a plain tree.

    Raises
    ------
    InputError
        With one fault saying where the text breaks off.
    """
    kind = "JSON" if is_json else "TOML"
    try:
        tree = json.loads(text, object_pairs_hook=_no_twins) if is_json else _toml(text)
    except RecursionError:
        raise _file_error(
            file, "tables nested very deep", f"{kind} text with a few levels of tables",
            "Is it the right file? Compare it with one of the shipped scenarios.",
        ) from None  # fmt: skip
    except ValueError as error:
        reason = str(error).replace("; use sys.set_int_max_str_digits() to increase the limit", "")
        raise _file_error(
            file, reason[:200], f"{kind} text", "Mend the file there, then try again."
        ) from None
    if not isinstance(tree, dict):
        raise _file_error(
            file, shown(tree), "named tables such as incident and patients",
            'Begin with { "schema": 1, "incident": { ... } }.',
        )  # fmt: skip
    return tree


def _toml(text: str) -> dict[str, Any]:
    if _LONG_KEY.search(text):  # the parser takes quadratic time over these
        raise RecursionError
    return tomllib.loads(text)


def digest(incident: Incident) -> str:
    """Return the SHA-256 of an incident's canonical content, defaults filled in, as hex."""
    tree = incident_document(incident, with_assumed=True)
    text = json.dumps(tree, sort_keys=True, separators=(",", ":"), default=str, ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def incident_text(incident: Incident, *, as_json: bool = False) -> str:
    """Return an incident as the text of a TOML (or JSON) file that reads back as the same."""
    tree = incident_document(incident)
    if as_json:
        return json.dumps(tree, indent=2, default=_iso, ensure_ascii=False) + "\n"
    import tomli_w

    return tomli_w.dumps(tree)


def write_text(path: str | Path, text: str) -> None:
    """Write a file whole or not at all: a temporary file beside it, synced, then renamed."""
    path = Path(path)
    mode = path.stat().st_mode & 0o777 if path.is_file() else 0o644
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".writing-", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        Path(name).chmod(mode)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def write_incident(incident: Incident, path: str | Path) -> None:
    """Write an incident as TOML or JSON by the file's ending."""
    write_text(path, incident_text(incident, as_json=Path(path).suffix.lower() == ".json"))


def csv_text(incident: Incident, table: str) -> str:
    """Return one table (patients or cylinders) as CSV with the file's own field names.

    Cells that hold several values (options, connected) are written as TOML, three-point times as
    ``70/110/170``.
    """
    rows = incident_document(incident).get(table, [])
    kinds = {s: f.kind for f in TABLES[table].fields for s in f.spellings}
    given = {name for row in rows for name in row}
    columns = [name for name in kinds if name in given] or [TABLES[table].key]
    stream = StringIO(newline="")
    writer = csv.DictWriter(stream, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: _cell(kinds[name], v) for name, v in row.items()} for row in rows)
    return stream.getvalue()


def _file_error(file: str, received: str, allowed: str, mend: str, table: str = "") -> InputError:
    return InputError([Fault(file, table, "", "", received, allowed, mend)])


def text_of(path: Path, shown_name: str, table: str = "") -> str:
    """Return the text of a file, lines ended alike.

    Raises
    ------
    InputError
        When it cannot be read, is too large, or is no UTF-8.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a name no file can have
        reason = getattr(error, "strerror", None) or "no such name"
        nothing = f"nothing ({reason[:1].lower()}{reason[1:]})"
        raise _file_error(
            shown_name, nothing, "a file that can be read", "Check name and folder.", table
        ) from None
    if len(data) > MAX_BYTES:
        words = ("more than 5 MB", "at most 5 MB", "Is it the right file?")
        raise _file_error(shown_name, *words, table)
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise _file_error(
            shown_name, f"byte 0x{data[error.start]:02X} in line {line}", "text in UTF-8",
            "Save it again with the encoding UTF-8.", table,
        ) from None  # fmt: skip


def _no_twins(pairs: list[tuple[str, object]]) -> dict[str, object]:
    tree: dict[str, object] = {}
    for name, value in pairs:
        if name in tree:
            raise ValueError(f"the name {shown(name)} stands twice in one table")
        tree[name] = value
    return tree


def _iso(value: object) -> str:
    iso = getattr(value, "isoformat", None)
    if iso is None:
        raise TypeError(f"no JSON form for {type(value).__name__}")
    return str(iso())


def _cell(kind: Kind, value: object) -> object:
    if kind is Kind.THREE_POINT and isinstance(value, list):
        return "/".join(repr(v) for v in value)
    if isinstance(value, list | dict):
        return _inline(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return value


def _inline(value: object) -> str:
    """Write a nested value as one line of TOML, so that it fits a cell."""
    if isinstance(value, dict):
        pairs = ", ".join(f"{name} = {_inline(item)}" for name, item in value.items())
        return f"{{ {pairs} }}" if pairs else "{}"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def csv_rows(folder: Path, name: str, table: str, intake: Intake) -> list[dict[str, Any]]:
    """Read a table from a CSV file beside the incident file; cells become raw values."""
    if Path(name).name != name or name in {"", ".", ".."} or text_fault(name, MAX_NAME):
        raise _file_error(
            intake.file, shown(name), "the name of a CSV file in the same folder",
            f'Put the file beside the incident and write {table} = "{table}.csv".', table,
        )  # fmt: skip
    intake.csv_files[table] = name
    text = text_of(folder / name, name, table)
    header = text.split("\n", 1)[0]
    mark = max(",;\t", key=header.count)
    reader = csv.reader(StringIO(text, newline=""), delimiter=mark, strict=True)
    kinds = {s: f.kind for f in TABLES[table].fields for s in f.spellings}
    rows: list[dict[str, Any]] = []
    try:
        first = next(reader, [])
        columns = _columns(first, table, intake)
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(first):
                intake.add(
                    Fault(name, table, f"line {reader.line_num}", "", f"{len(cells)} cells",
                          f"{len(first)} cells, as in the first line",
                          "Put a cell that holds a separator in double quotes; keep empty cells.")
                )  # fmt: skip
                continue
            rows.append(
                {
                    column: raw_cell(kinds[column], cell.strip(), has_decimal_comma=mark == ";")
                    for column, cell in zip(columns, cells, strict=False)
                    if column in kinds and cell.strip()
                }
            )
    except csv.Error as error:
        raise _file_error(
            name, f"{error} in line {reader.line_num}", "a CSV table with a header line",
            "Look for a double quote that is not closed, or export it again.", table,
        ) from None  # fmt: skip
    return rows


def _columns(header: list[str], table: str, intake: Intake) -> list[str]:
    """Return the column names of a header line; unknown and repeated ones are faults."""
    columns = [cell.strip() for cell in header]
    while columns and not columns[-1]:
        columns.pop()
    known = [spelling for field in TABLES[table].fields for spelling in field.spellings]
    file = intake.csv_files[table]
    if not columns:
        mend = f"Begin with a line of field names: {TABLES[table].key}, ..."
        intake.add(Fault(file, table, "line 1", "", "nothing", "a header line", mend))
    for index, column in enumerate(columns):
        shown_name = printable(column) or "no name"
        if column not in known:
            mend = nearest(column, known) or "Known: " + ", ".join(known) + "."
            allowed = f"a known field of {table}"
            intake.add(Fault(file, table, "line 1", shown_name, "a column", allowed, mend))
        elif column in columns[:index]:
            words = ("a column of that name again", "each column once", "Remove one of them.")
            intake.add(Fault(file, table, "line 1", shown_name, *words))
    return [column if column not in columns[:i] else "" for i, column in enumerate(columns)]


_NUMBER: Final = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?\Z")
_DECIMAL_COMMA: Final = re.compile(r"\A\s*([+-]?\d+),(?!\d{3}\s*\Z)(\d+)\s*\Z")
_LONG_KEY: Final = re.compile(r"""(?<![\w"'-])(?:[\w"'-]++[ \t]*+\.[ \t]*+){40}""")
_NUMERIC: Final = frozenset(
    {Kind.NUMBER, Kind.WHOLE, Kind.PRESSURE, Kind.TEMPERATURE, Kind.THREE_POINT}
)


def raw_cell(kind: Kind, text: str, *, has_decimal_comma: bool = False) -> object:
    """Turn the text of a CSV cell into the raw value a TOML file would hold.

    With ``has_decimal_comma`` ``12,5`` is a number too, as spreadsheets write it that separate
    cells by semicolons; ``1,850`` is not, for nobody can tell which of two numbers it is. What
    cannot be turned stays a text, and the field's own reader then says what is allowed.
    """
    if has_decimal_comma and kind in _NUMERIC:
        text = "/".join(_DECIMAL_COMMA.sub(r"\1.\2", part) for part in text.split("/"))
    if kind is Kind.THREE_POINT and "/" in text:
        parts = [part.strip() for part in text.split("/")]
        return [float(p) if _NUMBER.match(p) else p for p in parts]
    if kind in _NUMERIC:
        return float(text) if _NUMBER.match(text) else text
    if kind is Kind.FLAG:
        return {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}.get(
            text.lower(), text
        )
    if kind in {Kind.ROW, Kind.ROWS, Kind.NUMBERS, Kind.TEXTS, Kind.CARRY}:
        try:
            return _toml(f"cell = {text}")["cell"]
        except (ValueError, RecursionError):
            return text
    return text
