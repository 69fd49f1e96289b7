"""Cross-checks of an incident file: one rule each, on a draft that may have holes.

Each rule is a generator of faults (the work stops) or warnings (it goes on). Adding a rule is
writing one function and naming it in ``RULES``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import replace
from typing import Any, Final, Protocol

from planner.draft import Draft
from planner.errors import Fault, Severity
from planner.fields import TABLES
from planner.incident import BUILT_IN
from planner.intake import MAX_FAULTS, Row, listed, nearest, shown, too_many
from planner.reference import (
    DeviceKind,
    find_connection,
    find_device,
    find_size,
    load_connections,
    load_cylinders,
    load_devices,
    load_protocol,
    options_for,
)
from planner.units import Pressure

Rule = Callable[[Draft], Iterator[Fault]]


class Named(Protocol):
    """A row of a reference table."""

    @property
    def name(self) -> str:
        """Its own name, as files write it."""


HIGH_GAUGE: Final = 1.2  # times service pressure: a slip of the keyboard (no source, our own)


def check(draft: Draft) -> list[Fault]:
    """Return every fault and warning of the cross-checks, in the order of the rules.

    What is the same for several pieces of kit (a row with ``count = 40``) is told once.
    """
    groups: dict[Fault, list[str]] = {}
    for rule in RULES:
        for number, fault in enumerate(rule(draft)):
            if number >= MAX_FAULTS:
                groups[too_many(draft.file)] = [""]
                break
            is_kit = fault.table.split()[-1] in {"cylinders", "regulators"}
            key = replace(fault, row="") if is_kit else fault
            groups.setdefault(key, []).append(fault.row)
    return [replace(fault, row=_together(rows)) for fault, rows in groups.items()]


def _together(rows: list[str]) -> str:
    """Return the names of rows on one line: at most three of them."""
    names = list(dict.fromkeys(rows))
    rest = len(names) - 3
    return ", ".join(names[:3]) + (f" and {rest} more" if rest > 0 else "")


def _tell(
    draft: Draft, row: Row, field: str, words: tuple[str, str], severity: Severity = "fault"
) -> Fault:
    """Make a fault about a field of a row; ``words`` are what is allowed and the mend."""
    name = row.raw_names.get(field, field)
    value = row.get(field)
    received = "nothing" if value is None else shown(value)
    file = row.file or draft.file
    return Fault(file, row.table.name, row.label, name, received, *words, severity)


def _unknown(
    draft: Draft,
    row: Row,
    field: str,
    known: Collection[str],
    find: Callable[[str], Named | None] | None = None,
) -> Iterator[Fault]:
    """Tell a name that is not known; ``find`` looks it up among other words for the same."""
    value = row.get(field)
    if not isinstance(value, str) or value in known:
        return
    other = find(value) if find else None
    name = other.name if other is not None and other.name in known else None
    other_way = "Check the spelling" + ("." if find else ", or add it to this file.")
    mend = f"Write {name}." if name else nearest(value, known) or other_way
    allowed = f"one of {listed(known)}" if known else "one that this file lists: there is none"
    yield _tell(draft, row, field, (allowed, mend))


def names_are_known(draft: Draft) -> Iterator[Fault]:
    """Places, groups, indications, sizes, connections and devices exist."""
    places, groups = draft.names("places"), draft.names("transfer_groups")
    protocol = load_protocol("example")
    indications = [row.name for row in protocol.rows]
    for name, rows in draft.rows.items():
        for row in rows:
            if name != "places":
                yield from _unknown(draft, row, "place", places)
    for row in draft.rows["patients"]:
        if _is_readable(draft, "transfer_groups"):
            yield from _unknown(draft, row, "transfer_group", groups)
        yield from _unknown(draft, row, "indication", indications, protocol.indication)
        for option in (*(row.get("options") or ()), *_connected(row)):
            yield from _unknown(draft, option, "device", _plannable(), find_device)
    for row in draft.items("cylinders"):
        if isinstance(row.get("size"), str) and find_size(row.get("size")) is None:
            yield from _unknown(draft, row, "size", load_cylinders(), find_size)
        yield from _unknown(draft, row, "connection", load_connections(), find_connection)
    for row in draft.items("regulators"):
        yield from _unknown(draft, row, "connection", load_connections(), find_connection)
        if row.get("connection") == BUILT_IN:
            words = ("a connection that takes a regulator", "A built-in valve needs none.")
            yield _tell(draft, row, "connection", words)
    for row in draft.items("devices"):
        yield from _unknown(draft, row, "kind", _plannable(), find_device)


def somebody_is_listed(draft: Draft) -> Iterator[Fault]:
    """Without patients there is nothing to plan; without cylinders nobody gets any oxygen."""
    told = draft.tables_with_faults
    if not draft.rows["patients"] and "patients" not in told:
        words = ("at least one patient", "Add [[patients]] with a tag and a triage category.")
        yield Fault(draft.file, "patients", "", "", "nothing", *words)
    if not any(True for _ in draft.items("cylinders")) and "cylinders" not in told:
        words = ("at least one cylinder, here or on its way", "Without one nobody gets oxygen.")
        yield Fault(draft.file, "cylinders", "", "", "nothing", *words, "warning")


def tags_are_unique(draft: Draft) -> Iterator[Fault]:
    """Let no tag or name stand twice in its table, deliveries included."""
    for name in draft.rows:
        key = TABLES[name].key
        seen: Counter[str] = Counter(draft.names(name))
        for row in draft.items(name) if key else ():
            if (number := seen.pop(str(row.get(key)), 0)) > 1:
                words = ("each only once", f"It stands {number} times: give each its own.")
                yield _tell(draft, row, key, words)


def carrying_is_known(draft: Draft) -> Iterator[Fault]:
    """Carrying times name other places of the file."""
    names = dict.fromkeys(draft.names("places"))
    for row in draft.rows["places"]:
        others = [name for name in names if name != row.get("name")]
        for origin, _ in row.get("carry_min") or ():
            if origin not in names or origin == row.get("name"):
                mend = nearest(origin, others) or "Name another place of this file."
                allowed = f"another place: {listed(others)}" if others else "another place"
                fault = _tell(draft, row, "carry_min", (allowed, mend))
                yield replace(fault, received=shown(origin))


def connection_fits_size(draft: Draft) -> Iterator[Fault]:
    """Ask for the connection where a size comes with several, and about an unusual one."""
    for row in draft.items("cylinders"):
        size = find_size(row.get("size")) if isinstance(row.get("size"), str) else None
        if size is None:
            continue
        if row.get("connection") is None and "connection" not in row.raw_names:
            mend = f"Read it off the valve: a {size.name} comes with several."
            words = (f"one of {listed(size.connections)}", mend)
            yield _tell(draft, row, "connection", words)
        elif row.get("connection") not in (None, *size.connections):
            words = (f"usually {listed(size.connections)}", "Look at the valve again.")
            yield _tell(draft, row, "connection", words, "warning")


def gauge_fits_size(draft: Draft) -> Iterator[Fault]:
    """Ask about a gauge far over the service pressure or not above the change pressure."""
    change = draft.head.get("change_at")
    for row in draft.items("cylinders"):
        size = find_size(row.get("size")) if isinstance(row.get("size"), str) else None
        gauge = row.get("gauge")
        if gauge is None:
            continue
        if size is not None and gauge.psi > HIGH_GAUGE * size.service_psi:
            words = (
                f"about {_in_unit(size.service_psi, gauge)} when full",
                "Read the gauge again.",
            )
            yield _tell(draft, row, "gauge", words, "warning")
        if change is not None and gauge.psi <= change.psi:
            words = (
                f"above {_in_unit(change.psi, gauge)}, where a swap is due",
                "It stays in the list and goes to nobody.",
            )
            yield _tell(draft, row, "gauge", words, "warning")


def something_fits_each_connection(draft: Draft) -> Iterator[Fault]:
    """Every connection of a cylinder has a regulator, and every regulator a cylinder."""
    cylinders = {row.get("connection") for row in draft.items("cylinders")}
    regulators = {row.get("connection") for row in draft.items("regulators")}
    told: set[object] = set()
    for row in draft.items("cylinders"):
        name = row.get("connection")
        if name is not None and name not in {*regulators, BUILT_IN, *told}:
            told.add(name)
            words = ("a regulator that fits", "No regulator here fits these cylinders: list one.")
            yield _tell(draft, row, "connection", words, "warning")
    for row in draft.items("regulators"):
        name = row.get("connection")
        if name is not None and name not in {*cylinders, *told}:
            told.add(name)
            words = ("a cylinder that it fits", "No cylinder here fits this regulator: list one.")
            yield _tell(draft, row, "connection", words, "warning")


def pressures_and_times_agree(draft: Draft) -> Iterator[Fault]:
    """Keep the residual below the change pressure, the gap inside the swap, approval complete."""
    head = draft.head
    change, residual = head.get("change_at"), head.get("safe_residual")
    if change is not None and residual is not None and residual.psi > change.psi:
        allowed = f"at most {_in_unit(change.psi, residual)}, where a swap is due (change_at)"
        words = (allowed, "Lower it, or change earlier.")
        yield _tell(draft, head, "safe_residual", words)
    swap, gap = head.get("swap_min"), head.get("swap_gap_min")
    if swap is not None and gap is not None and gap > swap:
        words = (f"at most {swap:g} min, the whole swap (swap_min)", "Lower it.")
        yield _tell(draft, head, "swap_gap_min", words)
    if head.get("approved_on") is not None and head.get("approved_by") is None:
        words = ("who approved the protocol", "Add approved_by, or leave both out.")
        yield _tell(draft, head, "approved_by", words)


def priorities_have_three_values(draft: Draft) -> Iterator[Fault]:
    """Weights and prices are for Immediate, Delayed and the others."""
    for field in ("tier_weights", "minute_weights", "step_prices"):
        value = draft.priorities.get(field)
        if value is not None and len(value) != 3:
            words = ("three numbers", "Give one for Immediate, one for Delayed, one for others.")
            yield _tell(draft, draft.priorities, field, words)
    weights = draft.priorities.get("tier_weights")
    if weights is not None and sum(weights) <= 0:
        words = ("at least one number above 0", "Say whose running out counts.")
        yield _tell(draft, draft.priorities, "tier_weights", words)


def transfer_is_said_once(draft: Draft) -> Iterator[Fault]:
    """Take a transfer time in one way; without any the patient stays to the horizon."""
    for row in draft.rows["patients"]:
        fixed, after = row.get("transfer_min"), row.get("transfer_after_found_min")
        if fixed is not None and after is not None:
            words = ("transfer_min or transfer_after_found_min, not both", "Keep one of the two.")
            yield _tell(draft, row, "transfer_after_found_min", words)
        given = {"transfer_min", "transfer_after_found_min"} & set(row.raw_names)
        if not given and _wants_oxygen(draft, row):
            words = (
                "when transport's own oxygen takes over",
                "Left out, the patient needs oxygen until the plan ends (horizon_min).",
            )
            yield _tell(draft, row, "transfer_min", words, "warning")
        start = row.get("oxygen_from_min")
        if fixed is not None and start is not None and fixed.p50_min <= start.p50_min:
            words = (
                f"later than {start.p50_min:g} min, when oxygen begins (oxygen_from_min)",
                "As it stands the patient is most likely gone before. Check both times.",
            )
            yield _tell(draft, row, "transfer_min", words, "warning")


def indication_is_given(draft: Draft) -> Iterator[Fault]:
    """Who is alive and not expectant has an indication or options of its own."""
    for row in draft.rows["patients"]:
        if row.get("triage") in {None, "dead", "expectant"}:
            continue
        if "indication" not in row.raw_names and "options" not in row.raw_names:
            words = (
                "a row of the protocol, such as "
                + listed([r.name for r in load_protocol("example").rows][:3]),
                "Say why oxygen is given. options = [] says that none is.",
            )
            yield _tell(draft, row, "indication", words)


def triage_fits_indication(draft: Draft) -> Iterator[Fault]:
    """Ask about an indication that is unusual in its category."""
    protocol = load_protocol("example")
    for row in draft.rows["patients"]:
        triage, name = row.get("triage"), row.get("indication")
        if triage is None or name is None or protocol.indication(name) is None:
            continue
        concern = protocol.triage_concern(name, triage)
        if concern and triage not in {"expectant", "dead"}:
            words = (
                "the category found by triage",
                concern[:1].upper() + concern[1:] + ("" if concern[-1] in ".?" else "."),
            )
            yield _tell(draft, row, "triage", words, "warning")


def options_are_whole(draft: Draft) -> Iterator[Fault]:
    """Take a flow or phases in each option, in the device's range, only the last without end."""
    for patient in draft.rows["patients"]:
        for row in patient.get("options") or ():
            phases = row.get("phases")
            has_flow = "flow_lpm" in row.raw_names
            if has_flow == ("phases" in row.raw_names):
                words = ("flow_lpm or phases", "Keep one of them." if has_flow else "Add one.")
                yield _tell(draft, row, "flow_lpm", words)
            if phases is not None:
                yield from _phases_are_whole(draft, row, phases)
            first = phases[0] if phases else row
            yield from _flow_fits_device(draft, first, row.get("device"), patient)


def _phases_are_whole(draft: Draft, option: Row, phases: list[Row]) -> Iterator[Fault]:
    if not phases:
        yield _tell(draft, option, "phases", ("at least one phase", "Add one, or give flow_lpm."))
        return
    for phase in phases[:-1]:
        if "for_min" not in phase.raw_names:
            words = ("how many minutes it lasts", "Add for_min: only the last phase has none.")
            yield _tell(draft, phase, "for_min", words)
    if "for_min" in phases[-1].raw_names:
        words = ("nothing in the last phase", "Remove for_min: the last one runs until transfer.")
        yield _tell(draft, phases[-1], "for_min", words)
    if "chance" in phases[0].raw_names and phases[0].get("chance") not in {None, 1.0}:
        words = ("1 in the first phase", "Remove chance: the first phase always begins.")
        yield _tell(draft, phases[0], "chance", words)
    low = load_devices().get(option.get("device"))
    for phase in phases[1:]:
        flow = phase.get("flow_lpm")
        if low is not None and flow is not None and flow < low.min_lpm:
            words = (f"{low.min_lpm:g} or more on this device", "Change the device with the flow.")
            yield _tell(draft, phase, "flow_lpm", words, "warning")


def _flow_fits_device(draft: Draft, row: Row, device: str | None, patient: Row) -> Iterator[Fault]:
    kind, flow = _plannable().get(device or ""), row.get("flow_lpm")
    if kind is None or flow is None:
        return
    high = kind.max_lpm_for(patient.get("age") or "adult")
    if not kind.min_lpm <= flow <= high:
        words = (
            f"{kind.min_lpm:g} to {high:g} L/min on a {kind.name}",
            "Change the flow or the device.",
        )
        yield _tell(draft, row, "flow_lpm", words)


def device_comes_in_age(draft: Draft) -> Iterator[Fault]:
    """Use and list a device only for the ages it is made for."""
    for row in draft.items("devices"):
        kind = _plannable().get(row.get("kind") or "")
        if kind is not None and row.get("age") not in {None, *kind.ages}:
            words = (f"one of {listed(kind.ages)}", f"A {kind.name} comes in these sizes only.")
            yield _tell(draft, row, "age", words)
    for patient in draft.rows["patients"]:
        for row in (*(patient.get("options") or ()), *_connected(patient)):
            kind = _plannable().get(row.get("device") or "")
            if kind is not None and patient.get("age") not in {None, *kind.ages}:
                words = (
                    f"a device that comes in size {patient.get('age')}",
                    f"A {kind.name} comes for {listed(kind.ages)}: choose another.",
                )
                yield _tell(draft, row, "device", words)


def connected_kit_exists(draft: Draft) -> Iterator[Fault]:
    """See that what is said to be connected is listed, fits together and is used once."""
    cylinders = {row.get("tag"): row for row in draft.rows["cylinders"]}
    regulators = {row.get("tag"): row for row in draft.rows["regulators"]}
    users: dict[tuple[str, str], str] = {}
    for patient in draft.rows["patients"]:
        for row in _connected(patient):
            cylinder, regulator = row.get("cylinder"), row.get("regulator")
            yield from _is_here(draft, patient)
            if _is_readable(draft, "cylinders"):
                yield from _unknown(draft, row, "cylinder", cylinders)
            if _is_readable(draft, "regulators"):
                yield from _unknown(draft, row, "regulator", regulators)
            yield from _hookup_fits(
                draft, patient, row, (cylinders.get(cylinder), regulators.get(regulator))
            )
            for field in ("cylinder", "regulator"):
                first = users.setdefault((field, str(row.get(field))), patient.label)
                if row.get(field) is not None and first != patient.label:
                    words = ("each on one patient", f"{first} is on it too: check both tags.")
                    yield _tell(draft, row, field, words)


def _is_here(draft: Draft, patient: Row) -> Iterator[Fault]:
    """Whoever is connected at the start has been found and needs oxygen from minute 0."""
    chance, start = patient.get("chance_needed"), patient.get("oxygen_from_min")
    if chance is not None and chance < 1:
        words = ("1 for somebody already on oxygen", "Remove chance_needed, or connected.")
        yield _tell(draft, patient, "chance_needed", words)
    if start is not None and start.p90_min > 0:
        words = ("0 for somebody already on oxygen", "Remove oxygen_from_min, or connected.")
        yield _tell(draft, patient, "oxygen_from_min", words)


def _hookup_fits(
    draft: Draft, patient: Row, row: Row, kit: tuple[Row | None, Row | None]
) -> Iterator[Fault]:
    cylinder, regulator = kit
    if cylinder is not None:
        is_built_in = cylinder.get("connection") == BUILT_IN
        if is_built_in and row.get("regulator") is not None:
            words = ("no regulator on a built-in valve", "Remove regulator.")
            yield _tell(draft, row, "regulator", words)
        elif not is_built_in and "regulator" not in row.raw_names:
            words = ("the tag of a listed regulator", "Say which one is on the cylinder.")
            yield _tell(draft, row, "regulator", words)
        valve, yoke = cylinder.get("connection"), regulator and regulator.get("connection")
        if not is_built_in and {valve, yoke} <= set(load_connections()) and valve != yoke:
            words = (f"a {valve} regulator", f"A {yoke} one does not fit this cylinder.")
            yield _tell(draft, row, "regulator", words)
    for field, item in zip(("cylinder", "regulator"), kit, strict=True):
        there, here = item and item.get("place"), patient.get("place")
        if there and here and there != here:
            words = (f"kit at {here}, with the patient", f"It is listed at {there}: correct one.")
            yield _tell(draft, row, field, words)
    source = regulator or cylinder
    dial = source.get("settings_lpm") if source is not None else None
    if dial and row.get("flow_lpm") is not None and row.get("flow_lpm") not in dial:
        words = (f"a setting of the dial: {_flows(dial)}", "Read the dial again.")
        yield _tell(draft, row, "flow_lpm", words)
    yield from _flow_fits_device(draft, row, row.get("device"), patient)


def connected_masks_exist(draft: Draft) -> Iterator[Fault]:
    """See that the masks of connected patients are among those listed at their places."""
    listed: Counter[tuple[Any, ...]] = Counter()
    for row in draft.rows["devices"]:
        listed[row.get("kind"), row.get("age"), row.get("place")] += row.get("count") or 0
    for patient in draft.rows["patients"]:
        for row in _connected(patient):
            key = (row.get("device"), patient.get("age"), patient.get("place"))
            listed[key] -= 1
            if None not in key and listed[key] < 0:
                words = (
                    f"one that is listed at {key[2]} in size {key[1]}",
                    "Add it to [[devices]]: those in use are counted there too.",
                )
                yield _tell(draft, row, "device", words)


def some_option_can_be_given(draft: Draft) -> Iterator[Fault]:
    """For everyone with an indication some listed mask and dial setting exist."""
    dials = [set(row.get("settings_lpm") or ()) for row in draft.items("regulators")]
    dials += [set(row.get("settings_lpm") or ()) for row in draft.items("cylinders")]
    masks = {(row.get("kind"), row.get("age")) for row in draft.items("devices")}
    for row in draft.rows["patients"]:
        options = _options(draft, row)
        if not options:
            continue
        age = row.get("age")
        field = "options" if row.get("options") else "indication"
        if not any((device, age) in masks for device, _ in options):
            words = (
                f"one of {listed(d for d, _ in options)}, size {age}, in [[devices]]",
                "None is listed: this patient cannot get oxygen.",
            )
            yield _tell(draft, row, field, words, "warning")
        if not any(flows <= dial for _, flows in options for dial in dials):
            words = (
                "flows on the dial of a listed regulator",
                "No dial here has them: list a regulator that does, or change the flows.",
            )
            severity: Severity = "fault" if row.get("options") else "warning"
            yield _tell(draft, row, field, words, severity)


def places_can_be_worked(draft: Draft) -> Iterator[Fault]:
    """Where somebody wants oxygen there are hands, and cylinders can be carried there."""
    staffed = {row.get("place") for row in draft.rows["responders"]}
    origins = {row.get("place") for row in draft.items("cylinders")}
    origins |= {s.get("place") for s in draft.rows["resupply"] if s.get("cylinders")}
    links = {
        pair
        for row in draft.rows["places"]
        for origin, _ in row.get("carry_min") or ()
        for pair in ((origin, row.get("name")), (row.get("name"), origin))
    }
    told: set[object] = set()
    for row in draft.rows["patients"]:
        place = row.get("place")
        if place is None or place in told or not _wants_oxygen(draft, row):
            continue
        told.add(place)
        if place not in staffed:
            words = ("a responder at that place", "Nobody there can swap: add one there.")
            yield _tell(draft, row, "place", words, "warning")
        if place not in origins and not any((origin, place) in links for origin in origins):
            words = (
                "a place that cylinders can reach",
                "Add carry_min to the place, or keep cylinders there.",
            )
            yield _tell(draft, row, "place", words, "warning")


def _connected(row: Row) -> Iterator[Row]:
    if row.get("connected") is not None:
        yield row.get("connected")


def _plannable() -> dict[str, DeviceKind]:
    return {name: kind for name, kind in load_devices().items() if kind.is_plannable}


def _is_readable(draft: Draft, table: str) -> bool:
    """Say whether a table's names are known; they are not when it could not be read at all."""
    return bool(draft.rows[table]) or table not in draft.tables_with_faults


def _in_unit(psi: float, given: Pressure) -> str:
    """Return a pressure in the unit in which the user gave another."""
    digits = 0 if given.unit == "psi" else 1
    return f"{Pressure(psi, 'psi').in_unit(given.unit):.{digits}f} {given.unit}"


def _flows(dial: Iterable[float]) -> str:
    return ", ".join(f"{flow:g}" for flow in dial)


def _options(draft: Draft, row: Row) -> list[tuple[str, set[float]]]:
    """Return device and flows of each option of a patient row, as far as it is known."""
    if row.get("triage") == "dead":
        return []
    if row.get("options") is not None:
        return [
            (o.get("device"), {f for p in o.get("phases") or (o,) if (f := p.get("flow_lpm"))})
            for o in row.get("options")
            if o.get("device") is not None
        ]
    found = load_protocol("example").indication(row.get("indication") or "")
    if found is None or row.get("triage") == "expectant":
        return []
    options = options_for(found, row.get("age") or "adult")
    return [(o.device, {o.flow_lpm, *(p.flow_lpm for p in o.phases)}) for o in options]


def _wants_oxygen(draft: Draft, row: Row) -> bool:
    return bool(_options(draft, row))


RULES: Final[tuple[Rule, ...]] = (
    names_are_known,
    somebody_is_listed,
    tags_are_unique,
    carrying_is_known,
    connection_fits_size,
    gauge_fits_size,
    something_fits_each_connection,
    pressures_and_times_agree,
    priorities_have_three_values,
    transfer_is_said_once,
    indication_is_given,
    triage_fits_indication,
    options_are_whole,
    device_comes_in_age,
    connected_kit_exists,
    connected_masks_exist,
    some_option_can_be_given,
    places_can_be_worked,
)
