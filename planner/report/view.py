"""The view-model: what a plan says, in words and in the order in which people need it.

Terminal, page and print all show this and nothing of their own. Every text is plain; each surface
escapes it in its own way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from planner.banner import BANNER
from planner.estimate import Estimate
from planner.plan import Plan
from planner.reference import load_cautions
from planner.report.going_on import going_on_lines
from planner.report.result import STOPPED, by_triage, plan_result
from planner.report.sentences import (
    kept_for_sentence,
    list_sentence,
    moves_lines,
    washer_lines,
)
from planner.report.words import (
    TITLES,
    chance_in_words,
    joined,
    minutes,
    percent,
    share,
    source_words,
    when,
)
from planner.units import clock

LIKELY = 0.05  # who runs out less often than this is not named on the front (our own)
MOST_NAMED = 8


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
    who_line: str
    now: Grid
    awaited: Grid
    changes: tuple[str, ...]
    no_oxygen: tuple[str, ...]
    waiting: Grid
    swaps: Grid
    the_list: str
    kept_for: str
    moves: tuple[str, ...]
    beside: Grid
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]
    footer: str


def view_of(plan: Plan, result: dict[str, Any] | None = None) -> View:
    """Return the view-model of a plan.

    ``result`` is the plan's as plain data, where it has been made already.
    """
    result = plan_result(plan) if result is None else result
    return View(
        banner=BANNER,
        title=_title(plan),
        label=_label(plan),
        first_line=first_line(plan, [row["patient"] for row in result["waiting"]]),
        chance_line=chance_line(plan),
        who_line=who_line(plan),
        now=_now(plan, result),
        awaited=_awaited(plan, result),
        changes=going_on_lines(plan),
        no_oxygen=_no_oxygen(result),
        waiting=_waiting(plan, result),
        swaps=_swaps(plan, result),
        the_list=list_sentence(plan),
        kept_for=kept_for_sentence(plan),
        moves=moves_lines(plan),
        beside=_beside(plan),
        notes=(*washer_lines(plan), *result["notes"]),
        cautions=tuple(caution.text for caution in load_cautions().values()),
        assumptions=(*result["sources"], *result["assumptions"]),
        footer=(
            f"seed {plan.run.seed}, {plan.run.samples:,} fresh samples, "
            f"{'repeatable' if plan.run.repeatable else 'stopped by the clock, not repeatable'}, "
            f"incident {result['incident']['digest'][:12]}"
        ),
    )


def _title(plan: Plan) -> str:
    incident, at_min = plan.incident, plan.state.at_min
    text = f"{incident.name}, {incident.start:%d %b %Y %H:%M} (minute 0)"
    if at_min == 0:
        return text
    return f"{text}, planned on from {when(incident.start, at_min)} (minute {at_min:g})"


def _label(plan: Plan) -> str:
    parts = []
    if plan.is_interrupted:
        parts.append(f"{STOPPED[:1].upper()}{STOPPED[1:]}.")
    if plan.is_fallback:
        parts.append(f"No solver plan within the limits: this is the simple rule '{plan.source}'.")
    elif plan.source != "plan":
        parts.append(
            f"The simple rule '{plan.source}' was better on the choosing samples: it is used."
        )
    return " ".join(parts)


def first_line(plan: Plan, without: Sequence[str]) -> str:
    """Return until when oxygen lasts and what is due first, in clock times.

    Parameters
    ----------
    plan : Plan
    without : sequence of str
        Who is there, has oxygen indicated and waits.
    """
    if not plan.policy.options:
        return "Nobody has oxygen indicated."
    if without:
        names = joined(without) if len(without) <= 5 else f"{len(without)} people"
        verb = "is" if len(without) == 1 else "are"
        text = f"Not enough for everyone from the start: {names} {verb} without oxygen now"
    else:
        text = f"Oxygen lasts {_until(plan, plan.lasts.everyone_min)} at these flows"
    return f"{text}{_immediates(plan)}; {_first_due(plan)}."


def _until(plan: Plan, minute: float | None) -> str:
    start = plan.incident.start
    if minute is None:
        return f"past {when(start, plan.incident.horizon_min)}, as far as is planned,"
    return f"until {when(start, minute)}"


def _immediates(plan: Plan) -> str:
    """Say until when the Immediates have oxygen, where the rest does not say it."""
    until, everyone = plan.lasts.immediates_min, plan.lasts.everyone_min
    if not any(row.triage == "immediate" for row in plan.incident.patients):
        return ""
    if until is None and everyone is None:
        return ""
    if until is not None and until <= plan.state.at_min:
        return ""
    if until == everyone:
        return " (Immediates too)"
    return f" (Immediates {_until(plan, until)})".replace(",)", ")")


def _first_due(plan: Plan) -> str:
    if not plan.swaps:
        return "no swap expected"
    swap = plan.swaps[0]
    doer = f", by {swap.responder}" if swap.responder else ""
    word = "first swap" if swap.off is not None else "first connection"
    return f"{word} {when(plan.incident.start, swap.expected_min)}, {swap.patient}{doer}"


def chance_line(plan: Plan) -> str:
    """Return the chances in words."""
    if not plan.policy.options:
        return "Nobody can run out of oxygen."
    anyone, immediate = plan.risk.anyone, plan.risk.immediate
    words = chance_in_words(anyone)
    text = f"{words[:1].upper()}{words[1:]} that anyone runs out of oxygen{_beside_words(anyone)}"
    if any(row.triage == "immediate" for row in plan.incident.patients):
        text += f"; Immediates {chance_in_words(immediate)}{_beside_words(immediate)}"
    return text + "."


def who_line(plan: Plan) -> str:
    """Return who is likely to run out and for how long, in triage order; empty when nobody is."""
    found = {row.patient: row for row in plan.risk.by_patient}
    rows = [found[p.tag] for p in by_triage(plan) if p.tag in found]
    likely = [row for row in rows if row.chance.value >= LIKELY]
    if not likely:
        return ""
    parts = [
        f"{row.patient} {share(row.chance.value)} %, {minutes(row.minutes_out.value)}"
        for row in likely[:MOST_NAMED]
    ]
    if len(likely) > MOST_NAMED:
        parts.append(f"and {len(likely) - MOST_NAMED} more")
    return f"Who runs out, and for how long on average: {'; '.join(parts)}."


def _beside_words(chance: Estimate) -> str:
    """Return the share with its interval; where all samples agree the words are enough."""
    return "" if chance.value in {0.0, 1.0} else f", {percent(chance)}"


def _placed(plan: Plan, content: Grid) -> Grid:
    """Leave the column of places out where there is only one."""
    if len(plan.incident.places) > 1:
        return content
    at = content.heads.index("Place")

    def cut(cells: tuple[str, ...]) -> tuple[str, ...]:
        return cells[:at] + cells[at + 1 :]

    numeric = frozenset(k - (k > at) for k in content.numeric)
    return Grid(content.title, cut(content.heads), tuple(map(cut, content.rows)), numeric)


def _now(plan: Plan, result: dict[str, Any]) -> Grid:
    rows = [
        (
            row["patient"],
            TITLES[row["triage"]],
            row["place"],
            f"{row['device']} {row['flow_lpm']:g}",
            row["level"],
            source_words(row),
            when_short(plan, row["change_by_min"]),
        )
        for row in result["now"]
        if row["cylinder"] is not None
    ]
    heads = ("Patient", "Triage", "Place", "Device, L/min", "Level", "Cylinder", "Change by")
    return _placed(plan, Grid("Now", heads, tuple(rows)))


def _awaited(plan: Plan, result: dict[str, Any]) -> Grid:
    people = {p.tag: p for p in plan.incident.patients}
    promises = {p.patient: p for p in plan.policy.promises}
    rows = []
    for row in result["now"]:
        if row["cylinder"] is not None:
            continue
        patient, promise = people[row["patient"]], promises.get(row["patient"])
        mask = None if promise is None else promise.device
        kept = [name for name in (row["regulator"], mask and "mask") if name]
        rows.append(
            (
                row["patient"],
                TITLES[row["triage"]],
                row["place"],
                when_short(plan, patient.oxygen_from.p50_min),
                "yes" if patient.chance_needed >= 1 else f"{share(patient.chance_needed)} %",
                f"{row['device']} {row['flow_lpm']:g}",
                row["level"],
                joined(kept) or "nothing",
            )
        )
    heads = ("Patient", "Triage", "Place", "Expected", "Needed", "Device, L/min", "Level",
             "Kept for it")  # fmt: skip
    return _placed(plan, Grid("NOT HERE OR NOT FOUND YET: nothing is connected", heads,
                              tuple(rows)))  # fmt: skip


def _no_oxygen(result: dict[str, Any]) -> tuple[str, ...]:
    """Name people with one reason together."""
    reasons: dict[str, list[str]] = {}
    for row in result["no_oxygen"]:
        reasons.setdefault(row["reason"], []).append(row["patient"])
    return tuple(f"{joined(tags)} ({reason})" for reason, tags in reasons.items())


def _waiting(plan: Plan, result: dict[str, Any]) -> Grid:
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
    heads = ("Patient", "Triage", "Place", "Waiting for", "Then")
    return _placed(plan, Grid("WAITING: here and without oxygen", heads, tuple(rows)))


def _swaps(plan: Plan, result: dict[str, Any]) -> Grid:
    start = plan.incident.start
    rows = tuple(
        (
            when_short(plan, row["expected_min"]),
            joined([row["patient"], *row["together"]]),
            row["place"],
            row["off"] or _before(plan, row["patient"], row["number"]),
            f"outlet on {row['on']}" if row["is_joining"] else _onto(row["on"], row["number"]),
            _span(clock(start, row["early_min"]), clock(start, row["late_min"])),
            f"{share(row['chance_needed'])} %",
            row["responder"] or "who is free",
        )
        for row in result["swaps"]
    )
    heads = ("Clock", "Patient", "Place", "Off", "Onto", "Early-late", "Needed", "By")
    title = "Swaps (list, X: take the next one on the list, expected to be X)"
    return _placed(plan, Grid(title, heads, rows, frozenset({6})))


def _before(plan: Plan, patient: str, number: int) -> str:
    """Say what stands in place of a cylinder that comes off."""
    if number > 1:
        return "in use"
    return "(found)" if plan.state.patient(patient).status == "unknown" else "(waiting)"


def when_short(plan: Plan, minute: float) -> str:
    """Return a clock time for a table; another day is marked, ``02:10 +1d``."""
    text = when(plan.incident.start, minute)
    return text.replace(" (+", " +").replace(" days)", "d").replace(" day)", "d")


def _onto(tag: str | None, number: int) -> str:
    if tag is None:
        return "list"
    return tag if number == 1 else f"list, {tag}"


def _span(early: str, late: str) -> str:
    return early if early == late else f"{early}-{late}"


def _beside(plan: Plan) -> Grid:
    rows = [("This plan", plan.risk)] + [(r.rule, r.risk) for r in plan.rules]
    best = plan.best_possible
    limits = (
        ("Best any plan could do (swaps on time)", best.at_plan_options),
        ("... at the lowest allowed options", best.at_lowest_options),
    )
    given = tuple(
        (
            name,
            percent(risk.anyone),
            percent(risk.immediate),
            f"{risk.minutes_out.value:.0f}",
        )
        for name, risk in rows
    )
    bounds = tuple(
        (name, percent(limit.anyone), percent(limit.immediate), "") for name, limit in limits
    )
    heads = ("", "Anyone out", "An Immediate", "Min out")
    return Grid("Beside it", heads, given + bounds, frozenset({1, 2, 3}))
