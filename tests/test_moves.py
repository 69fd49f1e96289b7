"""What a plan says of people who are carried, and where they are expected to be."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from planner.document import incident_document
from planner.files import incident_from, read_incident
from planner.incident import LEG_MARGIN, Incident, Leg
from planner.plan import Plan
from planner.report.sentences import least_gauge, moves_lines
from planner.report.text import view_text
from planner.report.view import view_of
from planner.state import PatientNow, expected_place, initial_state
from planner.workflow import Request, make_plan
from tests.leg_incidents import B, C, at, carried, leg, with_kit
from tests.rule_incidents import cyl

GULLY = Path(__file__).parents[1] / "scenarios" / "tamsel-gully.toml"


@cache
def gully() -> Plan:
    return make_plan(read_incident(GULLY).incident, None, Request(seed=3, samples=400, effort=10))


def test_who_is_carried_is_told_with_the_gauge_before_leaving() -> None:
    lines = moves_lines(gully())
    assert [line.split()[0] for line in lines] == ["T1", "T2", "T3"]
    assert "to collection point from 11:58 on, 14 min; then to landing zone from 12:30" in lines[0]
    assert "must read" in lines[0]
    assert "must read" not in lines[2]  # not found yet: nothing is connected
    text = view_text(view_of(gully()))
    assert "Carried from place to place" in text
    assert view_of(gully()).moves == lines


def test_nobody_carried_nothing_said() -> None:
    """Twin."""
    incident = replace(
        gully().incident, patients=tuple(replace(p, legs=()) for p in gully().incident.patients)
    )
    plan = make_plan(incident, None, Request(seed=3, samples=50, effort=1))
    assert moves_lines(plan) == ()
    assert "Carried from place to place" not in view_text(view_of(plan))


def test_least_gauge_by_hand() -> None:
    # By the handbook, 0.1 L/psi: 1.5 legs of 4 min at 10 L/min are 60 L, 600 psi over 200.
    incident = with_kit(carried(leg(5, 4)), cylinders=(cyl("c1", 200),))
    gauge = least_gauge(incident, incident.cylinders[0], incident.patients[0].legs[0], 10.0)
    assert gauge.psi == pytest.approx(800.0)
    assert pytest.approx(1.5) == LEG_MARGIN
    real = replace(incident, contents="real gas")
    found = least_gauge(real, real.cylinders[0], real.patients[0].legs[0], 10.0)
    # 60 L at 70 F in 2 L of water: about 30 atm more, a little less for Z below 1.
    assert 200 + 26 * 14.696 < found.psi < 200 + 30 * 14.696


def test_expected_place_by_hand() -> None:
    # Found at 0; leaves at 5 for 4 min, rests at B, leaves at 20 for 3 min.
    patient = carried(leg(5, 4), Leg(C, at(20), at(3)))
    now = PatientNow("P", "A", "here")
    told = [(m, expected_place(patient, now, m)) for m in (0, 4.9, 5, 8.9, 9, 19, 21, 23, 90)]
    assert told == [(0, "A"), (4.9, "A"), (5, None), (8.9, None), (9, B), (19, B), (21, None),
                    (23, C), (90, C)]  # fmt: skip
    on_way = replace(now, place=B, legs_done=1, arrives_min=11.0)
    assert expected_place(patient, on_way, 10) is None
    assert expected_place(patient, on_way, 12) == B


def test_swaps_are_printed_where_the_patient_is_then() -> None:
    places = {s.place for s in gully().swaps if s.patient == "T1"}
    assert {"debris", "landing zone"} <= places <= {"debris", "collection point", "landing zone"}
    assert {s.place for s in gully().swaps if s.patient in {"T4", "T5"}} == {"collection point"}


def test_file_and_back() -> None:
    incident = read_incident(GULLY).incident
    again = incident_from(incident_document(incident)).incident
    assert again.patients == incident.patients
    assert [leg.to for leg in again.patients[0].legs] == ["collection point", "landing zone"]


def test_a_plan_from_the_middle_leaves_who_is_on_a_leg_alone() -> None:
    incident: Incident = gully().incident
    state = initial_state(incident)
    row = replace(state.patients[0], place="collection point", legs_done=1, arrives_min=26.0)
    state = replace(state, at_min=15.0, patients=(row, *state.patients[1:]))
    plan = make_plan(incident, state, Request(seed=3, samples=60, effort=2))
    assert all(x.patient != "T1" for h in plan.policy.hookups for x in h.lines)
    # Twin: at a place it is connected.
    there = replace(row, arrives_min=None)
    state = replace(state, patients=(there, *state.patients[1:]))
    plan = make_plan(incident, state, Request(seed=3, samples=60, effort=2))
    assert any(x.patient == "T1" for h in plan.policy.hookups for x in h.lines)
