"""Three ways to run it: first-choice flows, as priced, every reduced level taken; side by side.

Which levels to take is a clinician's decision. The plan proposes one mix, by the file's prices;
these are its two ends, each planned in full and judged on the same samples.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from planner.demand import Flags, sample
from planner.estimate import Estimate, difference, mean
from planner.incident import Incident, Option
from planner.operation.judge import Bench, Outcome
from planner.oxygen_options import options_of
from planner.plan import Plan
from planner.risk import runs_out, weights_of
from planner.swaps import most_swaps
from planner.workflow import FRESH, Progress, Request, make_plan

FIRST, PRICED, REDUCED = "first choice", "as priced", "reduced"
Choose = Callable[[tuple[Option, ...]], tuple[Option, ...]]


def _first_only(options: tuple[Option, ...]) -> tuple[Option, ...]:
    return options[:1]


def _below_first(options: tuple[Option, ...]) -> tuple[Option, ...]:
    """Return what is below first choice, all of it: one mask may be short where another is not."""
    return tuple(option for option in options if option.steps > 0) or options[:1]


ENDS: Final[tuple[tuple[str, Choose], ...]] = ((FIRST, _first_only), (REDUCED, _below_first))


@dataclass(frozen=True, slots=True)
class Litres:
    """Where the litres go, means over the samples [70 F, 1 atm]."""

    used: Estimate
    left_at_swaps: Estimate
    left_in_reserve: Estimate
    left_with_patients: Estimate


@dataclass(frozen=True, slots=True)
class Way:
    """One way to run it.

    Parameters
    ----------
    name : {"first choice", "as priced", "reduced"}
    plan : Plan
    swaps : Estimate
        Connections that a responder makes.
    litres : Litres
    by : Estimate
        Chance that anyone runs out less that of the plan as priced, paired.
    steps : tuple of (patient tag, Option)
        Who gets less than first choice, in the incident's order.
    """

    name: str
    plan: Plan
    swaps: Estimate
    litres: Litres
    by: Estimate
    steps: tuple[tuple[str, Option], ...]


def three_ways(plan: Plan, request: Request, progress: Progress) -> tuple[Way, Way, Way]:
    """Return the ways, the given plan's own between its two ends.

    Parameters
    ----------
    plan : Plan
        Made by this request.
    request : Request
    progress : callable
        Told in a few words what is being done.
    """
    plans = {PRICED: plan}
    for name, choose in ENDS:
        progress(f"planning another way: {name} for everyone")
        end = with_options(plan.incident, choose)
        # What is in force has other options: at an end nothing of it is held on to.
        plans[name] = make_plan(end, plan.state, replace(request, in_force=None, starts=()))
    outcomes = {name: _operated(each) for name, each in plans.items()}
    beside = _anyone(plan.incident, outcomes[PRICED])
    first, priced, reduced = (
        _way(name, plans[name], outcomes[name], beside) for name in (FIRST, PRICED, REDUCED)
    )
    return first, priced, reduced


def with_options(incident: Incident, choose: Choose) -> Incident:
    """Return the incident with only these options for everyone who has any, and free of price."""
    people = []
    for patient in incident.patients:
        allowed = options_of(incident, patient)
        people.append(replace(patient, options=choose(allowed)) if allowed else patient)
    free = replace(incident.priorities, step_prices=(0.0, 0.0, 0.0))
    return replace(incident, patients=tuple(people), priorities=free)


def _operated(plan: Plan) -> Outcome:
    """Operate a plan again on the samples that its own numbers come from, with its log."""
    needs = sample(plan.incident, plan.state, plan.run.samples, plan.run.seed + FRESH)
    bench = Bench.of(plan.incident, plan.state, needs)
    return bench.operate(plan.policy, max_swaps=most_swaps(plan.incident))


def _anyone(incident: Incident, outcome: Outcome) -> Flags:
    return runs_out(weights_of(incident), outcome.minutes_out)


def _way(name: str, plan: Plan, outcome: Outcome, beside: Flags) -> Way:
    swaps = outcome.swaps.num_swaps if outcome.swaps is not None else np.zeros(1)
    now = _anyone(plan.incident, outcome)
    return Way(
        name,
        plan,
        mean(swaps.astype(np.float64)),
        Litres(
            mean(outcome.used_l),
            mean(outcome.taken_off_l),
            mean(outcome.in_place_l),
            mean(outcome.with_patients_l),
        ),
        difference(now.astype(np.float64), beside.astype(np.float64)),
        tuple((tag, option) for tag, option in plan.policy.options if option.steps > 0),
    )


__all__ = ["FIRST", "PRICED", "REDUCED", "Litres", "Way", "three_ways", "with_options"]
