"""The terminal form of ``advise``."""

from __future__ import annotations

from collections.abc import Mapping
from io import StringIO
from typing import Any

from planner.banner import BANNER
from planner.report.text import console_to, grid, lines, section
from planner.report.ways_words import grid_of


def advice_text(result: Mapping[str, Any], ways: Mapping[str, Any] | None = None) -> str:
    """Return advice as text, from what ``advice_result`` and ``ways_document`` give."""
    out = StringIO()
    console = console_to(out)
    lines(console, (BANNER, result["incident"]["name"], ""))
    found = result["lines"]
    lines(console, ("What to ask for", *found["request"], ""))
    lines(console, ("What would help most, each alone", *found["helps"], ""))
    if found["pairs"]:
        lines(console, ("The best two together", *found["pairs"], ""))
    if ways is not None:
        grid(console, grid_of(ways))
        lines(console, (*ways["lines"], ""))
    if result["no_effect"]:
        section(console, "No difference at all", [row["words"] for row in result["no_effect"]])
    section(console, "Notes", result["notes"])
    lines(console, (BANNER,))
    return out.getvalue()
