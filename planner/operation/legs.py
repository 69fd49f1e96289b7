"""Patients who are carried from place to place: who may leave now, and leaving."""

from __future__ import annotations

import numpy as np

from planner.incident import LEG_MARGIN
from planner.operation.arrays import NONE
from planner.operation.clockwork import is_running, phase_row, plan_ahead, rate
from planner.operation.compiling import compiled
from planner.operation.events import settle, tell_news
from planner.operation.supply import find_device, find_source
from planner.operation.world import (
    ARRIVE_AT,
    CYLINDER,
    DEVICE,
    DEVICE_JOIN,
    DEVICE_PLACE,
    FITS,
    INSTANT,
    IS_EARLY,
    IS_HOPEFUL,
    IS_LATE_TOLD,
    IS_MOVING,
    IS_OUT,
    IS_READY,
    LEG,
    LEG_MIN,
    LITRES,
    NOTHING,
    NUM_PATIENTS,
    NUM_WAITING,
    NUM_WANTING,
    PLACE,
    REGULATOR,
    REGULATOR_JOIN,
    REGULATOR_PLACE,
    RESIDUAL_L,
    RUNS_FROM,
    SINCE,
    SIZES,
    TAKES_PART,
    WANTS_AWAY,
    World,
)


@compiled
def leave(w: World, t: float) -> None:
    """Let everyone go who wants to leave and may."""
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        if w.i[WANTS_AWAY, i] and _may_leave(w, i, t):
            _go(w, i, t)


@compiled
def is_anyone_stranded(w: World, t: float) -> bool:
    """Say whether somebody who waits to be connected for leaving can no longer be."""
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        waits = w.i[WANTS_AWAY, i] and w.i[TAKES_PART, i] and not np.isnan(w.f[SINCE, i])
        if waits and not _can_be_connected(w, i, t):
            return True
    return False


@compiled
def _may_leave(w: World, i: int, t: float) -> bool:
    if not w.i[TAKES_PART, i]:
        return True
    c = w.i[CYLINDER, i]
    if c >= 0 and not w.i[IS_OUT, i] and w.f[RUNS_FROM, i] > t + INSTANT:
        return False  # a connection is under way
    if w.i[IS_READY, i]:
        return True
    if is_running(w, i) and np.isnan(w.f[SINCE, i]):
        settle(w, i, t)
        leg_min = w.f[phase_row(w, LEG_MIN, i), w.i[LEG, i]]
        enough = LEG_MARGIN * leg_min * rate(w, i)
        if w.f[LITRES, c] - w.f[RESIDUAL_L, c] >= enough - NOTHING:
            return True
        w.f[SINCE, i] = t
        w.i[IS_EARLY, i], w.i[IS_LATE_TOLD, i] = 1, 0
        w.i[NUM_WAITING, 0] += 1
        w.i[IS_HOPEFUL, 0] = 1
        plan_ahead(w, i)
    return not _can_be_connected(w, i, t)


@compiled
def _can_be_connected(w: World, i: int, t: float) -> bool:
    """Say whether a patient could be connected now if there were hands and keys enough."""
    if find_device(w, i, t) < 0:
        return False
    c, _ = find_source(w, i, t)
    return bool(c != NONE)


@compiled
def _go(w: World, i: int, t: float) -> None:
    """Take a patient on its next leg, with what it has on."""
    k = w.i[LEG, i]
    if w.i[IS_EARLY, i]:
        w.i[IS_EARLY, i] = 0
        w.f[SINCE, i] = np.nan
        w.i[NUM_WAITING, 0] -= 1
    elif not np.isnan(w.f[SINCE, i]):
        w.i[NUM_WAITING, 0] -= w.i[TAKES_PART, i]
    w.i[WANTS_AWAY, i] = w.i[IS_READY, i] = 0
    w.i[NUM_WANTING, 0] -= 1
    w.i[IS_MOVING, i] = 1
    w.i[LEG, i] = k + 1
    w.f[ARRIVE_AT, i] = t + w.f[phase_row(w, LEG_MIN, i), k]
    w.i[PLACE, i] = w.i[FITS + 2 * w.i[SIZES, NUM_PATIENTS] + i, k]
    g, d = w.i[REGULATOR, i], w.i[DEVICE, i]
    if g >= 0:
        w.i[REGULATOR_PLACE, g], w.f[REGULATOR_JOIN, g] = w.i[PLACE, i], w.f[ARRIVE_AT, i]
    if d >= 0:
        w.i[DEVICE_PLACE, d], w.f[DEVICE_JOIN, d] = w.i[PLACE, i], w.f[ARRIVE_AT, i]
    tell_news(w)
    plan_ahead(w, i)
