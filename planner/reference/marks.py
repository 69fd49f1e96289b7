"""Where each value of the reference tables comes from."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal, Protocol, TypeVar, cast

from planner.errors import ReferenceTableError

MarkKind = Literal["P", "C", "M", "D"]

MARK_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "P": "published",
        "C": "common practice, no source",
        "M": "from memory",
        "D": "computed with CoolProp",
    }
)


@dataclass(frozen=True, slots=True)
class Mark:
    """Where a value comes from.

    Parameters
    ----------
    kind : {"P", "C", "M", "D"}
        Published, common practice without a source, from memory, computed with CoolProp.
    keys : tuple of str
        Keys of `sources.toml`; at least one for P and D, none for C and M.
    text : str
        What else there is to say.
    """

    kind: MarkKind
    keys: tuple[str, ...]
    text: str

    def __str__(self) -> str:
        rest = "; ".join(part for part in (", ".join(self.keys), self.text) if part)
        return f"{MARK_WORDS[self.kind]}: {rest}" if rest else MARK_WORDS[self.kind]


Marks = Mapping[str, Mark]


def no_marks() -> Marks:
    """No marks at all: what a row made by hand has."""
    return MappingProxyType({})


class Sourced(Protocol):
    """Any row that says where its values come from."""

    @property
    def sources(self) -> Marks:
        """Mark by field name; ``"*"`` stands for every field not named."""


def read_mark(text: str) -> Mark:
    """Read a mark such as ``"P: bts2017; first oxygen"``.

    Raises
    ------
    ReferenceTableError
        When the letter is unknown, the text empty, or P or D name no key.
    """
    match = re.fullmatch(r"([PCMD]): (\S.*)", text)
    if match is None:
        msg = f"mark {text!r}: must start with 'P: ', 'C: ', 'M: ' or 'D: ' and say something"
        raise ReferenceTableError(msg)
    kind, rest = cast("MarkKind", match[1]), match[2]
    if kind in ("C", "M"):
        return Mark(kind, (), rest)
    head, _, tail = rest.partition(";")
    keys = tuple(key.strip() for key in head.split(","))
    if not all(re.fullmatch(r"\w+", key) for key in keys):
        msg = f"mark {text!r}: name keys of sources.toml, parted by commas, before the first ';'"
        raise ReferenceTableError(msg)
    return Mark(kind, keys, tail.strip())


_T = TypeVar("_T")


def find_mark(sources: Mapping[str, _T], name: str) -> _T | None:
    """Look a field's mark up: itself, then what it is part of, then ``"*"``."""
    parts = name.split(".")
    for length in range(len(parts), 0, -1):
        found = sources.get(".".join(parts[:length]))
        if found is not None:
            return found
    return sources.get("*")


def source_of(row: Sourced, field_name: str) -> Mark:
    """Where a value of a row comes from.

    Parameters
    ----------
    row : Sourced
        A row of any table.
    field_name : str
        Field; parts are dotted: ``"options.reduced.flow_lpm"``.

    Raises
    ------
    ReferenceTableError
        When the row has no mark for it.
    """
    mark = find_mark(row.sources, field_name)
    if mark is None:
        raise ReferenceTableError(f"{row}: no source for {field_name!r}")
    return mark


def numeric_fields(row: Mapping[str, object], prefix: str = "") -> Iterator[str]:
    """Dotted names of all numeric values of a raw row; options go by their level."""
    for key, value in row.items():
        if key == "sources" and not prefix:
            continue
        name = f"{prefix}{key}"
        if isinstance(value, int | float) and not isinstance(value, bool):
            yield name
        elif isinstance(value, Mapping):
            yield from numeric_fields(value, f"{name}.")
        elif isinstance(value, list):
            for item in value:
                if isinstance(item, Mapping):
                    level = str(item.get("level", ""))
                    yield from numeric_fields(item, f"{name}.{level}." if level else f"{name}.")
                elif isinstance(item, int | float) and not isinstance(item, bool):
                    yield name


def unsourced(raw: Mapping[str, object]) -> list[str]:
    """List the numeric values of a raw table that no mark covers.

    Parameters
    ----------
    raw : mapping
        A table as `tomllib` gives it: rows are tables or lists of tables at the top level.

    Returns
    -------
    list of str
        ``"sizes 'D': empty_kg"`` and the like; empty when every number has its mark.
    """
    missing: list[str] = []
    for key, value in raw.items():
        rows = value if isinstance(value, list) else [value]
        for row in rows:
            if not isinstance(row, Mapping):
                if isinstance(row, int | float) and not isinstance(row, bool):
                    missing.append(key)
                continue
            marks = cast("Mapping[str, object]", row.get("sources", {}))
            label = f"{key} {row['name']!r}" if "name" in row else key
            missing += [
                f"{label}: {name}"
                for name in dict.fromkeys(numeric_fields(row))
                if find_mark(marks, name) is None
            ]
    return missing
