"""The printed swap schedule, derived from a policy by operation and never kept beside it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from planner.demand import Floats, fetched_points
from planner.incident import Incident
from planner.operation.arrays import JOINED
from planner.operation.judge import Outcome, Tally
from planner.policy import Policy
from planner.rules import queue_order
from planner.state import State, expected_place

BAG: Final = "bag-valve-mask"
LIKELY: Final = 0.5  # someone less likely than this is not counted on to hold hands
LEAST_CHANCE: Final = 0.05  # swaps less likely than this are not printed (job.md)


@dataclass(frozen=True, slots=True)
class Swap:
    """One swap, or the first connection of someone found later, as it is printed.

    Parameters
    ----------
    patient : str
    number : int
        First, second, ... connection of this patient after the state's minute.
    off, on : str or None
        Cylinder that comes off (None: a first connection); the most likely next one, None when
        every likely one is printed for somebody else before.
    early_min, expected_min, late_min : float
        10 %, 50 % and 90 % points of its time where it is needed.
    chance_needed : float
        Share of samples in which it happens.
    responder : str or None
        Somebody of that place who is free then in the printed schedule and, by the median times,
        is not bagging; None when nobody is.
    place : str
    is_joining : bool
        An outlet of the source in use is taken; nothing comes off and no cylinder goes on.
    together : tuple of str
        Who else is on the same source now and so goes over with it, while still there.
    """

    patient: str
    number: int
    off: str | None
    on: str | None
    early_min: float
    expected_min: float
    late_min: float
    chance_needed: float
    responder: str | None
    place: str
    is_joining: bool = False
    together: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Drawn:
    """All samples of one patient's k-th connection."""

    patient: int
    number: int
    minutes: Floats
    off: Counter[int]
    on: Counter[int]
    place: Counter[int]


def schedule(
    incident: Incident, state: State, policy: Policy, outcome: Outcome
) -> tuple[Swap, ...]:
    """Return the printed schedule by expected time.

    Parameters
    ----------
    incident : Incident
    state : State
    policy : Policy
    outcome : Outcome
        What the policy gave, operated with its swap log.

    Raises
    ------
    ValueError
        When the outcome has no swap log.
    """
    if outcome.swaps is None:
        raise ValueError("the outcome has no swap log; operate with max_swaps above 0")
    num_samples = outcome.minutes_out.shape[1]
    drawn = [d for d in _gather(outcome.swaps) if d.minutes.size / num_samples >= LEAST_CHANCE]
    drawn = _by_time(drawn)
    tags = [c.tag for c in incident.all_cylinders]
    fetched = fetched_points(incident, state, 0.5)
    bagged = {tag: fetched.get(tag) for tag, option in policy.options if option.device == BAG}
    # Whoever stands for a source is the first in service of those on it: the others come after.
    service = {p.tag: n for n, p in enumerate(queue_order(incident))}
    beside = {
        x.patient: tuple(y.patient for y in h.lines if service[y.patient] > service[x.patient])
        for h in policy.hookups for x in h.lines
    }  # fmt: skip
    people = {now.tag: row for row, now in enumerate(state.patients)}
    printed_on: set[int] = set()
    last_on: dict[int, str | None] = {}
    busy: dict[str, list[float]] = {}
    swaps = []
    for row in drawn:
        now = state.patients[row.patient]
        early, expected, late = (float(q) for q in np.quantile(row.minutes, (0.1, 0.5, 0.9)))
        place = incident.places[row.place.most_common(1)[0][0]].name
        likely_off = row.off.most_common(1)[0][0]
        is_joining = likely_off == JOINED
        on = next((c for c, _ in row.on.most_common() if is_joining or c not in printed_on), None)
        if on is not None and not is_joining:
            printed_on.add(on)
        off = last_on.get(row.patient, tags[likely_off] if likely_off >= 0 else None)
        together = () if is_joining else beside.get(now.tag, ())
        for tag in (now.tag, *together):
            last_on[people[tag]] = None if on is None else tags[on]
        swaps.append(
            Swap(
                now.tag, row.number, off, None if on is None else tags[on], early, expected, late,
                row.minutes.size / num_samples,
                _responder(incident, state, bagged, (place, expected), busy), place,
                is_joining, together,
            )
        )  # fmt: skip
    return tuple(swaps)


def _by_time(drawn: list[_Drawn]) -> list[_Drawn]:
    """Sort by expected time, and never a patient's later connection before an earlier one.

    A second connection happens only in samples where the first came early, so its median can lie
    before the first one's.
    """
    latest: dict[int, float] = {}
    keys: dict[tuple[int, int], tuple[float, int, int]] = {}
    for row in sorted(drawn, key=lambda d: (d.patient, d.number)):
        median = max(float(np.median(row.minutes)), latest.get(row.patient, 0.0))
        latest[row.patient] = median
        keys[row.patient, row.number] = (median, row.patient, row.number)
    return sorted(drawn, key=lambda d: keys[d.patient, d.number])


def _gather(tally: Tally) -> list[_Drawn]:
    logged = np.minimum(tally.num_swaps, tally.swap_min.shape[1])
    valid = np.arange(tally.swap_min.shape[1])[None, :] < logged[:, None]
    found = []
    for patient in range(tally.minutes_out.shape[0]):
        mine = (tally.swap_patient == patient) & valid
        number = np.cumsum(mine, axis=1)
        for k in range(1, int(number.max(initial=0)) + 1):
            at = mine & (number == k)
            found.append(
                _Drawn(
                    patient, k, tally.swap_min[at],
                    *(Counter(rows[at].tolist())
                      for rows in (tally.swap_off, tally.swap_on, tally.swap_place)),
                )
            )  # fmt: skip
    return found


def _responder(
    incident: Incident,
    state: State,
    bagged: Mapping[str, float | None],
    at: tuple[str, float],
    busy: dict[str, list[float]],
) -> str | None:
    """Return the first responder of a place whose printed swaps leave this minute free.

    The last of those there are taken to be the ones who bag.
    """
    place, minute = at
    there = [r for r in state.responders if r.place == place and r.free_from_min <= minute]
    num_bagging = sum(_bagging(incident, state, bagged, at))
    for row in there[: max(0, len(there) - num_bagging)]:
        begun = busy.setdefault(row.tag, [])
        if all(abs(minute - other) >= incident.swap_min for other in begun):
            begun.append(minute)
            return row.tag
    return None


def _bagging(
    incident: Incident, state: State, bagged: Mapping[str, float | None], at: tuple[str, float]
) -> Iterator[int]:
    """Yield how many responders each patient holds who is bagged, found and there by the median.

    ``bagged`` holds, for those whom a vehicle fetches, the median of that.
    """
    place, minute = at
    for patient, now in zip(incident.patients, state.patients, strict=True):
        if patient.tag not in bagged or now.status in {"gone", "dead"}:
            continue
        if expected_place(patient, now, minute) != place:
            continue
        found = patient.oxygen_from.p50_min
        begin = found if now.status == "unknown" else state.at_min
        fetched = bagged[patient.tag]
        if fetched is not None:
            end = min(fetched, incident.horizon_min)
        elif patient.transfer is not None:
            end = patient.transfer.p50_min
        elif patient.transfer_after_found is not None:
            end = found + patient.transfer_after_found.p50_min
        else:
            end = incident.horizon_min
        is_expected = now.status != "unknown" or patient.chance_needed >= LIKELY
        if is_expected and begin < minute < end:
            yield 1 if patient.airway_device else 2


def most_swaps(incident: Incident) -> int:
    """Return a log length that a sample will hardly exceed: every cylinder used twice."""
    return 2 * len(incident.all_cylinders) + 2
