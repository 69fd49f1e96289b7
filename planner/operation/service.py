"""The queue at an instant: hands, keys, who is next, and the connection that then begins."""

from __future__ import annotations

import numpy as np

from planner.operation.arrays import (
    CONNECTED,
    HERE,
    JOINED,
    NONE,
    ON_BUILT_IN,
    TAKEN_OFF,
)
from planner.operation.clockwork import (
    expect_at,
    is_line,
    is_running,
    is_shared,
    plan_ahead,
    plan_source,
)
from planner.operation.compiling import inlined
from planner.operation.events import end_buffer, end_out, go_out, settle, tell_news
from planner.operation.supply import find_device, find_source
from planner.operation.world import (
    BAGGED,
    CATEGORY,
    CONNECTION,
    CYLINDER,
    CYLINDER_PLACE,
    CYLINDER_STATUS,
    DEVICE,
    DEVICE_HOLDER,
    FAILED_AT,
    FIRST_FLOW,
    GAP_MIN,
    HANDS,
    HANDS_LEFT,
    INSTANT,
    IS_EARLY,
    IS_HOPEFUL,
    IS_MOVING,
    IS_OUT,
    IS_READY,
    KEYS,
    KEYS_IN_USE,
    NEED,
    NEEDS_KEY,
    NEEDS_WASHER,
    NEWS,
    NUM_BAGGED,
    NUM_IN_LINE,
    NUM_PATIENTS,
    NUM_PLACES,
    NUM_RESPONDERS,
    NUM_SWAPS,
    NUM_WAITING,
    PLACE,
    QUEUE,
    REGULATOR,
    REGULATOR_HOLDER,
    RESPONDER_FROM,
    RESPONDER_KEY,
    RESPONDER_PLACE,
    RUNS_FROM,
    SCALARS,
    SERVE_ORDER,
    SINCE,
    SIZES,
    STATUS,
    SUPPLIED_AT,
    SWAP_END,
    SWAP_KEY,
    SWAP_MIN,
    SWAP_PLACE,
    TAKEN,
    UNCOUNTED,
    WANTS_AWAY,
    WASHERS,
    World,
)


@inlined
def hands_left(w: World, q: int, t: float) -> int:
    """Return how many responders of a place could begin a connection now.

    Counted once a place and instant, until a connection begins there (``UNCOUNTED``). Also notes
    how many keys of the place are in use, which :func:`has_key` wants.
    """
    if w.i[HANDS_LEFT, q] != UNCOUNTED:
        return int(w.i[HANDS_LEFT, q])
    hands, in_use = 0, 0
    for h in range(w.i[SIZES, NUM_RESPONDERS]):
        if w.i[RESPONDER_PLACE, h] == q:
            if w.f[RESPONDER_FROM, h] <= t + INSTANT:
                hands += 1
            else:
                in_use += w.i[RESPONDER_KEY, h]
    for k in range(w.i[SIZES, NUM_SWAPS]):
        if w.i[SWAP_PLACE, k] == q and w.f[SWAP_END, k] > t + INSTANT:
            hands -= 1
            in_use += w.i[SWAP_KEY, k]
    for n in range(w.i[SIZES, NUM_BAGGED]):
        i = w.i[BAGGED, n]
        is_there = w.i[PLACE, i] == q and w.i[STATUS, i] == HERE and not w.i[IS_MOVING, i]
        if is_there and w.i[DEVICE, i] >= 0 and w.i[CYLINDER, i] >= 0:
            hands -= w.i[HANDS, i]
    w.i[KEYS_IN_USE, q] = in_use
    w.i[HANDS_LEFT, q] = hands
    return hands


@inlined
def has_key(w: World, x: int, q: int) -> bool:
    """Say whether a key is free where the connection needs one and the file lists any."""
    if not w.i[NEEDS_KEY, x] or w.i[KEYS, q] < 0:
        return True
    return bool(w.i[KEYS_IN_USE, q] < w.i[KEYS, q])


@inlined
def fill_queue(w: World) -> int:
    """Put those who wait into ``QUEUE`` in the order of service; return how many they are.

    ``SERVE_ORDER`` has category and need right; within both the longest waiting go first. Hands
    are counted anew for everyone in it.
    """
    for q in range(w.i[SIZES, NUM_PLACES]):
        w.i[HANDS_LEFT, q] = UNCOUNTED
    size = 0
    for n in range(w.i[SIZES, NUM_IN_LINE]):
        i = w.i[SERVE_ORDER, n]
        if w.i[STATUS, i] != HERE or np.isnan(w.f[SINCE, i]) or w.i[IS_MOVING, i]:
            continue
        k = size
        while k > 0 and _waits_longer(w, i, w.i[QUEUE, k - 1]):
            w.i[QUEUE, k] = w.i[QUEUE, k - 1]
            k -= 1
        w.i[QUEUE, k] = i
        size += 1
        if size == w.i[NUM_WAITING, 0]:
            break
    return size


@inlined
def _waits_longer(w: World, i: int, j: int) -> bool:
    """Say whether one of the same category and need has waited longer than another."""
    is_alike = w.i[CATEGORY, i] == w.i[CATEGORY, j] and w.i[NEED, i] == w.i[NEED, j]
    return bool(is_alike and w.f[SINCE, i] < w.f[SINCE, j] - INSTANT)


@inlined
def serve(w: World, i: int, t: float) -> tuple[int, int]:
    """Begin a connection if everything is there; return (cylinder off, cylinder on) or -1, -1."""
    q = w.i[PLACE, i]
    if w.i[FAILED_AT, i] == w.i[NEWS, 0] or hands_left(w, q, t) < 1:
        return NONE, NONE
    d = find_device(w, i, t)
    c, g = find_source(w, i, t) if d >= 0 else (NONE, NONE)
    if c < 0:
        w.i[FAILED_AT, i] = w.i[NEWS, 0]
        return NONE, NONE
    is_joining = w.i[CYLINDER_STATUS, c] == CONNECTED
    if not is_joining and not has_key(w, w.i[CONNECTION, c], q):
        return NONE, NONE
    settle(w, i, t)
    end_buffer(w, i, t)
    end_out(w, i, t)
    old = w.i[CYLINDER, i]
    if old >= 0:
        if is_shared(w, i):
            _take_others_along(w, i, c, t)
        w.i[CYLINDER_STATUS, old] = TAKEN_OFF
        w.i[CYLINDER_PLACE, old] = q
    connect(w, i, c, g, d, t)
    if is_shared(w, i):
        if not is_joining:
            expect_at(w, t + w.f[SCALARS, GAP_MIN], q)
        plan_source(w, i)
    return JOINED if is_joining else old, c


@inlined
def _take_others_along(w: World, i: int, c: int, t: float) -> None:
    """Put everyone else who breathes from a patient's cylinder on the next one."""
    for j in range(w.i[SIZES, NUM_PATIENTS]):
        if j != i and is_line(w, j, w.i[REGULATOR, i]):
            settle(w, j, t)
            end_out(w, j, t)
            w.i[IS_OUT, j] = 0
            w.i[CYLINDER, j] = c
            w.f[RUNS_FROM, j] = t + w.f[SCALARS, GAP_MIN]
            _begin_phases(w, j, t)


@inlined
def _begin_phases(w: World, i: int, t: float) -> None:
    """Let the phases of somebody who had no oxygen yet begin with the flow of a connection."""
    first = w.f[FIRST_FLOW, i]
    if np.isnan(first) or first > t + INSTANT:
        w.f[FIRST_FLOW, i] = t + w.f[SCALARS, GAP_MIN]


@inlined
def connect(w: World, i: int, c: int, g: int, d: int, t: float) -> None:
    """Put a patient on a cylinder: hands busy, key in use, washer used up, flow after the gap."""
    q, x = w.i[PLACE, i], w.i[CONNECTION, c]
    is_joining = w.i[CYLINDER_STATUS, c] == CONNECTED
    if w.i[REGULATOR, i] == ON_BUILT_IN and g >= 0:
        tell_news(w)  # a kept-for row of the built-in valves may lapse
    w.i[CYLINDER, i], w.i[REGULATOR, i], w.i[DEVICE, i] = c, g, d
    w.i[CYLINDER_STATUS, c] = CONNECTED
    w.i[CYLINDER_PLACE, c] = q
    w.i[HANDS_LEFT, q] = UNCOUNTED
    w.i[TAKEN, 0] += 1
    if g >= 0:
        w.i[REGULATOR_HOLDER, g] = i
    w.i[DEVICE_HOLDER, d] = i
    w.i[IS_OUT, i] = 0
    w.i[IS_EARLY, i] = 0
    w.i[IS_READY, i] = w.i[WANTS_AWAY, i]
    w.f[SINCE, i] = np.nan
    w.i[NUM_WAITING, 0] -= 1
    w.f[RUNS_FROM, i] = t + w.f[SCALARS, GAP_MIN]
    _begin_phases(w, i, t)
    plan_ahead(w, i)
    if w.i[NEEDS_WASHER, x] and not is_joining and w.i[WASHERS, q] > 0:
        w.i[WASHERS, q] -= 1
    for k in range(w.i[SIZES, NUM_SWAPS]):
        if w.f[SWAP_END, k] <= t + INSTANT:
            w.f[SWAP_END, k], w.i[SWAP_PLACE, k] = t + w.f[SCALARS, SWAP_MIN], q
            w.i[SWAP_KEY, k] = 1 if w.i[NEEDS_KEY, x] and not is_joining else 0
            return


@inlined
def end_buffers_without_supply(w: World, size: int, t: float) -> None:
    """Put out whoever is due and has no cylinder to go to: the buffer is for hands only.

    Goes through those still waiting in the queue, and notes whether any may be served later for
    hands or a key alone.
    """
    w.i[IS_HOPEFUL, 0] = 0
    for k in range(size):
        i = w.i[QUEUE, k]
        if np.isnan(w.f[SINCE, i]):
            continue
        # Who wants to leave goes at this instant where there is nothing, on the buffer.
        is_on_buffer = is_running(w, i) and not w.i[IS_EARLY, i] and not w.i[WANTS_AWAY, i]
        if is_on_buffer and w.i[SUPPLIED_AT, i] != w.i[NEWS, 0] + w.i[TAKEN, 0]:
            # What could be taken once can still be, unless something was taken or left since.
            c = NONE
            if w.i[FAILED_AT, i] != w.i[NEWS, 0]:
                c, _ = find_source(w, i, t)
            w.i[SUPPLIED_AT, i] = w.i[NEWS, 0] + w.i[TAKEN, 0]
            if c < 0:
                settle(w, i, t)
                end_buffer(w, i, t)
                go_out(w, i, t)
        if w.i[FAILED_AT, i] != w.i[NEWS, 0]:
            w.i[IS_HOPEFUL, 0] = 1
