"""A review as lines for a terminal: known at the time first, hindsight last."""

from __future__ import annotations

from collections.abc import Iterator

from planner.review.decisions import HINDSIGHT, Modelled
from planner.review.report import Review
from planner.review.telling import (
    HARM,
    clock,
    flow_lines,
    hindsight_line,
    misfit_fact,
    misfit_inference,
    modelled_lines,
    need_line,
    personal_line,
    point_line,
    swap_line,
    timeline_line,
)


def review_lines(review: Review) -> tuple[str, ...]:
    """Return a review as lines; texts from the log are as written, for the caller to wrap."""
    return tuple(_lines(review))


def _lines(review: Review) -> Iterator[str]:
    yield from (review.banner, review.confidential, f"Review: {review.title}", "")
    yield from (personal_line(personal) for personal in review.personal)
    parts = (
        ("KNOWN AT THE TIME", _known(review)),
        ("FACTS: what the record says", _facts(review)),
        ("INFERENCE: what may be behind it, no verdict", _inference(review)),
        ("RECOMMENDATIONS", (
            f"{r.words} ({r.about}; {r.because})" for r in review.recommendations
        )),
        ("IMPROVEMENT LIST", (
            f"{i.words} - owner: {i.owner} - by: {i.due or '__________'}"
            for i in review.improvements
        )),
        (HINDSIGHT, (hindsight_line(review, h) for h in review.hindsight)),
    )  # fmt: skip
    for title, rows in parts:
        told = [f"   {row[2:]}" if row.startswith("  ") else f" - {row}" for row in rows]
        yield from (title, *(told or [" - nothing"]), "")
    yield review.banner


def _known(review: Review) -> Iterator[str]:
    made = {m.at_min: m for m in review.known.modelled}
    if any(isinstance(m, Modelled) for m in made.values()):
        yield HARM
    for point in review.known.points:
        yield point_line(review, point)
        yield from (f"  assumed: {text}" for text in point.laid.told)
        if point.at_min in made:
            yield from (f"  {text}" for text in modelled_lines(made[point.at_min]))


def _facts(review: Review) -> Iterator[str]:
    facts = review.facts
    yield from (timeline_line(review, timeline) for timeline in facts.patients)
    yield from (swap_line(review, swap) for swap in facts.swaps)
    yield from (need_line(review, need) for need in facts.needs)
    odd = [d for d in facts.disagreements if d.kind != "gauge"]
    yield from (f"{clock(review, d.at_min)} {d.why}; {d.taken}" for d in odd)
    yield from (f"went well: {w.words}" for w in facts.went_well)


def _inference(review: Review) -> Iterator[str]:
    for misfit in review.inference.misfits:
        yield f"{misfit_fact(review, misfit)}; {misfit_inference(misfit)}"
    yield from flow_lines(review)
    for heading, texts in review.inference.factors.items():
        yield f"{heading}: {'; '.join(texts) or 'nothing in the record points to it'}"
