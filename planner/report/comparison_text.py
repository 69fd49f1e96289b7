"""The terminal form of ``compare``."""

from __future__ import annotations

from io import StringIO

from planner.banner import BANNER
from planner.plan import Plan
from planner.report.comparison import (
    BOUNDS,
    comparison_grid,
    comparison_line,
    names_line,
    widest_line,
)
from planner.report.text import console_to, grid, lines


def comparison_text(plan: Plan) -> str:
    """Return plan, rules and limits side by side as text."""
    out = StringIO()
    console = console_to(out)
    lines(console, (BANNER, plan.incident.name, "", comparison_line(plan), ""))
    grid(console, comparison_grid(plan))
    lines(console, (names_line(plan), widest_line(plan), "", BOUNDS, "", BANNER))
    return out.getvalue()
