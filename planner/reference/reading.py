"""From raw TOML to checked values: one reader for the rows of every table."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import TypeVar, cast

from planner.errors import ReferenceTableError
from planner.reference.marks import Marks, read_mark, unsourced
from planner.reference.tables import Citation

Raw = Mapping[str, object]
_T = TypeVar("_T")
_Row = TypeVar("_Row")


def table_names() -> tuple[str, ...]:
    """File names of the shipped tables, without ``.toml``."""
    files = (entry.name for entry in resources.files("planner.reference").iterdir())
    return tuple(sorted(name[:-5] for name in files if name.endswith(".toml")))


def raw_table(name: str) -> Raw:
    """Read a shipped table as `tomllib` gives it.

    Raises
    ------
    ReferenceTableError
        When there is none of that name, or it is not TOML.
    """
    if name not in table_names():
        raise ReferenceTableError(f"no table {name!r}; there are " + ", ".join(table_names()))
    text = resources.files("planner.reference").joinpath(f"{name}.toml").read_text("utf-8")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ReferenceTableError(f"{name}.toml: {error}") from error


@cache
def load_citations() -> Mapping[str, Citation]:
    """Full citations by the short key that marks use."""
    found = {}
    for key, item in raw_table("sources").items():
        row = RowReader(item, f"sources {key!r}")
        text = row.take("citation", str)
        found[key] = Citation(key, text, row.take("doi", str, ""), row.take("unsure", str, ""))
        row.done()
    return MappingProxyType(found)


class RowReader:
    """Takes the fields of one raw row, each checked, and refuses what nobody asked for."""

    def __init__(self, raw: object, label: str) -> None:
        if not isinstance(raw, Mapping):
            raise ReferenceTableError(f"{label}: must be a table, not {raw!r}")
        self._left = dict(raw)
        self.label = label

    def fault(self, name: str, value: object, allowed: str) -> ReferenceTableError:
        """Make the error that says where, what and what is allowed."""
        return ReferenceTableError(f"{self.label}: {name} is {value!r}; allowed: {allowed}")

    def take(self, name: str, kind: type[_T], default: _T | None = None) -> _T:
        """Take a value of a plain type."""
        value = self._left.pop(name, default)
        # bool is an int in Python; a table that says outlets = true is broken all the same.
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise self.fault(name, value, kind.__name__)
        return value

    def number(self, name: str, least: float = 0.0, most: float = 1e6) -> float:
        """Take a number within limits."""
        value = self._left.pop(name, None)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.fault(name, value, "a number")
        if not least <= value <= most:
            raise self.fault(name, value, f"{least:g} to {most:g}")
        return float(value)

    def number_or_none(self, name: str, least: float = 0.0, most: float = 1e6) -> float | None:
        """Take a number that may be left out."""
        return self.number(name, least, most) if name in self._left else None

    def numbers(self, name: str) -> tuple[float, ...]:
        """Take a list of rising numbers; empty when left out."""
        values = self.take(name, list, [])
        if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in values):
            raise self.fault(name, values, "a list of numbers")
        if list(values) != sorted(set(values)):
            raise self.fault(name, values, "rising numbers")
        return tuple(float(v) for v in values)

    def texts(self, name: str) -> tuple[str, ...]:
        """Take a list of texts; empty when left out."""
        values = self.take(name, list, [])
        if not all(isinstance(v, str) and v for v in values):
            raise self.fault(name, values, "a list of texts")
        return tuple(values)

    def choice(self, name: str, allowed: tuple[_T, ...]) -> _T:
        """Take one of the allowed values."""
        value = self._left.pop(name, None)
        if value not in allowed:
            raise self.fault(name, value, ", ".join(map(str, allowed)))
        return cast("_T", value)

    def choices(self, name: str, allowed: tuple[_T, ...]) -> tuple[_T, ...]:
        """Take one or more of the allowed values."""
        values = self.take(name, list)
        if not values or not all(v in allowed for v in values):
            raise self.fault(name, values, "some of " + ", ".join(map(str, allowed)))
        return tuple(values)

    def rows(self, name: str) -> list[RowReader]:
        """Take a list of tables, each with a reader of its own."""
        items = self.take(name, list, [])
        return [RowReader(item, f"{self.label} {name} {i}") for i, item in enumerate(items, 1)]

    def marks(self) -> Marks:
        """Take the marks; their keys must be in `sources.toml`."""
        known = load_citations()
        marks = {str(k): read_mark(str(v)) for k, v in self.take("sources", dict).items()}
        for mark in marks.values():
            for key in mark.keys:
                if key not in known:
                    raise self.fault("sources", key, "a key of sources.toml")
        return MappingProxyType(marks)

    def done(self) -> None:
        """Refuse fields nobody asked for."""
        if self._left:
            raise ReferenceTableError(f"{self.label}: unknown field {sorted(self._left)[0]!r}")


def simple_name(name: str) -> str:
    """Name as it is compared: no case, no spaces or hyphens ("10l" is "10 L")."""
    return "".join(name.casefold().split()).replace("-", "").replace("_", "")


def read_rows(raw: Raw, key: str, build: Callable[[RowReader], _Row]) -> Mapping[str, _Row]:
    """Build the rows of one list of tables by name; names must be unique."""
    check_sources(raw)
    items = raw.get(key)
    if not isinstance(items, list) or not items:
        raise ReferenceTableError(f"{key}: no rows")
    rows: dict[str, _Row] = {}
    for number, item in enumerate(items, 1):
        label_field = "id" if key == "cautions" else "name"
        label = item.get(label_field) if isinstance(item, Mapping) else None
        reader = RowReader(item, f"{key} {label or number!r}")
        row = build(reader)
        reader.done()
        if not isinstance(label, str) or not label or label in rows:
            msg = f"{key} {number}: {label_field} {label!r} missing or repeated"
            raise ReferenceTableError(msg)
        rows[label] = row
    return MappingProxyType(rows)


def check_sources(raw: Raw) -> None:
    """Raise when a number of a raw table has no mark."""
    if missing := unsourced(raw):
        raise ReferenceTableError("no source for " + "; ".join(missing[:5]))
