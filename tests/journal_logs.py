"""Random entries of an oxygen log, for the laws of the journal."""

from __future__ import annotations

from dataclasses import MISSING, fields
from datetime import datetime
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st

from planner.incident import TRIAGE_ORDER
from planner.journal.events import EVENTS, Event, LogEntry
from planner.units import Pressure, Temperature

LAWS = settings(derandomize=True, deadline=None, database=None, max_examples=150)
START = datetime(2027, 2, 14, 14, 0)

#: Signs that a file or a spreadsheet could trip over, beside ordinary ones.
SIGNS = "aZ09 ;,'\"=+-@|[]{}\u00e9\u4e2d\U0001f600\uff1d\\/:"
TAGS = (
    st.text(SIGNS, min_size=1, max_size=12)
    .map(str.strip)
    .filter(lambda text: bool(text) and text[0] not in "=+-@")
)
WORDS = st.text(SIGNS, min_size=1, max_size=30).map(str.strip).filter(bool)
NUMBERS = st.one_of(
    st.floats(0.0, 60.0, allow_subnormal=False), st.sampled_from([1.0, 12.125, 0.5, 1e-7, 10.0])
)
PRESSURES = st.one_of(
    st.floats(0.0, 3600.0, allow_subnormal=False).map(lambda v: Pressure(v, "psi")),
    st.floats(0.0, 240.0, allow_subnormal=False).map(lambda v: Pressure(v, "bar")),
)
TEMPERATURES = st.one_of(
    st.floats(-50.0, 60.0, allow_subnormal=False).map(lambda v: Temperature(v + 0.0, "C")),
    st.floats(-50.0, 100.0, allow_subnormal=False).map(lambda v: Temperature(v + 0.0, "F")),
)
VALUES: dict[str, st.SearchStrategy[Any]] = {
    "triage": st.sampled_from(TRIAGE_ORDER),
    "flow_lpm": NUMBERS,
    "delay_min": NUMBERS,
    "expected_min": NUMBERS,
    "gauge": PRESSURES,
    "gauge_plus_minus": PRESSURES,
    "temperature": TEMPERATURES,
    "cylinders": st.lists(TAGS, min_size=1, max_size=3).map(tuple),
    "regulators": st.lists(TAGS, min_size=1, max_size=3).map(tuple),
    "count": st.integers(1, 500),
    "reason": WORDS,
    "items": WORDS,
}


@st.composite
def events(draw: st.DrawFn) -> Event:
    """Any event that a file may hold."""
    kind = draw(st.sampled_from(list(EVENTS.values())))
    said: dict[str, Any] = {}
    for field in fields(kind):
        is_needed = field.default is MISSING or field.name in {"cylinder", "patient"}
        if kind.__name__ in {"Moved", "GaugeRead", "KitFailed", "ResupplyArrived"}:
            is_needed = is_needed or field.name in {"items"}
        if is_needed or draw(st.booleans()):
            said[field.name] = draw(VALUES.get(field.name, TAGS))
    if "gauge" not in said:
        said.pop("gauge_plus_minus", None)
    if said.get("off") == said.get("cylinder"):
        said.pop("off", None)
    if kind.__name__ == "Connected" and said.get("flow_lpm") == 0.0:
        said.pop("flow_lpm")
    return kind(**said)


@st.composite
def logs(draw: st.DrawFn, max_size: int = 8) -> tuple[LogEntry, ...]:
    """A log with ids of its own, some of its entries corrections of earlier ones."""
    found: list[LogEntry] = []
    for tag in draw(st.lists(TAGS, max_size=max_size, unique=True)):
        before = draw(st.sampled_from(found)).id if found and draw(st.booleans()) else None
        more = {
            name: draw(st.one_of(st.none(), strategy))
            for name, strategy in (("role", TAGS), ("source", TAGS))
        }
        found.append(
            LogEntry(
                tag, draw(st.floats(-1440.0, 10_080.0, allow_subnormal=False)) + 0.0,
                draw(events()), plus_minus_min=draw(NUMBERS), place=draw(TAGS),
                note=draw(WORDS), replaces=before, **more,
            )
        )  # fmt: skip
    return tuple(found)
