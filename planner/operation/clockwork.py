"""When a running cylinder comes to its floor, and when help may come."""

from __future__ import annotations

import numpy as np

from planner.operation.arrays import HERE, UNKNOWN
from planner.operation.compiling import compiled, inlined
from planner.operation.world import (
    CALLED_OFF,
    CARRY,
    CHANGE_L,
    CYLINDER,
    FIRST_FLOW,
    FLOW,
    HELP_AT,
    HELP_COUNT,
    HELP_NEXT,
    HELP_PLACE,
    IS_AWAITED,
    IS_OUT,
    LITRES,
    NEXT_AT,
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
    START,
    STATUS,
    STOPPED,
    TRANSFER,
    VALVE_FACTOR,
    World,
)


@inlined
def phase_row(w: World, kind: int, i: int) -> int:
    """Return the row of the floating-point table that holds one fact of a patient's phases."""
    return int(CARRY + w.i[SIZES, NUM_PLACES] + 4 * i + kind)


@inlined
def rate(w: World, i: int) -> float:
    """Return litres a minute that a patient takes while oxygen runs."""
    g = w.i[REGULATOR, i]
    factor = w.f[REGULATOR_FACTOR, g] if g >= 0 else w.f[VALVE_FACTOR, w.i[CYLINDER, i]]
    return float(w.f[FLOW, i] * factor)


@inlined
def is_running(w: World, i: int) -> bool:
    """Say whether oxygen runs, or will at the end of the swap's gap."""
    return bool(w.i[STATUS, i] == HERE and w.i[CYLINDER, i] >= 0 and not w.i[IS_OUT, i])


@inlined
def runs_to(w: World, i: int) -> float:
    """Return when a running cylinder reaches change pressure, or safe residual if already due."""
    c = w.i[CYLINDER, i]
    floor = w.f[CHANGE_L, c] if np.isnan(w.f[SINCE, i]) else w.f[RESIDUAL_L, c]
    return float(w.f[RUNS_FROM, i] + max(0.0, w.f[LITRES, c] - floor) / rate(w, i))


@inlined
def plan_ahead(w: World, i: int) -> None:
    """Note when something is next due for a patient, and what."""
    w.f[RUN_END, i] = w.f[NEXT_PHASE, i] = w.f[NEXT_AT, i] = np.inf
    if w.i[STATUS, i] == HERE:
        if is_running(w, i):
            w.f[RUN_END, i] = runs_to(w, i)
        k = w.i[PHASE, i] + 1
        if not w.i[STOPPED, i] and k < w.i[NUM_PHASES, i] and not np.isnan(w.f[FIRST_FLOW, i]):
            w.f[NEXT_PHASE, i] = w.f[FIRST_FLOW, i] + w.f[phase_row(w, PHASE_FROM, i), k]
        w.f[NEXT_AT, i] = min(w.f[TRANSFER, i], w.f[RUN_END, i], w.f[NEXT_PHASE, i])
    elif w.i[STATUS, i] == UNKNOWN and w.f[START, i] < w.f[TRANSFER, i]:
        w.f[NEXT_AT, i] = w.f[START, i]
    if w.i[IS_AWAITED, i]:
        w.f[NEXT_AT, i] = min(w.f[NEXT_AT, i], w.f[CALLED_OFF, i])


@compiled
def expect_help(w: World, join: float, q: int) -> None:
    """Note the minutes at which what joins at a place comes within reach of each place."""
    if not np.isfinite(join):
        return
    for p in range(w.i[SIZES, NUM_PLACES]):
        minute = join + w.f[CARRY + p, q]
        if np.isfinite(minute) and w.i[HELP_COUNT, 0] < w.f.shape[1]:
            w.f[HELP_AT, w.i[HELP_COUNT, 0]] = minute
            w.i[HELP_PLACE, w.i[HELP_COUNT, 0]] = q
            w.i[HELP_COUNT, 0] += 1
            w.f[HELP_NEXT, 0] = min(w.f[HELP_NEXT, 0], minute)
