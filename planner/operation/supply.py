"""What a patient may take at an instant: cylinder, regulator, mask; without hands and keys."""

from __future__ import annotations

import numpy as np

from planner.operation.arrays import HERE, NONE, ON_BUILT_IN, RESERVE, UNLISTED
from planner.operation.clockwork import first_on, has_leg, is_line
from planner.operation.compiling import compiled, inlined
from planner.operation.world import (
    BUILT_IN_NUMBER,
    CARRY,
    CATEGORY,
    CHANGE_L,
    CYLINDER,
    CYLINDER_JOIN,
    CYLINDER_PLACE,
    CYLINDER_STATUS,
    DEVICE,
    DEVICE_HOLDER,
    DEVICE_JOIN,
    DEVICE_KIND,
    DEVICE_PLACE,
    FITS,
    INSTANT,
    IS_AWAITED,
    IS_MOVING,
    IS_OUT,
    KEPT_CATEGORY,
    KEPT_CONNECTION,
    KEPT_NUMBER,
    KEPT_PLACE,
    LITRES,
    NEEDS_WASHER,
    NOTHING,
    NUM_DEVICES,
    NUM_KEPT,
    NUM_PATIENTS,
    NUM_REGULATORS,
    OPEN_FROM,
    ORDER,
    ORDER_TO,
    OUTLETS,
    OWNER,
    PLACE,
    POWER_RATE,
    PROMISED_REGULATOR,
    RANK,
    REGULATOR,
    REGULATOR_CONNECTION,
    REGULATOR_HOLDER,
    REGULATOR_JOIN,
    REGULATOR_PLACE,
    RUNS_FROM,
    SINCE,
    SIZES,
    STATUS,
    TAKES_PART,
    WANTED_DEVICE_KIND,
    WASHERS,
    World,
)


@inlined
def is_usable(w: World, c: int, t: float) -> bool:
    """Say whether a cylinder lies in the reserve by now, above the change pressure."""
    return bool(
        w.i[CYLINDER_STATUS, c] == RESERVE
        and w.f[CYLINDER_JOIN, c] <= t + INSTANT
        and w.f[LITRES, c] - w.f[CHANGE_L, c] > NOTHING
    )


@inlined
def holds_connection(w: World, i: int, x: int) -> bool:
    """Say whether a patient who is there holds a regulator of this connection."""
    g = w.i[REGULATOR, i]
    if g >= 0:
        return bool(w.i[REGULATOR_CONNECTION, g] == x)
    return bool(g == ON_BUILT_IN and x == w.i[SIZES, BUILT_IN_NUMBER])


@compiled
def has_lapsed(w: World, b: int) -> bool:
    """Say whether nobody of a kept-for row's category or above is there or awaited."""
    x, category = w.i[KEPT_CONNECTION, b], w.i[KEPT_CATEGORY, b]
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        if w.i[CATEGORY, i] > category or not w.i[TAKES_PART, i]:
            continue
        is_there = w.i[STATUS, i] == HERE and not w.i[IS_MOVING, i]
        if is_there and holds_connection(w, i, x):
            return False
        if w.i[IS_AWAITED, i]:
            g = w.i[PROMISED_REGULATOR, i]
            if g >= 0 and w.i[REGULATOR_CONNECTION, g] == x:
                return False
    return True


@compiled
def is_kept(w: World, i: int, x: int, t: float) -> bool:
    """Say whether a kept-for row keeps shared cylinders of a connection from a patient."""
    q = w.i[PLACE, i]
    for b in range(w.i[SIZES, NUM_KEPT]):
        if w.i[KEPT_CONNECTION, b] != x or w.i[CATEGORY, i] <= w.i[KEPT_CATEGORY, b]:
            continue
        if w.i[KEPT_PLACE, b] >= 0 and w.i[KEPT_PLACE, b] != q:
            continue
        others = -1  # the one it would take
        for k in range(w.i[OPEN_FROM, x], w.i[ORDER_TO, x]):
            c = w.i[ORDER, k]
            if (
                w.i[OWNER, c] < 0
                and is_usable(w, c, t)
                and np.isfinite(w.f[CARRY + q, w.i[CYLINDER_PLACE, c]])
            ):
                others += 1
        if others < w.i[KEPT_NUMBER, b] and not has_lapsed(w, b):
            return True
    return False


@inlined
def pass_used(w: World, x: int) -> None:
    """Move the beginning of a connection's list past what is used up; a return sets it back."""
    while w.i[OPEN_FROM, x] < w.i[ORDER_TO, x]:
        if w.i[CYLINDER_STATUS, w.i[ORDER, w.i[OPEN_FROM, x]]] == RESERVE:
            return
        w.i[OPEN_FROM, x] += 1


@inlined
def valve_fits(w: World, i: int, c: int) -> bool:
    """Say whether a cylinder's own valve can feed a patient; no concentrator goes along a leg."""
    is_machine = w.f[POWER_RATE, c] > 0
    return bool(w.i[FITS + w.i[SIZES, NUM_PATIENTS] + i, c] and not (is_machine and has_leg(w, i)))


@compiled
def find_cylinder(w: World, i: int, x: int, t: float) -> int:
    """Return the cylinder of a connection that a patient would take now, or -1."""
    q = w.i[PLACE, i]
    if w.i[NEEDS_WASHER, x] and w.i[WASHERS, q] == 0:
        return NONE
    best, best_usable, kept = NONE, 0.0, -1
    pass_used(w, x)
    for k in range(w.i[OPEN_FROM, x], w.i[ORDER_TO, x]):
        c = w.i[ORDER, k]
        if not is_usable(w, c, t):
            continue
        if w.f[CYLINDER_JOIN, c] + w.f[CARRY + q, w.i[CYLINDER_PLACE, c]] > t + INSTANT:
            continue
        if x == w.i[SIZES, BUILT_IN_NUMBER] and not valve_fits(w, i, c):
            continue
        if w.i[OWNER, c] >= 0 and w.i[OWNER, c] != i:
            continue
        if w.i[OWNER, c] < 0:
            if kept < 0:
                kept = 1 if is_kept(w, i, x, t) else 0
            if kept == 1:
                continue
        if w.i[RANK, c] < UNLISTED:
            return int(c)
        if w.f[LITRES, c] - w.f[CHANGE_L, c] > best_usable:
            best, best_usable = c, w.f[LITRES, c] - w.f[CHANGE_L, c]
    return int(best)


@inlined
def find_device(w: World, i: int, t: float) -> int:
    """Return the mask a patient has or would take now, or -1."""
    d, q = w.i[DEVICE, i], w.i[PLACE, i]
    if d >= 0:
        is_there = w.f[DEVICE_JOIN, d] + w.f[CARRY + q, w.i[DEVICE_PLACE, d]] <= t + INSTANT
        return d if is_there or w.i[CYLINDER, i] >= 0 else NONE
    for d in range(w.i[SIZES, NUM_DEVICES]):
        if w.i[DEVICE_KIND, d] != w.i[WANTED_DEVICE_KIND, i] or w.i[DEVICE_HOLDER, d] != NONE:
            continue
        if w.f[DEVICE_JOIN, d] + w.f[CARRY + q, w.i[DEVICE_PLACE, d]] <= t + INSTANT:
            return d
    return NONE


@compiled
def has_outlet(w: World, i: int, g: int, t: float) -> bool:
    """Say whether a patient can join those who breathe from a regulator's cylinder."""
    first = first_on(w, g)
    if first < 0 or has_leg(w, i) or has_leg(w, first) or w.i[IS_MOVING, first]:
        return False
    if w.i[PLACE, first] != w.i[PLACE, i] or w.i[IS_OUT, first]:
        return False
    if not np.isnan(w.f[SINCE, first]):
        return False
    lines, runs = 0, False
    for j in range(w.i[SIZES, NUM_PATIENTS]):
        if is_line(w, j, g):
            lines += 1
            runs = runs or w.f[RUNS_FROM, j] <= t + INSTANT
    return bool(runs and lines < w.i[OUTLETS, g])


@compiled
def find_free_source(w: World, i: int, t: float) -> tuple[int, int]:
    """Return what somebody would take who goes on with nothing: regulators first, in file order."""
    q = w.i[PLACE, i]
    without = 0  # bits of the connections that have no cylinder for this patient
    for g in range(w.i[SIZES, NUM_REGULATORS]):
        if not w.i[FITS + i, g]:
            continue
        if w.i[REGULATOR_HOLDER, g] != NONE:
            if w.i[OUTLETS, g] > 1 and has_outlet(w, i, g, t):
                return w.i[CYLINDER, w.i[REGULATOR_HOLDER, g]], g
            continue
        x = w.i[REGULATOR_CONNECTION, g]
        if without >> x & 1:
            continue
        if w.f[REGULATOR_JOIN, g] + w.f[CARRY + q, w.i[REGULATOR_PLACE, g]] > t + INSTANT:
            continue
        c = find_cylinder(w, i, x, t)
        if c >= 0:
            return c, g
        without |= 1 << x
    if w.i[SIZES, BUILT_IN_NUMBER] >= 0:
        c = find_cylinder(w, i, w.i[SIZES, BUILT_IN_NUMBER], t)
        if c >= 0:
            return c, ON_BUILT_IN
    return NONE, NONE


@compiled
def find_source(w: World, i: int, t: float) -> tuple[int, int]:
    """Return cylinder and regulator a patient would take now; cylinder -1 when there is none."""
    g, q = w.i[REGULATOR, i], w.i[PLACE, i]
    if g >= 0:
        is_there = w.f[REGULATOR_JOIN, g] + w.f[CARRY + q, w.i[REGULATOR_PLACE, g]] <= t + INSTANT
        if not is_there and w.i[CYLINDER, i] < 0:
            return NONE, NONE
        return find_cylinder(w, i, w.i[REGULATOR_CONNECTION, g], t), g
    if g == ON_BUILT_IN and w.i[SIZES, BUILT_IN_NUMBER] >= 0:
        c = find_cylinder(w, i, w.i[SIZES, BUILT_IN_NUMBER], t)
        if c >= 0:
            return c, ON_BUILT_IN
    return find_free_source(w, i, t)
