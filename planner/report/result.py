"""The result of ``plan --json``: raw numbers under the names of the contract."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from planner.banner import BANNER
from planner.files import digest
from planner.incident import Cylinder, Patient
from planner.limits import Limit
from planner.plan import Plan
from planner.report.estimates import chance_result, value_result
from planner.report.facts import (
    assumptions,
    change_by_min,
    cylinder_facts,
    no_oxygen_reason,
    waiting_for,
)
from planner.report.going_on import going_on_result
from planner.risk import Risk
from planner.state import power_left_min
from planner.units import clock

SCHEMA = 1
STOPPED: Final = "stopped early by hand: this is the best plan found until then"


def plan_result(plan: Plan) -> dict[str, Any]:
    """Return the result of a plan as plain data, ready for JSON.

    Clock times are cut to the minute; everything else is raw.
    """
    incident = plan.incident
    return {
        "schema": SCHEMA,
        "kind": "plan",
        "banner": BANNER,
        "run": {
            "seed": plan.run.seed,
            "samples": plan.run.samples,
            "versions": dict(plan.run.versions),
            "seconds": plan.run.seconds,
            "cores": plan.run.cores,
            "repeatable": plan.run.repeatable,
        },
        "incident": {
            "name": incident.name,
            "start": incident.start.isoformat(),
            "digest": digest(incident),
            "protocol": incident.protocol,
            "approved_by": incident.approved_by,
            "approved_on": None if incident.approved_on is None else str(incident.approved_on),
        },
        "at_min": plan.state.at_min,
        "source": plan.source,
        "going_on": going_on_result(plan),
        "lasts": {
            "everyone": _moment(plan, plan.lasts.everyone_min),
            "immediates": _moment(plan, plan.lasts.immediates_min),
        },
        "risk": risk_result(plan.risk),
        "best_possible": {
            "at_plan_options": limit_result(plan.best_possible.at_plan_options),
            "at_lowest_options": limit_result(plan.best_possible.at_lowest_options),
        },
        "rules": [
            {
                "rule": row.rule,
                "anyone": chance_result(row.risk.anyone),
                "immediate": chance_result(row.risk.immediate),
                "minutes_out": value_result(row.risk.minutes_out),
                "objective": value_result(row.risk.objective),
            }
            for row in plan.rules
        ],
        "now": list(_now(plan)),
        "no_oxygen": [
            {"patient": p.tag, "reason": reason}
            for p in incident.patients
            if (reason := no_oxygen_reason(incident, p)) is not None
        ],
        "waiting": list(_waiting(plan)),
        "swaps": [
            {
                "patient": s.patient,
                "number": s.number,
                "off": s.off,
                "on": s.on,
                "early_min": s.early_min,
                "expected_min": s.expected_min,
                "late_min": s.late_min,
                "clock": clock(incident.start, s.expected_min),
                "chance_needed": s.chance_needed,
                "responder": s.responder,
                "place": s.place,
                "is_joining": s.is_joining,
                "together": list(s.together),
            }
            for s in plan.swaps
        ],
        "list": [_listed(plan, tag) for tag in plan.policy.order],
        "kept_for": [
            {
                "place": k.place,
                "connection": k.connection,
                "category": k.triage,
                "cylinders": k.num_cylinders,
            }
            for k in plan.policy.kept_for
        ],
        "request": None,
        "solver": [
            {
                "step": s.step,
                "status": s.status,
                "bound": s.bound,
                "objective": s.objective,
                "gap": s.gap,
                "evaluations": s.evaluations,
            }
            for s in plan.solver
        ],
        "cylinders": [_cylinder(plan, c) for c in incident.all_cylinders],
        "series": {
            "chance_out_by": {
                "minutes": plan.chance_out_by[0].tolist(),
                "chance": plan.chance_out_by[1].tolist(),
            }
        },
        "assumptions": list(assumptions(incident)),
        "sources": sources(plan),
        "notes": [
            *([STOPPED] if plan.is_interrupted else []),
            *plan.warnings,
        ],
    }


def _moment(plan: Plan, minute: float | None) -> dict[str, Any]:
    if minute is None:
        return {"min": None, "clock": None}
    return {"min": minute, "clock": clock(plan.incident.start, minute)}


def limit_result(limit: Limit) -> dict[str, Any]:
    """Return the best any plan could do as plain data."""
    return {
        "anyone": chance_result(limit.anyone),
        "immediate": chance_result(limit.immediate),
        "immediate_or_delayed": chance_result(limit.immediate_or_delayed),
    }


def risk_result(risk: Risk) -> dict[str, Any]:
    """Return chances as plain data."""
    return {
        "anyone": chance_result(risk.anyone),
        "immediate": chance_result(risk.immediate),
        "immediate_or_delayed": chance_result(risk.immediate_or_delayed),
        "expectant": None if risk.expectant is None else chance_result(risk.expectant),
        "by_patient": [
            {
                "patient": row.patient,
                **chance_result(row.chance),
                "minutes_out": row.minutes_out.value,
                "late_swaps": row.late_swaps.value,
            }
            for row in risk.by_patient
        ],
        "minutes_out": value_result(risk.minutes_out),
        "objective": value_result(risk.objective),
        "still_here_at_horizon": chance_result(risk.still_here),
        "samples": risk.samples,
    }


def _now(plan: Plan) -> Iterator[dict[str, Any]]:
    """Yield who is connected now, and who has kit promised and is not yet found."""
    hookups = {line.patient: (h, line) for h in plan.policy.hookups for line in h.lines}
    promises = {p.patient: p for p in plan.policy.promises}
    for patient in by_triage(plan):
        option = plan.policy.option_of(patient.tag)
        if patient.tag in hookups and option is not None:
            hookup, line = hookups[patient.tag]
            flow_lpm = sum(x.flow_lpm for x in hookup.lines)
            by = change_by_min(plan, hookup.cylinders[0], flow_lpm, hookup.flow_from_min)
            yield _row(patient, line.device, line.flow_lpm, option.level) | {
                "regulator": hookup.regulator,
                "cylinder": hookup.cylinders[0],
                "together": [x.patient for x in hookup.lines if x is not line],
                "change_by_min": by,
                "change_by_clock": clock(plan.incident.start, by),
            }
        elif plan.state.patient(patient.tag).status == "unknown" and option is not None:
            promise = promises.get(patient.tag)
            yield _row(patient, option.device, option.flow_lpm, option.level) | {
                "regulator": None if promise is None else promise.regulator,
                "cylinder": None,
                "together": [],
                "change_by_min": None,
                "change_by_clock": None,
            }


def _row(patient: Patient, device: str, flow_lpm: float, level: str) -> dict[str, Any]:
    return {
        "patient": patient.tag,
        "triage": patient.triage,
        "place": patient.place,
        "device": device,
        "flow_lpm": flow_lpm,
        "level": level,
    }


def _waiting(plan: Plan) -> Iterator[dict[str, Any]]:
    connected = {line.patient for h in plan.policy.hookups for line in h.lines}
    for patient in by_triage(plan):
        now = plan.state.patient(patient.tag)
        option = plan.policy.option_of(patient.tag)
        if now.status not in {"here", "waiting"} or patient.tag in connected:
            continue
        if no_oxygen_reason(plan.incident, patient) is not None:
            continue
        yield {
            "patient": patient.tag,
            "triage": patient.triage,
            "place": patient.place,
            "for": waiting_for(plan, patient),
            "device": None if option is None else option.device,
            "flow_lpm": None if option is None else option.flow_lpm,
            "level": None if option is None else option.level,
        }


def by_triage(plan: Plan) -> list[Patient]:
    """Return the patients in the queue's order."""
    from planner.rules import queue_order

    return queue_order(plan.incident)


def _listed(plan: Plan, tag: str) -> dict[str, Any]:
    incident = plan.incident
    cylinder = next(c for c in incident.all_cylinders if c.tag == tag)
    now = next((c for c in plan.state.cylinders if c.tag == tag), None)
    if now is not None:
        place, there = now.place, now.since_min
    else:
        supply = next(r for r in incident.resupply if cylinder in r.cylinders)
        place, there = supply.place, supply.arrive.p50_min
    facts = cylinder_facts(incident, cylinder, now)
    return {
        "cylinder": tag,
        "place": place,
        "there_from_min": there,
        "litres": facts.litres,
        "handbook_litres": facts.handbook_litres,
    }


def _cylinder(plan: Plan, cylinder: Cylinder) -> dict[str, Any]:
    now = next((c for c in plan.state.cylinders if c.tag == cylinder.tag), None)
    facts = cylinder_facts(plan.incident, cylinder, now)
    left_min = power_left_min(cylinder, now)
    if left_min is not None:
        minutes = [left_min if flow <= cylinder.power_rate else 0.0 for flow in (15.0, 6.0)]
    else:
        minutes = [facts.litres / 15, facts.litres / 6]
    return {
        "tag": cylinder.tag,
        "size": cylinder.size,
        "litres": facts.litres,
        "handbook_litres": facts.handbook_litres,
        "minutes_at_15": minutes[0],
        "minutes_at_6": minutes[1],
    }


def sources(plan: Plan) -> list[str]:
    """Return where the numbers behind a plan come from."""
    incident = plan.incident
    approval = (
        f"protocol approved by {incident.approved_by} on {incident.approved_on}"
        if incident.approved_by
        else "example protocol, not approved"
    )
    contents = (
        "litres: real gas, Schmidt and Wagner 1985, reference 70 F and 1 atm"
        if incident.contents == "real gas"
        else "litres: handbook factor (US Army course MD0542)"
    )
    return [
        approval,
        contents,
        "devices and flows: BTS guideline 2017 (10.1136/bmjresp-2016-000170) where published",
        "triage categories: SALT (Disaster Med Public Health Prep 2008;2(Suppl 1):S25-34)",
        "transfer times: those of the file; no published distribution for evacuation on a hill",
    ]
