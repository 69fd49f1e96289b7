"""Texts that look like a person's name or a birth date: only a warning, by rules of our own."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Final, Literal

from planner.journal.events import LogEntry
from planner.review.names import FAMILY, GIVEN

_WORD: Final = r"[^\W\d_][^\W\d_'\u2019-]+"
_TITLE: Final = re.compile(r"\b(?:Mr|Mrs|Ms|Dr|Herr|Frau|Mme|Sr|Sra)\.?\s+" + _WORD)
_CALLED: Final = re.compile(r"\b(?:name|named|called)\b\s*(?:is|:)?\s+" + _WORD, re.IGNORECASE)
_PAIR: Final = re.compile(rf"(?<![\w-])({_WORD})\s+({_WORD})(?![\w-])")
_ALONE: Final = re.compile(rf"(?<![\w-]){_WORD}(?![\w-])")
#: Too short, or words in some log: counted only with a capital, by the rules above.
_SHORT: Final = "li jan dan ann ken kai wei mei sam tom klein chris wright kelly virginia"
_SMALL: Final = (GIVEN | FAMILY) - frozenset(_SHORT.split())
_BORN: Final = re.compile(r"\b(?:born|birth|dob|d\.o\.b|geb)\b\.?", re.IGNORECASE)
_DATE: Final = re.compile(
    r"(?<!\d)(?:(\d{4})[-./]\d{1,2}[-./]\d{1,2}|\d{1,2}[-./]\d{1,2}[-./](\d{4}|\d{2}))(?!\d)"
)


@dataclass(frozen=True, slots=True)
class Personal:
    """A text of an entry that looks like a name or a birth date; the text itself is not given."""

    entry: str
    field: str
    looks_like: Literal["a person's name", "a birth date"]


def personal_texts(
    entries: Iterable[LogEntry], start: datetime, known: Iterable[str] = ()
) -> tuple[Personal, ...]:
    """Return where texts look like somebody's name or birth date.

    Parameters
    ----------
    entries : iterable of LogEntry
    start : datetime
        Dates of that year or the one before are dates of the day, not of a birth.
    known : iterable of str
        Names of places, transport and the incident, which are no person's.
    """
    usual = {word.lower() for text in known for word in re.findall(_WORD, text)}
    return tuple(p for entry in entries for p in _of_entry(entry, start, usual))


def _of_entry(entry: LogEntry, start: datetime, usual: set[str]) -> Iterator[Personal]:
    for field, text in _texts(entry):
        if _looks_like_name(text, usual, is_tag=field in {"patient", "role"}):
            yield Personal(entry.id, field, "a person's name")
        if _looks_like_birth(text, start):
            yield Personal(entry.id, field, "a birth date")


def _texts(entry: LogEntry) -> Iterator[tuple[str, str]]:
    for owner in (entry, entry.event):
        for field in fields(owner):
            value = getattr(owner, field.name)
            if isinstance(value, str) and field.name not in {"id", "replaces", "triage"}:
                yield field.name, value


def _looks_like_name(text: str, usual: set[str], *, is_tag: bool) -> bool:
    if _TITLE.search(text) or _CALLED.search(text):
        return True
    for found in _PAIR.finditer(text):
        words = found.groups()
        if all(w.istitle() and w.lower() not in usual for w in words):
            return True
    if _has_small_name(text, usual):
        return True
    # Of somebody's tag or role one capitalised word alone is enough: "Anna", not "A1" or "driver".
    alone = re.fullmatch(_WORD, text.strip())
    return is_tag and alone is not None and text.istitle() and text.lower() not in usual


def _has_small_name(text: str, usual: set[str]) -> bool:
    """Whether a common name stands in a text without capitals, "john miller" or "asked karin"."""
    words = [w.lower() for w in _ALONE.findall(text) if w.lower() not in usual]
    return any(w.removesuffix("'s").removesuffix("\u2019s") in _SMALL for w in words)


def _looks_like_birth(text: str, start: datetime) -> bool:
    if _BORN.search(text) and re.search(r"\d", text):
        return True
    for found in _DATE.finditer(text):
        year = int(found[1] or found[2])
        if year < 100:
            year += start.year // 100 * 100
            year -= 100 if year > start.year else 0
        if 1900 <= year < start.year - 1:
            return True
    return False
