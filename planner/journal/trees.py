"""An entry of the log as a plain tree, and back; the fields of the log's file, each once.

Names of fields are those of the incident file wherever they mean the same, and those of the
columns that are printed blank (:mod:`planner.journal.columns`).
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields
from types import MappingProxyType
from typing import Any, Final

from planner.errors import Fault
from planner.fields import MAX_COUNT, MAX_TEXT, TRIAGE, WEEK_MIN, Field, Kind, Table
from planner.fields.kinds import defaulted, required
from planner.intake import JOINERS, Intake, listed, printable, shown, text_fault
from planner.journal.events import EVENTS, WORDS, LogEntry
from planner.units import Pressure, Temperature

DAY_MIN: Final = 1440.0
MAX_PSI: Final = 3600.0  # as for the gauge of an incident's cylinder
#: Texts in people's own words: they may begin with any printable sign, such as "+2 masks".
FREE_TEXTS: Final = ("note", "reason", "items")
#: Event fields that several tags fit into; one cell in a CSV, see :mod:`planner.journal.files`.
TAG_LISTS: Final = ("cylinders", "regulators")

ENTRY: Final = Table(
    "entries",
    "Entries of the log",
    (
        required("id", Kind.TEXT, "Give the entry an id that no other has."),
        required("at_min", Kind.NUMBER, "Say when, in minutes from the log's start.",
                 unit="min", low=-DAY_MIN, high=WEEK_MIN),
        defaulted("plus_minus_min", Kind.NUMBER, 0.0, "How far the time may be off.",
                  unit="min", low=0, high=DAY_MIN),
        required("event", Kind.TEXT, "Say what happened.", choices=tuple(EVENTS)),
        Field("patient", Kind.TEXT, "Whom it is about, by tag."),
        Field("cylinder", Kind.TEXT, "Which cylinder, by tag; at a swap the one that is put on."),
        Field("regulator", Kind.TEXT, "Which regulator, by tag."),
        Field("device", Kind.TEXT, "Which mask or cannula."),
        Field("flow_lpm", Kind.NUMBER, "What the dial is set to.", unit="L/min", low=0, high=60),
        Field("gauge", Kind.PRESSURE, "What the gauge reads.", low=0, high=MAX_PSI),
        Field("temperature", Kind.TEMPERATURE, "How cold it was at the gauge.", low=-50, high=60),
        Field("place", Kind.TEXT, "Where; for what is moved, where it is afterwards."),
        Field("role", Kind.TEXT, "Who did or saw it, by role, not by name."),
        Field("source", Kind.TEXT, "Which log or clock it comes from."),
        Field("replaces", Kind.TEXT, "The id of the entry that this one corrects."),
        Field("triage", Kind.TEXT, "The category.", choices=TRIAGE),
        Field("off", Kind.TEXT, "At a swap, the cylinder that is taken off."),
        Field("gauge_plus_minus", Kind.PRESSURE, "How far a rough reading may be off.",
              low=0, high=MAX_PSI),
        Field("transport", Kind.TEXT, "Which transport."),
        Field("delay_min", Kind.NUMBER, "By how many minutes later.",
              unit="min", low=0, high=WEEK_MIN),
        Field("expected_min", Kind.NUMBER, "When it is expected, in minutes from the log's start.",
              unit="min", low=-DAY_MIN, high=WEEK_MIN),
        Field("count", Kind.WHOLE, "How many.", low=1, high=MAX_COUNT),
        Field("cylinders", Kind.TEXTS, "What was delivered, by tag."),
        Field("regulators", Kind.TEXTS, "What was delivered, by tag."),
    ),
    key="id",
)  # fmt: skip

_COMMON: Final = tuple(f.name for f in fields(LogEntry) if f.name != "event")


def _shapes() -> Mapping[str, tuple[frozenset[str], frozenset[str]]]:
    shapes = {}
    for word, event in EVENTS.items():
        names = fields(event)
        needed = frozenset(f.name for f in names if f.default is MISSING)
        shapes[word] = (frozenset(f.name for f in names), needed)
    return MappingProxyType(shapes)


#: For each event's word the fields it may have, and those it must.
SHAPES: Final = _shapes()


def entry_tree(entry: LogEntry) -> dict[str, Any]:
    """Return an entry as tables of a file: numbers, texts and lists; what is not said left out.

    Whole numbers are written without decimals, so that a file that other tools have read and
    written again keeps its checksum.
    """
    tree: dict[str, Any] = {"event": WORDS[type(entry.event)]}
    for owner in (entry, entry.event):
        for field in fields(owner):
            value = getattr(owner, field.name)
            if field.name == "event" or value is None or value == ():
                continue
            if field.name == "plus_minus_min" and value == 0.0:
                continue
            if isinstance(value, Pressure | Temperature):
                tree[f"{field.name}_{value.unit.lower()}"] = plain_number(value.value)
            elif isinstance(value, float):
                tree[field.name] = plain_number(value)
            else:
                tree[field.name] = list(value) if isinstance(value, tuple) else value
    return tree


def entry_from(raw: Mapping[str, object], label: str, intake: Intake) -> LogEntry | None:
    """Return the entry that a tree describes; None, and faults in the intake, when it has any.

    Parameters
    ----------
    raw : mapping
        As :func:`entry_tree` returns it.
    label : str
        What faults call the row when it has no id.
    intake : Intake
        Gathers the faults.
    """
    before = len(intake.faults)
    row = intake.row(ENTRY, {k: v for k, v in raw.items() if k not in FREE_TEXTS}, label)
    values = dict(row.values)
    for name in FREE_TEXTS:
        if name in raw:
            values[name] = _free_text(name, raw[name], row.label, intake)
    word = values.get("event")
    if word is not None:
        _check_shape(word, {*row.raw_names, *(raw.keys() & set(FREE_TEXTS))}, row.label, intake)
    if word is not None and len(intake.faults) == before:
        _check_sense(word, values, row.label, intake)
    if len(intake.faults) > before or word is None:
        return None
    event = EVENTS[word]
    said = {f.name: values[f.name] for f in fields(event) if values.get(f.name) is not None}
    common = {name: values[name] for name in _COMMON if values.get(name) is not None}
    return LogEntry(event=event(**said), **common)


def plain_number(value: float) -> float | int:
    """Return a whole float as an int."""
    return int(value) if float(value).is_integer() else value


def free_text_fault(text: str) -> tuple[str, str] | None:
    """Return what is allowed and the mend when a text may not stand in a note, else None."""
    if len(text) > MAX_TEXT or not text.strip():
        return text_fault(text, MAX_TEXT)
    # A letter in front: whatever begins like a formula is made harmless where it is written.
    return text_fault("x" + text, MAX_TEXT + 1)


def clean_text(text: str, limit: int = MAX_TEXT) -> str:
    """Return a text as a note may hold it: control characters become blanks, the length is cut."""
    kept = "".join(" " if _is_control(char) else char for char in text)
    return " ".join(kept.split())[:limit].rstrip()


def _is_control(char: str) -> bool:
    category = unicodedata.category(char)
    return category in {"Cc", "Cs", "Co", "Zl", "Zp"} or (category == "Cf" and char not in JOINERS)


def _free_text(name: str, raw: object, label: str, intake: Intake) -> str | None:
    if not isinstance(raw, str):
        bad: tuple[str, str] | None = ("a text", "Put it in quotes.")
    else:
        bad = free_text_fault(raw)
    if bad:
        intake.add(Fault(intake.file, ENTRY.name, label, name, shown(raw), *bad))
        return None
    return str(raw).strip()


def _check_shape(word: str, given: set[str], label: str, intake: Intake) -> None:
    """Tell fields that an event does not have, and those that it lacks."""
    allowed, needed = SHAPES[word]
    for name in sorted(given - allowed - set(_COMMON) - {"event"}):
        has = f"for {word!r}: {listed(sorted(allowed)) or 'no field of its own'}"
        mend = "Write an entry of its own for it, or put it in the note."
        received = f"{printable(name)} with the event {word!r}"
        intake.add(Fault(intake.file, ENTRY.name, label, name, received, has, mend))
    for name in sorted(needed - given):
        field = ENTRY.field(name) if name not in FREE_TEXTS else None
        mend = f"Add it. {field.help if field else 'Say what.'}"
        allowed_there = f"something there when the event is {word!r}"
        intake.add(Fault(intake.file, ENTRY.name, label, name, "nothing", allowed_there, mend))


def _check_sense(word: str, values: Mapping[str, Any], label: str, intake: Intake) -> None:
    """Tell what no single field shows."""
    for words, is_wrong, field, allowed, mend in _SENSE:
        if (not words or word in words) and is_wrong(values):
            received = shown(values.get(field))
            intake.add(Fault(intake.file, ENTRY.name, label, field, received, allowed, mend))


def _lacks(*names: str) -> Callable[[Mapping[str, Any]], bool]:
    return lambda values: not any(values.get(name) for name in names)


#: Which events, what is wrong with them, and where, what is allowed, how to mend it.
_SENSE: Final[
    tuple[tuple[tuple[str, ...], Callable[[Mapping[str, Any]], bool], str, str, str], ...]
] = (
    (("gauge read",), _lacks("cylinder", "patient"), "cylinder",
     "a cylinder, or the patient who breathes from it", "Say whose gauge."),
    (("moved",), _lacks("patient", "cylinder", "regulator"), "patient",
     "a patient, cylinder or regulator", "Say who or what was moved."),
    (("moved",), _lacks("place"), "place", "the place where it is afterwards", "Say where to."),
    (("kit failed",), _lacks("patient", "cylinder", "regulator", "device", "note"), "device",
     "what failed, by tag, by kind or in the note", "Say what failed."),
    (("note",), _lacks("note"), "note", "a text", "Write something, or leave the entry out."),
    (("resupply arrived",), _lacks(*TAG_LISTS, "items", "note"), "items",
     "what came: tags or words", "Say what was delivered."),
    (("connected",), lambda v: v.get("flow_lpm") == 0.0, "flow_lpm",
     "a flow above 0 when oxygen begins", "Leave it out if nobody knows."),
    (("swapped",), lambda v: v.get("off") == v.get("cylinder"), "off",
     "another cylinder than the one put on", "Name the one that came off."),
    ((), lambda v: v.get("gauge_plus_minus") is not None and v.get("gauge") is None,
     "gauge_plus_minus", "only beside a gauge", "Give the gauge, or leave it out."),
    ((), lambda v: v.get("replaces") == v["id"], "replaces",
     "the id of another entry", "Name the entry that it corrects."),
)  # fmt: skip
