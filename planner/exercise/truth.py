"""The truth of an exercise: its luck, what players decided and what injects changed, at a minute.

Pure, and the same whenever it is asked: luck is drawn once from the seed, decisions are the log's
entries in force that players or controllers wrote, injects count from the minute they were given.
Deliveries, transport and people come by themselves. See :mod:`planner.exercise.world` for what
flows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import Final

from planner.exercise.changes import (
    DELIVERY_LATER,
    PATIENT_FOUND,
    REGULATOR_BROKEN,
    REGULATOR_GONE,
    TRANSPORT_LATER,
    Change,
)
from planner.exercise.luck import Luck, luck_of
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.exercise.things import Bottle, Line, Person
from planner.exercise.truth_rows import (
    TrueCylinderRow,
    TrueHands,
    TrueMask,
    TruePatient,
    TrueRegulator,
    Truth,
)
from planner.exercise.world import World
from planner.incident import BUILT_IN, Incident, Patient
from planner.journal.events import (
    Connected,
    Died,
    Disconnected,
    FlowChanged,
    Found,
    LogEntry,
    Moved,
    Requested,
    ResupplyArrived,
    Swapped,
    Transferred,
    TreatmentStopped,
)
from planner.oxygen_options import options_of
from planner.units import Pressure

_STEP_PSI: Final = 10.0  # our own, no source: a gauge is read to about so much
_ARRIVES, _LEAVES, _FOUND, _CHANGES, _DECIDES = range(5)
Happening = tuple[float, int, int, Callable[[World], None]]


def truth_at(exercise: Exercise, run: Run, minute: float | None = None) -> Truth:
    """Return what is so at a minute of a run.

    Parameters
    ----------
    exercise : Exercise
    run : Run
        Decisions and injects of its branch up to the minute count.
    minute : float or None
        None: what its clock shows.

    Returns
    -------
    Truth
    """
    until = run.minute if minute is None else minute
    luck = with_news(exercise, run, until, luck_of(exercise.incident, exercise.seed))
    world = World(exercise.incident, luck)
    happenings = [h for h in _happenings(exercise, run, luck, until) if h[0] <= until]
    for at, _, _, happen in sorted(happenings, key=lambda h: h[:3]):
        world.advance(max(0.0, at))
        happen(world)
    world.advance(until)
    return _frozen(world, until)


def with_news(exercise: Exercise, run: Run, until: float, luck: Luck) -> Luck:
    """Return the luck as requests, injects given and what controllers wrote have changed it.

    What lies behind the minute at which an inject is given stays as it was.
    """
    found, leaves = dict(luck.found_min), dict(luck.transfer_min)
    comes = list(luck.resupply_min)
    decided = run.decisions(until)
    if exercise.deliveries_on_request:
        asked = min((e.at_min for e in decided if isinstance(e.event, Requested)), default=math.inf)
        comes = [asked + minute for minute in comes]
    for given in run.given:
        if given.minute > until:
            continue
        for change in given.inject.changes:
            _shift(exercise.incident, change, given.minute, found, leaves, comes)
    _by_controllers(exercise.incident, decided, found, leaves, comes)
    return replace(luck, found_min=found, transfer_min=leaves, resupply_min=tuple(comes))


def _shift(
    incident: Incident, change: Change, at: float, found: dict[str, float],
    leaves: dict[str, float], comes: list[float],
) -> None:  # fmt: skip
    by = change.minutes or 0.0
    if change.kind == TRANSPORT_LATER:
        for patient in incident.patients:
            if fetched_by(incident, patient, change.tag) and leaves[patient.tag] > at:
                leaves[patient.tag] = max(at, leaves[patient.tag] + by)
    elif change.kind == DELIVERY_LATER:
        number = int(change.tag) - 1
        if comes[number] > at:
            comes[number] = max(at, comes[number] + by)
    elif change.kind == PATIENT_FOUND and found[change.tag] > at:
        waited = leaves[change.tag] - found[change.tag]
        found[change.tag] = at
        if leaves[change.tag] <= at:  # the one it would have left with is gone
            leaves[change.tag] = at + waited if 0 < waited < math.inf else math.inf


def fetched_by(incident: Incident, patient: Patient, name: str) -> bool:
    """Say whether somebody waits for the transport of a name, or is meant by tag."""
    vehicles = {v.name for v in incident.vehicles_of(patient)}
    return name in {patient.tag, patient.transfer_group, *vehicles}


def _by_controllers(
    incident: Incident, decided: tuple[LogEntry, ...], found: dict[str, float],
    leaves: dict[str, float], comes: list[float],
) -> None:  # fmt: skip
    """Let what was written by hand, as when an evening went on by paper, come when it says."""
    for entry in decided:
        match entry.event:
            case Found(tag) if tag in found:
                found[tag] = min(found[tag], entry.at_min)
            case Transferred(tag) if tag in leaves:
                leaves[tag] = min(leaves[tag], entry.at_min)
            case ResupplyArrived(cylinders, regulators):
                for number, supply in enumerate(incident.resupply):
                    tags = {c.tag for c in supply.cylinders} | {r.tag for r in supply.regulators}
                    if tags & {*cylinders, *regulators}:
                        comes[number] = min(comes[number], entry.at_min)
            case _:
                pass


# ----- what happens -----------------------------------------------------------------------------


def _happenings(exercise: Exercise, run: Run, luck: Luck, until: float) -> Iterator[Happening]:
    for number, at in enumerate(luck.resupply_min):
        yield at, _ARRIVES, number, partial(World.arrives, number=number)
    for k, patient in enumerate(exercise.incident.patients):
        tag = patient.tag
        # A transfer at or before being found means: never there, as operation has it.
        if luck.transfer_min[tag] > luck.found_min[tag] or patient.triage == "dead":
            at = luck.transfer_min[tag]
            yield luck.found_min[tag], _FOUND, k, partial(_found, tag=tag)
            yield at, _LEAVES, k, partial(World.leaves, tag=tag, status="transferred", at=at)
    for k, given in enumerate(run.given):
        for change in given.inject.changes:
            yield given.minute, _CHANGES, k, partial(_change, change=change)
    for k, entry in enumerate(run.decisions(until)):
        yield max(0.0, entry.at_min), _DECIDES, k, partial(_follow, entry=entry)


def _found(world: World, tag: str) -> None:
    person = world.people[tag]
    if person.status != "not found":
        return
    person.status = "dead" if person.row.triage == "dead" else "waiting"
    person.there_from = world.t
    person.wants = bool(options_of(world.incident, person.row))
    on = person.row.connected
    if on is not None and world.t <= 0:
        line = Line(on.cylinder, on.regulator, on.device, on.flow_lpm, 0.0)
        world.connect(tag, line, 0.0)
    else:
        world.goes_without(person, world.t)


def _change(world: World, change: Change) -> None:
    tag, at = change.tag, world.t
    match change.kind:
        case "gauge is" if change.gauge is not None:
            world.set_gauge(tag, change.gauge.psi, at)
        case "patient is" if change.triage is not None:
            _is_otherwise(world, world.people[tag], change)
        case "patient dies":
            world.leaves(tag, "dead", at)
        case "regulator broken" | "regulator gone":
            valve = world.valves[tag]
            for user in list(valve.users):
                world.take_off(user, at)
                world.people[user].regulator = None
                world.goes_without(world.people[user], at)
            valve.is_broken |= change.kind == REGULATOR_BROKEN
            valve.is_gone |= change.kind == REGULATOR_GONE
        case "dial stuck":
            world.valves[tag].stuck = change.flow_lpm
        case "responder out":
            world.hands[tag].is_out = True
        case "key gone":
            world.lose_key(tag)
        case "radio silent":
            world.silent.append((tag, at + (change.minutes or 0.0)))
        case _:
            pass  # found and later: in the luck already


def _is_otherwise(world: World, person: Person, change: Change) -> None:
    row = replace(person.row, triage=change.triage or person.row.triage)
    if change.indication is not None:
        row = replace(row, indication=change.indication, options=None)
    if change.spo2 is not None:
        row = replace(row, spo2=change.spo2)
    person.row = row
    if person.status not in {"waiting", "on oxygen"}:
        return
    if row.triage == "dead":
        world.leaves(row.tag, "dead", world.t)
        return
    person.wants = bool(options_of(world.incident, row))
    if not person.wants:
        world.has_again(person, world.t)
    elif person.line is None:
        world.goes_without(person, world.t)


def _follow(world: World, entry: LogEntry) -> None:
    """Do in truth what an entry says was done; what cannot be is not."""
    event, at = entry.event, world.t
    tag = getattr(event, "patient", None)
    person = world.people.get(tag) if tag is not None else None
    match event:
        case Connected() | Swapped() if person is not None:
            line = _line(world, person, event)
            if line is not None:
                world.connect(person.row.tag, line, at)
        case FlowChanged(_, flow, device) if person is not None and person.line is not None:
            person.line.flow_lpm = flow
            person.line.device = device or person.line.device
            if flow == 0:
                world.goes_without(person, at)
            elif not world.bottles[person.line.cylinder].is_dry:
                world.has_again(person, at)
        case Disconnected() if person is not None:
            world.take_off(person.row.tag, at)
            world.goes_without(person, at)
        case TreatmentStopped() if person is not None:
            world.leaves(person.row.tag, "stopped", at)
        case Died() if person is not None:
            world.leaves(person.row.tag, "dead", at)
        case Moved():
            _moved(world, event, entry.place)
        case _:
            pass


def _line(world: World, person: Person, event: Connected | Swapped) -> Line | None:
    """Return the line that an entry makes; what it does not say is as it was."""
    bottle = world.bottles.get(event.cylinder)
    if bottle is None:
        return None
    is_built_in = bottle.cylinder.connection == BUILT_IN or bottle.cylinder.power_min is not None
    regulator = None if is_built_in else event.regulator or person.regulator
    if not is_built_in and (regulator not in world.valves):
        return None
    now = person.line
    flow = event.flow_lpm
    if flow is None:
        options = options_of(world.incident, person.row)
        flow = now.flow_lpm if now is not None else options[0].flow_lpm if options else 0.0
    return Line(event.cylinder, regulator, event.device or person.device, flow, 0.0)


def _moved(world: World, event: Moved, place: str | None) -> None:
    if place is None or place not in {p.name for p in world.incident.places}:
        return

    def there(origin: str) -> float:
        return world.t + (world.incident.carry_min(origin, place) or 0.0)

    person = world.people.get(event.patient or "")
    if person is not None:
        person.there_from, person.place = there(person.place), place
        if person.line is not None:
            world.bottles[person.line.cylinder].place = place
            if person.line.regulator is not None:
                world.valves[person.line.regulator].place = place
    bottle = world.bottles.get(event.cylinder or "")
    if bottle is not None and not bottle.users and bottle.status not in {"gone", "to arrive"}:
        bottle.there_from, bottle.place = there(bottle.place), place
    valve = world.valves.get(event.regulator or "")
    if valve is not None and not valve.users and not valve.is_gone:
        valve.there_from, valve.place = there(valve.place), place


# ----- frozen -----------------------------------------------------------------------------------


def _frozen(world: World, until: float) -> Truth:
    return Truth(
        at_min=until,
        patients=tuple(_patient(world, p, until) for p in world.people.values()),
        cylinders=tuple(_cylinder(world, b) for b in world.bottles.values()),
        regulators=tuple(
            TrueRegulator(tag, v.place, v.there_from, tuple(v.users), v.is_broken, v.is_gone,
                          v.stuck, v.to_arrive)
            for tag, v in world.valves.items()
        ),
        masks=tuple(
            TrueMask(tag, m.unit.kind, m.unit.age, m.place, m.there_from, m.holder, m.is_gone,
                     m.to_arrive)
            for tag, m in world.masks.items()
        ),
        hands=tuple(
            TrueHands(h.tag, h.place, h.free_from, h.is_out, h.has_key and h.free_from > until)
            for h in world.hands.values()
        ),
        swaps=tuple(world.swaps),
        arrived=tuple(sorted(world.arrived)),
        washers=None if world.washers is None else tuple(world.washers.items()),
        used_l=world.used_l, supplied_l=world.supplied_l, lost_l=world.lost_l,
        silent=tuple(pair for pair in world.silent if pair[1] > until),
        keys=None if world.keys is None else tuple(
            (place, tuple(held)) for place, held in world.keys.items()
        ),
    )  # fmt: skip


def _patient(world: World, person: Person, until: float) -> TruePatient:
    line = person.line
    flows = line is not None and line.flow_from <= until and not world.bottles[line.cylinder].is_dry
    so_far = 0.0 if person.out_since is None else max(0.0, until - person.out_since)
    return TruePatient(
        person.row, person.status, person.place, person.there_from,
        person.found if person.status != "not found" else math.inf,
        person.left if person.status in {"transferred", "dead"} else math.inf,
        line.cylinder if line else None, line.regulator if line else None,
        line.device if line else None, line.flow_lpm if line else 0.0,
        world.true_flow(line) if flows and line is not None else 0.0,
        line.flow_from if line else None, person.first_flow, person.wants,
        person.out_since, person.first_out, person.minutes_out + so_far, person.late_swaps,
    )  # fmt: skip


def _cylinder(world: World, bottle: Bottle) -> TrueCylinderRow:
    return TrueCylinderRow(
        bottle.cylinder.tag, bottle.status, bottle.place, bottle.there_from, bottle.litres,
        world.gauge_psi(bottle), tuple(bottle.users),
    )  # fmt: skip


# ----- what is asked of it ----------------------------------------------------------------------


def without_min(truth: Truth) -> tuple[tuple[str, float], ...]:
    """Return who is without oxygen now, by tag, and for how many minutes on end."""
    return tuple(
        (p.tag, truth.at_min - p.out_since_min)
        for p in truth.patients
        if p.out_since_min is not None
    )


def reading_of(exercise: Exercise, truth: Truth, cylinder: str) -> Pressure:
    """Return what a gauge shows: the true one less its error, as it was drawn for that gauge.

    Read in the unit in which the incident has it, to about 10 psi or 1 bar (our own, no source).
    """
    row = truth.cylinder(cylinder)
    kind = next(c for c in exercise.incident.all_cylinders if c.tag == cylinder)
    error = luck_of(exercise.incident, exercise.seed).gauge_error_psi[cylinder]
    shown = 0.0 if row.gauge_psi <= 0 else max(0.0, row.gauge_psi - error)
    if kind.gauge.unit == "bar":
        return Pressure(float(round(Pressure(shown, "psi").bar)), "bar")
    return Pressure(round(shown / _STEP_PSI) * _STEP_PSI, "psi")


__all__ = ["fetched_by", "reading_of", "truth_at", "with_news", "without_min"]
