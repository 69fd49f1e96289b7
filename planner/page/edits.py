"""Edits of a raw tree, as pure functions: rows by path, add, copy, remove.

A path is table and row number, then field and row number for what stands within:
``("patients", 3, "options", 0)``; a table of one row is ``("incident",)``. A tree may be broken in
any way; what is not the shape it should be is told by the reader, and replaced when edited.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from copy import deepcopy
from itertools import pairwise
from typing import Any, Final

from planner.fields import MAX_COUNT, TABLES, Kind, Presence, Table

Tree = dict[str, Any]
Path = tuple[str | int, ...]


def rows_in(tree: Tree, table: str) -> list[Any]:
    """Return the rows of a table; none when it is no list."""
    rows = tree.get(table)
    return rows if isinstance(rows, list) else []


def row_at(tree: Tree, path: Path) -> dict[str, Any]:
    """Return the row at a path; an empty one when there is none."""
    at: Any = tree
    for step in path:
        if isinstance(step, int):
            at = at[step] if isinstance(at, list) and step < len(at) else None
        else:
            at = at.get(step) if isinstance(at, dict) else None
    return at if isinstance(at, dict) else {}


def table_at(path: Path) -> Table:
    """Return the table to which the row at a path belongs."""
    names = [step for step in path if isinstance(step, str)]
    table = TABLES[names[0]]
    for name in names[1:]:
        table = TABLES[table.field(name).table]
    return table


def with_row(tree: Tree, path: Path, row: dict[str, Any]) -> Tree:
    """Return a tree with a row put at a path; an empty row within another is left out."""
    new = deepcopy(tree)
    at: Any = new
    for step, following in pairwise(path):
        fresh: Any = [] if isinstance(following, int) else {}
        if isinstance(step, str):
            if not isinstance(at.get(step), type(fresh)):
                at[step] = fresh
        elif step >= len(at):
            at.append(fresh)
        elif not isinstance(at[step], type(fresh)):
            at[step] = fresh
        at = at[step]
    last = path[-1]
    if isinstance(last, int):
        at[last : last + 1] = [row]
    elif row or len(path) == 1:
        at[last] = row
    else:
        at.pop(last, None)
    return new


def with_added(tree: Tree, table_path: Path, row: dict[str, Any]) -> Tree:
    """Return a tree with a row put behind the last of a table (or of a field that holds rows)."""
    owner, name = row_at(tree, table_path[:-1]), str(table_path[-1])
    found = owner.get(name) if len(table_path) > 1 else tree.get(name)
    number = len(found) if isinstance(found, list) else 0
    return with_row(tree, (*table_path, number), deepcopy(row))


def with_copy(tree: Tree, path: Path) -> Tree:
    """Return a tree with a copy of a row behind the last, under a new tag or name.

    What can only be once (a connection that is running) is not copied; of several tags one is
    made up.
    """
    table = table_at(path)
    row = deepcopy(row_at(tree, path))
    row.pop("connected", None)
    if row.pop("tags", None) is not None or (table.key and table.key in row):
        row[table.key] = new_tag(tree, table.name, str(row_at(tree, path).get(table.key) or ""))
    return with_added(tree, path[:-1], row)


def without(tree: Tree, path: Path) -> Tree:
    """Return a tree without the row at a path."""
    new = deepcopy(tree)
    at: Any = new
    for step in path[:-1]:
        at = at[step]
    last = path[-1]
    if isinstance(last, int):
        del at[last : last + 1]
    else:
        at.pop(last, None)
    return new


def first_row(tree: Tree, table: str) -> dict[str, Any]:
    """Return a row to begin with: a new tag or name, and what mostly stays as in the last row.

    What has to be found on each patient and read on each cylinder is never taken over here.
    """
    row: dict[str, Any] = {}
    key = TABLES[table].key
    if key:
        row[key] = new_tag(tree, table, "")
    rows = rows_in(tree, table)
    row |= taken_over(table, row, rows[-1] if rows else {}, SAME.get(table, ()))
    places = [one.get("name") for one in rows_in(tree, "places") if _has(one, "name")]
    if len(places) == 1 and _has_field(table, "place"):
        row.setdefault("place", places[0])
    return row


def taken_over(
    table: str, row: dict[str, Any], above: object, names: Iterable[str]
) -> dict[str, Any]:
    """Return what a row lacks of these fields and the one above it gives, as it is spelled."""
    found: dict[str, Any] = {}
    for field in (TABLES[table].field(name) for name in names):
        if isinstance(above, dict) and not any(name in row for name in field.spellings):
            found |= {name: deepcopy(above[name]) for name in field.spellings if name in above}
    return found


def same_as_above(tree: Tree, path: Path) -> dict[str, Any]:
    """Return what the row at a path lacks and would get by "Same as above"."""
    table, number = str(path[0]), path[1] if len(path) > 1 else 0
    if not isinstance(number, int) or number == 0:
        return {}
    names = (*SAME.get(table, ()), *FOUND_ANEW.get(table, ()))
    return taken_over(table, row_at(tree, path), row_at(tree, (table, number - 1)), names)


def with_same_as_above(tree: Tree, path: Path) -> Tree:
    """Return a tree in which a row's gaps are filled from the row above; nothing is replaced."""
    return with_row(tree, path, {**row_at(tree, path), **same_as_above(tree, path)})


def counted_up(tree: Tree, table: str, row: dict[str, Any]) -> dict[str, Any]:
    """Return a row of a tag and a count as one of so many tags, counted up from that tag.

    A row of tags with a higher count gets more of them. Anything else stays as it is, for its
    reader to tell.
    """
    count, tag, tags = row.get("count"), row.get("tag"), row.get("tags")
    if not isinstance(count, int) or isinstance(count, bool) or not 1 <= count <= MAX_COUNT:
        return row
    given = [tag] if tag is not None and tags is None else tags if tag is None else None
    if not isinstance(given, list) or not 1 <= len(given) <= count:
        return row
    if not all(isinstance(one, str) for one in given):
        return row
    new = {name: value for name, value in row.items() if name not in {"tag", "tags", "count"}}
    known = {**tree, table: [*rows_in(tree, table), {"tags": list(given)}]}
    while len(given) < count:
        following = new_tag(known, table, given[-1])
        given = [*given, following]
        known[table][-1] = {"tags": given}
    return {"tag": given[0], **new} if count == 1 else {"tags": given, **new}


def first_gap(tree: Tree, path: Path, names: Sequence[str]) -> str:
    """Return the first of a row's fields, in this order, that has to be given and is not."""
    row, table = row_at(tree, path), table_at(path)
    for field in (table.field(name) for name in names):
        is_asked = field.presence is Presence.REQUIRED or (
            field.name == "place" and len(rows_in(tree, "places")) > 1
        )
        if is_asked and not any(name in row for name in field.spellings):
            return field.name
    return names[0]


def new_tag(tree: Tree, table: str, like: str) -> str:
    """Return a tag that no row has yet, counting on from ``like`` or the last row's."""
    key = TABLES[table].key
    taken = _tags(tree)
    own = [str(row.get(key)) for row in rows_in(tree, table) if _has(row, key)]
    like = like or (own[-1] if own else _STEMS.get(table, table[:1].upper() + "-1"))
    found = re.fullmatch(r"(.*?)([0-9]{1,9})", like, flags=re.DOTALL)
    stem, number, width = (found[1], int(found[2]), len(found[2])) if found else (like + "-", 1, 1)
    stem = stem[:50]
    while (tag := f"{stem}{number:0{width}d}") in taken:
        number += 1
    return tag


# What mostly is as in the row above; and what has to be found or read anew, which a person may
# take over too, but never gets without asking for it.
SAME: Final = {
    "patients": ("place", "transfer_min", "transfer_after_found_min", "transfer_group",
                 "vehicle"),
    "cylinders": ("size", "read_at", "connection", "place"),
    "concentrators": ("power_min", "settings_lpm", "place"),
    "regulators": ("connection", "settings_lpm", "place"),
    "devices": ("place",), "sundries": ("place",), "responders": ("place",),
}  # fmt: skip
FOUND_ANEW: Final = {
    "patients": ("triage", "age", "indication"), "cylinders": ("gauge",),
    "devices": ("kind", "age", "count"), "sundries": ("kind", "count"), "responders": ("from_min",),
}  # fmt: skip
_STEMS = {
    "patients": "P1", "cylinders": "C-01", "concentrators": "CON-01", "regulators": "R-1",
    "responders": "R1", "places": "place 1", "transfer_groups": "transport 1",
    "vehicles": "vehicle 1",
}  # fmt: skip


def _has_field(table: str, name: str) -> bool:
    return any(field.name == name for field in TABLES[table].fields)


def _has(row: object, key: str) -> bool:
    return isinstance(row, dict) and isinstance(row.get(key), str)


def _tags(tree: Tree) -> set[str]:
    """Every text that a row of any table is called by, deliveries included."""
    found: set[str] = set()

    def gather(value: object) -> None:
        if isinstance(value, list):
            for item in value:
                gather(item)
        elif isinstance(value, dict):
            tags = value.get("tags")
            names = [value.get("tag"), value.get("name"), *(tags if isinstance(tags, list) else ())]
            found.update(name for name in names if isinstance(name, str))
            for item in value.values():
                if isinstance(item, list):
                    gather(item)

    for name, table in TABLES.items():
        if not table.is_single:
            gather(tree.get(name))
    return found


def is_nested(kind: Kind) -> bool:
    """Say whether a field holds rows of its own."""
    return kind in {Kind.ROW, Kind.ROWS}
