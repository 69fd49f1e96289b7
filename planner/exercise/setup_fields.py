"""Fields of an exercise file, each once; texts in people's own words are read apart from them."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from planner.exercise.changes import KINDS
from planner.exercise.injects import WHENS
from planner.fields import TRIAGE, WEEK_MIN, Field, Kind, Table
from planner.fields.kinds import defaulted, required
from planner.journal.events import EVENTS

MAX_PSI: Final = 3600.0  # as for the gauge of an incident's cylinder
MAX_SEED: Final = 2**31 - 1
MAX_NUMBER: Final = 999

HEAD: Final = Table(
    "exercise",
    "Exercise",
    (
        required("name", Kind.TEXT, "Give the exercise a name."),
        Field("incident", Kind.TEXT, "The incident file, in the same folder or below it."),
        defaulted("seed", Kind.WHOLE, 1, "Which luck is drawn; another number is another evening.",
                  low=0, high=MAX_SEED),
        defaulted("deliveries_on_request", Kind.FLAG, False,
                  "Say true when deliveries come only after a request, counted from it."),
    ),
    is_single=True,
)  # fmt: skip
OBJECTIVES: Final = Table(
    "objectives",
    "Objectives",
    (required("name", Kind.TEXT, "A short name, which injects point to."),),
    key="name",
)
KNOWN: Final = Table(
    "known",
    "Known at the start",
    (
        Field("patients", Kind.TEXTS, "Who is known of; left out: all who are there at minute 0."),
        Field(
            "cylinders", Kind.TEXTS, "Which cylinders are known of; left out: all that are here."
        ),
        Field("gauges_read", Kind.TEXTS, "Of which the gauge has been read; left out: none."),
        Field("regulators", Kind.TEXTS, "Which regulators are known of; left out: all here."),
    ),
    is_single=True,
)
INJECTS: Final = Table(
    "injects",
    "Injects",
    (
        required("number", Kind.WHOLE, "Number the injects.", low=1, high=MAX_NUMBER),
        Field("at_min", Kind.NUMBER, "The minute at which it is due.", unit="min", low=0,
              high=WEEK_MIN),
        Field("when", Kind.TEXT, "Or the condition on which it is due.", choices=WHENS),
        Field("minutes", Kind.NUMBER, "By which minute, so long after, or for how long.",
              unit="min", low=0, high=WEEK_MIN),
        Field("event", Kind.TEXT, "Which entry of the log the condition waits for.",
              choices=tuple(EVENTS)),
        Field("from", Kind.TEXT, "Whose words they are: a role, not a name."),
        Field("to", Kind.TEXT, "To whom they are said: a role, not a name."),
        Field("by", Kind.TEXT, "Which controller says them: a role, not a name."),
        Field("objective", Kind.TEXT, "Which objective it belongs to, by name."),
        Field("library", Kind.TEXT, "An inject of the library to begin from."),
    ),
)  # fmt: skip
CHANGES: Final = Table(
    "changes",
    "Changes of the truth",
    (
        required("kind", Kind.TEXT, "Say what is otherwise from then on.", choices=KINDS),
        required("tag", Kind.TEXT, "Of what or whom: a tag, a name of transport, a number."),
        Field("gauge", Kind.PRESSURE, "The true gauge from then on.", low=0, high=MAX_PSI),
        Field("triage", Kind.TEXT, "The category from then on.", choices=TRIAGE),
        Field("indication", Kind.TEXT, "The row of the protocol from then on."),
        Field("spo2", Kind.NUMBER, "The reading from then on.", unit="%", low=0, high=100),
        Field("minutes", Kind.NUMBER, "How much later (below 0: sooner), or for how long.",
              unit="min", low=-WEEK_MIN, high=WEEK_MIN),
        Field("flow_lpm", Kind.NUMBER, "The flow at which the dial is stuck.", unit="L/min",
              low=0.1, high=60),
    ),
    key="tag",
)  # fmt: skip

TABLES: Final[Mapping[str, Table]] = MappingProxyType(
    {table.name: table for table in (HEAD, OBJECTIVES, KNOWN, INJECTS, CHANGES)}
)
#: Texts in people's own words, by table: they may be long and begin with any printable sign.
FREE_TEXTS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "exercise": ("note",),
        "objectives": ("text",),
        "known": ("told",),
        "injects": ("text", "expected"),
    }
)
