"""What happens at an instant of one sample, and when the next instant is."""

from __future__ import annotations

import numpy as np

from planner.operation.arrays import (
    GONE,
    HERE,
    NONE,
    RESERVE,
    TRANSFERRED,
    UNKNOWN,
)
from planner.operation.clockwork import (
    expect_help,
    first_on,
    has_leg,
    is_line,
    is_running,
    is_shared,
    phase_row,
    plan_ahead,
    plan_source,
    rate,
    stand_in,
)
from planner.operation.compiling import compiled, inlined
from planner.operation.world import (
    AFFECTED,
    ARRIVE_AT,
    AT_MIN,
    CALLED_OFF,
    CONNECTION,
    COUNTS_OUT,
    CYLINDER,
    CYLINDER_JOIN,
    CYLINDER_PLACE,
    CYLINDER_STATUS,
    DEVICE,
    DEVICE_HOLDER,
    DEVICE_JOIN,
    DEVICE_PLACE,
    FIRST_FLOW,
    FIRST_OUT,
    FLOW,
    HELP_AT,
    HELP_COUNT,
    HELP_NEXT,
    HELP_PLACE,
    HORIZON_MIN,
    INSTANT,
    IS_AWAITED,
    IS_EARLY,
    IS_HOPEFUL,
    IS_LATE_TOLD,
    IS_MOVING,
    IS_OUT,
    IS_READY,
    KIT_RETURN,
    LATE,
    LEAVE,
    LEG,
    LITRES,
    MINUTES_OUT,
    NEWS,
    NEXT_AT,
    NEXT_PHASE,
    NUM_PATIENTS,
    NUM_RESPONDERS,
    NUM_SWAPS,
    NUM_WAITING,
    NUM_WANTING,
    OPEN_FROM,
    ORDER_FROM,
    OUT_SINCE,
    PHASE,
    PHASE_CHANCE,
    PHASE_FLOW,
    PHASE_SCORE,
    PLACE,
    POWER_RATE,
    PROMISED_DEVICE,
    PROMISED_REGULATOR,
    REGULATOR,
    REGULATOR_HOLDER,
    REGULATOR_JOIN,
    REGULATOR_PLACE,
    RESPONDER_FROM,
    RUN_END,
    RUNS_FROM,
    SCALARS,
    SINCE,
    SIZES,
    START,
    STATUS,
    STOPPED,
    SWAP_END,
    TAKES_PART,
    TRANSFER,
    USED,
    WANTS_AWAY,
    World,
)


@inlined
def settle(w: World, i: int, t: float) -> None:
    """Take what was breathed up to now from the cylinder."""
    if is_running(w, i) and t > w.f[RUNS_FROM, i]:
        litres = rate(w, i) * (t - w.f[RUNS_FROM, i])
        w.f[LITRES, w.i[CYLINDER, i]] -= litres
        if w.i[REGULATOR, i] >= 0 or w.f[POWER_RATE, w.i[CYLINDER, i]] == 0:
            w.f[USED, 0] += litres
        w.f[RUNS_FROM, i] = t


@inlined
def next_instant(w: World, t: float) -> float:
    """Return the next minute after ``t`` at which something may change."""
    soon = w.f[SCALARS, HORIZON_MIN]
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        soon = min(soon, w.f[NEXT_AT, i])
    if w.i[NUM_WAITING, 0] > 0:
        soon = min(soon, _next_help(w, t))
    return float(max(soon, t))


@inlined
def gather(w: World, t: float) -> int:
    """Put who has something due by now into ``AFFECTED``, in file order; return how many."""
    size = 0
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        if w.f[NEXT_AT, i] <= t + INSTANT:
            w.i[AFFECTED, size] = i
            size += 1
    return size


@inlined
def apply_events(w: World, size: int, t: float) -> None:
    """Apply what is due for those gathered: transfers, found, called off, phases, swaps due."""
    for k in range(size):
        i = w.i[AFFECTED, k]
        if w.i[IS_MOVING, i] and w.f[ARRIVE_AT, i] <= t + INSTANT:
            _arrive(w, i)
    for k in range(size):
        i = w.i[AFFECTED, k]
        is_there = w.i[STATUS, i] == HERE and not w.i[IS_MOVING, i]
        if is_there and w.f[TRANSFER, i] <= t + INSTANT:
            transfer(w, i, t)
    for k in range(size):
        i = w.i[AFFECTED, k]
        if w.i[STATUS, i] == UNKNOWN:
            find_patient(w, i, t)
    for k in range(size):
        i = w.i[AFFECTED, k]
        if w.i[IS_AWAITED, i] and w.f[CALLED_OFF, i] <= t + INSTANT:
            w.i[IS_AWAITED, i] = 0
            tell_news(w)
            _call_off(w, i, t)
    for k in range(size):
        i = w.i[AFFECTED, k]
        if w.f[NEXT_PHASE, i] <= t + INSTANT:
            change_phases(w, i, t)
    for k in range(size):
        i = stand_in(w, w.i[AFFECTED, k])
        mark_due(w, i, t)
        _want_away(w, w.i[AFFECTED, k], t)
        plan_ahead(w, i)
        if i != w.i[AFFECTED, k]:
            plan_ahead(w, w.i[AFFECTED, k])


@inlined
def _next_help(w: World, t: float) -> float:
    """Return the next minute at which somebody who waits might be served after all."""
    soon, after = w.f[HELP_NEXT, 0], t + INSTANT
    if not w.i[IS_HOPEFUL, 0]:
        return float(soon)
    for h in range(w.i[SIZES, NUM_RESPONDERS]):
        if w.f[RESPONDER_FROM, h] > after:
            soon = min(soon, w.f[RESPONDER_FROM, h])
    for k in range(w.i[SIZES, NUM_SWAPS]):
        if w.f[SWAP_END, k] > after:
            soon = min(soon, w.f[SWAP_END, k])
    return float(soon)


@inlined
def take_news(w: World, t: float) -> None:
    """Strike out help that is there by now; whoever found nothing may look again."""
    if w.f[HELP_NEXT, 0] > t + INSTANT:
        return
    tell_news(w)
    soon = np.inf
    k = 0
    while k < w.i[HELP_COUNT, 0]:
        if w.f[HELP_AT, k] <= t + INSTANT:
            w.i[HELP_COUNT, 0] -= 1
            w.f[HELP_AT, k] = w.f[HELP_AT, w.i[HELP_COUNT, 0]]
            w.i[HELP_PLACE, k] = w.i[HELP_PLACE, w.i[HELP_COUNT, 0]]
        else:
            soon = min(soon, w.f[HELP_AT, k])
            k += 1
    w.f[HELP_NEXT, 0] = soon


@inlined
def tell_news(w: World) -> None:
    """Note that there may be supply that was not there before."""
    w.i[NEWS, 0] += 1
    w.i[IS_HOPEFUL, 0] = 1


@inlined
def transfer(w: World, i: int, t: float) -> None:
    """Take a patient away, with what it has on."""
    settle(w, i, t)
    end_buffer(w, i, t)
    end_out(w, i, t)
    w.i[STATUS, i] = TRANSFERRED
    tell_news(w)
    is_last = _leave_line(w, i)
    w.i[NUM_WANTING, 0] -= w.i[WANTS_AWAY, i]
    w.i[WANTS_AWAY, i] = w.i[IS_READY, i] = w.i[IS_EARLY, i] = 0
    if not np.isnan(w.f[SINCE, i]):
        w.f[SINCE, i] = np.nan
        w.i[NUM_WAITING, 0] -= w.i[TAKES_PART, i]
    back, q = t + w.f[KIT_RETURN, i], w.i[PLACE, i]
    c, g, d = w.i[CYLINDER, i], w.i[REGULATOR, i], w.i[DEVICE, i]
    is_back = np.isfinite(w.f[KIT_RETURN, i])
    if is_back:
        expect_help(w, back, q)
    if c >= 0 and g < 0 and w.f[POWER_RATE, c] > 0:
        w.i[CYLINDER_STATUS, c] = RESERVE
        w.i[CYLINDER_PLACE, c], w.f[CYLINDER_JOIN, c] = q, t
        w.i[OPEN_FROM, w.i[CONNECTION, c]] = w.i[ORDER_FROM, w.i[CONNECTION, c]]
        expect_help(w, t, q)
    elif c >= 0 and is_last:
        w.i[CYLINDER_STATUS, c] = RESERVE if is_back else GONE
        w.i[CYLINDER_PLACE, c], w.f[CYLINDER_JOIN, c] = q, back
        w.i[OPEN_FROM, w.i[CONNECTION, c]] = w.i[ORDER_FROM, w.i[CONNECTION, c]]
    if g >= 0 and is_last:
        w.i[REGULATOR_HOLDER, g] = NONE if is_back else -2
        w.i[REGULATOR_PLACE, g], w.f[REGULATOR_JOIN, g] = q, back
    if d >= 0:
        w.i[DEVICE_HOLDER, d] = NONE if is_back else -2
        w.i[DEVICE_PLACE, d], w.f[DEVICE_JOIN, d] = q, back


@inlined
def _arrive(w: World, i: int) -> None:
    """Let a patient be at the place where its leg ends."""
    w.i[IS_MOVING, i] = 0
    w.f[ARRIVE_AT, i] = np.nan
    tell_news(w)
    if not np.isnan(w.f[SINCE, i]):
        w.i[NUM_WAITING, 0] += w.i[TAKES_PART, i]


@inlined
def _want_away(w: World, i: int, t: float) -> None:
    """Note that a patient wants to leave on its next leg from now on."""
    if w.i[STATUS, i] != HERE or w.i[IS_MOVING, i] or w.i[WANTS_AWAY, i] or not has_leg(w, i):
        return
    if w.f[phase_row(w, LEAVE, i), w.i[LEG, i]] <= t + INSTANT:
        w.i[WANTS_AWAY, i] = 1
        w.i[NUM_WANTING, 0] += 1


@inlined
def _leave_line(w: World, i: int) -> bool:
    """Hand a source on to who stands for it now; say whether there is nobody left on it."""
    if not is_shared(w, i) or w.i[CYLINDER, i] < 0:
        return True
    j = first_on(w, w.i[REGULATOR, i])
    if j < 0:
        return True
    w.i[REGULATOR_HOLDER, w.i[REGULATOR, i]] = j
    if not np.isnan(w.f[SINCE, i]):
        w.f[SINCE, j] = w.f[SINCE, i]
        w.i[IS_LATE_TOLD, j] = w.i[IS_LATE_TOLD, i]
        w.i[NUM_WAITING, 0] += 1
    plan_ahead(w, j)
    return False


@inlined
def end_out(w: World, i: int, t: float) -> None:
    """Close the count of minutes out of oxygen."""
    since = w.f[OUT_SINCE, i]
    if not np.isnan(since):
        if t - since > INSTANT:  # served in the same instant is not out
            w.f[MINUTES_OUT, i] += t - since
            w.f[FIRST_OUT, i] = min(w.f[FIRST_OUT, i], since)
        w.f[OUT_SINCE, i] = np.nan


@inlined
def go_out(w: World, i: int, t: float) -> None:
    """Start the count of minutes out of oxygen, for all on the same cylinder."""
    if is_shared(w, i) and w.i[CYLINDER, i] >= 0:
        for j in range(w.i[SIZES, NUM_PATIENTS]):
            if is_line(w, j, w.i[REGULATOR, i]):
                settle(w, j, t)
                if w.f[FIRST_FLOW, j] > t + INSTANT:  # it has had no oxygen yet
                    w.f[FIRST_FLOW, j] = np.nan
                w.i[IS_OUT, j] = 1
                w.f[OUT_SINCE, j] = t
                plan_ahead(w, j)
        return
    w.i[IS_OUT, i] = 1
    w.f[OUT_SINCE, i] = t
    plan_ahead(w, i)


@inlined
def end_buffer(w: World, i: int, t: float) -> None:
    """Count a late swap if any time passed on the buffer."""
    since = w.f[SINCE, i]
    if np.isnan(since) or not is_running(w, i) or t - since <= INSTANT:
        return
    if w.i[IS_LATE_TOLD, i] or w.i[IS_EARLY, i]:
        return
    w.i[IS_LATE_TOLD, i] = 1
    if since >= w.f[SCALARS, AT_MIN] - INSTANT:  # earlier ones were counted before the state
        w.i[LATE, i] += 1


@compiled
def find_patient(w: World, i: int, t: float) -> None:
    """Find somebody whose start is now; kit that is still promised is theirs."""
    is_due = w.f[START, i] <= t + INSTANT and w.f[START, i] < w.f[TRANSFER, i]
    if w.i[STATUS, i] != UNKNOWN or not is_due:
        return
    w.i[STATUS, i] = HERE
    w.f[SINCE, i] = t
    w.i[IS_OUT, i] = 1
    w.i[NUM_WAITING, 0] += w.i[TAKES_PART, i]
    w.i[IS_HOPEFUL, 0] = 1
    if w.i[TAKES_PART, i] or w.i[COUNTS_OUT, i]:
        go_out(w, i, t)
    if w.i[IS_AWAITED, i] and w.i[TAKES_PART, i]:
        w.i[REGULATOR, i] = w.i[PROMISED_REGULATOR, i]
        w.i[DEVICE, i] = w.i[PROMISED_DEVICE, i]
    w.i[IS_AWAITED, i] = 0


@compiled
def _call_off(w: World, i: int, t: float) -> None:
    if not w.i[TAKES_PART, i]:
        return
    g, d = w.i[PROMISED_REGULATOR, i], w.i[PROMISED_DEVICE, i]
    if g >= 0:
        w.i[REGULATOR_HOLDER, g] = NONE
        w.f[REGULATOR_JOIN, g] = max(w.f[REGULATOR_JOIN, g], t)
        expect_help(w, t, w.i[REGULATOR_PLACE, g])
    if d >= 0:
        w.i[DEVICE_HOLDER, d] = NONE
        w.f[DEVICE_JOIN, d] = max(w.f[DEVICE_JOIN, d], t)
        expect_help(w, t, w.i[DEVICE_PLACE, d])


@compiled
def change_phases(w: World, i: int, t: float) -> None:
    """Begin, or drop, the flow phases that are due."""
    if w.i[STATUS, i] != HERE or not w.i[TAKES_PART, i]:
        return
    while w.f[NEXT_PHASE, i] <= t + INSTANT:
        k = w.i[PHASE, i] + 1
        if w.f[phase_row(w, PHASE_SCORE, i), k - 1] < w.f[phase_row(w, PHASE_CHANCE, i), k]:
            settle(w, i, t)
            w.i[PHASE, i] = k
            w.f[FLOW, i] = w.f[phase_row(w, PHASE_FLOW, i), k]
        else:
            w.i[STOPPED, i] = 1
        plan_source(w, i)


@inlined
def mark_due(w: World, i: int, t: float) -> None:
    """Mark a swap that is due, or a buffer that is breathed."""
    if w.f[RUN_END, i] > t + INSTANT or w.i[STATUS, i] != HERE:
        return
    settle(w, i, t)
    if np.isnan(w.f[SINCE, i]) or w.i[IS_EARLY, i]:
        w.f[SINCE, i] = t
        if not w.i[IS_EARLY, i] and not w.i[IS_MOVING, i]:
            w.i[NUM_WAITING, 0] += 1
        w.i[IS_EARLY, i] = w.i[IS_LATE_TOLD, i] = 0
        w.i[IS_HOPEFUL, 0] = 1
        plan_ahead(w, i)
    if w.f[RUN_END, i] <= t + INSTANT:
        end_buffer(w, i, t)
        go_out(w, i, t)
