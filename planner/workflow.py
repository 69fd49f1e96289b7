"""make_plan: joins the stages; there is no arithmetic here."""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import Final

import numpy as np

from planner.allocation.propose import Case, propose
from planner.allocation.search import Effort, Judge
from planner.audit import audit
from planner.demand import Floats, sample
from planner.incident import Incident
from planner.limits import best_possible
from planner.operation.compiling import is_ready
from planner.operation.judge import Bench
from planner.oxygen_options import is_indicated
from planner.plan import BestPossible, Plan, RuleResult, Run
from planner.policy import Policy
from planner.replan import beside, carried_on, with_changes_priced
from planner.risk import (
    chance_out_by,
    lasts_until,
    objective_samples,
    price_of,
    risk_of,
    weights_of,
)
from planner.solver import Settings
from planner.state import State, initial_state
from planner.swaps import most_swaps, schedule

CHOOSING_SAMPLES: Final = 2_000
FRESH: Final = 1_000_003  # added to the seed for samples that no choice has seen
STEP_MIN: Final = 10.0  # grid of the chance-out-by-minute series
LIBRARIES: Final = ("ortools", "numpy", "numba", "oxygen-planner")
EFFORT_EACH: Final = 20  # evaluations a person, when the caller does not say
LEAST_EFFORT: Final = 150  # small incidents are cheap to judge and gain most
USUAL_PLACES: Final = 3  # as in the incidents by which the solver's time was measured
MOST_EFFORT: Final = 300  # measured: twice as many bring 1 % of J (DEVELOPERS.md)

Progress = Callable[[str], None]


def _never() -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Request:
    """What a caller may set.

    Parameters
    ----------
    seed : int
    samples : int
        Fresh samples for everything reported.
    effort : int or None
        Evaluations of the judge that the search may use; 0 leaves step 1 and the rules. None: 20
        for each person who wants oxygen, 150 at least and 300 at most.
    deterministic_s : float or None
        Limit of the solver in its own deterministic time. None: by how many want oxygen, about 1
        for 8, 2 for 14, 8 for 40 (measured: it then has a bound, and a whole plan its 5, 10, 50 s);
        with more than three places as much more as their square (measured at six).
    wall_s : float or None
        Outer guard by the clock; a plan that it cuts short is marked not repeatable.
    is_interrupted : callable
        Asked between evaluations; True ends the search with the best so far.
    starts : tuple of Policy
        Policies to begin from besides the simple rules', such as an earlier plan's; on the
        choosing samples the plan is never worse than any of them.
    in_force : Policy or None
        The plan that the crew follows now: what is changed in it has its price.
    """

    seed: int = 1
    samples: int = 20_000
    effort: int | None = None
    deterministic_s: float | None = None
    wall_s: float | None = None
    is_interrupted: Callable[[], bool] = _never
    starts: tuple[Policy, ...] = ()
    in_force: Policy | None = None


def make_plan(
    incident: Incident,
    state: State | None = None,
    request: Request | None = None,
    progress: Progress = lambda _: None,
) -> Plan:
    """Plan an incident from a state on.

    Parameters
    ----------
    incident : Incident
    state : State or None
        None: the start.
    request : Request or None
        None: the defaults.
    progress : callable
        Told in a few words what is being done.

    Returns
    -------
    Plan
        Judged on samples that no choice has seen. Where the solver has nothing, the best simple
        rule's, labelled. What the audit finds stands among the warnings; a sound plan has none.
    """
    begun = time.monotonic()
    state = state if state is not None else initial_state(incident)
    request = request if request is not None else Request()
    if not is_ready():
        progress("first run on this machine: compiling the judge, about 20 seconds, once")
    progress("drawing who needs oxygen when")
    needs = sample(incident, state, CHOOSING_SAMPLES, request.seed)
    is_late = _guard(begun, request.wall_s)
    effort = Effort(
        _effort(incident, request),
        CHOOSING_SAMPLES,
        request.seed,
        lambda: is_late() or request.is_interrupted(),
    )
    settings = Settings(request.seed, _solver_s(incident, request), request.wall_s)
    judge, starts, going_on = judge_on(Bench.of(incident, state, needs)), request.starts, None
    if request.in_force is not None:
        going_on = carried_on(incident, state, request.in_force)
        judge, starts = with_changes_priced(judge, incident, going_on), (going_on, *starts)
    case = Case(incident, state, needs, judge, starts)
    proposal = propose(case, settings, effort, progress)
    progress("judging on fresh samples")
    fresh = Bench.of(
        incident, state, sample(incident, state, request.samples, request.seed + FRESH)
    )
    policy = proposal.policy
    outcome = fresh.operate(policy, max_swaps=most_swaps(incident))
    minutes = np.arange(state.at_min, incident.horizon_min, STEP_MIN)
    minutes = np.append(minutes, incident.horizon_min)
    best = BestPossible(best_possible(fresh, policy), best_possible(fresh))
    rules = tuple(_rule_result(fresh, name, p) for name, p in proposal.rules)
    plan = Plan(
        incident=incident,
        state=state,
        policy=policy,
        source=proposal.source,
        is_fallback=proposal.is_fallback,
        is_interrupted=request.is_interrupted(),
        risk=risk_of(incident, policy, outcome),
        lasts=lasts_until(incident, state, policy),
        best_possible=best,
        rules=rules,
        swaps=schedule(incident, state, policy, outcome),
        chance_out_by=(minutes, chance_out_by(incident, outcome, minutes)),
        capped_share=fresh.needs.capped_share,
        solver=proposal.steps,
        run=Run(
            request.seed,
            request.samples,
            _versions(),
            time.monotonic() - begun,
            os.cpu_count() or 1,
            request.wall_s is None and proposal.is_finished,
        ),
        going_on=None if going_on is None else beside(fresh, going_on, policy),
    )
    return replace(plan, warnings=tuple(f"the audit found: {text}" for text in audit(plan)))


def judge_on(bench: Bench) -> Judge:
    """Return the judge as the allocation sees it: from a policy and a span of samples to J."""
    weights = weights_of(bench.incident)

    def judge(policy: Policy, first: int, last: int) -> Floats:
        price = price_of(bench.incident, policy, weights)
        return objective_samples(bench.minutes_out(policy, first, last), weights, price)

    return judge


def _effort(incident: Incident, request: Request) -> int:
    if request.effort is not None:
        return request.effort
    return min(MOST_EFFORT, max(LEAST_EFFORT, EFFORT_EACH * _num_people(incident)))


def _solver_s(incident: Incident, request: Request) -> float:
    if request.deterministic_s is not None:
        return request.deterministic_s
    people, places = _num_people(incident), len(incident.places)
    return (0.1 * people + 0.0025 * people**2 + 0.1) * max(1.0, (places / USUAL_PLACES) ** 2)


def _num_people(incident: Incident) -> int:
    """Return how many people have oxygen indicated."""
    return sum(is_indicated(incident, patient) for patient in incident.patients)


def _guard(begun: float, wall_s: float | None) -> Callable[[], bool]:
    """Return whether the outer guard by the clock has run out."""
    if wall_s is None:
        return _never
    end = begun + wall_s
    return lambda: time.monotonic() > end


def _rule_result(fresh: Bench, name: str, policy: Policy) -> RuleResult:
    return RuleResult(
        name,
        policy,
        risk_of(fresh.incident, policy, fresh.operate(policy)),
        lasts_until(fresh.incident, fresh.state, policy),
        best_possible(fresh, policy),
    )


def _versions() -> dict[str, str]:
    return {"python": platform.python_version(), **{name: version(name) for name in LIBRARIES}}
