"""An oxygen log as text for a terminal."""

from __future__ import annotations

from io import StringIO

from planner.banner import BANNER
from planner.incident import Incident
from planner.journal.reading_log import LogReading
from planner.journal.states import LogState
from planner.report.journal_words import (
    NOTE,
    cylinders_grid,
    patients_grid,
    reading_lines,
    state_lines,
)
from planner.report.text import console_to, grid, lines, section
from planner.report.words import when


def journal_text(incident: Incident, reading: LogReading, state: LogState) -> str:
    """Return doubts, patients, cylinders and what does not fit."""
    out = StringIO()
    console = console_to(out)
    at = when(incident.start, state.at_min)
    lines(
        console, (BANNER, f"{incident.name}: the log, state at {at} (minute {state.at_min:g})", "")
    )
    first, *doubts = reading_lines(reading)
    lines(console, (first, ""))
    section(console, "Doubts, with the reading taken", doubts)
    grid(console, patients_grid(state, incident.start))
    grid(console, cylinders_grid(state, is_bar=incident.change_at.unit == "bar"))
    section(console, "What the record says", state_lines(state, incident.start))
    lines(console, (NOTE, "", BANNER))
    return out.getvalue()
