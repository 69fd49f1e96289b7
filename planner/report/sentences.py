"""Sentences beside the tables: the list, what is kept, washers, and who is carried when."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from planner.gas import gauge_for_content
from planner.incident import LEG_MARGIN, Cylinder, Incident, Leg
from planner.operation.arrays import litres_at
from planner.plan import Plan
from planner.reference import load_connections
from planner.report.words import TITLES, counted, joined, pressure, runs, when
from planner.units import Pressure


def list_sentence(plan: Plan) -> str:
    """Return the printed list as one line that a tired person can follow."""
    if not plan.policy.order:
        return "No cylinder is left for the list."
    tags = ", ".join(runs(plan.policy.order))
    return f"The list. At a swap take the first one that fits and is there: {tags}."


def washer_lines(plan: Plan) -> Iterator[str]:
    """Say how far the washers go where the file lists them: they can bind before litres do."""
    cylinders = {c.tag: c for c in plan.incident.all_cylinders}
    table = load_connections()
    running = {h.cylinders for h in plan.state.hookups}
    wet = Counter(
        plan.state.patient(h.lines[0].patient).place
        for h in plan.policy.hookups
        if h.cylinders not in running and table[cylinders[h.cylinders[0]].connection].needs_washer
    )
    for place, number in zip(plan.incident.places, plan.state.washers or (), strict=False):
        if number or wet[place.name]:
            yield (
                f"washers at {place.name}: {number}; first connections use {wet[place.name]}, "
                f"which leaves {number - wet[place.name]} for swaps"
            )


def kept_for_sentence(plan: Plan) -> str:
    """Return what the list may not be used for: kept for a category, or promised to one person."""
    parts = [
        f"{'anywhere' if k.place is None else f'at {k.place}'} nobody below {TITLES[k.triage]} "
        f"takes a {k.connection} cylinder unless {counted(k.num_cylinders, 'other')} of that kind "
        f"{'stays' if k.num_cylinders == 1 else 'stay'} in the reserve"
        for k in plan.policy.kept_for
    ]
    text = f"Kept back: {'; '.join(parts)}." if parts else ""
    promised = [
        f"{joined(runs(p.cylinders))} for {p.patient}" for p in plan.policy.promises if p.cylinders
    ]
    if promised:
        text += f" Promised, nobody else may take them: {'; '.join(promised)}."
    return text.strip() or "Nothing is kept for anyone: whoever is due takes the next one."


def moves_lines(plan: Plan) -> tuple[str, ...]:
    """Say who is carried from place to place, when, and what the gauge must read before leaving."""
    return tuple(_moves(plan))


def _moves(plan: Plan) -> Iterator[str]:
    start = plan.incident.start
    connected = {x.patient: (h, x) for h in plan.policy.hookups for x in h.lines}
    cylinders = {c.tag: c for c in plan.incident.all_cylinders}
    for patient in plan.incident.patients:
        now, option = plan.state.patient(patient.tag), plan.policy.option_of(patient.tag)
        left = patient.legs[now.legs_done :]
        if now.status in {"gone", "dead"} or not (left or now.arrives_min is not None):
            continue
        parts = []
        if now.arrives_min is not None:
            parts.append(f"on the way, at {now.place} by {when(start, now.arrives_min)}")
        parts += [
            f"to {leg.to} from {when(start, max(leg.leave.p50_min, plan.state.at_min))} on, "
            f"{leg.length.p50_min:.0f} min"
            for leg in left
        ]
        text = f"{patient.tag} is carried: {'; then '.join(parts)}."
        if left and option is not None:
            hookup, line = connected.get(patient.tag, (None, None))
            if hookup is not None and line is not None:
                gauge = least_gauge(
                    plan.incident, cylinders[hookup.cylinders[0]], left[0], line.flow_lpm
                )
                is_bar = plan.incident.change_at.unit == "bar"
                least = pressure(gauge, is_bar=is_bar)
                text += (
                    f" Before leaving {hookup.cylinders[0]} must read {least} at "
                    f"{line.flow_lpm:g} L/min, or it is swapped first."
                )
        yield text


def least_gauge(incident: Incident, cylinder: Cylinder, leg: Leg, flow_lpm: float) -> Pressure:
    """Return what a cylinder must read before a leg, in the air of the incident.

    So that above the safe residual so many legs are in it as ``LEG_MARGIN`` says.
    """
    litres = litres_at(cylinder, incident.safe_residual.psi, incident)
    litres += LEG_MARGIN * leg.length.p50_min * flow_lpm
    if incident.contents == "handbook":
        return Pressure(litres / cylinder.factor_l_per_psi, "psi")
    at_c = incident.air_temperature.c
    return Pressure(float(gauge_for_content(cylinder.water_volume_l, litres, at_c)), "psi")
