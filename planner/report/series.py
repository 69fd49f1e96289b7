"""What the charts draw: gauges, need against supply and who is out, minute by minute.

Drawn anew from a plan on its fresh samples (the first of those that its chances rest on), so that
a plan need not carry them. Medians with the 10 % and 90 % points. Ready for JSON: texts, numbers
and None only.

*Gauges* are true gauges at the air temperature of the incident, of whatever somebody is on; one
who runs out stays on the cylinder until the next. *Needed* is what everyone with an option in the
plan would breathe of it from when oxygen is needed until transfer, whether or not there is any:
flow x time, phases by the clock, swap gaps not taken off. *Supplied* is what lies above the change
pressure in cylinders that are there, and in resupply from its arrival; what leaves with a patient
or is left in the cylinder at a swap is not taken off. Needed beyond supplied therefore means that
somebody runs out (but for buffers breathed at late swaps); the other way round means nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

import numpy as np

from planner.demand import Floats, sample
from planner.gas import content_l
from planner.incident import BUILT_IN, Incident, Option, Patient
from planner.limits import breathed_l
from planner.operation.arrays import GONE, TAKEN_OFF
from planner.operation.judge import Bench
from planner.operation.watching import Watched, watch
from planner.plan import Plan
from planner.real_gas import MAX_GAUGE_PSI
from planner.workflow import FRESH

NUM_SAMPLES: Final = 200
MOST_POINTS: Final = 100
STEPS_MIN: Final = (5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 240.0)
BAND: Final = (0.1, 0.5, 0.9)

#: A number where there is one: nobody's gauge is None, never 0.
Numbers: TypeAlias = tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Band:
    """10 % point, median and 90 % point at each minute; None where no sample has a value."""

    low: Numbers
    median: Numbers
    high: Numbers


@dataclass(frozen=True, slots=True)
class Gauges:
    """One patient's gauge [psi] over the samples in which it is on a cylinder, and their share."""

    patient: str
    gauge_psi: Band
    share_connected: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Balance:
    """Litres needed and supplied up to each minute; ``connection`` None: in all."""

    connection: str | None
    needed_l: Band
    supplied_l: Band


@dataclass(frozen=True, slots=True)
class Out:
    """Share of the samples in which one patient is out of oxygen, by minute."""

    patient: str
    share_out: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Series:
    """Everything by minute, from the state's minute to the horizon.

    ``need_supply`` begins with all connections together. Rows of patients are in file order:
    ``gauges`` of those with an option in the plan, ``out_by_patient`` of those who can be out.
    """

    minutes: tuple[float, ...]
    num_samples: int
    gauges: tuple[Gauges, ...]
    need_supply: tuple[Balance, ...]
    out_by_patient: tuple[Out, ...]


def series_of(plan: Plan, num_samples: int = NUM_SAMPLES) -> Series:
    """Return what the charts draw.

    Parameters
    ----------
    plan : Plan
    num_samples : int
        Samples to operate; about 2 ms each for forty patients.
    """
    incident, state, policy = plan.incident, plan.state, plan.policy
    needs = sample(incident, state, num_samples, plan.run.seed + FRESH)
    bench = Bench.of(incident, state, needs)
    minutes = grid(state.at_min, incident.horizon_min)
    watched = watch(bench, policy, minutes, num_samples)
    share_on = (watched.cylinder >= 0).mean(axis=2)
    gauge_psi = _gauges(incident, watched)
    options = dict(policy.options)
    return Series(
        minutes=tuple(minutes.tolist()),
        num_samples=num_samples,
        gauges=tuple(
            Gauges(p.tag, band_of(gauge_psi[row]), tuple(share_on[row].tolist()))
            for row, p in enumerate(incident.patients)
            if p.tag in options
        ),
        need_supply=tuple(_balances(bench, options, watched)),
        out_by_patient=tuple(
            Out(p.tag, tuple(watched.is_out[row].mean(axis=1).tolist()))
            for row, p in enumerate(incident.patients)
            if p.tag in options or watched.is_out[row].any()
        ),
    )


def grid(from_min: float, to_min: float) -> Floats:
    """Return the minutes of the charts: the shortest step with at most 100 points, both ends in."""
    length = to_min - from_min
    step = next((s for s in STEPS_MIN if length / s <= MOST_POINTS - 2), length / (MOST_POINTS - 2))
    inner = np.arange(np.floor(from_min / step) + 1, np.ceil(to_min / step)) * step
    return np.concatenate([[from_min], inner, [to_min]])


def band_of(values: Floats) -> Band:
    """Return 10 % point, median and 90 % point of each row, NaN left out.

    Parameters
    ----------
    values : array (minutes, samples)
    """
    ordered = np.sort(values, axis=1)  # NaN last
    count = np.count_nonzero(~np.isnan(values), axis=1)
    rows = np.arange(values.shape[0])
    found = []
    for share in BAND:  # numpy.nanquantile goes through the rows one by one: 20 times as long
        at = share * np.maximum(count - 1, 0)
        below = np.floor(at).astype(np.int64)
        above = np.minimum(below + 1, np.maximum(count - 1, 0))
        first, second = ordered[rows, below], ordered[rows, above]
        found.append(_numbers(first + (at - below) * (second - first)))
    return Band(*found)


def _numbers(values: Floats) -> Numbers:
    return tuple(None if np.isnan(value) else value for value in values.tolist())


def _gauges(incident: Incident, watched: Watched) -> Floats:
    """Return true gauges [psi] at air temperature, (patients, minutes, samples), NaN on none."""
    rows = incident.all_cylinders
    # A concentrator has no gauge.
    power = np.array([c.power_min is not None for c in rows] + [False])
    watched = replace(watched, litres=np.where(power[watched.cylinder], np.nan, watched.litres))
    if incident.contents == "handbook":
        size = np.array([c.factor_l_per_psi for c in rows] + [1.0])
        return np.asarray(watched.litres / size[watched.cylinder])
    # A table every 5 psi: within 0.01 psi of the exact inverse, and a hundred times as fast.
    gauge = np.arange(0.0, MAX_GAUGE_PSI + 1, 5.0)
    size = np.array([c.water_volume_l for c in rows] + [1.0])
    filled = content_l(1.0, gauge, incident.air_temperature.c)
    return np.asarray(np.interp(watched.litres / size[watched.cylinder], filled, gauge))


# ----- need against supply -------------------------------------------------------------------


def _balances(bench: Bench, options: dict[str, Option], watched: Watched) -> Iterator[Balance]:
    """Yield all connections together, then each where there is more than one."""
    minutes, names = watched.minutes, list(bench.names.connections)
    people = bench.incident.patients
    need = {
        row: _needed(bench, row, options[p.tag], minutes)
        for row, p in enumerate(people)
        if p.tag in options
    }
    on = {row: _connection(bench, people[row], options[people[row].tag], watched) for row in need}
    supply = {name: _supplied(bench, name, minutes) for name in names}
    nothing = np.zeros((minutes.size, bench.needs.num_samples))
    yield Balance(
        None, band_of(sum(need.values(), nothing)), band_of(sum(supply.values(), nothing))
    )
    for name in names if len(names) > 1 else ():
        mine = sum((litres for row, litres in need.items() if on[row] == name), nothing)
        yield Balance(name, band_of(mine), band_of(supply[name]))


def _needed(bench: Bench, row: int, option: Option, minutes: Floats) -> Floats:
    """Return the litres that a patient would breathe by each minute, (minutes, samples)."""
    needs, state = bench.needs, bench.state
    now = state.patients[row]
    begin = np.maximum(needs.start_min[row], state.at_min)
    end = np.minimum(minutes[:, None], needs.transfer_min[row])
    length = np.maximum(end - begin, 0.0) * needs.is_needed[row]
    factor = _factor(bench, now.tag)
    lines = {line.patient: line for h in state.hookups for line in h.lines}
    if now.phases_stopped and now.tag in lines:
        return np.asarray(lines[now.tag].flow_lpm * length * factor)
    before = 0.0 if now.first_flow_min is None else max(0.0, state.at_min - now.first_flow_min)
    score = needs.phase_score[row]
    litres = breathed_l(option, length + before, score) - breathed_l(
        option, np.full_like(length, before), score
    )
    return np.asarray(litres * factor)


def _factor(bench: Bench, tag: str) -> Floats:
    """Return the flow factor of the regulator that a patient holds; else the usual one."""
    held = next((k.tag for k in bench.state.regulators if k.holder == tag), None)
    if held is None:
        usual = bench.incident.uncertainty.cold_flow_factor
        return np.full(bench.needs.num_samples, usual)
    return np.asarray(bench.needs.regulator_factor[bench.names.regulators[held]])


def _connection(bench: Bench, patient: Patient, option: Option, watched: Watched) -> str | None:
    """Return the connection that a patient is on most often; never on any: the first that fits."""
    names = list(bench.names.connections)
    cylinders = watched.cylinder[bench.names.patients[patient.tag]]
    cylinders = cylinders[cylinders >= 0]
    if cylinders.size:
        return names[int(np.bincount(bench.scene.connection[cylinders]).argmax())]
    flows = {phase.flow_lpm for phase in option.phases}
    stocked = {c.connection for c in bench.incident.all_cylinders}
    fits = [
        r.connection for r in bench.incident.all_regulators
        if flows <= set(r.settings_lpm) and r.connection in stocked
    ]  # fmt: skip
    return next(iter(fits), BUILT_IN if BUILT_IN in names else None)


def _supplied(bench: Bench, name: str, minutes: Floats) -> Floats:
    """Return the usable litres of a connection that are there by each minute."""
    scene, draws = bench.scene, bench.draws
    total = np.zeros((minutes.size, bench.needs.num_samples))
    for c in np.flatnonzero(scene.connection == bench.names.connections[name]):
        if scene.cylinder_status[c] in (TAKEN_OFF, GONE):
            continue
        usable = np.maximum(draws.content[c] - scene.change_l[c], 0.0)
        supply = scene.cylinder_supply[c]
        total += usable if supply < 0 else usable * (draws.supply[supply] <= minutes[:, None])
    return total


__all__ = [
    "MOST_POINTS", "NUM_SAMPLES", "Balance", "Band", "Gauges", "Out", "Series", "band_of",
    "grid", "series_of",
]  # fmt: skip
