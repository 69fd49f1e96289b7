"""Cross-checks of a situation against its incident: one rule each, all faults at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from planner.errors import Fault
from planner.incident import Incident
from planner.intake import Row, listed, nearest, shown
from planner.reference import load_devices, load_protocol
from planner.situation_fields import ON_OXYGEN, TABLES_NOW
from planner.situation_state import status_now
from planner.state import device_units, initial_state
from planner.units import CLOCK_NOISE_MIN

Rows = Mapping[str, list[Row]]
Rule = Callable[[Rows, Incident], Iterator[Fault]]


def check(rows: Rows, incident: Incident, file: str) -> list[Fault]:
    """Return every fault, in the order of the rules."""
    del file  # each row carries its own
    return [fault for rule in RULES for fault in rule(rows, incident)]


def _fault(row: Row, field: str, allowed: str, mend: str) -> Fault:
    value = row.get(field)
    received = "nothing" if value is None else shown(value)
    name = row.raw_names.get(field, field)
    return Fault(row.file, row.table.name, row.label, name, received, allowed, mend)


def names_are_the_incidents(rows: Rows, incident: Incident) -> Iterator[Fault]:
    """Every row is about something that the incident has."""
    known = {
        "patients": [p.tag for p in incident.patients],
        "cylinders": [c.tag for c in incident.all_cylinders],
        "regulators": [r.tag for r in incident.all_regulators],
        "devices": [u.tag for u in device_units(incident)],
        "responders": [r.tag for r in incident.responders],
        "transfer_groups": [g.name for g in incident.transfer_groups],
        "vehicles": [v.name for v in incident.vehicles],
        "washers": [p.name for p in incident.places],
    }
    for table, names in known.items():
        key = TABLES_NOW[table].key
        for row in rows[table]:
            yield from _unknown(row, key, names)
            yield from _unknown(row, "place", [p.name for p in incident.places])
            yield from _unknown(row, "holder", known["patients"])
    for row in rows["resupply"]:
        number = row.get("number")
        if number is not None and number > len(incident.resupply):
            most = len(incident.resupply)
            allowed = f"1 to {most}" if most else "none: the incident has no resupply"
            yield _fault(row, "number", allowed, "Count them in the incident's order.")
    for row in rows["patients"]:
        protocol = load_protocol("example")
        if row.get("indication") and protocol.indication(row.get("indication")) is None:
            yield from _unknown(row, "indication", [each.name for each in protocol.rows])


def _unknown(row: Row, field: str, names: list[str]) -> Iterator[Fault]:
    value = row.get(field) if field in row.raw_names else None
    if value is not None and value not in names:
        mend = nearest(value, names) or "Add it to the incident file, or check the spelling."
        yield _fault(row, field, f"one of {listed(names)}" if names else "none", mend)


def each_is_named_once(rows: Rows, incident: Incident) -> Iterator[Fault]:
    """No two rows are about the same thing."""
    del incident
    for table, found in rows.items():
        key = TABLES_NOW[table].key or ("number" if table == "resupply" else "")
        counts = Counter(row.get(key) for row in found if key and row.get(key) is not None)
        for row in found:
            if key and counts[row.get(key)] > 1:
                counts[row.get(key)] = 0
                yield _fault(row, key, "each one once", "Put its facts into one row.")


def minute_is_within(rows: Rows, incident: Incident) -> Iterator[Fault]:
    """Hold the minute before the horizon, and what has happened before the minute."""
    head = rows["situation"][0]
    at_min = head.get("at_min")
    if at_min is None:
        return
    if at_min >= incident.horizon_min:
        allowed = f"0 to less than {incident.horizon_min:g}, the horizon"
        yield _fault(head, "at_min", allowed, "Raise horizon_min in the incident file.")
    # In the gap of a swap the next flow has a minute already.
    latest = {"waiting_since_min": at_min, "first_flow_min": at_min + incident.swap_gap_min}
    for row in rows["patients"]:
        for name, limit in latest.items():
            if row.get(name) is not None and row.get(name) > limit + CLOCK_NOISE_MIN:
                mend = "What is still to come does not stand here."
                yield _fault(row, name, f"0 to {at_min:g}, the situation's minute", mend)


def sources_fit(rows: Rows, incident: Incident) -> Iterator[Fault]:
    """Whoever is on oxygen has a cylinder, a regulator that fits it, and a mask that is there."""
    cylinders = {c.tag: c for c in incident.all_cylinders}
    regulators = {r.tag: r for r in incident.all_regulators}
    was = {p.tag: p.status for p in initial_state(incident).patients}
    for row in rows["patients"]:
        on = row.get("connected")
        tag = row.get("tag")
        if on is None:
            if row.get("now") == ON_OXYGEN and was.get(tag) != "here":
                yield _fault(row, "connected", "what the patient breathes from",
                             "Add connected = { cylinder = ..., device = ... }.")  # fmt: skip
            continue
        if tag in was and status_now(row, was[tag]) != "here":
            allowed = f'now = "{ON_OXYGEN}", or nothing connected'
            yield _fault(row, "now", allowed, "Leave one of the two out.")
        yield from _unknown(on, "cylinder", list(cylinders))
        yield from _unknown(on, "regulator", list(regulators))
        yield from _unknown(on, "device", list(load_devices()))
        cylinder = cylinders.get(on.get("cylinder"))
        regulator = regulators.get(on.get("regulator"))
        if cylinder is None or (regulator is None and on.get("regulator") is not None):
            continue
        dial = cylinder.settings_lpm if regulator is None else regulator.settings_lpm
        fits = cylinder.connection if regulator is None else regulator.connection
        if regulator is None and not dial:
            yield _fault(on, "regulator", f"one for {cylinder.connection}",
                         "Say which regulator is on it.")  # fmt: skip
        elif fits != cylinder.connection:
            yield _fault(on, "regulator", f"one for {cylinder.connection}",
                         f"{on.get('regulator')} is for {fits}.")  # fmt: skip
        elif on.get("flow_lpm") is not None and on.get("flow_lpm") not in dial:
            dialled = ", ".join(f"{flow:g}" for flow in dial)
            yield _fault(on, "flow_lpm", f"a flow that its dial has: {dialled}",
                         "Read the dial again.")  # fmt: skip


def nothing_is_used_twice(rows: Rows, incident: Incident) -> Iterator[Fault]:
    """No outlet is on two people: all on one cylinder are on one regulator that has enough."""
    before = {line.patient: h for h in initial_state(incident).hookups for line in h.lines}
    said = {row.get("tag"): row for row in rows["patients"]}
    outlets = {r.tag: r.outlets for r in incident.all_regulators}
    users: dict[str, list[tuple[str, tuple[str, str | None]]]] = {}
    for patient in incident.patients:
        row, hookup = said.get(patient.tag), before.get(patient.tag)
        on = None if row is None else row.get("connected")
        if on is not None:
            source = (on.get("cylinder"), on.get("regulator"))
        elif hookup is not None and (row is None or row.get("now") in {None, ON_OXYGEN}):
            source = (hookup.cylinders[0], hookup.regulator)
        else:
            continue
        for kind, used in zip(("cylinder", "regulator"), source, strict=True):
            if used is None:
                continue
            known = users.setdefault(f"{kind} {used}", [])
            is_alike = all(other == source for _, other in known)
            if known and on is not None and not (
                is_alike and len(known) < outlets.get(source[1] or "", 1)
            ):  # fmt: skip
                yield _fault(on, kind, f"one that nobody else is on ({known[0][0]} is)",
                             "Say what the other one is on now.")  # fmt: skip
            known.append((patient.tag, source))


def what_is_used_is_there(rows: Rows, incident: Incident) -> Iterator[Fault]:
    """Nobody breathes from something whose delivery has not arrived, or that is gone."""
    came = {row.get("number") for row in rows["resupply"] if row.get("arrived") is True}
    waits = {
        tag: n
        for n, supply in enumerate(incident.resupply, 1)
        if n not in came
        for tag in (*(c.tag for c in supply.cylinders), *(r.tag for r in supply.regulators))
    }
    gone = {row.get("tag") for row in rows["cylinders"] if row.get("now") not in {None, "in use"}}
    gone |= {row.get("tag") for row in rows["regulators"] if row.get("is_gone") is True}
    for row in rows["patients"]:
        on = row.get("connected")
        for kind in ("cylinder", "regulator"):
            used = None if on is None else on.get(kind)
            if used in waits:
                mend = f"Say that resupply {waits[used]} has arrived."
                yield _fault(on, kind, "one that is there", mend)
            if used in gone:
                yield _fault(on, kind, "one that is in use", "Its own row says otherwise.")


def masks_suffice(rows: Rows, incident: Incident) -> Iterator[Fault]:
    """No more people wear a mask of a kind and age than there are by now."""
    came = {row.get("number") for row in rows["resupply"] if row.get("arrived") is True}
    units = Counter(
        (u.kind, u.age)
        for u in device_units(incident)
        if u.resupply is None or u.resupply + 1 in came
    )
    ages = {p.tag: p.age for p in incident.patients}
    for row in rows["patients"]:
        on = row.get("connected")
        if on is None or row.get("tag") not in ages or on.get("device") not in load_devices():
            continue
        kind = (on.get("device"), ages[row.get("tag")])
        units[kind] -= 1
        if units[kind] < 0:
            mend = "Add it to the incident file, or say what is really on."
            yield _fault(on, "device", f"one of which another is there ({kind[1]})", mend)


RULES: Final[tuple[Rule, ...]] = (
    names_are_the_incidents, each_is_named_once, minute_is_within, sources_fit,
    nothing_is_used_twice, what_is_used_is_there, masks_suffice,
)  # fmt: skip
