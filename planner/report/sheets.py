"""The print: one self-contained HTML file of a plan, for paper and for handing round.

Made from the plan's document (see :mod:`planner.report.plan_document`), so that terminal and page
give the same sheets, also for a plan that was kept days ago. Every text is escaped by the
template; the file holds no script and refers to nothing outside itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from planner.journal.columns import LOG_COLUMNS
from planner.report.board import board_html, grid_html
from planner.report.chart_parts import svg_of
from planner.report.how import CHANCE_MEANS
from planner.report.plan_document import view_from
from planner.report.view import Grid
from planner.report.ways_words import grid_of

CHARTS: Final = (
    "swap_timeline", "chance_by_minute", "chance_by_patient", "gauges", "need_against_supply",
)  # fmt: skip
LOG_LINES: Final = 17  # as many as a Letter page in landscape holds
CARD_LINES: Final = 3
OUT_OF_DATE: Final = "OUT OF DATE"


def sheets_html(document: Mapping[str, Any], revision: str = "") -> str:
    """Return the print of a plan.

    Parameters
    ----------
    document : mapping
        See :func:`planner.report.plan_document.plan_document`.
    revision : str
        How the store numbers what the plan was made from, such as ``revision 3``; empty for a
        plan made from a file. When it says ``OUT_OF_DATE``, so does the wall sheet.

    Returns
    -------
    str
        A whole HTML document.
    """
    view = view_from(document["view"])
    result = document["result"]
    stamp = " \u00b7 ".join(text for text in (view.title, revision, view.footer) if text)
    return template("plan.html.j2").render(
        view=view,
        stamp=stamp,
        revision=revision,
        is_old=OUT_OF_DATE in revision,
        board=Markup(board_html(document["board"])),  # noqa: S704 - escaped where it is made
        beside=_grid(view.beside),
        awaited=_grid(view.awaited),
        waiting=_grid(view.waiting),
        swaps=view.swaps,
        cards=document.get("cards", ()),
        card_lines=range(CARD_LINES),
        # XML text in them is escaped; none has ids, which would clash in one document.
        charts=[Markup(svg_of(document["charts"][name])) for name in CHARTS],  # noqa: S704
        columns=LOG_COLUMNS,
        log_lines=range(LOG_LINES),
        incident=result["incident"],
        means=CHANCE_MEANS,
        advised=document.get("advised"),
        curve=_curve(document.get("advised")),
        ways=_ways(document.get("ways")),
        chosen=document.get("chosen"),
    )


@cache
def template(name: str) -> Template:
    """Return a template; a name that it lacks is an error, not an empty text."""
    environment = Environment(
        loader=PackageLoader("planner.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


def _curve(advised: Mapping[str, Any] | None) -> Markup | str:
    """Return the chart of the request's curve as SVG, where there is one."""
    spec = (advised or {}).get("charts", {}).get("request_curve")
    return "" if spec is None else Markup(svg_of(spec))  # noqa: S704 - XML text is escaped


def _ways(tree: Mapping[str, Any] | None) -> Mapping[str, Any] | None:
    """Return the three ways ready to be shown: their table, and what is said of each."""
    if tree is None:
        return None
    return {"grid": _grid(grid_of(tree)), "lines": tree["lines"]}


def _grid(grid: Grid) -> Markup | str:
    return Markup(grid_html(grid)) if grid.rows else ""  # noqa: S704 - escaped where it is made


__all__ = ["CHARTS", "OUT_OF_DATE", "sheets_html"]
