"""Each cross-check on the smallest file that brings it out, and on a twin that does not."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from planner import checks
from planner.checks import RULES, check
from planner.draft import draft_from
from planner.errors import Fault
from planner.files import incident_from
from planner.intake import Intake

MINIMAL: dict[str, Any] = {
    "schema": 1,
    "incident": {"name": "Slide", "start": "2027-02-14T13:20:00"},
    "places": [{"name": "debris", "carry_min": {"hut": 14}}, {"name": "hut"}],
    "patients": [
        {
            "tag": "U1",
            "triage": "immediate",
            "indication": "major trauma",
            "place": "debris",
            "transfer_min": 60,
        }
    ],
    "cylinders": [{"tag": "D-1", "size": "D", "gauge_psi": 1800, "place": "debris"}],
    "regulators": [{"tag": "R-1", "connection": "CGA 870", "place": "debris"}],
    "devices": [{"kind": "non-rebreather", "place": "debris"}],
    "responders": [{"tag": "P1", "place": "debris"}],
}
CONNECTED = {"cylinder": "D-1", "regulator": "R-1", "device": "non-rebreather", "flow_lpm": 15}
OPTION = {"device": "non-rebreather", "flow_lpm": 15, "level": "first choice"}
PHASES = [{"flow_lpm": 15, "for_min": 10}, {"flow_lpm": 10}]

Change = Callable[[dict[str, Any]], object]


def changed(change: Change) -> dict[str, Any]:
    tree = copy.deepcopy(MINIMAL)
    change(tree)
    return tree


def patient(**values: Any) -> Change:
    return lambda tree: tree["patients"][0].update(values)


def own_option(**values: Any) -> Change:
    """Give the patient one option of its own; a value None takes the field out."""
    option = {k: v for k, v in {**OPTION, **values}.items() if v is not None}
    return patient(options=[option])


def connected(**values: Any) -> Change:
    row = {k: v for k, v in {**CONNECTED, **values}.items() if v is not None}
    return patient(connected=row)


def row(table: str, **values: Any) -> Change:
    """Add a row to a table."""
    return lambda tree: tree.setdefault(table, []).append(values)


def first(table: str, **values: Any) -> Change:
    """Change the first row of a table."""
    return lambda tree: tree[table][0].update(values)


def head(**values: Any) -> Change:
    return lambda tree: tree["incident"].update(values)


def without(field: str, **values: Any) -> Change:
    """Take a field from the patient and set others."""
    return both(lambda tree: tree["patients"][0].pop(field), patient(**values))


def both(*parts: Change) -> Change:
    def change(tree: dict[str, Any]) -> None:
        for part in parts:
            part(tree)

    return change


def emptied(table: str) -> Change:
    return lambda tree: tree.update({table: []})


def prioritised(**values: Any) -> Change:
    return lambda tree: tree.update(priorities=values)


def second_patient(**values: Any) -> Change:
    base = {"tag": "U2", "triage": "minimal", "indication": "limb injury", "place": "debris"}
    return row("patients", **{**base, **values})


def vehicle(**values: Any) -> Change:
    """A vehicle in place of the patient's typed-in time."""
    base = {"name": "cat", "place": "debris", "capacity": 2, "first_arrival_min": 30}
    return both(without("transfer_min"), row("vehicles", **{**base, **values}))


def fetched(**values: Any) -> Change:
    """A vehicle, and more about the patient whom it fetches."""
    return both(vehicle(), patient(**values))


def leg(to: str) -> dict[str, Any]:
    return {"to": to, "leave_min": 10, "takes_min": 5}


PLAIN = first("patients")  # changes nothing
MACHINE = row("concentrators", tag="M", power_min=60, settings_lpm=[2, 3, 5], place="debris")
ON_MACHINE = {"cylinder": "M", "device": "cannula", "flow_lpm": 2}

# rule, change that brings it out, twin that does not, place of the fault, severity
CASES: list[tuple[str, Change, Change, str, str]] = [
    # A place, group, row, size, connection or device that nobody listed, against one that is.
    ("names_are_known", patient(place="barn"), patient(place="hut"), "U1 place", "fault"),
    ("names_are_known", patient(transfer_group="bus"),
     both(patient(transfer_group="bus"), row("transfer_groups", name="bus")),
     "U1 transfer_group", "fault"),
    ("names_are_known", patient(indication="hiccups"), patient(indication="chest injury"),
     "U1 indication", "fault"),
    ("names_are_known", own_option(device="hood"), own_option(), "U1 #1 device", "fault"),
    ("names_are_known", connected(device="hood"), connected(), "U1 device", "fault"),
    ("names_are_known", first("cylinders", size="Q"), first("cylinders", size="jd"),
     "D-1 size", "fault"),  # jd is another word for the jumbo D
    ("names_are_known", first("cylinders", connection="A"),
     first("cylinders", connection="CGA 540"), "D-1 connection", "fault"),
    ("names_are_known", first("regulators", connection="A"),
     first("regulators", connection="ISO 407"), "R-1 connection", "fault"),
    ("names_are_known", first("regulators", connection="built-in"), PLAIN,
     "R-1 connection", "fault"),
    ("names_are_known", first("devices", kind="CPAP"), first("devices", kind="cannula"),
     "#1 kind", "fault"),
    ("somebody_is_listed", emptied("patients"), PLAIN, "[patients]", "fault"),
    ("somebody_is_listed", emptied("cylinders"),
     both(emptied("cylinders"), row("resupply", arrive_min=9, place="hut",
                                    cylinders=[{"size": "D", "gauge_psi": 1800}])),
     "[cylinders]", "warning"),  # on its way is enough
    ("tags_are_unique", second_patient(tag="U1"), second_patient(), "U1 tag", "fault"),
    ("tags_are_unique",  # two deliveries bring the same tag, and no cylinder lies here
     both(emptied("cylinders"), *[row("resupply", arrive_min=9, place="hut", cylinders=[
         {"tag": "X", "size": "D", "gauge_psi": 1800}])] * 2),
     both(emptied("cylinders"), *[row("resupply", arrive_min=9, place="hut", cylinders=[
         {"size": "D", "gauge_psi": 1800}])] * 2),
     "X tag", "fault"),
    ("carrying_is_known", first("places", carry_min={"barn": 1}),
     first("places", carry_min={"hut": 0}), "debris carry_min", "fault"),
    ("carrying_is_known", first("places", carry_min={"debris": 1}), PLAIN,
     "debris carry_min", "fault"),
    # An M60 is sold with either valve.
    ("connection_fits_size", first("cylinders", size="M60"),
     first("cylinders", size="M60", connection="CGA 540"), "D-1 connection", "fault"),
    ("connection_fits_size", first("cylinders", connection="CGA 540"),
     first("cylinders", connection="CGA 870"), "D-1 connection", "warning"),
    # A D is full at 2015 psi; 1.2 times that is 2418. A swap is due at 500.
    ("gauge_fits_size", first("cylinders", gauge_psi=2419), first("cylinders", gauge_psi=2418),
     "D-1 gauge_psi", "warning"),
    ("gauge_fits_size", first("cylinders", gauge_psi=500), first("cylinders", gauge_psi=501),
     "D-1 gauge_psi", "warning"),
    ("something_fits_each_connection", first("regulators", connection="CGA 540"), PLAIN,
     "D-1 connection", "warning"),
    ("something_fits_each_connection",
     row("regulators", tag="R-2", connection="CGA 540", place="hut"),
     row("regulators", tag="R-2", connection="CGA 870", place="hut"),
     "R-2 connection", "warning"),
    ("something_fits_each_connection",  # a built-in valve needs no regulator
     row("cylinders", tag="G-1", size="G", gauge_psi=1800, place="hut"),
     row("cylinders", tag="G-1", size="UK CD", gauge_psi=1800, place="hut"),
     "G-1 connection", "warning"),
    ("pressures_and_times_agree", head(change_at_psi=200, safe_residual_psi=201),
     head(change_at_psi=200, safe_residual_psi=200), "safe_residual_psi", "fault"),
    ("pressures_and_times_agree", head(change_at_bar=13.7), head(change_at_bar=13.8),
     "safe_residual", "fault"),  # 200 psi is 13.79 bar
    ("pressures_and_times_agree", head(swap_min=2, swap_gap_min=2.5),
     head(swap_min=2, swap_gap_min=2), "swap_gap_min", "fault"),
    ("pressures_and_times_agree", head(approved_on="2027-01-01"),
     head(approved_on="2027-01-01", approved_by="Dr A"), "approved_by", "fault"),
    ("priorities_have_three_values", prioritised(tier_weights=[1, 2]),
     prioritised(tier_weights=[1, 2, 3]), "tier_weights", "fault"),
    ("priorities_have_three_values", prioritised(step_prices=[1, 2, 3, 4]),
     prioritised(step_prices=[0, 0, 0]), "step_prices", "fault"),
    ("priorities_have_three_values", prioritised(tier_weights=[0, 0, 0]),
     prioritised(tier_weights=[0, 0, 1]), "tier_weights", "fault"),
    ("transfer_is_said_once", patient(transfer_after_found_min=5), PLAIN,
     "U1 transfer_after_found_min", "fault"),
    ("transfer_is_said_once",  # nobody ever comes for somebody who needs oxygen: ask
     without("transfer_min"), without("transfer_min", options=[]),
     "U1 transfer_min", "warning"),
    ("transfer_is_said_once", patient(oxygen_from_min=60), patient(oxygen_from_min=59),
     "U1 transfer_min", "warning"),
    # Whom a vehicle fetches is not asked for a time; a typed-in one takes no seat.
    ("transfer_is_said_once", vehicle(place="hut"), vehicle(), "U1 transfer_min", "warning"),
    ("names_are_known", vehicle(place="barn"), vehicle(), "cat place", "fault"),
    ("tags_are_unique",
     both(vehicle(), row("vehicles", name="cat", place="hut", capacity=1, first_arrival_min=9)),
     both(vehicle(), row("vehicles", name="car", place="hut", capacity=1, first_arrival_min=9)),
     "cat name", "fault"),
    ("vehicles_are_known", fetched(vehicle="bus"), fetched(vehicle="cat"), "U1 vehicle", "fault"),
    ("vehicles_are_known", both(vehicle(place="hut"), patient(vehicle="cat")),
     vehicle(place="hut"), "U1 vehicle", "fault"),
    ("vehicles_are_known", fetched(vehicle="cat", transfer_min=60), fetched(transfer_min=60),
     "U1 vehicle", "fault"),
    ("vehicles_are_known", fetched(vehicle="cat", transfer_after_found_min=60),
     fetched(transfer_after_found_min=60), "U1 vehicle", "fault"),
    ("vehicles_are_known", both(fetched(transfer_group="bus"), row("transfer_groups", name="bus")),
     both(fetched(transfer_group="bus", transfer_min=60), row("transfer_groups", name="bus")),
     "U1 transfer_group", "fault"),
    ("vehicles_are_whole", vehicle(hold_chance=0.1), vehicle(hold_chance=0.1, hold_min=30),
     "cat hold_min", "fault"),
    ("vehicles_are_whole", vehicle(hold_min=30), vehicle(hold_chance=1, hold_min=30),
     "cat hold_chance", "fault"),
    ("vehicles_are_whole", vehicle(trips=2), vehicle(trips=2, round_trip_min=40),
     "cat round_trip_min", "fault"),
    ("vehicles_have_seats", vehicle(place="hut"), vehicle(), "cat name", "warning"),
    # Two people, one seat, one trip; the second is fetched by a second trip or vehicle, or walks.
    ("vehicles_have_seats", both(vehicle(capacity=1), second_patient()),
     both(vehicle(capacity=1, round_trip_min=40), second_patient()),
     "cat round_trip_min", "warning"),
    ("vehicles_have_seats",
     both(vehicle(capacity=1, round_trip_min=40, trips=1), second_patient()),
     both(vehicle(capacity=1, round_trip_min=40, trips=2), second_patient()),
     "cat trips", "warning"),
    ("vehicles_have_seats", both(vehicle(capacity=1), second_patient()),
     both(vehicle(capacity=1), second_patient(transfer_min=20)),
     "cat round_trip_min", "warning"),
    ("vehicles_have_seats", both(vehicle(capacity=1), second_patient()),
     both(vehicle(capacity=1), second_patient(), row(
         "vehicles", name="car", place="debris", capacity=1, first_arrival_min=9)),
     "cat round_trip_min", "warning"),
    ("legs_lead_somewhere", patient(legs=[leg("moon")]), patient(legs=[leg("hut")]),
     "U1 #1 to", "fault"),
    ("legs_lead_somewhere", patient(legs=[leg("debris")]), patient(legs=[leg("hut")]),
     "U1 #1 to", "fault"),
    ("legs_lead_somewhere", patient(legs=[leg("hut"), leg("hut")]),
     patient(legs=[leg("hut"), leg("debris")]), "U1 #2 to", "fault"),
    ("carried_with_a_source_of_its_own",
     both(patient(legs=[leg("hut")]), connected(), second_patient(connected=CONNECTED),
          first("regulators", outlets=2)),
     both(connected(), second_patient(connected=CONNECTED), first("regulators", outlets=2)),
     "U1 regulator", "fault"),
    ("carried_with_a_source_of_its_own",
     both(patient(legs=[leg("hut")], connected=ON_MACHINE), MACHINE),
     both(patient(connected=ON_MACHINE), MACHINE), "U1 cylinder", "fault"),
    # Who is carried is fetched from where its legs end.
    ("vehicles_are_known", both(vehicle(place="hut"), patient(vehicle="cat")),
     both(vehicle(place="hut"), patient(vehicle="cat", legs=[leg("hut")])), "U1 vehicle", "fault"),
    ("indication_is_given", without("indication"), without("indication", triage="dead"),
     "U1 indication", "fault"),
    ("indication_is_given", without("indication"), without("indication", options=[]),
     "U1 indication", "fault"),
    # Major trauma is an Immediate's row; for an expectant the row is another one.
    ("triage_fits_indication", patient(triage="minimal"), patient(triage="immediate"),
     "U1 triage", "warning"),
    ("triage_fits_indication", patient(triage="delayed"), patient(triage="expectant"),
     "U1 triage", "warning"),
    ("options_are_whole", own_option(flow_lpm=None), own_option(), "U1 #1 flow_lpm", "fault"),
    ("options_are_whole", own_option(phases=PHASES), own_option(flow_lpm=None, phases=PHASES),
     "U1 #1 flow_lpm", "fault"),
    ("options_are_whole", own_option(flow_lpm=None, phases=[]),
     own_option(flow_lpm=None, phases=[{"flow_lpm": 15}]), "U1 #1 phases", "fault"),
    ("options_are_whole", own_option(flow_lpm=None, phases=[{"flow_lpm": 15}, {"flow_lpm": 10}]),
     own_option(flow_lpm=None, phases=PHASES), "U1 #1 #1 for_min", "fault"),
    ("options_are_whole", own_option(flow_lpm=None, phases=[{"flow_lpm": 15, "for_min": 9}]),
     own_option(flow_lpm=None, phases=[{"flow_lpm": 15}]), "U1 #1 #1 for_min", "fault"),
    ("options_are_whole", own_option(flow_lpm=None, phases=[{"flow_lpm": 15, "chance": 0.9}]),
     own_option(flow_lpm=None, phases=[{"flow_lpm": 15, "chance": 1}]), "U1 #1 #1 chance", "fault"),
    # A non-rebreather runs at 10 to 15 L/min.
    ("options_are_whole", own_option(flow_lpm=9.9), own_option(flow_lpm=10),
     "U1 #1 flow_lpm", "fault"),
    ("options_are_whole", own_option(flow_lpm=15.1), own_option(flow_lpm=15),
     "U1 #1 flow_lpm", "fault"),
    ("options_are_whole",
     own_option(flow_lpm=None, phases=[{"flow_lpm": 15, "for_min": 9}, {"flow_lpm": 6}]),
     own_option(flow_lpm=None, phases=PHASES), "U1 #1 #2 flow_lpm", "warning"),
    # A cannula gives a child 4 L/min at most, an adult 6.
    ("options_are_whole", both(own_option(device="cannula", flow_lpm=6), patient(age="child")),
     both(own_option(device="cannula", flow_lpm=6), patient(age="adult")),
     "U1 #1 flow_lpm", "fault"),
    ("device_comes_in_age", first("devices", kind="venturi 28", age="infant"),
     first("devices", kind="venturi 28", age="child"), "#1 age", "fault"),
    ("device_comes_in_age",
     both(own_option(device="venturi 28", flow_lpm=4), patient(age="infant")),
     both(own_option(device="venturi 28", flow_lpm=4), patient(age="child")),
     "U1 #1 device", "fault"),
    ("device_comes_in_age", both(connected(device="venturi 28", flow_lpm=4), patient(age="infant")),
     both(connected(device="venturi 28", flow_lpm=4), patient(age="child")), "U1 device", "fault"),
    ("connected_kit_exists", connected(cylinder="D-9"), connected(), "U1 cylinder", "fault"),
    ("connected_kit_exists", connected(regulator="R-9"), connected(), "U1 regulator", "fault"),
    ("connected_kit_exists", connected(regulator=None),
     both(connected(regulator=None), first("cylinders", connection="built-in")),
     "U1 regulator", "fault"),
    ("connected_kit_exists", both(connected(), first("cylinders", connection="built-in")),
     both(connected(regulator=None), first("cylinders", connection="built-in")),
     "U1 regulator", "fault"),
    ("connected_kit_exists", both(connected(), first("regulators", connection="CGA 540")),
     connected(), "U1 regulator", "fault"),
    ("connected_kit_exists", both(connected(), first("cylinders", place="hut")),
     both(connected(), first("cylinders", place="debris")), "U1 cylinder", "fault"),
    ("connected_kit_exists", both(connected(), first("regulators", place="hut")),
     both(connected(), first("regulators", place="debris")), "U1 regulator", "fault"),
    ("connected_kit_exists", both(connected(), first("regulators", settings_lpm=[2, 10])),
     both(connected(), first("regulators", settings_lpm=[2, 15])), "U1 flow_lpm", "fault"),
    ("connected_kit_exists", connected(flow_lpm=8), connected(flow_lpm=10), "U1 flow_lpm", "fault"),
    ("connected_kit_exists", both(connected(), second_patient(connected=CONNECTED)),
     both(connected(), second_patient()), "U2 regulator", "fault"),
    # One regulator with two outlets feeds two people, with one it does not.
    ("connected_kit_exists",
     both(connected(), second_patient(connected=CONNECTED), first("regulators", outlets=1)),
     both(connected(), second_patient(connected=CONNECTED), first("regulators", outlets=2)),
     "U2 regulator", "fault"),
    ("connected_kit_exists", both(connected(), patient(chance_needed=0.9)),
     both(connected(), patient(chance_needed=1)), "U1 chance_needed", "fault"),
    ("connected_kit_exists", both(connected(), patient(oxygen_from_min=5)),
     both(connected(), patient(oxygen_from_min=0)), "U1 oxygen_from_min", "fault"),
    # One mask is listed: it serves one connected patient, and only where it lies.
    ("connected_masks_exist", both(connected(), second_patient(connected=CONNECTED)),
     both(connected(), second_patient(connected=CONNECTED), first("devices", count=2)),
     "U2 device", "fault"),
    ("connected_masks_exist", both(connected(), first("devices", place="hut")), connected(),
     "U1 device", "fault"),
    ("some_option_can_be_given", emptied("devices"), PLAIN, "U1 indication", "warning"),
    ("some_option_can_be_given", first("devices", age="child"),
     both(first("devices", age="child"), patient(age="child")), "U1 indication", "warning"),
    ("some_option_can_be_given", first("regulators", settings_lpm=[0.5]),
     first("regulators", settings_lpm=[0.5, 15]), "U1 indication", "warning"),
    ("some_option_can_be_given", own_option(flow_lpm=14.5),
     both(own_option(flow_lpm=14.5), first("regulators", settings_lpm=[14.5])),
     "U1 options", "fault"),  # the file's own option that nothing in the file can deliver
    ("places_can_be_worked", first("responders", place="hut"), PLAIN, "U1 place", "warning"),
    ("places_can_be_worked",  # cylinders in the hut and no way from there
     both(first("cylinders", place="hut"), lambda tree: tree["places"][0].pop("carry_min")),
     first("cylinders", place="hut"), "U1 place", "warning"),
]  # fmt: skip


def told_by(name: str, tree: dict[str, Any]) -> list[Fault]:
    draft = draft_from(tree, Intake("file"))
    return list(getattr(checks, name)(draft))


def test_smallest_file_brings_out_nothing() -> None:
    reading = incident_from(copy.deepcopy(MINIMAL), "file")
    assert reading.warnings == ()


@pytest.mark.parametrize(("rule", "change", "twin", "place", "severity"), CASES)
def test_rule_is_told_and_its_twin_is_not(
    rule: str, change: Change, twin: Change, place: str, severity: str
) -> None:
    told = told_by(rule, changed(change))
    assert told_by(rule, changed(twin)) == []
    matching = [f for f in told if place in f.place and f.severity == severity]
    assert matching, [str(fault) for fault in told]
    for fault in told:
        assert fault.received
        assert fault.allowed
        assert fault.mend.endswith((".", "?"))


def test_every_rule_has_a_case() -> None:
    assert {rule.__name__ for rule in RULES} == {case[0] for case in CASES}


def test_connected_cylinder_and_regulator_may_share_a_tag() -> None:
    # Tags are unique by table: a cylinder 7 on a regulator 7 is one hookup, not a twin.
    tree = changed(
        both(
            first("cylinders", tag="7"),
            first("regulators", tag="7"),
            connected(cylinder="7", regulator="7"),
        )
    )
    assert told_by("connected_kit_exists", tree) == []


def test_pressures_are_told_in_the_unit_of_the_gauge() -> None:
    # 500 psi / 14.504 = 34.47 bar
    tree = copy.deepcopy(MINIMAL)
    del tree["cylinders"][0]["gauge_psi"]
    tree["cylinders"][0]["gauge_bar"] = 34
    (fault,) = told_by("gauge_fits_size", tree)
    assert fault.received == "34 bar"
    assert fault.allowed.startswith("above 34.5 bar")


def test_warnings_come_with_the_incident() -> None:
    reading = incident_from(changed(first("cylinders", gauge_psi=2500)), "file")
    (warning,) = reading.warnings
    assert warning.severity == "warning"
    assert "2015 psi when full" in str(warning)


def test_many_like_warnings_are_one() -> None:
    tree = changed(row("cylinders", size="D", gauge_psi=2500, count=40, place="hut"))
    (warning,) = check(draft_from(tree, Intake("file")))
    assert warning.row == "D-01, D-02, D-03 and 37 more"
