"""The start of one sample: everything where the state says it is."""

from __future__ import annotations

import numpy as np

from planner.operation.arrays import (
    AWAITED,
    CONNECTED,
    HERE,
    NONE,
    RESERVE,
    TRANSFERRED,
    UNKNOWN,
    Draws,
)
from planner.operation.clockwork import (
    expect_at,
    expect_help,
    first_on,
    has_leg,
    is_shared,
    phase_row,
    plan_ahead,
)
from planner.operation.compiling import compiled, inlined
from planner.operation.world import (
    ARRIVE_AT,
    AT_MIN,
    CONNECTION,
    COUNTS_OUT,
    CYLINDER,
    CYLINDER_JOIN,
    CYLINDER_PLACE,
    CYLINDER_STATUS,
    CYLINDER_SUPPLY,
    DEVICE,
    DEVICE_HOLDER,
    DEVICE_JOIN,
    DEVICE_PLACE,
    DEVICE_SUPPLY,
    FAILED_AT,
    FIRST_FLOW,
    FIRST_OUT,
    FLOW,
    FLOWED_SINCE,
    FROM_ARRIVE,
    FROM_CYLINDER_JOIN,
    FROM_CYLINDER_PLACE,
    FROM_CYLINDER_STATUS,
    FROM_DEVICE_HOLDER,
    FROM_DEVICE_JOIN,
    FROM_DEVICE_PLACE,
    FROM_LEG,
    FROM_PATIENT_PLACE,
    FROM_REGULATOR_HOLDER,
    FROM_REGULATOR_JOIN,
    FROM_REGULATOR_PLACE,
    FROM_STATUS,
    FROM_WASHERS,
    GO_AGAIN,
    HELP_AT,
    HELP_COUNT,
    HELP_NEXT,
    HELP_PLACE,
    INSTANT,
    IS_AWAITED,
    IS_EARLY,
    IS_HOPEFUL,
    IS_LATE_TOLD,
    IS_MOVING,
    IS_NEW,
    IS_OUT,
    IS_READY,
    LATE,
    LEAVE,
    LEG,
    LEG_MIN,
    LITRES,
    MINUTES_OUT,
    NEEDS_WASHER,
    NEWS,
    NUM_CONNECTIONS,
    NUM_CYLINDERS,
    NUM_DEVICES,
    NUM_PATIENTS,
    NUM_PHASES,
    NUM_PLACES,
    NUM_REGULATORS,
    NUM_STATIC_HELP,
    NUM_SWAPS,
    NUM_WAITING,
    NUM_WANTING,
    OPEN_FROM,
    ORDER_FROM,
    OUT_SINCE,
    OUTLETS,
    PHASE,
    PHASE_FLOW,
    PHASE_FROM,
    PHASE_SCORE,
    PHASES_STOPPED,
    PLACE,
    PROMISED_DEVICE,
    PROMISED_REGULATOR,
    REGULATOR,
    REGULATOR_FACTOR,
    REGULATOR_HOLDER,
    REGULATOR_JOIN,
    REGULATOR_PLACE,
    REGULATOR_SUPPLY,
    RUNS_FROM,
    SCALARS,
    SINCE,
    SIZES,
    START,
    START_CYLINDER,
    START_DEVICE,
    START_FLOW,
    START_FROM,
    START_REGULATOR,
    STATIC_HELP_AT,
    STATUS,
    STOPPED,
    SUPPLIED_AT,
    SWAP_END,
    TAKEN,
    TAKES_PART,
    TRANSFER,
    USED,
    VALVE_FACTOR,
    WAITED_SINCE,
    WANTS_AWAY,
    WAS_EARLY,
    WAS_OUT,
    WAS_READY,
    WASHERS,
    World,
)


@compiled
def begin(w: World, draws: Draws, s: int) -> None:
    """Set a sample to the state's minute."""
    _draw(w, draws, s)
    _lay_out_kit(w, draws, s)
    w.f[USED, 0] = 0.0
    for k in range(w.i[SIZES, NUM_SWAPS]):
        w.f[SWAP_END, k] = -np.inf
    for q in range(w.i[SIZES, NUM_PLACES]):
        w.i[WASHERS, q] = w.i[FROM_WASHERS, q]
    for k in range(w.i[SIZES, NUM_STATIC_HELP]):
        w.f[HELP_AT, k] = w.f[STATIC_HELP_AT, k]
    w.i[HELP_COUNT, 0] = w.i[SIZES, NUM_STATIC_HELP]
    w.f[HELP_NEXT, 0] = np.inf
    if w.i[HELP_COUNT, 0] > 0:
        w.f[HELP_NEXT, 0] = w.f[HELP_AT, 0]  # they are sorted
    for x in range(w.i[SIZES, NUM_CONNECTIONS]):
        w.i[OPEN_FROM, x] = w.i[ORDER_FROM, x]
    w.i[IS_HOPEFUL, 0] = 1
    _expect_supply(w, draws, s)
    w.i[NEWS, 0] = 1
    w.i[TAKEN, 0] = 0
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        _seat(w, i)
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        if w.i[TAKES_PART, i] and w.i[STATUS, i] != TRANSFERRED:
            _keep_promise(w, i)
    _pool(w)
    _release_unused(w)
    w.i[NUM_WAITING, 0] = w.i[NUM_WANTING, 0] = w.i[GO_AGAIN, 0] = 0
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        plan_ahead(w, i)
        w.i[NUM_WANTING, 0] += w.i[WANTS_AWAY, i]
        is_due = w.i[TAKES_PART, i] and not np.isnan(w.f[SINCE, i])
        if w.i[STATUS, i] == HERE and is_due and not w.i[IS_MOVING, i]:
            w.i[NUM_WAITING, 0] += 1


@compiled
def _draw(w: World, draws: Draws, s: int) -> None:
    """Copy a sample's own draws into the world."""
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        w.f[START, i] = draws.start[i, s]
        w.f[TRANSFER, i] = draws.transfer[i, s]
        for k in range(draws.leave.shape[1]):
            w.f[phase_row(w, LEAVE, i), k] = draws.leave[i, k, s]
            w.f[phase_row(w, LEG_MIN, i), k] = draws.leg_min[i, k, s]
        for k in range(draws.phase_score.shape[1]):
            if k < w.f.shape[1]:
                w.f[phase_row(w, PHASE_SCORE, i), k] = draws.phase_score[i, k, s]
    for g in range(w.i[SIZES, NUM_REGULATORS]):
        w.f[REGULATOR_FACTOR, g] = draws.regulator_factor[g, s]
    for c in range(w.i[SIZES, NUM_CYLINDERS]):
        w.f[VALVE_FACTOR, c] = draws.valve_factor[c, s]


@compiled
def _expect_supply(w: World, draws: Draws, s: int) -> None:
    """Note when each resupply comes within reach of the places."""
    for r in range(draws.supply.shape[0]):
        for c in range(w.i[SIZES, NUM_CYLINDERS]):
            if w.i[CYLINDER_SUPPLY, c] == r:
                expect_help(w, draws.supply[r, s], w.i[CYLINDER_PLACE, c])
                break
        else:
            for g in range(w.i[SIZES, NUM_REGULATORS]):
                if w.i[REGULATOR_SUPPLY, g] == r:
                    expect_help(w, draws.supply[r, s], w.i[REGULATOR_PLACE, g])
                    break
            for d in range(w.i[SIZES, NUM_DEVICES]):
                if w.i[DEVICE_SUPPLY, d] == r:
                    expect_help(w, draws.supply[r, s], w.i[DEVICE_PLACE, d])
                    break


@compiled
def _lay_out_kit(w: World, draws: Draws, s: int) -> None:
    for c in range(w.i[SIZES, NUM_CYLINDERS]):
        w.i[CYLINDER_PLACE, c] = w.i[FROM_CYLINDER_PLACE, c]
        w.f[LITRES, c] = draws.content[c, s]
        w.i[CYLINDER_STATUS, c] = w.i[FROM_CYLINDER_STATUS, c]
        w.f[CYLINDER_JOIN, c] = w.f[FROM_CYLINDER_JOIN, c]
        if w.i[FROM_CYLINDER_STATUS, c] == AWAITED:
            w.i[CYLINDER_STATUS, c] = RESERVE
            w.f[CYLINDER_JOIN, c] = draws.supply[w.i[CYLINDER_SUPPLY, c], s]
    for g in range(w.i[SIZES, NUM_REGULATORS]):
        w.i[REGULATOR_HOLDER, g] = w.i[FROM_REGULATOR_HOLDER, g]
        w.i[REGULATOR_PLACE, g] = w.i[FROM_REGULATOR_PLACE, g]
        w.f[REGULATOR_JOIN, g] = w.f[FROM_REGULATOR_JOIN, g]
        if w.i[REGULATOR_SUPPLY, g] >= 0:
            w.f[REGULATOR_JOIN, g] = draws.supply[w.i[REGULATOR_SUPPLY, g], s]
    for d in range(w.i[SIZES, NUM_DEVICES]):
        w.i[DEVICE_HOLDER, d] = w.i[FROM_DEVICE_HOLDER, d]
        w.i[DEVICE_PLACE, d] = w.i[FROM_DEVICE_PLACE, d]
        w.f[DEVICE_JOIN, d] = w.f[FROM_DEVICE_JOIN, d]
        if w.i[DEVICE_SUPPLY, d] >= 0:
            w.f[DEVICE_JOIN, d] = draws.supply[w.i[DEVICE_SUPPLY, d], s]


@compiled
def _seat(w: World, i: int) -> None:
    """Put one patient where the state says it is."""
    w.i[STATUS, i] = w.i[FROM_STATUS, i]
    w.i[FAILED_AT, i] = 0
    w.i[SUPPLIED_AT, i] = 0
    w.i[LATE, i] = 0
    w.i[IS_LATE_TOLD, i] = 0
    w.i[PLACE, i] = w.i[FROM_PATIENT_PLACE, i]
    w.i[LEG, i] = w.i[FROM_LEG, i]
    w.f[ARRIVE_AT, i] = w.f[FROM_ARRIVE, i]
    w.i[IS_MOVING, i] = not np.isnan(w.f[FROM_ARRIVE, i])
    w.i[IS_EARLY, i] = w.i[WAS_EARLY, i]
    w.i[IS_READY, i] = w.i[WAS_READY, i]
    w.i[WANTS_AWAY, i] = 1 if w.i[WAS_EARLY, i] or w.i[WAS_READY, i] else 0
    w.f[MINUTES_OUT, i] = 0.0
    w.f[FIRST_OUT, i] = np.inf
    w.i[IS_AWAITED, i] = w.i[FROM_STATUS, i] == UNKNOWN
    w.f[SINCE, i] = w.f[WAITED_SINCE, i]
    w.i[IS_OUT, i] = w.i[WAS_OUT, i]
    w.f[OUT_SINCE, i] = np.nan
    w.i[CYLINDER, i] = NONE
    w.i[REGULATOR, i] = NONE
    w.i[DEVICE, i] = NONE
    w.f[FLOW, i] = w.f[phase_row(w, PHASE_FLOW, i), 0]
    w.f[RUNS_FROM, i] = w.f[SCALARS, AT_MIN]
    w.i[PHASE, i] = 0
    w.i[STOPPED, i] = w.i[PHASES_STOPPED, i]
    w.f[FIRST_FLOW, i] = w.f[FLOWED_SINCE, i]
    if w.i[STATUS, i] != HERE:
        return
    if not w.i[TAKES_PART, i]:
        if w.i[COUNTS_OUT, i]:
            w.f[OUT_SINCE, i] = w.f[SCALARS, AT_MIN]
        return
    _keep_held(w, i)
    if not np.isnan(w.f[FIRST_FLOW, i]):
        _pass_phases(w, i)
    c = w.i[START_CYLINDER, i]
    if c < 0:
        w.i[IS_OUT, i] = 1
        w.f[OUT_SINCE, i] = w.f[SCALARS, AT_MIN]
        if np.isnan(w.f[SINCE, i]):
            w.f[SINCE, i] = w.f[SCALARS, AT_MIN]
        return
    _connect_first(w, i, c)


@compiled
def _keep_promise(w: World, i: int) -> None:
    """Set promised kit aside; somebody already there has it at once."""
    g, d = w.i[PROMISED_REGULATOR, i], w.i[PROMISED_DEVICE, i]
    if g >= 0 and (w.i[IS_AWAITED, i] or w.i[REGULATOR, i] == NONE):
        w.i[REGULATOR_HOLDER, g] = i
        if not w.i[IS_AWAITED, i]:
            w.i[REGULATOR, i] = g
    if d >= 0 and (w.i[IS_AWAITED, i] or w.i[DEVICE, i] == NONE):
        w.i[DEVICE_HOLDER, d] = i
        if not w.i[IS_AWAITED, i]:
            w.i[DEVICE, i] = d


@compiled
def _pass_phases(w: World, i: int) -> None:
    """Go to the last phase that began by the state's minute; its draw is not made again."""
    while (
        not w.i[STOPPED, i]
        and w.i[PHASE, i] + 1 < w.i[NUM_PHASES, i]
        and w.f[FIRST_FLOW, i] + w.f[phase_row(w, PHASE_FROM, i), w.i[PHASE, i] + 1]
        <= w.f[SCALARS, AT_MIN] + INSTANT
    ):
        w.i[PHASE, i] += 1
    w.f[FLOW, i] = w.f[phase_row(w, PHASE_FLOW, i), w.i[PHASE, i]]


@compiled
def _keep_held(w: World, i: int) -> None:
    for g in range(w.i[SIZES, NUM_REGULATORS]):
        if w.i[FROM_REGULATOR_HOLDER, g] == i:
            w.i[REGULATOR, i] = g
    for d in range(w.i[SIZES, NUM_DEVICES]):
        if w.i[FROM_DEVICE_HOLDER, d] == i:
            w.i[DEVICE, i] = d


@compiled
def _connect_first(w: World, i: int, c: int) -> None:
    """Connect what the policy names for someone who is there; it takes no time."""
    w.i[CYLINDER, i] = c
    w.i[CYLINDER_STATUS, c] = CONNECTED
    w.i[REGULATOR, i] = w.i[START_REGULATOR, i]
    if w.i[REGULATOR, i] >= 0:
        w.i[REGULATOR_HOLDER, w.i[REGULATOR, i]] = i
    w.i[DEVICE, i] = w.i[START_DEVICE, i]
    if w.i[DEVICE, i] >= 0:
        w.i[DEVICE_HOLDER, w.i[DEVICE, i]] = i
    w.f[FLOW, i] = w.f[START_FLOW, i]
    w.f[RUNS_FROM, i] = w.f[START_FROM, i]
    if np.isnan(w.f[FIRST_FLOW, i]):
        w.f[FIRST_FLOW, i] = w.f[START_FROM, i]
    if w.i[IS_NEW, i]:
        w.f[SINCE, i] = np.nan
        w.i[IS_OUT, i] = 0
        if has_leg(w, i) and w.f[phase_row(w, LEAVE, i), w.i[LEG, i]] <= w.f[SCALARS, AT_MIN]:
            w.i[IS_READY, i] = w.i[WANTS_AWAY, i] = 1  # connected for leaving
        x, q = w.i[CONNECTION, c], w.i[PLACE, i]
        if w.i[NEEDS_WASHER, x] and w.i[WASHERS, q] > 0 and not _is_fitted(w, i, c):
            w.i[WASHERS, q] -= 1
    elif w.i[IS_OUT, i]:
        w.f[OUT_SINCE, i] = w.f[SCALARS, AT_MIN]
    if is_shared(w, i) and w.f[START_FROM, i] > w.f[SCALARS, AT_MIN]:
        expect_at(w, w.f[START_FROM, i], w.i[PLACE, i])


@compiled
def _is_fitted(w: World, i: int, c: int) -> bool:
    """Say whether a cylinder was connected before, or for somebody ahead in the file."""
    for j in range(w.i[SIZES, NUM_PATIENTS]):
        if j != i and w.i[START_CYLINDER, j] == c and (j < i or not w.i[IS_NEW, j]):
            return True
    return False


@compiled
def _pool(w: World) -> None:
    """Let the first in service stand for all on one cylinder, whatever the state says."""
    for g in range(w.i[SIZES, NUM_REGULATORS]):
        first = first_on(w, g) if w.i[OUTLETS, g] > 1 else NONE
        if first < 0:
            continue
        w.i[REGULATOR_HOLDER, g] = first
        for i in range(w.i[SIZES, NUM_PATIENTS]):
            if i == first or w.i[REGULATOR, i] != g or w.i[STATUS, i] != HERE:
                continue
            if w.i[CYLINDER, i] < 0:  # its line was taken off
                w.i[REGULATOR, i] = NONE
            elif not np.isnan(w.f[SINCE, i]):
                if np.isnan(w.f[SINCE, first]):
                    w.f[SINCE, first] = w.f[SINCE, i]
                w.f[SINCE, i] = np.nan


@compiled
def _release_unused(w: World) -> None:
    """Free what the dead, those without an option and those hooked up anew had before."""
    for c in range(w.i[SIZES, NUM_CYLINDERS]):
        if w.i[CYLINDER_STATUS, c] != CONNECTED:
            continue
        is_held = False
        for i in range(w.i[SIZES, NUM_PATIENTS]):
            if w.i[CYLINDER, i] == c:
                is_held = True
        if not is_held:
            w.i[CYLINDER_STATUS, c] = RESERVE
            w.f[CYLINDER_JOIN, c] = w.f[SCALARS, AT_MIN]
            _expect_once(w, w.i[CYLINDER_PLACE, c])
    for g in range(w.i[SIZES, NUM_REGULATORS]):
        i = w.i[REGULATOR_HOLDER, g]
        if i >= 0 and w.i[REGULATOR, i] != g and not w.i[IS_AWAITED, i]:
            w.i[REGULATOR_HOLDER, g] = NONE
            w.f[REGULATOR_JOIN, g] = w.f[SCALARS, AT_MIN]
            _expect_once(w, w.i[REGULATOR_PLACE, g])
    for d in range(w.i[SIZES, NUM_DEVICES]):
        i = w.i[DEVICE_HOLDER, d]
        if i >= 0 and w.i[DEVICE, i] != d and not w.i[IS_AWAITED, i]:
            w.i[DEVICE_HOLDER, d] = NONE
            w.f[DEVICE_JOIN, d] = w.f[SCALARS, AT_MIN]
            _expect_once(w, w.i[DEVICE_PLACE, d])


@inlined
def _expect_once(w: World, q: int) -> None:
    """Expect help from what is released at a place at the state's minute, once a place."""
    minute = w.f[SCALARS, AT_MIN]
    for k in range(w.i[HELP_COUNT, 0]):
        if w.f[HELP_AT, k] == minute and w.i[HELP_PLACE, k] == q:
            return
    expect_help(w, minute, q)
