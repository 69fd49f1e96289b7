"""Cross-checks of oxygen options, masks and what is said to be connected."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from planner.draft import Draft
from planner.errors import Fault, Severity
from planner.incident import BUILT_IN
from planner.intake import Row, listed
from planner.reference import (
    load_connections,
    load_devices,
)
from planner.telling import (
    connected_row,
    flows_text,
    is_readable,
    options_known,
    plannable,
    tell,
    unknown,
)


def options_are_whole(draft: Draft) -> Iterator[Fault]:
    """Take a flow or phases in each option, in the device's range, only the last without end."""
    for patient in draft.rows["patients"]:
        for row in patient.get("options") or ():
            phases = row.get("phases")
            has_flow = "flow_lpm" in row.raw_names
            if has_flow == ("phases" in row.raw_names):
                words = ("flow_lpm or phases", "Keep one of them." if has_flow else "Add one.")
                yield tell(draft, row, "flow_lpm", words)
            if phases is not None:
                yield from _phases_are_whole(draft, row, phases)
            first = phases[0] if phases else row
            yield from _flow_fits_device(draft, first, row.get("device"), patient)


def _phases_are_whole(draft: Draft, option: Row, phases: list[Row]) -> Iterator[Fault]:
    if not phases:
        yield tell(draft, option, "phases", ("at least one phase", "Add one, or give flow_lpm."))
        return
    for phase in phases[:-1]:
        if "for_min" not in phase.raw_names:
            words = ("how many minutes it lasts", "Add for_min: only the last phase has none.")
            yield tell(draft, phase, "for_min", words)
    if "for_min" in phases[-1].raw_names:
        words = ("nothing in the last phase", "Remove for_min: the last one runs until transfer.")
        yield tell(draft, phases[-1], "for_min", words)
    if "chance" in phases[0].raw_names and phases[0].get("chance") not in {None, 1.0}:
        words = ("1 in the first phase", "Remove chance: the first phase always begins.")
        yield tell(draft, phases[0], "chance", words)
    low = load_devices().get(option.get("device"))
    for phase in phases[1:]:
        flow = phase.get("flow_lpm")
        if low is not None and flow is not None and flow < low.min_lpm:
            words = (f"{low.min_lpm:g} or more on this device", "Change the device with the flow.")
            yield tell(draft, phase, "flow_lpm", words, "warning")


def _flow_fits_device(draft: Draft, row: Row, device: str | None, patient: Row) -> Iterator[Fault]:
    kind, flow = plannable().get(device or ""), row.get("flow_lpm")
    if kind is None or flow is None:
        return
    high = kind.max_lpm_for(patient.get("age") or "adult")
    if not kind.min_lpm <= flow <= high:
        words = (
            f"{kind.min_lpm:g} to {high:g} L/min on a {kind.name}",
            "Change the flow or the device.",
        )
        yield tell(draft, row, "flow_lpm", words)


def device_comes_in_age(draft: Draft) -> Iterator[Fault]:
    """Use and list a device only for the ages it is made for."""
    for row in draft.items("devices"):
        kind = plannable().get(row.get("kind") or "")
        if kind is not None and row.get("age") not in {None, *kind.ages}:
            words = (f"one of {listed(kind.ages)}", f"A {kind.name} comes in these sizes only.")
            yield tell(draft, row, "age", words)
    for patient in draft.rows["patients"]:
        for row in (*(patient.get("options") or ()), *connected_row(patient)):
            kind = plannable().get(row.get("device") or "")
            if kind is not None and patient.get("age") not in {None, *kind.ages}:
                words = (
                    f"a device that comes in size {patient.get('age')}",
                    f"A {kind.name} comes for {listed(kind.ages)}: choose another.",
                )
                yield tell(draft, row, "device", words)


def connected_kit_exists(draft: Draft) -> Iterator[Fault]:
    """See that what is said to be connected is listed, fits together and is used once."""
    sources = (*draft.rows["cylinders"], *draft.rows["concentrators"])
    cylinders = {row.get("tag"): row for row in sources}
    regulators = {row.get("tag"): row for row in draft.rows["regulators"]}
    users: dict[tuple[str, str], list[tuple[str, Row]]] = {}
    for patient in draft.rows["patients"]:
        for row in connected_row(patient):
            cylinder, regulator = row.get("cylinder"), row.get("regulator")
            yield from _is_here(draft, patient)
            if is_readable(draft, "cylinders") and is_readable(draft, "concentrators"):
                yield from unknown(draft, row, "cylinder", cylinders)
            if is_readable(draft, "regulators"):
                yield from unknown(draft, row, "regulator", regulators)
            yield from _hookup_fits(
                draft, patient, row, (cylinders.get(cylinder), regulators.get(regulator))
            )
            yield from _shared_rightly(draft, patient, row, users, regulators.get(regulator))


def _shared_rightly(
    draft: Draft, patient: Row, row: Row, users: dict[tuple[str, str], list[tuple[str, Row]]],
    regulator: Row | None,
) -> Iterator[Fault]:  # fmt: skip
    """No two people on one outlet: on one cylinder all are on one regulator with enough of them."""
    outlets = (regulator.get("outlets") if regulator is not None else None) or 1
    for field, other in (("cylinder", "regulator"), ("regulator", "cylinder")):
        if row.get(field) is None:
            continue
        known = users.setdefault((field, str(row.get(field))), [])
        known.append((patient.label, row))
        first, its = known[0]
        if len(known) == 1:
            continue
        has_own_valve = row.get("regulator") is None
        if row.get(other) != its.get(other) or has_own_valve:
            words = ("each on one patient", f"{first} is on it too: check both tags.")
            yield tell(draft, row, field, words)
        elif field == "regulator" and len(known) > outlets:
            words = (
                f"one with an outlet for each of the {len(known)}",
                f"It has {outlets}, and {first} is on it too: check both tags.",
            )
            yield tell(draft, row, field, words)


def _is_here(draft: Draft, patient: Row) -> Iterator[Fault]:
    """Whoever is connected at the start has been found and needs oxygen from minute 0."""
    chance, start = patient.get("chance_needed"), patient.get("oxygen_from_min")
    if chance is not None and chance < 1:
        words = ("1 for somebody already on oxygen", "Remove chance_needed, or connected.")
        yield tell(draft, patient, "chance_needed", words)
    if start is not None and start.p90_min > 0:
        words = ("0 for somebody already on oxygen", "Remove oxygen_from_min, or connected.")
        yield tell(draft, patient, "oxygen_from_min", words)


def _hookup_fits(
    draft: Draft, patient: Row, row: Row, kit: tuple[Row | None, Row | None]
) -> Iterator[Fault]:
    cylinder, regulator = kit
    if cylinder is not None:
        is_machine = cylinder.table.name == "concentrators"
        is_built_in = is_machine or cylinder.get("connection") == BUILT_IN
        kind = plannable().get(row.get("device") or "")
        if is_machine and kind is not None and kind.has_reservoir:
            words = ("a mask without a reservoir", "A concentrator does not fill a bag.")
            yield tell(draft, row, "device", words)
        if is_built_in and row.get("regulator") is not None:
            words = ("no regulator on a built-in valve", "Remove regulator.")
            yield tell(draft, row, "regulator", words)
        elif not is_built_in and "regulator" not in row.raw_names:
            words = ("the tag of a listed regulator", "Say which one is on the cylinder.")
            yield tell(draft, row, "regulator", words)
        valve, yoke = cylinder.get("connection"), regulator and regulator.get("connection")
        if not is_built_in and {valve, yoke} <= set(load_connections()) and valve != yoke:
            words = (f"a {valve} regulator", f"A {yoke} one does not fit this cylinder.")
            yield tell(draft, row, "regulator", words)
    for field, item in zip(("cylinder", "regulator"), kit, strict=True):
        there, here = item and item.get("place"), patient.get("place")
        if there and here and there != here:
            words = (f"kit at {here}, with the patient", f"It is listed at {there}: correct one.")
            yield tell(draft, row, field, words)
    source = regulator or cylinder
    dial = source.get("settings_lpm") if source is not None else None
    if dial and row.get("flow_lpm") is not None and row.get("flow_lpm") not in dial:
        words = (f"a setting of the dial: {flows_text(dial)}", "Read the dial again.")
        yield tell(draft, row, "flow_lpm", words)
    yield from _flow_fits_device(draft, row, row.get("device"), patient)


def connected_masks_exist(draft: Draft) -> Iterator[Fault]:
    """See that the masks of connected patients are among those listed at their places."""
    listed: Counter[tuple[Any, ...]] = Counter()
    for row in draft.rows["devices"]:
        listed[row.get("kind"), row.get("age"), row.get("place")] += row.get("count") or 0
    for patient in draft.rows["patients"]:
        for row in connected_row(patient):
            key = (row.get("device"), patient.get("age"), patient.get("place"))
            listed[key] -= 1
            if None not in key and listed[key] < 0:
                words = (
                    f"one that is listed at {key[2]} in size {key[1]}",
                    "Add it to [[devices]]: those in use are counted there too.",
                )
                yield tell(draft, row, "device", words)


def some_option_can_be_given(draft: Draft) -> Iterator[Fault]:
    """For everyone with an indication some listed mask and dial setting exist."""
    dials = [set(row.get("settings_lpm") or ()) for row in draft.items("regulators")]
    dials += [set(row.get("settings_lpm") or ()) for row in draft.items("cylinders")]
    dials += [set(row.get("settings_lpm") or ()) for row in draft.rows["concentrators"]]
    masks = {(row.get("kind"), row.get("age")) for row in draft.items("devices")}
    for row in draft.rows["patients"]:
        options = options_known(draft, row)
        if not options:
            continue
        age = row.get("age")
        field = "options" if row.get("options") else "indication"
        if not any((device, age) in masks for device, _ in options):
            words = (
                f"one of {listed(d for d, _ in options)}, size {age}, in [[devices]]",
                "None is listed: this patient cannot get oxygen.",
            )
            yield tell(draft, row, field, words, "warning")
        if not any(flows <= dial for _, flows in options for dial in dials):
            words = (
                "flows on the dial of a listed regulator",
                "No dial here has them: list a regulator that does, or change the flows.",
            )
            severity: Severity = "fault" if row.get("options") else "warning"
            yield tell(draft, row, field, words, severity)
