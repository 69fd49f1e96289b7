"""What no single field of an exercise file shows: tags that the incident lacks, half changes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Final

from planner.errors import Fault
from planner.exercise.changes import (
    DELIVERY_LATER,
    DIAL_STUCK,
    GAUGE_IS,
    KEY_GONE,
    MAY,
    NEEDS,
    PATIENT_DIES,
    PATIENT_FOUND,
    PATIENT_IS,
    RADIO_SILENT,
    REGULATOR_BROKEN,
    REGULATOR_GONE,
    RESPONDER_OUT,
    TRANSPORT_LATER,
    Change,
    ChangeKind,
)
from planner.exercise.injects import Inject
from planner.incident import Incident
from planner.intake import Intake, Row, listed, nearest, shown
from planner.reference import load_protocol
from planner.state import keys

_WORDS: Final[Mapping[ChangeKind, str]] = {
    GAUGE_IS: "cylinder", PATIENT_IS: "patient", PATIENT_DIES: "patient",
    PATIENT_FOUND: "patient", TRANSPORT_LATER: "transfer group, vehicle or patient",
    DELIVERY_LATER: "resupply by number", REGULATOR_BROKEN: "regulator",
    REGULATOR_GONE: "regulator", DIAL_STUCK: "regulator", RESPONDER_OUT: "responder",
    KEY_GONE: "place with a listed key", RADIO_SILENT: "place",
}  # fmt: skip


def check_known(row: Row, incident: Incident, intake: Intake) -> None:
    """Tell tags of what is known at the start that the incident does not have."""
    have: dict[str, list[str]] = {
        "patients": [p.tag for p in incident.patients],
        "cylinders": [c.tag for c in incident.cylinders_here],
        "regulators": [r.tag for r in incident.regulators],
    }
    have["gauges_read"] = [
        c.tag for c in incident.cylinders
        if not row.get("cylinders") or c.tag in row.get("cylinders")
    ]  # fmt: skip
    for name, tags in have.items():
        for tag in row.get(name) or ():
            if tag not in tags:
                mend = nearest(tag, tags) or f"Known: {listed(tags)}."
                words = (shown(tag), "a tag of the incident that is known", mend)
                intake.add(Fault(intake.file, "known", "", name, *words))


def check_injects(injects: Iterable[Inject], incident: Incident, intake: Intake) -> None:
    """Tell what the injects change that the incident does not have, or only half say."""
    have = tags_of(incident)
    for inject in injects:
        for change in inject.changes:
            _check_change(change, f"inject {inject.number}", have, incident, intake)


def tags_of(incident: Incident) -> Mapping[ChangeKind, Collection[str]]:
    """Return what each kind of change may name."""
    people = [p.tag for p in incident.patients]
    counts = keys(incident) or (0,) * len(incident.places)
    regulators = [r.tag for r in incident.all_regulators]
    transport = [g.name for g in incident.transfer_groups] + [v.name for v in incident.vehicles]
    return {
        GAUGE_IS: [c.tag for c in incident.all_cylinders if c.power_min is None],
        PATIENT_IS: people, PATIENT_DIES: people, PATIENT_FOUND: people,
        TRANSPORT_LATER: [*transport, *people],
        DELIVERY_LATER: [str(n) for n in range(1, len(incident.resupply) + 1)],
        REGULATOR_BROKEN: regulators, REGULATOR_GONE: regulators, DIAL_STUCK: regulators,
        RESPONDER_OUT: [r.tag for r in incident.responders],
        KEY_GONE: [p.name for p, n in zip(incident.places, counts, strict=True) if n],
        RADIO_SILENT: [p.name for p in incident.places],
    }  # fmt: skip


def _check_change(
    change: Change, label: str, have: Mapping[ChangeKind, Collection[str]], incident: Incident,
    intake: Intake,
) -> None:  # fmt: skip
    kind, tags = change.kind, have[change.kind]
    if change.tag not in tags:
        mend = nearest(change.tag, tags) or f"Known: {listed(tags) or 'none'}."
        words = (shown(change.tag), f"a {_WORDS[kind]} of the incident", mend)
        intake.add(Fault(intake.file, "changes", label, "tag", *words))
    for name in ("gauge", "triage", "indication", "spo2", "minutes", "flow_lpm"):
        is_there = getattr(change, name) is not None
        if name in NEEDS[kind] and not is_there:
            words = ("nothing", f"something there when the kind is {kind!r}", "Add it.")
            intake.add(Fault(intake.file, "changes", label, name, *words))
        elif is_there and name not in (*NEEDS[kind], *MAY.get(kind, ())):
            words = (shown(getattr(change, name)), f"nothing of that with {kind!r}", "Remove it.")
            intake.add(Fault(intake.file, "changes", label, name, *words))
    if change.indication is not None:
        rows = load_protocol(incident.protocol).rows
        names = [row.name for row in rows]
        if change.indication not in names:
            mend = nearest(change.indication, names) or "Write it as the protocol has it."
            words = (shown(change.indication), "a row of the protocol", mend)
            intake.add(Fault(intake.file, "changes", label, "indication", *words))
    if kind == RADIO_SILENT and change.minutes is not None and change.minutes <= 0:
        words = (shown(change.minutes), "above 0 min", "Say for how long.")
        intake.add(Fault(intake.file, "changes", label, "minutes", *words))
