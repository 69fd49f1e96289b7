"""When vehicles fetch whom: from arrivals and seats to transfer minutes, over all samples.

A vehicle shuttles between one place and wherever it takes people. Its k-th arrival is its first
arrival, plus a weather hold where one is drawn, plus k - 1 round trips, each drawn apart. At an
arrival it takes the first ``capacity`` of those who are found by then and whom it may fetch, by
triage category (ties in file order) or as the file has them. Whether oxygen is indicated does not
matter. Who is found later waits for a later trip. It comes whether or not anyone waits, so that an
arrival at which nobody is found counts as one of its ``trips``; hence more seats are never later
for anyone. A vehicle that does not show takes nobody in that sample.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from planner.incident import TRIAGE_ORDER, Incident, ThreePoint, Vehicle
from planner.state import State
from planner.streams import stream
from planner.three_point import Z90, Floats, score_above, time_from_score

Flags = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.int64]

# What may have been before the state's minute, drawn; a chance of .5 then errs by .002 or so
# (sqrt(.25 / 65,536), more where few fit).
NUM_PASTS: Final = 65_536


@dataclass(frozen=True, slots=True)
class Shuttle:
    """What is drawn for one vehicle, and whom it may fetch.

    Parameters
    ----------
    capacity : int
        Seats a trip.
    order : int array
        Rows of the patients whom it may fetch, who comes first first.
    arrival_min : array (samples,)
        Its next arrival, infinite where it never comes.
    leg_min : callable
        Minutes (samples,) from its arrival number k to the next, k from 0.
    num_arrivals : float
        How many arrivals it has left; infinite for as many as needed.
    """

    capacity: int
    order: Rows
    arrival_min: Floats
    leg_min: Callable[[int], Floats]
    num_arrivals: float = math.inf


def vehicle_transfers(
    incident: Incident, state: State, start: Floats, is_found: Flags, seed: int
) -> tuple[Rows, Floats]:
    """Draw when vehicles fetch those whom they may fetch, given the state.

    Parameters
    ----------
    start : array (patients, samples)
        From when on each is there.
    is_found : bool array (patients, samples)
        False where somebody is never found, dead or gone.

    Returns
    -------
    rows : int array
        Patients without a typed-in time whose place a vehicle serves.
    minutes : array (rows, samples)
        Infinite where nobody comes before the horizon; the state's minute for who is gone.
    """
    rows = np.array(
        [
            row
            for row, (patient, now) in enumerate(
                zip(incident.patients, state.patients, strict=True)
            )
            if incident.vehicles_of(patient, now.place)
        ],
        dtype=np.int64,
    )
    transfer = np.full(start.shape, np.inf)
    for place in dict.fromkeys(vehicle.place for vehicle in incident.vehicles):
        shuttles = shuttles_at(incident, state, place, int(start.shape[1]), seed)
        transfer = np.minimum(transfer, fetch(shuttles, start, is_found, incident.horizon_min))
    for row in rows:
        if state.patients[row].status == "gone":
            transfer[row] = state.at_min
    return rows, transfer[rows]


def shuttles_at(
    incident: Incident, state: State, place: str, num_samples: int, seed: int
) -> list[Shuttle]:
    """Draw the arrivals of all vehicles of one place, in file order, given the state.

    Each vehicle has streams of its own, keyed by its name, so that one more vehicle or patient
    changes no other draw.
    """
    done = _trips_done(incident, state, place)
    found = []
    for vehicle in incident.vehicles:
        if vehicle.place == place:
            past = _Past(vehicle, done[vehicle.name], state.at_min, seed)
            found.append(
                Shuttle(
                    vehicle.capacity,
                    _order(incident, state, vehicle),
                    _next_arrival(past, num_samples),
                    _legs(past, num_samples),
                    vehicle.num_trips - past.done,
                )
            )
    return found


def _order(incident: Incident, state: State, vehicle: Vehicle) -> Rows:
    """Rows of those whom a vehicle may fetch, who comes first first."""
    rows = [
        row
        for row, (patient, now) in enumerate(zip(incident.patients, state.patients, strict=True))
        if vehicle in incident.vehicles_of(patient, now.place)
    ]
    if vehicle.order == "triage":
        rows.sort(key=lambda row: TRIAGE_ORDER.index(incident.patients[row].triage))
    return np.array(rows, dtype=np.int64)


# ----- from draws to transfer minutes -----------------------------------------------------------


def fetch(shuttles: list[Shuttle], start: Floats, is_found: Flags, until_min: float) -> Floats:
    """Return when each patient is fetched: a function of the draws alone.

    Vehicles of one place take turns by the clock, those at the same minute in the order given;
    somebody found at the minute of an arrival is taken.

    Parameters
    ----------
    shuttles : list of Shuttle
        All that may fetch any of the same people.
    start, is_found : arrays (patients, samples)
    until_min : float
        No arrival after it counts.

    Returns
    -------
    array (patients, samples)
        Minutes, infinite where nobody comes.
    """
    transfer = np.full(start.shape, np.inf)
    if not shuttles:
        return transfer
    is_left = is_found.copy()
    arrival = np.stack([np.where(s.num_arrivals > 0, s.arrival_min, np.inf) for s in shuttles])
    trip = np.zeros(arrival.shape, dtype=np.int64)
    _retire(arrival, shuttles, is_left, until_min)
    while True:
        which, now = arrival.argmin(axis=0), arrival.min(axis=0)
        live = np.flatnonzero(np.isfinite(now))
        if live.size == 0:
            return transfer
        for number, shuttle in enumerate(shuttles):
            at = live[which[live] == number]
            if at.size == 0:
                continue
            _board(shuttle, at, now[at], (start, is_left, transfer))
            trip[number, at] += 1
            arrival[number, at] = _following(shuttle, trip[number, at], at, now[at])
        _retire(arrival, shuttles, is_left, until_min)


def _board(shuttle: Shuttle, at: Rows, now: Floats, people: tuple[Floats, Flags, Floats]) -> None:
    """Let people board in the samples ``at``; ``people``: from when, who is left, transfers."""
    start, is_left, transfer = people
    cells = np.ix_(shuttle.order, at)
    waits = is_left[cells] & (start[cells] <= now)
    boards = waits & (np.cumsum(waits, axis=0) <= shuttle.capacity)
    transfer[cells] = np.where(boards, now, transfer[cells])
    is_left[cells] &= ~boards


def _following(shuttle: Shuttle, trip: Rows, at: Rows, now: Floats) -> Floats:
    """Return the arrivals after those numbered ``trip - 1`` in the samples ``at``."""
    found = np.full(at.size, np.inf)
    for number in np.unique(trip):
        if number < shuttle.num_arrivals:
            mine = trip == number
            found[mine] = now[mine] + shuttle.leg_min(int(number) - 1)[at[mine]]
    return found


def _retire(arrival: Floats, shuttles: list[Shuttle], is_left: Flags, until_min: float) -> None:
    """Strike out arrivals that are too late or have nobody left to fetch."""
    for number, shuttle in enumerate(shuttles):
        useful = is_left[shuttle.order].any(axis=0) & (arrival[number] <= until_min)
        arrival[number, ~useful] = np.inf


# ----- draws, given the state -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Past:
    """A vehicle, how often it has come by the state's minute, and the key of its streams."""

    vehicle: Vehicle
    done: int
    at_min: float
    seed: int

    def stream(self, purpose: str) -> np.random.Generator:
        return stream(self.seed, f"vehicle {purpose}", self.vehicle.name)


def _legs(past: _Past, num_samples: int) -> Callable[[int], Floats]:
    """Return the round trips after the state's minute, each drawn when first asked for."""
    drawn: dict[int, Floats] = {}
    trip = past.vehicle.round_trip

    def leg_min(number: int) -> Floats:
        if trip is None:
            return np.full(num_samples, np.inf)
        if number not in drawn:
            # Numbered from the incident's first, so that planning on uses the same streams; the
            # trip under way at the state's minute is drawn by _later.
            score = past.stream(f"trip {past.done + number}").standard_normal(num_samples)
            drawn[number] = time_from_score(trip, score)
        return drawn[number]

    return leg_min


def _trips_done(incident: Incident, state: State, place: str) -> dict[str, int]:
    """Return how often each vehicle of a place has come, as far as it shows in who is gone.

    The state says who is gone, not with which vehicle: taken are the earliest trips, by the
    median times without hold, that have seats for all of them.
    """
    vehicles = [vehicle for vehicle in incident.vehicles if vehicle.place == place]
    gone = [
        {v.name for v in incident.vehicles_of(patient, now.place)}
        for patient, now in zip(incident.patients, state.patients, strict=True)
        if now.status == "gone" and now.place == place
    ]
    gone = [names for names in gone if names]
    done = dict.fromkeys((v.name for v in vehicles), 0)
    due = {v.name: v.first_arrival.p50_min for v in vehicles}
    while gone:
        able = [
            v for v in vehicles
            if done[v.name] < v.num_trips and any(v.name in names for names in gone)
        ]  # fmt: skip
        if not able:  # more are gone than it had seats for: they left in another way
            break
        vehicle = min(able, key=lambda v: due[v.name])
        done[vehicle.name] += 1
        due[vehicle.name] += vehicle.round_trip.p50_min if vehicle.round_trip is not None else 0.0
        for names in [names for names in gone if vehicle.name in names][: vehicle.capacity]:
            gone.remove(names)
    return done


def _next_arrival(past: _Past, num_samples: int) -> Floats:
    """Draw the next arrival, infinite where the vehicle does not come (again).

    At minute 0 that is the first arrival, and nothing is known. Later it is given that the
    vehicle has come as often as shows in who is gone (``done``) and that its next arrival is not
    before the state's minute. So a vehicle that nobody has left with has not come: that it may
    have come while nobody was found, or found but no seat free, is left out. The more it is late,
    the likelier are a hold and that it never comes; one that has come does show.
    """
    vehicle = past.vehicle
    if past.done >= vehicle.num_trips:
        return np.full(num_samples, np.inf)
    shows = past.stream("shows").random(num_samples)
    if past.at_min <= 0 and past.done == 0:
        arrival = _held(past, num_samples) + _first(past, num_samples)
        return np.where(shows < 1 - vehicle.no_show_chance, arrival, np.inf)
    arrival, weight = _later(past, num_samples)
    if past.done > 0:
        return arrival
    still = (1 - vehicle.no_show_chance) * weight
    lost = vehicle.no_show_chance
    return np.where(shows < (still / (still + lost) if lost > 0 else 1.0), arrival, np.inf)


def _first(past: _Past, num_samples: int) -> Floats:
    score = past.stream("first").standard_normal(num_samples)
    return time_from_score(past.vehicle.first_arrival, score)


def _held(past: _Past, num_samples: int) -> Floats:
    """Draw the minutes of the weather hold, mostly 0."""
    vehicle = past.vehicle
    if vehicle.hold is None:
        return np.zeros(num_samples)
    is_held = past.stream("held").random(num_samples) < vehicle.hold_chance
    score = past.stream("hold").standard_normal(num_samples)
    return np.where(is_held, time_from_score(vehicle.hold, score), 0.0)


def _later(past: _Past, num_samples: int) -> tuple[Floats, float]:
    """Draw the next arrival given that it is not before the state's minute.

    It is the end of one leg (the first way here, or a round trip) that began at an earlier
    minute: the hold, or the arrival before. Many such beginnings are drawn and weighted by the
    chance that the leg ends at the state's minute or later; each sample takes one of them, and
    its leg is drawn above what is known: exact but for the number of beginnings.

    Returns
    -------
    arrival : array (samples,)
    weight : float
        Chance of what is known.
    """
    from scipy.special import ndtr

    vehicle, at_min = past.vehicle, past.at_min
    leg = vehicle.first_arrival if past.done == 0 else vehicle.round_trip
    if leg is None:
        raise ValueError(f"vehicle {vehicle.name} comes once and has come")
    begin = _beginnings(past)
    if past.done > 0:
        begin = begin[begin <= at_min]
        if begin.size == 0:  # it came sooner than it can: then only just now
            begin = np.full(1, at_min)
    begin = np.sort(begin)
    floors = _floors(leg, at_min - begin)
    weights = ndtr(-floors)
    score = past.stream("leg").standard_normal(num_samples)
    total = float(weights.sum())
    if total <= 0:  # overdue beyond all that was thought possible: it comes now
        return np.full(num_samples, at_min), 0.0
    share = past.stream("before").random(num_samples)
    chosen = np.searchsorted(np.cumsum(weights), share * total, side="right")
    chosen = np.minimum(chosen, np.flatnonzero(weights)[-1])
    drawn = time_from_score(leg, score_above(score, floors[chosen]))
    return np.maximum(begin[chosen] + drawn, at_min), total / begin.size


def _beginnings(past: _Past) -> Floats:
    """Draw when the leg that ends with the next arrival may have begun."""
    vehicle = past.vehicle
    is_sure = vehicle.hold is None or vehicle.hold_chance == 0
    if past.done == 0 and is_sure:
        return np.zeros(1)
    begin = np.zeros(NUM_PASTS)
    if vehicle.hold is not None:
        is_held = (past.stream("past held").permutation(NUM_PASTS) + 0.5) / NUM_PASTS
        hold = time_from_score(vehicle.hold, _spread(past, "past hold"))
        begin = np.where(is_held < vehicle.hold_chance, hold, 0.0)
    if past.done > 0:
        begin = begin + time_from_score(vehicle.first_arrival, _spread(past, "past first"))
    for trip in range(past.done - 1):
        if vehicle.round_trip is not None:
            score = _spread(past, f"past trip {trip}")
            begin = begin + time_from_score(vehicle.round_trip, score)
    return begin


def _spread(past: _Past, purpose: str) -> Floats:
    """Return normal scores spread evenly over their quantiles, in random order."""
    from scipy.special import ndtri

    order = past.stream(purpose).permutation(NUM_PASTS)
    return np.asarray(ndtri((order + 0.5) / NUM_PASTS), dtype=np.float64)


def _floors(time: ThreePoint, minutes: Floats) -> Floats:
    """Return the least score at which a three-point time is not before each of the minutes.

    :func:`planner.three_point.score_from_time` for many minutes at once.
    """
    if time.is_fixed:
        return np.where(minutes <= time.p50_min, -np.inf, np.inf)
    up = math.log(time.p90_min / time.p50_min) / Z90
    down = math.log(time.p50_min / time.p10_min) / Z90
    ratio = np.log(np.maximum(minutes / time.p50_min, math.ulp(0.0)))
    with np.errstate(divide="ignore", invalid="ignore"):
        score = ratio / np.where(ratio > 0, up, down)
    score = np.where(ratio == 0, 0.0 if down > 0 else -np.inf, score)
    return np.where(minutes <= 0, -np.inf, score)


__all__ = ["NUM_PASTS", "Shuttle", "fetch", "shuttles_at", "vehicle_transfers"]
