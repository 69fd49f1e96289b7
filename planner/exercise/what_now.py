"""What the planner would do now: the truth at a minute as the state that planning begins from."""

from __future__ import annotations

from dataclasses import replace

from planner.exercise.changes import DELIVERY_LATER, KEY_GONE, TRANSPORT_LATER
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.exercise.truth import fetched_by, truth_at
from planner.exercise.truth_rows import TrueCylinderRow, TruePatient, Truth
from planner.incident import Cylinder, Incident, Patient, SundryStock
from planner.journal.events import Requested
from planner.operation.arrays import change_l
from planner.oxygen_options import options_of
from planner.situation import Situation
from planner.state import (
    CylinderNow,
    CylinderStatus,
    Hookup,
    KitNow,
    Line,
    PatientNow,
    ResponderNow,
    State,
    Status,
)
from planner.units import Pressure


def situation_at(exercise: Exercise, run: Run, minute: float | None = None) -> Situation:
    """Return the incident and state from which to plan on; for controllers.

    Gauges are the true ones and exact. What is still to come (who is found, transport, deliveries)
    is as uncertain as the incident has it, later by what injects have said so far.
    """
    until = run.minute if minute is None else minute
    truth = truth_at(exercise, run, until)
    incident = told_incident(exercise, run, truth)
    return Situation(incident, state_of_truth(incident, truth))


def told_incident(exercise: Exercise, run: Run, truth: Truth) -> Incident:
    """Return the incident as injects given so far have changed it."""
    incident = exercise.incident
    people = {p.tag: p.patient for p in truth.patients}
    resupply = list(incident.resupply)
    vehicles, groups = list(incident.vehicles), list(incident.transfer_groups)
    sundries = list(incident.sundries)
    for given in run.given:
        for change in given.inject.changes if given.minute <= truth.at_min else ():
            by = change.minutes or 0.0
            if change.kind == DELIVERY_LATER:
                n = int(change.tag) - 1
                resupply[n] = replace(resupply[n], arrive=resupply[n].arrive.later(by))
            elif change.kind == KEY_GONE:
                sundries = _less_a_key(sundries, change.tag)
            elif change.kind == TRANSPORT_LATER:
                vehicles = [
                    replace(v, first_arrival=v.first_arrival.later(by))
                    if v.name == change.tag else v for v in vehicles
                ]  # fmt: skip
                groups = [
                    replace(g, fallback=g.fallback.later(by))
                    if g.name == change.tag and g.fallback else g for g in groups
                ]  # fmt: skip
                for tag, patient in people.items():
                    if fetched_by(incident, patient, change.tag):
                        people[tag] = _later(patient, by)
    is_asked = any(isinstance(e.event, Requested) for e in run.decisions(truth.at_min))
    if exercise.deliveries_on_request and not is_asked:
        resupply = [
            s if n in truth.arrived else replace(s, no_show_chance=1.0)
            for n, s in enumerate(resupply)
        ]
    return replace(
        incident, patients=tuple(people[p.tag] for p in incident.patients),
        resupply=tuple(resupply), vehicles=tuple(vehicles), transfer_groups=tuple(groups),
        sundries=tuple(sundries),
    )  # fmt: skip


def _less_a_key(rows: list[SundryStock], place: str) -> list[SundryStock]:
    """Return kit with one key fewer at a place; the row stays, so that keys are still counted."""
    found = [r for r in rows if (r.kind, r.place) == ("key", place) and r.count]
    return [replace(r, count=r.count - 1) if found and r is found[0] else r for r in rows]


def _later(patient: Patient, by: float) -> Patient:
    moved = {
        name: time.later(by)
        for name in ("transfer", "transfer_after_found")
        if (time := getattr(patient, name)) is not None
    }
    return replace(patient, **moved)


def state_of_truth(incident: Incident, truth: Truth) -> State:
    """Return the truth as a state of the planner's, rows in the incident's order."""
    unplanned = {
        p.tag for p in truth.patients if p.cylinder and not options_of(incident, p.patient)
    }
    on = [p for p in truth.patients if p.cylinder and p.tag not in unplanned and p.flow_lpm > 0]
    idle = {p.cylinder for p in truth.patients if p.cylinder} - {p.cylinder for p in on}
    kinds = {c.tag: c for c in incident.all_cylinders}
    flowing = {p.tag for p in on}
    return State(
        at_min=truth.at_min,
        patients=tuple(_patient(p, p.tag in unplanned, p.tag in flowing) for p in truth.patients),
        cylinders=tuple(
            _cylinder(incident, kinds[c.tag], c, is_idle=c.tag in idle)
            for c in truth.cylinders if c.status != "to arrive"
        ),
        regulators=tuple(
            KitNow(r.tag, r.place, r.there_from_min,
                   next((u for u in r.users if u in flowing), None), r.is_gone or r.is_broken)
            for r in truth.regulators if not r.to_arrive
        ),
        devices=tuple(
            KitNow(m.tag, m.place, m.there_from_min if m.there_from_min != float("inf") else 0.0,
                   m.holder if m.holder in flowing else None, m.is_gone)
            for m in truth.masks if not m.to_arrive
        ),
        responders=tuple(
            ResponderNow(h.tag, h.place, incident.horizon_min if h.is_out else h.free_from_min,
                         h.has_key and not h.is_out)
            for h in truth.hands
        ),
        hookups=_hookups(on),
        arrived=truth.arrived,
        washers=None if truth.washers is None else tuple(n for _, n in truth.washers),
    )  # fmt: skip


def _patient(row: TruePatient, is_unplanned: bool, is_flowing: bool) -> PatientNow:
    status: Status = "waiting"
    if row.status == "not found":
        status = "unknown"
    elif row.status == "dead":
        status = "dead"
    elif row.status in {"transferred", "stopped"} or is_unplanned:
        status = "gone"
    elif is_flowing:
        status = "here"
    since = row.out_since_min
    if status == "waiting" and since is None:
        since = row.found_min
    is_under_way = row.there_from_min > row.found_min and row.patient.legs
    legs = [k for k, leg in enumerate(row.patient.legs, 1) if leg.to == row.place]
    return PatientNow(
        row.tag, row.place, status, since if status in {"waiting", "here"} else None,
        is_out=status == "here" and row.out_since_min is not None,
        first_flow_min=(row.first_flow_min if row.first_flow_min is not None else row.flow_from_min)
        if status == "here" else None,
        legs_done=legs[-1] if legs and is_under_way else 0,
    )  # fmt: skip


def _cylinder(
    incident: Incident, kind: Cylinder, row: TrueCylinderRow, *, is_idle: bool
) -> CylinderNow:
    status: CylinderStatus = "reserve"
    if row.status == "in use":
        status = "gone" if is_idle else "connected"
    elif row.status == "gone":
        status = "gone"
    elif row.status == "taken off" and row.litres <= change_l(kind, incident):
        status = "taken off"
    since = 0.0 if row.there_from_min == float("inf") else row.there_from_min
    power = row.litres / kind.power_rate if kind.power_min is not None else None
    return CylinderNow(
        row.tag, Pressure(row.gauge_psi, "psi"), incident.air_temperature, row.place, since,
        status, is_exact=True, power_min=power,
    )  # fmt: skip


def _hookups(on: list[TruePatient]) -> tuple[Hookup, ...]:
    sources: dict[tuple[str, str | None], list[TruePatient]] = {}
    for person in on:
        sources.setdefault((str(person.cylinder), person.regulator), []).append(person)
    found = []
    for (cylinder, regulator), people in sources.items():
        begins = [p.flow_from_min or 0.0 for p in people]
        lines = tuple(
            Line(p.tag, str(p.device), p.flow_lpm, None if at == min(begins) else at)
            for p, at in zip(people, begins, strict=True)
        )
        found.append(Hookup((cylinder,), regulator, lines, min(begins)))
    return tuple(found)
