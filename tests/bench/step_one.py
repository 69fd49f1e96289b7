"""How fast step 1 closes its gap: ``python -m tests.bench.step_one [SECONDS [alone]]``, by hand.

Random incidents of the usual recipe and the forty of Harrow Col, 200 samples. For each: seconds by
the clock to the first plan and to 5, 2 and 1 per cent, the gap at the end, deterministic seconds;
beside it, unless "alone" is said, the full sampled model, all rows and samples at once, by HiGHS in
the same time.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, hstack, vstack

from planner.allocation.packages import Choice
from planner.allocation.rows import TIERS, Rows, uses_of
from planner.allocation.step_one import Limits, StepOne, allocate, first_samples
from planner.demand import Needs, sample
from planner.files import read_incident
from planner.incident import Incident
from planner.solver import Settings
from planner.state import initial_state
from tests.generator import random_incident

SAMPLES = 200
GOAL = 0.01
USUAL_L = 300.0
CASES = [(8, 24), (14, 40), (20, 60), (40, 130)]
HARROW = Path(__file__).parents[2] / "scenarios" / "harrow-col-forty.toml"


def seconds_to(found: StepOne, gap: float) -> str:
    """Return when a gap was reached, against the objective and bound of that time."""
    for mark in found.marks:
        if mark.objective - mark.bound <= gap * abs(mark.objective):
            return f"{mark.clock_s:.1f}"
    return "-"


def full_highs(incident: Incident, needs: Needs, limit_s: float) -> str:
    """Solve the full model; gap and seconds."""
    choice = Choice.of(incident, initial_state(incident), first_samples(needs, SAMPLES))
    rows, (uses, counts) = Rows.of(choice), uses_of(choice)
    num, extra = rows.num_packages, TIERS * SAMPLES
    blocks, high = [], []
    for tier in range(TIERS):
        drawn = rows.draws(tier, np.arange(num))
        for c in range(len(rows.supply)):
            on = (rows.connection == c)[:, None]
            for row in np.flatnonzero(np.isfinite(rows.supply[c, :, 0])):
                draws = csr_array((drawn[:, row] * on).T / USUAL_L)
                columns = tier * SAMPLES + np.arange(SAMPLES)
                short = csr_array(
                    (-np.ones(SAMPLES), (np.arange(SAMPLES), columns)), shape=(SAMPLES, extra)
                )
                blocks.append(hstack([draws, short]))
                high.append(rows.supply[c, row] / USUAL_L)
    one = csr_array(np.equal.outer(np.arange(len(choice.people)), rows.person).astype(float))
    blocks += [hstack([m, csr_array((m.shape[0], extra))]) for m in (one, csr_array(uses * 1.0))]
    every_high = np.concatenate([*high, np.ones(one.shape[0]), counts])
    low = np.full(len(every_high), -np.inf)
    low[len(every_high) - one.shape[0] - len(counts) : len(every_high) - len(counts)] = 1
    costs = np.repeat(rows.weights * USUAL_L / SAMPLES, SAMPLES)
    begun = time.monotonic()
    found = milp(
        np.r_[rows.cost, costs],
        integrality=np.r_[np.ones(num), np.zeros(extra)],
        bounds=Bounds(0, np.r_[np.ones(num), np.full(extra, np.inf)]),
        constraints=LinearConstraint(vstack(blocks), low, every_high),
        options={"time_limit": limit_s, "mip_rel_gap": GOAL},
    )
    seconds = time.monotonic() - begun
    if found.fun is None:
        return f"nothing at {seconds:.0f} s"
    gap = (found.fun - found.mip_dual_bound) / abs(found.fun)
    return f"{found.fun:.4f}, {100 * gap:.1f} % at {seconds:.0f} s"


def main(limit_s: float, seeds: int) -> None:
    """Run all cases and print the table."""
    print("| n / cylinders | packages | first | 5 % | 2 % | 1 % | end | det. s | full HiGHS |")
    print("|---|---|---|---|---|---|---|---|---|")
    cases = [
        (f"{n} / {m}", random_incident(7 + k, num_patients=n, num_cylinders=m), 7 + k)
        for n, m in CASES
        for k in range(seeds)
    ]
    cases.insert(-seeds, ("Harrow Col", read_incident(HARROW).incident, 7))
    for name, incident, seed in cases:
        state = initial_state(incident)
        needs = sample(incident, state, SAMPLES, seed)
        count = len(Choice.of(incident, state, needs).packages)
        found = allocate(
            incident, state, needs, Settings(1, limit_s, limit_s), Limits(SAMPLES, GOAL)
        )
        times = " | ".join(seconds_to(found, gap) for gap in (np.inf, 0.05, 0.02, 0.01))
        end = f"{found.objective:.4f}, {100 * found.gap:.1f} % at {found.marks[-1].clock_s:.0f} s"
        beside = full_highs(incident, needs, limit_s) if len(sys.argv) < 3 else "not run"
        print(
            f"| {name} | {count} | {times} | {end} | {found.deterministic_s:.1f} | {beside} |",
            flush=True,
        )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 40.0, 2)
