"""A study as the plain tree of its file, and written: whole or not at all.

The units and names of the file are kept, so that a study survives a round trip; what follows from
the cylinder table is left out again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from planner.cache.study import Family, Item, KnownIncident, Person, Study
from planner.cache.study_fields import OWN, SCHEMA, SHARED
from planner.cache.study_sizes import dial_of, full_mass_kg
from planner.files import write_text
from planner.incident import ThreePoint
from planner.reference import load_cylinders
from planner.units import Pressure, Temperature


def write_study(study: Study, path: str | Path) -> None:
    """Write a study as TOML (or JSON, by the ending), whole or not at all."""
    tree = study_document(study)
    if Path(path).suffix.lower() == ".json":
        write_text(path, json.dumps(tree, indent=2, ensure_ascii=False) + "\n")
        return
    import tomli_w

    write_text(path, tomli_w.dumps(tree))


def study_document(study: Study) -> dict[str, Any]:
    """Return a study as the plain tree of its file; what follows from the tables is left out."""
    head = {"name": study.name, "note": study.note}
    head |= {name: getattr(study, name) for name in (*SHARED, "flows", "approved_by", "review_on")}
    families = [_family_tree(c) for c in study.cases if isinstance(c, Family)]
    incidents = [_known_tree(c) for c in study.cases if isinstance(c, KnownIncident)]
    limits, own = study.limits, study.uncertainty
    tree: dict[str, Any] = {
        "schema": SCHEMA,
        "study": _plain(head),
        "limits": _plain({n: getattr(limits, n) for n in limits.__slots__}),
        "uncertainty": _plain({n: getattr(own, n) for n in own.__slots__}),
        "caches": [_plain({"name": c.name, "carriers": c.carriers}) for c in study.caches],
        "families": families, "incidents": incidents,
        "items": [_item_tree(item) for item in study.items],
    }  # fmt: skip
    return {name: value for name, value in tree.items() if value != []}


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return values as a file has them; what is None is left out."""
    tree: dict[str, Any] = {}
    for name, value in values.items():
        if isinstance(value, Pressure):
            tree[f"{name}_{value.unit}"] = value.value
        elif isinstance(value, Temperature):
            tree[f"{name}_{value.unit.lower()}"] = value.value
        elif isinstance(value, ThreePoint):
            points = [value.p10_min, value.p50_min, value.p90_min]
            tree[name] = points[0] if value.is_fixed else points
        elif isinstance(value, date):
            tree[name] = value.isoformat()
        elif value is not None:
            tree[name] = list(value) if isinstance(value, tuple) else value
    return tree


def _family_tree(family: Family) -> dict[str, Any]:
    counted = family.num_patients
    return {
        "name": family.name,
        "weight": family.weight,
        "num_patients": {"counts": list(counted.counts), "chances": list(counted.chances)},
        "responders": family.responders,
        "altitude_m": family.altitude_m,
        "weather": [
            _plain({"air_temperature": w.temperature, "chance": w.chance}) for w in family.weather
        ],
        "spots": [
            {"name": s.name, "chance": s.chance, "arrive_min": dict(s.arrive_min)}
            for s in family.spots
        ],
        "transfer_groups": [
            _plain({
                "name": g.name, "no_show_chance": g.no_show_chance, "fallback_min": g.fallback,
                "kit_return_min": g.kit_return_min,
            })
            for g in family.transfer_groups
        ],
        "people": [_person_tree(person) for person in family.people],
    }  # fmt: skip


def _person_tree(person: Person) -> dict[str, Any]:
    renamed = {"transfer": "transfer_min", "found": "found_min"}
    return _plain({renamed.get(n, n): getattr(person, n) for n in person.__slots__})


def _known_tree(case: KnownIncident) -> dict[str, Any]:
    return {
        "name": case.name, "file": case.file, "weight": case.weight,
        "places": dict(case.places), "keep_kit": case.keeps_kit,
    }  # fmt: skip


def _item_tree(item: Item) -> dict[str, Any]:
    everyone = ("name", "kind", "mass_kg", "price", "volume_l", "most", "unusable_chance")
    names = dict.fromkeys((*everyone, *OWN[item.kind]))
    if item.kind == "cylinder" and item.gauge is not None:
        size = load_cylinders()[item.size]
        mass = full_mass_kg(item.size, item.water_volume_l, item.gauge, item.filled_at)
        table = {
            "mass_kg": mass, "gauge": Pressure(size.service_psi, "psi"),
            "water_volume_l": size.water_volume_l, "factor_l_per_psi": size.factor_l_per_psi,
            "settings_lpm": dial_of(item.kind, item.connection),
        }  # fmt: skip
        for name, value in table.items():
            if getattr(item, name) == value:
                names.pop(name)
    tree = _plain({name: getattr(item, name) for name in names})
    return tree | ({"held": dict(item.held)} if item.held else {})
