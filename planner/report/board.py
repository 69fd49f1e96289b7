"""The board of now: everyone in triage order, one row each, as data and as an escaped table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from html import escape
from typing import Any, Final

from planner.plan import Plan
from planner.report.result import by_triage, plan_result
from planner.report.view import Grid, when_short
from planner.report.words import TITLES, share, source_words

ON_OXYGEN, WAITING, AWAITED, NONE_INDICATED = "on", "waiting", "awaited", "none"
#: A shape beside each category's word, so that neither colour nor print decides.
SHAPES: Final[Mapping[str, str]] = {
    "immediate": "\u25a0",  # filled square
    "delayed": "\u25c6",  # filled diamond
    "minimal": "\u25cf",  # filled circle
    "expectant": "\u25b2",  # filled triangle
    "dead": "\u2715",  # cross
}
HEADS: Final = (
    "Patient", "Category", "Place", "Gets, L/min", "Level", "From", "Change by", "Runs out",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class BoardRow:
    """One patient on the board, in words.

    Parameters
    ----------
    state : {"on", "waiting", "awaited", "none"}
        On oxygen; there and without; not yet found; no oxygen indicated.
    runs_out : str
        Chance of running out in per cent, empty where it does not apply.
    """

    patient: str
    triage: str
    place: str
    gets: str
    level: str
    source: str
    change_by: str
    runs_out: str
    state: str


def board(plan: Plan, result: Mapping[str, Any] | None = None) -> tuple[BoardRow, ...]:
    """Return the board of a plan, in the order in which people are served.

    ``result`` is the plan's as plain data, where it has been made already.
    """
    result = plan_result(plan) if result is None else result
    now = {row["patient"]: row for row in result["now"]}
    waits = {row["patient"]: row for row in result["waiting"]}
    reasons = {row["patient"]: row["reason"] for row in result["no_oxygen"]}
    chances = {row.patient: row.chance.value for row in plan.risk.by_patient}
    rows = []
    for patient in by_triage(plan):
        tag = patient.tag
        found = now.get(tag) or waits.get(tag)
        source, change_by, state = _source(plan, now.get(tag), waits.get(tag), reasons.get(tag))
        rows.append(
            BoardRow(
                patient=tag,
                triage=patient.triage,
                place=patient.place,
                gets=_gets(found),
                level="" if found is None else found["level"] or "",
                source=source,
                change_by=change_by,
                runs_out=f"{share(chances[tag])} %" if tag in chances else "",
                state=state,
            )
        )
    return tuple(rows)


def _gets(row: Mapping[str, Any] | None) -> str:
    if row is None or row["device"] is None:
        return ""
    return f"{row['device']} {row['flow_lpm']:g}"


def _source(
    plan: Plan,
    now: Mapping[str, Any] | None,
    waits: Mapping[str, Any] | None,
    reason: str | None,
) -> tuple[str, str, str]:
    """Return what somebody breathes from, till when, and how they stand."""
    if now is not None and now["cylinder"] is not None:
        return source_words(now), when_short(plan, now["change_by_min"]), ON_OXYGEN
    if now is not None:
        kept = f"when found; {now['regulator']} kept" if now["regulator"] else "when found"
        return kept, "", AWAITED
    if waits is not None:
        return f"WAITING: {waits['for']}", "now", WAITING
    return reason or "", "", NONE_INDICATED


def board_html(rows: Iterable[BoardRow | Mapping[str, str]]) -> str:
    """Return the board as an HTML table; every text in it is escaped."""
    body = "".join(_row_html(_as_mapping(row)) for row in rows)
    heads = "".join(f'<th scope="col">{escape(head)}</th>' for head in HEADS)
    return f'<table class="board"><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>'


def _as_mapping(row: BoardRow | Mapping[str, str]) -> Mapping[str, str]:
    if isinstance(row, BoardRow):
        return {name: getattr(row, name) for name in BoardRow.__dataclass_fields__}
    return row


def _row_html(row: Mapping[str, str]) -> str:
    triage = row["triage"] if row["triage"] in SHAPES else ""
    shape = SHAPES.get(triage, "")
    category = (
        f'<span class="mark {triage}" aria-hidden="true">{shape}</span> '
        f"{escape(TITLES.get(triage, row['triage']))}"
    )
    cells = [
        f'<th scope="row">{escape(row["patient"])}</th>',
        f'<td class="category">{category}</td>',
        *(f"<td>{escape(row[name])}</td>" for name in ("place", "gets", "level", "source")),
        f'<td class="clock">{escape(row["change_by"])}</td>',
        f'<td class="number">{escape(row["runs_out"])}</td>',
    ]
    state = row["state"] if row["state"] in {ON_OXYGEN, WAITING, AWAITED, NONE_INDICATED} else ""
    return f'<tr class="{state}">{"".join(cells)}</tr>'


def grid_html(grid: Grid) -> str:
    """Return a table of the view-model as HTML; every text in it is escaped."""
    heads = "".join(f'<th scope="col">{escape(head)}</th>' for head in grid.heads)
    rows = "".join(
        "<tr>" + "".join(_cell_html(k, cell, grid) for k, cell in enumerate(row)) + "</tr>"
        for row in grid.rows
    )
    return (
        f'<table class="grid"><caption>{escape(grid.title)}</caption>'
        f"<thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"
    )


def _cell_html(number: int, cell: str, grid: Grid) -> str:
    kind = ' class="number"' if number in grid.numeric else ""
    return f"<td{kind}>{escape(cell)}</td>"
