"""The protocol table: build, load, and what it offers a patient."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from planner.errors import ReferenceTableError
from planner.reference.equipment import load_devices
from planner.reference.reading import Raw, RowReader, raw_table, read_rows, table_names
from planner.reference.tables import (
    LEVELS,
    NEEDS,
    TRIAGE,
    Age,
    AltitudeRule,
    FlowPhase,
    Indication,
    OxygenOption,
    Protocol,
)


def _phase(row: RowReader) -> FlowPhase:
    chance = row.number_or_none("chance", 0, 1)
    phase = FlowPhase(
        flow_lpm=row.number("flow_lpm"),
        for_min=row.number_or_none("for_min"),
        chance=1.0 if chance is None else chance,
    )
    row.done()
    return phase


def _option(row: RowReader) -> OxygenOption:
    device = load_devices()[row.choice("device", tuple(load_devices()))]
    phases = tuple(_phase(item) for item in row.rows("phases"))
    flow = row.number_or_none("flow_lpm")
    if flow is None:
        if not phases:
            raise row.fault("flow_lpm", None, "a number, or phases")
        flow = phases[0].flow_lpm
    between = row.numbers("flow_range_lpm")
    if between and (len(between) != 2 or between[1] != flow):
        raise row.fault("flow_range_lpm", between, "[lowest, flow_lpm]")
    # Later phases may go under the range: a reservoir mask turned down once the patient is stable.
    later = phases[1:]
    flows = (flow, *between, *(phase.flow_lpm for phase in phases[:1]))
    is_in_range = all(device.min_lpm <= f <= device.max_lpm for f in flows)
    is_in_range &= all(0 < phase.flow_lpm <= device.max_lpm for phase in later)
    if not device.is_plannable or not is_in_range:
        allowed = f"{device.min_lpm:g} to {device.max_lpm:g} L/min on a plannable device"
        raise row.fault(device.name, flows, allowed)
    option = OxygenOption(
        level=row.choice("level", LEVELS),
        device=device.name,
        flow_lpm=flow,
        phases=phases,
        flow_range_lpm=(between[0], between[1]) if between else None,
    )
    row.done()
    return option


def _indication(row: RowReader, floor: float) -> Indication:
    own_floor = row.number_or_none("step_down_floor", 50, 100)
    built = Indication(
        name=row.take("name", str),
        triage=row.choices("triage", TRIAGE),
        need=row.choice("need", NEEDS),
        options=tuple(_option(item) for item in row.rows("options")),
        if_target_missed=tuple(_option(item) for item in row.rows("if_target_missed")),
        target_text=row.take("target_text", str, ""),
        target_low=row.number_or_none("target_low", 50, 100),
        target_high=row.number_or_none("target_high", 50, 100),
        never_under=row.number_or_none("never_under", 50, 100),
        step_down_floor=floor if own_floor is None else own_floor,
        recheck_min=row.number_or_none("recheck_min"),
        is_titratable=row.take("titratable", bool),
        is_unchanged_at_altitude=row.take("altitude_unchanged", bool, default=False),
        is_surplus_only=row.take("surplus_only", bool, default=False),
        notes=row.take("notes", str, ""),
        below_minimum=row.take("below_minimum", str, ""),
        warn=row.take("warn", str, ""),
        sources=row.marks(),
    )
    _check_levels(row, built)
    return built


def _check_levels(row: RowReader, built: Indication) -> None:
    """First choice first, and no lower level that takes more oxygen than a higher one."""
    ranks = [LEVELS.index(option.level) for option in built.options]
    if (built.need == "none") == bool(ranks):
        raise row.fault("options", len(ranks), "none when need is none, else one or more")
    if ranks and (ranks != sorted(ranks) or ranks[0] != 0):
        raise row.fault("options", [o.level for o in built.options], "in the order " + str(LEVELS))
    flows = [option.flow_lpm for option in built.options]
    if flows != sorted(flows, reverse=True):
        raise row.fault("options", flows, "no flow higher than the one before")


def _altitude(row: RowReader) -> AltitudeRule:
    built = AltitudeRule(
        above_m=row.number("above_m"),
        floor=row.number("floor", 50, 100),
        example_m=row.number("example_m"),
        well_low=row.number("well_low", 50, 100),
        well_high=row.number("well_high", 50, 100),
        note=row.take("note", str, ""),
        sources=row.marks(),
    )
    row.done()
    return built


def read_protocol(raw: Raw) -> Protocol:
    """Build a protocol from its raw TOML; a user's own has the same form as the example.

    Raises
    ------
    ReferenceTableError
        On a missing, unknown or impossible field, or a number without a source.
    """
    unknown = sorted(set(raw) - {"protocol", "altitude", "indications", "overrides"})
    if unknown:
        raise ReferenceTableError(f"protocol: unknown table {unknown[0]!r}")
    head = RowReader(raw.get("protocol"), "protocol")
    floor = head.number("step_down_floor", 50, 100)
    rows = tuple(read_rows(raw, "indications", lambda row: _indication(row, floor)).values())
    overrides = []
    for item in RowReader(raw, "protocol").rows("overrides"):
        overrides.append(_indication(item, floor))
        item.done()
    taken = [triage for row in overrides for triage in row.triage]
    if len(taken) != len(set(taken)):
        raise ReferenceTableError(f"protocol overrides: a category has two rows: {taken}")
    built = Protocol(
        name=head.take("name", str),
        title=head.take("title", str),
        approved_by=head.take("approved_by", str, ""),
        approved_on=head.take("approved_on", str, ""),
        step_down_floor=floor,
        rows=rows,
        overrides=tuple(overrides),
        altitude=_altitude(RowReader(raw.get("altitude"), "altitude")),
        notes=head.texts("notes"),
        sources=head.marks(),
    )
    head.done()
    return built


def protocol_names() -> tuple[str, ...]:
    """Names of the shipped protocols."""
    prefix = "protocol_"
    return tuple(n.removeprefix(prefix) for n in table_names() if n.startswith(prefix))


@cache
def load_protocol(name: str = "example") -> Protocol:
    """Load a shipped protocol.

    Raises
    ------
    ReferenceTableError
        When there is none of that name.
    """
    return read_protocol(raw_table(f"protocol_{name}"))


def options_for(
    indication: Indication,
    age: Age = "adult",
    *,
    spo2: float | None = None,
    is_reading_trusted: bool = True,
) -> tuple[OxygenOption, ...]:
    """Options of an indication for a patient, whether or not the kit is there.

    Parameters
    ----------
    indication : Indication
        Row of the protocol.
    age : {"adult", "child", "infant"}
        Cannula flow is capped for children, mask flow is not scaled. A device not made for the age
        falls out, and so does an option that the cap makes equal to one before it.
    spo2 : float or None
        Saturation, per cent. Under the row's step-down floor only the first choice is left,
        trusted or not; None: not measured, nothing is left out.
    is_reading_trusted : bool
        When false, or when the row itself is not titratable, the flow of an option's first phase
        is kept to the end: no reduction on a number.

    Returns
    -------
    tuple of OxygenOption
        In order of preference; empty when no oxygen is indicated.
    """
    devices = load_devices()
    may_titrate = is_reading_trusted and indication.is_titratable
    is_under_floor = spo2 is not None and spo2 < indication.step_down_floor
    found: list[OxygenOption] = []
    seen: set[tuple[object, ...]] = set()
    for option in indication.options:
        device = devices[option.device]
        if age not in device.ages or (is_under_floor and option.level != "first choice"):
            continue
        capped = _capped(option, device.max_lpm_for(age))
        if not may_titrate:
            capped = replace(capped, phases=())
        key = (capped.device, capped.flow_lpm, capped.phases)
        if key not in seen:
            seen.add(key)
            found.append(capped)
    return tuple(found)


def _capped(option: OxygenOption, cap_lpm: float) -> OxygenOption:
    between = option.flow_range_lpm
    return replace(
        option,
        flow_lpm=min(option.flow_lpm, cap_lpm),
        phases=tuple(replace(p, flow_lpm=min(p.flow_lpm, cap_lpm)) for p in option.phases),
        flow_range_lpm=between and (min(between[0], cap_lpm), min(between[1], cap_lpm)),
    )
