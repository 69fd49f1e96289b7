"""From raw rows (TOML, JSON, CSV) to typed rows by the field tables, collecting every fault.

Nothing here knows what an incident is; :mod:`planner.fields` says what each field may hold. A
row that has faults is still returned with its good values, so that the cross-checks can go on
and everything wrong is told at once.
"""

from __future__ import annotations

import difflib
import math
import unicodedata
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from itertools import islice
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.fields import MAX_ROWS, MAX_TAG, MAX_TEXT, TABLES, Field, Kind, Presence, Table
from planner.incident import ThreePoint
from planner.units import Pressure, Temperature

SHOWN: Final = 60
MAX_FAULTS: Final = 500  # a file with more is the wrong file, and a list of more is not read
MAX_COMPARED: Final = 300  # names looked at for the nearest one
LONG_TEXTS: Final = frozenset({"note"})
JOINERS: Final = frozenset("\u200c\u200d")  # needed to write several scripts
THREE_POINTS: Final = "one number, or [1 in 10 sooner than, as likely as not by, 9 in 10 by]"
FORMULA: Final = "=+-@"  # a CSV cell that begins so is run as a formula by spreadsheets


class Unfit(Exception):  # noqa: N818 - a signal inside this module, never shown
    """A value does not fit its field."""

    def __init__(self, allowed: str, mend: str) -> None:
        self.allowed, self.mend = allowed, mend
        super().__init__(allowed)


@dataclass(slots=True)
class Row:
    """A row while it is being read: good values by field name, and what was left out.

    ``raw_names`` maps each field that was given to the spelling used in the file; ``file`` is
    the file in which it stands (a CSV file has its own).
    """

    table: Table
    label: str
    values: dict[str, Any] = field(default_factory=dict)
    assumed: set[str] = field(default_factory=set)
    raw_names: dict[str, str] = field(default_factory=dict)
    file: str = ""

    def get(self, name: str) -> Any:
        """Return the value of a field, or None when it is absent or faulty."""
        return self.values.get(name)


def shown(value: object) -> str:
    """Return a value as its file has it, short and printable: escapes stay visible."""
    try:
        text = _written(value)
    except (ValueError, RecursionError):
        text = "a value too large to show"
    return text if len(text) <= SHOWN else text[: SHOWN - 3] + "..."


def _written(value: object) -> str:  # noqa: PLR0911 - one line a kind of value
    if isinstance(value, ThreePoint):
        points = [value.p10_min, value.p50_min, value.p90_min]
        return _written(points[0] if value.is_fixed else points)
    if isinstance(value, list | tuple):
        if value and isinstance(value[0], Row):
            return f"{len(value)} of them"
        return "[" + ", ".join(map(_written, value[:SHOWN])) + "]" if value else "an empty list"
    if isinstance(value, Mapping):
        return "a table"
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, Pressure | Temperature):
        return f"{value.value:g} {value.unit}"
    if isinstance(value, date | time):
        return value.isoformat()
    return repr(value)


def printable(name: str) -> str:
    """Return a name for use in a fault: no quotes, control characters visible, short."""
    return shown(name).strip("'\"")


def listed(names: Iterable[str]) -> str:
    """Return names on one line, each once, cut after the eighth."""
    known = list(dict.fromkeys(names))
    comma = "; " if any("," in name for name in known) else ", "
    return comma.join(known[:8]) + (f" and {len(known) - 8} more" if len(known) > 8 else "")


def nearest(name: str, known: Collection[str]) -> str:
    """Return a hint naming the known name closest to ``name``, capitals aside, or ""."""
    names = {each.casefold(): each for each in islice(known, MAX_COMPARED)}
    close = difflib.get_close_matches(name[:80].casefold(), names, n=1, cutoff=0.6)
    return f"Did you mean {names[close[0]]}?" if close else ""


def text_fault(text: str, limit: int) -> tuple[str, str] | None:
    """Return what is allowed and the mend when a text may not be used, else None."""
    if len(text) > limit:
        return f"at most {limit} characters", f"Shorten it (it has {len(text)})."
    for char in text:
        category = unicodedata.category(char)
        if category in {"Cc", "Cs", "Co", "Zl", "Zp"} or (category == "Cf" and char not in JOINERS):
            return (
                "printable text without control characters or escape sequences",
                f"Remove the character U+{ord(char):04X}.",
            )
    bare = "".join(char for char in text if char not in JOINERS).strip()
    if not bare:
        return "a text that is not empty", "Write something or leave the field out."
    if bare[0] in FORMULA:
        return (
            "a text that does not begin with " + " ".join(FORMULA),
            "Begin with a letter or digit: a spreadsheet would take it for a formula.",
        )
    return None


def _limits(field_: Field) -> str:
    unit = f" {field_.unit}" if field_.unit else ""
    if field_.low is None or field_.high is None:
        return "a finite number" + unit
    return f"{field_.low:g} to {field_.high:g}{unit}"


def _number(field_: Field, raw: object) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise Unfit(_limits(field_), "Write a plain number without quotes or units.")
    try:
        value = float(raw)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise Unfit(_limits(field_), "Write a finite number.")
    if (field_.low is not None and value < field_.low) or (
        field_.high is not None and value > field_.high
    ):
        raise Unfit(_limits(field_), f"Check the digits{' and the unit' * bool(field_.unit)}.")
    return value + 0.0  # no negative zero, so that equal incidents have equal texts


def _whole(field_: Field, raw: object) -> int:
    value = _number(field_, raw)
    if value != int(value):
        raise Unfit("a whole number, " + _limits(field_), "Remove the decimals.")
    return int(value)


def _text(field_: Field, raw: object) -> str:
    if not isinstance(raw, str):
        raise Unfit("a text", f'Put it in quotes: {field_.name} = "...".')
    bad = text_fault(raw, MAX_TEXT if field_.name in LONG_TEXTS else MAX_TAG)
    if bad:
        raise Unfit(*bad)
    text = raw.strip()
    if field_.choices and text not in field_.choices:
        lowered = text.lower()
        if lowered in field_.choices:
            return lowered
        mend = nearest(lowered, field_.choices) or "Write one of these words."
        raise Unfit("one of " + ", ".join(field_.choices), mend)
    return text


def _flag(_: Field, raw: object) -> bool:
    if not isinstance(raw, bool):
        raise Unfit("true or false", "Write true or false without quotes.")
    return raw


def _clock(_: Field, raw: object) -> datetime:
    example = "Write it like 2027-02-14T13:20:00."
    if isinstance(raw, str):
        try:
            raw = datetime.fromisoformat(raw if len(raw) > len("2027-02-14") else "")
        except ValueError:
            raise Unfit("a date and local time", example) from None
    if not isinstance(raw, datetime):
        raise Unfit("a date and local time", example)
    if raw.tzinfo is not None:
        raise Unfit("a local time without time zone", example)
    if not 1900 <= raw.year <= 2200:
        raise Unfit("a year from 1900 to 2200", example)
    return raw


def _date(_: Field, raw: object) -> date:
    example = "Write it like 2027-02-14."
    if isinstance(raw, str):
        try:
            raw = date.fromisoformat(raw)
        except ValueError:
            raise Unfit("a date", example) from None
    if isinstance(raw, datetime) or not isinstance(raw, date):
        raise Unfit("a date", example)
    return raw


def _three_point(field_: Field, raw: object) -> ThreePoint:
    points = raw if isinstance(raw, list) else [raw, raw, raw]
    shape = f"{THREE_POINTS}, each {_limits(field_)}"
    if len(points) != 3:
        raise Unfit(shape, "Give one number, or three in square brackets.")
    try:
        low, mid, high = (_number(field_, point) for point in points)
    except Unfit as unfit:
        raise Unfit(shape, unfit.mend) from None
    if not low <= mid <= high:
        words = "the soonest time first and the latest last"
        raise Unfit(words, "Put the three numbers in rising order.")
    if low == 0 < high:
        raise Unfit(
            "a first number above 0 when the time is uncertain",
            "Write a small number such as 1 in its place.",
        )
    return ThreePoint(low, mid, high)


def _numbers(field_: Field, raw: object) -> tuple[float, ...]:
    if not isinstance(raw, list) or not raw:
        raise Unfit("a list of numbers, each " + _limits(field_), "Write it like [2, 6, 15].")
    if len(raw) > 50:
        raise Unfit("at most 50 numbers", "Shorten the list.")
    return tuple(_number(field_, item) for item in raw)


def _texts(field_: Field, raw: object) -> tuple[str, ...]:
    if not isinstance(raw, list) or not raw:
        raise Unfit("a list of texts", 'Write it like ["D-03", "D-04"].')
    if len(raw) > 500:
        raise Unfit("at most 500 texts", "Split the row.")
    return tuple(_text(field_, item) for item in raw)


def _carry(field_: Field, raw: object) -> tuple[tuple[str, float], ...]:
    if not isinstance(raw, dict):
        raise Unfit("minutes by place, each " + _limits(field_), "Write it like { hut = 14 }.")
    pairs = tuple((_text(field_, name), _number(field_, minutes)) for name, minutes in raw.items())
    if len(dict(pairs)) < len(pairs):
        raise Unfit("each place once", "Two names differ only in blanks: keep one.")
    return pairs


def _measured(field_: Field, raw: object, unit: str) -> Pressure | Temperature:
    """Read a pressure or temperature in the unit of its spelling; limits are in psi and C."""
    wide = Field(field_.name, Kind.NUMBER, "", low=None, high=None)
    low, high = field_.low or 0.0, field_.high or 0.0
    value: Pressure | Temperature
    if unit in {"psi", "bar"}:
        allowed = f"{low:g} to {high:g} psi ({Pressure(low, 'psi').bar:.0f} to " + (
            f"{Pressure(high, 'psi').bar:.0f} bar)"
        )
    else:
        allowed = f"{low:g} to {high:g} C ({Temperature(low, 'C').f:.0f} to " + (
            f"{Temperature(high, 'C').f:.0f} F)"
        )
    try:
        number = _number(wide, raw)
    except Unfit as unfit:
        raise Unfit(allowed, unfit.mend) from None
    try:
        if unit in {"psi", "bar"}:
            value = Pressure(number, "psi" if unit == "psi" else "bar")
            measured = value.psi
        else:
            value = Temperature(number, "C" if unit == "c" else "F")
            measured = value.c
    except ValueError:  # below absolute zero
        measured = math.nan
    if not low <= measured <= high:
        raise Unfit(allowed, "Check the digits and the unit.")
    return value


READERS: Final[Mapping[Kind, Callable[[Field, object], object]]] = {
    Kind.TEXT: _text,
    Kind.NUMBER: _number,
    Kind.WHOLE: _whole,
    Kind.FLAG: _flag,
    Kind.CLOCK: _clock,
    Kind.DATE: _date,
    Kind.THREE_POINT: _three_point,
    Kind.NUMBERS: _numbers,
    Kind.TEXTS: _texts,
    Kind.CARRY: _carry,
}


class Intake:
    """Reads rows of one file and gathers its faults.

    ``csv_files`` names the CSV file of each table that does not stand in the file itself.
    """

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []
        self.csv_files: dict[str, str] = {}

    def add(self, fault: Fault) -> None:
        """Add a fault; after `MAX_FAULTS` of them reading ends there.

        Raises
        ------
        InputError
            With all of them and a last one that says so.
        """
        self.faults.append(fault)
        if len(self.faults) >= MAX_FAULTS:
            raise InputError((*self.faults, too_many(self.file)))

    def note(self, table: str, row: str, field_: str, value: object, unfit: Unfit) -> None:
        """Add a fault about a value."""
        received = shown(value)
        self.add(Fault(self.file, table, row, field_, received, unfit.allowed, unfit.mend))

    def rows(self, table: Table, raw: object, owner: str = "") -> list[Row]:
        """Read all rows of a table; what is no list of tables is a fault."""
        form = "{ ... }" if owner else f"[[{table.name}]]"
        shape = Unfit(f"rows of {table.name}", f"Write each as {form}.")
        if not isinstance(raw, list):
            self.note(table.name, owner, "", raw, shape)
            return []
        if len(raw) > MAX_ROWS:
            unfit = Unfit(f"at most {MAX_ROWS} rows", "Split the incident.")
            received = f"{len(raw)} rows"
            self.add(Fault(self.file, table.name, owner, "", received, unfit.allowed, unfit.mend))
            return []
        rows = []
        for index, item in enumerate(raw, start=1):
            label = f"{owner} #{index}".strip()
            if not isinstance(item, dict):
                self.note(table.name, label, "", item, shape)
                continue
            rows.append(self.row(table, item, label))
        return rows

    def row(self, table: Table, raw: Mapping[str, object], label: str) -> Row:
        """Read one row of a table."""
        tag = raw.get(table.key) if table.key and not table.is_single else None
        if isinstance(tag, str) and text_fault(tag, MAX_TAG) is None:
            label = tag.strip()
        row = Row(table, label, file=self.file)
        spelled = {name: f for f in table.fields for name in f.spellings}
        for name, value in raw.items():
            if name not in spelled:
                known = list(spelled)
                mend = nearest(name, known) or "Known: " + ", ".join(known) + "."
                unfit = Unfit(f"a known field of {table.name}", mend)
                self.note(table.name, label, printable(name) or "no name", value, unfit)
                continue
            self._value(row, spelled[name], name, value)
        for field_ in table.fields:
            self._absent(row, field_)
        return row

    def _value(self, row: Row, field_: Field, name: str, raw: object) -> None:
        if field_.name in row.raw_names:
            unfit = Unfit("one of " + " or ".join(field_.spellings), "Keep one of the two.")
            self.note(row.table.name, row.label, name, raw, unfit)
            return
        row.raw_names[field_.name] = name
        try:
            if field_.kind in {Kind.PRESSURE, Kind.TEMPERATURE}:
                row.values[field_.name] = _measured(field_, raw, name.rsplit("_", 1)[1])
            elif field_.kind is Kind.ROWS:
                if not isinstance(raw, list):
                    raise Unfit("a list of rows", f"Write it like {field_.name} = [{{ ... }}].")
                row.values[field_.name] = self.rows(TABLES[field_.table], raw, row.label)
            elif field_.kind is Kind.ROW:
                if not isinstance(raw, dict):
                    raise Unfit("a table", f"Write it like {field_.name} = {{ ... }}.")
                row.values[field_.name] = self.row(TABLES[field_.table], raw, row.label)
            else:
                row.values[field_.name] = READERS[field_.kind](field_, raw)
        except Unfit as unfit:
            self.note(row.table.name, row.label, name, raw, unfit)

    def _absent(self, row: Row, field_: Field) -> None:
        if field_.name in row.raw_names:
            return
        if field_.presence is Presence.REQUIRED:
            spelling = " or ".join(field_.spellings)
            self.add(
                Fault(
                    self.file, row.table.name, row.label, spelling, "nothing",
                    ", ".join(field_.choices) or _expected(field_),
                    f"Add it. {field_.help}",
                )
            )  # fmt: skip
        elif field_.presence is Presence.DEFAULTED:
            row.values[field_.name] = field_.default
            row.assumed.add(field_.name)
            if field_.kind is Kind.THREE_POINT and isinstance(field_.default, tuple):
                row.values[field_.name] = ThreePoint(*field_.default)


def too_many(file: str) -> Fault:
    """Return the last fault of a list that was cut."""
    allowed = f"fewer than {MAX_FAULTS} faults at a time"
    return Fault(file, "", "", "", "more faults than are shown", allowed, "Mend these first.")


def _expected(field_: Field) -> str:
    if field_.kind in {Kind.NUMBER, Kind.WHOLE}:
        return _limits(field_)
    if field_.kind is Kind.THREE_POINT:
        return f"{THREE_POINTS}, each {_limits(field_)}"
    if field_.kind is Kind.PRESSURE:
        return f"{_limits(field_)} psi"
    return f"a {field_.kind.value}"
