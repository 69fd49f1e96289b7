"""The incident that a picture of a study is, with a stock in its caches; and its first state.

A picture says who is there when the first cache is, who is found later, where and how cold it is.
What it becomes is an ordinary incident, so that the judge and the planner see nothing special.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from planner.cache.study import KINDS, Family, Item, KnownIncident, Stock, Study
from planner.incident import (
    Cylinder,
    DeviceStock,
    Incident,
    Patient,
    Place,
    Regulator,
    Responder,
    SundryStock,
    ThreePoint,
)
from planner.state import State, initial_state
from planner.units import Temperature

SCENE: Final = "scene"
START: Final = datetime(2000, 1, 1)  # a picture has minutes, no date


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of a case.

    Parameters
    ----------
    case : int
        Row of ``Study.cases``.
    spot, weather : int
        Rows of the family's; 0 for a known incident.
    there, late : tuple of int
        How many of each of the family's kinds of people are there when the first cache is, and
        how many are found later; empty for a known incident.
    """

    case: int
    spot: int = 0
    weather: int = 0
    there: tuple[int, ...] = ()
    late: tuple[int, ...] = ()

    @property
    def key(self) -> str:
        """What its random streams are keyed by."""
        return f"{self.case}/{self.spot}/{self.weather}/{self.there}/{self.late}"


def unit_tag(item: Item, cache: str, number: int) -> str:
    """Return the tag of one unit; more of an item leave the tags of the others alone."""
    return f"{item.name}-{number:02d} ({cache})"


def units_of(study: Study, stock: Stock, kinds: Collection[str]) -> Iterator[tuple[Item, str, str]]:
    """Yield (item, cache, tag) of every unit of some kinds, items in the study's order."""
    for item in study.items:
        if item.kind not in kinds:
            continue
        for cache in study.caches:
            for number in range(1, stock.count(cache.name, item.name) + 1):
                yield item, cache.name, unit_tag(item, cache.name, number)


def arrival_min(family: Family, spot: int) -> float:
    """Return the minute from the alarm at which the first cache is there."""
    return min(minutes for _, minutes in family.spots[spot].arrive_min)


def scene_of(
    study: Study, picture: Picture, stock: Stock, unusable: Collection[str] = ()
) -> tuple[Incident, State]:
    """Return the incident of a picture with a stock, and the state from which it is operated.

    Parameters
    ----------
    study : Study
    picture : Picture
    stock : Stock
    unusable : collection of str
        Tags that turned out empty or broken; they are left out.

    Returns
    -------
    (Incident, State)
        For a family the state is of the minute at which the first cache is there, so that
        transfers are drawn given that nobody has been fetched before.
    """
    case = study.cases[picture.case]
    if isinstance(case, KnownIncident):
        incident = _known(study, case, stock, unusable)
        return incident, initial_state(incident)
    incident = _drawn(study, case, picture, stock, unusable)
    return incident, _begun(incident, arrival_min(case, picture.spot))


def _drawn(
    study: Study, family: Family, picture: Picture, stock: Stock, unusable: Collection[str]
) -> Incident:
    spot, air = family.spots[picture.spot], family.weather[picture.weather].temperature
    first = arrival_min(family, picture.spot)
    ways = {cache: minutes - first for cache, minutes in spot.arrive_min}
    places = {cache: SCENE if later == 0 else cache for cache, later in ways.items()}
    carry = tuple((cache, later) for cache, later in ways.items() if later > 0)
    incident = replace(
        _empty(study, air, (Place(SCENE, carry), *(Place(cache) for cache, _ in carry))),
        name=family.name,
        patients=tuple(_people(family, picture)),
        responders=tuple(Responder(f"R{k + 1}", SCENE) for k in range(family.responders)),
        transfer_groups=family.transfer_groups,
        altitude_m=family.altitude_m,
    )
    return _kit(study, stock, places, unusable).put_into(incident)


def _empty(study: Study, air: Temperature, places: tuple[Place, ...]) -> Incident:
    """Return an incident by a study's rules, with nobody and nothing in it."""
    return Incident(
        name=study.name,
        start=START,
        places=places,
        patients=(),
        cylinders=(),
        regulators=(),
        devices=(),
        responders=(),
        uncertainty=study.uncertainty,
        air_temperature=air,
        change_at=study.change_at,
        safe_residual=study.safe_residual,
        swap_min=study.swap_min,
        swap_gap_min=study.swap_gap_min,
        horizon_min=study.horizon_min,
        target_chance=study.target_chance,
        contents=study.contents,
        protocol=study.protocol,
    )


def _people(family: Family, picture: Picture) -> Iterator[Patient]:
    for kind, person in enumerate(family.people):
        numbers = [(picture.there[kind], False), (picture.late[kind], True)]
        for count, is_late in numbers:
            for number in range(1, count + 1):
                start = person.found if is_late and person.found else ThreePoint(0.0, 0.0, 0.0)
                yield Patient(
                    tag=f"{'L' if is_late else 'P'}{kind + 1}-{number}",
                    triage=person.triage,
                    place=SCENE,
                    age=person.age,
                    indication=person.indication,
                    spo2=person.spo2,
                    oxygen_from=start,
                    transfer=person.transfer,
                    transfer_group=person.transfer_group,
                )


def _known(study: Study, case: KnownIncident, stock: Stock, unusable: Collection[str]) -> Incident:
    """Return a known incident with the stock in place of its kit, or besides it."""
    incident = case.incident
    if not case.keeps_kit:
        incident = replace(
            incident,
            cylinders=(), regulators=(), devices=(), sundries=(), concentrators=(), resupply=(),
            patients=tuple(replace(p, connected=None) for p in incident.patients),
        )  # fmt: skip
    return _kit(study, stock, dict(case.places), unusable).put_into(incident)


@dataclass(frozen=True, slots=True)
class Kit:
    """A stock's usable units as rows of an incident."""

    cylinders: tuple[Cylinder, ...]
    regulators: tuple[Regulator, ...]
    devices: tuple[DeviceStock, ...]
    sundries: tuple[SundryStock, ...]

    def put_into(self, incident: Incident) -> Incident:
        """Return an incident with these rows after its own."""
        return replace(
            incident,
            cylinders=incident.cylinders + self.cylinders,
            regulators=incident.regulators + self.regulators,
            devices=incident.devices + self.devices,
            sundries=incident.sundries + self.sundries,
        )


def _kit(study: Study, stock: Stock, places: dict[str, str], unusable: Collection[str]) -> Kit:
    """Return the stock's units as an incident's rows; of a cache out of reach none."""
    usable = [
        (item, places[cache], tag)
        for item, cache, tag in units_of(study, stock, KINDS)
        if cache in places and tag not in unusable
    ]
    counted: dict[tuple[str, str], int] = {}
    for item, place, _ in usable:
        counted[item.name, place] = counted.get((item.name, place), 0) + 1
    rows = [(study.item(name), place, count) for (name, place), count in counted.items()]
    return Kit(
        tuple(_cylinder(i, p, t) for i, p, t in usable if i.kind == "cylinder"),
        tuple(
            Regulator(t, i.connection, i.settings_lpm, i.outlets, p)
            for i, p, t in usable if i.kind == "regulator"
        ),
        tuple(DeviceStock(i.device, i.age, n, p) for i, p, n in rows if i.kind == "device"),
        tuple(
            SundryStock("key" if i.kind == "key" else "washer", n, p)
            for i, p, n in (*rows, *_none_of(study, places)) if i.kind in {"key", "washer"}
        ),
    )  # fmt: skip


def _none_of(study: Study, places: dict[str, str]) -> Iterator[tuple[Item, str, int]]:
    """Yield a row of none of each item, so that a study's keys and washers are always counted."""
    for item in study.items:
        for place in dict.fromkeys(places.values()):
            yield item, place, 0


def _cylinder(item: Item, place: str, tag: str) -> Cylinder:
    if item.gauge is None:
        raise ValueError(f"cylinder {item.name} has no gauge")
    return Cylinder(
        tag, item.size, item.gauge, item.filled_at, item.connection, item.water_volume_l,
        item.factor_l_per_psi, item.settings_lpm, place,
    )  # fmt: skip


def kit_only(study: Study, stock: Stock) -> Incident:
    """Return an incident of a stock and nobody, from which the draws of kit are taken."""
    places = {cache.name: cache.name for cache in study.caches}
    empty = _empty(study, Temperature(15.0, "C"), tuple(Place(name) for name in places))
    return _kit(study, stock, places, ()).put_into(empty)


def _begun(incident: Incident, at_min: float) -> State:
    """Return the first state moved to the minute at which the first cache is there."""
    state = initial_state(incident)
    return replace(
        state,
        at_min=at_min,
        patients=tuple(
            replace(p, waiting_since_min=at_min) if p.status == "waiting" else p
            for p in state.patients
        ),
        cylinders=tuple(replace(c, since_min=at_min) for c in state.cylinders),
        regulators=tuple(replace(r, since_min=at_min) for r in state.regulators),
        devices=tuple(replace(d, since_min=at_min) for d in state.devices),
        responders=tuple(replace(r, free_from_min=at_min) for r in state.responders),
    )
