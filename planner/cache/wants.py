"""What each sample needs of a stock at least: rows that any stock that holds has to meet.

A patient who needs L litres at flow f takes whole cylinders that no one else uses after it, so its
cylinders n_k meet sum n_k (u_k + gap f) >= L + gap f, with u_k the usable litres of size k (a swap
gap takes no gas). Divided by u_j / m and rounded up on both sides (Chvatal-Gomory), summed over
patients, that is a row of whole numbers for each size j and m = 1, 2, 3. The pooled litres are a
row too. They leave out hands, late swaps and not knowing the future, so that what they ask is a
lower bound on what operation needs; with kit that comes back only the pooled litres hold.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from planner.cache.pictures import Draw, Sight
from planner.cache.scene import arrival_min, scene_of, units_of
from planner.cache.study import Family, Stock, Study
from planner.demand import Floats
from planner.incident import BUILT_IN, Incident, Option
from planner.oxygen_options import options_of
from planner.reference import load_connections
from planner.rules import first_choice, lowest
from planner.shelf import usable_l

PARTS: Final = (1, 2, 3)
LITRE_STEP: Final = 5.0  # pooled litres are counted in whole steps, rounded so as to ask less

Key = tuple[str, str]  # cache, item


@dataclass(frozen=True, slots=True)
class Row:
    """One row: sum of ``weights[key] * units of key`` >= ``least``."""

    weights: tuple[tuple[Key, int], ...]
    least: int


@dataclass(frozen=True, slots=True)
class Want:
    """What one sample needs, with the share of all that it stands for.

    ``unusable`` are the units that turn out unusable in it, as (key, number from 1).
    """

    share: float
    rows: tuple[Row, ...]
    unusable: frozenset[tuple[Key, int]] = frozenset()


def wants_of(study: Study, draws: list[Draw]) -> tuple[Want, ...]:
    """Return what every sample needs; equal ones are one with the sum of their shares."""
    found: dict[tuple[tuple[Row, ...], frozenset[tuple[Key, int]]], float] = defaultdict(float)
    bad = {draw.case: _unusable_of(study, draw) for draw in draws}
    for draw in draws:
        share = study.weights[draw.case] / draw.num_samples
        for sight in draw.sights:
            for s, rows in enumerate(_rows_of(study, draw, sight)):
                found[rows, bad[draw.case][int(sight.rows[s])]] += share
    return tuple(Want(share, rows, out) for (rows, out), share in found.items())


def _unusable_of(study: Study, draw: Draw) -> list[frozenset[tuple[Key, int]]]:
    sets: list[set[tuple[Key, int]]] = [set() for _ in range(draw.num_samples)]
    for cache in study.caches:
        for item in study.items:
            only = Stock.of({(cache.name, item.name): item.most})
            for number, (_, _, tag) in enumerate(units_of(study, only, {item.kind}), start=1):
                flags = draw.is_unusable.get(tag)
                for s in np.flatnonzero(flags) if flags is not None else ():
                    sets[int(s)].add(((cache.name, item.name), number))
    return [frozenset(one) for one in sets]


@dataclass(frozen=True, slots=True)
class _Frame:
    """A picture's sizes and people, made ready."""

    usable: Mapping[Key, float]  # litres of each kind of cylinder there
    options: tuple[Option | None, ...]
    reach: Mapping[str, float]  # minute from which each cache's stock is there
    regulators: tuple[Key, ...]
    devices: Mapping[tuple[str, str], tuple[Key, ...]]
    gap_min: float


def _rows_of(study: Study, draw: Draw, sight: Sight) -> list[tuple[Row, ...]]:
    """Return the rows of each sample of a sight."""
    incident, frame = sight.bare, _frame(study, sight)
    needs = sight.needs
    case = study.cases[sight.picture.case]
    begin = arrival_min(case, sight.picture.spot) if isinstance(case, Family) else 0.0
    start = np.clip(needs.start_min, begin, incident.horizon_min)
    end = np.minimum(needs.transfer_min, incident.horizon_min)
    factor = _factors(draw, sight, len(incident.patients))
    made: list[tuple[Row, ...]] = []
    cache: dict[tuple[tuple[float, ...], ...], tuple[Row, ...]] = {}
    for s in range(sight.rows.size):
        people = [
            i for i, option in enumerate(frame.options)
            if option is not None and needs.is_needed[i, s] and end[i, s] > start[i, s]
        ]  # fmt: skip
        told = tuple(
            (i, float(start[i, s]), float(end[i, s]), float(factor[i, s]),
             *map(float, needs.phase_score[i, :, s]))
            for i in people
        )  # fmt: skip
        if told not in cache:
            cache[told] = _rows(study, sight, frame, told)
        made.append(cache[told])
    return made


def _factors(draw: Draw, sight: Sight, people: int) -> Floats:
    """Return a flow factor for each patient: of the regulators in their order, as they come."""
    rows = draw.kit.regulator_factor[:, sight.rows]
    if rows.shape[0] == 0:
        return np.ones((people, sight.rows.size))
    return np.asarray(rows[np.arange(people) % rows.shape[0]], dtype=np.float64)


def _frame(study: Study, sight: Sight) -> _Frame:
    one = Stock.of({(c.name, i.name): 1 for c in study.caches for i in study.items})
    incident, state = scene_of(study, sight.picture, one)
    tags = {tag: (c, i.name) for i, c, tag in units_of(study, one, {"cylinder"})}
    choose = first_choice if study.flows == "first choice" else lowest
    allowed = [options_of(incident, p) for p in incident.patients]
    reach = _reach(study, sight)
    kinds: dict[tuple[str, str], list[Key]] = {}
    for item in study.items:
        if item.kind == "device":
            keys = [(c, item.name) for c in reach]
            kinds.setdefault((item.device, item.age), []).extend(keys)
    return _Frame(
        {tags[c.tag]: usable_l(incident, state, c) for c in incident.cylinders if c.tag in tags},
        tuple(choose(options) if options else None for options in allowed),
        reach,
        tuple((c, i.name) for i in study.items if i.kind == "regulator" for c in reach),
        {kind: tuple(keys) for kind, keys in kinds.items()},
        incident.swap_gap_min,
    )


def _reach(study: Study, sight: Sight) -> dict[str, float]:
    case = study.cases[sight.picture.case]
    if isinstance(case, Family):
        return dict(case.spots[sight.picture.spot].arrive_min)
    return {cache: 0.0 for cache, _ in case.places}


def _litres(option: Option, minutes: float, factor: float, scores: tuple[float, ...]) -> float:
    """Return the litres of an option over so many minutes from first flow."""
    total, passed, flow = 0.0, 0.0, option.phases[0].flow_lpm
    for k, phase in enumerate(option.phases):
        if k > 0:
            if scores[k - 1] >= phase.chance:
                break
            flow = phase.flow_lpm
        length = minutes - passed if phase.for_min is None else min(phase.for_min, minutes - passed)
        total, passed = total + flow * max(0.0, length), passed + max(0.0, length)
    return factor * (total + flow * max(0.0, minutes - passed))


Told = tuple[tuple[float, ...], ...]


def _rows(study: Study, sight: Sight, frame: _Frame, told: Told) -> tuple[Row, ...]:
    incident = sight.bare
    if _has_own_kit(incident):
        return ()
    rows = list(_litre_rows(frame, told))
    if all(incident.kit_return_of(incident.patients[int(t[0])]) is None for t in told):
        rows += _whole_rows(frame, told)
        rows += _washer_rows(study, frame, told)
        for until in [*sorted(set(frame.reach.values()))[1:], math.inf]:
            there = {c for c, minute in frame.reach.items() if minute < until}
            begun = tuple(one for one in told if one[1] < until)
            rows += _regulator_rows(study, frame, len(begun), there)
            rows += _device_rows(incident, frame, begun, there)
    return tuple(dict.fromkeys(row for row in rows if row.least > 0))


def _has_own_kit(incident: Incident) -> bool:
    return bool(incident.cylinders or incident.regulators or incident.resupply)


def _litre_rows(frame: _Frame, told: Told) -> list[Row]:
    """Pooled litres to the end, and to the minute at which each later cache is there."""
    rows = []
    for until in [*sorted(set(frame.reach.values()))[1:], math.inf]:
        there = {c for c, minute in frame.reach.items() if minute < until}
        need = sum(
            _need(frame, one, until) for one in told if min(one[2], until) > one[1]
        )  # fmt: skip
        weights = {
            key: math.ceil((litres + _gap_l(frame, told)) / LITRE_STEP)
            for key, litres in frame.usable.items() if key[0] in there
        }  # fmt: skip
        rows.append(Row(tuple(sorted(weights.items())), math.floor(need / LITRE_STEP)))
    return rows


def _gap_l(frame: _Frame, told: Told) -> float:
    """Return the most that one swap gap saves."""
    flows = [_flow(frame, one) * one[3] for one in told]
    return frame.gap_min * max(flows, default=0.0)


def _flow(frame: _Frame, one: tuple[float, ...]) -> float:
    option = frame.options[int(one[0])]
    return max(p.flow_lpm for p in option.phases) if option is not None else 0.0


def _need(frame: _Frame, one: tuple[float, ...], until: float = math.inf) -> float:
    option = frame.options[int(one[0])]
    if option is None:
        return 0.0
    return _litres(option, min(one[2], until) - one[1], one[3], one[4:])


def _whole_rows(frame: _Frame, told: Told) -> list[Row]:
    """Whole cylinders: a row for each size and each part of it."""
    rows = []
    gaps = [frame.gap_min * _flow(frame, one) * one[3] for one in told]
    needs = [_need(frame, one) for one in told]
    asked = [(need, gap) for need, gap in zip(needs, gaps, strict=True) if need > 0]
    low, high = min(gaps, default=0.0), max(gaps, default=0.0)
    sizes = [(key, u) for key, u in sorted(frame.usable.items()) if u > 0]
    for unit in sorted({u for _, u in sizes}):
        for parts in PARTS:
            # What a size counts for rises or falls with the gap throughout: its ends are enough.
            by_low, by_high = parts / (unit + low), parts / (unit + high)
            weights = tuple(
                (key, max(_up((u + low) * by_low), _up((u + high) * by_high))) for key, u in sizes
            )
            least = sum(max(1, _up(parts * (need + g) / (unit + g))) for need, g in asked)
            rows.append(Row(weights, least))
    return rows


def _up(value: float) -> int:
    """Round up, float noise aside."""
    return math.ceil(value - 1e-9)


def _washer_rows(study: Study, frame: _Frame, told: Told) -> list[Row]:
    """Return a row for washers: each connection takes one, where every kind of cylinder does."""
    sizes = [study.item(name).connection for _, name in frame.usable]
    washers = tuple(
        ((cache, item.name), 1)
        for cache in frame.reach for item in study.items if item.kind == "washer"
    )  # fmt: skip
    if not washers or not all(load_connections()[c].needs_washer for c in sizes):
        return []
    largest = max(frame.usable.values(), default=0.0)
    least = 0
    for one in told:
        gap = frame.gap_min * _flow(frame, one) * one[3]
        least += max(1, _up((_need(frame, one) + gap) / (largest + gap))) if largest > 0 else 1
    return [Row(washers, least)]


def _regulator_rows(study: Study, frame: _Frame, people: int, there: Collection[str]) -> list[Row]:
    """Return a source for everyone: an outlet of a regulator, or a cylinder with its own valve.

    In the caches that are there before somebody who has begun could wait for another.
    """
    weights = {key: study.item(key[1]).outlets for key in frame.regulators if key[0] in there}
    for key in frame.usable:
        if study.item(key[1]).connection == BUILT_IN and key[0] in there:
            weights[key] = 1
    return [Row(tuple(sorted(weights.items())), people)]


def _device_rows(
    incident: Incident, frame: _Frame, told: Told, there: Collection[str]
) -> list[Row]:
    """Return a row for each kind of mask, in the caches that are there in time."""
    wanted: Counter[tuple[str, str]] = Counter()
    for one in told:
        option = frame.options[int(one[0])]
        if option is not None:
            wanted[option.device, incident.patients[int(one[0])].age] += 1
    return [
        Row(
            tuple(sorted((key, 1) for key in frame.devices.get(kind, ()) if key[0] in there)), count
        )
        for kind, count in sorted(wanted.items())
    ]
