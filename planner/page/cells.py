"""Between a raw value of a document and the texts in which a form or grid shows it.

What is left unchanged on the page is left unchanged in the tree; what cannot be turned into a
value stays a text, so that the field's own reader says what is allowed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import Any, Final

from planner.fields import Field, Kind
from planner.files import raw_cell
from planner.units import parse_pressure, parse_temperature

Row = dict[str, Any]
MEASURED: Final = frozenset({Kind.PRESSURE, Kind.TEMPERATURE})
_SPLIT: Final = re.compile(r"[,;\n]")


def spelling(field: Field, row: Row) -> str | None:
    """Return the spelling under which a row gives a field; None when it is left out."""
    return next((name for name in field.spellings if name in row), None)


def text_of(field: Field, raw: object) -> str:
    """Return a raw value as one text; empty when it is left out."""
    if raw is None:
        return ""
    if isinstance(raw, str):
        return raw
    if isinstance(raw, list) and raw and field.kind in {Kind.NUMBERS, Kind.TEXTS}:
        return _listed(raw)
    if field.kind is Kind.THREE_POINT and isinstance(raw, list):
        return "/".join(_plain(item) for item in raw)
    return _plain(raw)


def raw_of(field: Field, text: str) -> object:
    """Return the raw value of a text; None when it is left out."""
    text = text.strip()
    if not text:
        return None
    if field.kind is Kind.TEXTS and not text.startswith("["):
        return [part.strip() for part in _SPLIT.split(text) if part.strip()]
    if field.kind is Kind.NUMBERS and not text.startswith("["):
        return _numbers(text)
    return _whole(raw_cell(field.kind, text, has_decimal_comma=True))


def unit_of(field: Field, row: Row, head: Row) -> str:
    """Return the unit of a measure: that of the row, else the one the incident is kept in."""
    name = spelling(field, row)
    if name is None:
        other = "change_at_bar" if field.kind is Kind.PRESSURE else "air_temperature_f"
        name = field.spellings[other in head]
    return name.rsplit("_", 1)[1]


def parts_of(
    field: Field, row: Row, origins: Sequence[str] = (), head: Row | None = None
) -> tuple[str, ...]:
    """Return the texts of a field's widgets: value and unit, three times, or one a place.

    ``head`` is the incident's own row, which says the usual units.
    """
    name = spelling(field, row)
    raw = row.get(name) if name else None
    if field.kind in MEASURED:
        return text_of(field, raw), unit_of(field, row, head or {})
    if field.kind is Kind.THREE_POINT:
        if isinstance(raw, list) and len(raw) == 3:
            low, middle, high = (_plain(item) for item in raw)
            return low, middle, high
        return "", text_of(field, raw), ""
    if field.kind is Kind.CARRY:
        minutes = raw if isinstance(raw, dict) else {}
        return tuple(_plain(minutes.get(origin)) for origin in origins)
    return (text_of(field, raw),)


def put_parts(row: Row, field: Field, parts: Sequence[str], origins: Sequence[str] = ()) -> None:
    """Write the texts of a field's widgets into a row, or take the field out of it."""
    for name in field.spellings:
        row.pop(name, None)
    if field.kind in MEASURED:
        raw, name = raw_of(field, parts[0]), f"{field.name}_{parts[1]}"
    elif field.kind is Kind.THREE_POINT:
        raw, name = raw_of(field, _three(parts)), field.name
    elif field.kind is Kind.CARRY:
        number = Field(field.name, Kind.NUMBER, "")
        pairs = ((o, raw_of(number, part)) for o, part in zip(origins, parts, strict=True))
        raw, name = {o: value for o, value in pairs if value is not None} or None, field.name
    else:
        raw, name = raw_of(field, parts[0]), field.name
    if raw is not None:
        row[name] = raw


def cell_of(field: Field, row: Row) -> str:
    """Return a field as the text of one grid cell; a measure carries its unit."""
    name = spelling(field, row)
    text = text_of(field, row.get(name) if name else None)
    if field.kind in MEASURED and name and text:
        unit = name.rsplit("_", 1)[1]
        return f"{text} {unit.upper() if len(unit) == 1 else unit}"
    return text


def put_cell(row: Row, field: Field, text: str, head: Row | None = None) -> None:
    """Write the text of a grid cell into a row; a bare number keeps the unit it had."""
    text = text.strip()
    if field.kind not in MEASURED:
        put_parts(row, field, ("", text, "") if field.kind is Kind.THREE_POINT else (text,))
        return
    unit = unit_of(field, row, head or {})
    parse = parse_pressure if field.kind is Kind.PRESSURE else parse_temperature
    try:
        unit = parse(text).unit.lower()
        text = text[: -len(unit)].strip()
    except ValueError:
        pass  # a bare number, or a text that the field's reader will refuse
    put_parts(row, field, (text, unit))


def _three(parts: Sequence[str]) -> str:
    low, middle, high = (part.strip() for part in parts)
    whole = next((part for part in (low, middle, high) if part.count("/") == 2), None)
    if whole is not None:  # all three typed into one box
        return whole
    return "/".join((low, middle, high)) if low or high else middle


def _plain(raw: object) -> str:
    if raw is None:
        return ""
    if isinstance(raw, str):
        return raw
    if isinstance(raw, float) and not isinstance(raw, bool):
        return repr(raw).removesuffix(".0")
    return json.dumps(raw, ensure_ascii=False)


def _listed(raw: list[Any]) -> str:
    is_plain = all(
        (isinstance(item, int | float) and not isinstance(item, bool))
        or (isinstance(item, str) and item == item.strip() != "" and not _SPLIT.search(item))
        for item in raw
    )
    text = ", ".join(_plain(item) for item in raw)
    return text if is_plain and not text.startswith("[") else json.dumps(raw, ensure_ascii=False)


def _numbers(text: str) -> list[object]:
    has_decimal_comma = ";" in text
    parts = text.split(";") if has_decimal_comma else re.split(r"[,\s]+", text)
    return [
        _whole(raw_cell(Kind.NUMBER, part.strip(), has_decimal_comma=has_decimal_comma))
        for part in parts
        if part.strip()
    ]


def _whole(raw: object) -> object:
    if isinstance(raw, list):
        return [_whole(item) for item in raw]
    return int(raw) if isinstance(raw, float) and raw.is_integer() and abs(raw) < 1e15 else raw
