"""CP-SAT settings, integer scaling and statuses; a value is read only when its status allows.

After INFEASIBLE or UNKNOWN the solver hands out numbers that look like a solution and are none,
so the only way to a value here is :class:`Solved`, which does not exist then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ortools.sat.python import cp_model

from planner.errors import SolverError

COST_SCALE: Final = 10**9  # model.md: 1e6 was 1.2 % off


@dataclass(frozen=True, slots=True)
class Settings:
    """How long the solver may work; counted in its own deterministic time, not by the clock.

    Parameters
    ----------
    seed : int
    deterministic_s : float
        Deterministic seconds; the same limit gives the same answer on any machine.
    wall_s : float or None
        Outer guard by the clock; an answer that it cuts short is not repeatable.
    """

    seed: int = 0
    deterministic_s: float = 5.0
    wall_s: float | None = None


@dataclass(frozen=True, slots=True)
class StepReport:
    """What one step of the optimisation reports of itself.

    ``bound`` and ``gap`` are None where the step has none.
    """

    step: str
    status: str
    bound: float | None
    objective: float | None
    gap: float | None
    evaluations: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Solved:
    """Values of a solution that exists, with what the solver proved about it."""

    values: Mapping[str, int]
    status: str
    objective: float
    bound: float

    @property
    def gap(self) -> float:
        """Distance to the bound as a share of the objective, 0 when both are 0."""
        if self.objective == self.bound:
            return 0.0
        return abs(self.objective - self.bound) / max(abs(self.objective), 1e-12)


def scaled(cost: float) -> int:
    """Return a cost as the whole number that the solver wants."""
    return round(cost * COST_SCALE)


def solve(
    model: cp_model.CpModel, variables: Mapping[str, cp_model.IntVar], settings: Settings
) -> Solved:
    """Solve a model with one worker and a deterministic limit.

    Parameters
    ----------
    model : CpModel
        With costs scaled by :func:`scaled`.
    variables : mapping of str to IntVar
        What to read back.
    settings : Settings

    Returns
    -------
    Solved

    Raises
    ------
    SolverError
        When there is no solution to read: infeasible, invalid, or none found within the limit.
    """
    problem = model.validate()
    if problem:
        raise SolverError(f"the model is invalid: {problem}")
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = settings.seed % (2**31)
    solver.parameters.max_deterministic_time = settings.deterministic_s
    if settings.wall_s is not None:
        solver.parameters.max_time_in_seconds = settings.wall_s
    status = solver.solve(model)
    name = solver.status_name(status)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        raise SolverError(f"the solver gave no plan: {name}")
    return Solved(
        {key: int(solver.value(variable)) for key, variable in variables.items()},
        name.lower(),
        solver.objective_value / COST_SCALE,
        solver.best_objective_bound / COST_SCALE,
    )
