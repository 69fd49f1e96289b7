"""The view-model: what a plan says, in words and in the order in which people need it.

Terminal, page and print all show this and nothing of their own. Every text is plain; each surface
escapes it in its own way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from planner.plan import Plan
from planner.reference import load_cautions
from planner.report.result import plan_result
from planner.report.words import BANNER, chance_in_words, counted, percent, share, when
from planner.units import clock

TITLES = {
    "immediate": "Immediate",
    "delayed": "Delayed",
    "minimal": "Minimal",
    "expectant": "Expectant",
    "dead": "Dead",
}


@dataclass(frozen=True, slots=True)
class Grid:
    """A table of texts; ``numeric`` columns are set to the right."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class View:
    """A plan in words."""

    banner: str
    title: str
    label: str
    first_line: str
    chance_line: str
    now: Grid
    no_oxygen: tuple[str, ...]
    waiting: Grid
    swaps: Grid
    the_list: str
    kept_for: str
    beside: Grid
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]
    footer: str


def view_of(plan: Plan) -> View:
    """Return the view-model of a plan."""
    result = plan_result(plan)
    return View(
        banner=BANNER,
        title=f"{plan.incident.name}, {plan.incident.start:%d %b %Y %H:%M} (minute 0)",
        label=_label(plan),
        first_line=first_line(plan),
        chance_line=chance_line(plan),
        now=_now(result),
        no_oxygen=tuple(f"{row['patient']} ({row['reason']})" for row in result["no_oxygen"]),
        waiting=_waiting(result),
        swaps=_swaps(plan, result),
        the_list=list_sentence(plan),
        kept_for=kept_for_sentence(plan),
        beside=_beside(plan),
        notes=tuple(result["notes"]),
        cautions=tuple(caution.text for caution in load_cautions().values()),
        assumptions=(*result["sources"], *result["assumptions"]),
        footer=(
            f"seed {plan.run.seed}, {plan.run.samples:,} fresh samples, "
            f"{'repeatable' if plan.run.repeatable else 'stopped by the clock, not repeatable'}, "
            f"incident {result['incident']['digest'][:12]}"
        ),
    )


def _label(plan: Plan) -> str:
    if plan.is_fallback:
        return f"No solver plan within the limits: this is the simple rule '{plan.source}'."
    if plan.source != "plan":
        return f"The simple rule '{plan.source}' was better on the choosing samples: it is used."
    return ""


def first_line(plan: Plan) -> str:
    """Return until when oxygen lasts and the first swap, in clock times."""
    start, lasts = plan.incident.start, plan.lasts
    horizon = when(start, plan.incident.horizon_min)
    has_immediates = any(row.triage == "immediate" for row in plan.incident.patients)
    if lasts.everyone_min is not None and lasts.everyone_min <= plan.state.at_min:
        return "There is not enough for everyone from the start: somebody waits without oxygen now."
    everyone = (
        f"Oxygen lasts until {when(start, lasts.everyone_min)} at these flows"
        if lasts.everyone_min is not None
        else f"Oxygen lasts past {horizon} at these flows, as far as is planned"
    )
    if has_immediates and lasts.everyone_min is not None:
        until = (
            f"until {when(start, lasts.immediates_min)}"
            if lasts.immediates_min is not None
            else f"past {horizon}"
        )
        everyone += f" (Immediates {until})"
    if not plan.policy.options:
        return "Nobody has oxygen indicated."
    if not plan.swaps:
        return everyone + "; no swap expected."
    swap = plan.swaps[0]
    doer = f", by {swap.responder}" if swap.responder else ""
    word = "first swap" if swap.off is not None else "first connection"
    return f"{everyone}; {word} {when(start, swap.expected_min)}, {swap.patient}{doer}."


def chance_line(plan: Plan) -> str:
    """Return the chances in words."""
    if not plan.policy.options:
        return "Nobody can run out of oxygen."
    anyone, immediate = plan.risk.anyone, plan.risk.immediate
    text = f"{chance_in_words(anyone)} that anyone runs out of oxygen, {percent(anyone)}"
    text = text[:1].upper() + text[1:]
    if any(row.triage == "immediate" for row in plan.incident.patients):
        text += f"; Immediates {chance_in_words(immediate)}, {percent(immediate)}"
    return text + "."


def _now(result: dict[str, Any]) -> Grid:
    rows = [
        (
            row["patient"],
            TITLES[row["triage"]],
            row["place"],
            f"{row['device']} {row['flow_lpm']:g}",
            row["level"],
            _source(row),
            row["change_by_clock"] or "when found",
        )
        for row in result["now"]
    ]
    heads = ("Patient", "Triage", "Place", "Device, L/min", "Level", "Cylinder", "Change by")
    return Grid("Now", heads, tuple(rows))


def _source(row: dict[str, Any]) -> str:
    if row["cylinder"] is not None:
        return f"{row['cylinder']} on {row['regulator'] or 'its own valve'}"
    return f"{row['regulator']} is promised" if row["regulator"] else "nothing promised"


def _waiting(result: dict[str, Any]) -> Grid:
    rows = [
        (
            row["patient"],
            TITLES[row["triage"]],
            row["place"],
            row["for"],
            "nothing planned" if row["device"] is None
            else f"{row['device']} {row['flow_lpm']:g} L/min, {row['level']}",
        )
        for row in result["waiting"]
    ]  # fmt: skip
    return Grid("Waiting", ("Patient", "Triage", "Place", "Waiting for", "Then"), tuple(rows))


def _swaps(plan: Plan, result: dict[str, Any]) -> Grid:
    start = plan.incident.start
    rows = tuple(
        (
            row["clock"],
            row["patient"],
            row["place"],
            row["off"] or ("(found)" if row["number"] == 1 else "in use"),
            _onto(row["on"], row["number"]),
            _span(clock(start, row["early_min"]), clock(start, row["late_min"])),
            f"{share(row['chance_needed'])} %",
            row["responder"] or "who is free",
        )
        for row in result["swaps"]
    )
    heads = ("Clock", "Patient", "Place", "Off", "Onto", "Early-late", "Needed", "By")
    title = "Swaps (list, D-07: the next one on the list, expected D-07)"
    return Grid(title, heads, rows, frozenset({6}))


def _onto(tag: str | None, number: int) -> str:
    if tag is None:
        return "list"
    return tag if number == 1 else f"list, {tag}"


def _span(early: str, late: str) -> str:
    return early if early == late else f"{early}-{late}"


def list_sentence(plan: Plan) -> str:
    """Return the printed list as one line that a tired person can follow."""
    if not plan.policy.order:
        return "No cylinder is left for the list."
    tags = ", ".join(plan.policy.order)
    return f"At a swap take the first one that fits and is there: {tags}."


def kept_for_sentence(plan: Plan) -> str:
    """Return the kept-for rule as one sentence."""
    if not plan.policy.kept_for:
        return "Nothing is kept for anyone: whoever is due takes the next one."
    parts = [
        f"{'anywhere' if k.place is None else f'at {k.place}'} nobody below {TITLES[k.triage]} "
        f"takes a {k.connection} cylinder unless {counted(k.num_cylinders, 'other')} of that kind "
        f"{'stays' if k.num_cylinders == 1 else 'stay'} in the reserve"
        for k in plan.policy.kept_for
    ]
    text = "; ".join(parts)
    return f"Kept back: {text}."


def _beside(plan: Plan) -> Grid:
    rows = [("This plan", plan.risk)] + [(r.rule, r.risk) for r in plan.rules]
    best = plan.best_possible
    limits = (
        ("Best any plan could do at its options", best.at_plan_options),
        ("... at the lowest options", best.at_lowest_options),
    )
    given = tuple(
        (
            name,
            percent(risk.anyone),
            percent(risk.immediate),
            f"{risk.minutes_out.value:.0f}",
            f"{risk.objective.value:.3f}",
        )
        for name, risk in rows
    )
    bounds = tuple(
        (name, percent(limit.anyone), percent(limit.immediate), "", "") for name, limit in limits
    )
    heads = ("", "Anyone out", "An Immediate", "Min out", "J")
    return Grid("Beside it", heads, given + bounds, frozenset({1, 2, 3, 4}))
