"""Between a situation and the rows in which the page shows it; nothing here knows Streamlit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from planner.files import incident_from
from planner.incident import Incident, Patient
from planner.oxygen_options import options_of
from planner.report.words import counted
from planner.situation_fields import GONE, ON_OXYGEN, TRANSFERRED, WAITING


@dataclass(frozen=True, slots=True)
class Row:
    """How one patient stands; ``gauge`` is what the gauge of the cylinder on reads."""

    tag: str
    triage: str
    now: str
    cylinder: str | None
    regulator: str | None
    device: str | None
    flow_lpm: float | None
    gauge: float | None


@dataclass(frozen=True, slots=True)
class Sources:
    """What may be chosen: tags, gauges in the incident's unit, groups and deliveries by name."""

    cylinders: tuple[str, ...]
    reserve: tuple[str, ...]
    regulators: tuple[str, ...]
    gauges: Mapping[str, float]
    unit: str
    transports: tuple[tuple[str, str], ...]  # table and name: transfer groups, vehicles
    deliveries: tuple[str, ...]
    arrived: frozenset[int]


def rows_of(tree: Mapping[str, Any], expected: Mapping[str, Any]) -> list[Row]:
    """Return a row for everyone who may want oxygen, in file order; the dead have none."""
    incident = incident_from(tree).incident
    people = {p.tag: p for p in incident.patients}
    gauges = _gauges(expected)
    rows = []
    for each in expected["patients"]:
        patient = people[each["tag"]]
        if patient.triage == "dead" or not options_of(incident, patient):
            continue
        on = each.get("connected") or {}
        cylinder = on.get("cylinder")
        rows.append(
            Row(
                patient.tag, patient.triage, each["now"], cylinder, on.get("regulator"),
                on.get("device") or _first_device(incident, patient), on.get("flow_lpm"),
                gauges.get(cylinder or ""),
            )
        )  # fmt: skip
    return rows


def _first_device(incident: Incident, patient: Patient) -> str:
    return options_of(incident, patient)[0].device


def sources_of(tree: Mapping[str, Any], expected: Mapping[str, Any]) -> Sources:
    """Return what may be chosen at the expected minute."""
    incident = incident_from(tree).incident
    there = [c for c in expected["cylinders"] if c["now"] not in {TRANSFERRED, GONE, "taken off"}]
    came = frozenset(row["number"] for row in expected.get("resupply", ()) if row["arrived"])
    return Sources(
        cylinders=tuple(c["tag"] for c in there),
        reserve=tuple(c["tag"] for c in there if c["now"] == "reserve"),
        regulators=tuple(k["tag"] for k in expected["regulators"] if not k["is_gone"]),
        gauges=_gauges(expected),
        unit="bar" if incident.change_at.unit == "bar" else "psi",
        transports=(
            *(("transfer_groups", g.name) for g in incident.transfer_groups),
            *(("vehicles", v.name) for v in incident.vehicles),
        ),
        deliveries=tuple(
            f"Delivery {n} to {r.place} ({counted(len(r.cylinders), 'cylinder')}) is there"
            for n, r in enumerate(incident.resupply, 1)
        ),
        arrived=came,
    )


def _gauges(expected: Mapping[str, Any]) -> dict[str, float]:
    return {
        c["tag"]: c[name]
        for c in expected["cylinders"]
        for name in ("gauge_psi", "gauge_bar")
        if name in c
    }


def corrected(
    tree: dict[str, Any],
    rows: Sequence[Row],
    gone: Iterable[str],
    later: Mapping[tuple[str, str], float],
    arrived: Sequence[int],
    sources: Sources,
) -> dict[str, Any]:
    """Return the expected situation as corrected by the rows of the page.

    Whoever stands as expected keeps everything expected of it, to the minute. Everybody else is
    told anew: where a cylinder is on that was not, its flow began at this minute.
    """
    at_min = tree["situation"]["at_min"]
    said = {row.tag: row for row in rows}
    tree["patients"] = [_patient(each, said.get(each["tag"]), at_min) for each in tree["patients"]]
    used = {p["connected"]["cylinder"] for p in tree["patients"] if p.get("connected")}
    read = {row.cylinder: row.gauge for row in rows if row.cylinder and row.gauge is not None}
    lost = set(gone)
    tree["cylinders"] = [
        _cylinder(each, used, lost, read.get(each["tag"]), sources) for each in tree["cylinders"]
    ]
    holders = {p["connected"].get("regulator"): p["tag"] for p in tree["patients"]
               if p.get("connected")}  # fmt: skip
    left = {p["tag"] for p in tree["patients"] if p["now"] == TRANSFERRED}
    waits = {p["tag"] for p in tree["patients"] if p["now"] in {ON_OXYGEN, WAITING}}
    bare = waits - set(holders.values())
    tree["regulators"] = [_regulator(each, holders, bare, left) for each in tree["regulators"]]
    tree["devices"] = [_device(each, waits, left) for each in tree["devices"]]
    for table in ("transfer_groups", "vehicles"):
        tree[table] = [
            {"name": name, "later_min": by}
            for (of, name), by in later.items()
            if by and of == table
        ]
    tree["resupply"] = [{"number": n, "arrived": True} for n in arrived]
    return tree


def _patient(each: dict[str, Any], row: Row | None, at_min: float) -> dict[str, Any]:
    if row is None:
        return each
    on = each.get("connected") or {}
    new = None
    if row.now == ON_OXYGEN and row.cylinder:
        new = {"cylinder": row.cylinder, "device": on.get("device") or row.device,
               "flow_lpm": row.flow_lpm}  # fmt: skip
        new |= {"regulator": row.regulator} if row.regulator else {}
    if row.now == each["now"] and new == (on or None):
        return each
    told: dict[str, Any] = {"tag": row.tag, "now": row.now, "place": each["place"]}
    told |= {name: each[name] for name in ("legs_done", "arrives_min") if name in each}
    if new is not None:
        told["connected"] = new
        first = each.get("first_flow_min")
        told["first_flow_min"] = at_min if first is None else min(first, at_min)
        told["flow_from_min"] = at_min
    elif row.now == WAITING:
        told["waiting_since_min"] = min(each.get("waiting_since_min", at_min), at_min)
    return told


def _cylinder(
    each: dict[str, Any], used: set[str], lost: set[str], gauge: float | None, sources: Sources
) -> dict[str, Any]:
    now = each["now"]
    if each["tag"] in used:
        now = "in use"
    elif each["tag"] in lost:
        now = GONE
    elif now == "in use":  # off the patient who was expected to be on it, and still there
        now = "reserve"
    told = {**each, "now": now}
    if gauge is not None and gauge != sources.gauges.get(each["tag"]):
        told = {k: v for k, v in told.items() if not k.startswith("gauge_")}
        told[f"gauge_{sources.unit}"] = gauge
    return told


def _regulator(
    each: dict[str, Any], holders: Mapping[str | None, str], bare: set[str], left: set[str]
) -> dict[str, Any]:
    """Return a regulator's row; who waits without a cylinder keeps what was given to it."""
    if holders.get(each["tag"]) is None and each.get("holder") in bare:
        return each
    told = {k: v for k, v in each.items() if k != "holder"}
    holder = holders.get(each["tag"])
    if holder is not None:
        return {**told, "holder": holder, "is_gone": False}
    return {**told, "is_gone": each["is_gone"] or each.get("holder") in left}


def _device(each: dict[str, Any], waits: set[str], left: set[str]) -> dict[str, Any]:
    holder = each.get("holder")
    if holder is None or holder in waits:
        return each
    told = {k: v for k, v in each.items() if k != "holder"}
    return {**told, "is_gone": each["is_gone"] or holder in left}
