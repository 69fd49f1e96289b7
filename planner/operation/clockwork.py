"""When a running cylinder comes to its floor, and when help may come."""

from __future__ import annotations

import numpy as np

from planner.operation.arrays import HERE, NONE, UNKNOWN
from planner.operation.compiling import compiled, inlined
from planner.operation.world import (
    ARRIVE_AT,
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
    IS_EARLY,
    IS_MOVING,
    IS_OUT,
    IS_READY,
    LEAVE,
    LEG,
    LITRES,
    NEXT_AT,
    NEXT_PHASE,
    NUM_LEGS,
    NUM_OWN_ROWS,
    NUM_PATIENTS,
    NUM_PHASES,
    NUM_PLACES,
    OUTLETS,
    PHASE,
    PHASE_FROM,
    POWER_RATE,
    REGULATOR,
    REGULATOR_FACTOR,
    RESIDUAL_L,
    RUN_END,
    RUNS_FROM,
    SERVE_RANK,
    SINCE,
    SIZES,
    START,
    STATUS,
    STOPPED,
    TRANSFER,
    VALVE_FACTOR,
    WANTS_AWAY,
    World,
)


@inlined
def phase_row(w: World, kind: int, i: int) -> int:
    """Return the row of the floating-point table that holds one fact of a patient's phases."""
    return int(CARRY + w.i[SIZES, NUM_PLACES] + NUM_OWN_ROWS * i + kind)


@inlined
def has_leg(w: World, i: int) -> bool:
    """Say whether a patient has a leg still to go."""
    return bool(w.i[LEG, i] < w.i[NUM_LEGS, i])


@inlined
def rate(w: World, i: int) -> float:
    """Return litres a minute that a patient takes while oxygen runs."""
    g, c = w.i[REGULATOR, i], w.i[CYLINDER, i]
    if g >= 0:
        return float(w.f[FLOW, i] * w.f[REGULATOR_FACTOR, g])
    if w.f[POWER_RATE, c] > 0:
        return float(w.f[POWER_RATE, c])
    return float(w.f[FLOW, i] * w.f[VALVE_FACTOR, c])


@inlined
def is_shared(w: World, i: int) -> bool:
    """Say whether others may breathe from the patient's cylinder, too."""
    g = w.i[REGULATOR, i]
    return bool(g >= 0 and w.i[OUTLETS, g] > 1)


@inlined
def is_line(w: World, i: int, g: int) -> bool:
    """Say whether a patient who is there has a line on a regulator's cylinder."""
    return bool(w.i[REGULATOR, i] == g and w.i[STATUS, i] == HERE and w.i[CYLINDER, i] >= 0)


@compiled
def first_on(w: World, g: int) -> int:
    """Return who stands for those on a regulator's cylinder, the first in service; -1: nobody."""
    first = NONE
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        if is_line(w, i, g) and (first < 0 or w.i[SERVE_RANK, i] < w.i[SERVE_RANK, first]):
            first = i
    return int(first)


@inlined
def stand_in(w: World, i: int) -> int:
    """Return who stands for those on a patient's cylinder; itself where nobody else is on it."""
    if not is_shared(w, i):
        return i
    first = first_on(w, w.i[REGULATOR, i])
    return i if first < 0 else first


@compiled
def shared_runs_to(w: World, i: int, litres: float) -> float:
    """Return when those on a patient's cylinder have breathed so many litres, all together.

    Each has been counted up to a minute of its own, or begins later; who begins after the end has
    no part in it.
    """
    g, end = w.i[REGULATOR, i], np.inf
    while True:
        total, base = 0.0, max(0.0, litres)
        for j in range(w.i[SIZES, NUM_PATIENTS]):
            if is_line(w, j, g) and w.f[RUNS_FROM, j] < end:
                total += rate(w, j)
                base += rate(w, j) * w.f[RUNS_FROM, j]
        if total == 0.0 or base / total >= end:
            return float(end)
        end = base / total


@inlined
def is_running(w: World, i: int) -> bool:
    """Say whether oxygen runs, or will at the end of the swap's gap."""
    return bool(w.i[STATUS, i] == HERE and w.i[CYLINDER, i] >= 0 and not w.i[IS_OUT, i])


@inlined
def runs_to(w: World, i: int) -> float:
    """Return when a running cylinder reaches change pressure, or safe residual if already due."""
    c = w.i[CYLINDER, i]
    is_on_buffer = not np.isnan(w.f[SINCE, i]) and not w.i[IS_EARLY, i]
    floor = w.f[RESIDUAL_L, c] if is_on_buffer else w.f[CHANGE_L, c]
    if is_shared(w, i):
        return shared_runs_to(w, i, w.f[LITRES, c] - floor)
    return float(w.f[RUNS_FROM, i] + max(0.0, w.f[LITRES, c] - floor) / rate(w, i))


@inlined
def plan_ahead(w: World, i: int) -> None:
    """Note when something is next due for a patient, and what."""
    w.f[RUN_END, i] = w.f[NEXT_PHASE, i] = w.f[NEXT_AT, i] = np.inf
    if w.i[STATUS, i] == HERE:
        if is_running(w, i) and stand_in(w, i) == i:
            w.f[RUN_END, i] = runs_to(w, i)
        k = w.i[PHASE, i] + 1
        if not w.i[STOPPED, i] and k < w.i[NUM_PHASES, i] and not np.isnan(w.f[FIRST_FLOW, i]):
            w.f[NEXT_PHASE, i] = w.f[FIRST_FLOW, i] + w.f[phase_row(w, PHASE_FROM, i), k]
        goes = w.f[TRANSFER, i]
        if w.i[IS_MOVING, i]:
            goes = w.f[ARRIVE_AT, i]
        elif w.i[WANTS_AWAY, i]:  # as soon as what is under way runs
            if is_running(w, i) and (w.i[IS_READY, i] or np.isnan(w.f[SINCE, i])):
                goes = min(goes, w.f[RUNS_FROM, i])
        elif has_leg(w, i):
            goes = min(goes, w.f[phase_row(w, LEAVE, i), w.i[LEG, i]])
        w.f[NEXT_AT, i] = min(goes, w.f[RUN_END, i], w.f[NEXT_PHASE, i])
    elif w.i[STATUS, i] == UNKNOWN and w.f[START, i] < w.f[TRANSFER, i]:
        w.f[NEXT_AT, i] = w.f[START, i]
    if w.i[IS_AWAITED, i]:
        w.f[NEXT_AT, i] = min(w.f[NEXT_AT, i], w.f[CALLED_OFF, i])


@inlined
def plan_source(w: World, i: int) -> None:
    """Note the same for a patient and for everyone on the same cylinder."""
    plan_ahead(w, i)
    if is_shared(w, i):
        for j in range(w.i[SIZES, NUM_PATIENTS]):
            if j != i and is_line(w, j, w.i[REGULATOR, i]):
                plan_ahead(w, j)


@inlined
def expect_at(w: World, minute: float, q: int) -> None:
    """Note a minute at which something can be taken at a place, and nowhere else."""
    if w.i[HELP_COUNT, 0] < w.f.shape[1]:
        w.f[HELP_AT, w.i[HELP_COUNT, 0]] = minute
        w.i[HELP_PLACE, w.i[HELP_COUNT, 0]] = q
        w.i[HELP_COUNT, 0] += 1
        w.f[HELP_NEXT, 0] = min(w.f[HELP_NEXT, 0], minute)


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
