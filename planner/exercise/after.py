"""After the exercise: facts for the hot wash, and decisions beside planning on.

About the system, not about people: no score, no ranking. What went well, what was missing, who
takes it on and until when is for those who were there to fill in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from planner.demand import Needs, sample
from planner.exercise.changes import DELIVERY_LATER, PATIENT_FOUND, TRANSPORT_LATER
from planner.exercise.luck import luck_of
from planner.exercise.run import Given, Run
from planner.exercise.setup import Exercise
from planner.exercise.truth import truth_at, with_news
from planner.exercise.truth_rows import TrueSwap, Truth
from planner.exercise.what_now import situation_at
from planner.incident import TRIAGE_ORDER, Triage
from planner.journal.events import DelayAnnounced, Journal, LogEntry, Note, Requested
from planner.journal.trees import clean_text
from planner.operation.judge import Bench
from planner.oxygen_options import options_of
from planner.plan import Plan
from planner.situation import Situation
from planner.workflow import Request, make_plan

NOTE_MOST: Final = 500


@dataclass(frozen=True, slots=True)
class ByCategory:
    """People of one category in truth, and what they lacked up to the minute looked at."""

    triage: Triage
    people: int
    with_need: int
    minutes_out: float
    late_swaps: int


@dataclass(frozen=True, slots=True)
class RequestFact:
    """A request: when, for what, and how it stood then.

    ``first_out_min`` is when somebody first lacked oxygen in the whole run (None: nobody), and
    ``short_l`` what all who lacked it would have breathed at their first-choice flow.
    """

    at_min: float
    items: str
    count: int | None
    first_out_min: float | None
    short_l: float


@dataclass(frozen=True, slots=True)
class InjectFact:
    """An inject that was given, and after how long players first decided something on it.

    Where it changes something by tag, the first decision about one of these tags counts, else the
    first of any. None: there was none.
    """

    given: Given
    answered_after_min: float | None
    answer: str | None


@dataclass(frozen=True, slots=True)
class ObjectiveRow:
    """An objective with its injects; strengths, gaps, owner and date are to be filled in."""

    name: str
    text: str
    injects: tuple[InjectFact, ...]
    strengths: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()
    owner: str = ""
    due: str = ""


@dataclass(frozen=True, slots=True)
class HotWash:
    """Facts for the hot wash; minutes and litres in truth."""

    until_min: float
    by_category: tuple[ByCategory, ...]
    swaps: tuple[TrueSwap, ...]
    late_swaps: int
    left_at_swaps_l: float
    requests: tuple[RequestFact, ...]
    first_out_min: float | None
    short_l: float
    objectives: tuple[ObjectiveRow, ...]


def hot_wash(exercise: Exercise, run: Run) -> HotWash:
    """Return the facts of a run up to the minute that its clock shows."""
    truth = truth_at(exercise, run)
    facts = tuple(_answered(run, given) for given in run.given)
    outs = [p.first_out_min for p in truth.patients if p.first_out_min is not None]
    first, short = min(outs, default=None), _short_l(exercise, truth)
    rows = [
        ObjectiveRow(o.name, o.text, tuple(f for f in facts if f.given.inject.objective == o.name))
        for o in exercise.objectives
    ]
    rest = tuple(f for f in facts if not f.given.inject.objective)
    if rest:
        rows.append(ObjectiveRow("", "injects of no objective", rest))
    requests = tuple(
        RequestFact(e.at_min, e.event.items, e.event.count, first, short)
        for e in run.decisions() if isinstance(e.event, Requested)
    )  # fmt: skip
    return HotWash(
        truth.at_min, _by_category(truth), truth.swaps,
        sum(p.late_swaps for p in truth.patients), sum(s.left_l for s in truth.swaps),
        requests, first, short, tuple(rows),
    )  # fmt: skip


def _by_category(truth: Truth) -> tuple[ByCategory, ...]:
    rows = []
    for triage in TRIAGE_ORDER:
        people = [p for p in truth.patients if p.triage == triage and p.status != "not found"]
        if people:
            needing = sum(p.wants_oxygen or p.first_flow_min is not None or p.minutes_out > 0
                          for p in people)  # fmt: skip
            rows.append(
                ByCategory(triage, len(people), needing, sum(p.minutes_out for p in people),
                           sum(p.late_swaps for p in people))
            )  # fmt: skip
    return tuple(rows)


def _short_l(exercise: Exercise, truth: Truth) -> float:
    total = 0.0
    for person in truth.patients:
        options = options_of(exercise.incident, person.patient)
        if options:
            total += person.minutes_out * options[0].flow_lpm
    return total


def _answered(run: Run, given: Given) -> InjectFact:
    tags = {change.tag for change in given.inject.changes}
    later = [
        t.entry for t in run.told if t.by == "players" and t.entry.at_min >= given.minute
    ]  # fmt: skip
    about = [e for e in later if tags & _tags(e)]
    entry = min(about or ([] if _is_by_tag(run, tags) else later), key=lambda e: e.at_min,
                default=None)  # fmt: skip
    if entry is None:
        return InjectFact(given, None, None)
    return InjectFact(given, entry.at_min - given.minute, entry.id)


def _is_by_tag(run: Run, tags: set[str]) -> bool:
    """Say whether any decision of the run names one of the tags: transport is named by none."""
    return any(tags & _tags(t.entry) for t in run.told if t.by == "players")


def _tags(entry: LogEntry) -> set[str]:
    names = ("patient", "cylinder", "regulator", "off")
    return {str(tag) for name in names if (tag := getattr(entry.event, name, None)) is not None}


def journal_of(exercise: Exercise, run: Run) -> Journal:
    """Return the run's log for :func:`planner.review.report.review_of`.

    Injects stand in it as notes, and what one says about later transport as an announcement.
    """
    extra = []
    for given in run.given:
        number, at = given.inject.number, given.minute
        text = clean_text(f"Inject {number}: {given.inject.text}", NOTE_MOST)
        extra.append(LogEntry(f"i{number}", at, Note(), role="controller", note=text))
        for k, change in enumerate(given.inject.changes):
            by = change.minutes or 0.0
            if change.kind == TRANSPORT_LATER and by > 0:
                event = DelayAnnounced(change.tag, delay_min=by)
                extra.append(LogEntry(f"i{number}.{k}", at, event, role="controller"))
    return Journal(exercise.name, exercise.incident.start, (*run.log, *extra))


# ----- beside planning on -----------------------------------------------------------------------


ONE_LUCK: Final = (
    "Modelled, for this one course of luck: another may say otherwise. The plan knew the "
    "true gauges; a swap due without supply counts as out from change pressure in the plan, "
    "and from the safe residual in what was done."
)
ON_REQUEST: Final = "A delivery comes to both when the players' request brought it."
#: Changes by injects that the planned course meets as well, since they are times of the luck.
ALIKE: Final = frozenset({TRANSPORT_LATER, DELIVERY_LATER, PATIENT_FOUND})


@dataclass(frozen=True, slots=True)
class Beside:
    """What players did from a minute on beside planning on there, with the same later luck.

    Parameters
    ----------
    at_min, until_min : float
    decided_min, planned_min : mapping
        Minutes without oxygen in between, by patient: in truth, and as modelled for the plan.
    by_category : mapping
        Modelled difference by category, planning on less what was decided.
    plan : Plan
    one_luck : str
        A caution that belongs beside it, with the later injects that only what was decided met.
    """

    at_min: float
    until_min: float
    decided_min: Mapping[str, float]
    planned_min: Mapping[str, float]
    by_category: Mapping[Triage, float]
    plan: Plan
    one_luck: str

    @property
    def difference_min(self) -> float:
        """Planning on less what was decided, everybody together."""
        return sum(self.planned_min.values()) - sum(self.decided_min.values())


def beside_planning(
    exercise: Exercise, run: Run, minute: float, request: Request | None = None
) -> Beside:  # fmt: skip
    """Return what was decided from a minute on beside planning on there; takes seconds.

    Raises
    ------
    ValueError
        A minute at or after the one that the clock shows, or beyond the horizon.
    """
    until = min(run.minute, exercise.incident.horizon_min)
    if not 0 <= minute < until:
        raise ValueError(f"minute is {minute:g}; allowed: 0 or more, and before {until:g}")
    situation = situation_at(exercise, run, minute)
    plan = make_plan(situation.incident, situation.state, request)
    incident = replace(situation.incident, horizon_min=until)
    needs = later_luck(exercise, run, situation)
    bench = Bench.of(incident, situation.state, needs)
    out = bench.operate(plan.policy, num_threads=1).minutes_out[:, 0].tolist()
    before, after = truth_at(exercise, run, minute), truth_at(exercise, run, until)
    tags = [p.tag for p in after.patients]
    planned = dict(zip(tags, out, strict=True))
    pairs = zip(before.patients, after.patients, strict=True)
    decided = {b.tag: a.minutes_out - b.minutes_out for b, a in pairs}
    by: dict[Triage, float] = {}
    asked = ON_REQUEST if exercise.deliveries_on_request else ""
    caution = " ".join(filter(None, (ONE_LUCK, asked, _not_alike(run, minute))))
    for person in after.patients:
        gain = planned[person.tag] - decided[person.tag]
        by[person.triage] = by.get(person.triage, 0.0) + gain
    return Beside(minute, until, decided, planned, by, plan, caution)


def _not_alike(run: Run, minute: float) -> str:
    """Name the later injects that struck what was decided, and not the plan beside it."""
    struck = [
        str(g.inject.number) for g in run.given
        if g.minute > minute and any(c.kind not in ALIKE for c in g.inject.changes)
    ]  # fmt: skip
    if not struck:
        return ""
    named = "Inject " + struck[0] if len(struck) == 1 else "Injects " + ", ".join(struck)
    return (
        f"{named}, given later, changed what was decided and not the plan beside it: from a "
        "minute after the last of them both meet the same."
    )


def later_luck(exercise: Exercise, run: Run, situation: Situation) -> Needs:
    """Return this run's own luck from a state on, as the judge takes it: one sample.

    Times that later injects put off (people, transport, deliveries) are in it. What else those
    change, gauges, kit, hands or people, is not: the plan is operated from what was so then.
    """
    incident, state = situation.incident, situation.state
    luck = with_news(exercise, run, run.minute, luck_of(exercise.incident, exercise.seed))
    needs = sample(incident, state, 1, exercise.seed)
    start, transfer, needed = [], [], []
    for row, now in zip(incident.patients, state.patients, strict=True):
        found, leaves = luck.found_min[row.tag], luck.transfer_min[row.tag]
        is_awaited = now.status == "unknown" and found > state.at_min and leaves > found
        needed.append(now.status in {"waiting", "here"} or (is_awaited and found < np.inf))
        start.append(found if is_awaited and found < np.inf else min(found, state.at_min))
        transfer.append(leaves)
    comes = [
        state.at_min if n in state.arrived else at for n, at in enumerate(luck.resupply_min)
    ]  # fmt: skip
    factors = luck.flow_factor
    return replace(
        needs,
        start_min=_column(start), is_needed=np.array(needed, dtype=np.bool_).reshape(-1, 1),
        transfer_min=_column(transfer), resupply_min=_column(comes),
        gauge_error_psi=np.array(
            [[0.0 if any(n.tag == c.tag for n in state.cylinders)
              else luck.gauge_error_psi[c.tag]] for c in incident.all_cylinders]
        ).reshape(-1, 1),
        regulator_factor=_column([factors[r.tag] for r in incident.all_regulators]),
        valve_factor=_column([factors[c.tag] for c in incident.all_cylinders]),
    )  # fmt: skip


def _column(values: list[float]) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    return np.array(values, dtype=np.float64).reshape(-1, 1)
