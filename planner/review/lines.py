"""A review as lines for a terminal: known at the time first, hindsight last."""

from __future__ import annotations

from collections.abc import Iterator

from planner.report.words import counted, joined, percent, pressure, when
from planner.review.decisions import HINDSIGHT, DecisionPoint, Hindsight, Modelled, NotModelled
from planner.review.findings import Exchange, Misfit, Need, gauge_off_psi
from planner.review.report import Review
from planner.units import Pressure


def review_lines(review: Review) -> tuple[str, ...]:
    """Return a review as lines; texts from the log are as written, for the caller to wrap."""
    return tuple(_lines(review))


def _lines(review: Review) -> Iterator[str]:
    yield from (review.banner, review.confidential, f"Review: {review.title}", "")
    for personal in review.personal:
        yield (
            f"WARNING: entry {personal.entry}, {personal.field}: looks like {personal.looks_like}. "
            "Take it out before this is shared."
        )
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
        (HINDSIGHT, (_hindsight(review, h) for h in review.hindsight)),
    )  # fmt: skip
    for title, rows in parts:
        told = [f"   {row[2:]}" if row.startswith("  ") else f" - {row}" for row in rows]
        yield from (title, *(told or [" - nothing"]), "")
    yield review.banner


def _clock(review: Review, minute: float) -> str:
    return when(review.start, minute)


def _gauge(review: Review, gauge_psi: float | None) -> str:
    if gauge_psi is None:
        return "not known"
    return pressure(Pressure(gauge_psi, "psi"), is_bar=review.is_bar)


# ----- known at the time ------------------------------------------------------------------------


def _known(review: Review) -> Iterator[str]:
    made = {m.at_min: m for m in review.known.modelled}
    for point in review.known.points:
        yield _point(review, point)
        yield from (f"  assumed: {text}" for text in point.laid.told)
        if point.at_min in made:
            yield f"  {_modelled(made[point.at_min])}"


def _point(review: Review, point: DecisionPoint) -> str:
    people = point.laid.walk.end
    on = [f"{p.tag} from {p.source.cylinder}" for p in people.patients if p.source is not None]
    text = f"{_clock(review, point.at_min)} {joined(point.kinds)} (entry {joined(point.entries)})"
    text += f": on oxygen {joined(on) or 'nobody'}"
    if people.without:
        text += f"; without {joined(w.patient for w in people.without)}"
    if point.lasts is not None:
        until, low, high = (_clock(review, m) for m in point.lasts)
        text += f"; all oxygen there, pooled, would last until {until} ({low}-{high})"
    return text


def _modelled(made: Modelled | NotModelled) -> str:
    if isinstance(made, NotModelled):
        return f"not modelled: {made.why}"
    by = made.by
    is_clear = by.low > 0.0 or by.high < 0.0
    moved = f"{100 * by.value:+.1f} points ({100 * by.low:+.1f} to {100 * by.high:+.1f})"
    moved += "" if is_clear else ", no clear difference"
    return (
        f"modelled: {percent(made.chance_going_on)} that anyone runs out going on as things stood, "
        f"{percent(made.chance_planning)} planning on here with "
        f"{counted(made.num_changes, 'change')}: {moved}"
        f"; minutes out {made.minutes_going_on.value:.0f} and {made.minutes_planning.value:.0f}"
    )


# ----- facts ------------------------------------------------------------------------------------


def _facts(review: Review) -> Iterator[str]:
    facts = review.facts
    for timeline in facts.patients:
        told = []
        for s in timeline.stretches:
            until = facts.end_min if s.until_min is None else s.until_min
            other = f" {s.other}" if s.other else ""
            span = f"{_clock(review, s.from_min)}-{_clock(review, until)}"
            told.append(f"{span} {s.kind}{other}")
        yield f"{timeline.tag}: {'; '.join(told) or 'no oxygen by the record'}"
    yield from (_swap(review, swap) for swap in facts.swaps)
    yield from (_need(review, need) for need in facts.needs)
    odd = [d for d in facts.disagreements if d.kind != "gauge"]
    yield from (f"{_clock(review, d.at_min)} {d.why}; {d.taken}" for d in odd)
    yield from (f"went well: {w.words}" for w in facts.went_well)


def _swap(review: Review, swap: Exchange) -> str:
    off = _gauge(review, gauge_off_psi(swap))
    how = "read" if swap.off_read_psi is not None else "by arithmetic"
    left = ""
    if swap.left_l is not None:
        side = "above" if swap.left_l >= 0 else "under"
        left = f", {abs(swap.left_l):.0f} L {side} the safe residual"
    on = f"{_gauge(review, swap.on_psi)} {'read' if swap.is_on_read else 'by the list'}"
    text = f"{_clock(review, swap.at_min)} {swap.patient}: {swap.off} off at {off} {how}{left}; "
    return text + f"{swap.on} on at {on}"


def _need(review: Review, need: Need) -> str:
    text = f"{_clock(review, need.requested_min)} requested: {need.items}"
    if need.after_prompt_min is not None:
        text += f", {need.after_prompt_min:.0f} min after the news about transport"
    if need.came_min is not None:
        text += f"; came {_clock(review, need.came_min)}"
    if need.needed_by_min is not None:
        text += f"; would have been needed by {_clock(review, need.needed_by_min)}"
    return text


# ----- inference and hindsight ------------------------------------------------------------------


def _inference(review: Review) -> Iterator[str]:
    yield from (_misfit(review, m) for m in review.inference.misfits)
    for heading, texts in review.inference.factors.items():
        yield f"{heading}: {'; '.join(texts) or 'nothing in the record points to it'}"


def _misfit(review: Review, misfit: Misfit) -> str:
    read = misfit.reading
    text = (
        f"{_clock(review, read.at_min)} {read.cylinder} read {_gauge(review, read.psi)}, expected "
        f"{_gauge(review, misfit.expected_psi)} ({_gauge(review, misfit.low_psi)} to "
        f"{_gauge(review, misfit.high_psi)})"
    )
    if misfit.flow is not None:
        flow = misfit.flow
        least = "at least " if flow.is_at_least else ""
        text += f"; true flow {least}about {flow.lpm:.0f} L/min"
        text += f" ({flow.low_lpm:.0f}-{flow.high_lpm:.0f})"
    told = (f"{e.cause} ({e.grade}: {e.why})" for e in misfit.explanations)
    return f"{text}; could be: {'; '.join(told)}"


def _hindsight(review: Review, later: Hindsight) -> str:
    parts = []
    if later.without_min > 0.0:
        parts.append(f"{later.without_min:.0f} min without oxygen by the record came after it")
    if later.came_min is not None:
        parts.append(f"a delivery came {_clock(review, later.came_min)}")
    parts += [
        f"{tag}, in use then, gave about {flow:.0f} L/min ({low:.0f}-{high:.0f})"
        for tag, flow, low, high in later.off_flows
    ]
    if later.left_min is not None:
        parts.append(f"the last one left {_clock(review, later.left_min)}")
    if later.later_told:
        parts.append(f"written later: entries {joined(later.later_told)}")
    return f"{_clock(review, later.at_min)}: {'; '.join(parts) or 'nothing more'}"
