"""Facts that every report needs and no earlier stage keeps: change-by, waiting for, assumptions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from planner.fields import TABLES, Field
from planner.gas import content_l
from planner.incident import Cylinder, Incident, Patient
from planner.oxygen_options import options_of, protocol_row
from planner.plan import Plan
from planner.shelf import Shelf, usable_l
from planner.state import CylinderNow

TABLE_FIELDS = frozenset({"connection", "water_volume_l", "factor_l_per_psi"})


@dataclass(frozen=True, slots=True)
class CylinderFacts:
    """Litres above the safe residual, and minutes to it; handbook beside real gas."""

    cylinder: Cylinder
    litres: float
    handbook_litres: float
    usable_litres: float


def cylinder_facts(
    incident: Incident, cylinder: Cylinder, now: CylinderNow | None
) -> CylinderFacts:
    """Return what a cylinder holds above the safe residual at the temperature of use.

    Litres are reference litres (70 F, 1 atm); the handbook figure is by the size's factor. A
    concentrator holds none.
    """
    if cylinder.power_min is not None:
        return CylinderFacts(cylinder, 0.0, 0.0, 0.0)
    gauge, read_at = (cylinder.gauge, cylinder.read_at) if now is None else (now.gauge, now.read_at)
    residual = incident.safe_residual.psi
    floor = content_l(cylinder.water_volume_l, residual, incident.air_temperature.c)
    litres = max(0.0, content_l(cylinder.water_volume_l, gauge.psi, read_at.c) - floor)
    handbook = cylinder.factor_l_per_psi * max(0.0, gauge.psi - residual)
    change = incident.change_at.psi
    if incident.contents == "handbook":
        usable = cylinder.factor_l_per_psi * (gauge.psi - change)
    else:
        usable = (
            litres + floor - content_l(cylinder.water_volume_l, change, incident.air_temperature.c)
        )
    return CylinderFacts(cylinder, litres, handbook, max(0.0, usable))


def change_by_min(plan: Plan, cylinder_tag: str, flow_lpm: float, from_min: float) -> float:
    """Return when a cylinder reaches the change pressure at a constant dial setting.

    Its gauge is the state's, so what ran from it before the state's minute counts no more.
    """
    cylinder = next(c for c in plan.incident.all_cylinders if c.tag == cylinder_tag)
    usable = usable_l(plan.incident, plan.state, cylinder)
    begin = max(from_min, plan.state.at_min)
    if cylinder.power_min is not None:
        return begin + usable / cylinder.power_rate
    return begin + usable / (flow_lpm * plan.incident.uncertainty.cold_flow_factor)


def waiting_for(plan: Plan, patient: Patient) -> str:
    """Return what somebody who is there lacks now: regulator, mask, cylinder or hands."""
    option = plan.policy.option_of(patient.tag)
    if option is None:
        return "cylinder"
    shelf = Shelf.of(plan.incident, plan.state)
    used = {tag for h in plan.policy.hookups for tag in h.cylinders}
    held = {h.regulator for h in plan.policy.hookups} | {p.regulator for p in plan.policy.promises}
    masks = {p.device for p in plan.policy.promises}
    shelf.cylinders = [tag for tag in shelf.cylinders if tag not in used]
    shelf.regulators = [r for r in shelf.regulators if r.tag not in held]
    shelf.devices = [d for d in shelf.devices if d.tag not in masks]
    for hookup in plan.policy.hookups:
        for line in hookup.lines:
            wearer = next(p for p in plan.incident.patients if p.tag == line.patient)
            worn = next(
                (d for d in shelf.devices if d.kind == line.device and d.age == wearer.age), None
            )
            if worn is not None:
                shelf.devices.remove(worn)
    return shelf.lacks(patient, option)


def no_oxygen_reason(incident: Incident, patient: Patient) -> str | None:
    """Return why a patient has no oxygen indicated; None when it has."""
    if options_of(incident, patient):
        return None
    if patient.triage == "dead":
        return "dead"
    if patient.triage == "expectant":
        return "expectant: from surplus only, re-triage at every resupply"
    row = protocol_row(incident, patient)
    if row is None:
        return "no oxygen, by the file"
    if row.need == "none":
        return row.name
    return f"{row.name}: no mask of the protocol fits {patient.age}"


def assumptions(incident: Incident) -> Iterator[str]:
    """Return, in plain words and one line a table, what was left out and taken as usual."""
    labels: dict[tuple[str, str], set[str]] = defaultdict(set)
    for name, row, missing in incident.assumed:
        if missing not in TABLE_FIELDS and (missing, name[-9:]) != ("settings_lpm", "cylinders"):
            labels[name, missing].add(row)
    for table in TABLES.values():
        words = []
        for field in table.fields:
            rows = labels.get((table.name, field.name))
            if not rows:
                continue
            text = f"{field.name.removesuffix('_min').replace('_', ' ')} {_usual(field)}"
            items = getattr(incident, table.name, ())
            if not table.is_single and 0 < len(rows) < len(items):
                text += f" ({_few(items, rows)})"
            words.append(text)
        if words:
            yield f"{table.title}: {', '.join(words)}"


def _few(items: tuple[object, ...], rows: set[str]) -> str:
    """Name the rows in file order, or count them when they are many."""
    order = [str(getattr(item, "tag", getattr(item, "name", ""))) for item in items]
    named = [tag for tag in order if tag in rows]
    return ", ".join(named) if 0 < len(named) <= 5 else f"{len(rows)} rows"


def _usual(field: Field) -> str:
    if field.name == "read_at":
        return "air temperature"
    if field.name == "place":
        return "the only one"
    if field.default is None:
        return "by the tables"
    text = _value(field.default)
    unit = field.unit
    return f"{text} {unit}" if unit and not text.endswith(unit) else text


def _value(default: object) -> str:
    if isinstance(default, bool):
        return "yes" if default else "no"
    if isinstance(default, tuple):
        if len(set(default)) == 1:
            default = default[:1]
        return " ".join(f"{item:g}" if isinstance(item, float) else str(item) for item in default)
    unit, value = getattr(default, "unit", None), getattr(default, "value", None)
    if unit is not None and isinstance(value, float):
        return f"{value:g} {unit}"
    return f"{default:g}" if isinstance(default, float) else str(default)
