"""Each thing of a review as one line of words, the same for terminal, page and print."""

from __future__ import annotations

from collections.abc import Iterator

from planner.estimate import Estimate
from planner.journal.states import OxygenGap, RecordGap
from planner.report.words import counted, joined, percent, pressure, when
from planner.review.decisions import DecisionPoint, Hindsight, Modelled, NotModelled
from planner.review.findings import Exchange, Misfit, Need, gauge_off_psi
from planner.review.privacy import Personal
from planner.review.report import Review
from planner.review.timelines import Timeline
from planner.units import Pressure

HARM = (
    "Harm: one number from the chance that anyone runs out (Immediates first), minutes out and "
    "flows below first choice, weighed as the incident file says (J). Less is better."
)


def clock(review: Review, minute: float) -> str:
    """Return a clock time of the review."""
    return when(review.start, minute)


def gauge(review: Review, gauge_psi: float | None) -> str:
    """Return a gauge in the incident's unit."""
    if gauge_psi is None:
        return "not known"
    return pressure(Pressure(gauge_psi, "psi"), is_bar=review.is_bar)


def personal_line(personal: Personal) -> str:
    """Return the warning about a text that looks like a name or birth date, without the text."""
    return (
        f"WARNING: entry {personal.entry}, {personal.field}: looks like {personal.looks_like}. "
        "Take it out before this is shared."
    )


# ----- known at the time ------------------------------------------------------------------------


def point_line(review: Review, point: DecisionPoint) -> str:
    """Return a decision point: what became known, who was on what, how long it would last."""
    head = f"{clock(review, point.at_min)} {joined(point.kinds)} (entry {joined(point.entries)})"
    return f"{head}: {situation_words(review, point)}"


def situation_words(review: Review, point: DecisionPoint) -> str:
    """Return how things stood at a decision point, as known then."""
    people = point.laid.walk.end
    on = [f"{p.tag} from {p.source.cylinder}" for p in people.patients if p.source is not None]
    text = f"on oxygen {joined(on) or 'nobody'}"
    if people.without:
        text += f"; without {joined(w.patient for w in people.without)}"
    if point.lasts is not None:
        until, low, high = (clock(review, m) for m in point.lasts)
        text += f"; all oxygen there, pooled, would last until {until} ({low}-{high})"
    return text


def modelled_lines(made: Modelled | NotModelled) -> Iterator[str]:
    """Yield what planning on would have changed: the chance, and harm."""
    if isinstance(made, NotModelled):
        yield f"not modelled: {made.why}"
        return
    yield f"modelled: {chance_words(made)}"
    yield f"modelled difference in harm: {harm_words(made)}"


def chance_words(made: Modelled) -> str:
    """Return the chance going on and planning on, with the paired difference."""
    by = made.by
    moved = f"{100 * by.value:+.1f} points ({100 * by.low:+.1f} to {100 * by.high:+.1f})"
    moved += "" if _is_clear(by) else ", no clear difference"
    return (
        f"{percent(made.chance_going_on)} that anyone runs out going on as things stood, "
        f"{percent(made.chance_planning)} planning on here with "
        f"{counted(made.num_changes, 'change')}: {moved}"
        f"; minutes out {made.minutes_going_on.value:.0f} and {made.minutes_planning.value:.0f}"
    )


def harm_words(made: Modelled) -> str:
    """Return the paired difference in harm with its 95 % interval, and of how much it is."""
    by, going_on = made.harm_by, made.objective_going_on.value
    if made.num_changes == 0:
        return f"none, nothing is changed (going on {going_on:.2f})"
    if not _is_clear(by):
        return f"none that is clear ({by.low:+.2f} to {by.high:+.2f}, going on {going_on:.2f})"
    low, high = sorted((abs(by.low), abs(by.high)))
    way = "less" if by.value < 0.0 else "more"
    return (
        f"{abs(by.value):.2f} {way} planning on here ({low:.2f} to {high:.2f}), of "
        f"{going_on:.2f} going on"
    )


def brief_words(made: Modelled) -> str:
    """Return both differences as short as they go, for a table whose head says what they are."""
    by, harm = made.by, made.harm_by
    text = (
        f"{percent(made.chance_going_on)} going on, {percent(made.chance_planning)} planning on: "
        f"{100 * by.value:+.1f} points ({100 * by.low:+.1f} to {100 * by.high:+.1f})"
    )
    if made.num_changes == 0:
        return f"{percent(made.chance_going_on)} going on; planning on changes nothing"
    return f"{text}; harm {harm.value:+.2f} ({harm.low:+.2f} to {harm.high:+.2f})"


def _is_clear(by: Estimate) -> bool:
    return by.low > 0.0 or by.high < 0.0


# ----- facts ------------------------------------------------------------------------------------


def timeline_line(review: Review, timeline: Timeline) -> str:
    """Return what somebody breathed from when, and the gaps."""
    told = []
    for s in timeline.stretches:
        until = review.facts.end_min if s.until_min is None else s.until_min
        other = f" {s.other}" if s.other else ""
        told.append(f"{clock(review, s.from_min)}-{clock(review, until)} {s.kind}{other}")
    return f"{timeline.tag}: {'; '.join(told) or 'no oxygen by the record'}"


def swap_line(review: Review, swap: Exchange) -> str:
    """Return a swap with both gauges, and what was left in the one taken off."""
    off = gauge(review, gauge_off_psi(swap))
    how = "read" if swap.off_read_psi is not None else "by arithmetic"
    left = ""
    if swap.left_l is not None:
        side = "above" if swap.left_l >= 0 else "under"
        left = f", {abs(swap.left_l):.0f} L {side} the safe residual"
    on = f"{gauge(review, swap.on_psi)} {'read' if swap.is_on_read else 'by the list'}"
    text = f"{clock(review, swap.at_min)} {swap.patient}: {swap.off} off at {off} {how}{left}; "
    return text + f"{swap.on} on at {on}"


def need_line(review: Review, need: Need) -> str:
    """Return when a request was made, and when it would have been needed."""
    text = f"{clock(review, need.requested_min)} requested: {need.items}"
    if need.after_prompt_min is not None:
        text += f", {need.after_prompt_min:.0f} min after the news about transport"
    if need.came_min is not None:
        text += f"; came {clock(review, need.came_min)}"
    if need.needed_by_min is not None:
        text += f"; would have been needed by {clock(review, need.needed_by_min)}"
    return text


def gap_line(review: Review, gap: OxygenGap | RecordGap) -> str:
    """Return a gap, in oxygen by the record or in the record itself."""
    until = "the end of the log" if gap.until_min is None else clock(review, gap.until_min)
    return f"{gap.patient}: {clock(review, gap.from_min)} to {until}, {gap.why}"


# ----- inference and hindsight ------------------------------------------------------------------


def misfit_fact(review: Review, misfit: Misfit) -> str:
    """Return what was read against what was expected."""
    read = misfit.reading
    return (
        f"{clock(review, read.at_min)} {read.cylinder} read {gauge(review, read.psi)}, expected "
        f"{gauge(review, misfit.expected_psi)} ({gauge(review, misfit.low_psi)} to "
        f"{gauge(review, misfit.high_psi)})"
    )


def misfit_inference(misfit: Misfit) -> str:
    """Return the true flow with its interval, and what could be behind it, without a verdict."""
    told = (f"{e.cause} ({e.grade}: {e.why})" for e in misfit.explanations)
    could = f"could be: {'; '.join(told)}"
    if misfit.flow is None:
        return could
    flow = misfit.flow
    least = "at least " if flow.is_at_least else ""
    text = f"true flow {least}about {flow.lpm:.0f} L/min ({flow.low_lpm:.0f}-{flow.high_lpm:.0f})"
    return f"{text}; {could}"


def flow_lines(review: Review) -> Iterator[str]:
    """Yield of each cylinder what flowed by its last gauge, and which leak would not be seen."""
    last = {r.cylinder: r.flow for r in review.facts.readings if r.flow is not None}
    dial_sd = review.facts.stock.uncertainty.flow_setting
    for tag, flow in last.items():
        if flow.is_at_least:
            continue
        limit = flow.seen_from(dial_sd)
        told = f"no leak seen; one under about {limit:.0f} L/min can't be told"
        if abs(flow.extra_lpm) > limit:
            way = "more" if flow.extra_lpm > 0.0 else "less"
            told = f"{way} than errors of gauges and dial explain"
        yield (
            f"{tag}: {flow.lpm:.1f} L/min ({flow.low_lpm:.1f}-{flow.high_lpm:.1f}) by its gauges, "
            f"{flow.written_lpm:.1f} written: {told}"
        )


def hindsight_line(review: Review, later: Hindsight) -> str:
    """Return what only later showed of a decision point."""
    parts = []
    if later.without_min > 0.0:
        parts.append(f"{later.without_min:.0f} min without oxygen by the record came after it")
    if later.came_min is not None:
        parts.append(f"a delivery came {clock(review, later.came_min)}")
    parts += [
        f"{tag}, in use then, gave about {flow:.0f} L/min ({low:.0f}-{high:.0f})"
        for tag, flow, low, high in later.off_flows
    ]
    if later.left_min is not None:
        parts.append(f"the last one left {clock(review, later.left_min)}")
    if later.later_told:
        parts.append(f"written later: entries {joined(later.later_told)}")
    return f"{clock(review, later.at_min)}: {'; '.join(parts) or 'nothing more'}"
