"""A stock packed into loads, each complete in itself, none heavier than a carrier's load may be."""

from __future__ import annotations

import math
from collections.abc import Iterator

from ortools.sat.python import cp_model

from planner.cache.choosing import MILLI, complete_kinds, most_loads
from planner.cache.study import KINDS, Stock, Study
from planner.errors import SolverError
from planner.reference import load_connections
from planner.solver import Settings, solve

Load = tuple[tuple[str, int], ...]


def fewest_loads(study: Study, stock: Stock, cache: str) -> int | None:
    """Return how many loads a cache's stock needs at least; None when more than can carry."""
    items = _items(study, stock, cache)
    if not items:
        return 0
    mass = sum(study.item(name).mass_kg * count for name, count in items)
    limits = study.limits
    loads = 1
    if limits.load_kg is not None:
        loads = max(1, math.ceil(mass / (limits.load_kg - limits.pack_kg) - 1e-9))
    most = next(most_loads(c) for c in study.caches if c.name == cache)
    kinds = dict.fromkeys(KINDS, 0)
    for name, count in items:
        kinds[study.item(name).kind] += count
    for needed in complete_kinds(study):
        if sum(kinds[kind] for kind in needed) < loads:
            return None
    return loads if loads <= most else None


def pack(study: Study, stock: Stock, cache: str, seed: int = 0) -> tuple[Load, ...] | None:
    """Return the loads of a cache, as few as can be, evenly heavy; None when none can carry it.

    Each load holds a cylinder, a regulator that fits each kind of cylinder in it, a mask and, where
    the study has them, a key and a washer.
    """
    least = fewest_loads(study, stock, cache)
    if least is None:
        return None
    if least == 0:
        return ()
    most = next(most_loads(c) for c in study.caches if c.name == cache)
    for count in range(least, most + 1):
        found = _packed(study, _items(study, stock, cache), count, seed)
        if found is not None:
            return found
    return None


def can_carry(study: Study, stock: Stock) -> bool:
    """Say whether every cache's stock can be packed into loads that are complete."""
    return all(pack(study, stock, cache.name) is not None for cache in study.caches)


def _items(study: Study, stock: Stock, cache: str) -> list[tuple[str, int]]:
    counts = [(item.name, stock.count(cache, item.name)) for item in study.items]
    return [(name, count) for name, count in counts if count]


def _packed(
    study: Study, items: list[tuple[str, int]], loads: int, seed: int
) -> tuple[Load, ...] | None:
    model = cp_model.CpModel()
    held = [
        [model.new_int_var(0, count, f"{name} in {k}") for k in range(loads)]
        for name, count in items
    ]
    heaviest = model.new_int_var(0, 10**9, "heaviest")
    for row, (_, count) in zip(held, items, strict=True):
        model.add(sum(row) == count)
    masses = [round(study.item(name).mass_kg * MILLI) for name, _ in items]
    for k in range(loads):
        load = cp_model.LinearExpr.weighted_sum([row[k] for row in held], masses)
        model.add(load <= heaviest)
        if study.limits.load_kg is not None:
            net = math.floor((study.limits.load_kg - study.limits.pack_kg) * MILLI)
            model.add(load <= net)
        for needed in complete_kinds(study):
            rows = [
                row[k] for row, (name, _) in zip(held, items, strict=True)
                if study.item(name).kind in needed
            ]  # fmt: skip
            model.add(sum(rows) >= 1)
        for one, fits in _pairs(study, items):
            there = model.new_bool_var("there")
            model.add(held[one][k] == 0).only_enforce_if(~there)
            model.add(sum(held[g][k] for g in fits) >= 1).only_enforce_if(there)
    model.minimize(heaviest)
    try:
        done = solve(model, [v for row in held for v in row], Settings(seed, 2.0))
    except SolverError:
        return None
    values = iter(done.values)
    table = [[next(values) for _ in range(loads)] for _ in items]
    return tuple(
        tuple((name, row[k]) for row, (name, _) in zip(table, items, strict=True) if row[k])
        for k in range(loads)
    )


def _pairs(study: Study, items: list[tuple[str, int]]) -> Iterator[tuple[int, list[int]]]:
    """Yield each kind of cylinder that needs a regulator, with the rows of those that fit."""
    for row, (name, _) in enumerate(items):
        item = study.item(name)
        if item.kind == "cylinder" and load_connections()[item.connection].needs_regulator:
            fits = [
                other for other, (other_name, _) in enumerate(items)
                if study.item(other_name).kind == "regulator"
                and study.item(other_name).connection == item.connection
            ]  # fmt: skip
            yield row, fits
