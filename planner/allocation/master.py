"""The master of step 1 in whole numbers: packages, counts and cuts, solved by CP-SAT.

    min   sum over p of cost[p] z[p] + sum over tiers a of theta[a]
    s.t.  sum over p of person i of z[p] = 1          for every person i
          sum over p of uses[p, k] z[p] <= count[k]   for every resource k
          theta[a] >= constant + slopes @ z           for every cut of tier a

Costs are scaled by :func:`planner.solver.scaled`. Every solution on the way is worth a cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ortools.sat.python import cp_model

from planner.allocation.rows import TIERS, Cut, Numbers, Rows, Value
from planner.solver import Settings, Tuning, scaled, solve

ROUNDING: Final = 1e-7  # whole-number costs are off by less than this


@dataclass(frozen=True, slots=True)
class Problem:
    """What stays the same from round to round."""

    rows: Rows
    uses: Numbers
    counts: Numbers


@dataclass(frozen=True, slots=True)
class Answer:
    """Chosen packages of every solution on the way, the best last, and what was proved.

    ``bound`` is a lower bound of the master restricted to the packages kept.
    """

    found: tuple[tuple[int, ...], ...]
    bound: float
    deterministic_s: float


def solve_master(
    problem: Problem,
    keep: list[int],
    cuts: list[Cut],
    best: tuple[Value, tuple[int, ...]],
    settings: Settings,
    gap: float,
) -> Answer:
    """Solve the master over some packages.

    Parameters
    ----------
    keep : list of int
        Packages left; the others are 0.
    best : (Value, tuple of int)
        The best choice so far, given as a hint where it is within ``keep``.
    gap : float
        Good enough when proved this close.

    Raises
    ------
    SolverError
        When there is no solution to read.
    """
    model, z = _model(problem, keep, cuts, best)
    solved = solve(model, z, settings, Tuning(gap, is_relaxed_whole=True))
    chosen = [tuple(k for k, v in zip(keep, way, strict=True) if v) for way in solved.on_the_way]
    return Answer(tuple(chosen), solved.bound - ROUNDING, solved.deterministic_s)


def _model(
    problem: Problem, keep: list[int], cuts: list[Cut], best: tuple[Value, tuple[int, ...]]
) -> tuple[cp_model.CpModel, list[cp_model.IntVar]]:
    rows, (value, chosen) = problem.rows, best
    model = cp_model.CpModel()
    z = [model.new_bool_var(str(k)) for k in keep]
    for person in range(int(rows.person.max()) + 1):
        theirs = rows.person[keep] == person
        model.add_exactly_one(v for v, is_theirs in zip(z, theirs, strict=True) if is_theirs)
    for resource, count in enumerate(problem.counts):
        used = problem.uses[resource, keep]
        if used.sum() > count:
            model.add(cp_model.LinearExpr.weighted_sum(z, used.tolist()) <= int(count))
    most = scaled(max(1.0, 2 * value.total))
    theta = [model.new_int_var(0, most, f"theta {a}") for a in range(TIERS)]
    for cut in cuts:
        slopes = [scaled(float(slope)) for slope in cut.slopes[keep]]
        if any(slopes):
            least = cp_model.LinearExpr.weighted_sum(z, slopes) + scaled(cut.constant)
            model.add(theta[cut.tier] >= least)
    prices = [scaled(float(cost)) for cost in rows.cost[keep]]
    total = cp_model.LinearExpr.weighted_sum(z, prices) + cp_model.LinearExpr.sum(theta)
    model.minimize(total)
    if set(chosen) <= set(keep):
        for k, variable in zip(keep, z, strict=True):
            model.add_hint(variable, int(k in chosen))
        for a in range(TIERS):
            model.add_hint(theta[a], scaled(float(value.short[a])) + 100)
    return model, z


__all__ = ["ROUNDING", "Answer", "Problem", "solve_master"]
