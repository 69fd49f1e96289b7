"""A situation file: read onto the incident, written out to the last digit, every fault at once."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import tomli_w

from planner.demand import sample
from planner.errors import InputError
from planner.files import read_incident
from planner.incident import Incident, ThreePoint
from planner.operation.reading import state_after
from planner.rules import triage_order
from planner.situation import read_situation, situation_document, situation_from
from planner.state import Hookup, Line, State, initial_state
from tests.generator import random_incident
from tests.random_policies import random_policy, shared
from tests.rule_incidents import NRB, B, cyl, eight_incidents, hand, masks, pat, reg, world
from tests.source_incidents import shared_incidents


def tables(at_min: float, **more: list[dict[str, Any]]) -> dict[str, Any]:
    return {"schema": 1, "situation": {"at_min": at_min}, **more}


def two() -> Incident:
    """P1 and P2 at A, R1 too; T1 to T3 of 100 L above the change pressure."""
    return world(
        [pat("P1", gone=60.0), pat("P2", "delayed", gone=80.0)],
        [cyl(f"T{k}", 100.0) for k in (1, 2, 3)],
        [reg("r1"), reg("r2")],
        [hand("R1")],
        devices=(masks(3),),
    )


ON_T1 = {"cylinder": "T1", "regulator": "r1", "device": NRB, "flow_lpm": 10.0}


def told(raw: dict[str, Any], incident: Incident) -> list[str]:
    with pytest.raises(InputError) as caught:
        situation_from(raw, incident, "now.toml")
    return [str(fault) for fault in caught.value.faults]


# ----- round trip -------------------------------------------------------------------------------


def states_of(incident: Incident, policy: Any = None) -> list[State]:
    state = initial_state(incident)
    needs = sample(incident, state, 3, 7)
    policy = triage_order(incident, state) if policy is None else policy
    minutes = (0.0, 17.3, 55.0, 0.7 * incident.horizon_min)
    return [
        state_after(incident, state, policy, needs, k, minute) for k in range(3)
        for minute in minutes
    ]  # fmt: skip


def same(one: State, other: State) -> None:
    for name in ("at_min", "patients", "cylinders", "regulators", "devices", "responders",
                 "arrived", "washers"):  # fmt: skip
        assert getattr(one, name) == getattr(other, name), name
    assert sorted(one.hookups, key=str) == sorted(other.hookups, key=str)


@pytest.mark.parametrize("seed", range(18))
def test_what_operation_stopped_at_reads_back_to_the_last_digit(seed: int) -> None:
    incident = random_incident(seed, num_patients=6, num_cylinders=14)
    incident = shared(incident, seed) if seed >= 12 else incident
    policy = random_policy(incident, initial_state(incident), seed)
    for state in states_of(incident, policy):
        tree = json.loads(json.dumps(situation_document(state, incident)))
        read = situation_from(tree, incident)
        same(read.state, state)
        assert read.incident == incident


@pytest.mark.parametrize("number", range(16))
def test_richer_incidents_too(number: int) -> None:
    rich = (*eight_incidents(), *shared_incidents())[number]
    for state in states_of(rich.incident):
        tree = tomli_w.dumps(situation_document(state, rich.incident))
        import tomllib

        same(situation_from(tomllib.loads(tree), rich.incident).state, state)


def test_a_state_that_differs_does_not_read_back_as_the_same() -> None:
    """Twin of the tests above."""
    incident = two()
    state = initial_state(incident)
    other = replace(state, cylinders=(replace(state.cylinders[0], since_min=1.0),
                                      *state.cylinders[1:]))  # fmt: skip
    read = situation_from(situation_document(other, incident), incident).state
    assert read.cylinders != state.cylinders


# ----- what rows mean ---------------------------------------------------------------------------


def test_nothing_said_at_minute_0_is_the_beginning() -> None:
    incident = two()
    found = situation_from(tables(0.0), incident)
    assert (found.incident, found.state) == (incident, initial_state(incident))


def test_what_a_crew_would_write() -> None:
    """At minute 25 P1 breathes from T1, whose gauge reads 800 psi; T2 is empty."""
    incident = two()
    raw = tables(
        25.0,
        patients=[{"tag": "P1", "connected": ON_T1, "first_flow_min": 3.0}],
        cylinders=[{"tag": "T1", "gauge_psi": 800.0}, {"tag": "T2", "now": "gone"}],
    )
    state = situation_from(raw, incident).state
    people = {p.tag: p for p in state.patients}
    assert (people["P1"].status, people["P1"].first_flow_min) == ("here", 3.0)
    assert (people["P2"].status, people["P2"].waiting_since_min) == ("waiting", 0.0)
    assert state.hookups == (Hookup(("T1",), "r1", (Line("P1", NRB, 10.0),), 3.0),)
    cylinders = {c.tag: c for c in state.cylinders}
    assert cylinders["T1"].status == "connected"
    assert cylinders["T1"].gauge.psi == 800.0
    assert cylinders["T1"].read_at == incident.air_temperature
    assert cylinders["T2"].status == "gone"
    assert cylinders["T3"] == initial_state(incident).cylinders[2]
    assert [k.holder for k in state.regulators] == ["P1", None]
    assert [k.holder for k in state.devices] == ["P1", None, None]


def test_who_left_took_the_kit_along_and_a_swapped_cylinder_is_off() -> None:
    """P1 was connected at the start; gone with it, or still here and on the next one."""
    first = replace(pat("P1", gone=60.0), connected=None)
    incident = two()
    from planner.incident import Connected

    first = replace(first, connected=Connected("T1", "r1", NRB, 10.0))
    incident = replace(incident, patients=(first, incident.patients[1]))
    left = situation_from(
        tables(30.0, patients=[{"tag": "P1", "now": "transferred"}]), incident
    ).state
    assert left.cylinders[0].status == "gone"
    assert left.regulators[0].is_gone
    assert left.devices[0].is_gone
    assert left.hookups == ()
    on_two = {**ON_T1, "cylinder": "T2"}
    swapped = situation_from(
        tables(30.0, patients=[{"tag": "P1", "connected": on_two}]), incident
    ).state
    assert [c.status for c in swapped.cylinders] == ["taken off", "connected", "reserve"]
    assert swapped.devices[0].holder == "P1"  # the mask stays on


def test_transport_people_and_deliveries_known_better() -> None:
    incident = eight_incidents()[0].incident
    group = next(g for g in incident.transfer_groups)
    waiting = next(p for p in incident.patients if p.transfer_group == group.name and p.transfer)
    raw = tables(
        20.0,
        transfer_groups=[{"name": group.name, "later_min": 15.0}],
        patients=[{"tag": waiting.tag, "triage": "immediate"}],
    )
    found = situation_from(raw, incident).incident
    person = next(p for p in found.patients if p.tag == waiting.tag)
    assert waiting.transfer is not None
    assert person.transfer == waiting.transfer.later(15.0)
    assert person.triage == "immediate"
    raw["patients"][0]["transfer_min"] = [40, 50, 60]
    said = situation_from(raw, incident).incident
    assert next(p for p in said.patients if p.tag == waiting.tag).transfer == ThreePoint(40, 50, 60)


def test_a_vehicle_that_is_announced_later_comes_later() -> None:
    path = Path(__file__).parents[1] / "scenarios" / "velmar-icefall.toml"
    incident = read_incident(path).incident
    vehicle = incident.vehicles[0]
    raw = tables(10.0, vehicles=[{"name": vehicle.name, "later_min": 20.0}])
    found = situation_from(raw, incident).incident
    assert found.vehicles[0].first_arrival == vehicle.first_arrival.later(20.0)
    assert found.vehicles[1:] == incident.vehicles[1:]
    raw["vehicles"][0]["name"] = "balloon"
    assert any("[vehicles] balloon name" in text for text in told(raw, incident))


def test_a_delivery_that_has_arrived_stands_with_the_rest() -> None:
    rich = next(r for r in eight_incidents() if r.incident.resupply)
    supply = rich.incident.resupply[0]
    state = situation_from(
        tables(31.0, resupply=[{"number": 1, "arrived": True}]), rich.incident
    ).state
    came = {c.tag: c for c in state.cylinders if c.tag in {s.tag for s in supply.cylinders}}
    assert len(came) == len(supply.cylinders) > 0
    assert all((c.place, c.since_min) == (supply.place, 31.0) for c in came.values())
    assert state.arrived == (0,)


# ----- faults -----------------------------------------------------------------------------------


def test_every_fault_is_told_at_once() -> None:
    raw = tables(
        25.0,
        patients=[
            {"tag": "P9"},
            {"tag": "P1", "now": "on oxygen"},
            {"tag": "P2", "connected": {**ON_T1, "flow_lpm": 11.0, "cylinder": "T7"},
             "waiting_since_min": 40.0},
        ],
        cylinders=[{"tag": "T1", "gauge_psi": 9999.0}, {"tag": "T2"}, {"tag": "T2"}],
        regulators=[{"tag": "r1", "place": "Z"}],
        resupply=[{"number": 1, "arrived": True}],
        washers=[{"place": "nowhere", "count": 2}],
        oxygen=[],
    )  # fmt: skip
    found = told(raw, two())
    for part in (
        "now.toml [patients] P9 tag: received 'P9'; allowed: one of P1, P2",
        "[patients] P1 connected: received nothing; allowed: what the patient breathes from",
        "cylinder: received 'T7'; allowed: one of T1, T2, T3",
        "waiting_since_min: received 40; allowed: 0 to 25, the situation's minute",
        "[cylinders] T1 gauge_psi: received 9999",
        "[cylinders] T2 tag: received 'T2'; allowed: each one once",
        "[regulators] r1 place: received 'Z'; allowed: one of A",
        "[resupply] #1 number: received 1; allowed: none: the incident has no resupply",
        "[washers] nowhere place",
        "oxygen: received an empty list; allowed: a known table",
    ):
        assert any(part in text for text in found), (part, found)
    assert all("; allowed: " in text for text in found)


@pytest.mark.parametrize(
    ("raw", "part"),
    [
        (tables(100.0), "at_min: received 100; allowed: 0 to less than 100, the horizon"),
        ({"situation": {"at_min": 5.0}}, "schema"),
        ({"schema": 1}, "at_min: received nothing"),
        (tables(5.0, patients=[{"tag": "P1", "connected": ON_T1},
                               {"tag": "P2", "connected": ON_T1}]),
         "cylinder: received 'T1'; allowed: one that nobody else is on (P1 is)"),
        (tables(5.0, patients=[{"tag": "P1", "connected": {**ON_T1, "flow_lpm": 11.0}}]),
         "flow_lpm: received 11; allowed: a flow that its dial has"),
        (tables(5.0, patients=[{"tag": "P1", "connected": ON_T1}],
                cylinders=[{"tag": "T1", "now": "gone"}]),
         "cylinder: received 'T1'; allowed: one that is in use"),
        (tables(5.0, patients=[{"tag": "P1", "now": "waiting", "connected": ON_T1}]),
         'now: received \'waiting\'; allowed: now = "on oxygen", or nothing connected'),
        (tables(5.0, patients=[{"tag": "P1", "connected": {**ON_T1, "device": "cannula"}}]),
         "device: received 'cannula'; allowed: one of which another is there (adult)"),
        (tables(5.0, patients=[{"tag": "P1", "now": "sleeping"}]), "allowed: one of not found"),
    ],
)  # fmt: skip
def test_one_fault_each(raw: dict[str, Any], part: str) -> None:
    found = told(raw, two())
    assert any(part in text for text in found), found


def test_a_regulator_of_another_connection_is_told() -> None:
    incident = world([pat("P1")], [cyl("T1", 100.0, B)], [reg("y1", B, "CGA 870")],
                     devices=(masks(1),))  # fmt: skip
    on = {"cylinder": "T1", "regulator": "y1", "device": NRB, "flow_lpm": 10.0}
    found = told(tables(5.0, patients=[{"tag": "P1", "connected": on}]), incident)
    assert any("y1 is for CGA 870" in text for text in found), found


def test_read_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "now.toml"
    path.write_text('schema = 1\n[situation]\nat_min = 12\n[[cylinders]]\ntag = "T1"\n'
                    "gauge_bar = 60\n")  # fmt: skip
    found = read_situation(path, two())
    assert found.state.at_min == 12.0
    assert found.state.cylinders[0].gauge.bar == 60.0
    with pytest.raises(InputError, match=r"no\.toml"):
        read_situation(tmp_path / "no.toml", two())
