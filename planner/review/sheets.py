"""The printed review: one self-contained HTML file, two pages to act on first, hindsight last.

Every text is escaped by the template; the file holds no script and refers to nothing outside.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from markupsafe import Markup

from planner.report.board import grid_html
from planner.report.chart_parts import Spec, svg_of
from planner.report.sheets import template
from planner.report.view import Grid
from planner.report.words import counted
from planner.review.charts import review_charts
from planner.review.columns import MOST_WELL, numbers_grid, points_grid, rows_of, short
from planner.review.decisions import HINDSIGHT
from planner.review.report import Review
from planner.review.telling import (
    HARM,
    hindsight_line,
    modelled_lines,
    personal_line,
    point_line,
)


def review_html(
    review: Review, doubts: Iterable[str] = (), charts: Sequence[Spec] | None = None
) -> str:  # fmt: skip
    """Return the print of a review.

    Parameters
    ----------
    review : Review
    doubts : iterable of str
        What was not plain in the logs, with the reading taken.
    charts : sequence of dict or None
        From :func:`planner.review.charts.review_charts`; None: made here.

    Returns
    -------
    str
        A whole HTML document.
    """
    specs = review_charts(review.facts, review.start) if charts is None else charts
    made = {m.at_min: m for m in review.known.modelled}
    points = points_grid(review)
    known = [
        (point_line(review, p), [*(f"assumed: {t}" for t in p.laid.told),
                                 *(modelled_lines(made[p.at_min]) if p.at_min in made else ())])
        for p in review.known.points
    ]  # fmt: skip
    return template("review.html.j2").render(
        banner=review.banner,
        confidential=review.confidential,
        title=f"After-action review: {review.title}",
        stamp=f"{review.title} \u00b7 {review.start:%d %b %Y}",
        warnings=[personal_line(p) for p in review.personal],
        warned=_warned(review),
        numbers=_markup(numbers_grid(review)),
        recommendations=review.recommendations,
        because=[short(r.because) for r in review.recommendations],
        well=[short(w.words) for w in review.facts.went_well[:MOST_WELL]],
        points=_markup(points) if points.rows else "",
        num_more=len(review.known.points) - len(points.rows),
        is_modelled=bool(made),
        harm=HARM,
        known=known,
        rows=rows_of(review),
        all_well=[w.words for w in review.facts.went_well],
        factors=[(h, f) for h, f in review.inference.factors.items()],
        improvements=review.improvements,
        charts=[Markup(svg_of(spec)) for spec in specs],  # noqa: S704 - XML text is escaped
        doubts=tuple(doubts),
        hindsight_title=HINDSIGHT,
        hindsight=[hindsight_line(review, h) for h in review.hindsight],
    )


def _warned(review: Review) -> str:
    number = len(review.personal)
    if not number:
        return ""
    texts = counted(number, "text looks", "texts look")
    return f"WARNING: {texts} like a name or a birth date. The list stands in the full review."


def _markup(grid: Grid) -> Markup:
    return Markup(grid_html(grid))  # noqa: S704 - escaped where it is made
