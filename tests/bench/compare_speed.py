"""Compiled judge, numpy and SimPy on the same samples: ``python -m tests.bench.compare_speed``.

The numpy judge below is written over samples at once and knows only the core rules: swaps due,
hands, one list with carrying minutes, kept-for, buffers, transfers. It has no keys, washers,
phases, promises, kit return, resupply or waiting for masks, so its seconds are what the least of
the rules costs there. It must agree with the compiled judge before its time is printed.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np

from planner.demand import Needs, sample
from planner.incident import (
    Cylinder,
    DeviceStock,
    Incident,
    Option,
    Patient,
    Phase,
    Place,
    Regulator,
    Responder,
    ThreePoint,
    Triage,
)
from planner.operation.judge import Bench
from planner.policy import KeptFor, Policy
from planner.rules import triage_order
from planner.state import initial_state
from planner.units import Pressure, Temperature
from tests.generator import random_incident
from tests.simpy_model import simulate

SAMPLES = 100_000
INSTANT = 1e-9


def core_incident() -> Incident:
    """Return 12 patients and 40 cylinders at two places, with what the numpy judge knows."""
    triage: list[Triage] = ["immediate"] * 5 + ["delayed"] * 7
    flows = [15.0, 15.0, 10.0, 15.0, 10.0, 8.0, 6.0, 8.0, 6.0, 8.0, 6.0, 8.0]
    places = ["point", "hut"] * 6
    return Incident(
        name="core rules",
        start=datetime(2027, 2, 1, 10, 0),
        places=(Place("point", (("hut", 12.0),)), Place("hut")),
        patients=tuple(
            Patient(
                f"P{k:02d}", triage[k], places[k],
                options=(Option("non-rebreather", "first choice", (Phase(flows[k]),)),),
                transfer=ThreePoint(40 + 3 * k, 80 + 4 * k, 150 + 5 * k),
            )
            for k in range(12)
        ),
        cylinders=tuple(
            Cylinder(
                f"C-{k:02d}", "D", Pressure(1000.0 + 25 * k, "psi"), Temperature(10.0, "C"),
                "CGA 870", 2.38, 0.16, (), places[k % 2],
            )
            for k in range(40)
        ),
        regulators=tuple(
            Regulator(f"R-{k:02d}", "CGA 870", (6.0, 8.0, 10.0, 15.0), 1, places[k])
            for k in range(12)
        ),
        devices=(
            DeviceStock("non-rebreather", "adult", 6, "point"),
            DeviceStock("non-rebreather", "adult", 6, "hut"),
        ),
        responders=(
            Responder("H1", "point"), Responder("H2", "point"), Responder("H3", "hut"),
        ),
    )  # fmt: skip


class NumpyJudge:
    """The core rules over all samples at once."""

    def __init__(self, bench: Bench, policy: Policy) -> None:
        scene, draws, names = bench.scene, bench.draws, bench.names
        self.n, self.horizon = bench.needs.num_samples, scene.horizon_min
        self.swap, self.gap = scene.swap_min, scene.gap_min
        self.place, self.category, self.need = scene.place, scene.category, scene.need
        self.transfer = draws.transfer
        order = [names.cylinders[tag] for tag in policy.order]
        self.order = np.array(order)
        self.there = scene.carry[:, scene.cylinder_place[order]]
        self.change, self.residual = scene.change_l, scene.residual_l
        self.content = draws.content.copy()
        self.hands = np.bincount(scene.responder_place, minlength=scene.keys.size)
        self.kept = [(bench.incident.patients, k) for k in policy.kept_for]
        hookups = {x.patient: (h, x.flow_lpm) for h in policy.hookups for x in h.lines}
        people = [p.tag for p in bench.incident.patients]
        self.cylinder = np.array([names.cylinders[hookups[p][0].cylinders[0]] for p in people])
        regulators = [names.regulators[str(hookups[p][0].regulator)] for p in people]
        flow = np.array([hookups[p][1] for p in people])
        self.rate = flow[:, None] * draws.regulator_factor[regulators]
        self.k_kept = policy.kept_for[0].num_cylinders if policy.kept_for else 0
        self.kept_category = 0

    def run(self) -> np.ndarray:
        """Return minutes out, (patients, samples)."""
        p, n = self.place.size, self.n
        rows = np.arange(n)
        cylinder = np.repeat(self.cylinder[:, None], n, axis=1)
        usable = self.content[self.order] - self.change[self.order][:, None]
        free = usable > INSTANT
        left = self.content[cylinder, rows]
        ends = (left - self.change[cylinder]) / self.rate
        since = np.full((p, n), np.inf)
        out = np.full((p, n), np.nan)
        minutes = np.zeros((p, n))
        here = np.ones((p, n), dtype=bool)
        busy = np.full((p, n), -np.inf)  # end of each patient's last connection, as hands held
        t = np.zeros(n)
        while True:
            waiting = here & np.isfinite(since)
            soon = np.where(here, np.minimum(ends, self.transfer), np.inf).min(axis=0)
            some = waiting.any(axis=0)
            help_at = np.where(busy > t + INSTANT, busy, np.inf).min(axis=0)
            for q in range(self.hands.size):
                later = np.where(
                    self.there[q][:, None] > t + INSTANT, self.there[q][:, None], np.inf
                )
                help_at = np.minimum(help_at, later.min(axis=0))
            t = np.maximum(np.where(some, np.minimum(soon, help_at), soon), t)
            live = t < self.horizon
            if not live.any():
                break
            gone = here & (self.transfer <= t + INSTANT) & live
            minutes += np.where(gone & ~np.isnan(out), t - out, 0.0)
            out[gone] = np.nan
            here &= ~gone
            ended = here & (ends <= t + INSTANT) & live
            first = ended & ~np.isfinite(since)
            late = ended & np.isfinite(since)
            since[first] = np.broadcast_to(t, since.shape)[first]
            span = (self.change - self.residual)[cylinder] / self.rate
            ends = np.where(first, t + span, ends)
            out[late] = np.broadcast_to(t, out.shape)[late]
            ends[late] = np.inf
            self._serve(t, live, here, since, ends, out, minutes, cylinder, free, usable, busy)
        minutes += np.where(here & ~np.isnan(out), self.horizon - out, 0.0)
        return minutes

    def _may_take(
        self, i: np.ndarray, s: np.ndarray, t: np.ndarray, here: np.ndarray, free: np.ndarray
    ) -> np.ndarray:
        there = t[s] + INSTANT >= self.there[self.place[i]].T
        mask = free[:, s] & there
        if self.k_kept:
            protected = (here[:, s] & (self.category[:, None] <= self.kept_category)).any(axis=0)
            bound = (self.category[i] > self.kept_category) & protected
            mask &= ~(bound & (free[:, s].sum(axis=0) - 1 < self.k_kept))
        return mask

    def _serve(self, *arrays: np.ndarray) -> None:
        t, live, here, since, ends, out, minutes, cylinder, free, usable, busy = arrays
        waiting = here & np.isfinite(since) & live
        active = np.flatnonzero(waiting.any(axis=0))
        if active.size == 0:
            return
        key = self.category[:, None] * 1e9 + self.need[:, None] * 1e7 + since[:, active]
        queue = np.argsort(np.where(waiting[:, active], key, np.inf), axis=0, kind="stable")
        for k in range(int(waiting[:, active].sum(axis=0).max())):
            i, s = queue[k], active
            is_due = waiting[i, s]
            i, s = i[is_due], s[is_due]
            at = self.place[i]
            in_use = ((busy[:, s] > t[s] + INSTANT) & (self.place[:, None] == at)).sum(axis=0)
            i, s = i[self.hands[at] > in_use], s[self.hands[at] > in_use]
            mask = self._may_take(i, s, t, here, free)
            found = mask.any(axis=0)
            i, s, c = i[found], s[found], mask[:, found].argmax(axis=0)
            was_out = ~np.isnan(out[i, s])
            minutes[i, s] += np.where(was_out, t[s] - out[i, s], 0.0)
            out[i, s], since[i, s] = np.nan, np.inf
            free[c, s] = False
            cylinder[i, s] = self.order[c]
            busy[i, s] = t[s] + self.swap
            ends[i, s] = t[s] + self.gap + usable[c, s] / self.rate[i, s]
        for i in range(self.place.size):
            s = np.flatnonzero(here[i] & np.isfinite(since[i]) & np.isnan(out[i]) & live)
            if s.size:
                mask = self._may_take(np.full(s.size, i), s, t, here, free)
                dry = s[~mask.any(axis=0)]
                out[i, dry], ends[i, dry] = t[dry], np.inf


def bench_of(incident: Incident, num_samples: int) -> tuple[Bench, Policy, Needs]:
    """Return judge, policy and samples: rule (a) with two cylinders kept for Immediates."""
    state = initial_state(incident)
    needs = sample(incident, state, num_samples, 1)
    policy = replace(
        triage_order(incident, state), kept_for=(KeptFor(None, "CGA 870", "immediate", 2),)
    )
    return Bench.of(incident, state, needs), policy, needs


def timed(function: Callable[..., Any], *arguments: object) -> tuple[Any, float]:
    """Return a result and the seconds it took."""
    begun = time.perf_counter()
    result = function(*arguments)
    return result, time.perf_counter() - begun


def main() -> None:
    """Check that they agree, then print seconds and ratios."""
    print(f"cores: {os.cpu_count()}")
    core = core_incident()
    bench, policy, _ = bench_of(core, SAMPLES)
    _, first_s = timed(bench.operate, policy)
    compiled, compiled_s = timed(bench.operate, policy)
    _, one_s = timed(lambda: bench.operate(policy, num_threads=1))
    vector, numpy_s = timed(NumpyJudge(bench, policy).run)
    apart = np.abs(vector - compiled.minutes_out).max(axis=0) > 1e-6
    print(f"core rules, 12 x 40, {SAMPLES:,} samples; samples that differ: {int(apart.sum())}")
    print(f"  compiled {compiled_s:.2f} s (one thread {one_s:.2f}; first call {first_s:.1f} s)")
    print(f"  numpy    {numpy_s:.2f} s, {numpy_s / compiled_s:.1f} times as long")
    full = random_incident(3, num_patients=12, num_cylinders=40)
    bench, policy, needs = bench_of(full, SAMPLES)
    bench.operate(policy)
    _, full_s = timed(bench.operate, policy)
    state = initial_state(full)
    _, simpy_s = timed(lambda: [simulate(full, state, policy, needs, s) for s in range(200)])
    ratio = (SAMPLES / full_s) / (200 / simpy_s)
    print(f"all rules, random incident 3, 12 x 40: compiled {full_s:.2f} s for {SAMPLES:,}")
    print(
        f"  SimPy {200 / simpy_s:.0f} samples/s, compiled {SAMPLES / full_s:,.0f}: {ratio:,.0f} x"
    )


if __name__ == "__main__":
    main()
