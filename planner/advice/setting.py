"""A setting is an incident, a state and a policy; new things join it without a draw disturbed.

What is new comes as one more delivery that has arrived by the state's minute. So it stands after
everything else in file order, no mask of the file is numbered anew, and since streams are keyed by
tag (deliveries by number) every draw of what was there before stays as it was.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from planner.demand import Flags, Floats, sample
from planner.gas import content_l
from planner.incident import (
    BUILT_IN,
    Cylinder,
    DeviceStock,
    Incident,
    Patient,
    Regulator,
    Resupply,
    ThreePoint,
)
from planner.operation.judge import Bench
from planner.oxygen_options import options_of
from planner.policy import Policy
from planner.reference import CylinderSize, find_size
from planner.risk import objective_samples, price_of, runs_out, weights_of
from planner.shelf import usable_l
from planner.state import CylinderNow, KitNow, State, device_units
from planner.units import Pressure, Temperature

#: Oxygen at 70 F and 1 atm: 31.999 g/mol over 24.13 L/mol (R T / p, with Z 0.9994).
KG_PER_L: Final = 1.326e-3


@dataclass(frozen=True, slots=True)
class Setting:
    """Everything that is judged together: what there is, what is so now, what is done."""

    incident: Incident
    state: State
    policy: Policy


@dataclass(frozen=True, slots=True)
class Delivery:
    """New things for one place."""

    place: str
    cylinders: tuple[Cylinder, ...] = ()
    regulators: tuple[Regulator, ...] = ()
    devices: tuple[DeviceStock, ...] = ()


@dataclass(frozen=True, slots=True)
class Judged:
    """What a setting gives, by sample.

    Parameters
    ----------
    objective, minutes_out : array (samples,)
        J, and minutes out of oxygen of everyone who counts.
    anyone, immediate : bool array (samples,)
        Whether anyone, and whether an Immediate, runs out.
    """

    objective: Floats
    minutes_out: Floats
    anyone: Flags
    immediate: Flags


def judged(setting: Setting, num_samples: int, seed: int) -> Judged:
    """Judge a setting on samples of its own incident; equal seeds pair sample by sample."""
    incident, policy = setting.incident, setting.policy
    needs = sample(incident, setting.state, num_samples, seed)
    minutes = Bench.of(incident, setting.state, needs).minutes_out(policy, 0, num_samples)
    weights = weights_of(incident)
    return Judged(
        objective_samples(minutes, weights, price_of(incident, policy, weights)),
        np.asarray(minutes[weights.tier <= 2].sum(axis=0)),
        runs_out(weights, minutes),
        runs_out(weights, minutes, lowest=0),
    )


def with_delivery(setting: Setting, delivery: Delivery, arrive_min: float | None = None) -> Setting:
    """Return the setting with new things.

    Parameters
    ----------
    setting : Setting
    delivery : Delivery
        Tags must be new.
    arrive_min : float or None
        Minute at which they arrive for certain; None: they stand there now.

    Returns
    -------
    Setting
        New cylinders stand in the printed list at their default place: before the first that
        holds less. Regulators and masks join the free kit.
    """
    incident, state = setting.incident, setting.state
    at = state.at_min if arrive_min is None else arrive_min
    number = len(incident.resupply)
    supply = Resupply(
        ThreePoint(at, at, at), 0.0, delivery.place,
        delivery.cylinders, delivery.regulators, delivery.devices,
    )  # fmt: skip
    incident = replace(incident, resupply=(*incident.resupply, supply))
    if arrive_min is None:
        state = _arrived(incident, state, delivery, number)
    policy = replace(setting.policy, order=_listed(incident, state, setting.policy.order, delivery))
    return Setting(incident, state, policy)


def _arrived(incident: Incident, state: State, delivery: Delivery, number: int) -> State:
    place, at = delivery.place, state.at_min
    units = [u.tag for u in device_units(incident) if u.resupply == number]
    cylinders = [CylinderNow(c.tag, c.gauge, c.read_at, place, at) for c in delivery.cylinders]
    regulators = [KitNow(r.tag, place, at) for r in delivery.regulators]
    return replace(
        state,
        arrived=(*state.arrived, number),
        cylinders=(*state.cylinders, *cylinders),
        regulators=(*state.regulators, *regulators),
        devices=(*state.devices, *(KitNow(tag, place, at) for tag in units)),
    )


def _listed(
    incident: Incident, state: State, order: tuple[str, ...], delivery: Delivery
) -> tuple[str, ...]:
    rows = {c.tag: c for c in incident.all_cylinders}
    litres = {tag: usable_l(incident, state, rows[tag]) for tag in order}
    listed = list(order)
    for cylinder in delivery.cylinders:
        holds = usable_l(incident, state, cylinder)
        before = (k for k, tag in enumerate(listed) if litres[tag] < holds)
        listed.insert(next(before, len(listed)), cylinder.tag)
        litres[cylinder.tag] = holds
    return tuple(listed)


def people_of(setting: Setting) -> tuple[Patient, ...]:
    """Return who has oxygen indicated and is neither gone nor dead, in file order."""
    status = {p.tag: p.status for p in setting.state.patients}
    return tuple(
        p for p in setting.incident.patients
        if options_of(setting.incident, p) and status[p.tag] not in {"gone", "dead"}
    )  # fmt: skip


def places_of(setting: Setting) -> tuple[str, ...]:
    """Return the places where somebody has or may need oxygen, in file order."""
    there = {setting.state.patient(p.tag).place for p in people_of(setting)}
    return tuple(p.name for p in setting.incident.places if p.name in there)


def reaching(setting: Setting, place: str) -> bool:
    """Say whether kit at a place can be carried to anybody who may need oxygen."""
    return any(setting.incident.carry_min(place, to) is not None for to in places_of(setting))


def models_of(incident: Incident) -> tuple[Cylinder, ...]:
    """Return one full cylinder of each size and connection of the file that can be used.

    A size can be used when it has a valve of its own or a regulator of its connection exists.
    """
    usable = {r.connection for r in incident.all_regulators} | {BUILT_IN}
    found: dict[tuple[str, str], Cylinder] = {}
    for cylinder in incident.all_cylinders:
        if cylinder.connection in usable and cylinder.power_min is None:
            found.setdefault((cylinder.size, cylinder.connection), _full(cylinder))
    return tuple(found[key] for key in sorted(found))


def _full(cylinder: Cylinder) -> Cylinder:
    """Return one like it, full and without a tag, or its own reading would be looked up."""
    size = find_size(cylinder.size)
    if size is None:
        return replace(cylinder, tag="", place=None)
    gauge, read_at = Pressure(size.service_psi, "psi"), Temperature(size.nominal_at_c, "C")
    return replace(cylinder, tag="", gauge=gauge, read_at=read_at, place=None)


def mass_kg(model: Cylinder) -> float | None:
    """Return what a full cylinder weighs: the table's empty mass and the oxygen in it.

    The empty mass is rough, mostly from memory and without a valve; None where there is none.
    """
    size: CylinderSize | None = find_size(model.size)
    if size is None:
        return None
    holds_l = content_l(model.water_volume_l, model.gauge.psi, model.read_at.c)
    return size.empty_kg + KG_PER_L * holds_l


def fresh_tags(setting: Setting, name: str, count: int) -> tuple[str, ...]:
    """Return tags that nothing has yet: ``new E 1``, ``new E 2``, ..."""
    incident = setting.incident
    taken = {c.tag for c in incident.all_cylinders} | {r.tag for r in incident.all_regulators}
    taken |= {r.tag for r in incident.responders}
    found: list[str] = []
    number = 1
    while len(found) < count:
        tag = f"new {name} {number}"
        if tag not in taken:
            found.append(tag)
        number += 1
    return tuple(found)
