"""The form of a decision while it is looked at, and whom and what it names."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from planner.errors import Fault
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.exercise.truth_rows import TruePatient, Truth
from planner.incident import Cylinder
from planner.intake import listed, nearest, shown
from planner.units import clock


@dataclass(slots=True)
class Form:
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


# ----- whom and what ----------------------------------------------------------------------------


def patient_of(draft: Form) -> TruePatient | None:
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


def bottle_of(draft: Form) -> Cylinder | None:
    """Return the cylinder named, where players know of it and it is there."""
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


def tell_where(draft: Form, name: str, tag: str, where: tuple[str, float], place: str) -> None:
    """Tell where a thing is when it is not at a place by now."""
    at, from_min = where
    if at != place:
        minutes = draft.exercise.incident.carry_min(at, place)
        way = f"{minutes:g} min to carry" if minutes is not None else "out of reach from there"
        draft.tell(name, f"one at {place}", f"{tag} is at {at}, {way}: move it first.")
    elif from_min > draft.at_min:
        mend = f"{tag} is on its way, there at {draft.time(from_min)}."
        draft.tell(name, f"one that is at {place} by now", mend)


def place_of(draft: Form, person: TruePatient) -> str | None:
    """Return where somebody is; None, and told, while they are carried."""
    if person.there_from_min > draft.at_min:
        mend = (
            f"{person.tag} is being carried, at {person.place} {draft.time(person.there_from_min)}."
        )
        draft.tell("patient", "somebody who is at a place", mend)
        return None
    return person.place
