"""Plan, rules and limits on 60 random incidents, run by hand: ``python -m tests.bench.plan_sixty``.

Twenty each at supply 0.8, 1.0 and 1.3 of mean need at first-choice flow, 12 patients and 36
cylinders, 20,000 fresh samples. Prints the medians as a table for DEVELOPERS.md and whether any
rule beat the plan in J beyond the paired interval.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np

from planner.demand import sample
from planner.estimate import difference
from planner.operation.judge import Bench
from planner.plan import Plan
from planner.risk import objective_samples, price_of, weights_of
from planner.workflow import FRESH, Request, make_plan
from tests.generator import random_incident

RATIOS = (0.8, 1.0, 1.3)


@dataclass(frozen=True, slots=True)
class Row:
    """One incident: chances and J of plan and rules, limits, seconds, rules that beat the plan."""

    numbers: tuple[float, ...]
    beaten_by: tuple[str, ...]


def beaten_by(plan: Plan) -> tuple[str, ...]:
    """Return the rules whose J is lower on common fresh samples beyond the 95 % interval."""
    incident, weights = plan.incident, weights_of(plan.incident)
    needs = sample(incident, plan.state, plan.run.samples, plan.run.seed + FRESH)
    bench = Bench.of(incident, plan.state, needs)

    def by_sample(policy):  # type: ignore[no-untyped-def]
        minutes = bench.operate(policy).minutes_out
        return objective_samples(minutes, weights, price_of(incident, policy, weights))

    ours = by_sample(plan.policy)
    return tuple(r.rule for r in plan.rules if difference(ours, by_sample(r.policy)).low > 0)


def study(seed: int, ratio: float) -> Row:
    """Plan one incident and gather its numbers."""
    begun = time.perf_counter()
    plan = make_plan(random_incident(seed, supply_ratio=ratio), None, Request())
    seconds = time.perf_counter() - begun
    numbers = [plan.risk.anyone.value, plan.risk.immediate.value, plan.risk.objective.value]
    for rule in plan.rules:
        numbers += [
            rule.risk.anyone.value, rule.risk.immediate.value, rule.risk.objective.value,
        ]  # fmt: skip
    for limit in (plan.best_possible.at_plan_options, plan.best_possible.at_lowest_options):
        numbers += [limit.anyone.value, limit.immediate.value]
    return Row((*numbers, seconds), beaten_by(plan))


def main(count: int) -> None:
    """Run the study and print the table of medians."""
    names = ("plan", "(a)", "(b)", "(c)")
    losses = 0
    for ratio in RATIOS:
        rows = [study(1000 + k, ratio) for k in range(count)]
        m = np.median([row.numbers for row in rows], axis=0)
        losses += sum(bool(row.beaten_by) for row in rows)
        for k, name in enumerate(names):
            print(f"| {ratio} | {name} | " + " | ".join(f"{x:.3f}" for x in m[3 * k : 3 * k + 3]))
        print(f"| {ratio} | limit at the plan's options | {m[12]:.3f} | {m[13]:.3f} | |")
        print(f"| {ratio} | limit at the lowest options | {m[14]:.3f} | {m[15]:.3f} | |")
        print(
            f"  plan over (a): anyone {m[0] / m[3]:.2f}, J {m[2] / m[5]:.2f}; "
            f"seconds {m[16]:.1f}; beaten by a rule: {[r.beaten_by for r in rows if r.beaten_by]}",
            flush=True,
        )
    print(f"incidents in which a rule beat the plan: {losses} of {count * len(RATIOS)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
