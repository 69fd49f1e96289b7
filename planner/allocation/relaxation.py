"""The linear relaxation of the master of step 1, kept warm between cuts."""

from __future__ import annotations

from typing import Final

import numpy as np
from ortools.linear_solver import pywraplp

from planner.allocation.rows import TIERS, Cut, Numbers, Rows
from planner.demand import Floats

SAFE: Final = 1e-6  # by which a reduced cost must exceed the gap (tolerance of the simplex)


class Relaxed:
    """The linear relaxation of the master, kept warm between cuts."""

    def __init__(self, rows: Rows, uses: Numbers, counts: Numbers) -> None:
        self.rows, self.num_cuts, self.num_nonzeros = rows, 0, 0
        self.solver = pywraplp.Solver.CreateSolver("GLOP")
        self.z = [self.solver.NumVar(0.0, 1.0, "") for _ in range(rows.num_packages)]
        self.theta = [self.solver.NumVar(0.0, self.solver.infinity(), "") for _ in range(TIERS)]
        objective = self.solver.Objective()
        for variable, cost in zip(self.z, rows.cost, strict=True):
            objective.SetCoefficient(variable, float(cost))
        for variable in self.theta:
            objective.SetCoefficient(variable, 1.0)
        for person in range(int(rows.person.max()) + 1):
            row = self.solver.Constraint(1.0, 1.0)
            for k in np.flatnonzero(rows.person == person):
                row.SetCoefficient(self.z[k], 1.0)
        for resource, count in enumerate(counts):
            users = np.flatnonzero(uses[resource])
            if len(users):
                row = self.solver.Constraint(-self.solver.infinity(), float(count))
                for k in users:
                    row.SetCoefficient(self.z[k], float(uses[resource, k]))
                self.num_nonzeros += len(users)
        self.low, self.reduced = -np.inf, np.zeros(rows.num_packages)
        self.values, self.thetas = np.zeros(rows.num_packages), np.zeros(TIERS)
        self.pivots = 0
        self.has_failed = False

    def add(self, cuts: list[Cut]) -> None:
        """Add cuts."""
        for cut in cuts:
            row = self.solver.Constraint(cut.constant, self.solver.infinity())
            row.SetCoefficient(self.theta[cut.tier], 1.0)
            for k in np.flatnonzero(cut.slopes):
                row.SetCoefficient(self.z[k], -float(cut.slopes[k]))
            self.num_nonzeros += int(np.count_nonzero(cut.slopes))
            self.num_cuts += 1

    def is_violated(self, cut: Cut, z: Floats) -> bool:
        """Say whether the last solution is below a cut."""
        return bool(cut.constant + cut.slopes @ z > self.thetas[cut.tier] + 1e-9)

    def solve(self) -> tuple[Floats, float]:
        """Return the solution and its value.

        Where the simplex fails, warm and cold, the last solution stands: it and its reduced costs
        are those of fewer cuts, so they prove less but nothing wrong.
        """
        before = self.solver.iterations() if self.pivots else 0
        status = self.solver.Solve()
        if status != pywraplp.Solver.OPTIMAL:
            cold = pywraplp.MPSolverParameters()
            cold.SetIntegerParam(
                pywraplp.MPSolverParameters.INCREMENTALITY,
                pywraplp.MPSolverParameters.INCREMENTALITY_OFF,
            )
            before = 0
            status = self.solver.Solve(cold)
        self.has_failed = status != pywraplp.Solver.OPTIMAL
        if self.has_failed:
            return self.values, self.low
        self.pivots = max(1, self.solver.iterations() - before)
        self.values = np.array([v.solution_value() for v in self.z])
        self.thetas = np.array([v.solution_value() for v in self.theta])
        self.reduced = np.array([v.reduced_cost() for v in self.z])
        self.low = float(self.solver.Objective().Value())
        return self.values, self.low

    def work(self) -> float:
        """Return how much the last solve did: iterations times non-zeros."""
        return float(self.pivots) * self.num_nonzeros

    def may_be_better(self, objective: float) -> list[int]:
        """Return the packages that a choice below an objective may hold.

        A package at 0 in the relaxation raises its value by at least its reduced cost.
        """
        is_out = (self.values < 1e-9) & (self.low + self.reduced > objective + SAFE)
        return [int(k) for k in np.flatnonzero(~is_out)]
