"""Incident, state and policy as arrays for the compiled judge.

The arrays that depend on the policy and those that do not are made apart, so that a search that
judges thousands of policies on the same samples pays for the second kind once.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from planner.demand import Z95, Needs, time_at
from planner.gas import content_l
from planner.incident import BUILT_IN, POWER_CHANGE_MIN, TRIAGE_ORDER, Cylinder, Incident
from planner.oxygen_options import need_of, need_rank
from planner.reference import load_connections
from planner.state import KitNow, State, device_units, keys, power_left_min

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NEVER: Final = np.inf
NONE: Final = -1
ON_BUILT_IN: Final = -2  # regulator of someone on a built-in valve
JOINED: Final = -2  # in a log, in place of the cylinder that comes off: an outlet was taken
UNLISTED: Final = 1_000_000

RESERVE, CONNECTED, TAKEN_OFF, GONE, AWAITED = 0, 1, 2, 3, 4  # cylinder status
UNKNOWN, HERE, TRANSFERRED = 0, 1, 2  # patient status; the dead count as transferred


class Scene(NamedTuple):
    """What depends on neither policy nor sample.

    P patients, C cylinders, G regulators, D masks, Q places, X connections, H responders.
    """

    at_min: float
    horizon_min: float
    swap_min: float
    gap_min: float
    is_need_first: bool
    place: Ints  # (P,)
    category: Ints  # (P,)
    need: Ints  # (P,)
    status: Ints  # (P,) at the start
    since: Floats  # (P,) waiting since, NaN when nothing is due
    is_out: Ints  # (P,)
    first_flow: Floats  # (P,) NaN before it
    phases_stopped: Ints  # (P,)
    called_off: Floats  # (P,) 95 % point of the start
    kit_return: Floats  # (P,) infinite: leaves
    leg: Ints  # (P,) legs left behind
    num_legs: Ints  # (P,)
    leg_place: Ints  # (P, L) where to
    arrives: Floats  # (P,) end of the leg it is on, NaN where on none
    is_early: Ints  # (P,) a swap is due before leaving
    is_ready: Ints  # (P,) connected for leaving
    carry: Floats  # (Q, Q) to, from
    connection: Ints  # (C,)
    cylinder_place: Ints  # (C,)
    cylinder_join: Floats  # (C,) infinite for resupply
    cylinder_supply: Ints  # (C,) number of its resupply or -1
    cylinder_status: Ints  # (C,)
    change_l: Floats  # (C,) content at the change pressure
    residual_l: Floats  # (C,)
    power_rate: Floats  # (C,) what a concentrator counts down a minute; 0: a cylinder
    regulator_connection: Ints  # (G,)
    outlets: Ints  # (G,)
    regulator_place: Ints
    regulator_join: Floats
    regulator_supply: Ints
    regulator_holder: Ints  # (G,) patient or -1; -2 gone
    device_place: Ints  # (D,)
    device_join: Floats
    device_supply: Ints
    device_holder: Ints
    device_kind: Ints  # (D,) kind and age
    needs_key: Ints  # (X,)
    needs_washer: Ints  # (X,)
    built_in: int  # number of the built-in connection, -1 when there is none
    keys: Ints  # (Q,) -1: not listed
    washers: Ints  # (Q,) -1: not listed
    responder_place: Ints  # (H,)
    responder_from: Floats
    responder_key: Ints  # (H,) 1: holds a key until free


class Moves(NamedTuple):
    """What the policy says. K phases at most, B kept-for rows."""

    takes_part: Ints  # (P,) has an option
    counts_out: Ints  # (P,) indicated and without an option
    phase_from: Floats  # (P, K) minutes after first flow
    phase_flow: Floats  # (P, K)
    phase_chance: Floats  # (P, K)
    num_phases: Ints  # (P,)
    hands: Ints  # (P,) responders held by the option's device
    device_kind: Ints  # (P,) kind and age wanted, -1: no such device at all
    regulator_fits: Ints  # (P, G)
    valve_fits: Ints  # (P, C) built-in valves
    start_cylinder: Ints  # (P,)
    start_regulator: Ints  # (P,) -1 none, -2 built-in valve
    start_device: Ints  # (P,)
    start_flow: Floats  # (P,) dial setting at the start
    start_from: Floats  # (P,) flow begins
    is_new: Ints  # (P,) named by the policy, not going on from the state
    promised_regulator: Ints  # (P,)
    promised_device: Ints  # (P,)
    owner: Ints  # (C,) promised to this patient, -1: anyone
    rank: Ints  # (C,) on the printed list
    kept_place: Ints  # (B,) -1: all
    kept_connection: Ints
    kept_category: Ints
    kept_number: Ints


class Draws(NamedTuple):
    """What differs by sample, samples last."""

    start: Floats  # (P, n) infinite where never needed
    transfer: Floats  # (P, n)
    phase_score: Floats  # (P, K, n)
    supply: Floats  # (R, n)
    content: Floats  # (C, n) litres at the state's minute
    regulator_factor: Floats  # (G, n)
    valve_factor: Floats  # (C, n)
    leave: Floats  # (P, L, n)
    leg_min: Floats  # (P, L, n)


@dataclass(frozen=True, slots=True)
class Names:
    """Numbers of places, connections and device kinds."""

    places: dict[str, int]
    connections: dict[str, int]
    device_kinds: dict[tuple[str, str], int]
    patients: dict[str, int]
    cylinders: dict[str, int]
    regulators: dict[str, int]
    devices: dict[str, int]


def names_of(incident: Incident) -> Names:
    """Return everything numbered in file order."""
    connections = dict.fromkeys(
        [c.connection for c in incident.all_cylinders]
        + [r.connection for r in incident.all_regulators]
    )
    units = device_units(incident)
    kinds = dict.fromkeys((unit.kind, unit.age) for unit in units)
    return Names(
        places={p.name: i for i, p in enumerate(incident.places)},
        connections={name: i for i, name in enumerate(connections)},
        device_kinds={kind: i for i, kind in enumerate(kinds)},
        patients={p.tag: i for i, p in enumerate(incident.patients)},
        cylinders={c.tag: i for i, c in enumerate(incident.all_cylinders)},
        regulators={r.tag: i for i, r in enumerate(incident.all_regulators)},
        devices={unit.tag: i for i, unit in enumerate(units)},
    )


def litres_at(cylinder: Cylinder, gauge_psi: float, incident: Incident) -> float:
    """Return what a cylinder holds at a gauge at the temperature of use, as the incident counts."""
    if incident.contents == "handbook":
        return cylinder.factor_l_per_psi * gauge_psi
    return content_l(cylinder.water_volume_l, gauge_psi, incident.air_temperature.c)


def change_l(cylinder: Cylinder, incident: Incident) -> float:
    """Return what a cylinder holds when its swap is due."""
    if cylinder.power_min is not None:
        return POWER_CHANGE_MIN * cylinder.power_rate
    return litres_at(cylinder, incident.change_at.psi, incident)


def residual_l(cylinder: Cylinder, incident: Incident) -> float:
    """Return what a cylinder holds when nobody breathes from it any more."""
    if cylinder.power_min is not None:
        return 0.0
    return litres_at(cylinder, incident.safe_residual.psi, incident)


def draws_of(incident: Incident, state: State, needs: Needs) -> Draws:
    """Return the samples as the judge takes them; contents from readings and gauge errors.

    All arrays lie row by row, as the judge takes them; those of picked samples come otherwise.
    """
    now = {c.tag: c for c in state.cylinders}
    rows = []
    for cylinder, error in zip(incident.all_cylinders, needs.gauge_error_psi, strict=True):
        at = now.get(cylinder.tag)
        reading, read_at = (cylinder.gauge, cylinder.read_at) if at is None else (
            at.gauge, at.read_at)  # fmt: skip
        gauge = np.maximum(reading.psi + error, 0.0)
        left_min = power_left_min(cylinder, at)
        if left_min is not None:
            rows.append(np.full(needs.num_samples, left_min * cylinder.power_rate))
        elif incident.contents == "handbook":
            rows.append(cylinder.factor_l_per_psi * gauge)
        else:
            rows.append(content_l(cylinder.water_volume_l, gauge, read_at.c))
    return Draws(
        start=np.ascontiguousarray(np.where(needs.is_needed, needs.start_min, NEVER)),
        transfer=np.ascontiguousarray(needs.transfer_min),
        phase_score=np.ascontiguousarray(needs.phase_score),
        supply=np.ascontiguousarray(needs.resupply_min),
        content=np.stack(rows) if rows else np.empty((0, needs.num_samples)),
        regulator_factor=np.ascontiguousarray(needs.regulator_factor),
        valve_factor=np.ascontiguousarray(needs.valve_factor),
        leave=np.ascontiguousarray(needs.leave_min),
        leg_min=np.ascontiguousarray(needs.leg_min),
    )


def scene_of(incident: Incident, state: State, names: Names) -> Scene:
    """Return the arrays that depend on neither policy nor sample."""
    people = incident.patients
    table = load_connections()
    listed_keys = keys(incident)
    status = {
        "unknown": UNKNOWN,
        "waiting": HERE,
        "here": HERE,
        "gone": TRANSFERRED,
        "dead": TRANSFERRED,
    }
    return Scene(
        at_min=state.at_min,
        horizon_min=incident.horizon_min,
        swap_min=incident.swap_min,
        gap_min=incident.swap_gap_min,
        is_need_first=incident.priorities.order == "need",
        place=ints(names.places[p.place] for p in state.patients),
        category=ints(TRIAGE_ORDER.index(p.triage) for p in people),
        need=ints(need_rank(need_of(incident, p)) for p in people),
        status=ints(status[p.status] for p in state.patients),
        since=floats(_or_nan(p.waiting_since_min) for p in state.patients),
        is_out=ints(p.is_out for p in state.patients),
        first_flow=floats(_or_nan(p.first_flow_min) for p in state.patients),
        phases_stopped=ints(p.phases_stopped for p in state.patients),
        called_off=floats(time_at(p.oxygen_from, Z95) for p in people),
        kit_return=floats(
            NEVER if (back := incident.kit_return_of(p)) is None else back for p in people
        ),
        carry=_carry(incident),
        **_leg_arrays(incident, state, names),
        **_cylinder_arrays(incident, state, names),
        **_regulator_arrays(incident, state, names),
        **_device_arrays(incident, state, names),
        needs_key=ints(table[name].needs_key for name in names.connections),
        needs_washer=ints(table[name].needs_washer for name in names.connections),
        built_in=names.connections.get(BUILT_IN, NONE),
        keys=ints(listed_keys or [NONE] * len(names.places)),
        washers=ints(state.washers if state.washers is not None else [NONE] * len(names.places)),
        responder_place=ints(names.places[r.place] for r in state.responders),
        responder_from=floats(r.free_from_min for r in state.responders),
        responder_key=ints(r.has_key for r in state.responders),
    )


def _leg_arrays(incident: Incident, state: State, names: Names) -> dict[str, Any]:
    people, now = incident.patients, state.patients
    place = np.zeros((len(people), max((len(p.legs) for p in people), default=0)), dtype=np.int64)
    for row, patient in enumerate(people):
        place[row, : len(patient.legs)] = [names.places[leg.to] for leg in patient.legs]
    return {
        "leg": ints(p.legs_done for p in now),
        "num_legs": ints(len(p.legs) for p in people),
        "leg_place": place,
        "arrives": floats(_or_nan(p.arrives_min) for p in now),
        "is_early": ints(p.leaving == "early" for p in now),
        "is_ready": ints(p.leaving == "ready" for p in now),
    }


def _cylinder_arrays(incident: Incident, state: State, names: Names) -> dict[str, Any]:
    now = {c.tag: c for c in state.cylinders}
    supply_of = {c.tag: n for n, r in enumerate(incident.resupply) for c in r.cylinders}
    status_of = {"reserve": RESERVE, "connected": CONNECTED, "taken off": TAKEN_OFF, "gone": GONE}
    place, join, supply, status = [], [], [], []
    for cylinder in incident.all_cylinders:
        at = now.get(cylinder.tag)
        number = supply_of.get(cylinder.tag, NONE)
        if at is None:
            place.append(names.places[incident.resupply[number].place])
        else:
            place.append(names.places[at.place])
        join.append(NEVER if at is None else at.since_min)
        supply.append(number if at is None else NONE)
        status.append(AWAITED if at is None else status_of[at.status])
    everything = incident.all_cylinders
    return {
        "connection": ints(names.connections[c.connection] for c in everything),
        "cylinder_place": ints(place),
        "cylinder_join": floats(join),
        "cylinder_supply": ints(supply),
        "cylinder_status": ints(status),
        "change_l": floats(change_l(c, incident) for c in everything),
        "residual_l": floats(residual_l(c, incident) for c in everything),
        "power_rate": floats(c.power_rate for c in everything),
    }


def _kit_arrays(
    rows: list[tuple[str, int | None]], state_rows: tuple[KitNow, ...], incident: Incident,
    names: Names, prefix: str,
) -> dict[str, Any]:  # fmt: skip
    now = {k.tag: k for k in state_rows}
    place, join, supply, holder = [], [], [], []
    for tag, number in rows:
        at = now.get(tag)
        if at is None:
            place.append(names.places[incident.resupply[number or 0].place])
        else:
            place.append(names.places[at.place])
        join.append(NEVER if at is None else at.since_min)
        supply.append(number if at is None and number is not None else NONE)
        if at is not None and at.is_gone:
            holder.append(-2)
        else:
            holder.append(NONE if at is None or at.holder is None else names.patients[at.holder])
    return {
        f"{prefix}_place": ints(place),
        f"{prefix}_join": floats(join),
        f"{prefix}_supply": ints(supply),
        f"{prefix}_holder": ints(holder),
    }


def _regulator_arrays(incident: Incident, state: State, names: Names) -> dict[str, Any]:
    supply_of = {g.tag: n for n, r in enumerate(incident.resupply) for g in r.regulators}
    rows = [(g.tag, supply_of.get(g.tag)) for g in incident.all_regulators]
    return {
        **_kit_arrays(rows, state.regulators, incident, names, "regulator"),
        "outlets": ints(g.outlets for g in incident.all_regulators),
        "regulator_connection": ints(
            names.connections[g.connection] for g in incident.all_regulators
        ),
    }


def _device_arrays(incident: Incident, state: State, names: Names) -> dict[str, Any]:
    units = device_units(incident)
    rows = [(u.tag, u.resupply) for u in units]
    return {
        **_kit_arrays(rows, state.devices, incident, names, "device"),
        "device_kind": ints(names.device_kinds[u.kind, u.age] for u in units),
    }


def _carry(incident: Incident) -> Floats:
    names = [place.name for place in incident.places]
    table = np.full((len(names), len(names)), NEVER)
    for row, to in enumerate(names):
        for column, origin in enumerate(names):
            minutes = incident.carry_min(origin, to)
            if minutes is not None:
                table[row, column] = minutes
    return table


def ints(values: Iterable[Any]) -> Ints:
    """Return whole numbers as an array."""
    return np.array(list(values), dtype=np.int64)


def floats(values: Iterable[Any]) -> Floats:
    """Return numbers as an array."""
    return np.array(list(values), dtype=np.float64)


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value
