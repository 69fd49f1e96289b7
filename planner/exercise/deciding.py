"""A decision as one quick form's data: made a log entry, or told why it cannot be done.

A clinically poor choice is taken, an impossible one is not: a tag that players do not know, a
cylinder that is elsewhere, a regulator that does not fit, no free hands. What a message names is
what players know, or what they would see on trying.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from planner.errors import Fault
from planner.exercise.known import known_to_players
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.exercise.truth import reading_of, truth_at
from planner.exercise.truth_rows import TruePatient, TrueRegulator, Truth
from planner.incident import BUILT_IN, Cylinder
from planner.intake import Intake, listed, nearest, printable, shown
from planner.journal.cells import minutes_of_clock
from planner.journal.events import LogEntry
from planner.journal.trees import entry_from
from planner.reference import find_device, load_connections, load_devices
from planner.units import clock

#: What a player may decide, and the log's event for it.
DEEDS: Final[Mapping[str, str]] = {
    "connect": "connected", "swap": "swapped", "set flow": "flow changed",
    "take off": "disconnected", "read gauge": "gauge read", "move": "moved",
    "change triage": "triage changed", "stop treatment": "treatment stopped",
    "request": "requested", "note": "note",
}  # fmt: skip
#: Fields of the form; each may be empty.
FIELDS: Final = (
    "do", "patient", "cylinder", "regulator", "device", "flow_lpm", "place", "triage", "items",
    "count", "reason", "note", "role", "clock",
)  # fmt: skip
HANDS_OF_BAGGING: Final = 2  # as planner.operation counts a bag-valve-mask (job.md)
#: Masks and cannulas of the trade that may be planned with.
_KINDS: Final = tuple(name for name, kind in load_devices().items() if kind.is_plannable)


@dataclass(slots=True)
class _Form:
    """The form while it is looked at: what was said, what players know, what is so."""

    exercise: Exercise
    run: Run
    said: dict[str, str]
    at_min: float
    truth: Truth
    known: dict[str, Any]
    faults: list[Fault] = field(default_factory=list)
    entry: dict[str, Any] = field(default_factory=dict)

    def tell(self, name: str, allowed: str, mend: str, received: str | None = None) -> None:
        """Add a fault about a field."""
        value = shown(self.said.get(name) or None) if received is None else received
        self.faults.append(Fault("", "decision", "", name, value, allowed, mend))

    def tags(self, table: str) -> list[str]:
        """Return the tags that players know of a table."""
        return [row["tag"] for row in self.known[table]]

    def cylinder(self, tag: str) -> Cylinder:
        """Return the incident's row of a cylinder."""
        return next(c for c in self.exercise.incident.all_cylinders if c.tag == tag)

    def time(self, minute: float) -> str:
        """Return the clock time of a minute."""
        return clock(self.exercise.incident.start, minute)


def decide(
    exercise: Exercise, run: Run, form: Mapping[str, object]
) -> LogEntry | tuple[Fault, ...]:  # fmt: skip
    """Return the log entry that a decision makes, or what is impossible about it.

    Parameters
    ----------
    exercise : Exercise
    run : Run
        As it stands; the entry happens at what its clock shows.
    form : mapping
        By `FIELDS`, texts or numbers; empty or None is left out. ``do`` is one of `DEEDS`.
        ``clock`` types something in later: ``17:04``, not after now. ``regulator``, ``device`` and
        ``flow_lpm`` left out stay as they are; a first connection takes the first regulator there
        that fits.

    Returns
    -------
    LogEntry or tuple of Fault
        The id is empty: it comes with the number of the event. A gauge that is read stands in it.
    """
    said, bad = _said(form)
    if bad:
        return bad
    if run.is_stopped or run.is_ended:
        words = "the exercise goes on" if run.is_stopped else "the exercise is not over"
        return (Fault("", "decision", "", "", "a decision", f"one while {words}", "Wait."),)
    at_min, late = _minute(exercise, run, said.get("clock", ""))
    if late is not None:
        return (late,)
    truth, known = truth_at(exercise, run, at_min), known_to_players(exercise, run)
    draft = _Form(exercise, run, said, at_min, truth, known)
    deed = said.get("do", "")
    if deed not in DEEDS:
        draft.tell("do", "one of " + ", ".join(DEEDS), nearest(deed, DEEDS) or "Choose one.")
        return tuple(draft.faults)
    draft.entry |= {"id": "new", "at_min": at_min, "event": DEEDS[deed]}
    draft.entry |= {name: said[name] for name in ("role", "note") if name in said}
    _CHECKS[deed](draft)
    if draft.faults:
        return tuple(draft.faults)
    intake = Intake("")
    entry = entry_from(draft.entry, "decision", intake)
    return entry if entry is not None else tuple(intake.faults)


def _said(form: Mapping[str, object]) -> tuple[dict[str, str], tuple[Fault, ...]]:
    """Return what was filled in as texts; what is no text or number is a fault."""
    said, faults = {}, []
    for name, value in form.items():
        if name not in FIELDS:
            words = ("a field", "one of " + ", ".join(FIELDS), nearest(str(name), FIELDS))
            faults.append(Fault("", "decision", "", printable(str(name)), *words))
        elif isinstance(value, bool) or not isinstance(value, str | int | float | None):
            words = (shown(value), "a text or a number", "Write it again.")
            faults.append(Fault("", "decision", "", name, *words))
        elif value is not None and str(value).strip():
            said[name] = str(value).strip()
    return said, tuple(faults)


def _minute(exercise: Exercise, run: Run, cell: str) -> tuple[float, Fault | None]:
    now = math.floor(run.minute * 100) / 100  # not after what the clock shows
    if not cell:
        return now, None
    found = minutes_of_clock(cell, exercise.incident.start)
    if found is None or found > run.minute:
        until = clock(exercise.incident.start, run.minute)
        words = (shown(cell), f"a time such as 17:04, not after {until}", "Write it so.")
        return now, Fault("", "decision", "", "clock", *words)
    return found, None


# ----- whom and what ----------------------------------------------------------------------------


def _patient(draft: _Form) -> TruePatient | None:
    """Return the patient named, where players know of them and they are there."""
    tag = draft.said.get("patient", "")
    known = draft.tags("patients")
    there = [row["tag"] for row in draft.known["patients"] if row["status"] == "there"]
    if tag not in known:
        draft.tell("patient", "somebody found", nearest(tag, known) or f"Found: {listed(there)}.")
        return None
    person = draft.truth.patient(tag)
    if not person.is_here:
        words = {"not found": "has not been found yet", "dead": "has died"}
        why = words.get(person.status, "has been transferred")
        draft.tell("patient", "somebody who is there", f"{tag} {why}.")
        return None
    draft.entry["patient"] = tag
    return person


def _bottle(draft: _Form) -> Cylinder | None:
    tag = draft.said.get("cylinder", "")
    known = draft.tags("cylinders")
    if tag not in known:
        mend = nearest(tag, known) or f"Known: {listed(known)}."
        draft.tell("cylinder", "a cylinder that you know of", mend)
        return None
    if draft.truth.cylinder(tag).status in {"gone", "to arrive"}:
        draft.tell("cylinder", "one that is there", f"{tag} has left with a patient.")
        return None
    draft.entry["cylinder"] = tag
    return draft.cylinder(tag)


def _is_at(draft: _Form, name: str, tag: str, where: tuple[str, float], place: str) -> None:
    """Tell where a thing is when it is not at a place by now."""
    at, from_min = where
    if at != place:
        minutes = draft.exercise.incident.carry_min(at, place)
        way = f"{minutes:g} min to carry" if minutes is not None else "out of reach from there"
        draft.tell(name, f"one at {place}", f"{tag} is at {at}, {way}: move it first.")
    elif from_min > draft.at_min:
        mend = f"{tag} is on its way, there at {draft.time(from_min)}."
        draft.tell(name, f"one that is at {place} by now", mend)


def _place_of(draft: _Form, person: TruePatient) -> str | None:
    if person.there_from_min > draft.at_min:
        mend = (
            f"{person.tag} is being carried, at {person.place} {draft.time(person.there_from_min)}."
        )
        draft.tell("patient", "somebody who is at a place", mend)
        return None
    return person.place


# ----- deeds ------------------------------------------------------------------------------------


def _connect(draft: _Form) -> None:
    person, bottle = _patient(draft), _bottle(draft)
    is_swap = draft.entry["event"] == "swapped"
    if person is None or bottle is None:
        return
    place = _place_of(draft, person)
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
        _is_at(draft, "cylinder", bottle.tag, (row.place, row.there_from_min), place)
    valve = _valve(draft, person, bottle, place)
    settings = bottle.settings_lpm if valve is None else _settings(draft, valve)
    _shared(draft, bottle, valve, row.users)
    _mask(draft, person)
    stuck = valve.stuck_lpm if valve is not None else None
    _flow(draft, settings, stuck, person.flow_lpm if is_swap else None)
    _hands(draft, person, place)
    _small_things(draft, bottle, place, is_joining=bool(row.users))


def _valve(
    draft: _Form, person: TruePatient, bottle: Cylinder, place: str
) -> TrueRegulator | None:  # fmt: skip
    """Return the regulator to use: the one said, the one on, or the first there that fits."""
    if bottle.connection == BUILT_IN or bottle.power_min is not None:
        if "regulator" in draft.said:
            draft.tell("regulator", f"none: {bottle.tag} has its own valve", "Leave it empty.")
        return None
    kinds = {r.tag: r for r in draft.exercise.incident.all_regulators}
    known = draft.tags("regulators")
    said = draft.said.get("regulator", person.regulator or "")
    if not said:
        free = [
            r for r in draft.truth.regulators
            if r.tag in known and not (r.users or r.is_broken or r.is_gone or r.to_arrive)
            and kinds[r.tag].connection == bottle.connection
            and r.place == place and r.there_from_min <= draft.at_min
        ]  # fmt: skip
        if not free:
            words = f"a regulator for {bottle.connection} that is free at {place}"
            draft.tell("regulator", words, "Move one there, or take one off somebody.")
            return None
        said = free[0].tag
    if said not in known:
        mend = nearest(said, known) or f"Known: {listed(known)}."
        draft.tell("regulator", "a regulator that you know of", mend)
        return None
    valve = draft.truth.regulator(said)
    if valve.is_broken or valve.is_gone:
        why = "does not work" if valve.is_broken else "is not there any more"
        draft.tell("regulator", "one that works and is there", f"{said} {why}: take another.")
        return None
    if kinds[said].connection != bottle.connection:
        words = f"{said} ({kinds[said].connection}) does not fit {bottle.tag} ({bottle.connection})"
        draft.tell("regulator", f"one for {bottle.connection}", f"{words}: take another.")
        return None
    if not valve.users:
        _is_at(draft, "regulator", said, (valve.place, valve.there_from_min), place)
    draft.entry["regulator"] = said
    return valve


def _settings(draft: _Form, valve: TrueRegulator) -> tuple[float, ...]:
    return next(
        r.settings_lpm for r in draft.exercise.incident.all_regulators if r.tag == valve.tag
    )  # fmt: skip


def _shared(
    draft: _Form, bottle: Cylinder, valve: TrueRegulator | None, users: tuple[str, ...]
) -> None:  # fmt: skip
    """Tell what is in use and has no outlet free for one more line."""
    others = [tag for tag in users if tag != draft.said.get("patient")]
    kinds = {r.tag: r for r in draft.exercise.incident.all_regulators}
    if others:
        on = {draft.truth.patient(tag).regulator for tag in others}
        outlets = kinds[valve.tag].outlets if valve is not None else 1
        if valve is None or on != {valve.tag} or len(others) >= outlets:
            words = f"{bottle.tag} is on {listed(others)}"
            draft.tell("cylinder", "one that is free, or a free outlet of its regulator",
                       f"{words}: take another.")  # fmt: skip
    elif valve is not None:
        held = [tag for tag in valve.users if tag != draft.said.get("patient")]
        # A swap of a shared source takes the others along with the regulator.
        is_own = draft.said.get("patient") in valve.users
        if held and not is_own:
            mend = f"{valve.tag} is on {listed(held)}: take another."
            draft.tell("regulator", "one that is free", mend)


def _mask(draft: _Form, person: TruePatient) -> None:
    said = draft.said.get("device", "")
    if not said:
        if person.device is None:
            draft.tell("device", "a mask or cannula", f"Say which: {listed(_KINDS)}.")
        return
    kind = find_device(said)
    name = kind.name if kind is not None else said
    here = [m for m in draft.truth.masks if m.kind == name and not m.is_gone and not m.to_arrive]
    free = [
        m for m in here
        if m.holder in {None, person.tag}
        and _is_in_reach(draft, m.place, m.there_from_min, person)
    ]  # fmt: skip
    if not free:
        # Not a word of what lies where: this goes to players, who are to look.
        mend = nearest(said, _KINDS) if kind is None else ""
        draft.tell("device", f"one that is free and at {person.place} by now",
                   mend or "Have somebody look what there is, or take another kind.")  # fmt: skip
        return
    draft.entry["device"] = name


def _is_in_reach(draft: _Form, origin: str, since: float, person: TruePatient) -> bool:
    """Masks are light: they come along from wherever carrying takes no longer than time passed."""
    minutes = draft.exercise.incident.carry_min(origin, person.place)
    return minutes is not None and since + minutes <= draft.at_min


def _flow(
    draft: _Form, settings: Collection[float], stuck: float | None, before: float | None
) -> None:  # fmt: skip
    text = draft.said.get("flow_lpm")
    if text is None:
        if before is None:
            draft.tell("flow_lpm", "a flow", "Say what the dial is set to.")
        elif before not in settings and settings and before > 0:
            draft.tell("flow_lpm", _dial(settings), "The flow so far is not on this dial: say one.")
        return
    try:
        flow = float(text)
    except ValueError:
        flow = -1.0
    if stuck is not None and flow != stuck:
        draft.tell("flow_lpm", f"{stuck:g}", f"The dial does not move off {stuck:g}.")
    elif flow not in settings and not (flow == 0 and draft.entry["event"] == "flow changed"):
        draft.tell("flow_lpm", _dial(settings), "Choose a setting of the dial.")
    else:
        draft.entry["flow_lpm"] = flow


def _dial(settings: Collection[float]) -> str:
    return "one of " + ", ".join(f"{s:g}" for s in sorted(settings))


def _hands(draft: _Form, person: TruePatient, place: str) -> None:
    if draft.at_min <= 0:
        return  # as planner.operation: first connections at the start take no time
    here = [h for h in draft.truth.hands if h.place == place and not h.is_out]
    free = [h for h in here if h.free_from_min <= draft.at_min]
    bagging = sum(
        HANDS_OF_BAGGING for p in draft.truth.patients
        if p.is_here and p.place == place and p.patient.airway_device and p.device is not None
    )  # fmt: skip
    if len(free) - bagging >= 1:
        return
    later = sorted(h.free_from_min for h in here if h.free_from_min > draft.at_min)
    when = f"The next is free at {draft.time(later[0])}." if later else "Hands are needed there."
    draft.tell("patient", f"a responder free at {place} for {person.tag}", when, "no free hands")


def _small_things(draft: _Form, bottle: Cylinder, place: str, *, is_joining: bool) -> None:
    needs = load_connections().get(bottle.connection)
    keys = dict(draft.truth.keys or ())
    takes_key = needs is not None and needs.needs_key and not is_joining and draft.at_min > 0
    if takes_key and draft.truth.keys is not None:
        held = keys.get(place, ())
        if not any(minute <= draft.at_min for minute in held):
            later = f"The next is free at {draft.time(min(held))}." if held else (
                f"There is none at {place}.")  # fmt: skip
            draft.tell("cylinder", f"a key free at {place}", later, "no key free")
    washers = dict(draft.truth.washers or ())
    if draft.truth.washers is None or needs is None or not needs.needs_washer or is_joining:
        return
    if washers.get(place, 0) < 1:
        draft.tell("cylinder", "a washer for it", f"There is none left at {place}.", "no washer")


def _set_flow(draft: _Form) -> None:
    person = _patient(draft)
    if person is None:
        return
    if person.cylinder is None:
        draft.tell("patient", "somebody with oxygen on", f"{person.tag} has nothing on: connect.")
        return
    valve = draft.truth.regulator(person.regulator) if person.regulator is not None else None
    settings = (
        draft.cylinder(person.cylinder).settings_lpm if valve is None else _settings(draft, valve)
    )
    _flow(draft, settings, valve.stuck_lpm if valve is not None else None, None)
    if "device" in draft.said:
        _mask(draft, person)


def _take_off(draft: _Form) -> None:
    person = _patient(draft)
    if person is not None and person.cylinder is None:
        draft.tell("patient", "somebody with oxygen on", f"{person.tag} has nothing on.")
    elif person is not None:
        draft.entry["cylinder"] = person.cylinder


def _read_gauge(draft: _Form) -> None:
    if "cylinder" not in draft.said and "patient" in draft.said:
        person = _patient(draft)
        if person is None:
            return
        if person.cylinder is None:
            draft.tell("patient", "somebody with oxygen on", f"{person.tag} has nothing on.")
            return
        draft.said["cylinder"] = person.cylinder
        draft.entry.pop("patient", None)
    bottle = _bottle(draft)
    if bottle is None:
        return
    if bottle.power_min is not None:
        draft.tell("cylinder", "one that has a gauge", f"{bottle.tag} is a concentrator.")
        return
    reading = reading_of(draft.exercise, draft.truth, bottle.tag)
    air = draft.exercise.incident.air_temperature
    draft.entry[f"gauge_{reading.unit}"] = reading.value
    draft.entry[f"temperature_{air.unit.lower()}"] = air.value


def _move(draft: _Form) -> None:
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


def _mover(draft: _Form, name: str) -> tuple[str, float] | None:  # noqa: PLR0911
    """Return where what is moved is, and from when; None with its fault."""
    if name == "patient":
        person = _patient(draft)
        return None if person is None else (person.place, person.there_from_min)
    if name == "cylinder":
        bottle = _bottle(draft)
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


def _about_patient(draft: _Form) -> None:
    _patient(draft)
    draft.entry |= {n: draft.said[n] for n in ("triage", "reason") if n in draft.said}


def _request(draft: _Form) -> None:
    draft.entry |= {n: draft.said[n] for n in ("items",) if n in draft.said}
    count = draft.said.get("count")
    if count is not None:
        is_whole = count.isascii() and count.isdecimal() and len(count) < 6
        draft.entry["count"] = int(count) if is_whole else count


def _note(draft: _Form) -> None:
    if "patient" in draft.said and draft.said["patient"] in draft.tags("patients"):
        draft.entry["patient"] = draft.said["patient"]


_CHECKS: Final = {
    "connect": _connect, "swap": _connect, "set flow": _set_flow, "take off": _take_off,
    "read gauge": _read_gauge, "move": _move, "change triage": _about_patient,
    "stop treatment": _about_patient, "request": _request, "note": _note,
}  # fmt: skip
