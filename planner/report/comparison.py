"""``compare``: plan, simple rules and the best any plan could do, side by side."""

from __future__ import annotations

from typing import Any

from planner.banner import BANNER
from planner.estimate import Estimate
from planner.files import digest
from planner.limits import Limit
from planner.plan import Plan
from planner.report.result import limit_result, risk_result
from planner.report.view import Grid
from planner.report.words import chance_in_words, share, when
from planner.risk import Lasts, Risk

BOUNDS = (
    "Lasts, Imm. last: until when, if nobody is taken away; everyone, Immediates. Any least, "
    "Imm. least: the best any plan could do with this stock at the options of that row, litres "
    "pooled per connection and hands never late. No plan whose swaps start when they are due can "
    "stay under it. It knows nothing of half-full cylinders that leave, of carrying, regulators, "
    "masks, keys, washers, or of not knowing the future, so a plan may be far above it. A plan "
    "whose swaps are late breathes buffers that it does not count."
)


def comparison_result(plan: Plan) -> dict[str, Any]:
    """Return plan, rules and limits as plain data."""
    rows = _rows(plan)
    return {
        "schema": 1,
        "kind": "compare",
        "banner": BANNER,
        "incident": {"name": plan.incident.name, "digest": digest(plan.incident)},
        "run": {
            "seed": plan.run.seed,
            "samples": plan.run.samples,
            "versions": dict(plan.run.versions),
            "seconds": plan.run.seconds,
            "cores": plan.run.cores,
            "repeatable": plan.run.repeatable,
        },
        "rows": [
            {
                "name": name,
                "lasts": {
                    "everyone_min": lasts.everyone_min,
                    "immediates_min": lasts.immediates_min,
                },
                "risk": risk_result(risk),
                "best_possible_at_its_options": limit_result(limit),
            }
            for name, risk, lasts, limit in rows
        ],
        "best_possible_at_lowest_options": limit_result(plan.best_possible.at_lowest_options),
        "bounds": BOUNDS,
    }


def comparison_grid(plan: Plan) -> Grid:
    """Return the same as a table: what each gives, and what no plan at its options can undercut."""
    rows = [
        (
            _short(name),
            _until(plan, lasts.everyone_min),
            _until(plan, lasts.immediates_min),
            *(f"{share(x.value)} %" for x in _tiers(risk)),
            f"{risk.minutes_out.value:.0f}",
            f"{sum(row.late_swaps.value for row in risk.by_patient):.1f}",
            f"{risk.objective.value:.3f}",
            f"{share(limit.anyone.value)} %",
            f"{share(limit.immediate.value)} %",
        )
        for name, risk, lasts, limit in _rows(plan)
    ]
    lowest = plan.best_possible.at_lowest_options
    rows.append(
        (
            "lowest", *[""] * 8, f"{share(lowest.anyone.value)} %",
            f"{share(lowest.immediate.value)} %",
        )
    )  # fmt: skip
    heads = ("", "Lasts", "Imm. last", "Anyone", "Immed.", "I or D", "Min out", "Late", "J",
             "Any least", "Imm. least")  # fmt: skip
    return Grid("Side by side", heads, tuple(rows), frozenset(range(3, 11)))


def names_line(plan: Plan) -> str:
    """Return what the short names of the rows stand for."""
    return "; ".join([*(rule.rule for rule in plan.rules), "lowest: at the lowest allowed options"])


def _short(name: str) -> str:
    return name.split(" ", maxsplit=1)[0] if name.startswith("(") else name


def _tiers(chances: Risk | Limit) -> tuple[Estimate, Estimate, Estimate]:
    return chances.anyone, chances.immediate, chances.immediate_or_delayed


def widest_line(plan: Plan) -> str:
    """Return how wide the intervals of all chances in the table are."""
    halves = [
        (x.high - x.low) / 2
        for _, risk, _, limit in _rows(plan)
        for x in (*_tiers(risk), *_tiers(limit))
    ]
    return (
        f"Every chance is within {100 * max(halves):.1f} points (95 %), on {plan.run.samples:,} "
        f"fresh samples, seed {plan.run.seed}."
    )


def comparison_line(plan: Plan) -> str:
    """Return the comparison in one sentence."""
    best = min(plan.rules, key=lambda rule: rule.risk.objective.value)
    return (
        f"Plan: {_words(plan.risk.anyone)} that anyone runs out of oxygen. Simple rule with the "
        f"lowest J, {best.rule}: {_words(best.risk.anyone)}. The least with this stock at the "
        f"plan's options: {_words(plan.best_possible.at_plan_options.anyone)}."
    )


def _words(estimate: Estimate) -> str:
    return chance_in_words(estimate)


def _rows(plan: Plan) -> list[tuple[str, Risk, Lasts, Limit]]:
    first = ("plan", plan.risk, plan.lasts, plan.best_possible.at_plan_options)
    return [first, *((r.rule, r.risk, r.lasts, r.limit) for r in plan.rules)]


def _until(plan: Plan, minute: float | None) -> str:
    if minute is None:
        return f"past {when(plan.incident.start, plan.incident.horizon_min)}"
    return when(plan.incident.start, minute)
