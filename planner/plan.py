"""The plan: a policy with what it gives, on samples it was not chosen on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from planner.demand import Floats
from planner.incident import Incident
from planner.limits import Limit
from planner.policy import Policy
from planner.replan import GoingOn
from planner.risk import Lasts, Risk
from planner.solver import StepReport
from planner.state import State
from planner.swaps import Swap


@dataclass(frozen=True, slots=True)
class Run:
    """All that may differ between two equal runs."""

    seed: int
    samples: int
    versions: Mapping[str, str]
    seconds: float
    cores: int
    repeatable: bool


@dataclass(frozen=True, slots=True)
class RuleResult:
    """What a simple rule gives on the same fresh samples, and the limit at its options."""

    rule: str
    policy: Policy
    risk: Risk
    lasts: Lasts
    limit: Limit


@dataclass(frozen=True, slots=True)
class BestPossible:
    """The best any plan could do with this stock, on the same fresh samples."""

    at_plan_options: Limit
    at_lowest_options: Limit


@dataclass(frozen=True, slots=True)
class Plan:
    """A policy, what it gives, and beside it what the simple rules give.

    Parameters
    ----------
    source : str
        Where the policy comes from: ``"plan"``, or the name of the rule that was better or was
        left when the solver had nothing.
    is_fallback : bool
        The solver had nothing; the best rule's policy is given and labelled.
    is_interrupted : bool
        Somebody stopped the search; this is the best it had by then.
    chance_out_by : tuple of arrays
        Minutes, and the chance that anyone has run out by then.
    capped_share : float
        Share of transfers beyond the horizon.
    warnings : tuple of str
        From reading the incident, and whatever the audit finds.
    going_on : GoingOn or None
        When planned on from a plan in force: that plan carried on, and what is changed in it.
    """

    incident: Incident
    state: State
    policy: Policy
    source: str
    is_fallback: bool
    is_interrupted: bool
    risk: Risk
    lasts: Lasts
    best_possible: BestPossible
    rules: tuple[RuleResult, ...]
    swaps: tuple[Swap, ...]
    chance_out_by: tuple[Floats, Floats]
    capped_share: float
    solver: tuple[StepReport, ...]
    run: Run
    warnings: tuple[str, ...] = ()
    going_on: GoingOn | None = None
