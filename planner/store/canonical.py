"""The canonical text of a tree, and the checks that make it come out as it went in.

A tree is what a TOML or JSON file parses to. Keys are sorted and nothing is spaced, so equal
trees have equal texts. Control characters are kept (they are escaped in the text): a draft may
hold what an incident may not. Only what JSON or UTF-8 cannot carry is refused.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, time
from typing import Final

from planner.errors import Fault, InputError
from planner.fields import MAX_TAG, MAX_TEXT
from planner.intake import MAX_FAULTS, printable, shown, text_fault, too_many
from planner.store.records import KINDS, Command

MAX_BYTES: Final = 10_000_000  # twice what may be read from a file; our own
MAX_DEPTH: Final = 60  # tables within tables; an incident has 4
WHOLE: Final = 2**63  # whole numbers of TOML 1.0: 64 bits
MAX_ID: Final = 100

Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Content:
    """Canonical JSON text of a tree and its SHA-256."""

    text: str
    digest: str


def content_of(tree: Mapping[str, object]) -> Content:
    """Return the canonical text of a tree.

    Parameters
    ----------
    tree : mapping of str to object
        Tables, lists (tuples count as lists), texts, finite numbers, true and false, null; dates
        and times become ISO 8601 texts, as they are in JSON files.

    Returns
    -------
    Content
        Text and digest.

    Raises
    ------
    InputError
        With one fault per value that would not come out as it went in.
    """
    plain, faults = _Reader().read(tree)
    if faults:
        raise InputError(faults)
    text = json.dumps(
        plain, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    data = text.encode()
    if len(data) > MAX_BYTES:
        raise InputError(
            [_fault((), f"{len(data)} bytes", f"at most {MAX_BYTES} bytes", "Split the document.")]
        )
    return Content(text, hashlib.sha256(data).hexdigest())


def fingerprint(*parts: str | None) -> str:
    """Return the SHA-256 of what a command asks for."""
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def check_words(*, name: str | None = None, note: str = "", kind: str | None = None) -> None:
    """Check the texts that stand beside a tree.

    Raises
    ------
    InputError
        For a name or note that no incident file could hold, or an unknown kind.
    """
    faults = []
    words = (("name", name, MAX_TAG), ("note", note or None, MAX_TEXT))
    for field, text, limit in words:
        bad = text_fault(text, limit) if text is not None else None
        if bad:
            faults.append(_fault((field,), shown(text), *bad))
    if kind is not None and kind not in KINDS:
        faults.append(_fault(("kind",), shown(kind), "one of " + ", ".join(KINDS), ""))
    if faults:
        raise InputError(faults)


def check_command(command: Command) -> None:
    """Check a command's id and base.

    Raises
    ------
    InputError
        When the id is no printable text or the base no number from 0.
    """
    faults = []
    bad = text_fault(command.id, MAX_ID)
    if bad:
        faults.append(_fault(("command id",), shown(command.id), *bad))
    if type(command.base) is not int or not 0 <= command.base < WHOLE:
        faults.append(_fault(("base",), shown(command.base), "a revision number from 0", ""))
    if faults:
        raise InputError(faults)


class _Reader:
    """Turns a tree into plain JSON values and gathers what does not fit."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []

    def read(self, tree: object) -> tuple[object, tuple[Fault, ...]]:
        if not isinstance(tree, Mapping):
            return None, (_fault((), shown(tree), "named tables", "Send the tree of a document."),)
        plain = self._value(tree, ())
        more = [too_many("")] if len(self.faults) > MAX_FAULTS else []
        return plain, (*self.faults[:MAX_FAULTS], *more)

    def _add(self, path: Path, received: object, allowed: str, mend: str) -> None:
        if len(self.faults) <= MAX_FAULTS:
            self.faults.append(_fault(path, shown(received), allowed, mend))

    def _value(self, value: object, path: Path) -> object:  # noqa: PLR0911 - one a kind of value
        if value is None or isinstance(value, bool):
            return value
        if isinstance(value, str):
            return self._text(value, path)
        if isinstance(value, int):
            if not -WHOLE <= value < WHOLE:
                self._add(path, value, "a whole number of at most 64 bits", "Check the digits.")
            return int(value)
        if isinstance(value, float):
            if not math.isfinite(value):
                self._add(path, value, "a finite number", "Write a number or leave it out.")
            return float(value)
        if isinstance(value, date | time):  # datetime is a date
            return value.isoformat()
        if isinstance(value, Mapping | list | tuple):
            if len(path) >= MAX_DEPTH:
                self._add(path, value, f"at most {MAX_DEPTH} tables within each other", "")
                return None
            if isinstance(value, Mapping):
                return dict(self._pairs(value, path))
            return [self._value(item, (*path, i)) for i, item in enumerate(value, start=1)]
        self._add(path, type(value).__name__, "a table, list, text, number, date or flag", "")
        return None

    def _pairs(self, table: Mapping[object, object], path: Path) -> Iterator[tuple[str, object]]:
        for name, value in table.items():
            if not isinstance(name, str):
                self._add(path, name, "a text as the name of a field", "")
                continue
            self._text(name, (*path, name))
            yield str(name), self._value(value, (*path, name))

    def _text(self, text: str, path: Path) -> str:
        if not text.isascii():
            try:
                text.encode()
            except UnicodeEncodeError as error:
                code = f"U+{ord(text[error.start]):04X}"
                self._add(path, text, "text that UTF-8 can carry", f"Remove the half {code}.")
        return str(text)


def _fault(path: Path, received: str, allowed: str, mend: str) -> Fault:
    """Return a fault; ``path`` gives table, row number and field."""
    steps = list(path)
    table = printable(str(steps.pop(0))) if len(steps) > 1 else ""
    row = f"#{steps.pop(0)}" if steps and isinstance(steps[0], int) else ""
    field = " ".join(f"#{step}" if isinstance(step, int) else printable(step) for step in steps)
    return Fault("", table, row, field, received, allowed, mend)
