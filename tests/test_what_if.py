"""What if: fixed times, so that before and after are argued by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from planner.incident import Incident, ThreePoint, Vehicle
from planner.policy import Policy
from planner.rules import triage_order
from planner.state import State, initial_state
from planner.units import Pressure
from planner.what_if import Change, Difference, changed, what_if, without_last
from tests.generator import random_incident
from tests.rule_incidents import cyl, pat, world


def setting(*, gone: float = 25, count: int = 3) -> tuple[Incident, State, Policy]:
    incident = world([pat("P", gone=gone)], [cyl(f"c{k}", 100) for k in range(count)])
    state = initial_state(incident)
    return incident, state, triage_order(incident, state)


def after(change: Change, **more: int) -> Difference:
    return what_if(*setting(**more), change, (50, 1))


def test_nothing_changed_is_no_difference() -> None:
    # 10 L/min to minute 25 from 3 x 100 L, a minute's gap at each of two swaps: enough.
    found = after(Change())
    assert (found.anyone.before.value, found.anyone.after.value, found.anyone.by.value) == (0, 0, 0)
    incident = random_incident(4, num_patients=5, num_cylinders=12)
    state = initial_state(incident)
    same = what_if(incident, state, triage_order(incident, state), Change(), (300, 2))
    assert same.minutes_out.by.value == 0.0


def test_transport_later() -> None:
    # 3 x 10 min of oxygen and two gaps end at 32: 7 minutes later is just enough, 8 are not, and
    # then P is out from 32 to 33.
    assert after(Change(later_min=7)).anyone.after.value == 0
    found = after(Change(later_min=8))
    assert found.anyone.after.value == 1
    assert found.immediate.by.value == 1
    assert found.minutes_out.after.value == pytest.approx(1.0)


def test_transport_earlier_stops_at_minute_0() -> None:
    incident, state, _ = setting()
    moved = changed(incident, Change(later_min=-40)).patients[0].transfer
    assert moved is not None
    assert moved.p50_min == 0.0
    assert state.at_min == 0.0


def test_uncertain_transport_so_much_earlier_that_its_first_point_is_past() -> None:
    # [20, 40, 60] half an hour earlier: 1 in 10 sooner than minute 1, as likely as not by 10, 9 in
    # 10 by 30. Nobody waits longer than before.
    incident, state, policy = setting()
    person = replace(incident.patients[0], transfer=ThreePoint(20.0, 40.0, 60.0))
    incident = replace(incident, patients=(person,))
    moved = changed(incident, Change(later_min=-30)).patients[0].transfer
    assert moved == ThreePoint(1.0, 10.0, 30.0)
    found = what_if(incident, state, policy, Change(later_min=-30), (300, 1))
    assert found.anyone.after.value < found.anyone.before.value
    assert ThreePoint(20.0, 40.0, 60.0).later(-45) == ThreePoint(0.0, 0.0, 0.0)


def test_vehicles_come_later_too() -> None:
    # The same patient, fetched by a vehicle at 25: 7 minutes later is just enough, 8 are not.
    incident, _, _ = setting()
    car = Vehicle("car", incident.patients[0].place, 1, ThreePoint(25.0, 25.0, 25.0))
    fetched = replace(incident.patients[0], transfer=None)
    incident = replace(incident, patients=(fetched,), vehicles=(car,))
    state = initial_state(incident)
    policy = triage_order(incident, state)
    for later, is_out in ((0.0, 0.0), (7.0, 0.0), (8.0, 1.0)):
        found = what_if(incident, state, policy, Change(later_min=later), (50, 1))
        assert (found.anyone.before.value, found.anyone.after.value) == (0.0, is_out)


def test_more_flows_than_is_set() -> None:
    # At 13.2 L/min three cylinders last 22.7 min and two gaps: to 24.7, and P goes at 25.
    assert after(Change(flow_factor=1.2)).anyone.after.value == 0
    assert after(Change(flow_factor=1.32)).anyone.after.value == 1
    assert after(Change(flow_factor=1.32)).minutes_out.after.value == pytest.approx(
        25 - 300 / 13.2 - 2
    )


def test_fewer_cylinders_are_gone_and_not_only_off_the_list() -> None:
    # With one fewer oxygen ends at 21; a cylinder only struck off the list would still be taken.
    found = after(Change(num_fewer=1))
    assert found.minutes_out.after.value == pytest.approx(4.0)
    _, state, policy = setting()
    left, shorter = without_last(state, policy, 9)
    assert shorter.order == ()
    assert [row.status for row in left.cylinders].count("gone") == 2
    # Twin: none fewer is the same.
    assert without_last(state, policy, 0) == (state, policy)


def test_change_pressure_takes_from_what_is_usable() -> None:
    # A swap due 100 psi higher leaves 10 L more (.1 L a psi) in each of three cylinders: what
    # lasted to 32 ends at 29, and P goes at 31.
    incident, state, policy = setting(gone=31)
    higher = Pressure(incident.change_at.psi + 100, "psi")
    found = what_if(incident, state, policy, Change(change_at=higher), (50, 1))
    assert found.anyone.before.value == 0
    assert found.anyone.after.value == 1
    assert found.minutes_out.after.value == pytest.approx(2.0)
    # Twin: at a lower one there is more.
    lower = replace(incident, change_at=Pressure(incident.change_at.psi - 1, "psi"))
    assert what_if(lower, state, policy, Change(), (50, 1)).anyone.after.value == 0
