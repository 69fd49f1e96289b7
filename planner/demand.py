"""Who needs oxygen from when until when: joint samples of everything that is uncertain.

Times are drawn by :mod:`planner.three_point`, transfers by :mod:`planner.transfers` and, for whom
vehicles fetch, :mod:`planner.transport`. From the middle of an incident everything is drawn given
what is known by then. Starts and transport are independent: that somebody is not found yet says
nothing about when it comes, though who is found late waits for a later trip.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from planner.incident import BUILT_IN, Incident, Patient
from planner.oxygen_options import options_of
from planner.state import State
from planner.streams import stream
from planner.three_point import (
    Z95,
    Floats,
    score_above,
    score_from_time,
    split_quantile,
    time_at,
    time_from_score,
)
from planner.transfers import transfers
from planner.transport import vehicle_transfers

Flags = npt.NDArray[np.bool_]

MIN_FLOW_FACTOR: Final = 0.5  # job.md rule 10: not under .5


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
        The same for built-in valves; the cold factor alone for other cylinders.
    leave_min, leg_min : array (patients, legs, samples)
        Minute before which a patient does not leave on a leg, and how long the leg takes;
        infinite and 0 where it has fewer legs.
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
    leave_min: Floats
    leg_min: Floats
    capped_share: float


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
    leave, length = _legs(incident, state, num_samples, seed)
    transfer = transfers(incident, state, start, seed)
    if incident.vehicles:
        ready = _ready(start, leave, length)
        fetched, minutes = vehicle_transfers(incident, state, ready, is_needed, seed)
        transfer[fetched] = minutes
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
        valve_factor=_factors(
            incident,
            [c.tag if c.connection == BUILT_IN else None for c in cylinders],
            "valve",
            num_samples,
            seed,
        ),
        leave_min=leave,
        leg_min=length,
        capped_share=float(late.sum() / max(1, is_needed.sum())),
    )


def transfer_points(
    incident: Incident, state: State, share: float, *, num_samples: int = 2001, seed: int = 1
) -> Floats:
    """Return the minute by which a share of each patient's transfers falls, from samples.

    Among the samples in which the patient is found, also with the transfer before it; the same
    at every call. For those whom vehicles fetch there is no formula.

    Returns
    -------
    array (patients,)
        Infinite where so many are not fetched before the horizon, or nobody is found.
    """
    start, is_found = _starts(incident, state, num_samples, seed)
    times = transfers(incident, state, start, seed)
    if incident.vehicles:
        ready = _ready(start, *_legs(incident, state, num_samples, seed))
        fetched, minutes = vehicle_transfers(incident, state, ready, is_found, seed)
        times[fetched] = minutes
    return np.array(
        [
            np.quantile(row[there], share, method="inverted_cdf") if there.any() else np.inf
            for row, there in zip(times, is_found, strict=True)
        ],
        dtype=np.float64,
    )


def fetched_points(incident: Incident, state: State, share: float) -> dict[str, float]:
    """Return :func:`transfer_points` by tag, of those alone whom vehicles fetch."""
    if not incident.vehicles:
        return {}
    points = transfer_points(incident, state, share)
    rows = zip(incident.patients, state.patients, points.tolist(), strict=True)
    return {p.tag: point for p, now, point in rows if incident.vehicles_of(p, now.place)}


def max_phases(incident: Incident) -> int:
    """Return the largest number of phases after the first in any patient's options."""
    return max((_num_phases(incident, p) for p in incident.patients), default=0)


def _num_phases(incident: Incident, patient: Patient) -> int:
    """Return the largest number of phases after the first in a patient's options."""
    return max((len(o.phases) - 1 for o in options_of(incident, patient)), default=0)


def _stack(rows: list[Floats], num_samples: int) -> Floats:
    return np.stack(rows) if rows else np.empty((0, num_samples))


def _factors(
    incident: Incident, tags: Sequence[str | None], purpose: str, num_samples: int, seed: int
) -> Floats:
    """Draw flow factors; None is a cylinder without a valve of its own, which needs none."""
    sd, mean = incident.uncertainty.flow_setting, incident.uncertainty.cold_flow_factor
    factors = np.full((len(tags), num_samples), mean)
    for row, tag in enumerate(tags):
        if tag is not None:
            score = stream(seed, purpose, tag).standard_normal(num_samples)
            factors[row] = mean * np.maximum(1 + sd * score, MIN_FLOW_FACTOR)
    return factors


def _phase_scores(incident: Incident, num_samples: int, seed: int) -> Floats:
    counts = [_num_phases(incident, p) for p in incident.patients]
    scores = np.ones((len(incident.patients), max(counts, default=0), num_samples))
    for row, patient in enumerate(incident.patients):
        for k in range(counts[row]):
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
        times = np.maximum(time_from_score(supply.arrive, score_above(score, floor)), state.at_min)
        rows.append(np.where(shows < chance, times, np.inf))
    return _stack(rows, num_samples)


def _legs(incident: Incident, state: State, num_samples: int, seed: int) -> tuple[Floats, Floats]:
    """Draw when patients may leave on their legs, and how long those take.

    Who has not left by the state's minute may leave later, or now where it is getting ready.
    """
    most = max((len(p.legs) for p in incident.patients), default=0)
    shape = (len(incident.patients), most, num_samples)
    leave, length = np.full(shape, np.inf), np.zeros(shape)
    for row, (patient, now) in enumerate(zip(incident.patients, state.patients, strict=True)):
        for k, leg in enumerate(patient.legs):
            if k < now.legs_done:  # behind it, but for the one it may be on
                leave[row, k] = -np.inf if now.arrives_min is None else now.arrives_min
                continue
            score = stream(seed, f"leave {k}", patient.tag).standard_normal(num_samples)
            floor = score_from_time(leg.leave, state.at_min)
            is_ready = now.leaving != "" and k == now.legs_done
            if is_ready or leg.leave.is_fixed:
                leave[row, k] = max(state.at_min, leg.leave.p50_min) if not is_ready else 0.0
            else:
                drawn = time_from_score(leg.leave, score_above(score, floor))
                leave[row, k] = np.maximum(drawn, state.at_min)
            score = stream(seed, f"leg {k}", patient.tag).standard_normal(num_samples)
            length[row, k] = time_from_score(leg.length, score)
    return leave, length


def _ready(start: Floats, leave: Floats, length: Floats) -> Floats:
    """Return the first minute at which each patient can be where its legs end."""
    ready = start.copy()
    for k in range(leave.shape[1]):
        has_leg = np.isfinite(leave[:, k])
        ready = np.where(has_leg, np.maximum(ready, leave[:, k]) + length[:, k], ready)
    return ready


def _given_later(chance: float, floor: float) -> float:
    """Return the chance that something comes, given that it has not by a score of ``floor``.

    What is certain to come stays so, however late it is.
    """
    if floor == -math.inf or chance >= 1:
        return chance
    still = chance * 0.5 * math.erfc(floor / math.sqrt(2))
    return still / (still + 1 - chance) if still > 0 else 0.0


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
        drawn = time_from_score(patient.oxygen_from, score_above(score, floor))
        start[row] = np.maximum(drawn, state.at_min)
        needed[row] = there < chance
    return start, needed


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
        state.at_min
        if number in state.arrived
        else (max(state.at_min, r.arrive.p50_min) if r.no_show_chance < 0.5 else np.inf)
        for number, r in enumerate(incident.resupply)
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
        leave_min=_certain_legs(incident, "leave", np.inf),
        leg_min=_certain_legs(incident, "length", 0.0),
        capped_share=0.0,
    )


def _certain_legs(incident: Incident, name: str, without: float) -> Floats:
    """Return the medians of one number of every leg, (patients, legs, 1)."""
    most = max((len(p.legs) for p in incident.patients), default=0)
    found = np.full((len(incident.patients), most, 1), without)
    for row, patient in enumerate(incident.patients):
        for k, leg in enumerate(patient.legs):
            found[row, k] = getattr(leg, name).p50_min
    return found


__all__ = [
    "MIN_FLOW_FACTOR", "Z95", "Flags", "Floats", "Needs", "certain", "fetched_points", "max_phases",
    "sample", "score_from_time", "split_quantile", "time_at", "time_from_score", "transfer_points",
]  # fmt: skip
