"""When transport takes over: joint draws of one transfer group, given who is here and who gone.

Scores of one group are correlated by ``shared_delay`` through a common factor; one draw says
whether transport shows at all. In the middle of an incident whoever is still here tells that its
time is later than now, whoever is gone that it was not, and both tell about the others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from planner.incident import Incident, Patient, ThreePoint, TransferGroup
from planner.state import PatientNow, State
from planner.streams import stream
from planner.three_point import Floats, score_above, score_bounds, time_from_score

FACTOR_GRID: Final = 801  # points of the common factor when conditioning; error below 1e-6


def transfers(incident: Incident, state: State, start: Floats, seed: int) -> Floats:
    """Draw when each patient is transferred, given the state.

    Parameters
    ----------
    start : array (patients, samples)
        When each needs oxygen from; a wait after found begins there.

    Returns
    -------
    array (patients, samples)
        Minutes, infinite when nobody comes.
    """
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
    """Draw the transfers of one group (or of one patient alone), given who is here and who gone."""
    num_samples = int(start.shape[1])
    patients = [incident.patients[row] for row in rows]
    nows = [state.patients[row] for row in rows]
    name = group.name if group is not None else patients[0].tag
    own = np.stack([stream(seed, "transfer", p.tag).standard_normal(num_samples) for p in patients])
    scores = Scores(
        common=stream(seed, "delay", name).standard_normal(num_samples),
        own=own,
        rho=incident.uncertainty.shared_delay if group is not None else 0.0,
    )
    regular = [p.transfer or p.transfer_after_found for p in patients]
    times, log_weight = _times_given(scores, regular, _known(patients, nows, state, regular))
    for k, patient in enumerate(patients):
        if patient.transfer is None and patient.transfer_after_found is not None:
            times[k] += start[k]
    if group is not None and group.no_show_chance > 0:
        # Who gives no time is fetched by nobody, whether or not transport shows.
        back = [group.fallback if t is not None else None for t in regular]
        late, late_log_weight = _times_given(scores, back, _known(patients, nows, state, back))
        if group.fallback is None and _has_left(nows, regular):
            late_log_weight = -math.inf  # somebody did come
        absent = stream(seed, "no-show", name).random(num_samples)
        chance = _posterior(group.no_show_chance, late_log_weight, log_weight)
        times = np.where(absent < chance, late, times)
    here = np.array([now.status in {"here", "waiting"} for now in nows])
    times[here] = np.maximum(times[here], state.at_min)
    return times


def _has_left(nows: list[PatientNow], times: Sequence[ThreePoint | None]) -> bool:
    return any(
        now.status == "gone" and time is not None for now, time in zip(nows, times, strict=True)
    )


def _posterior(prior: float, log_if_true: float, log_if_false: float) -> float:
    """Return a chance after what was seen; the prior where it fits neither."""
    if prior >= 1 or log_if_true == log_if_false == -math.inf:
        return prior
    log_odds = math.log(prior / (1 - prior)) + log_if_true - log_if_false
    return 1 / (1 + math.exp(min(-log_odds, 700.0)))


@dataclass(frozen=True, slots=True)
class Scores:
    """Independent normal scores of one group: a common factor, own parts, and its weight."""

    common: Floats  # (samples,)
    own: Floats  # (patients, samples)
    rho: float


@dataclass(frozen=True, slots=True)
class Known:
    """Between which scores each patient's lies: above a floor if here, below a ceiling if gone."""

    floors: Floats  # (patients,)
    ceilings: Floats  # (patients,)


def _known(
    patients: list[Patient],
    nows: list[PatientNow],
    state: State,
    times: Sequence[ThreePoint | None],
) -> Known:
    """Return what the state says about scores; nothing for who is not found or dead.

    A wait after found counts from the median start, as the state does not say when it was.
    """
    floors = np.full(len(patients), -np.inf)
    ceilings = np.full(len(patients), np.inf)
    for k, (patient, now, time) in enumerate(zip(patients, nows, times, strict=True)):
        if time is None:
            continue
        is_after_found = time is patient.transfer_after_found and patient.transfer is None
        begin = min(state.at_min, patient.oxygen_from.p50_min) if is_after_found else 0.0
        low, high = score_bounds(time, state.at_min - begin)
        if now.status in {"here", "waiting"}:
            floors[k] = low
        elif now.status == "gone":
            ceilings[k] = high
    return Known(floors, ceilings)


def _times_given(
    scores: Scores, times: Sequence[ThreePoint | None], known: Known
) -> tuple[Floats, float]:
    """Return times given what is known, and the logarithm of the chance of that.

    Without anything known the score is ``sqrt(rho) common + sqrt(1 - rho) own``. Otherwise the
    common factor is drawn from its posterior by inverting its distribution on a grid, then each
    own part from a truncated normal: exact but for the grid. Those gone need no time of their own.
    What is impossible has no weight and is drawn as if nothing were known.
    """
    load, rest = math.sqrt(scores.rho), math.sqrt(1 - scores.rho)
    common, log_weight = scores.common, 0.0
    floors = known.floors
    if (floors == np.inf).any() or (known.ceilings == -np.inf).any():
        log_weight, floors = -math.inf, np.full(floors.size, -np.inf)
    elif rest == 0:
        common, log_weight = _between(common, float(floors.max()), float(known.ceilings.min()))
    elif np.isfinite(floors).any() or np.isfinite(known.ceilings).any():
        common, log_weight = _common_given(common, load, rest, known)
    rows = []
    for time, own, floor in zip(times, scores.own, floors, strict=True):
        if time is None:
            rows.append(np.full(common.size, np.inf))
        elif rest == 0:
            rows.append(time_from_score(time, load * common))
        else:
            limit = (floor - load * common) / rest if np.isfinite(floor) else -math.inf
            rows.append(time_from_score(time, load * common + rest * score_above(own, limit)))
    return np.stack(rows), log_weight


def _between(score: Floats, low: float, high: float) -> tuple[Floats, float]:
    """Map normal scores to ones given between two, and return the logarithm of that chance."""
    from scipy.special import ndtr, ndtri

    if low == -math.inf and high == math.inf:
        return score, 0.0
    from_, to = ndtr(-high), ndtr(-low)  # upper tails, exact far out
    if to <= from_:
        return score, -math.inf
    mapped = -ndtri(np.maximum(from_ + ndtr(-score) * (to - from_), 1e-300))
    return np.clip(mapped, low, high), math.log(to - from_)


def _common_given(common: Floats, load: float, rest: float, known: Known) -> tuple[Floats, float]:
    """Map the common factor to its posterior, and return the logarithm of what is known."""
    from scipy.special import log_ndtr, ndtr

    grid = np.linspace(-8.0, 8.0, FACTOR_GRID)
    log_density: Floats = -0.5 * grid**2
    for floor, ceiling in zip(known.floors, known.ceilings, strict=True):
        log_density = log_density + log_ndtr((load * grid - floor) / rest)
        log_density = log_density + log_ndtr((ceiling - load * grid) / rest)
    top = float(log_density.max())
    density = np.exp(log_density - top)
    steps = 0.5 * (density[1:] + density[:-1]) * np.diff(grid)
    cumulative = np.concatenate([[0.0], np.cumsum(steps)])
    total = float(cumulative[-1])
    mapped = np.interp(ndtr(common), cumulative / total, grid)
    return np.asarray(mapped), top + math.log(total) - 0.5 * math.log(2 * math.pi)
