"""The print of a study: a page for whoever pays, the stock by load, the frontier, the tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from markupsafe import Markup

from planner.report import cache_words as words
from planner.report.cache_chart import frontier_chart
from planner.report.chart_parts import svg_of
from planner.report.sheets import template

BLANK: Final = "____________________"


def cache_html(document: Mapping[str, Any], revision: str = "") -> str:
    """Return the print of a study, a whole HTML document that refers to nothing outside itself.

    Parameters
    ----------
    document : mapping
        See :func:`planner.report.cache_document.cache_document`.
    revision : str
        How the store numbers the study, such as ``revision 3``; empty for a file.
    """
    study, main = document["study"], words.main_offer(document)
    title = f"Cache: {study['name']}"
    spec = frontier_chart(document)
    return template("cache.html.j2").render(
        banner=document["banner"],
        title=title,
        stamp=" \u00b7 ".join(t for t in (title, revision, words.run_line(document)) if t),
        first_line=words.first_line(document),
        target_line=words.target_line(document),
        cost_line=words.cost_line(document),
        facts=list(_for_whoever_pays(document)),
        offers=words.offers_grid(document),
        cases=words.cases_grid(document, main),
        stocks=[
            (words.called(document, o["name"]), words.loads_grid(document, o),
             words.stock_grid(document, o))
            for o in words.shown_offers(document)
        ],
        # XML text in it is escaped where it is made.
        chart="" if spec is None else Markup(svg_of(_unclicked(spec))),  # noqa: S704
        said=[words.binds_line(document), words.next_line(document)],
        grids=words.beside_grids(document),
        notes=words.notes(document),
        assumptions=document["assumptions"],
    )  # fmt: skip


def _for_whoever_pays(document: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield what whoever pays wants to know: a head and its text, blanks to fill in by hand."""
    study, first = document["study"], document["first_line"]
    main = words.main_offer(document)
    is_known = bool(document["holds"])
    yield "Holds", words.held_words(document) if is_known else words.first_line(document)
    covered = [row["case"] for row in first["holds"]]
    yield "Covers", "; ".join(covered) or "none of the incidents of the study"
    missing = words.missing_words(document) if is_known else "not worked out"
    yield "Does not cover", missing or "nothing that was tried; what was not tried is not known"
    mass, price = f"{main['mass_kg']:.1f} kg", words.money(document, main["price"])
    budget = study["budget"]
    of = "" if budget is None else f" of a budget of {words.money(document, budget)}"
    yield "Cost", f"{price} to buy{of}; {mass} to carry"
    yield "Next best spent", words.next_line(document)
    yield "Approved by", study["approved_by"] or BLANK
    yield "Review date", study["review_on"] or BLANK


def _unclicked(spec: dict[str, Any]) -> dict[str, Any]:
    """Return a chart without what can be clicked: paper has no pointer."""
    return {name: value for name, value in spec.items() if name != "params"}


__all__ = ["cache_html"]
