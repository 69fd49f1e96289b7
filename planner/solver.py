"""CP-SAT settings, integer scaling and statuses; a value is read only when its status allows.

After INFEASIBLE or UNKNOWN the solver hands out numbers that look like a solution and are none,
so the only way to a value here is :class:`Solved`, which does not exist then.
"""

from __future__ import annotations

from collections.abc import Sequence
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
class Tuning:
    """How to solve one kind of model.

    Parameters
    ----------
    gap : float
        Good enough when proved this close, as a share of the objective.
    is_relaxed_whole : bool
        Use the linear relaxation whole and from the start, and probe nothing: for models of few
        long rows (two to three times as fast as the defaults for the master of step 1).
    """

    gap: float = 0.0
    is_relaxed_whole: bool = False


@dataclass(frozen=True, slots=True)
class Solved:
    """Values of a solution that exists, with what the solver proved about it.

    ``on_the_way`` are the values of every solution found, the best last.
    """

    values: tuple[int, ...]
    status: str
    objective: float
    bound: float
    deterministic_s: float
    on_the_way: tuple[tuple[int, ...], ...]

    @property
    def gap(self) -> float:
        """Distance to the bound as a share of the objective, 0 when both are 0."""
        if self.objective == self.bound:
            return 0.0
        return abs(self.objective - self.bound) / max(abs(self.objective), 1e-12)


class _Collector(cp_model.CpSolverSolutionCallback):
    """Keeps the values of every solution."""

    def __init__(self, variables: Sequence[cp_model.IntVar]) -> None:
        super().__init__()
        self.variables = variables
        self.found: list[tuple[int, ...]] = []

    def on_solution_callback(self) -> None:
        """Note the values."""
        self.found.append(tuple(int(self.value(v)) for v in self.variables))


def scaled(cost: float) -> int:
    """Return a cost as the whole number that the solver wants."""
    return round(cost * COST_SCALE)


def solve(
    model: cp_model.CpModel,
    variables: Sequence[cp_model.IntVar],
    settings: Settings,
    tuning: Tuning | None = None,
) -> Solved:
    """Solve a model with one worker and a deterministic limit.

    Parameters
    ----------
    model : CpModel
        With costs scaled by :func:`scaled`.
    variables : sequence of IntVar
        What to read back.
    settings : Settings
    tuning : Tuning or None

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
    solver = _solver(settings, tuning or Tuning())
    collector = _Collector(variables)
    status = solver.solve(model, collector)
    name = solver.status_name(status)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        raise SolverError(f"the solver gave no plan: {name}")
    return Solved(
        tuple(int(solver.value(variable)) for variable in variables),
        name.lower(),
        solver.objective_value / COST_SCALE,
        solver.best_objective_bound / COST_SCALE,
        float(solver.response_proto.deterministic_time),
        tuple(dict.fromkeys(collector.found)),
    )


def _solver(settings: Settings, tuning: Tuning) -> cp_model.CpSolver:
    solver = cp_model.CpSolver()
    parameters = solver.parameters
    parameters.num_workers = 1
    parameters.random_seed = settings.seed % (2**31)
    parameters.max_deterministic_time = settings.deterministic_s
    if settings.wall_s is not None:
        parameters.max_time_in_seconds = settings.wall_s
    parameters.relative_gap_limit = tuning.gap
    if tuning.is_relaxed_whole:
        parameters.linearization_level = 2
        parameters.cp_model_probing_level = 0
        parameters.add_lp_constraints_lazily = False
    return solver
