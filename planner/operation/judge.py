"""operate(incident, state, policy, needs) -> Outcome: the judge."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.demand import Needs
from planner.incident import Incident
from planner.operation.arrays import (
    GONE,
    HERE,
    RESERVE,
    TAKEN_OFF,
    Draws,
    Floats,
    Ints,
    Moves,
    Names,
    Scene,
    draws_of,
    names_of,
    scene_of,
)
from planner.operation.compiling import bare, compiled, entry, inlined
from planner.operation.events import (
    apply_events,
    end_buffer,
    end_out,
    gather,
    next_instant,
    settle,
    take_news,
)
from planner.operation.legs import is_anyone_stranded, leave
from planner.operation.moves import moves_of
from planner.operation.service import end_buffers_without_supply, fill_queue, serve
from planner.operation.start import begin
from planner.operation.world import (
    AT_MIN,
    CYLINDER_JOIN,
    CYLINDER_STATUS,
    CYLINDER_SUPPLY,
    FIRST_OUT,
    FROM_CYLINDER_STATUS,
    GO_AGAIN,
    HORIZON_MIN,
    IS_HOPEFUL,
    LATE,
    LITRES,
    MINUTES_OUT,
    NUM_CYLINDERS,
    NUM_PATIENTS,
    NUM_WAITING,
    NUM_WANTING,
    PLACE,
    POWER_RATE,
    QUEUE,
    SCALARS,
    SIZES,
    STATUS,
    USED,
    World,
    copy_of,
    ground_of,
    world_of,
)
from planner.policy import Policy
from planner.state import State

SMALL_SPAN = 200  # samples not worth a second thread
USED_L, IN_PLACE_L, WITH_PATIENTS_L, TAKEN_OFF_L, SUPPLIED_L = range(5)


class Tally(NamedTuple):
    """What operation writes down; samples last. L swaps at most are logged."""

    minutes_out: Floats  # (P, n)
    first_out: Floats  # (P, n)
    late: Ints  # (P, n)
    still_here: Ints  # (P, n)
    litres: Floats  # (5, n)
    num_swaps: Ints  # (n,)
    swap_min: Floats  # (n, L)
    swap_patient: Ints  # (n, L)
    swap_off: Ints  # (n, L)
    swap_on: Ints  # (n, L)
    swap_place: Ints  # (n, L)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a policy gave, by sample.

    Parameters
    ----------
    minutes_out, first_out_min : float array (patients, samples)
        Minutes out of oxygen, and the first such minute (infinite when none).
    late_swaps : int array (patients, samples)
        Swaps that waited for hands on the buffer.
    still_here : bool array (patients, samples)
        There at the horizon, needing oxygen.
    used_l, in_place_l, with_patients_l, taken_off_l, supplied_l : float array (samples,)
        Litres breathed; left in cylinders at the places; gone with patients; left in cylinders
        at the swap; and all that there was or arrived. The last is the sum of the others.
    swaps : Tally or None
        The swap log, when asked for.
    """

    minutes_out: Floats
    first_out_min: Floats
    late_swaps: Ints
    still_here: npt.NDArray[np.bool_]
    used_l: Floats
    in_place_l: Floats
    with_patients_l: Floats
    taken_off_l: Floats
    supplied_l: Floats
    swaps: Tally | None


@compiled
def _log(w: World, tally: Tally, s: int, t: float, i: int, swap: tuple[int, int]) -> None:
    k = tally.num_swaps[s]
    tally.num_swaps[s] += 1
    if k < tally.swap_min.shape[1]:
        tally.swap_min[s, k] = t
        tally.swap_patient[s, k] = i
        tally.swap_off[s, k], tally.swap_on[s, k] = swap
        tally.swap_place[s, k] = w.i[PLACE, i]


@inlined
def _instant(w: World, tally: Tally, s: int, t: float) -> None:
    """Apply everything of one instant in job.md's order, then serve the queue."""
    w.i[GO_AGAIN, 0] = 0
    apply_events(w, gather(w, t), t)
    if w.i[NUM_WANTING, 0] > 0:
        leave(w, t)
    if w.i[NUM_WAITING, 0] == 0:
        return
    take_news(w, t)
    if not w.i[IS_HOPEFUL, 0]:
        return
    waiting = fill_queue(w)
    for k in range(waiting):
        i = w.i[QUEUE, k]
        off, on = serve(w, i, t)
        if on >= 0:
            _log(w, tally, s, t, i, (off, on))
    end_buffers_without_supply(w, waiting, t)
    if w.i[NUM_WANTING, 0] > 0:
        w.i[GO_AGAIN, 0] = 1 if is_anyone_stranded(w, t) else 0


@compiled
def _close(w: World, draws: Draws, tally: Tally, s: int) -> None:
    """Settle a sample at the horizon and write it down."""
    end = w.f[SCALARS, HORIZON_MIN]
    for i in range(w.i[SIZES, NUM_PATIENTS]):
        settle(w, i, end)
        end_buffer(w, i, end)
        end_out(w, i, end)
        tally.minutes_out[i, s] = w.f[MINUTES_OUT, i]
        tally.first_out[i, s] = w.f[FIRST_OUT, i]
        tally.late[i, s] = w.i[LATE, i]
        tally.still_here[i, s] = w.i[STATUS, i] == HERE
    tally.litres[USED_L, s] = w.f[USED, 0]
    for c in range(w.i[SIZES, NUM_CYLINDERS]):
        supply = w.i[CYLINDER_SUPPLY, c]
        if supply >= 0 and draws.supply[supply, s] > end:
            continue
        if w.i[FROM_CYLINDER_STATUS, c] in (TAKEN_OFF, GONE) or w.f[POWER_RATE, c] > 0:
            continue
        tally.litres[SUPPLIED_L, s] += draws.content[c, s]
        status = w.i[CYLINDER_STATUS, c]
        if status == TAKEN_OFF:
            tally.litres[TAKEN_OFF_L, s] += w.f[LITRES, c]
        elif status == GONE or (status == RESERVE and w.f[CYLINDER_JOIN, c] > end):
            tally.litres[WITH_PATIENTS_L, s] += w.f[LITRES, c]
        else:
            tally.litres[IN_PLACE_L, s] += w.f[LITRES, c]


@inlined
def _bare_world(w: World) -> World:
    return World(bare(w.i), bare(w.f))


@inlined
def _bare_draws(d: Draws) -> Draws:
    return Draws(
        bare(d.start), bare(d.transfer), bare(d.phase_score), bare(d.supply), bare(d.content),
        bare(d.regulator_factor), bare(d.valve_factor), bare(d.leave), bare(d.leg_min),
    )  # fmt: skip


@inlined
def _bare_tally(y: Tally) -> Tally:
    return Tally(
        bare(y.minutes_out), bare(y.first_out), bare(y.late), bare(y.still_here), bare(y.litres),
        bare(y.num_swaps), bare(y.swap_min), bare(y.swap_patient), bare(y.swap_off),
        bare(y.swap_on), bare(y.swap_place),
    )  # fmt: skip


@entry
def run_span(w: World, draws: Draws, tally: Tally, first: int, last: int) -> None:
    """Operate samples ``first`` to ``last``."""
    w, draws, tally = _bare_world(w), _bare_draws(draws), _bare_tally(tally)
    for s in range(first, last):
        begin(w, draws, s)
        t = w.f[SCALARS, AT_MIN]
        while t < w.f[SCALARS, HORIZON_MIN]:
            _instant(w, tally, s, t)
            if w.i[GO_AGAIN, 0] == 0:
                t = next_instant(w, t)
        _close(w, draws, tally, s)


@dataclass(frozen=True, slots=True)
class Bench:
    """An incident, a state and samples made ready, so that many policies are judged alike."""

    incident: Incident
    state: State
    needs: Needs
    names: Names
    scene: Scene
    draws: Draws
    ground: World

    @classmethod
    def of(cls, incident: Incident, state: State, needs: Needs) -> Bench:
        """Make the arrays that no policy changes."""
        names = names_of(incident)
        scene = scene_of(incident, state, names)
        draws = draws_of(incident, state, needs)
        return cls(incident, state, needs, names, scene, draws, ground_of(scene))

    def minutes_out(self, policy: Policy, first: int, last: int) -> Floats:
        """Return minutes out of samples ``first`` to ``last`` only, (patients, last - first).

        For a search that gives up on a policy after a few samples.
        """
        moves = moves_of(self.incident, self.state, policy, self.names)
        tally = blank_tally(self.scene.place.size, self.needs.num_samples, 0)
        world = world_of(self.scene, moves, self.ground)
        _run_all(world, self.draws, tally, (first, last), 0)
        return tally.minutes_out[:, first:last]

    def operate(self, policy: Policy, *, max_swaps: int = 0, num_threads: int = 0) -> Outcome:
        """Operate a policy on all samples.

        Parameters
        ----------
        policy : Policy
        max_swaps : int
            Log up to so many connections per sample; 0 logs none.
        num_threads : int
            0: as many as there are cores. The result does not depend on it.
        """
        moves = moves_of(self.incident, self.state, policy, self.names)
        tally = blank_tally(self.scene.place.size, self.needs.num_samples, max_swaps)
        span = (0, self.needs.num_samples)
        world = world_of(self.scene, moves, self.ground)
        _run_all(world, self.draws, tally, span, num_threads)
        return _outcome(tally, moves, max_swaps)


def operate(
    incident: Incident, state: State, policy: Policy, needs: Needs, *, max_swaps: int = 0
) -> Outcome:
    """Operate a policy on samples from a state on; see :mod:`planner.operation` for the rules.

    Returns
    -------
    Outcome
    """
    return Bench.of(incident, state, needs).operate(policy, max_swaps=max_swaps)


@cache
def threads_for(threads: int) -> ThreadPoolExecutor:
    """Return threads that wait between judgements; starting them anew took a sixth of a search."""
    return ThreadPoolExecutor(threads, thread_name_prefix="judge")


def _run_all(
    world: World, draws: Draws, tally: Tally, span: tuple[int, int], num_threads: int
) -> None:
    """Operate a span of samples on several threads; each sample is its own."""
    threads = num_threads or os.cpu_count() or 1
    if threads == 1 or span[1] - span[0] < SMALL_SPAN:
        run_span(world, draws, tally, *span)
        return
    cuts = np.linspace(span[0], span[1], threads + 1).astype(int)
    worlds = [world, *(copy_of(world) for _ in range(threads - 1))]
    parts = [
        threads_for(threads).submit(run_span, each, draws, tally, int(a), int(b))
        for each, (a, b) in zip(worlds, pairwise(cuts), strict=True)
    ]
    for part in parts:
        part.result()


def blank_tally(num_patients: int, num_samples: int, max_swaps: int) -> Tally:
    people, log = (num_patients, num_samples), (num_samples, max_swaps)
    return Tally(
        minutes_out=np.zeros(people),
        first_out=np.full(people, np.inf),
        late=np.zeros(people, np.int64),
        still_here=np.zeros(people, np.int64),
        litres=np.zeros((5, num_samples)),
        num_swaps=np.zeros(num_samples, np.int64),
        swap_min=np.zeros(log),
        swap_patient=np.zeros(log, np.int64),
        swap_off=np.zeros(log, np.int64),
        swap_on=np.zeros(log, np.int64),
        swap_place=np.zeros(log, np.int64),
    )


def _outcome(tally: Tally, moves: Moves, max_swaps: int) -> Outcome:
    in_plan = (moves.takes_part + moves.counts_out)[:, None] > 0
    return Outcome(
        minutes_out=tally.minutes_out,
        first_out_min=tally.first_out,
        late_swaps=tally.late,
        still_here=(tally.still_here > 0) & in_plan,
        used_l=tally.litres[USED_L],
        in_place_l=tally.litres[IN_PLACE_L],
        with_patients_l=tally.litres[WITH_PATIENTS_L],
        taken_off_l=tally.litres[TAKEN_OFF_L],
        supplied_l=tally.litres[SUPPLIED_L],
        swaps=tally if max_swaps else None,
    )


__all__ = ["Bench", "Outcome", "Tally", "operate"]
