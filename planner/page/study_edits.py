"""Changes of a study's tree, row by row, as pure functions; a form's texts and the tree's values.

A path is as in :mod:`planner.page.edits`: ``("families", 0, "people", 2)``. What is in a form is
taken back into the tree all at once, so that shares which have to sum to 1 can be changed together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import replace
from typing import Any, Final

from planner.cache.study_fields import (
    GROUPS,
    ITEMS,
    NUM_PATIENTS,
    OWN,
    PLACE_BY,
    SUB_STUDY,
    TOP_STUDY,
)
from planner.fields import Field, Kind, Table
from planner.fields.kinds import AGES
from planner.page import cells, edits
from planner.page.edits import Path, Tree
from planner.reference import (
    find_size,
    load_connections,
    load_cylinders,
    load_devices,
    load_protocol,
)
from planner.telling import plannable

Texts = Mapping[tuple[Path, str], Sequence[str]]
#: What stands within a family: words for all, words for one, the field that sums to 1 over them.
WITHIN: Final[Mapping[str, tuple[str, str, str]]] = {
    "people": ("Kinds of patients", "kind of patient", "share"),
    "spots": ("Spots", "spot", "chance"),
    "weather": ("Air temperatures", "temperature", "chance"),
    GROUPS.name: ("Shared transports", "shared transport", ""),
}
_SPECIFIC: Final = frozenset(name for names in OWN.values() for name in names)
_TABLES: Final[Mapping[str, Table]] = {t.name: t for t in TOP_STUDY} | dict(SUB_STUDY)
#: Of a new item that is no cylinder [kg]; a placeholder to be weighed (our own, no source).
PLACEHOLDER_KG: Final = 0.1


def table_at(path: Path) -> Table:
    """Return the table to which the row at a path belongs."""
    return _TABLES[[step for step in path if isinstance(step, str)][-1]]


def fields_at(tree: Tree, path: Path) -> tuple[Field, ...]:
    """Return the fields that the form of a row has: not its sub-rows, nor what is not for it.

    A kept study says how cold it is by rows of weather, so a family's one temperature has no box.
    """
    table = table_at(path)
    fields = [f for f in table.fields if f.kind is not Kind.ROWS]
    if table.name == "families":
        fields = [f for f in fields if f.name != "air_temperature"]
    if table is ITEMS:
        own = OWN.get(edits.row_at(tree, path).get("kind", ""), ())
        fields = [f for f in fields if f.name in own or f.name not in _SPECIFIC]
    return tuple(fields)


def names_by(tree: Tree, field: Field) -> tuple[str, ...]:
    """Return what a field has a value for each of: the caches; none for one value."""
    is_by_name = field.kind is Kind.ROW and field.name != NUM_PATIENTS
    return tuple(c["name"] for c in tree["caches"]) if is_by_name else ()


def texts_of(tree: Tree, path: Path, field: Field) -> tuple[str, ...]:
    """Return the texts of a field's boxes."""
    row = edits.row_at(tree, path)
    if field.name == NUM_PATIENTS:
        return (counts_text(row.get(NUM_PATIENTS)),)
    return cells.parts_of(_drawn(field), row, names_by(tree, field), tree["study"])


def known_texts(tree: Tree, path: Path, field: Field) -> tuple[str, ...]:
    """Return the texts that a field may take or usually takes; none when any will do."""
    found: dict[str, Callable[[], Sequence[str]]] = {
        "indication": lambda: [row.name for row in load_protocol().rows],
        "size": lambda: list(load_cylinders()),
        "connection": lambda: list(load_connections()),
        "device": lambda: tuple(plannable()),
        "transfer_group": lambda: [
            str(row.get("name")) for row in edits.row_at(tree, path[:2]).get(GROUPS.name, ())
        ],
    }
    if field.choices or field.name not in found:
        return field.choices
    return tuple(found[field.name]())


def with_texts(tree: Tree, texts: Texts) -> Tree:
    """Return a tree with what the boxes of a form hold; what was not changed stays as it is.

    Parameters
    ----------
    tree : dict
        As the form showed it.
    texts : mapping
        The boxes' texts by path and name of the field.

    Returns
    -------
    dict
        New caches' and transports' names are taken over where others refer to them; an item of
        another kind keeps what is for that kind.
    """
    new = deepcopy(tree)
    for (path, name), parts in texts.items():
        field = table_at(path).field(name)
        if tuple(parts) == texts_of(tree, path, field):
            continue
        row = edits.row_at(new, path)
        if name == NUM_PATIENTS:
            row[NUM_PATIENTS] = counts_of(parts[0])
        else:
            cells.put_parts(row, _drawn(field), parts, names_by(tree, field))
        if name == "kind":
            _keep_own(row)
    _follow_names(tree, new)
    return new


def _drawn(field: Field) -> Field:
    """Return a field as the boxes take it: values by name as minutes by place are."""
    return replace(field, kind=Kind.CARRY) if field.kind is Kind.ROW else field


def _keep_own(row: dict[str, Any]) -> None:
    """Take out of an item what is for another kind; what it must have is put in."""
    for name in _SPECIFIC - set(OWN.get(row.get("kind", ""), ())):
        for spelling in ITEMS.field(name).spellings:
            row.pop(spelling, None)
    for name, value in new_item(row.get("kind", ""), ()).items():
        if name in _SPECIFIC or name == "mass_kg":
            row.setdefault(name, value)


def _follow_names(tree: Tree, new: Tree) -> None:
    """Let new names of caches and of a family's transports be followed by what refers to them."""
    renamed = _renamed(tree["caches"], new["caches"])
    for row, name in _by_cache(new):
        row[name] = {renamed.get(cache, cache): value for cache, value in row[name].items()}
    for before, after in zip(tree.get("families", ()), new.get("families", ()), strict=True):
        groups = _renamed(before.get(GROUPS.name, ()), after.get(GROUPS.name, ()))
        for person in after["people"]:
            if person.get("transfer_group") in groups:
                person["transfer_group"] = groups[person["transfer_group"]]


def _renamed(before: Sequence[Tree], after: Sequence[Tree]) -> dict[str, str]:
    pairs = zip(before, after, strict=True)
    return {b["name"]: a["name"] for b, a in pairs if a.get("name") and a["name"] != b["name"]}


def _by_cache(tree: Tree) -> Iterator[tuple[dict[str, Any], str]]:
    """Yield each row that has values by cache, and the name under which they stand."""
    spots = (spot for family in tree.get("families", ()) for spot in family.get("spots", ()))
    for rows, name in (
        (spots, "arrive_min"), (tree.get("incidents", ()), PLACE_BY), (tree["items"], "held"),
    ):  # fmt: skip
        yield from ((row, name) for row in rows if isinstance(row.get(name), dict))


# ----- number of patients -------------------------------------------------------------------------


def counts_text(raw: object) -> str:
    """Return numbers of patients with their chances as one text: ``1: 0.6, 2: 0.4``."""
    if not isinstance(raw, dict):
        return "" if raw is None else str(raw)
    if "poisson" in raw:
        return f"Poisson {raw['poisson']}, at most {raw.get('most', '')}"
    pairs = zip(raw.get("counts", ()), raw.get("chances", ()), strict=False)
    return ", ".join(f"{count:g}: {chance!r}" for count, chance in pairs)


def counts_of(text: str) -> object:
    """Return what such a text says; what cannot be read stays a text, for its reader to tell."""
    text = text.strip()
    if text.lower().startswith("poisson"):
        mean, _, most = text[len("poisson") :].partition("at most")
        given = {"poisson": _number(mean.strip(" ,")), "most": _number(most)}
        return {name: value for name, value in given.items() if value != ""}
    if ":" not in text:
        return _number(text)
    pairs = [part.partition(":") for part in text.split(",") if part.strip()]
    return {
        "counts": [_number(count) for count, _, _ in pairs],
        "chances": [_number(chance) for _, _, chance in pairs],
    }


def _number(text: str) -> float | int | str:
    try:
        value = float(text)
    except ValueError:
        return text.strip()
    return int(value) if value.is_integer() else value


# ----- rows added and removed ---------------------------------------------------------------------


def with_added(tree: Tree, table_path: Path, like: str = "") -> Tree:
    """Return a tree with one more row, complete but for what only people can say.

    Parameters
    ----------
    tree : dict
    table_path : tuple
        ``("items",)`` or, within a family, ``("families", 0, "spots")``.
    like : str
        The kind of an item.

    Returns
    -------
    dict
        A row within a family counts for nothing until its share or chance is changed, so that they
        still sum to 1; a family is like the last one.
    """
    name = str(table_path[-1])
    rows = edits.row_at(tree, table_path[:-1]).get(name, []) if len(table_path) > 1 else (
        tree.get(name, []))  # fmt: skip
    if name == "items":
        row = new_item(like, rows)
    elif rows:
        row = deepcopy(rows[-1])
    else:
        row = {"no_show_chance": 0.0} if name == GROUPS.name else {}
    summed = WITHIN.get(name, ("", "", ""))[2]
    if summed:
        row[summed] = 0.0 if rows else 1.0
    if table_at(table_path).key or name in {"spots", GROUPS.name}:
        row["name"] = _new_name(rows, str(row.get("name") or WITHIN.get(name, ("", name))[1]))
    return edits.with_added(tree, table_path, row)


def with_incident(tree: Tree, file: str, place: str) -> Tree:
    """Return a tree with one more known incident; all caches' stock lies at one place of it."""
    rows = tree.get("incidents", [])
    at = {cache["name"]: place for cache in tree["caches"]}
    name = _new_name([*rows, *tree.get("families", ())], file.rsplit(".", 1)[0])
    return edits.with_added(
        tree, ("incidents",), {"name": name, "file": file, "weight": 1.0, PLACE_BY: at}
    )


def new_item(kind: str, rows: Sequence[Tree]) -> Tree:
    """Return a new item of a kind: the first of the tables that is not among the rows."""
    row: Tree = {"name": kind, "kind": kind}
    if kind == "cylinder":
        return row | _new_cylinder(rows)
    row["mass_kg"] = PLACEHOLDER_KG
    if kind == "regulator":
        bottles = [item for item in rows if item.get("kind") == "cylinder"]
        row["connection"] = next((c for c in map(_needs, bottles) if c), _first_connection())
    if kind == "device":
        taken = {(item.get("device"), item.get("age", "adult")) for item in rows}
        known = [(d, a) for a in AGES for d in plannable() if a in load_devices()[d].ages]
        device, age = next((one for one in known if one not in taken), known[0])
        row |= {"name": f"{device}, {age}", "device": device, "age": age}
    return row


def _new_cylinder(rows: Sequence[Tree]) -> Tree:
    """Return the first size that a listed regulator fits; one that is not there yet, if any."""
    taken = {item.get("size") for item in rows}
    fits = {item.get("connection") for item in rows if item.get("kind") == "regulator"}
    found = []
    for size in load_cylinders().values():
        for name in [size.connection] if size.connection else size.connections:
            own = {} if size.connection else {"connection": name}
            found.append({"name": size.name, "size": size.name} | own)
    found.sort(key=lambda row: (_needs(row) not in {*fits, ""}, row["size"] in taken))
    return found[0]


def _needs(cylinder: Tree) -> str:
    """Return what regulator a cylinder takes; empty when it is not known or takes none."""
    size = find_size(cylinder["size"]) if cylinder.get("size") else None
    name = cylinder.get("connection") or (size.connection if size else None)
    found = load_connections().get(name or "")
    return found.name if found is not None and found.needs_regulator else ""


def _first_connection() -> str:
    return next(name for name, one in load_connections().items() if one.needs_regulator)


def _new_name(rows: Sequence[Tree], like: str) -> str:
    taken = {row.get("name") for row in rows}
    names = (like, *(f"{like} {number}" for number in range(2, len(taken) + 3)))
    return next(name for name in names if name not in taken)


def without(tree: Tree, path: Path) -> Tree:
    """Return a tree without a row; what refers to it goes too, and shares sum to 1 again.

    The shares or chances of the rows that stay keep their proportions.
    """
    row, new = edits.row_at(tree, path), edits.without(tree, path)
    name = str(path[-2])
    if name == "caches":
        for other, field in _by_cache(new):
            other[field].pop(row["name"], None)
    if len(path) <= 2:
        return new
    owner = edits.row_at(new, path[:2])
    if name == GROUPS.name:
        for person in owner["people"]:
            if person.get("transfer_group") == row["name"]:
                person.pop("transfer_group")
    summed = WITHIN[name][2]
    if summed and owner[name]:
        _sum_to_one(owner[name], summed)
    return new


def _sum_to_one(rows: list[Tree], name: str) -> None:
    values = [row.get(name, 1.0) for row in rows]
    if not all(isinstance(value, int | float) for value in values):
        return
    total = sum(values)
    for row, value in zip(rows, values, strict=True):
        row[name] = value / total if total else 1.0 / len(rows)
