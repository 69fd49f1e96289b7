"""Planning on, in words: what changes in the plan in force, what each change is worth, and why."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from planner.incident import Option
from planner.plan import Plan
from planner.policy import KeptFor, Promise
from planner.policy_document import policy_document
from planner.replan import Change, Reason
from planner.report.estimates import chance_result, difference_words, is_clear, value_result
from planner.report.words import counted, joined, percent, runs, when


def going_on_lines(plan: Plan) -> tuple[str, ...]:
    """Return what a plan made from the middle changes; empty when no plan was in force."""
    found = plan.going_on
    if found is None:
        return ()
    since = when(plan.incident.start, plan.state.at_min)
    carried = f"The plan in force, carried on from {since}: {percent(found.risk.anyone)} that "
    carried += "anyone runs out of oxygen"
    if not found.reasons:
        return (f"{carried}. No change: nothing found is worth what a change costs.",)
    told = counted(found.num_changes, "change")
    first = f"{carried}; this plan, with {told}: {difference_words(found.by)}."
    return (first, *(f"{_change(r.change)}{_why(r)}." for r in found.reasons))


def _why(reason: Reason) -> str:
    if reason.without is None:
        return " (follows from the rest)"
    if not is_clear(reason.without):
        return " (without it alone: no clear difference in the chance)"
    return f" (without it: {difference_words(reason.without)} run out)"


def _change(change: Change) -> str:
    if change.kind == "option":
        return f"{change.patient}: {_option(change.after)}, before {_option(change.before)}"
    if change.kind == "promise":
        return f"{change.patient}: kept for it {_promise(change.after)}, before " + (
            _promise(change.before)
        )
    if change.kind == "list":
        tags = change.after if isinstance(change.after, tuple) else ()
        return f"The list is now {', '.join(runs(str(tag) for tag in tags))}"
    return f"Kept back is now {_rows(change.after)}, before {_rows(change.before)}"


def _option(option: object) -> str:
    if not isinstance(option, Option):
        return "no oxygen"
    return f"{option.device} {option.flow_lpm:g} L/min ({option.level})"


def _promise(promise: object) -> str:
    if not isinstance(promise, Promise):
        return "nothing"
    kept = [promise.regulator, promise.device and "mask", *runs(promise.cylinders)]
    return joined(str(name) for name in kept if name)


def _rows(rows: object) -> str:
    found = [row for row in rows if isinstance(row, KeptFor)] if isinstance(rows, tuple) else []
    texts = [
        f"{r.num_cylinders} {r.connection} for {r.triage.capitalize()} at {r.place or 'any place'}"
        for r in found
    ]
    return joined(texts) or "nothing"


def going_on_result(plan: Plan) -> dict[str, Any] | None:
    """Return the same as plain data; None when no plan was in force."""
    found = plan.going_on
    if found is None:
        return None
    return {
        "from_min": plan.state.at_min,
        "carried_on": {"anyone": chance_result(found.risk.anyone),
                       "immediate": chance_result(found.risk.immediate)},
        "by": value_result(found.by),
        "changes": list(_changes(plan)),
        "carried_on_policy": policy_document(found.policy),
    }  # fmt: skip


def _changes(plan: Plan) -> Iterator[dict[str, Any]]:
    if plan.going_on is None:
        return
    for reason in plan.going_on.reasons:
        change = reason.change
        yield {
            "kind": change.kind,
            "patient": change.patient or None,
            "cost": change.cost,
            "words": _change(change),
            "without": None if reason.without is None else value_result(reason.without),
        }
