"""Who needs oxygen from when until when: joint samples of everything that is uncertain.

Three-point times are 10/50/90 % points of a split lognormal: ``p50 * exp(z / z90 * ln(p90/p50))``
above the median and ``ln(p50/p10)`` below it, with z a standard normal score and z90 = 1.2816; it
meets all three points. Scores of one transfer group are correlated by ``shared_delay`` through a
common factor. From the middle of an incident everything is drawn given what is known by then.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from planner.incident import Incident, Patient, ThreePoint, TransferGroup
from planner.state import PatientNow, State
from planner.streams import stream

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

Z90: Final = 1.2815515655446004  # 90 % point of the standard normal
Z95: Final = 1.6448536269514722  # 95 % point of the standard normal
MIN_FLOW_FACTOR: Final = 0.5  # job.md rule 10: not under .5
FACTOR_GRID: Final = 801  # points of the common factor when conditioning; error below 1e-6


@dataclass(frozen=True, slots=True)
class Needs:
    """Joint samples; rows follow the incident's patients, cylinders, regulators, resupplies.

    Parameters
    ----------
    seed, num_samples : int
    start_min : array (patients, samples)
        When a patient should have oxygen; only meaningful where ``is_needed``.
    is_needed : bool array (patients, samples)
        False where the patient is never found, needs none, or is gone before the start.
    transfer_min : array (patients, samples)
        When transport's own oxygen takes over; infinite when nobody comes.
    phase_score : array (patients, phases, samples)
        Uniform scores; phase k+1 of an option begins where its chance exceeds the score.
    resupply_min : array (resupplies, samples)
        Arrival, infinite when it never comes.
    gauge_error_psi : array (cylinders, samples)
        True gauge less reading; cylinders as in ``Incident.all_cylinders``.
    regulator_factor : array (regulators, samples)
        True flow over dial setting; regulators as in ``Incident.all_regulators``.
    valve_factor : array (cylinders, samples)
        The same for built-in valves.
    capped_share : float
        Share of the transfers of needed patients that fall beyond the horizon.
    """

    seed: int
    num_samples: int
    start_min: Floats
    is_needed: Flags
    transfer_min: Floats
    phase_score: Floats
    resupply_min: Floats
    gauge_error_psi: Floats
    regulator_factor: Floats
    valve_factor: Floats
    capped_share: float


def time_from_score(time: ThreePoint, score: Floats) -> Floats:
    """Return minutes for standard normal scores (split lognormal through the three points)."""
    if time.p50_min <= 0:
        return np.full(np.shape(score), time.p50_min)
    up = math.log(time.p90_min / time.p50_min) / Z90
    down = math.log(time.p50_min / time.p10_min) / Z90
    return np.asarray(time.p50_min * np.exp(np.where(score > 0, up, down) * score))


def score_from_time(time: ThreePoint, minute: float) -> float:
    """Return the normal score at which a three-point time equals ``minute``.

    For a fixed time it is minus infinity before it and infinity from it on.
    """
    if minute <= 0:
        return -math.inf
    if time.is_fixed:
        return -math.inf if minute < time.p50_min else math.inf
    ratio = math.log(minute / time.p50_min)
    far = time.p90_min if ratio > 0 else time.p10_min
    spread = abs(math.log(far / time.p50_min)) / Z90
    if spread == 0:
        return math.copysign(math.inf, ratio)
    return ratio / spread


def time_at(time: ThreePoint, z: float) -> float:
    """Return the minute at one normal score."""
    return float(time_from_score(time, np.array([z]))[0])


def sample(incident: Incident, state: State, num_samples: int, seed: int) -> Needs:
    """Draw joint samples of all that is uncertain, given the state.

    Parameters
    ----------
    incident : Incident
    state : State
        Known by now; transfers are drawn given that whoever is here is still here, starts given
        that whoever is not found is not found yet.
    num_samples : int
        At least 1.
    seed : int
        Streams are keyed by it.

    Returns
    -------
    Needs

    Raises
    ------
    ValueError
        If ``num_samples`` is below 1.
    """
    if num_samples < 1:
        raise ValueError(f"num_samples is {num_samples}; allowed: 1 or more")
    start, is_needed = _starts(incident, state, num_samples, seed)
    transfer = _transfers(incident, state, start, seed)
    is_needed &= transfer > start
    late = (transfer > incident.horizon_min) & is_needed
    sd = incident.uncertainty
    cylinders, regulators = incident.all_cylinders, incident.all_regulators
    exact = {c.tag for c in state.cylinders if c.is_exact}
    gauge = [
        np.zeros(num_samples)
        if c.tag in exact
        else sd.gauge.psi * stream(seed, "gauge", c.tag).standard_normal(num_samples)
        for c in cylinders
    ]
    return Needs(
        seed=seed,
        num_samples=num_samples,
        start_min=start,
        is_needed=is_needed,
        transfer_min=transfer,
        phase_score=_phase_scores(incident, num_samples, seed),
        resupply_min=_arrivals(incident, state, num_samples, seed),
        gauge_error_psi=_stack(gauge, num_samples),
        regulator_factor=_factors(incident, [r.tag for r in regulators], "flow", num_samples, seed),
        valve_factor=_factors(incident, [c.tag for c in cylinders], "valve", num_samples, seed),
        capped_share=float(late.sum() / max(1, is_needed.sum())),
    )


def max_phases(incident: Incident) -> int:
    """Return the largest number of phases after the first in any patient's own options."""
    return max((len(o.phases) - 1 for p in incident.patients for o in p.options or ()), default=0)


def _stack(rows: list[Floats], num_samples: int) -> Floats:
    return np.stack(rows) if rows else np.empty((0, num_samples))


def _factors(
    incident: Incident, tags: list[str], purpose: str, num_samples: int, seed: int
) -> Floats:
    sd, mean = incident.uncertainty.flow_setting, incident.uncertainty.cold_flow_factor
    rows = [
        mean
        * np.maximum(
            1 + sd * stream(seed, purpose, tag).standard_normal(num_samples), MIN_FLOW_FACTOR
        )
        for tag in tags
    ]
    return _stack(rows, num_samples)


def _phase_scores(incident: Incident, num_samples: int, seed: int) -> Floats:
    scores = np.ones((len(incident.patients), max_phases(incident), num_samples))
    for row, patient in enumerate(incident.patients):
        for k in range(max((len(o.phases) - 1 for o in patient.options or ()), default=0)):
            scores[row, k] = stream(seed, f"phase {k}", patient.tag).random(num_samples)
    return scores


def _arrivals(incident: Incident, state: State, num_samples: int, seed: int) -> Floats:
    rows = []
    for number, supply in enumerate(incident.resupply):
        score = stream(seed, "resupply", str(number)).standard_normal(num_samples)
        shows = stream(seed, "resupply shows", str(number)).random(num_samples)
        if number in state.arrived:
            rows.append(np.full(num_samples, state.at_min))
            continue
        floor = score_from_time(supply.arrive, state.at_min)
        chance = _given_later(1 - supply.no_show_chance, floor)
        times = np.maximum(time_from_score(supply.arrive, _above(score, floor)), state.at_min)
        rows.append(np.where(shows < chance, times, np.inf))
    return _stack(rows, num_samples)


def _given_later(chance: float, floor: float) -> float:
    """Return the chance that something comes, given that it has not by a score of ``floor``."""
    if floor == -math.inf:
        return chance
    still = chance * 0.5 * math.erfc(floor / math.sqrt(2))
    return still / (still + 1 - chance) if still > 0 else 0.0


def _above(score: Floats, floor: float | Floats) -> Floats:
    """Map standard normal scores to ones given above ``floor``, keeping their order."""
    if np.ndim(floor) == 0 and floor == -math.inf:
        return score
    from scipy.special import ndtr, ndtri

    tail = ndtr(-np.asarray(floor, dtype=np.float64))
    mapped = -ndtri(np.maximum(ndtr(-score) * tail, 1e-300))
    return np.asarray(np.maximum(mapped, floor), dtype=np.float64)


def _starts(incident: Incident, state: State, num_samples: int, seed: int) -> tuple[Floats, Flags]:
    start = np.empty((len(incident.patients), num_samples))
    needed = np.empty((len(incident.patients), num_samples), dtype=np.bool_)
    for row, (patient, now) in enumerate(zip(incident.patients, state.patients, strict=True)):
        if now.status != "unknown":
            start[row] = min(state.at_min, patient.oxygen_from.p50_min)
            needed[row] = now.status in {"waiting", "here"}
            continue
        score = stream(seed, "start", patient.tag).standard_normal(num_samples)
        there = stream(seed, "needed", patient.tag).random(num_samples)
        floor = score_from_time(patient.oxygen_from, state.at_min)
        chance = _given_later(patient.chance_needed, floor)
        drawn = time_from_score(patient.oxygen_from, _above(score, floor))
        start[row] = np.maximum(drawn, state.at_min)
        needed[row] = there < chance
    return start, needed


def _transfers(incident: Incident, state: State, start: Floats, seed: int) -> Floats:
    transfer = np.full(start.shape, np.inf)
    rows_of: dict[str | None, list[int]] = {}
    for row, patient in enumerate(incident.patients):
        group = incident.group_of(patient)
        rows_of.setdefault(group.name if group else f"\x1f{patient.tag}", []).append(row)
    for rows in rows_of.values():
        group = incident.group_of(incident.patients[rows[0]])
        transfer[rows] = _group_transfers(incident, state, group, rows, start[rows], seed)
    return transfer


def _group_transfers(
    incident: Incident,
    state: State,
    group: TransferGroup | None,
    rows: list[int],
    start: Floats,
    seed: int,
) -> Floats:
    """Draw the transfers of one group (or of one patient alone), given who is still here."""
    num_samples = int(start.shape[1])
    patients = [incident.patients[row] for row in rows]
    nows = [state.patients[row] for row in rows]
    rho = incident.uncertainty.shared_delay if group is not None else 0.0
    own = np.stack([stream(seed, "transfer", p.tag).standard_normal(num_samples) for p in patients])
    name = group.name if group is not None else patients[0].tag
    common = stream(seed, "delay", name).standard_normal(num_samples)
    absent = stream(seed, "no-show", name).random(num_samples)
    regular = [p.transfer or p.transfer_after_found for p in patients]
    floors = _floors(patients, nows, state.at_min, regular)
    score, weight = _scores(common, own, rho, floors)
    times = np.stack(
        [
            np.full(num_samples, np.inf) if t is None else time_from_score(t, z)
            for t, z in zip(regular, score, strict=True)
        ]
    )
    for k, patient in enumerate(patients):
        if patient.transfer is None and patient.transfer_after_found is not None:
            times[k] += start[k]
    no_show = group.no_show_chance if group is not None else 0.0
    if group is not None and no_show > 0:
        if group.fallback is None:
            late, late_weight = np.full_like(times, np.inf), 1.0
        else:
            back = [group.fallback] * len(patients)
            score, late_weight = _scores(
                common, own, rho, _floors(patients, nows, state.at_min, back)
            )
            late = np.stack([time_from_score(group.fallback, z) for z in score])
        gone = any(now.status == "gone" for now in nows)
        chance = 0.0 if gone else _posterior(no_show, late_weight, weight)
        times = np.where(absent < chance, late, times)
    here = np.array([now.status in {"here", "waiting"} for now in nows])
    times[here] = np.maximum(times[here], state.at_min)
    return times


def _posterior(prior: float, if_true: float, if_false: float) -> float:
    total = prior * if_true + (1 - prior) * if_false
    return prior * if_true / total if total > 0 else prior


def _floors(
    patients: list[Patient],
    nows: list[PatientNow],
    at_min: float,
    times: Sequence[ThreePoint | None],
) -> Floats:
    """Return for each patient the score below which it would no longer be here."""
    floors = np.full(len(patients), -np.inf)
    for k, (patient, now, time) in enumerate(zip(patients, nows, times, strict=True)):
        if now.status not in {"here", "waiting"} or time is None or time.is_fixed:
            continue
        is_after_found = time is patient.transfer_after_found and patient.transfer is None
        begin = min(at_min, patient.oxygen_from.p50_min) if is_after_found else 0.0
        floors[k] = score_from_time(time, at_min - begin)
    return floors


def _scores(common: Floats, own: Floats, rho: float, floors: Floats) -> tuple[Floats, float]:
    """Return correlated scores given that each lies above its floor, and the chance of that.

    Without floors it is ``sqrt(rho) common + sqrt(1 - rho) own``. With floors the common factor is
    drawn from its posterior by inverting its distribution on a grid, then each own part from a
    truncated normal: exact but for the grid.
    """
    load, rest = math.sqrt(rho), math.sqrt(1 - rho)
    if np.all(np.isneginf(floors)):
        return load * common + rest * own, 1.0
    from scipy.special import ndtr

    grid = np.linspace(-8.0, 8.0, FACTOR_GRID)
    density: Floats = np.exp(-0.5 * grid**2) / math.sqrt(2 * math.pi)
    if rest > 0:
        for floor in floors:
            density = density * ndtr((load * grid - floor) / rest)
    else:
        density = density * (load * grid >= floors.max())
    steps = 0.5 * (density[1:] + density[:-1]) * np.diff(grid)
    cumulative = np.concatenate([[0.0], np.cumsum(steps)])
    weight = float(cumulative[-1])
    if weight > 0:
        common = np.asarray(np.interp(ndtr(common), cumulative / weight, grid))
    if rest == 0:
        return np.broadcast_to(load * common, own.shape).copy(), weight
    parts = [
        load * common + rest * _above(z, (floor - load * common) / rest)
        if np.isfinite(floor)
        else load * common + rest * z
        for z, floor in zip(own, floors, strict=True)
    ]
    return np.stack(parts), weight


def split_quantile(time: ThreePoint, share: float) -> float:
    """Return the point of a three-point time below which ``share`` of it lies."""
    from statistics import NormalDist

    return time_at(time, NormalDist().inv_cdf(share))


def certain(incident: Incident, state: State) -> Needs:
    """Return one sample in which nothing is uncertain and nobody is transferred.

    Everyone expected is found at the median, resupply that comes more likely than not arrives at
    the median, and a phase begins where its chance is at least one half. Used for "lasts until".
    """
    people = incident.patients
    start = [
        min(state.at_min, p.oxygen_from.p50_min)
        if now.status != "unknown"
        else max(state.at_min, p.oxygen_from.p50_min)
        for p, now in zip(people, state.patients, strict=True)
    ]
    arrivals = [
        max(state.at_min, r.arrive.p50_min) if r.no_show_chance < 0.5 else np.inf
        for r in incident.resupply
    ]
    factor = incident.uncertainty.cold_flow_factor
    num_cylinders, num_regulators = len(incident.all_cylinders), len(incident.all_regulators)
    return Needs(
        seed=0,
        num_samples=1,
        start_min=np.array(start, dtype=np.float64).reshape(-1, 1),
        is_needed=np.array(
            [[now.status in {"unknown", "waiting", "here"}] for now in state.patients],
            dtype=np.bool_,
        ).reshape(-1, 1),
        transfer_min=np.full((len(people), 1), np.inf),
        phase_score=np.full((len(people), max_phases(incident), 1), np.nextafter(0.5, 0)),
        resupply_min=np.array(arrivals, dtype=np.float64).reshape(-1, 1),
        gauge_error_psi=np.zeros((num_cylinders, 1)),
        regulator_factor=np.full((num_regulators, 1), factor),
        valve_factor=np.full((num_cylinders, 1), factor),
        capped_share=0.0,
    )
