"""An inspected stock in words: what each cylinder reads and should, and what is to be brought."""

from __future__ import annotations

from io import StringIO
from typing import Any, Final

from planner.banner import BANNER
from planner.inspection import FULL_SHARE, READY, SOON_DAYS, YEARS, Inspected, Inspection, Rules
from planner.report.sheets import template
from planner.report.text import console_to, grid, lines, section
from planner.report.view import Grid
from planner.report.words import counted
from planner.units import Pressure, Temperature

HEADS: Final = (
    "Tag", "Size", "Place", "Label", "Reads", "Full reads", "At", "Requalify by", "Remarks",
)  # fmt: skip
NOTES: Final = (
    "What a full one reads is real gas at the temperature of the reading: a cold gauge is low with"
    " nothing lost.",
    f"Short is under {100 * FULL_SHARE:.0f} % of that, ready-for-service {READY.psi:.0f} psi unless"
    " said otherwise: common practice, no source.",
    f"Requalification every {YEARS} years unless said otherwise: from memory (49 CFR 180.209); the"
    f" stamp on the cylinder and the local rule win. Told {SOON_DAYS} days ahead.",
    "The maker's instructions and local codes say how cylinders are kept, filled and requalified.",
)


def stock_grid(found: Inspection) -> Grid:
    """Return one row a cylinder."""
    return Grid("Stock", HEADS, tuple(_row(one) for one in found.cylinders), frozenset({4, 5, 6}))


def _row(one: Inspected) -> tuple[str, ...]:
    due = "" if one.due_on is None else f"{one.due_on:%d %b %Y}"
    remarks = "; ".join(f"{r.word.upper()}: {r.text}" for r in one.remarks)
    return (
        one.tag, one.size, one.place, one.status, _gauge(one.gauge), _gauge(one.full),
        _temperature(one.read_at), due, remarks,
    )  # fmt: skip


def _gauge(gauge: Pressure) -> str:
    return f"{gauge.value:.0f} {gauge.unit}"


def _temperature(at: Temperature) -> str:
    return f"{at.value:.0f} {at.unit}"


def first_line(found: Inspection) -> str:
    """Return how many are ready."""
    ready = sum(one.is_ready for one in found.cylinders)
    word = counted(len(found.cylinders), "cylinder")
    return f"{ready} of {word} ready on {found.on:%d %b %Y}."


def restock_lines(found: Inspection) -> tuple[str, ...]:
    """Return what is to be brought to what is wanted."""
    return tuple(f"Bring {remark.text}" for remark in found.restock)


def inspection_text(found: Inspection) -> str:
    """Return the inspection for a terminal."""
    out = StringIO()
    console = console_to(out)
    lines(console, (BANNER, first_line(found), ""))
    grid(console, stock_grid(found))
    section(console, "To restock", restock_lines(found))
    section(console, "Notes", NOTES)
    lines(console, (BANNER,))
    return out.getvalue()


def inspection_html(found: Inspection) -> str:
    """Return the sheet for paper, with columns to write the next reading in."""
    return template("stock.html.j2").render(
        banner=BANNER,
        title=f"Inspection of oxygen cylinders, {found.on:%d %b %Y}",
        first_line=first_line(found),
        grid=stock_grid(found),
        restock=restock_lines(found),
        notes=NOTES,
    )


def inspection_result(found: Inspection, rules: Rules) -> dict[str, Any]:
    """Return the inspection as plain data."""
    return {
        "schema": 1,
        "kind": "stock",
        "banner": BANNER,
        "on": found.on.isoformat(),
        "ready_gauge_psi": rules.ready.psi,
        "years": rules.years,
        "cylinders": [
            {
                "tag": one.tag, "size": one.size, "place": one.place, "status": one.status,
                "gauge_psi": one.gauge.psi, "full_gauge_psi": one.full.psi,
                "read_at_c": one.read_at.c, "litres": one.litres,
                "due_on": None if one.due_on is None else one.due_on.isoformat(),
                "is_ready": one.is_ready,
                "remarks": [{"kind": r.word, "text": r.text} for r in one.remarks],
            }
            for one in found.cylinders
        ],
        "restock": [remark.text for remark in found.restock],
        "notes": list(NOTES),
    }  # fmt: skip
