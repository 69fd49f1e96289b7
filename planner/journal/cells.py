"""Cells of a log's CSV: columns, numbers, clocks, lists of tags; and back."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Final

from planner.journal.columns import LOG_COLUMNS
from planner.units import Pressure, Temperature

_DECIMAL_COMMA: Final = re.compile(r"\A([+-]?\d+),(?!\d{3}\s*[A-Za-z])(\d+)(\s*[A-Za-z]+)\Z")
_CLOCK: Final = re.compile(
    r"(?:(\d{4}-\d{2}-\d{2})[ T])?([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?\Z", re.ASCII
)

#: Columns beside those of the printed log; left out when somebody types a paper log in.
MORE_COLUMNS: Final = (
    "id", "at_min", "source", "replaces", "triage", "reason", "off", "gauge_plus_minus",
    "transport", "delay_min", "expected_min", "items", "count",
)  # fmt: skip
COLUMNS: Final = (*(column.name for column in LOG_COLUMNS), *MORE_COLUMNS)
#: Last of all; the same in every row, and not read.
NOTICE: Final = "notice"


def number_cell(value: float, *, is_semicolon: bool = False) -> str:
    """Return a number that reads back as the very same one.

    With a decimal comma three decimals get a fourth: "1,850" could be either of two numbers.
    """
    text = format(Decimal(repr(value)), "f")
    if text.endswith(".0"):
        text = text[:-2]
    if not is_semicolon or "." not in text:
        return text
    whole, decimals = text.split(".")
    return f"{whole},{decimals}{'0' * (len(decimals) == 3)}"


def measure_cell(value: Pressure | Temperature, *, is_semicolon: bool = False) -> str:
    """Return a pressure or temperature with its unit."""
    return f"{number_cell(value.value, is_semicolon=is_semicolon)} {value.unit}"


def measure_text(cell: str) -> str:
    """Return a number with its unit, a decimal comma made a point."""
    return _DECIMAL_COMMA.sub(r"\1.\2\3", cell.strip())


def tags_cell(tags: Sequence[str]) -> str:
    """Return several tags in one cell."""
    if any(";" in tag or tag.startswith("[") for tag in tags):
        return json.dumps(list(tags), ensure_ascii=False)
    return "; ".join(tags)


def tags_of(cell: str) -> object:
    """Return the tags of a cell; the text itself when it is a list that breaks off."""
    if cell.startswith("["):
        try:
            return json.loads(cell)
        except (ValueError, RecursionError):
            return cell
    return [tag for part in cell.split(";") if (tag := part.strip())]


def minutes_of_clock(cell: str, start: datetime) -> float | None:
    """Return the minutes from a start to ``HH:MM``, ``HH:MM:SS`` or a date and one of these.

    Without a date it is the first such time at or after the start. None: no such time.
    """
    found = _CLOCK.match(cell.strip())
    if not found:
        return None
    day, hour, minute, second = found.groups()
    try:
        date = start.date() if day is None else datetime.fromisoformat(day).date()
    except ValueError:
        return None
    there = datetime(
        date.year, date.month, date.day, int(hour), int(minute), int(second or 0)
    )  # fmt: skip
    minutes = (there - start).total_seconds() / 60.0
    if day is not None:
        return minutes
    # "14:06" is cut to the minute: at a start of 14:06:30 it is that very minute.
    is_before = minutes <= -1.0 if second is None else minutes < 0.0
    return minutes + 1440.0 if is_before else max(minutes, 0.0)
