"""What is looked at for each thing that a player may decide, and what of it the log gets."""

from __future__ import annotations

from typing import Final

from planner.exercise.connecting import (
    settings_of,
    take_flow,
    take_mask,
    tell_hands,
    tell_sharing,
    tell_small_things,
    valve_of,
)
from planner.exercise.decision_form import Form, bottle_of, patient_of, place_of, tell_where
from planner.exercise.truth import reading_of
from planner.exercise.truth_rows import TruePatient
from planner.intake import listed, nearest


def _connect(draft: Form) -> None:
    person, bottle = patient_of(draft), bottle_of(draft)
    is_swap = draft.entry["event"] == "swapped"
    if person is None or bottle is None:
        return
    place = place_of(draft, person)
    if place is None:
        return
    if is_swap and person.cylinder is None:
        draft.tell("do", "a swap for somebody who has a cylinder on", "Connect instead.")
        return
    if not is_swap and person.cylinder is not None:
        draft.tell("do", "somebody with nothing on", f"{person.tag} is on {person.cylinder}: swap.")
        return
    if person.cylinder == bottle.tag:
        draft.tell("cylinder", "another than the one that is on", f"{bottle.tag} is on already.")
        return
    if is_swap and person.cylinder is not None:
        draft.entry["off"] = person.cylinder
    row = draft.truth.cylinder(bottle.tag)
    if not row.users:
        tell_where(draft, "cylinder", bottle.tag, (row.place, row.there_from_min), place)
    valve = valve_of(draft, person, bottle, place)
    settings = bottle.settings_lpm if valve is None else settings_of(draft, valve)
    tell_sharing(draft, bottle, valve, row.users)
    take_mask(draft, person)
    stuck = valve.stuck_lpm if valve is not None else None
    take_flow(draft, settings, stuck, person.flow_lpm if is_swap else None)
    tell_hands(draft, person, place)
    tell_small_things(draft, bottle, place, is_joining=bool(row.users))


def _on_oxygen(draft: Form) -> tuple[TruePatient, str] | None:
    """Return somebody named and the cylinder that is on; None, and told, where there is none."""
    person = patient_of(draft)
    if person is None:
        return None
    if person.cylinder is None:
        draft.tell("patient", "somebody with oxygen on", f"{person.tag} has nothing on.")
        return None
    return person, person.cylinder


def _set_flow(draft: Form) -> None:
    found = _on_oxygen(draft)
    if found is None:
        return
    person, on = found
    valve = draft.truth.regulator(person.regulator) if person.regulator is not None else None
    settings = draft.cylinder(on).settings_lpm if valve is None else settings_of(draft, valve)
    take_flow(draft, settings, valve.stuck_lpm if valve is not None else None, None)
    if "device" in draft.said:
        take_mask(draft, person)


def _take_off(draft: Form) -> None:
    found = _on_oxygen(draft)
    if found is not None:
        draft.entry["cylinder"] = found[1]


def _read_gauge(draft: Form) -> None:
    if "cylinder" not in draft.said and "patient" in draft.said:
        found = _on_oxygen(draft)
        if found is None:
            return
        draft.said["cylinder"] = found[1]
        draft.entry.pop("patient", None)
    bottle = bottle_of(draft)
    if bottle is None:
        return
    if bottle.power_min is not None:
        draft.tell("cylinder", "one that has a gauge", f"{bottle.tag} is a concentrator.")
        return
    reading = reading_of(draft.exercise, draft.truth, bottle.tag)
    air = draft.exercise.incident.air_temperature
    draft.entry[f"gauge_{reading.unit}"] = reading.value
    draft.entry[f"temperature_{air.unit.lower()}"] = air.value


def _move(draft: Form) -> None:
    names = [p.name for p in draft.exercise.incident.places]
    to = draft.said.get("place", "")
    if to not in names:
        draft.tell("place", "one of " + listed(names), nearest(to, names) or "Say where to.")
        return
    draft.entry["place"] = to
    given = [name for name in ("patient", "cylinder", "regulator") if name in draft.said]
    if len(given) != 1:
        draft.tell("cylinder", "one patient, cylinder or regulator", "Move one thing at a time.",
                   " and ".join(given) or "nothing")  # fmt: skip
        return
    origin = _mover(draft, given[0])
    if origin is None:
        return
    if origin[1] > draft.at_min:
        mend = f"It is on its way, there at {draft.time(origin[1])}."
        draft.tell(given[0], "one that is at a place", mend)
    elif draft.exercise.incident.carry_min(origin[0], to) is None:
        draft.tell("place", f"a place within reach of {origin[0]}", "Go by a place between.")


def _mover(draft: Form, name: str) -> tuple[str, float] | None:  # noqa: PLR0911
    """Return where what is moved is, and from when; None with its fault."""
    if name == "patient":
        person = patient_of(draft)
        return None if person is None else (person.place, person.there_from_min)
    if name == "cylinder":
        bottle = bottle_of(draft)
        if bottle is None:
            return None
        row = draft.truth.cylinder(bottle.tag)
        if row.users:
            draft.tell(name, "one that is not in use", f"It is on {listed(row.users)}: move them.")
            return None
        return row.place, row.there_from_min
    tag, known = draft.said["regulator"], draft.tags("regulators")
    if tag not in known:
        mend = nearest(tag, known) or f"Known: {listed(known)}."
        draft.tell(name, "a regulator that you know of", mend)
        return None
    valve = draft.truth.regulator(tag)
    if valve.users or valve.is_gone:
        why = f"is on {listed(valve.users)}" if valve.users else "is not there any more"
        draft.tell(name, "one that is there and free", f"{tag} {why}.")
        return None
    draft.entry["regulator"] = tag
    return valve.place, valve.there_from_min


def _about_patient(draft: Form) -> None:
    patient_of(draft)
    draft.entry |= {n: draft.said[n] for n in ("triage", "reason") if n in draft.said}


def _request(draft: Form) -> None:
    draft.entry |= {n: draft.said[n] for n in ("items",) if n in draft.said}
    count = draft.said.get("count")
    if count is not None:
        is_whole = count.isascii() and count.isdecimal() and len(count) < 6
        draft.entry["count"] = int(count) if is_whole else count


def _note(draft: Form) -> None:
    if "patient" in draft.said and draft.said["patient"] in draft.tags("patients"):
        draft.entry["patient"] = draft.said["patient"]


CHECKS: Final = {
    "connect": _connect, "swap": _connect, "set flow": _set_flow, "take off": _take_off,
    "read gauge": _read_gauge, "move": _move, "change triage": _about_patient,
    "stop treatment": _about_patient, "request": _request, "note": _note,
}  # fmt: skip
