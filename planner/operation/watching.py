"""Watch operation over time: who is on which cylinder, with what left, at every minute of a grid.

Every minute is a run of the judge itself to that minute, as :mod:`planner.operation.reading` stops
one, so that there is no second loop that could drift from the judge. Only the few numbers that a
chart needs are read: a whole state a sample and minute would be slow.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from planner.operation.arrays import HERE, NONE, Draws, Floats, Ints
from planner.operation.compiling import entry
from planner.operation.judge import Bench, Tally, blank_tally, run_span, threads_for
from planner.operation.moves import moves_of
from planner.operation.world import (
    COUNTS_OUT,
    CYLINDER,
    HORIZON_MIN,
    INSTANT,
    IS_OUT,
    LITRES,
    NUM_PATIENTS,
    SCALARS,
    SIZES,
    STATUS,
    TAKES_PART,
    World,
    copy_of,
    world_of,
)
from planner.policy import Policy


@dataclass(frozen=True, slots=True)
class Watched:
    """What was so at each minute, by patient, minute and sample.

    Parameters
    ----------
    minutes : float array (minutes,)
    litres : float array (patients, minutes, samples)
        Litres [70 F, 1 atm, from vacuum] in the cylinder somebody is on; NaN where on none.
    cylinder : int array (patients, minutes, samples)
        That cylinder's number in ``Incident.all_cylinders``; -1 where not here, or on none. One
        who runs out stays on the cylinder until the next one.
    is_out : bool array (patients, minutes, samples)
        Here and out of oxygen.
    """

    minutes: Floats
    litres: Floats
    cylinder: Ints
    is_out: npt.NDArray[np.bool_]


class _Seen(NamedTuple):
    """The same, as the compiled loop fills it in."""

    litres: Floats
    cylinder: Ints
    is_out: Ints


@entry
def _watch(
    w: World, draws: Draws, tally: Tally, stops: Floats, seen: _Seen, span: tuple[int, int]
) -> None:
    """Run a span of samples to every stop, and read the tables there."""
    for s in range(span[0], span[1]):
        for k in range(stops.size):
            w.f[SCALARS, HORIZON_MIN] = stops[k]
            run_span(w, draws, tally, s, s + 1)
            for i in range(w.i[SIZES, NUM_PATIENTS]):
                if w.i[STATUS, i] != HERE:
                    continue
                c = w.i[CYLINDER, i]
                if c >= 0:
                    seen.litres[i, k, s] = w.f[LITRES, c]
                    seen.cylinder[i, k, s] = c
                if w.i[TAKES_PART, i] or w.i[COUNTS_OUT, i]:
                    seen.is_out[i, k, s] = 1 if c < 0 else w.i[IS_OUT, i]


def watch(bench: Bench, policy: Policy, minutes: Floats, num_samples: int) -> Watched:
    """Watch a policy on the first samples of a bench.

    Parameters
    ----------
    bench : Bench
    policy : Policy
    minutes : float array
        From the state's minute to the horizon, in any order. Events of a minute are applied.
    num_samples : int
        Watch so many, the first ones.

    Returns
    -------
    Watched

    Raises
    ------
    ValueError
        A minute outside that range, or more samples than the bench has.
    """
    low, high = bench.state.at_min, bench.incident.horizon_min
    grid = np.array(minutes, dtype=np.float64)
    if not np.all((grid >= low) & (grid <= high)):
        raise ValueError(f"minutes are {grid.tolist()}; allowed: {low:g} to {high:g}")
    if not 1 <= num_samples <= bench.needs.num_samples:
        raise ValueError(f"num_samples is {num_samples}; allowed: 1 to {bench.needs.num_samples}")
    moves = moves_of(bench.incident, bench.state, policy, bench.names)
    world = world_of(bench.scene, moves)  # of its own: no horizon has to be put back
    num_patients = bench.scene.place.size
    shape = (num_patients, grid.size, num_samples)
    seen = _Seen(np.full(shape, np.nan), np.full(shape, NONE), np.zeros(shape, dtype=np.int64))
    # Half an instant later: events of the minute are applied, nothing else is.
    stops = np.minimum(grid + 0.5 * INSTANT, high)
    tally = blank_tally(num_patients, bench.needs.num_samples, 0)
    threads = os.cpu_count() or 1
    cuts = np.linspace(0, num_samples, threads + 1).astype(int).tolist()
    parts = [
        threads_for(threads).submit(_watch, copy_of(world), bench.draws, tally, stops, seen, (a, b))
        for a, b in pairwise(cuts)
    ]
    for part in parts:
        part.result()
    return Watched(grid, seen.litres, seen.cylinder, seen.is_out > 0)


__all__ = ["Watched", "watch"]
