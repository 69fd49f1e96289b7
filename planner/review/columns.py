"""Facts, inference and recommendation side by side, each in a column of its own, by topic."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from planner.report.view import Grid
from planner.report.words import counted, joined
from planner.review.decisions import DecisionPoint, Modelled, NotModelled
from planner.review.inferring import Topic
from planner.review.report import Review
from planner.review.telling import (
    brief_words,
    clock,
    flow_lines,
    gap_line,
    misfit_fact,
    misfit_inference,
    need_line,
    swap_line,
    timeline_line,
)

MOST_POINTS: Final = 10  # rows on the summary; the full review has all
MOST_WELL: Final = 5
MOST_LETTERS: Final = 140  # of a text on the summary
#: Which decision points go first where not all have room; our own.
_WEIGHTY: Final = (
    "transfer fell through", "cylinder low or empty", "requested", "delay announced",
    "resupply arrived", "somebody found",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """One topic: what the record says, what may be behind it, what is recommended."""

    topic: str
    facts: tuple[str, ...]
    inference: tuple[str, ...]
    recommendations: tuple[str, ...]


def rows_of(review: Review) -> tuple[Row, ...]:
    """Return the columns of a review; topics of which the record says nothing are left out."""
    return tuple(row for row in _rows(review) if row.facts or row.inference or row.recommendations)


def _rows(review: Review) -> Iterator[Row]:
    facts, factors = review.facts, review.inference.factors
    yield Row("oxygen of each person", tuple(timeline_line(review, t) for t in facts.patients),
              (), ())  # fmt: skip
    yield Row("without oxygen, by the record",
              tuple(gap_line(review, g) for g in facts.oxygen_gaps), (), ())  # fmt: skip
    misfits = review.inference.misfits
    yield _row(review, "gauges and flow", tuple(misfit_fact(review, m) for m in misfits),
               (*(f"{clock(review, m.reading.at_min)} {m.reading.cylinder}: "
                  f"{misfit_inference(m)}" for m in misfits), *flow_lines(review)))  # fmt: skip
    yield _row(review, "swaps", tuple(swap_line(review, s) for s in facts.swaps),
               factors["workload"])  # fmt: skip
    yield _row(review, "requests and transport", tuple(need_line(review, n) for n in facts.needs),
               factors["communication"])  # fmt: skip
    odd = [d for d in facts.disagreements if d.kind != "gauge"]
    yield _row(
        review, "the record",
        (*(f"gap in the record, {gap_line(review, g)}" for g in facts.record_gaps),
         *(f"{clock(review, d.at_min)} {d.why}; {d.taken}" for d in odd)),
        factors["information"],
    )  # fmt: skip
    left = tuple(
        f"{clock(review, minute)} regulator {tag} left with a patient"
        for tag, _, minute in facts.regulators_gone
    )
    failed = tuple(
        f"{clock(review, e.at_min)} failed or missing: {e.note or 'see the log'}"
        for e in facts.failed
    )
    yield _row(review, "kit", (*left, *failed), factors["equipment"])


def _row(review: Review, topic: Topic, facts: tuple[str, ...], inference: tuple[str, ...]) -> Row:
    told = tuple(f"{r.words} ({r.because})" for r in review.recommendations if r.topic == topic)
    return Row(topic, facts, inference, told)


# ----- the summary ------------------------------------------------------------------------------


def short(text: str) -> str:
    """Return a text cut to what the summary has room for; the full review has it whole."""
    return text if len(text) <= MOST_LETTERS else f"{text[: MOST_LETTERS - 1]}\u2026"


def numbers_grid(review: Review) -> Grid:
    """Return what the record says in numbers."""
    return Grid("The record in numbers", ("What", "By the record"), tuple(_numbers(review)))


def _numbers(review: Review) -> Iterator[tuple[str, str]]:
    facts, end = review.facts, review.facts.end_min
    gaps = [(end if g.until_min is None else g.until_min) - g.from_min for g in facts.oxygen_gaps]
    people = {g.patient for g in facts.oxygen_gaps}
    without = f"{sum(gaps):.0f} min, {counted(len(people), 'person', 'people')}"
    yield "Without oxygen", without if gaps else "nobody, by what is written"
    silent = [(end if g.until_min is None else g.until_min) - g.from_min for g in facts.record_gaps]
    text = f"{sum(silent):.0f} min in {counted(len(silent), 'gap')}: what happened is not known"
    yield "Nothing written (no gap in oxygen, a gap in the record)", text if silent else "no gap"
    late = len(facts.swaps_late)
    left = [s.left_l for s in facts.swaps if s.left_l is not None and s.left_l > 0.0]
    told = f"{len(facts.swaps)}, {late} of them under the change pressure"
    yield "Swaps", told if facts.swaps else "none"
    if left:
        yield "Left in cylinders at swaps, above the safe residual", f"{sum(left):.0f} L together"
    odd = len(review.inference.misfits)
    yield "Readings that do not fit", f"{odd} of {len(facts.readings)}"
    for need in facts.needs[:2]:
        yield "Request", short(need_line(review, need))


def points_grid(review: Review) -> Grid:
    """Return what was known at decision points, with what was modelled; in order of time."""
    made = {m.at_min: m for m in review.known.modelled}
    rank = {kind: k for k, kind in enumerate(_WEIGHTY)}
    ordered = sorted(review.known.points, key=lambda p: min(rank[k] for k in p.kinds))
    kept = sorted(ordered[:MOST_POINTS], key=lambda p: p.at_min)
    rows = tuple(_point(review, p, made.get(p.at_min)) for p in kept)
    heads = (
        "Clock",
        "Became known",
        "Oxygen there, pooled, lasts until",
        "Chance that anyone runs out, going on and planning on there; harm (modelled)",
    )
    return Grid("What was known at the time", heads, rows)


def _point(
    review: Review, point: DecisionPoint, made: Modelled | NotModelled | None
) -> tuple[str, ...]:
    lasts = "-"
    if point.lasts is not None:
        until, low, high = (clock(review, m) for m in point.lasts)
        lasts = f"{until} ({low}-{high})"
    without = [w.patient for w in point.laid.walk.end.without]
    known = joined(point.kinds) + (f"; without oxygen: {joined(without)}" if without else "")
    told = "not modelled"
    if isinstance(made, Modelled):
        told = brief_words(made)
    elif isinstance(made, NotModelled):
        told = f"not modelled: {made.why}"
    return clock(review, point.at_min), short(known), lasts, short(told) if made is None else told
