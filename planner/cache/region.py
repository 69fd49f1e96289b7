"""A region: one study, told for each of several valleys, and named stocks to compare in all.

A valley says what counts there, how much later each cache is there and how much colder it is. Known
incidents keep their own times and weather, for their files say what they are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from planner.cache.reading import read_tables, study_from, tell, twice, unknown_names
from planner.cache.study import Case, Family, Stock, Study
from planner.cache.study_fields import TOP_REGION, StudyIntake
from planner.errors import Fault, InputError
from planner.files import parse_file
from planner.intake import Row
from planner.units import Temperature

COLDEST_C, WARMEST_C = -50.0, 50.0  # as for the air of an incident


@dataclass(frozen=True, slots=True)
class Valley:
    """One valley of a region.

    Parameters
    ----------
    name : str
    weights : tuple of (family or incident, weight)
        In place of the study's; of those not named the study's hold.
    extra_min : tuple of (cache, minutes)
        How much later each cache is at every spot; below 0 sooner.
    temperature_shift_c : float
        How much warmer it is [C]; below 0 colder.
    """

    name: str
    weights: tuple[tuple[str, float], ...] = ()
    extra_min: tuple[tuple[str, float], ...] = ()
    temperature_shift_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Region:
    """A study with the valleys in which it is told, and stocks by name."""

    name: str
    study: Study
    valleys: tuple[Valley, ...]
    stocks: tuple[tuple[str, Stock], ...] = ()
    note: str | None = None


def read_region(path: str | Path) -> Region:
    """Read a region from a TOML or JSON file.

    Raises
    ------
    InputError
        With every fault found, those of its study included.
    """
    path = Path(path)
    raw, file = parse_file(path)
    return region_from(raw, path.parent, file)


def region_from(raw: Mapping[str, object], folder: Path, file: str = "") -> Region:
    """Return the region of a plain tree; incident files are looked for in ``folder``.

    Raises
    ------
    InputError
        With every fault found.
    """
    own = {table.name for table in TOP_REGION}
    intake = StudyIntake(file)
    rows = read_tables(raw, TOP_REGION, intake)
    study, faults = None, list(intake.faults)
    try:
        study = study_from({k: v for k, v in raw.items() if k not in own}, folder, file)
    except InputError as error:
        faults.extend(error.faults)
    faults.extend(_check(rows, raw, study, file))
    if faults or study is None:
        raise InputError(dict.fromkeys(faults))
    head = rows["region"][0]
    return Region(
        head.get("name"), study, tuple(_valley_of(row) for row in rows["valleys"]),
        tuple(_stocks_of(rows["stocks"], study)), head.get("note"),
    )  # fmt: skip


def studies_of(region: Region) -> tuple[tuple[str, Study], ...]:
    """Return each valley's name with the study as it is there."""
    return tuple((valley.name, _study_in(region.study, valley)) for valley in region.valleys)


def _study_in(study: Study, valley: Valley) -> Study:
    weights = dict(valley.weights)
    cases = []
    for case in study.cases:
        here: Case = case
        if isinstance(case, Family):
            here = replace(case, spots=_later(case, valley), weather=_warmer(case, valley))
        cases.append(replace(here, weight=weights.get(case.name, case.weight)))
    return replace(study, name=f"{study.name}, {valley.name}", cases=tuple(cases))


def _later(family: Family, valley: Valley) -> Any:
    extra = dict(valley.extra_min)
    return tuple(
        replace(s, arrive_min=tuple((c, m + extra.get(c, 0.0)) for c, m in s.arrive_min))
        for s in family.spots
    )


def _warmer(family: Family, valley: Valley) -> Any:
    by = valley.temperature_shift_c
    if not by:
        return family.weather
    return tuple(
        replace(w, temperature=Temperature(w.temperature.c + by, "C")) for w in family.weather
    )


# ----- reading ----------------------------------------------------------------------------------


def _valley_of(row: Row) -> Valley:
    return Valley(
        row.get("name"), row.get("weights") or (), row.get("extra_min") or (),
        row.get("temperature_shift_c"),
    )  # fmt: skip


def _stocks_of(rows: list[Row], study: Study) -> Iterator[tuple[str, Stock]]:
    """Yield the named stocks; rows of one name, for different caches, go together."""
    counts: dict[str, dict[tuple[str, str], int]] = {}
    for row in rows:
        cache = row.get("cache") or study.caches[0].name
        counts.setdefault(row.get("name"), {}).update(
            {(cache, item): count for item, count in row.get("items") or ()}
        )
    yield from ((name, Stock.of(count)) for name, count in counts.items())


def _check(
    rows: Mapping[str, list[Row]], raw: Mapping[str, object], study: Study | None, file: str
) -> Iterator[Fault]:
    """Names are looked up in the plain tree, so that a fault in the study hides none here."""
    caches, items = _names(raw, "caches"), _names(raw, "items")
    cases = [c.name for c in study.cases] if study else None
    if not rows["valleys"]:
        words = ("nothing", "at least one valley", "Add it as [[valleys]].")
        yield Fault(file, "valleys", "", "", *words)
    yield from twice(rows["valleys"], "valley")
    for row in rows["valleys"]:
        weights, extra = row.get("weights") or (), row.get("extra_min") or ()
        if cases is not None:
            where = "[[families]] or [[incidents]]"
            yield from unknown_names(row, "weights", [n for n, _ in weights], cases, where)
        yield from unknown_names(row, "extra_min", [n for n, _ in extra], caches, "[[caches]]")
        if study is not None and row.get("temperature_shift_c") is not None:
            yield from _valley_is_possible(row, study)
    yield from _stocks_are_possible(rows["stocks"], caches, items)


def _valley_is_possible(row: Row, study: Study) -> Iterator[Fault]:
    there = _study_in(study, _valley_of(row))
    if sum(case.weight for case in there.cases) <= 0:
        words = ("at least one weight above 0", "Say what counts there.")
        yield tell(row, "weights", words, "only weights of 0")
    families = [case for case in there.cases if isinstance(case, Family)]
    soonest = [m for f in families for s in f.spots for _, m in s.arrive_min if m < 0]
    if soonest:
        words = ("so much that no cache is there before the alarm", "Come closer to 0.")
        yield tell(row, "extra_min", words, f"a cache at minute {min(soonest):g}")
    air = [w.temperature.c for f in families for w in f.weather]
    odd = [c for c in air if not COLDEST_C <= c <= WARMEST_C]
    if odd:
        words = (f"air from {COLDEST_C:g} to {WARMEST_C:g} C", "Come closer to 0.")
        yield tell(row, "temperature_shift_c", words, f"air of {odd[0]:g} C")


def _stocks_are_possible(rows: list[Row], caches: list[str], items: list[str]) -> Iterator[Fault]:
    seen: set[tuple[object, object]] = set()
    for row in rows:
        cache = row.get("cache")
        if "cache" not in row.raw_names and len(caches) > 1:
            words = (f"one of {', '.join(caches)}", "Say in which cache it lies.")
            yield tell(row, "cache", words)
        yield from unknown_names(row, "cache", [cache], caches, "[[caches]]")
        names = [name for name, _ in row.get("items") or ()]
        yield from unknown_names(row, "items", names, items, "[[items]]")
        if row.get("name") is not None and (row.get("name"), cache) in seen:
            words = ("each stock once for a cache", "Another row has it too: rename one.")
            yield tell(row, "name", words)
        seen.add((row.get("name"), cache))


def _names(raw: Mapping[str, object], table: str) -> list[str]:
    rows = raw.get(table)
    found = [r.get("name") for r in rows if isinstance(r, dict)] if isinstance(rows, list) else []
    return [name.strip() for name in found if isinstance(name, str)]


__all__ = ["Region", "Valley", "read_region", "region_from", "studies_of"]
