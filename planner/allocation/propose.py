"""propose: step 1 by the solver, step 2 by a search judged by operation; rules among the starts."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from planner.allocation.search import Effort, Judge, Search
from planner.allocation.sketch import Board, plain_sketch, policy_of, sketch_of
from planner.allocation.step_one import CLOCK, Limits, allocate
from planner.demand import Needs
from planner.errors import SolverError
from planner.incident import Incident
from planner.policy import Policy
from planner.rules import RULES
from planner.solver import Settings, StepReport
from planner.state import State

PLAN: Final = "plan"
STEP_ONE: Final = "packages, cuts and CP-SAT"
GAP: Final = 0.02  # enough for a start of the search; its own optimum is not the aim


@dataclass(frozen=True, slots=True)
class Proposal:
    """The policy with the lowest J on the choosing samples, and where it comes from.

    ``source`` is ``"plan"`` or the name of the simple rule that nothing was better than;
    ``is_fallback`` says that the solver had nothing to read, so that it is a rule's.
    """

    policy: Policy
    source: str
    rules: tuple[tuple[str, Policy], ...]
    steps: tuple[StepReport, ...]
    is_fallback: bool
    is_finished: bool


@dataclass(frozen=True, slots=True)
class Case:
    """What is proposed for: incident, state, choosing samples, and the judge on them.

    ``starts`` are policies to begin from besides the simple rules', such as an earlier plan's.
    They must be ones that this incident and state allow.
    """

    incident: Incident
    state: State
    needs: Needs
    judge: Judge
    starts: tuple[Policy, ...] = ()


def propose(
    case: Case, settings: Settings, effort: Effort, progress: Callable[[str], None]
) -> Proposal:
    """Return the best policy found.

    Parameters
    ----------
    case : Case
    settings : Settings
        Of the solver in step 1.
    effort : Effort
        Of the search in step 2.
    progress : callable
        Told in a few words what is being done.

    Returns
    -------
    Proposal
        Never worse in J, on the choosing samples, than any simple rule or start.
    """
    rules = tuple((name, rule(case.incident, case.state)) for name, rule in RULES)
    candidates = [*rules, *((PLAN, policy) for policy in case.starts)]
    progress("allocating: who gets what now")
    board = Board.of(case.incident, case.state)
    first, report = _step_one(case, settings)
    steps = [report]
    is_finished = True
    if first is not None:
        # Dealt again, so that nobody waits beside kit that fits because waiting spared litres.
        first = policy_of(board, sketch_of(board, first))
        candidates.insert(0, (PLAN, first))
        progress("searching: options, first cylinders, the list, what is kept")
        begun = time.monotonic()
        starts = [sketch_of(board, policy) for _, policy in candidates]
        found = Search(board, case.judge, effort).run([*starts, plain_sketch(board)])
        candidates.insert(0, (PLAN, found.policy))
        is_finished = not effort.is_stopped()
        steps.append(
            StepReport(
                "search judged by operation (no bound)",
                "effort spent" if is_finished else "stopped",
                None,
                float(np.mean(found.objective)),
                None,
                round(found.evaluations),
                time.monotonic() - begun,
            )
        )
    source, policy = _best(case, candidates, effort.samples)
    is_fallback = first is None and source != PLAN
    return Proposal(policy, source, rules, tuple(steps), is_fallback, is_finished)


def _step_one(case: Case, settings: Settings) -> tuple[Policy | None, StepReport]:
    """Return the policy of step 1; None when it has none: the best rule is used then."""
    begun = time.monotonic()
    try:
        found = allocate(case.incident, case.state, case.needs, settings, Limits(gap=GAP))
    except Exception as error:  # noqa: BLE001 - never empty-handed: whatever broke, a rule is left
        status = str(error) if isinstance(error, SolverError) else f"broken: {type(error).__name__}"
        seconds = time.monotonic() - begun
        return None, StepReport(STEP_ONE, status, None, None, None, 0, seconds)
    seconds = time.monotonic() - begun
    if not math.isfinite(found.bound):
        # Nothing proved. Cut short by the clock it is starved; within its own time what was dealt
        # out is a start like any other, and its report says what it is.
        is_starved = found.status == CLOCK
        status = f"no bound within its time ({found.status})"
        report = StepReport(STEP_ONE, status, None, found.objective, None, 0, seconds)
        return None if is_starved else found.policy, report
    return found.policy, StepReport(
        STEP_ONE, found.status, found.bound, found.objective, found.gap, 0, seconds
    )


def _best(case: Case, candidates: list[tuple[str, Policy]], num_samples: int) -> tuple[str, Policy]:
    """Return the candidate with the lowest J on the choosing samples; the first of equals."""
    judged = [float(np.mean(case.judge(policy, 0, num_samples))) for _, policy in candidates]
    return candidates[int(np.argmin(judged))]
