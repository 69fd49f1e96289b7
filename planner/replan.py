"""Planning on from the middle: the plan in force carried on, and what a new plan changes in it.

A crew pays for every change: what was said over the radio has to be said again. So each costs a
price in the file's own numbers (``change_price``), and a new plan changes something only where it
gains more than that.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from planner.allocation.search import Judge
from planner.allocation.sketch import Board, policy_of, sketch_of
from planner.demand import Flags, Floats
from planner.estimate import Estimate, difference
from planner.incident import Incident, Option
from planner.operation.judge import Bench
from planner.operation.reading import policy_after
from planner.policy import KeptFor, Policy, Promise
from planner.risk import Risk, risk_of, runs_out, weights_of
from planner.state import Hookup, State

Kind = Literal["option", "list", "kept for", "promise"]


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that a new plan does otherwise than the plan in force.

    Parameters
    ----------
    kind : {"option", "list", "kept for", "promise"}
    patient : str
        Whom it is about; empty for the list and what is kept.
    before, after : Option, Promise, tuple or None
        Options or promises of that patient; tags of the list in its order; rows kept for.
    cost : int
        How many changes it counts as: cylinders that stand elsewhere in the list, else 1 each.
    """

    kind: Kind
    patient: str
    before: Option | Promise | tuple[str, ...] | tuple[KeptFor, ...] | None
    after: Option | Promise | tuple[str, ...] | tuple[KeptFor, ...] | None
    cost: int


@dataclass(frozen=True, slots=True)
class Reason:
    """A change, and what undoing it alone would do: chance of anyone, paired on fresh samples.

    ``without`` is None where it cannot be undone alone, because something else follows from it.
    """

    change: Change
    without: Estimate | None


@dataclass(frozen=True, slots=True)
class GoingOn:
    """The plan in force carried on, beside the new one.

    Parameters
    ----------
    policy : Policy
        The plan in force as it goes on from this state.
    risk : Risk
        What it gives, on the same fresh samples as the new plan.
    by : Estimate
        Difference in the chance that anyone runs out, new less carried on, paired.
    reasons : tuple of Reason
        Empty when nothing is changed.
    """

    policy: Policy
    risk: Risk
    by: Estimate
    reasons: tuple[Reason, ...]

    @property
    def num_changes(self) -> int:
        """How many changes there are, as the price counts them."""
        return sum(reason.change.cost for reason in self.reasons)


def carried_on(incident: Incident, state: State, in_force: Policy) -> Policy:
    """Return the plan in force as it goes on from a state.

    Options, list and what is kept are those in force, as far as they still make sense. Whoever is
    there and waits is dealt kit as any plan deals it; who is on oxygen keeps what is on.
    """
    later = policy_after(incident, in_force, state)
    board = Board.of(incident, state)
    dealt = policy_of(board, sketch_of(board, later))
    connected = {tag for hookup in dealt.hookups for tag in hookup.cylinders}
    listed = set(dealt.order)
    kept = [tag for tag in later.order if tag in listed and tag not in connected]
    new = [tag for tag in dealt.order if tag not in set(kept)]
    return replace(dealt, order=(*kept, *new))


def changes_between(before: Policy, after: Policy) -> tuple[Change, ...]:
    """Return what one policy does otherwise than another, options and promises by patient."""
    return tuple(_changes(before, after))


def _changes(before: Policy, after: Policy) -> Iterator[Change]:
    was, now = dict(before.options), dict(after.options)
    for tag in dict.fromkeys((*was, *now)):
        if was.get(tag) != now.get(tag):
            yield Change("option", tag, was.get(tag), now.get(tag), 1)
    old, new = ({p.patient: p for p in policy.promises} for policy in (before, after))
    for tag in dict.fromkeys((*old, *new)):
        if old.get(tag) != new.get(tag):
            yield Change("promise", tag, old.get(tag), new.get(tag), 1)
    common = set(before.order) & set(after.order)
    orders = [tuple(t for t in policy.order if t in common) for policy in (before, after)]
    moved = num_moved(*orders)
    if moved:
        yield Change("list", "", before.order, after.order, moved)
    rows = set(before.kept_for) ^ set(after.kept_for)
    if rows:
        about = {(row.place, row.connection, row.triage) for row in rows}
        yield Change("kept for", "", before.kept_for, after.kept_for, len(about))


def num_moved(before: Sequence[str], after: Sequence[str]) -> int:
    """Return how many items must be taken out and put elsewhere to turn one order into another.

    All but the longest run of items that stand in the same order in both.
    """
    place = {tag: k for k, tag in enumerate(after)}
    ends: list[int] = []  # least last place of a rising run, by its length
    for at in (place[tag] for tag in before):
        k = bisect_left(ends, at)
        ends[k : k + 1] = [at]
    return len(before) - len(ends)


def cost_of(before: Policy, after: Policy) -> int:
    """Return how many changes there are, as the price counts them."""
    return sum(change.cost for change in _changes(before, after))


def with_changes_priced(judge: Judge, incident: Incident, going_on: Policy) -> Judge:
    """Return a judge that adds to J the price of every change to the plan in force."""
    price = incident.priorities.change_price

    def priced(policy: Policy, first: int, last: int) -> Floats:
        return judge(policy, first, last) + price * cost_of(going_on, policy)

    return priced


def beside(fresh: Bench, going_on: Policy, policy: Policy) -> GoingOn:
    """Judge the plan in force carried on beside the new one, and each change undone alone."""
    anyone = _anyone(fresh)
    outcome = fresh.operate(going_on)
    now = anyone(policy)
    reasons = []
    for change in changes_between(going_on, policy):
        undone = _undone(policy, going_on, change)
        if undone is None:
            reasons.append(Reason(change, None))
        else:
            by = difference(anyone(undone).astype(np.float64), now.astype(np.float64))
            reasons.append(Reason(change, by))
    was = anyone(going_on)
    return GoingOn(
        going_on,
        risk_of(fresh.incident, going_on, outcome),
        difference(now.astype(np.float64), was.astype(np.float64)),
        tuple(reasons),
    )


def _anyone(fresh: Bench) -> Callable[[Policy], Flags]:
    weights = weights_of(fresh.incident)

    def anyone(policy: Policy) -> Flags:
        return runs_out(weights, fresh.minutes_out(policy, 0, fresh.needs.num_samples))

    return anyone


def _undone(policy: Policy, going_on: Policy, change: Change) -> Policy | None:
    """Return the new plan without one change; None where something else hangs on it."""
    if change.kind == "list":
        there = set(policy.order)
        order = tuple(tag for tag in going_on.order if tag in there)
        return replace(policy, order=(*order, *(t for t in policy.order if t not in set(order))))
    if change.kind == "kept for":
        return replace(policy, kept_for=going_on.kept_for)
    if change.kind == "promise":
        return None  # kit that is dealt otherwise is dealt to somebody else, too
    return _option_undone(policy, going_on, change)


def _option_undone(policy: Policy, going_on: Policy, change: Change) -> Policy | None:
    was = going_on.option_of(change.patient)
    if was is None or policy.option_of(change.patient) is None:
        return None
    on, before = (_hookup_of(each, change.patient) for each in (policy, going_on))
    if on is not None:
        if before is None or before.cylinders != on.cylinders:
            return None
        policy = replace(policy, hookups=tuple(before if h is on else h for h in policy.hookups))
    is_same_mask = was.device == getattr(change.after, "device", None)
    if change.patient in {p.patient for p in policy.promises} and not is_same_mask:
        return None
    options = tuple((tag, was if tag == change.patient else o) for tag, o in policy.options)
    return replace(policy, options=options)


def _hookup_of(policy: Policy, patient: str) -> Hookup | None:
    return next((h for h in policy.hookups if any(x.patient == patient for x in h.lines)), None)


__all__ = [
    "Change", "GoingOn", "Reason", "beside", "carried_on", "changes_between", "cost_of",
    "num_moved", "with_changes_priced",
]  # fmt: skip
