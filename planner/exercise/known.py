"""What players know: a plain tree, built by putting in what they were told and what they did.

It never looks at the truth or the luck. What becomes known in a run is an event of it (somebody was
found, a delivery came, a gauge was read), so the tree follows from the start and the events alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from planner.banner import BANNER
from planner.exercise.run import Run, Told
from planner.exercise.setup import Exercise
from planner.journal.events import (
    WORDS,
    Connected,
    CylinderEmpty,
    CylinderLow,
    Died,
    Disconnected,
    FlowChanged,
    Found,
    GaugeRead,
    LogEntry,
    Moved,
    ResupplyArrived,
    Swapped,
    Transferred,
    TreatmentStopped,
    TriageChanged,
    in_force,
)
from planner.units import Pressure, clock

NOT_READ = "not read"
LATE_MIN = 2.0  # our own: what is written so much later than it was done is told as that
Tree = dict[str, Any]


def known_to_players(exercise: Exercise, run: Run, minute: float | None = None) -> Tree:
    """Return exactly what players know at a minute.

    Parameters
    ----------
    exercise : Exercise
    run : Run
    minute : float or None
        None: what its clock shows. What was recorded later counts for nothing.

    Returns
    -------
    dict
        Texts, numbers, lists and dicts only: ``clock``, ``patients``, ``cylinders``,
        ``regulators``, ``injects``, ``log``, ``revealed``. Texts are as they were written:
        hostile until escaped.
    """
    until = run.minute if minute is None else minute
    told = [t for t in run.told if t.minute <= until]
    entries = [e for e in in_force(t.entry for t in told).entries if e.at_min <= until]
    people = _people(exercise, entries)
    bottles = _cylinders(exercise, entries)
    _connections(exercise, entries, people, bottles)
    start = exercise.incident.start
    return {
        "banner": BANNER,
        "exercise": exercise.name,
        "incident": exercise.incident.name,
        "clock": {
            "minute": round(until, 2), "time": clock(start, until),
            "is_running": run.clock.is_running, "speed": run.clock.speed,
            "is_stopped": run.is_stopped, "is_ended": run.is_ended,
        },
        "told_at_start": exercise.known.told,
        "places": [place.name for place in exercise.incident.places],
        "patients": list(people.values()),
        "cylinders": list(bottles.values()),
        "regulators": _regulators(exercise, entries, people),
        "injects": [
            {"number": k, "time": clock(start, g.minute), "minute": round(g.minute, 2),
             "from": g.inject.sender, "to": g.inject.receiver, "text": g.inject.text}
            for k, g in enumerate((g for g in run.given if g.minute <= until), 1)
        ],
        "log": _log(exercise, told, entries),
        "revealed": [
            {"time": clock(start, r.minute), "lines": list(r.lines)}
            for r in run.revealed if r.minute <= until
        ],
    }  # fmt: skip


# ----- people -----------------------------------------------------------------------------------


def _people(exercise: Exercise, entries: Iterable[LogEntry]) -> dict[str, Tree]:
    """Return those known of: at the start, and found since; with what anybody there can see."""
    rows: dict[str, Tree] = {}
    for tag in exercise.known.patients:
        rows[tag] = _person(exercise, tag, "known of, not there yet")
    for entry in entries:
        match entry.event:
            case Found(tag):
                row = rows.get(tag) or _person(exercise, tag, "")
                row |= {"status": "there", "found": clock(exercise.incident.start, entry.at_min)}
                row["place"] = entry.place or row["place"]
                rows[tag] = row
            case Moved(str(tag)) if tag in rows:
                rows[tag]["place"] = entry.place or rows[tag]["place"]
            case TriageChanged(tag, triage) if tag in rows:
                rows[tag]["triage"] = triage
            case Transferred(tag) if tag in rows:
                rows[tag]["status"] = "transferred"
            case Died(tag) if tag in rows:
                rows[tag]["status"] = "dead"
            case TreatmentStopped(tag) if tag in rows:
                rows[tag]["status"] = "treatment stopped"
            case _:
                pass
    return rows


def _person(exercise: Exercise, tag: str, status: str) -> Tree:
    patient = next((p for p in exercise.incident.patients if p.tag == tag), None)
    row: Tree = {"tag": tag, "status": status, "place": "", "on": None}
    if patient is not None:
        row |= {
            "triage": patient.triage, "age": patient.age, "place": patient.place,
            "indication": patient.indication or "", "spo2": patient.spo2,
        }  # fmt: skip
    return row


# ----- cylinders and regulators -----------------------------------------------------------------


def _cylinders(exercise: Exercise, entries: Iterable[LogEntry]) -> dict[str, Tree]:
    incident, start = exercise.incident, exercise.incident.start
    all_ = {c.tag: c for c in incident.all_cylinders}
    places = {c.tag: s.place for s in incident.resupply for c in s.cylinders}
    rows: dict[str, Tree] = {}

    def row_of(tag: str, place: str | None) -> Tree:
        cylinder = all_.get(tag)
        row: Tree = {"tag": tag, "place": place or places.get(tag, ""), "gauge": NOT_READ,
                     "readings": [], "status": "there"}  # fmt: skip
        if cylinder is not None:
            row |= {"size": cylinder.size, "connection": cylinder.connection}
        return row

    for tag in exercise.known.cylinders:
        rows[tag] = row_of(tag, all_[tag].place)
    for read in exercise.known.gauges_read:
        if read in rows:
            _read(rows[read], all_[read].gauge, clock(start, 0.0))
    for entry in entries:
        event = entry.event
        if isinstance(event, ResupplyArrived):
            rows |= {t: row_of(t, entry.place) for t in event.cylinders if t not in rows}
        tag = str(getattr(event, "cylinder", ""))
        if tag not in rows:
            continue
        if isinstance(event, Moved):
            rows[tag]["place"] = entry.place or rows[tag]["place"]
        gauge = getattr(event, "gauge", None)
        if isinstance(event, CylinderEmpty):
            gauge = Pressure(0.0, all_[tag].gauge.unit)
        has_gauge = GaugeRead | CylinderLow | Connected | Swapped | CylinderEmpty
        if isinstance(event, has_gauge) and gauge is not None:
            _read(rows[tag], gauge, clock(start, entry.at_min))
    return rows


def _read(row: Tree, gauge: Pressure, time: str) -> None:
    text = f"{gauge.value:g}" if gauge.unit == "psi" else f"{gauge.value:g} bar"
    row["gauge"] = f"read {text} at {time}"
    row["readings"].append({"value": gauge.value, "unit": gauge.unit, "time": time})


def _regulators(
    exercise: Exercise, entries: Iterable[LogEntry], people: dict[str, Tree]
) -> list[Tree]:  # fmt: skip
    all_ = {r.tag: r for r in exercise.incident.all_regulators}
    places = {r.tag: s.place for s in exercise.incident.resupply for r in s.regulators}
    rows: dict[str, Tree] = {}

    def put(tag: str, place: str) -> None:
        if tag in all_ and tag not in rows:
            rows[tag] = {"tag": tag, "place": place, "connection": all_[tag].connection,
                         "settings_lpm": list(all_[tag].settings_lpm), "on": []}  # fmt: skip

    for tag in exercise.known.regulators:
        put(tag, all_[tag].place or "")
    for entry in entries:
        if isinstance(entry.event, ResupplyArrived):
            for tag in entry.event.regulators:
                put(tag, entry.place or places.get(tag, ""))
        elif isinstance(entry.event, Moved) and entry.event.regulator in rows:
            rows[entry.event.regulator]["place"] = entry.place or ""
    for person in people.values():
        on = person["on"]
        if on and on["regulator"] in rows:
            row = rows[on["regulator"]]
            row["on"].append(person["tag"])
            row["place"] = person["place"]
    return list(rows.values())


def _connections(  # noqa: PLR0912 - one case an event
    exercise: Exercise, entries: Iterable[LogEntry], people: dict[str, Tree],
    bottles: dict[str, Tree],
) -> None:  # fmt: skip
    """Put in what players themselves have connected, and what was on at the start."""
    start, on = exercise.incident.start, {}
    worn: dict[str, Tree] = {}
    for patient in exercise.incident.patients:
        if patient.connected is not None and patient.tag in exercise.known.patients:
            c = patient.connected
            on[patient.tag] = _on(c.cylinder, c.regulator, c.device, c.flow_lpm, clock(start, 0.0))
    for entry in entries:
        event, time = entry.event, clock(start, entry.at_min)
        tag = getattr(event, "patient", None)
        match event:
            case Connected() | Swapped():
                was = on.get(event.patient) or worn.get(event.patient) or _on("", None, None, None)
                off = on.get(event.patient)
                if off and off["cylinder"] in bottles:
                    bottles[off["cylinder"]]["status"] = "taken off"
                on[event.patient] = _on(
                    event.cylinder, event.regulator or was["regulator"],
                    event.device or was["device"],
                    was["flow_lpm"] if event.flow_lpm is None else event.flow_lpm, time,
                )  # fmt: skip
            case FlowChanged(tag, flow, device) if tag in on:
                on[tag] |= {"flow_lpm": flow, "device": device or on[tag]["device"]}
            case Disconnected() | Transferred() | Died() | TreatmentStopped() if tag in on:
                worn[tag] = on.pop(tag)
                if worn[tag]["cylinder"] in bottles:
                    is_gone = isinstance(event, Transferred)
                    words = "left with the patient" if is_gone else "taken off"
                    bottles[worn[tag]["cylinder"]]["status"] = words
            case _:
                pass
    for tag, source in on.items():
        if tag in people:
            people[tag]["on"] = source
        if source["cylinder"] in bottles:
            bottles[source["cylinder"]] |= {"status": f"on {tag}"}
            if tag in people:
                bottles[source["cylinder"]]["place"] = people[tag]["place"]


def _on(
    cylinder: str, regulator: str | None, device: str | None, flow: float | None, time: str = ""
) -> Tree:  # fmt: skip
    return {"cylinder": cylinder, "regulator": regulator, "device": device, "flow_lpm": flow,
            "since": time}  # fmt: skip


def _log(exercise: Exercise, told: Iterable[Told], held: Iterable[LogEntry]) -> list[Tree]:
    ids = {entry.id for entry in held}
    rows = []
    for each in told:
        entry = each.entry
        if entry.id not in ids:
            continue
        row: Tree = {"id": entry.id, "time": clock(exercise.incident.start, entry.at_min),
                     "event": WORDS[type(entry.event)], "by": each.by}  # fmt: skip
        for name in ("patient", "cylinder", "regulator", "device", "flow_lpm", "items", "count",
                     "triage", "reason", "transport"):  # fmt: skip
            value = getattr(entry.event, name, None)
            if value is not None:
                row[name] = value
        gauge = getattr(entry.event, "gauge", None)
        if gauge is not None:
            row["gauge"] = f"{gauge.value:g} {gauge.unit}"
        row |= {n: v for n in ("place", "role", "note") if (v := getattr(entry, n)) is not None}
        if each.by != "world" and each.minute - entry.at_min >= LATE_MIN:
            row["written"] = f"written {each.minute - entry.at_min:.0f} min later"
        rows.append(row)
    return rows
