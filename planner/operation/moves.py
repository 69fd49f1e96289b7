"""A policy as arrays for the compiled judge."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from planner.incident import TRIAGE_ORDER, Cylinder, Incident, Option
from planner.operation.arrays import (
    NEVER,
    NONE,
    ON_BUILT_IN,
    UNLISTED,
    Ints,
    Moves,
    Names,
    ints,
)
from planner.oxygen_options import is_indicated, valve_has
from planner.policy import Policy
from planner.reference import load_devices
from planner.state import DeviceUnit, State, device_units


def moves_of(incident: Incident, state: State, policy: Policy, names: Names) -> Moves:
    """Return a policy as arrays.

    Raises
    ------
    KeyError
        When the policy names something the incident does not have.
    """
    people = incident.patients
    options = dict(policy.options)
    cylinders, regulators = incident.all_cylinders, incident.all_regulators
    have = [options.get(p.tag) for p in people]
    rank = np.full(len(cylinders), UNLISTED, dtype=np.int64)
    for position, tag in enumerate(policy.order):
        rank[names.cylinders[tag]] = position
    promise = {p.patient: p for p in policy.promises}
    owner = np.full(len(cylinders), NONE, dtype=np.int64)
    for row in policy.promises:
        for tag in row.cylinders:
            owner[names.cylinders[tag]] = names.patients[row.patient]
    return Moves(
        takes_part=ints(o is not None for o in have),
        counts_out=ints(
            o is None and is_indicated(incident, p) for o, p in zip(have, people, strict=True)
        ),
        **_phase_arrays(have),
        hands=ints(_hands(o, p.airway_device) for o, p in zip(have, people, strict=True)),
        device_kind=ints(
            NONE if o is None else names.device_kinds.get((o.device, p.age), NONE)
            for o, p in zip(have, people, strict=True)
        ),
        regulator_fits=_fits([g.settings_lpm for g in regulators], have),
        valve_fits=_valve_fits(cylinders, have),
        **_start_arrays(incident, state, policy, names),
        promised_regulator=ints(
            names.regulators[r]
            if p.tag in promise and (r := promise[p.tag].regulator) is not None
            else NONE
            for p in people
        ),
        promised_device=ints(
            names.devices[d]
            if p.tag in promise and (d := promise[p.tag].device) is not None
            else NONE
            for p in people
        ),
        owner=owner,
        rank=rank,
        kept_place=ints(
            NONE if k.place is None else names.places[k.place] for k in policy.kept_for
        ),
        kept_connection=ints(names.connections[k.connection] for k in policy.kept_for),
        kept_category=ints(TRIAGE_ORDER.index(k.triage) for k in policy.kept_for),
        kept_number=ints(k.num_cylinders for k in policy.kept_for),
    )


def _phase_arrays(options: list[Option | None]) -> dict[str, Any]:
    size = max((len(o.phases) for o in options if o is not None), default=1)
    begin, flow, chance = (np.zeros((len(options), size)) for _ in range(3))
    for row, option in enumerate(options):
        elapsed = 0.0
        for k, phase in enumerate(option.phases if option is not None else ()):
            begin[row, k], flow[row, k], chance[row, k] = elapsed, phase.flow_lpm, phase.chance
            elapsed += phase.for_min if phase.for_min is not None else NEVER
    return {
        "phase_from": begin,
        "phase_flow": flow,
        "phase_chance": chance,
        "num_phases": ints(0 if o is None else len(o.phases) for o in options),
    }


def _start_arrays(incident: Incident, state: State, policy: Policy, names: Names) -> dict[str, Any]:
    size = len(incident.patients)
    cylinder, regulator, device, is_new = (np.full(size, NONE, dtype=np.int64) for _ in range(4))
    flow, begin = np.zeros(size), np.full(size, state.at_min)
    going_on = {
        (h.cylinders[0], line.patient): h.begins_min(line)
        for h in state.hookups
        for line in h.lines
    }  # fmt: skip
    held = {k.holder: k.tag for k in state.devices if k.holder is not None and not k.is_gone}
    free = [k.tag for k in state.devices if k.holder is None and not k.is_gone]
    units = {unit.tag: unit for unit in device_units(incident)}
    promised = {p.device for p in policy.promises if p.device is not None}
    for hookup in policy.hookups:
        for line in hookup.lines:
            row = names.patients[line.patient]
            cylinder[row] = names.cylinders[hookup.cylinders[0]]
            regulator[row] = (
                ON_BUILT_IN if hookup.regulator is None else names.regulators[hookup.regulator]
            )
            flow[row] = line.flow_lpm
            old = going_on.get((hookup.cylinders[0], line.patient))
            is_new[row] = old is None
            begin[row] = state.at_min if old is None else max(state.at_min, old)
            tag = held.get(line.patient) if old is not None else None
            if tag is None:
                tag = _first_mask(incident, line.patient, line.device, free, units, promised)
                if tag is not None:
                    free.remove(tag)
            device[row] = NONE if tag is None else names.devices[tag]
    return {
        "start_cylinder": cylinder,
        "start_regulator": regulator,
        "start_device": device,
        "start_flow": flow,
        "start_from": begin,
        "is_new": is_new,
    }


def _first_mask(
    incident: Incident, patient: str, kind: str, free: list[str], units: Mapping[str, DeviceUnit],
    promised: set[str],
) -> str | None:  # fmt: skip
    """Return the first free mask of a kind and the patient's age that lies at its place."""
    person = next(p for p in incident.patients if p.tag == patient)
    fits = [
        tag for tag in free
        if (u := units[tag]).kind == kind and u.age == person.age and tag not in promised
    ]  # fmt: skip
    near = [tag for tag in fits if units[tag].place == person.place]
    return next(iter(near or fits), None)


def _hands(option: Option | None, has_airway_device: bool) -> int:
    if option is None:
        return 0
    return load_devices()[option.device].hands_held(has_airway_device=has_airway_device)


def _valve_fits(cylinders: tuple[Cylinder, ...], options: list[Option | None]) -> Ints:
    """Return, by patient and cylinder, whether the cylinder's own valve can feed the option."""
    fits = np.zeros((len(options), len(cylinders)), dtype=np.int64)
    alike = {(c.settings_lpm, c.power_min is None): c for c in cylinders}
    kinds = [(c.settings_lpm, c.power_min is None) for c in cylinders]
    for row, option in enumerate(options):
        if option is not None:
            can = {kind: valve_has(cylinder, option) for kind, cylinder in alike.items()}
            fits[row] = [can[kind] for kind in kinds]
    return fits


def _fits(settings: list[tuple[float, ...]], options: list[Option | None]) -> Ints:
    """Return, by patient and source, whether all flows of the option are on its settings."""
    fits = np.zeros((len(options), len(settings)), dtype=np.int64)
    for row, option in enumerate(options):
        if option is not None:
            flows = {phase.flow_lpm for phase in option.phases}
            can = {dial: flows <= set(dial) for dial in set(settings)}
            fits[row] = [can[dial] for dial in settings]
    return fits
