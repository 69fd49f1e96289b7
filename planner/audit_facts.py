"""Looking things up in a plan, for its audit: who is on what, where kit is, what a dial has."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

from planner.gas import content_l
from planner.incident import POWER_CHANGE_MIN, Cylinder, Option, Patient, tier_of
from planner.oxygen_options import options_of
from planner.reference import load_devices
from planner.state import (
    CylinderNow,
    DeviceUnit,
    Hookup,
    KitNow,
    Line,
    PatientNow,
    device_units,
    power_left_min,
)

if TYPE_CHECKING:
    from planner.plan import Plan

Findings = Iterator[str]  # each says who, what, and what is allowed
Invariant = Callable[["Plan"], Findings]

NOISE: Final = 1e-9  # of floats
AWAY: Final = frozenset({"gone", "dead"})


class Seat(NamedTuple):
    """Somebody on a source by the policy; new, or going on from the state."""

    hookup: Hookup
    line: Line
    patient: Patient
    now: PatientNow
    is_new: bool


def people(plan: Plan) -> dict[str, tuple[Patient, PatientNow]]:
    """Return everyone by tag, with what is so now."""
    now = {row.tag: row for row in plan.state.patients}
    return {p.tag: (p, now[p.tag]) for p in plan.incident.patients}


def cylinders(plan: Plan) -> dict[str, Cylinder]:
    """Return all cylinders by tag."""
    return {c.tag: c for c in plan.incident.all_cylinders}


def units(plan: Plan) -> dict[str, DeviceUnit]:
    """Return all masks by tag."""
    return {u.tag: u for u in device_units(plan.incident)}


def seats(plan: Plan) -> list[Seat]:
    """Return everyone on a source by the policy, unknown people left out."""
    rows = people(plan)
    before = {(h.cylinders, x.patient) for h in plan.state.hookups for x in h.lines}
    return [
        Seat(h, x, *rows[x.patient], (h.cylinders, x.patient) not in before)
        for h in plan.policy.hookups for x in h.lines if x.patient in rows
    ]  # fmt: skip


def places_of(plan: Plan, tag: str) -> list[str]:
    """Return where somebody is and is carried to from now on."""
    patient, now = people(plan)[tag]
    return [now.place, *(leg.to for leg in patient.legs[now.legs_done :])]


def place_at(plan: Plan, tag: str, minute: float) -> str | None:
    """Return where somebody is at a minute by the median times; None on a leg."""
    patient, now = people(plan)[tag]
    begin, place = now.arrives_min or -math.inf, now.place
    stays = [(begin, place)]
    for leg in patient.legs[now.legs_done :]:
        gone = max(begin, leg.leave.p50_min, patient.oxygen_from.p50_min)
        begin, place = gone + leg.length.p50_min, leg.to
        if stays[-1][0] <= minute < gone:
            return stays[-1][1]
        stays.append((begin, place))
    return stays[-1][1] if minute >= stays[-1][0] else None


def put_on(plan: Plan) -> list[str]:
    """Return the cylinders that the policy connects and that the state had not, each once."""
    runs = {tag for h in plan.state.hookups for tag in h.cylinders}
    return [t for h in plan.policy.hookups for t in h.cylinders if t not in runs]


def where(plan: Plan) -> dict[str, tuple[str, float]]:
    """Return where each piece of kit is and since when; infinite while it is still to arrive."""
    found = {
        tag: (row.place, math.inf)
        for row in plan.incident.resupply
        for tag in (*(c.tag for c in row.cylinders), *(g.tag for g in row.regulators))
    }
    found |= {
        u.tag: (plan.incident.resupply[u.resupply].place, math.inf)
        for u in device_units(plan.incident) if u.resupply is not None
    }  # fmt: skip
    state = plan.state
    rows: tuple[CylinderNow | KitNow, ...]
    rows = (*state.cylinders, *state.regulators, *state.devices)
    return found | {row.tag: (row.place, row.since_min) for row in rows}


def there_from(plan: Plan, origin: tuple[str, float], place: str) -> float | None:
    """Return the minute from which kit can be at a place; None when it is never carried there."""
    if not {origin[0], place} <= {row.name for row in plan.incident.places}:
        return None
    minutes = plan.incident.carry_min(origin[0], place)
    return None if minutes is None else origin[1] + minutes


def dial(plan: Plan, hookup: Hookup) -> tuple[float, ...]:
    """Return the settings of a source's regulator or built-in valve; none when unknown."""
    if hookup.regulator is None:
        return next((c.settings_lpm for t, c in cylinders(plan).items() if t in hookup.cylinders),
                    ())  # fmt: skip
    dials = {r.tag: r.settings_lpm for r in plan.incident.all_regulators}
    return dials.get(hookup.regulator, ())


def flows(option: Option | None) -> set[float]:
    """Return the flows of all phases."""
    return set() if option is None else {phase.flow_lpm for phase in option.phases}


def repeated(tags: Iterable[str]) -> list[str]:
    """Return what is there more than once."""
    return [tag for tag, number in Counter(tags).items() if number > 1]


def usable_l(plan: Plan, cylinder: Cylinder, error_psi: float = 0.0) -> float:
    """Return litres above the change pressure, by the reading and an error; below 0 if under it."""
    now = next((c for c in plan.state.cylinders if c.tag == cylinder.tag), None)
    left_min = power_left_min(cylinder, now)
    if left_min is not None:
        return (left_min - POWER_CHANGE_MIN) * cylinder.power_rate
    gauge, read_at = (cylinder.gauge, cylinder.read_at) if now is None else (now.gauge, now.read_at)
    psi = max(0.0, gauge.psi + error_psi)
    change, air = plan.incident.change_at, plan.incident.air_temperature
    if plan.incident.contents == "handbook":
        return cylinder.factor_l_per_psi * (psi - change.psi)
    volume = cylinder.water_volume_l
    return float(content_l(volume, psi, read_at.c) - content_l(volume, change.psi, air.c))


def hands(patient: Patient, device: str) -> int:
    """Return how many responders a patient on a device holds."""
    kind = load_devices().get(device)
    if kind is None:
        return 0
    return kind.hands_held(has_airway_device=patient.airway_device)


def counted(plan: Plan) -> dict[str, int]:
    """Return who counts as "anyone", by row of the priorities: 0 Immediate, 1 Delayed, 2 others."""
    incident = plan.incident
    return {
        p.tag: tier_of(p.triage)
        for p in incident.patients
        if options_of(incident, p)
        and (p.triage != "expectant" or incident.priorities.expectant_counts)
    }
