"""Two versions of a document: how they differ in words, and one's edit put on top of the other."""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from typing import Any, Final

from planner.fields import MAX_TEXT
from planner.intake import shown

LEFT_OUT: Final = "left out"
MOST: Final = 200


@dataclass(frozen=True, slots=True)
class Difference:
    """One value that differs, as words: where, and what stands in each version."""

    where: str
    first: str
    second: str


class Clash(Exception):  # noqa: N818 - a signal inside this module
    """Rows were added, removed or moved on both sides."""


def differences(first: object, second: object) -> tuple[Difference, ...]:
    """Return how two trees differ, value by value; at most `MOST` of them."""
    found = []
    for number, difference in enumerate(_differ(first, second, ())):
        if number == MOST:
            break
        found.append(difference)
    return tuple(found)


def note_of(before: object, after: object) -> str:
    """Return what an edit did, as one line for the history."""
    found = differences(before, after)
    if not found:
        return "nothing changed"
    words = "; ".join(f"{d.where}: {d.first} to {d.second}" for d in found[:3])
    more = f"; and {len(found) - 3} more" if len(found) > 3 else ""
    text = "".join(char if char.isprintable() else " " for char in f"edit {words}")
    return text[: MAX_TEXT - len(more)] + more


def on_top(base: object, mine: object, theirs: object) -> Any:
    """Return ``theirs`` with what ``mine`` changed since ``base``.

    Raises
    ------
    Clash
        When rows do not stand where they stood, so that nobody can say which one was meant.
    """
    if mine == base:
        return deepcopy(theirs)
    if theirs == base:
        return deepcopy(mine)
    if isinstance(base, dict) and isinstance(mine, dict) and isinstance(theirs, dict):
        merged = {}
        for name in {**theirs, **mine}:
            value = on_top(base.get(name), mine.get(name), theirs.get(name))
            if value is not None:
                merged[name] = value
        return merged
    if isinstance(base, list) and isinstance(mine, list) and isinstance(theirs, list):
        if len(base) == len(mine) == len(theirs) and _names(base) == _names(theirs):
            return [on_top(*three) for three in zip(base, mine, theirs, strict=True)]
        if any(isinstance(item, dict) for item in (*base, *mine, *theirs)):
            raise Clash
    return deepcopy(mine)


def _names(rows: list[Any]) -> list[Any]:
    return [_name(row) for row in rows]


def _name(row: object) -> str | None:
    if not isinstance(row, dict):
        return None
    name = row.get("tag", row.get("name"))
    return name if isinstance(name, str) else None


def _differ(first: object, second: object, at: tuple[str, ...]) -> Iterator[Difference]:
    if first == second:
        return
    if isinstance(first, dict) and isinstance(second, dict):
        for name in {**first, **second}:
            yield from _differ(first.get(name), second.get(name), (*at, str(name)))
        return
    lists = [value for value in (first, second) if isinstance(value, list)]
    if len(lists) == 2 and any(isinstance(item, dict) for rows in lists for item in rows):
        yield from _differ_rows(lists[0], lists[1], at)
        return
    where = " ".join(at)
    yield Difference(where if where else "document", _words(first), _words(second))


def _differ_rows(first: list[Any], second: list[Any], at: tuple[str, ...]) -> Iterator[Difference]:
    """Match rows by name where every row has its own, else by number."""
    names = _names(first), _names(second)
    if all(None not in side and len(set(side)) == len(side) for side in names):
        ours, theirs = dict(zip(names[0], first)), dict(zip(names[1], second))  # noqa: B905
        if len(first) != len(second) or set(ours) == set(theirs):
            for name in {**ours, **theirs}:
                yield from _differ_row(ours.get(name), theirs.get(name), (*at, str(name)))
            return
    for number in range(max(len(first), len(second))):
        one = first[number] if number < len(first) else None
        two = second[number] if number < len(second) else None
        name = _name(one) or _name(two) or f"#{number + 1}"
        yield from _differ_row(one, two, (*at, name))


def _differ_row(one: object, two: object, at: tuple[str, ...]) -> Iterator[Difference]:
    if one is None or two is None:
        words = ("no such row", "a row")
        yield Difference(" ".join(at), words[one is not None], words[two is not None])
        return
    yield from _differ(one, two, at)


def _words(value: object) -> str:
    return LEFT_OUT if value is None else shown(value).strip("'\"") or "empty"
