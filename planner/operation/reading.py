"""Operate one sample up to a minute, and read everything that is so then.

For whoever wants to stop the clock: an exercise that goes on from the middle, or a replan on the
same sample. A state read here holds all that operation needs. Operating on from it with
:func:`policy_after` and :func:`rest_of` gives what would have come in one go: minutes out and late
swaps of the two parts add up, the connections of the second part follow those of the first.

The events of the minute itself have been applied, and the queue was served; when operation goes on
it serves the queue of that minute again and finds nothing more to do. Minutes agree to an instant
(1e-9 min), gauges to what a float can say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from planner.demand import Z95, Needs, time_at
from planner.gas import gauge_for_content
from planner.incident import Cylinder, Incident
from planner.operation.arrays import (
    CONNECTED,
    GONE,
    HERE,
    NONE,
    RESERVE,
    TAKEN_OFF,
    TRANSFERRED,
    Ints,
    Moves,
)
from planner.operation.judge import Bench, Tally, blank_tally, run_span
from planner.operation.moves import moves_of
from planner.operation.world import (
    ARRIVE_AT,
    CYLINDER,
    CYLINDER_JOIN,
    CYLINDER_PLACE,
    CYLINDER_STATUS,
    DEVICE,
    DEVICE_HOLDER,
    DEVICE_JOIN,
    DEVICE_PLACE,
    FIRST_FLOW,
    FLOW,
    INSTANT,
    IS_EARLY,
    IS_OUT,
    IS_READY,
    LEG,
    LITRES,
    PLACE,
    REGULATOR,
    REGULATOR_HOLDER,
    REGULATOR_JOIN,
    REGULATOR_PLACE,
    SINCE,
    STATUS,
    STOPPED,
    SWAP_END,
    SWAP_KEY,
    SWAP_PLACE,
    WASHERS,
    World,
    world_of,
)
from planner.policy import Policy
from planner.state import (
    CylinderNow,
    CylinderStatus,
    Hookup,
    KitNow,
    Leaving,
    Line,
    PatientNow,
    ResponderNow,
    State,
    Status,
    device_units,
)
from planner.units import Pressure, Temperature

STATUS_WORDS: Final[Mapping[int, CylinderStatus]] = {
    RESERVE: "reserve",
    CONNECTED: "connected",
    TAKEN_OFF: "taken off",
    GONE: "gone",
}


class Connection(NamedTuple):
    """One connection that a responder made: minute, patient, cylinder off (None: none), on."""

    minute: float
    patient: str
    off: str | None
    on: str


@dataclass(frozen=True, slots=True)
class Reading:
    """What one sample was up to a minute.

    Parameters
    ----------
    state : State
        Everything at that minute, gauges exact.
    minutes_out : tuple of (patient tag, float)
        Minutes out of oxygen since the state that operation began from.
    late_swaps : tuple of (patient tag, int)
    connections : tuple of Connection
    """

    state: State
    minutes_out: tuple[tuple[str, float], ...]
    late_swaps: tuple[tuple[str, int], ...]
    connections: tuple[Connection, ...]


@dataclass(frozen=True, slots=True)
class _Stopped:
    """A sample that was operated to a minute and stands still."""

    bench: Bench
    policy: Policy
    moves: Moves
    world: World
    until_min: float
    connections: tuple[Connection, ...]


def state_after(
    incident: Incident, state: State, policy: Policy, needs: Needs, sample: int, until_min: float
) -> State:  # fmt: skip
    """Operate one sample to a minute and return everything that is so then.

    Parameters
    ----------
    incident, state, policy, needs
        As :func:`planner.operate` takes them.
    sample : int
        Column of the needs.
    until_min : float
        From the state's minute to the horizon. Events of this minute are applied.

    Raises
    ------
    ValueError
        When the minute is outside that range, or the sample outside the needs.
    """
    return reading_after(incident, state, policy, needs, sample, until_min).state


def reading_after(
    incident: Incident, state: State, policy: Policy, needs: Needs, sample: int, until_min: float
) -> Reading:  # fmt: skip
    """Operate likewise, and return what was counted and logged up to then beside the state."""
    if not state.at_min <= until_min <= incident.horizon_min:
        raise ValueError(
            f"until_min is {until_min:g}; allowed: {state.at_min:g} (the state's minute) to "
            f"{incident.horizon_min:g} (the horizon)"
        )
    if not 0 <= sample < needs.num_samples:
        raise ValueError(f"sample is {sample}; allowed: 0 to {needs.num_samples - 1}")
    # A horizon half an instant later: events of the minute are applied, nothing else is.
    horizon = min(incident.horizon_min, until_min + 0.5 * INSTANT)
    short = replace(incident, horizon_min=horizon)
    bench = Bench.of(short, state, one_sample(needs, sample))
    moves = moves_of(short, state, policy, bench.names)
    world = world_of(bench.scene, moves)
    # Each cylinder is put on once, and once more when it came back from a transfer.
    most = len(incident.all_cylinders) + len(incident.patients)
    tally = blank_tally(len(incident.patients), 1, most)
    run_span(world, bench.draws, tally, 0, 1)
    tags = [p.tag for p in incident.patients]
    stopped = _Stopped(bench, policy, moves, world, until_min, _connections(incident, tally))
    return Reading(
        state=_state(stopped),
        minutes_out=tuple(zip(tags, tally.minutes_out[:, 0].tolist(), strict=True)),
        late_swaps=tuple(zip(tags, tally.late[:, 0].tolist(), strict=True)),
        connections=stopped.connections,
    )


def policy_after(incident: Incident, policy: Policy, state: State) -> Policy:
    """Return how a policy goes on from a later state of the same run.

    Hookups are the state's; cylinders that are used up or gone are struck off the list; regulator
    and mask stay promised to those still awaited and to nobody else, cylinders for good.
    """
    over = {c.tag for c in state.cylinders if c.status in {"taken off", "gone"}}
    awaited = {
        now.tag
        for person, now in zip(incident.patients, state.patients, strict=True)
        if now.status == "unknown"
        and time_at(person.oxygen_from, Z95) > state.at_min + 0.5 * INSTANT
    }
    promises = tuple(
        p if p.patient in awaited else replace(p, regulator=None, device=None)
        for p in policy.promises
    )
    return replace(
        policy,
        hookups=state.hookups,
        order=tuple(tag for tag in policy.order if tag not in over),
        promises=tuple(p for p in promises if p.regulator or p.device or p.cylinders),
    )


def one_sample(needs: Needs, sample: int) -> Needs:
    """Return one sample of the needs as needs of one sample."""
    column = slice(sample, sample + 1)
    return replace(
        needs,
        num_samples=1,
        start_min=needs.start_min[:, column],
        is_needed=needs.is_needed[:, column],
        transfer_min=needs.transfer_min[:, column],
        phase_score=needs.phase_score[:, :, column],
        resupply_min=needs.resupply_min[:, column],
        gauge_error_psi=needs.gauge_error_psi[:, column],
        regulator_factor=needs.regulator_factor[:, column],
        valve_factor=needs.valve_factor[:, column],
        leave_min=needs.leave_min[:, :, column],
        leg_min=needs.leg_min[:, :, column],
    )


def rest_of(needs: Needs, sample: int, incident: Incident, state: State) -> Needs:
    """Return what one sample still has to come, for operating on from a later state of it.

    Times, scores and flow factors are those of the sample. Gauges that the state knows exactly
    have no error; cylinders that have not arrived keep theirs.

    Parameters
    ----------
    needs : Needs
        Those the state was read from.
    sample : int
    incident : Incident
    state : State
        As :func:`state_after` gave it for this sample.
    """
    one = one_sample(needs, sample)
    exact = {c.tag for c in state.cylinders if c.is_exact}
    is_exact = np.array([c.tag in exact for c in incident.all_cylinders], dtype=np.bool_)
    has_arrived = np.isin(np.arange(len(incident.resupply)), state.arrived)
    words = [now.status for now in state.patients]
    is_unknown = np.array([word == "unknown" for word in words], dtype=np.bool_)
    is_here = np.array([word in {"waiting", "here"} for word in words], dtype=np.bool_)
    is_needed = np.where(is_unknown[:, None], one.is_needed, is_here[:, None])
    late = (one.transfer_min > incident.horizon_min) & is_needed
    return replace(
        one,
        is_needed=is_needed,
        resupply_min=np.where(has_arrived[:, None], state.at_min, one.resupply_min),
        gauge_error_psi=np.where(is_exact[:, None], 0.0, one.gauge_error_psi),
        capped_share=float(late.sum() / max(1, is_needed.sum())),
    )


# ----- reading the world ---------------------------------------------------------------------


def _connections(incident: Incident, tally: Tally) -> tuple[Connection, ...]:
    people = [p.tag for p in incident.patients]
    tags = [c.tag for c in incident.all_cylinders]
    rows = []
    for k in range(int(tally.num_swaps[0])):
        off = int(tally.swap_off[0, k])
        rows.append(
            Connection(
                float(tally.swap_min[0, k]),
                people[tally.swap_patient[0, k]],
                None if off < 0 else tags[off],
                tags[tally.swap_on[0, k]],
            )
        )
    return tuple(rows)


def _state(s: _Stopped) -> State:
    before, arrived = s.bench.state, _arrived(s)
    return State(
        at_min=s.until_min,
        patients=_patients(s),
        cylinders=_cylinders(s, arrived),
        regulators=_regulators(s, arrived),
        devices=_devices(s, arrived),
        responders=_responders(s),
        hookups=_hookups(s),
        arrived=arrived,
        washers=None
        if before.washers is None
        else tuple(s.world.i[WASHERS, : len(before.washers)].tolist()),
    )


def _arrived(s: _Stopped) -> tuple[int, ...]:
    """Return the resupplies that came by now, those of the state first read included."""
    now = s.bench.draws.supply[:, 0] <= s.until_min + INSTANT
    return tuple(n for n in range(now.size) if now[n] or n in s.bench.state.arrived)


def _patients(s: _Stopped) -> tuple[PatientNow, ...]:
    w, rows = s.world, []
    for i, before in enumerate(s.bench.state.patients):
        is_here = w.i[STATUS, i] == HERE
        has_cylinder = w.i[CYLINDER, i] >= 0
        status: Status = before.status
        if is_here:
            status = "here" if has_cylinder else "waiting"
        elif w.i[STATUS, i] == TRANSFERRED and before.status != "dead":
            status = "gone"
        is_counted = bool(s.moves.takes_part[i] or s.moves.counts_out[i])
        rows.append(
            replace(
                before,
                place=s.bench.incident.places[w.i[PLACE, i]].name,
                status=status,
                waiting_since_min=_or_none(w.f[SINCE, i]) if is_here else None,
                is_out=bool(is_here and is_counted and (w.i[IS_OUT, i] or not has_cylinder)),
                first_flow_min=_or_none(w.f[FIRST_FLOW, i]),
                phases_stopped=bool(w.i[STOPPED, i]),
                legs_done=int(w.i[LEG, i]),
                arrives_min=_or_none(w.f[ARRIVE_AT, i]) if is_here else None,
                leaving=_leaving(w, i) if is_here else "",
            )
        )
    return tuple(rows)


def _leaving(w: World, i: int) -> Leaving:
    if w.i[IS_READY, i]:
        return "ready"
    return "early" if w.i[IS_EARLY, i] else ""


def _or_none(minute: float) -> float | None:
    return None if np.isnan(minute) else float(minute)


def _is_there(supply: int, arrived: tuple[int, ...]) -> bool:
    return supply == NONE or supply in arrived


def _finite(minute: float, s: _Stopped) -> float:
    """Return a joining minute; what is gone for good never joins and has the state's own."""
    return float(minute) if np.isfinite(minute) else s.until_min


def _cylinders(s: _Stopped, arrived: tuple[int, ...]) -> tuple[CylinderNow, ...]:
    w, incident = s.world, s.bench.incident
    on = {int(w.i[CYLINDER, i]): i for i in _people_here(s)}
    now = {c.tag: c for c in s.bench.state.cylinders}
    rows = []
    for c, cylinder in enumerate(incident.all_cylinders):
        status = int(w.i[CYLINDER_STATUS, c])
        if not _is_there(int(s.bench.scene.cylinder_supply[c]), arrived):
            continue
        before = now.get(cylinder.tag)
        read_at = cylinder.read_at if before is None else before.read_at
        litres = float(w.f[LITRES, c])
        if cylinder.power_min is None:
            gauge, at = _gauge(cylinder, litres, read_at, incident)
            power_min = None
        else:
            gauge, at, power_min = cylinder.gauge, read_at, litres / cylinder.power_rate
        place = w.i[PLACE, on[c]] if c in on else w.i[CYLINDER_PLACE, c]
        rows.append(
            CylinderNow(
                cylinder.tag, gauge, at, incident.places[place].name,
                _finite(w.f[CYLINDER_JOIN, c], s), STATUS_WORDS[status], is_exact=True,
                power_min=power_min,
            )
        )  # fmt: skip
    return tuple(rows)


def _gauge(
    cylinder: Cylinder, litres: float, read_at: Temperature, incident: Incident
) -> tuple[Pressure, Temperature]:
    """Return what a gauge reads in the air of the incident, and at which temperature."""
    air = incident.air_temperature
    if incident.contents == "handbook":
        return Pressure(litres / cylinder.factor_l_per_psi, "psi"), air
    try:
        return Pressure(
            float(gauge_for_content(cylinder.water_volume_l, litres, air.c)), "psi"
        ), air
    except ValueError:  # a full one, read in the cold, would be off the scale in warm air
        psi = gauge_for_content(cylinder.water_volume_l, litres, read_at.c)
        return Pressure(float(psi), "psi"), read_at


def _people_here(s: _Stopped) -> list[int]:
    return [i for i in range(s.bench.scene.place.size) if s.world.i[STATUS, i] == HERE]


class _Kit(NamedTuple):
    """Rows of the world that say where regulators, or masks, are."""

    holder: int
    place: int
    join: int
    held: int


def _regulators(s: _Stopped, arrived: tuple[int, ...]) -> tuple[KitNow, ...]:
    tags = [g.tag for g in s.bench.incident.all_regulators]
    kit = _Kit(REGULATOR_HOLDER, REGULATOR_PLACE, REGULATOR_JOIN, REGULATOR)
    return _kit(s, tags, kit, s.bench.scene.regulator_supply, arrived)


def _devices(s: _Stopped, arrived: tuple[int, ...]) -> tuple[KitNow, ...]:
    tags = [unit.tag for unit in device_units(s.bench.incident)]
    kit = _Kit(DEVICE_HOLDER, DEVICE_PLACE, DEVICE_JOIN, DEVICE)
    return _kit(s, tags, kit, s.bench.scene.device_supply, arrived)


def _kit(
    s: _Stopped, tags: list[str], kit: _Kit, supply: Ints, arrived: tuple[int, ...]
) -> tuple[KitNow, ...]:
    """Read regulators or masks; what is promised to somebody not yet found has no holder."""
    w, incident = s.world, s.bench.incident
    held = {int(w.i[kit.held, i]): i for i in _people_here(s) if w.i[kit.held, i] >= 0}
    rows = []
    for n, tag in enumerate(tags):
        if not _is_there(int(supply[n]), arrived):
            continue
        i = held.get(n)
        is_worn = i is not None and w.i[CYLINDER, i] >= 0
        place = w.i[PLACE, i] if is_worn else w.i[kit.place, n]
        rows.append(
            KitNow(
                tag, incident.places[place].name, _finite(w.f[kit.join, n], s),
                None if i is None else incident.patients[i].tag, bool(w.i[kit.holder, n] == -2),
            )
        )  # fmt: skip
    return tuple(rows)


def _hookups(s: _Stopped) -> tuple[Hookup, ...]:
    """Return who breathes from what; all on one regulator are lines of one source."""
    w, incident = s.world, s.bench.incident
    cylinders, regulators = incident.all_cylinders, incident.all_regulators
    sources: dict[tuple[int, int], list[int]] = {}
    for i in _people_here(s):
        c, g = int(w.i[CYLINDER, i]), int(w.i[REGULATOR, i])
        if c >= 0:
            sources.setdefault((c, g), []).append(i)
    begins = _begins(s)
    rows = []
    for (c, g), people in sources.items():
        since = min(begins[i] for i in people)
        lines = tuple(_line(s, i, begins[i], since) for i in people)
        regulator = regulators[g].tag if g >= 0 else None
        rows.append(Hookup((cylinders[c].tag,), regulator, lines, since))
    return tuple(rows)


def _line(s: _Stopped, i: int, begins_min: float, since_min: float) -> Line:
    w, incident = s.world, s.bench.incident
    d, tag = int(w.i[DEVICE, i]), incident.patients[i].tag
    if d >= 0:
        device = device_units(incident)[d].kind
    else:
        device = next(x.device for h in s.policy.hookups for x in h.lines if x.patient == tag)
    own = begins_min if begins_min > since_min else None
    return Line(tag, device, float(w.f[FLOW, i]), own)


def _begins(s: _Stopped) -> dict[int, float]:
    """Return since when each patient breathes from the cylinder it is on now."""
    w, incident = s.world, s.bench.incident
    gap_min = incident.swap_gap_min
    # Those taken along when somebody else's swap served all begin with it.
    started = {c.on: c.minute + gap_min for c in s.connections if c.off is not None}
    joined = {(c.on, c.patient): c.minute + gap_min for c in s.connections}
    before = {
        (h.cylinders[0], line.patient): h.begins_min(line)
        for h in s.bench.state.hookups for line in h.lines
    }  # fmt: skip
    found = {}
    for i in _people_here(s):
        if w.i[CYLINDER, i] >= 0:
            key = (incident.all_cylinders[w.i[CYLINDER, i]].tag, incident.patients[i].tag)
            first = started.get(key[0], s.bench.state.at_min)
            found[i] = joined.get(key, before.get(key, first))
    return found


def _responders(s: _Stopped) -> tuple[ResponderNow, ...]:
    """Give every connection under way to the first responder of its place who had come."""
    w, at = s.world, s.until_min
    places = [place.name for place in s.bench.incident.places]
    slots = max(1, len(s.bench.state.responders))
    busy: dict[str, list[tuple[float, bool]]] = {name: [] for name in places}
    for k in range(slots):
        if w.f[SWAP_END, k] > at + INSTANT:
            row = (float(w.f[SWAP_END, k]), bool(w.i[SWAP_KEY, k]))
            busy[places[w.i[SWAP_PLACE, k]]].append(row)
    rows = []
    for responder in s.bench.state.responders:
        if responder.free_from_min > at + INSTANT:
            rows.append(responder)
        elif busy[responder.place]:
            free_from, has_key = busy[responder.place].pop(0)
            rows.append(replace(responder, free_from_min=free_from, has_key=has_key))
        else:
            rows.append(replace(responder, has_key=False))
    return tuple(rows)


__all__ = [
    "Connection", "Reading", "one_sample", "policy_after", "reading_after", "rest_of",
    "state_after",
]  # fmt: skip
