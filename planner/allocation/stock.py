"""What is free to give out first: alike items in groups, and counts of everything that runs out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from planner.incident import BUILT_IN, Cylinder, Incident, Patient
from planner.shelf import default_order, usable_l
from planner.state import State, device_units

BAND_L: Final = 100.0  # litres within which cylinders side by side count as alike (our own)
BAG: Final = "bag-valve-mask"


@dataclass(frozen=True, slots=True)
class Group:
    """Alike items at one place since one minute; tags in the order in which they are given."""

    tags: tuple[str, ...]
    place: str
    since_min: float
    connection: str = ""
    settings: frozenset[float] = frozenset()
    kind: str = ""
    age: str = ""
    usable_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Stock:
    """Groups of alike items that are free, and how many of every resource there are."""

    cylinders: tuple[Group, ...]
    regulators: tuple[Group, ...]
    devices: tuple[Group, ...]
    resources: tuple[str, ...]
    counts: tuple[int, ...]

    def number(self, resource: str) -> int | None:
        """Return a resource's number; None when it is not listed and so never runs out."""
        return self.resources.index(resource) if resource in self.resources else None


def stock_of(incident: Incident, state: State) -> Stock:
    """Return what is free by the state, alike items together."""
    cylinders = _stacks(incident, state)
    free = [k for k in state.regulators if k.holder is None and not k.is_gone]
    rows = {r.tag: r for r in incident.all_regulators}
    regulators: dict[tuple[object, ...], Group] = {}
    for now in free:
        row = rows[now.tag]
        settings = frozenset(row.settings_lpm)
        group = Group((), now.place, now.since_min, row.connection, settings)
        _join(
            regulators, (row.connection, row.settings_lpm, now.place, now.since_min), group, now.tag
        )
    units = {u.tag: u for u in device_units(incident)}
    devices: dict[tuple[object, ...], Group] = {}
    for now in state.devices:
        if now.holder is None and not now.is_gone:
            unit = units[now.tag]
            group = Group((), now.place, now.since_min, kind=unit.kind, age=unit.age)
            _join(devices, (unit.kind, unit.age, now.place, now.since_min), group, now.tag)
    counts: dict[str, int] = {}
    for letter, groups in (("c", cylinders), ("r", (*regulators.values(),)),
                           ("d", (*devices.values(),))):  # fmt: skip
        counts |= {f"{letter} {k}": len(group.tags) for k, group in enumerate(groups)}
    for number, place in enumerate(incident.places):
        if state.washers is not None:
            counts[f"washers {place.name}"] = state.washers[number]
        counts[f"hands {place.name}"] = _hands(incident, state, place.name)
    return Stock(
        cylinders, (*regulators.values(),), (*devices.values(),),
        (*counts,), (*counts.values(),),
    )  # fmt: skip


def _join(
    groups: dict[tuple[object, ...], Group], key: tuple[object, ...], empty: Group, tag: str
) -> None:
    group = groups.get(key, empty)
    groups[key] = replace(group, tags=(*group.tags, tag))


def _stacks(incident: Incident, state: State) -> tuple[Group, ...]:
    """Return reserve cylinders by connection, place and band of litres, largest first.

    A stack holds the mean of its cylinders' usable litres. Without bands every part-used cylinder
    would be a stack of its own, and packages would differ by a few litres only.
    """
    rows: dict[str, Cylinder] = {c.tag: c for c in incident.all_cylinders}
    now = {c.tag: c for c in state.cylinders}
    stacks: dict[tuple[object, ...], list[str]] = {}
    for tag in default_order(incident, state):
        if tag not in now:
            continue
        dial = rows[tag].settings_lpm if rows[tag].connection == BUILT_IN else ()
        band = int(usable_l(incident, state, rows[tag]) // BAND_L)
        key = (rows[tag].connection, dial, now[tag].place, now[tag].since_min, band)
        stacks.setdefault(key, []).append(tag)
    found = []
    for tags in stacks.values():
        row, at = rows[tags[0]], now[tags[0]]
        litres = float(np.mean([usable_l(incident, state, rows[tag]) for tag in tags]))
        settings = frozenset(row.settings_lpm)
        found.append(
            Group(tuple(tags), at.place, at.since_min, row.connection, settings, usable_l=litres)
        )
    return tuple(found)


def hands_held(patient: Patient, device: str) -> int:
    """Return how many responders a patient on a device holds."""
    if device != BAG:
        return 0
    return 1 if patient.airway_device else 2


def _hands(incident: Incident, state: State, place: str) -> int:
    """Return responders that are there by now, less those who bag somebody already."""
    there = sum(r.place == place and r.free_from_min <= state.at_min for r in state.responders)
    rows = {p.tag: p for p in incident.patients}
    held = sum(
        hands_held(rows[line.patient], line.device)
        for hookup in state.hookups
        for line in hookup.lines
        if state.patient(line.patient).place == place
    )
    return max(0, there - held)
