"""Cross-checks of an incident file: one rule each, on a draft that may have holes.

Each rule is a generator of faults (the work stops) or warnings (it goes on). Adding a rule is
writing one function and naming it in ``RULES``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from planner.draft import Draft
from planner.errors import Fault
from planner.fields import TABLES
from planner.incident import BUILT_IN
from planner.intake import MAX_FAULTS, listed, nearest, shown, too_many
from planner.kit_checks import (
    connected_kit_exists,
    connected_masks_exist,
    device_comes_in_age,
    options_are_whole,
    some_option_can_be_given,
)
from planner.reference import (
    find_connection,
    find_device,
    find_size,
    load_connections,
    load_cylinders,
    load_protocol,
)
from planner.telling import (
    connected_row,
    in_unit,
    is_readable,
    plannable,
    tell,
    unknown,
    wants_oxygen,
)
from planner.transport_checks import (
    carried_with_a_source_of_its_own,
    legs_lead_somewhere,
    vehicles_are_known,
    vehicles_are_whole,
    vehicles_have_seats,
    vehicles_that_fetch,
)

Rule = Callable[[Draft], Iterator[Fault]]


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


def names_are_known(draft: Draft) -> Iterator[Fault]:
    """Places, groups, indications, sizes, connections and devices exist."""
    places, groups = draft.names("places"), draft.names("transfer_groups")
    protocol = load_protocol("example")
    indications = [row.name for row in protocol.rows]
    for name, rows in draft.rows.items():
        for row in rows:
            if name != "places":
                yield from unknown(draft, row, "place", places)
    for row in draft.rows["patients"]:
        if is_readable(draft, "transfer_groups"):
            yield from unknown(draft, row, "transfer_group", groups)
        yield from unknown(draft, row, "indication", indications, protocol.indication)
        for option in (*(row.get("options") or ()), *connected_row(row)):
            yield from unknown(draft, option, "device", plannable(), find_device)
    for row in draft.items("cylinders"):
        if isinstance(row.get("size"), str) and find_size(row.get("size")) is None:
            yield from unknown(draft, row, "size", load_cylinders(), find_size)
        yield from unknown(draft, row, "connection", load_connections(), find_connection)
    for row in draft.items("regulators"):
        yield from unknown(draft, row, "connection", load_connections(), find_connection)
        if row.get("connection") == BUILT_IN:
            words = ("a connection that takes a regulator", "A built-in valve needs none.")
            yield tell(draft, row, "connection", words)
    for row in draft.items("devices"):
        yield from unknown(draft, row, "kind", plannable(), find_device)


def somebody_is_listed(draft: Draft) -> Iterator[Fault]:
    """Without patients there is nothing to plan; without cylinders nobody gets any oxygen."""
    told = draft.tables_with_faults
    if not draft.rows["patients"] and "patients" not in told:
        words = ("at least one patient", "Add [[patients]] with a tag and a triage category.")
        yield Fault(draft.file, "patients", "", "", "nothing", *words)
    sources = [*draft.items("cylinders"), *draft.rows["concentrators"]]
    if not sources and not {"cylinders", "concentrators"} & told:
        words = ("at least one cylinder, here or on its way", "Without one nobody gets oxygen.")
        yield Fault(draft.file, "cylinders", "", "", "nothing", *words, "warning")


def tags_are_unique(draft: Draft) -> Iterator[Fault]:
    """Let no tag or name stand twice in its table, deliveries included."""
    for name in draft.rows:
        key = TABLES[name].key
        seen: Counter[str] = Counter(draft.names(name))
        if name == "concentrators":  # they share a list with the cylinders
            seen.update(set(draft.names("cylinders")) & set(seen))
        for row in draft.items(name) if key else ():
            if (number := seen.pop(str(row.get(key)), 0)) > 1:
                words = ("each only once", f"It stands {number} times: give each its own.")
                yield tell(draft, row, key, words)


def carrying_is_known(draft: Draft) -> Iterator[Fault]:
    """Carrying times name other places of the file."""
    names = dict.fromkeys(draft.names("places"))
    for row in draft.rows["places"]:
        others = [name for name in names if name != row.get("name")]
        for origin, _ in row.get("carry_min") or ():
            if origin not in names or origin == row.get("name"):
                mend = nearest(origin, others) or "Name another place of this file."
                allowed = f"another place: {listed(others)}" if others else "another place"
                fault = tell(draft, row, "carry_min", (allowed, mend))
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
            yield tell(draft, row, "connection", words)
        elif row.get("connection") not in (None, *size.connections):
            words = (f"usually {listed(size.connections)}", "Look at the valve again.")
            yield tell(draft, row, "connection", words, "warning")


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
                f"about {in_unit(size.service_psi, gauge)} when full",
                "Read the gauge again.",
            )
            yield tell(draft, row, "gauge", words, "warning")
        if change is not None and gauge.psi <= change.psi:
            words = (
                f"above {in_unit(change.psi, gauge)}, where a swap is due",
                "It stays in the list and goes to nobody.",
            )
            yield tell(draft, row, "gauge", words, "warning")


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
            yield tell(draft, row, "connection", words, "warning")
    for row in draft.items("regulators"):
        name = row.get("connection")
        if name is not None and name not in {*cylinders, *told}:
            told.add(name)
            words = ("a cylinder that it fits", "No cylinder here fits this regulator: list one.")
            yield tell(draft, row, "connection", words, "warning")


def pressures_and_times_agree(draft: Draft) -> Iterator[Fault]:
    """Keep the residual below the change pressure, the gap inside the swap, approval complete."""
    head = draft.head
    change, residual = head.get("change_at"), head.get("safe_residual")
    if change is not None and residual is not None and residual.psi > change.psi:
        allowed = f"at most {in_unit(change.psi, residual)}, where a swap is due (change_at)"
        words = (allowed, "Lower it, or change earlier.")
        yield tell(draft, head, "safe_residual", words)
    swap, gap = head.get("swap_min"), head.get("swap_gap_min")
    if swap is not None and gap is not None and gap > swap:
        words = (f"at most {swap:g} min, the whole swap (swap_min)", "Lower it.")
        yield tell(draft, head, "swap_gap_min", words)
    if head.get("approved_on") is not None and head.get("approved_by") is None:
        words = ("who approved the protocol", "Add approved_by, or leave both out.")
        yield tell(draft, head, "approved_by", words)


def priorities_have_three_values(draft: Draft) -> Iterator[Fault]:
    """Weights and prices are for Immediate, Delayed and the others."""
    for field in ("tier_weights", "minute_weights", "step_prices"):
        value = draft.priorities.get(field)
        if value is not None and len(value) != 3:
            words = ("three numbers", "Give one for Immediate, one for Delayed, one for others.")
            yield tell(draft, draft.priorities, field, words)
    weights = draft.priorities.get("tier_weights")
    if weights is not None and sum(weights) <= 0:
        words = ("at least one number above 0", "Say whose running out counts.")
        yield tell(draft, draft.priorities, "tier_weights", words)


def transfer_is_said_once(draft: Draft) -> Iterator[Fault]:
    """Take a transfer time in one way; without any the patient stays to the horizon."""
    for row in draft.rows["patients"]:
        fixed, after = row.get("transfer_min"), row.get("transfer_after_found_min")
        if fixed is not None and after is not None:
            words = ("transfer_min or transfer_after_found_min, not both", "Keep one of the two.")
            yield tell(draft, row, "transfer_after_found_min", words)
        given = {"transfer_min", "transfer_after_found_min"} & set(row.raw_names)
        if not given and not vehicles_that_fetch(draft, row) and wants_oxygen(draft, row):
            words = (
                "when transport's own oxygen takes over",
                "Left out, the patient needs oxygen until the plan ends (horizon_min).",
            )
            yield tell(draft, row, "transfer_min", words, "warning")
        start = row.get("oxygen_from_min")
        if fixed is not None and start is not None and fixed.p50_min <= start.p50_min:
            words = (
                f"later than {start.p50_min:g} min, when oxygen begins (oxygen_from_min)",
                "As it stands the patient is most likely gone before. Check both times.",
            )
            yield tell(draft, row, "transfer_min", words, "warning")


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
            yield tell(draft, row, "indication", words)


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
            yield tell(draft, row, "triage", words, "warning")


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
        if place is None or place in told or not wants_oxygen(draft, row):
            continue
        told.add(place)
        if place not in staffed:
            words = ("a responder at that place", "Nobody there can swap: add one there.")
            yield tell(draft, row, "place", words, "warning")
        if place not in origins and not any((origin, place) in links for origin in origins):
            words = (
                "a place that cylinders can reach",
                "Add carry_min to the place, or keep cylinders there.",
            )
            yield tell(draft, row, "place", words, "warning")


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
    vehicles_are_known,
    legs_lead_somewhere,
    carried_with_a_source_of_its_own,
    vehicles_are_whole,
    vehicles_have_seats,
    indication_is_given,
    triage_fits_indication,
    options_are_whole,
    device_comes_in_age,
    connected_kit_exists,
    connected_masks_exist,
    some_option_can_be_given,
    places_can_be_worked,
)
