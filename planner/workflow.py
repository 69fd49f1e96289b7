"""make_plan: joins the stages; there is no arithmetic here."""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from typing import Final

import numpy as np

from planner.allocation.first import allocate_first
from planner.demand import sample
from planner.errors import SolverError
from planner.incident import Incident
from planner.limits import best_possible
from planner.operation.compiling import is_ready
from planner.operation.judge import Bench
from planner.plan import BestPossible, Plan, RuleResult, Run
from planner.policy import Policy
from planner.risk import chance_out_by, lasts_until, risk_of
from planner.rules import RULES
from planner.solver import Settings, StepReport
from planner.state import State, initial_state
from planner.swaps import most_swaps, schedule

CHOOSING_SAMPLES: Final = 2_000
FRESH: Final = 1_000_003  # added to the seed for samples that no choice has seen
STEP_MIN: Final = 10.0  # grid of the chance-out-by-minute series
LIBRARIES: Final = ("ortools", "numpy", "numba", "oxygen-planner")

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Request:
    """What a caller may set.

    Parameters
    ----------
    seed : int
    samples : int
        Fresh samples for everything reported.
    deterministic_s : float
        Limit of the solver in its own deterministic time.
    wall_s : float or None
        Outer guard by the clock; a plan that it cuts short is marked not repeatable.
    """

    seed: int = 1
    samples: int = 20_000
    deterministic_s: float = 5.0
    wall_s: float | None = None


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
        rule's, labelled.
    """
    begun = time.monotonic()
    state = state if state is not None else initial_state(incident)
    request = request if request is not None else Request()
    if not is_ready():
        progress("first run on this machine: compiling the judge, about 20 seconds, once")
    progress("drawing who needs oxygen when")
    choosing = Bench.of(incident, state, sample(incident, state, CHOOSING_SAMPLES, request.seed))
    candidates, steps = _candidates(choosing, request, progress)
    progress("choosing")
    source, policy = _best(choosing, candidates)
    progress("judging on fresh samples")
    fresh = Bench.of(
        incident, state, sample(incident, state, request.samples, request.seed + FRESH)
    )
    outcome = fresh.operate(policy, max_swaps=most_swaps(incident))
    rules = tuple(_rule_result(fresh, name, p) for name, p in candidates if name != "plan")
    minutes = np.arange(state.at_min, incident.horizon_min + STEP_MIN / 2, STEP_MIN)
    seconds = time.monotonic() - begun
    return Plan(
        incident=incident,
        state=state,
        policy=policy,
        source=source,
        is_fallback=all(name != "plan" for name, _ in candidates),
        risk=risk_of(incident, policy, outcome),
        lasts=lasts_until(incident, state, policy),
        best_possible=BestPossible(best_possible(fresh, policy), best_possible(fresh)),
        rules=rules,
        swaps=schedule(incident, state, outcome),
        chance_out_by=(minutes, chance_out_by(incident, outcome, minutes)),
        capped_share=fresh.needs.capped_share,
        solver=steps,
        run=Run(
            request.seed, request.samples, _versions(), seconds, os.cpu_count() or 1,
            request.wall_s is None,
        ),
    )  # fmt: skip


def _rule_result(fresh: Bench, name: str, policy: Policy) -> RuleResult:
    return RuleResult(
        name,
        policy,
        risk_of(fresh.incident, policy, fresh.operate(policy)),
        lasts_until(fresh.incident, fresh.state, policy),
        best_possible(fresh, policy),
    )


def _candidates(
    bench: Bench, request: Request, progress: Progress
) -> tuple[list[tuple[str, Policy]], tuple[StepReport, ...]]:
    """Return the solver's policy, if it has one, and the simple rules' policies."""
    rules = [(name, rule(bench.incident, bench.state)) for name, rule in RULES]
    progress("allocating")
    begun = time.monotonic()
    settings = Settings(request.seed, request.deterministic_s, request.wall_s)
    try:
        policy, solved = allocate_first(bench.incident, bench.state, bench.needs, settings)
    except SolverError as error:
        seconds = time.monotonic() - begun
        report = StepReport("first allocation", str(error), None, None, None, 0, seconds)
        return rules, (report,)
    seconds = time.monotonic() - begun
    report = StepReport(
        "first allocation", solved.status, solved.bound, solved.objective, solved.gap, 0, seconds
    )
    return [("plan", policy), *rules], (report,)


def _best(bench: Bench, candidates: list[tuple[str, Policy]]) -> tuple[str, Policy]:
    """Return the candidate with the lowest J on the choosing samples; the first of equals."""
    judged = [
        risk_of(bench.incident, policy, bench.operate(policy)).objective.value
        for _, policy in candidates
    ]
    return candidates[int(np.argmin(judged))]


def _versions() -> dict[str, str]:
    return {"python": platform.python_version(), **{name: version(name) for name in LIBRARIES}}
