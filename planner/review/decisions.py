"""Decision points: what was known then, what planning on there would have changed; and hindsight.

What was known at a minute (:class:`DecisionPoint`) and what the later log shows
(:class:`Hindsight`) are made apart and never mixed. A modelled difference is of a decision point as
a whole: going on as things stood against planning on there, on common samples. It says nothing
about any one person.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from planner.demand import sample
from planner.estimate import Estimate, difference
from planner.incident import Incident
from planner.journal.events import (
    Connected,
    CylinderEmpty,
    CylinderLow,
    DelayAnnounced,
    Found,
    GaugeRead,
    LogEntry,
    Requested,
    ResupplyArrived,
    Swapped,
    Transferred,
)
from planner.journal.stock import Stock, stock_of
from planner.operation.judge import Bench
from planner.plan import Plan
from planner.policy import Policy
from planner.review.findings import Findings
from planner.review.knowledge import known_from
from planner.review.laying import Laid, laid_onto
from planner.review.needs import pooled_until
from planner.review.transport_news import fell_through
from planner.review.walking import walk
from planner.rules import triage_order
from planner.workflow import FRESH, Request, judge_on, make_plan

Kind = Literal[
    "somebody found", "cylinder low or empty", "delay announced", "transfer fell through",
    "requested", "resupply arrived",
]  # fmt: skip
HINDSIGHT: Final = "HINDSIGHT: not known at the time"


@dataclass(frozen=True, slots=True)
class DecisionPoint:
    """A minute at which something became known that a plan could answer.

    Parameters
    ----------
    at_min : float
    kinds : tuple of Kind
        What became known, in the order of the log.
    entries : tuple of str
        The entries that told it.
    laid : Laid
        The log up to then on the incident.
    lasts : tuple of float or None
        Until when all oxygen there lasted, pooled, with its 95 % band, as known then; None: nothing
        flowed.
    """

    at_min: float
    kinds: tuple[Kind, ...]
    entries: tuple[str, ...]
    laid: Laid
    lasts: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class Modelled:
    """Going on as things stood against planning on there, from what was known.

    Chances and minutes are modelled on ``by.samples`` fresh samples that both share; ``by`` is the
    paired difference in the chance that anyone runs out (planning on less going on), ``harm_by``
    the one in J (``objective``): a plan weighs categories, minutes and lowered flows as well, so it
    may raise that chance to gain those.
    """

    at_min: float
    chance_going_on: Estimate
    chance_planning: Estimate
    by: Estimate
    immediate_going_on: Estimate
    immediate_planning: Estimate
    minutes_going_on: Estimate
    minutes_planning: Estimate
    objective_going_on: Estimate
    objective_planning: Estimate
    harm_by: Estimate
    num_changes: int
    seed: int
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NotModelled:
    """A decision point from which nothing could be planned, and why."""

    at_min: float
    why: str


@dataclass(frozen=True, slots=True)
class Hindsight:
    """What the later log shows of a decision point; nothing of it was known then.

    Parameters
    ----------
    without_min : float
        Minutes without oxygen by the record from then on, everybody together.
    first_without_min : float or None
    came_min : float or None
        When the first delivery came.
    left_min : float or None
        When the last person was taken over.
    off_flows : tuple of (str, float, float, float)
        Cylinders in use then that, as later read, gave another flow than written: tag, estimate
        and 95 % interval [L/min].
    later_told : tuple of str
        Entries about that time or before that were written later.
    """

    at_min: float
    without_min: float
    first_without_min: float | None
    came_min: float | None
    left_min: float | None
    off_flows: tuple[tuple[str, float, float, float], ...]
    later_told: tuple[str, ...]
    mark: str = HINDSIGHT


def decision_points(
    entries: Iterable[LogEntry], incident: Incident
) -> tuple[DecisionPoint, ...]:  # fmt: skip
    """Return the decision points of a log, each with what was known then.

    Corrections make none: they came later. An entry written out of turn makes one when it was
    written.

    Parameters
    ----------
    entries : iterable of LogEntry
    incident : Incident

    Raises
    ------
    InputError
        For an id that stands twice, or entries that replace each other in a ring.
    """
    given = tuple(entries)
    stock = stock_of(incident)
    known = known_from(given)
    low = _read_low(given, stock)
    told: dict[float, list[tuple[LogEntry, Kind]]] = {}
    for entry in sorted(given, key=lambda e: (known[e.id], e.at_min)):
        kind = _kind(entry, low)
        if kind is not None and entry.replaces is None and known[entry.id] >= 0.0:
            told.setdefault(known[entry.id], []).append((entry, kind))
    points = []
    for at_min, rows in told.items():
        laid = laid_onto(incident, given, at_min)
        rows = [row for row in rows if _looked_so(row[0], laid)]  # noqa: PLW2901
        if not rows:
            continue
        lasts = pooled_until(laid.walk.end, stock)
        kinds = tuple(dict.fromkeys(kind for _, kind in rows))
        points.append(DecisionPoint(at_min, kinds, tuple(e.id for e, _ in rows), laid, lasts))
    return tuple(points)


def _read_low(given: Sequence[LogEntry], stock: Stock) -> set[str]:
    """Return gauges read lower than expected, corrections left aside: as it looked then."""
    first = [e for e in given if e.replaces is None]
    return {
        r.entry for r in walk(first, stock).readings
        if r.verdict is not None and r.verdict.side == "lower"
    }  # fmt: skip


def _looked_so(entry: LogEntry, laid: Laid) -> bool:
    """Whether a gauge was read low by what was known then, not only by what came to light later."""
    if not isinstance(entry.event, GaugeRead | Connected | Swapped):
        return True
    read = next((r for r in laid.walk.readings if r.entry == entry.id), None)
    return read is not None and read.verdict is not None and read.verdict.side == "lower"


def _kind(entry: LogEntry, low: set[str]) -> Kind | None:
    match entry.event:
        case Found():
            return "somebody found"
        case CylinderLow() | CylinderEmpty():
            return "cylinder low or empty"
        case DelayAnnounced():
            return "transfer fell through" if fell_through(entry.event) else "delay announced"
        case Requested():
            return "requested"
        case ResupplyArrived():
            return "resupply arrived"
        case _:
            return "cylinder low or empty" if entry.id in low else None


def modelled(point: DecisionPoint, request: Request | None = None) -> Modelled | NotModelled:
    """Return what planning on at a decision point would have changed, as modelled.

    Parameters
    ----------
    point : DecisionPoint
    request : Request or None
        Seed, samples and effort. Its ``in_force`` is the plan that the crew followed; None: what
        was on goes on as set, and whoever is due takes the next cylinder, in triage order.

    Notes
    -----
    Pure but for its run time: nothing is read or written.
    """
    incident, state = point.laid.incident, point.laid.state
    if state is None:
        return NotModelled(point.at_min, "; ".join(point.laid.told) or "log and file disagree")
    if not any(p.status in {"here", "waiting", "unknown"} for p in state.patients):
        return NotModelled(point.at_min, "nobody was there or awaited any more")
    asked = request if request is not None else Request()
    in_force = asked.in_force if asked.in_force is not None else triage_order(incident, state)
    plan = make_plan(incident, state, replace(asked, in_force=in_force))
    going_on = plan.going_on
    if going_on is None:  # make_plan gives it whenever a plan is in force
        return NotModelled(point.at_min, "the plan in force could not be carried on")
    return Modelled(
        at_min=point.at_min,
        chance_going_on=going_on.risk.anyone,
        chance_planning=plan.risk.anyone,
        by=going_on.by,
        immediate_going_on=going_on.risk.immediate,
        immediate_planning=plan.risk.immediate,
        minutes_going_on=going_on.risk.minutes_out,
        minutes_planning=plan.risk.minutes_out,
        objective_going_on=going_on.risk.objective,
        objective_planning=plan.risk.objective,
        harm_by=_harm_by(plan, going_on.policy),
        num_changes=going_on.num_changes,
        seed=plan.run.seed,
        warnings=plan.warnings,
    )


def _harm_by(plan: Plan, going_on: Policy) -> Estimate:
    """Return J of a plan less J of going on, paired on the fresh samples that the plan reports."""
    needs = sample(plan.incident, plan.state, plan.run.samples, plan.run.seed + FRESH)
    judge = judge_on(Bench.of(plan.incident, plan.state, needs))
    after, before = (judge(policy, 0, plan.run.samples) for policy in (plan.policy, going_on))
    return difference(after, before)


def hindsight(points: Iterable[DecisionPoint], found: Findings) -> tuple[Hindsight, ...]:
    """Return what the later log shows of each decision point; `HINDSIGHT` stands on each."""
    return tuple(_hindsight(point, found) for point in points)


def _hindsight(point: DecisionPoint, found: Findings) -> Hindsight:
    at_min = point.at_min
    gaps = [
        (max(g.from_min, at_min), found.end_min if g.until_min is None else g.until_min)
        for g in found.oxygen_gaps
        if g.until_min is None or g.until_min > at_min
    ]
    came = [
        e.at_min for e in found.entries
        if isinstance(e.event, ResupplyArrived) and e.at_min > at_min
    ]  # fmt: skip
    left = [e.at_min for e in found.entries if isinstance(e.event, Transferred)]
    in_use = {p.source.cylinder for p in point.laid.walk.end.patients if p.source is not None}
    off = {
        m.reading.cylinder: (m.reading.cylinder, m.flow.lpm, m.flow.low_lpm, m.flow.high_lpm)
        for m in found.misfits
        if m.reading.at_min > at_min and m.reading.cylinder in in_use
        and m.flow is not None and not m.flow.is_as_written and m.is_of_flow
    }  # fmt: skip
    known = {e.id for e in point.laid.walk.entries}
    later = tuple(e.id for e in found.entries if e.at_min <= at_min and e.id not in known)
    return Hindsight(
        at_min=at_min,
        without_min=sum(b - a for a, b in gaps),
        first_without_min=min((a for a, _ in gaps), default=None),
        came_min=min(came, default=None),
        left_min=max((m for m in left if m > at_min), default=None),
        off_flows=tuple(off.values()),
        later_told=later,
    )


__all__ = [
    "HINDSIGHT", "DecisionPoint", "Hindsight", "Modelled", "NotModelled", "decision_points",
    "hindsight", "modelled",
]  # fmt: skip
