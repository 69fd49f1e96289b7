"""When a running cylinder comes to its floor, and when help may come."""

from __future__ import annotations

import numpy as np

from planner.operation.arrays import HERE
from planner.operation.compiling import compiled
from planner.operation.world import (
    CHANGE_L,
    CYLINDER,
    FIRST_FLOW,
    FLOW,
    HELP_AT,
    HELP_COUNT,
    HELP_PLACE,
    IS_OUT,
    LITRES,
    NEXT_PHASE,
    NUM_PHASES,
    NUM_PLACES,
    PHASE,
    PHASE_FROM,
    REGULATOR,
    REGULATOR_FACTOR,
    RESIDUAL_L,
    RUN_END,
    RUNS_FROM,
    SINCE,
    SIZES,
    STATUS,
    STOPPED,
    VALVE_FACTOR,
    World,
)


@compiled
def rate(w: World, i: int) -> float:
    """Return litres a minute that a patient takes while oxygen runs."""
    g = w.i[REGULATOR, i]
    factor = w.f[REGULATOR_FACTOR, g] if g >= 0 else w.f[VALVE_FACTOR, w.i[CYLINDER, i]]
    return float(w.f[FLOW, i] * factor)


@compiled
def is_running(w: World, i: int) -> bool:
    """Say whether oxygen runs, or will at the end of the swap's gap."""
    return bool(w.i[STATUS, i] == HERE and w.i[CYLINDER, i] >= 0 and not w.i[IS_OUT, i])


@compiled
def runs_to(w: World, i: int) -> float:
    """Return when a running cylinder reaches change pressure, or safe residual if already due."""
    c = w.i[CYLINDER, i]
    floor = w.f[CHANGE_L, c] if np.isnan(w.f[SINCE, i]) else w.f[RESIDUAL_L, c]
    return float(w.f[RUNS_FROM, i] + max(0.0, w.f[LITRES, c] - floor) / rate(w, i))


@compiled
def plan_ahead(w: World, i: int) -> None:
    """Note when a patient's running cylinder comes to its floor and when its next phase is due."""
    w.f[RUN_END, i] = runs_to(w, i) if is_running(w, i) else np.inf
    k = w.i[PHASE, i] + 1
    if w.i[STOPPED, i] or k >= w.i[NUM_PHASES, i] or np.isnan(w.f[FIRST_FLOW, i]):
        w.f[NEXT_PHASE, i] = np.inf
    else:
        w.f[NEXT_PHASE, i] = w.f[FIRST_FLOW, i] + w.phases[PHASE_FROM, i, k]


@compiled
def expect_help(w: World, join: float, q: int) -> None:
    """Note the minutes at which what joins at a place comes within reach of each place."""
    if not np.isfinite(join):
        return
    for p in range(w.i[SIZES, NUM_PLACES]):
        minute = join + w.carry[p, q]
        if np.isfinite(minute) and w.i[HELP_COUNT, 0] < w.f.shape[1]:
            w.f[HELP_AT, w.i[HELP_COUNT, 0]] = minute
            w.i[HELP_PLACE, w.i[HELP_COUNT, 0]] = q
            w.i[HELP_COUNT, 0] += 1
