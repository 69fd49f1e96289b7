"""Planning on from the page: what is expected, rows that correct it, and the job that follows."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from planner.call import Call
from planner.document import incident_document
from planner.errors import InputError
from planner.expecting import expected_situation, expected_state
from planner.files import incident_from, read_incident
from planner.incident import Incident
from planner.jobs import Progress
from planner.page import plan_on_view, session
from planner.page.desk import desk
from planner.page.plans import keep_plan
from planner.page.situation_rows import corrected, rows_of, sources_of
from planner.plan import Plan
from planner.policy_document import policy_document
from planner.report.plan_document import plan_document
from planner.situation import situation_from
from planner.state import initial_state
from planner.store import Revision, Store, new_command_id
from planner.tasks import TASKS
from planner.workflow import Request, make_plan
from tests import page_app
from tests.page_app import fine, html
from tests.rule_incidents import cyl, hand, masks, pat, reg, world

BOWL = Path(__file__).parents[1] / "scenarios" / "ulvaren-bowl.toml"
QUICK = Request(seed=3, samples=300, effort=2)


def two() -> Incident:
    """P1 from T1 at 10 L/min, 100 L: swap at 10. P2 is found at 20. P1 goes at 60, P2 at 80."""
    return world(
        [pat("P1", gone=60.0), pat("P2", "delayed", found=20.0, gone=80.0)],
        [cyl(f"T{k}", 100.0) for k in range(1, 15)], [reg("r1"), reg("r2")], [hand("R1")],
        devices=(masks(3),),
    )  # fmt: skip


def plan_of(incident: Incident) -> Plan:
    return make_plan(incident, None, QUICK)


def call(**payload: Any) -> Call:
    return Call(payload, lambda _: None, lambda: False)


# ----- what is expected -------------------------------------------------------------------------


def test_expected_is_what_one_certain_run_gives() -> None:
    """By hand: at 5 P1 has run 5 of 10 min; 1500 psi (150 L at .1) less 50 L leave 1000 psi."""
    incident = two()
    plan = plan_of(incident)
    state = expected_state(incident, plan.state, plan.policy, 5.0)
    first = plan.policy.hookups[0].cylinders[0]
    gauge = {c.tag: c.gauge.psi for c in state.cylinders}
    assert gauge[first] == pytest.approx(1000.0)
    assert {p.tag: p.status for p in state.patients} == {"P1": "here", "P2": "unknown"}
    later = expected_state(incident, plan.state, plan.policy, 65.0)
    assert {p.tag: p.status for p in later.patients} == {"P1": "gone", "P2": "here"}
    assert not any(c.is_exact for c in later.cylinders)
    assert all(c.gauge.psi % 10 == pytest.approx(0, abs=1e-9) for c in later.cylinders)


@pytest.mark.parametrize("at_min", [0.0, 20.0, 60.0])
def test_left_alone_it_reads_back_as_expected(at_min: float) -> None:
    incident = read_incident(BOWL).incident
    plan = plan_of(incident)
    tree = json.loads(json.dumps(expected_situation(incident, plan.state, plan.policy, at_min)))
    raw = incident_document(incident)
    rows, sources = rows_of(raw, tree), sources_of(raw, tree)
    assert [row.tag for row in rows] == [
        p.tag for p in incident.patients if p.tag in dict(plan.policy.options)
    ]
    came = tuple(sorted(sources.arrived))
    same = corrected(copy.deepcopy(tree), rows, (), {}, came, sources)
    expected = expected_state(incident, plan.state, plan.policy, at_min)
    read = situation_from(same, incident).state
    assert replace(read, hookups=()) == replace(expected, hookups=())
    assert set(read.hookups) == set(expected.hookups)


def test_rows_correct_it() -> None:
    """At 30 P1 is on another cylinder than expected, with 700 psi, and P2 has gone."""
    incident = two()
    plan = plan_of(incident)
    raw, tree = incident_document(incident), expected_situation(
        incident, plan.state, plan.policy, 30.0)  # fmt: skip
    rows, sources = rows_of(raw, tree), sources_of(raw, tree)
    was = rows[0].cylinder
    other = next(tag for tag in sources.reserve if tag != was)
    given = [replace(rows[0], cylinder=other, gauge=700.0),
             replace(rows[1], now="transferred", cylinder=None, regulator=None)]  # fmt: skip
    lost = next(tag for tag in sources.reserve if tag not in {was, other})
    found = situation_from(corrected(tree, given, (lost,), {}, (), sources), incident).state
    assert {p.tag: p.status for p in found.patients} == {"P1": "here", "P2": "gone"}
    cylinders = {c.tag: c for c in found.cylinders}
    assert cylinders[other].gauge.psi == 700.0
    assert cylinders[other].status == "connected"
    assert cylinders[lost].status == "gone"
    assert was is not None
    assert cylinders[was].status == "reserve"
    assert found.hookups[0].flow_from_min == 30.0
    held = {k.tag: (k.holder, k.is_gone) for k in found.regulators}
    assert sorted(held.values(), key=str) == [("P1", False), (None, True)]


# ----- tasks ------------------------------------------------------------------------------------


def test_tasks_expect_and_plan_on() -> None:
    incident = two()
    raw, plan = incident_document(incident), plan_of(incident)
    policy = policy_document(plan.policy)
    tree = TASKS["expect"](call(incident=raw, policy=policy, situation=None, at_min=30.0))
    assert tree["situation"]["at_min"] == 30.0
    made = TASKS["plan"](call(incident=raw, situation=tree, in_force=policy,
                              request={"samples": 200, "effort": 0}))  # fmt: skip
    assert made["result"]["at_min"] == 30.0
    assert made["result"]["going_on"]["from_min"] == 30.0
    assert made["asked"]["situation"] == tree
    assert made["view"]["changes"]
    again = TASKS["expect"](call(incident=raw, policy=made["policy"], situation=tree, at_min=40.0))
    assert again["situation"]["at_min"] == 40.0


@pytest.mark.parametrize("at_min", [-1.0, 100.0, "soon", True])
def test_a_minute_that_is_over_is_told(at_min: Any) -> None:
    incident = two()
    payload = {"incident": incident_document(incident), "situation": None, "at_min": at_min,
               "policy": policy_document(plan_of(incident).policy)}  # fmt: skip
    with pytest.raises(InputError, match="0 to less than 100"):
        TASKS["expect"](call(**payload))


# ----- the view ---------------------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    path = tmp_path / "page.store"
    monkeypatch.setenv(session.STORE, str(path))
    return Store(path)


@pytest.fixture
def kept(store: Store) -> Revision:
    raw = incident_document(two())
    made = store.create("incident", "rule", raw, new_command_id())
    document = json.loads(json.dumps(plan_document(plan_of(incident_from(raw).incident))))
    keep_plan(store, made.document, made.number, document)
    return made


def expected_by(kept: Revision, at_min: float) -> dict[str, Any]:
    incident = incident_from(kept.tree).incident
    plan = plan_of(incident)
    return json.loads(json.dumps(expected_situation(incident, plan.state, plan.policy, at_min)))  # type: ignore[no-any-return]


def show(kept: Revision, monkeypatch: pytest.MonkeyPatch, progress: Progress | None) -> AppTest:
    monkeypatch.setattr(
        desk(), "look", lambda about: progress if about.startswith("expect") else None
    )
    return page_app.opened(kept.document, "plan_view")


def test_asking_what_is_expected_starts_the_work(
    kept: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[tuple[Any, ...]] = []
    app = show(kept, monkeypatch, None)
    monkeypatch.setattr(desk(), "start", lambda *told: begun.append(told))
    app.number_input(key="on_at").set_value(35.0)
    fine(app.button(key="on_expect").click().run())
    ((about, task, payload),) = begun
    assert about.startswith(f"expect {kept.document}")
    assert task == "expect"
    assert payload["at_min"] == 35.0
    assert payload["incident"] == kept.tree


def test_what_is_corrected_is_planned_on(kept: Revision, monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[tuple[Any, ...]] = []
    done = Progress("done", "done", result=expected_by(kept, 30.0))
    app = show(kept, monkeypatch, done)
    monkeypatch.setattr("planner.page.plan_on_view.start_plan", lambda *told: begun.append(told))
    (now,) = [w for w in app.selectbox if w.key.startswith("on_now_") and w.key.endswith("_1")]
    assert now.value == "on oxygen"
    now.set_value("transferred")
    (submit,) = [b for b in app.button if b.label == "Plan on from here"]
    fine(submit.click().run())
    ((_, document, _, going_on),) = begun
    assert document == kept.document
    people = {p["tag"]: p for p in going_on["situation"]["patients"]}
    assert people["P2"]["now"] == "transferred"
    assert people["P1"]["now"] == "on oxygen"
    state = situation_from(going_on["situation"], incident_from(kept.tree).incident).state
    assert state.patient("P2").status == "gone"
    assert going_on["in_force"]["options"]


def test_what_was_announced_before_still_holds() -> None:
    before = {"transfer_groups": [{"name": "cat", "later_min": 20.0}]}
    later = {("transfer_groups", "cat"): 5.0, ("vehicles", "cat"): 7.0}
    assert plan_on_view._added(before, later) == {
        ("transfer_groups", "cat"): 25.0, ("vehicles", "cat"): 7.0,
    }  # fmt: skip


def test_transport_that_is_late_goes_into_the_situation() -> None:
    incident = read_incident(BOWL.with_name("velmar-icefall.toml")).incident
    plan = plan_of(incident)
    raw = incident_document(incident)
    tree = expected_situation(incident, plan.state, plan.policy, 10.0)
    rows, sources = rows_of(raw, tree), sources_of(raw, tree)
    name = incident.vehicles[0].name
    assert ("vehicles", name) in sources.transports
    late = corrected(tree, rows, (), {("vehicles", name): 15.0}, (), sources)
    found = situation_from(late, incident).incident
    assert found.vehicles[0].first_arrival == incident.vehicles[0].first_arrival.later(15.0)


def test_faults_of_what_is_expected_are_shown(
    kept: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    failed = Progress("failed", "It cannot be done.", faults=("minute <b>900</b> is over",))
    app = show(kept, monkeypatch, failed)
    assert "minute <b>900</b> is over" in [t.value for t in app.text]


def test_an_old_plan_is_planned_again_first(
    store: Store, kept: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    from planner.store import Command

    tree = copy.deepcopy(dict(kept.tree))
    tree["incident"]["swap_min"] = 4.0
    store.write(kept.document, tree, Command(new_command_id(), kept.number))
    app = show(kept, monkeypatch, None)
    assert "plan again first" in html(app)
    assert not [b for b in app.button if b.key == "on_expect"]
    assert initial_state(two()).at_min == 0.0
