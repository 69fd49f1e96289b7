"""What an incident holds: patients by category and need, litres by place and connection, kit."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from typing import Any

from planner.banner import BANNER
from planner.errors import Fault
from planner.files import digest
from planner.incident import TRIAGE_ORDER, Incident
from planner.oxygen_options import need_of
from planner.report.facts import assumptions, cylinder_facts
from planner.report.view import Grid
from planner.report.words import TITLES


def holdings(incident: Incident, warnings: Iterable[Fault]) -> dict[str, Any]:
    """Return what an incident holds, raw; litres above the change pressure, real gas."""
    patients: dict[str, Counter[str]] = defaultdict(Counter)
    for patient in incident.patients:
        patients[patient.triage][need_of(incident, patient)] += 1
    places: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    supplies = {c.tag: s.place for s in incident.resupply for c in s.cylinders}
    for cylinder in incident.all_cylinders:
        facts = cylinder_facts(incident, cylinder, None)
        where = cylinder.place or f"resupply to {supplies[cylinder.tag]}"
        places[where, cylinder.connection].append((facts.usable_litres, facts.handbook_litres))
    kit: Counter[tuple[str, str]] = Counter()
    for regulator in incident.regulators:
        kit[regulator.place or "", f"regulator {regulator.connection}"] += 1
    for supply in incident.resupply:
        where = f"resupply to {supply.place}"
        kit.update((where, f"regulator {r.connection}") for r in supply.regulators)
        for stock in supply.devices:
            kit[where, f"{stock.kind}, {stock.age}"] += stock.count
    for stock in incident.devices:
        kit[stock.place or "", f"{stock.kind}, {stock.age}"] += stock.count
    for sundry in incident.sundries:
        kit[sundry.place, sundry.kind] += sundry.count
    for responder in incident.responders:
        kit[responder.place, "responder"] += 1
    return {
        "schema": 1,
        "kind": "check",
        "banner": BANNER,
        "incident": {"name": incident.name, "digest": digest(incident)},
        "patients": {t: dict(patients[t]) for t in TRIAGE_ORDER if t in patients},
        "not_found_yet": [p.tag for p in incident.patients if p.chance_needed < 1],
        "oxygen": [
            {
                "place": place,
                "connection": connection,
                "cylinders": len(rows),
                "litres": sum(row[0] for row in rows),
            }
            for (place, connection), rows in places.items()
        ],
        "kit": [{"place": p, "item": i, "count": n} for (p, i), n in kit.items()],
        "warnings": [str(warning) for warning in warnings],
        "assumptions": list(assumptions(incident)),
    }


def holdings_grids(result: dict[str, Any]) -> list[Grid]:
    """Return the same as tables for the terminal."""
    people = tuple(
        (TITLES[triage], need if need != "none" else "no oxygen indicated", str(number))
        for triage, needs in result["patients"].items()
        for need, number in needs.items()
    )
    oxygen = tuple(
        (row["place"], row["connection"], str(row["cylinders"]), f"{row['litres']:.0f}")
        for row in result["oxygen"]
    )
    kit = tuple((row["place"], row["item"], str(row["count"])) for row in result["kit"])
    return [
        Grid("Patients", ("Category", "Need", "Patients"), people, frozenset({2})),
        Grid(
            "Oxygen above the change pressure, litres at the temperature of use",
            ("Place", "Connection", "Cylinders", "Litres"),
            oxygen,
            frozenset({2, 3}),
        ),
        Grid("Kit and hands", ("Place", "Item", "Count"), kit, frozenset({2})),
    ]
