"""One sample's world in a handful of arrays, as the compiled judge wants it.

Numba copies every array of a tuple at every call, so the hundred small arrays of scene, moves and
draws (readable, one name each) are laid as rows into one whole-number and one floating-point
table. The names of the rows are below; columns are patients, cylinders, regulators, masks, places,
connections, responders or kept-for rows. Measured on one incident of three
patients: 170 us a sample and a minute of compiling with a tuple of ninety arrays, 12 us and 15 s
with tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from planner.operation.arrays import Floats, Ints, Moves, Scene

# Rows of the whole-number table. Those up to IS_HOPEFUL change while a sample runs.
(
    STATUS, IS_OUT, CYLINDER, REGULATOR, DEVICE, PHASE, STOPPED, IS_AWAITED, LATE, QUEUE,
    CYLINDER_STATUS, CYLINDER_PLACE, REGULATOR_HOLDER, REGULATOR_PLACE, DEVICE_HOLDER,
    DEVICE_PLACE, WASHERS, SWAP_PLACE, SWAP_KEY, HELP_COUNT,
    HELP_PLACE, NEWS, FAILED_AT, NUM_WAITING, AFFECTED,
    OPEN_FROM, HANDS_LEFT, KEYS_IN_USE, TAKEN, SUPPLIED_AT, IS_LATE_TOLD,
    LEG, IS_MOVING, WANTS_AWAY, IS_EARLY, IS_READY, NUM_WANTING, GO_AGAIN, IS_HOPEFUL,
    SIZES, PLACE, CATEGORY, NEED, FROM_STATUS, WAS_OUT, PHASES_STOPPED, CONNECTION,
    FROM_CYLINDER_PLACE, CYLINDER_SUPPLY, FROM_CYLINDER_STATUS, REGULATOR_CONNECTION,
    FROM_REGULATOR_PLACE, REGULATOR_SUPPLY, FROM_REGULATOR_HOLDER, FROM_DEVICE_PLACE,
    DEVICE_SUPPLY, FROM_DEVICE_HOLDER, DEVICE_KIND, NEEDS_KEY, NEEDS_WASHER, KEYS, FROM_WASHERS,
    RESPONDER_PLACE, RESPONDER_KEY, TAKES_PART, COUNTS_OUT, NUM_PHASES, HANDS,
    WANTED_DEVICE_KIND,
    START_CYLINDER, START_REGULATOR, START_DEVICE, IS_NEW, PROMISED_REGULATOR, PROMISED_DEVICE,
    OWNER, RANK, ORDER, ORDER_FROM, ORDER_TO, KEPT_PLACE, KEPT_CONNECTION, KEPT_CATEGORY,
    KEPT_NUMBER, SERVE_ORDER, BAGGED, OUTLETS, SERVE_RANK,
    FROM_PATIENT_PLACE, FROM_LEG, WAS_EARLY, WAS_READY, NUM_LEGS,
    NUM_WHOLE_ROWS,
) = range(94)  # fmt: skip

# Columns of the row SIZES.
(
    NUM_PATIENTS, NUM_CYLINDERS, NUM_REGULATORS, NUM_DEVICES, NUM_PLACES, NUM_RESPONDERS,
    NUM_KEPT, NUM_SWAPS, NUM_IN_LINE, BUILT_IN_NUMBER, NUM_CONNECTIONS, NUM_STATIC_HELP,
    NUM_BAGGED, NUM_SIZES,
) = range(14)  # fmt: skip

# Rows of the floating-point table. Those up to VALVE_FACTOR change with the sample.
(
    SINCE, OUT_SINCE, FLOW, RUNS_FROM, FIRST_FLOW, NEXT_AT, MINUTES_OUT, FIRST_OUT, USED,
    LITRES, CYLINDER_JOIN, REGULATOR_JOIN, DEVICE_JOIN, SWAP_END, RUN_END, NEXT_PHASE, HELP_AT,
    HELP_NEXT, ARRIVE_AT, START, TRANSFER,
    REGULATOR_FACTOR, VALVE_FACTOR,
    SCALARS, WAITED_SINCE, FLOWED_SINCE, CALLED_OFF, KIT_RETURN, FROM_CYLINDER_JOIN, CHANGE_L,
    RESIDUAL_L, FROM_REGULATOR_JOIN, FROM_DEVICE_JOIN, RESPONDER_FROM, START_FLOW, START_FROM,
    STATIC_HELP_AT, POWER_RATE, FROM_ARRIVE,
    NUM_FLOAT_ROWS,
) = range(40)  # fmt: skip

# Columns of the row SCALARS.
AT_MIN, HORIZON_MIN, SWAP_MIN, GAP_MIN = range(4)

# Rows of a patient's phases and legs.
PHASE_FROM, PHASE_FLOW, PHASE_CHANCE, PHASE_SCORE, LEAVE, LEG_MIN, NUM_OWN_ROWS = range(7)

FITS = NUM_WHOLE_ROWS  # first row of what fits
CARRY = NUM_FLOAT_ROWS  # first row of the carrying minutes

UNCOUNTED = -1_000_000  # hands of a place at this instant; they may be below zero

INSTANT = 1e-9  # minutes that count as no time
NOTHING = 1e-9  # litres that count as none


class World(NamedTuple):
    """Everything a sample needs; W columns are as many as the longest list has items.

    Below the named rows of ``i`` stand, by patient, the regulators that fit, then the built-in
    valves that fit, then where its legs go; below those of ``f`` the carrying minutes by place to
    and place from, and then six rows a patient for its phases and legs.
    """

    i: Ints  # (NUM_WHOLE_ROWS + 3 patients, W)
    f: Floats  # (NUM_FLOAT_ROWS + places + 6 patients, W)


def ground_of(scene: Scene, least_width: int = 0) -> World:
    """Lay what no policy changes into the tables."""
    num_people, num_places = scene.place.size, scene.keys.size
    help_at = _static_help(scene)
    sizes = {
        NUM_PATIENTS: num_people,
        NUM_CYLINDERS: scene.connection.size,
        NUM_REGULATORS: scene.regulator_place.size,
        NUM_DEVICES: scene.device_place.size,
        NUM_PLACES: num_places,
        NUM_RESPONDERS: scene.responder_place.size,
        NUM_SWAPS: max(1, scene.responder_place.size),
        BUILT_IN_NUMBER: scene.built_in,
        NUM_CONNECTIONS: scene.needs_key.size,
        NUM_STATIC_HELP: help_at.size,
    }
    num_supplies = int(scene.cylinder_supply.max(initial=-1)) + 1
    num_supplies = max(num_supplies, int(scene.regulator_supply.max(initial=-1)) + 1)
    num_supplies = max(num_supplies, int(scene.device_supply.max(initial=-1)) + 1)
    most_help = help_at.size + (num_supplies + 6 * num_people + num_places) * (num_places + 1)
    width = max(NUM_SIZES, most_help, scene.leg_place.shape[1], least_width, *sizes.values())
    width = ((width + 7) // 8 | 1) * 8  # an odd number of cache lines spreads rows over the cache
    whole = np.zeros((NUM_WHOLE_ROWS + 3 * num_people, width), dtype=np.int64)
    floats = np.zeros((NUM_FLOAT_ROWS + num_places + NUM_OWN_ROWS * num_people, width))
    for column, value in sizes.items():
        whole[SIZES, column] = value
    floats[SCALARS, : GAP_MIN + 1] = (
        scene.at_min, scene.horizon_min, scene.swap_min, scene.gap_min,
    )  # fmt: skip
    _fill(whole, _whole_rows_of_scene(scene))
    _fill(whole, dict(enumerate(scene.leg_place, start=FITS + 2 * num_people)))
    _fill(floats, _float_rows_of_scene(scene) | {STATIC_HELP_AT: help_at})
    _fill(floats, dict(enumerate(scene.carry, start=CARRY)))
    for row in range(num_people):
        floats[CARRY + num_places + NUM_OWN_ROWS * row + PHASE_SCORE] = 1.0
    return World(whole, floats)


def world_of(scene: Scene, moves: Moves, ground: World | None = None) -> World:
    """Lay scene and moves into the tables; what a sample changes is filled in by the judge.

    With the scene's own ``ground`` that is quicker: of many policies, only the moves are laid.
    """
    needed = max(moves.phase_flow.shape[1], moves.kept_connection.size)
    if ground is None or needed > ground.i.shape[1]:
        ground = ground_of(scene, needed)
    whole, floats = copy_of(ground)
    for column, value in (
        (NUM_KEPT, moves.kept_connection.size),
        (NUM_IN_LINE, np.count_nonzero(moves.takes_part > 0)),
        (NUM_BAGGED, np.count_nonzero(moves.hands > 0)),
    ):
        whole[SIZES, column] = value
    _fill(whole, _whole_rows_of_moves(scene, moves))
    _fill(whole, dict(enumerate([*moves.regulator_fits, *moves.valve_fits], start=FITS)))
    _fill(floats, {START_FLOW: moves.start_flow, START_FROM: moves.start_from})
    for row in range(scene.place.size):
        first = CARRY + scene.keys.size + NUM_OWN_ROWS * row
        _fill(
            floats,
            {
                first + PHASE_FROM: moves.phase_from[row],
                first + PHASE_FLOW: moves.phase_flow[row],
                first + PHASE_CHANCE: moves.phase_chance[row],
            },
        )
    return World(whole, floats)


def copy_of(world: World) -> World:
    """Return a world of its own for another thread."""
    return World(world.i.copy(), world.f.copy())


def _fill(table: npt.NDArray[Any], rows: Mapping[int, npt.NDArray[Any]]) -> None:
    for row, values in rows.items():
        table[row, : values.size] = values


def _whole_rows_of_scene(scene: Scene) -> dict[int, Ints]:
    return {
        FROM_PATIENT_PLACE: scene.place,
        FROM_LEG: scene.leg,
        WAS_EARLY: scene.is_early,
        WAS_READY: scene.is_ready,
        NUM_LEGS: scene.num_legs,
        CATEGORY: scene.category,
        NEED: scene.need,
        FROM_STATUS: scene.status,
        WAS_OUT: scene.is_out,
        PHASES_STOPPED: scene.phases_stopped,
        CONNECTION: scene.connection,
        FROM_CYLINDER_PLACE: scene.cylinder_place,
        CYLINDER_SUPPLY: scene.cylinder_supply,
        FROM_CYLINDER_STATUS: scene.cylinder_status,
        REGULATOR_CONNECTION: scene.regulator_connection,
        FROM_REGULATOR_PLACE: scene.regulator_place,
        REGULATOR_SUPPLY: scene.regulator_supply,
        FROM_REGULATOR_HOLDER: scene.regulator_holder,
        FROM_DEVICE_PLACE: scene.device_place,
        DEVICE_SUPPLY: scene.device_supply,
        FROM_DEVICE_HOLDER: scene.device_holder,
        DEVICE_KIND: scene.device_kind,
        NEEDS_KEY: scene.needs_key,
        NEEDS_WASHER: scene.needs_washer,
        KEYS: scene.keys,
        FROM_WASHERS: scene.washers,
        RESPONDER_PLACE: scene.responder_place,
        RESPONDER_KEY: scene.responder_key,
        OUTLETS: scene.outlets,
    }


def _whole_rows_of_moves(scene: Scene, moves: Moves) -> dict[int, Ints]:
    order = _serve_order(scene, moves)
    return {
        TAKES_PART: moves.takes_part,
        COUNTS_OUT: moves.counts_out,
        NUM_PHASES: moves.num_phases,
        HANDS: moves.hands,
        WANTED_DEVICE_KIND: moves.device_kind,
        START_CYLINDER: moves.start_cylinder,
        START_REGULATOR: moves.start_regulator,
        START_DEVICE: moves.start_device,
        IS_NEW: moves.is_new,
        PROMISED_REGULATOR: moves.promised_regulator,
        PROMISED_DEVICE: moves.promised_device,
        OWNER: moves.owner,
        RANK: moves.rank,
        **_order_rows(scene, moves),
        KEPT_PLACE: moves.kept_place,
        KEPT_CONNECTION: moves.kept_connection,
        KEPT_CATEGORY: moves.kept_category,
        KEPT_NUMBER: moves.kept_number,
        SERVE_ORDER: order,
        BAGGED: np.flatnonzero(moves.hands > 0),
        SERVE_RANK: _serve_rank(scene, order),
    }


def _order_rows(scene: Scene, moves: Moves) -> dict[int, Ints]:
    """Return the cylinders by connection, in the order of the list, and where each one begins."""
    order = np.lexsort((np.arange(moves.rank.size), moves.rank, scene.connection))
    numbers = np.arange(scene.needs_key.size)
    by_connection = scene.connection[order]
    return {
        ORDER: order.astype(np.int64),
        ORDER_FROM: np.searchsorted(by_connection, numbers, side="left").astype(np.int64),
        ORDER_TO: np.searchsorted(by_connection, numbers, side="right").astype(np.int64),
    }


def _serve_order(scene: Scene, moves: Moves) -> Ints:
    """Return who takes part, in the order of service, all waiting equally long."""
    keys = (scene.category, scene.need) if scene.is_need_first else (scene.need, scene.category)
    order = np.lexsort(keys)  # stable: file order
    return order[moves.takes_part[order] > 0].astype(np.int64)


def _serve_rank(scene: Scene, order: Ints) -> Ints:
    """Return everyone's place in that order, by patient; who takes no part comes last."""
    rank = np.full(scene.place.size, scene.place.size, dtype=np.int64)
    rank[order] = np.arange(order.size)
    return rank


def _static_help(scene: Scene) -> Floats:
    """Return the minutes at which what is there at the start comes within reach of each place."""
    joins = {
        (float(join), int(place))
        for joins, places in (
            (scene.cylinder_join, scene.cylinder_place),
            (scene.regulator_join, scene.regulator_place),
            (scene.device_join, scene.device_place),
        )
        for join, place in zip(joins, places, strict=True)
        if np.isfinite(join)
    }
    times = {join + float(carry) for join, place in joins for carry in scene.carry[:, place]}
    times |= {join for join, _ in joins}
    return np.array(sorted(t for t in times if scene.at_min < t < np.inf), dtype=np.float64)


def _float_rows_of_scene(scene: Scene) -> dict[int, Floats]:
    return {
        WAITED_SINCE: scene.since,
        FLOWED_SINCE: scene.first_flow,
        CALLED_OFF: scene.called_off,
        KIT_RETURN: scene.kit_return,
        FROM_CYLINDER_JOIN: scene.cylinder_join,
        CHANGE_L: scene.change_l,
        RESIDUAL_L: scene.residual_l,
        FROM_REGULATOR_JOIN: scene.regulator_join,
        FROM_DEVICE_JOIN: scene.device_join,
        RESPONDER_FROM: scene.responder_from,
        POWER_RATE: scene.power_rate,
        FROM_ARRIVE: scene.arrives,
    }
