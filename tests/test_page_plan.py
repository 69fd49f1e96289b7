"""The plan side of the page: kept plans, the plan view, what if, how, and the start of the server.

Views run through AppTest; plans are tiny, made directly and kept. How a job stands is put into the
desk, so that no test waits for one; jobs themselves are tested in ``test_jobs``.
"""

from __future__ import annotations

import copy
import json
import re
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from html import unescape
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from streamlit import config
from streamlit.testing.v1 import AppTest

from planner import cli
from planner.banner import BANNER
from planner.call import Call
from planner.errors import Fault, InputError
from planner.files import incident_from
from planner.incident import Priorities
from planner.jobs import Jobs, Progress
from planner.page import (
    cache_view,
    exercise_view,
    how_view,
    incident_view,
    launch,
    log_view,
    plan_view,
    reference_view,
    session,
    start_view,
    what_if_view,
)
from planner.page.desk import Desk, desk, start_plan
from planner.page.launch import Wanted, free_port
from planner.page.plans import keep_plan, latest_plan
from planner.plan import Plan
from planner.policy_document import policy_from
from planner.report.board import HEADS
from planner.report.how import SECTIONS
from planner.report.plan_document import plan_document
from planner.report.view import view_of
from planner.report.what_if_words import what_if_lines, what_if_result
from planner.state import initial_state
from planner.store import Command, Revision, Store, new_command_id
from planner.tasks import TASKS
from planner.units import Pressure
from planner.what_if import Change, what_if
from planner.workflow import CHOOSING_SAMPLES, Request, make_plan
from tests import page_app
from tests.page_app import fine, html
from tests.test_jobs import TINY, eventually

SCRIPT_TAG, IMAGE_TAG, SUM_TAG = "<script>alert(1)</script>", "![x](http://x/y.png)", "$x$"
# Not in triage order. Three want oxygen and there are two regulators: one waits from the start.
# A full D holds some 350 L above the change pressure, 23 min at 15 L/min: swaps come, and people
# run out before transport does, so every chart and table has something to show.
TREE: dict[str, Any] = {
    "schema": 1,
    "incident": {"name": "Small <b>Hut</b>", "start": "2027-02-14T13:20:00", "horizon_min": 240},
    "places": [{"name": "hut"}],
    "patients": [
        {"tag": "M1", "triage": "minimal", "indication": "limb injury"},
        {"tag": SUM_TAG, "triage": "delayed", "indication": "major trauma",
         "transfer_min": [60, 90, 120]},
        {"tag": SCRIPT_TAG, "triage": "immediate", "indication": "major trauma",
         "transfer_min": [40, 70, 110]},
        {"tag": IMAGE_TAG, "triage": "immediate", "indication": "major trauma",
         "transfer_min": [40, 70, 110]},
    ],
    "cylinders": [
        {"tag": "D-01", "size": "D", "gauge_psi": 2000},
        {"tag": "D-02", "size": "D", "gauge_psi": 2000},
        {"tag": "D-03", "size": "D", "gauge_psi": 1500},
        {"tag": "<i>D-04</i>", "size": "D", "gauge_psi": 1500},
    ],
    "regulators": [{"connection": "CGA 870", "count": 2}],
    "devices": [{"kind": "non-rebreather", "count": 3}],
    "responders": [{"tag": "R1"}],
}  # fmt: skip
QUICK = Request(samples=200, effort=0, deterministic_s=0.1)
IN_TRIAGE_ORDER = [SCRIPT_TAG, IMAGE_TAG, SUM_TAG, "M1"]
TABS = [
    "Swaps",
    "Gauges",
    "Chances",
    "Need and supply",
    "What if",
    "What helps",
    "Three ways",
    "Plan on",
    "On paper",
    "Notes",
]
LATER = ["Work out what would help", "Plan three ways", "What is expected then"]
CHARTS = {"swap_timeline", "gauges", "chance_by_minute", "chance_by_patient", "need_against_supply"}


@cache
def plan_of(seed: int = 1) -> Plan:
    return make_plan(incident_from(TREE).incident, None, replace(QUICK, seed=seed))


@cache
def text_of(seed: int = 1) -> str:
    return json.dumps(plan_document(plan_of(seed)))


def document_of(seed: int = 1) -> dict[str, Any]:
    tree: dict[str, Any] = json.loads(text_of(seed))
    return tree


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    path = tmp_path / "page.store"
    monkeypatch.setenv(session.STORE, str(path))
    return Store(path)


@pytest.fixture
def hut(store: Store) -> Revision:
    return store.create("incident", "Small <b>Hut</b>", TREE, new_command_id())


@pytest.fixture
def kept(store: Store, hut: Revision) -> Revision:
    keep_plan(store, hut.document, hut.number, document_of())
    return hut


def edited(store: Store, document: str, gauge_psi: int = 1900) -> Revision:
    now = store.revision(document)
    tree = copy.deepcopy(dict(now.tree))
    tree["cylinders"][0]["gauge_psi"] = gauge_psi
    return store.write(document, tree, Command(new_command_id(), now.number))


def opened(document: str | None, view: str = "plan_view") -> AppTest:
    return page_app.opened(document, view)


def texts(app: Any) -> list[str]:
    return [element.value for element in app.get("text")]


def widgets(app: Any, kind: str) -> list[Any]:
    return list(app.get(kind))


def labels(app: Any) -> list[str]:
    return [button.label for button in widgets(app, "button")]


def shown_in(app: AppTest, kind: str) -> str:
    """What stands in the paragraph of a class."""
    found = re.findall(rf'<p class="{kind}"[^>]*>(.*?)</p>', html(app))
    assert len(found) == 1, found
    return unescape(found[0])


# --- kept plans ----------------------------------------------------------------------------------


def test_no_plan_is_none(store: Store, hut: Revision) -> None:
    assert latest_plan(store, hut.document) is None


def test_a_plan_is_kept_and_found_and_a_second_one_is_its_next_revision(
    store: Store, hut: Revision
) -> None:
    keep_plan(store, hut.document, hut.number, document_of())
    first = latest_plan(store, hut.document)
    assert first is not None
    assert (first.revision, first.incident_revision, first.is_current) == (1, 1, True)
    assert first.tree == document_of()
    keep_plan(store, hut.document, hut.number, document_of(2))
    second = latest_plan(store, hut.document)
    assert second is not None
    assert (second.document, second.revision) == (first.document, 2)
    assert second.tree == document_of(2) != document_of()
    (plan,) = store.documents("plan")
    assert plan.name == hut.name
    assert store.revision(first.document, 1).tree == document_of()  # the first one is still there
    assert store.revision(hut.document).number == hut.number  # the incident is left alone
    assert store.check() == ()


def test_a_plan_is_current_as_long_as_the_content_is(store: Store, kept: Revision) -> None:
    def is_current() -> bool:
        found = latest_plan(store, kept.document)
        assert found is not None
        return found.is_current

    assert is_current()
    now = edited(store, kept.document)
    assert not is_current()
    store.undo(kept.document, Command(new_command_id(), now.number))
    assert store.revision(kept.document).number == 3  # another revision of the same content
    assert is_current()


def test_a_plan_belongs_to_the_revision_it_was_made_from(store: Store, hut: Revision) -> None:
    edited(store, hut.document)  # while the job was at work
    keep_plan(store, hut.document, hut.number, document_of())
    found = latest_plan(store, hut.document)
    assert found is not None
    assert (found.incident_revision, found.is_current) == (1, False)
    # Its twin: made from the revision that stands now.
    keep_plan(store, hut.document, 2, document_of())
    found = latest_plan(store, hut.document)
    assert found is not None
    assert (found.incident_revision, found.is_current) == (2, True)


def test_plans_of_two_incidents_are_two_documents(store: Store, kept: Revision) -> None:
    other = store.create("incident", "Other", TREE, new_command_id())
    assert latest_plan(store, other.document) is None
    keep_plan(store, other.document, 1, document_of(2))
    one, two = (latest_plan(store, each) for each in (kept.document, other.document))
    assert one is not None
    assert two is not None
    assert one.document != two.document
    assert (one.tree, two.tree) == (document_of(), document_of(2))


# --- the plan view -------------------------------------------------------------------------------


def test_nothing_open(store: Store) -> None:
    app = opened(None)
    assert texts(app) == ["No incident is open. Choose one under Start."]
    assert labels(app) == []
    assert BANNER in html(app)


def test_an_unknown_incident_is_told(store: Store) -> None:
    app = opened("0" * 16)
    assert "cannot be opened" in html(app)
    assert labels(app) == []


def test_not_planned_yet(store: Store, hut: Revision) -> None:
    app = opened(hut.document)
    assert shown_in(app, "first") == "Not planned yet."
    assert labels(app) == ["Plan"]
    assert not app.tabs
    assert "OUT OF DATE" not in html(app)


def test_a_kept_plan_shows_its_front_board_list_and_rules(store: Store, kept: Revision) -> None:
    app, view, plan = opened(kept.document), view_of(plan_of()), plan_of()
    assert shown_in(app, "first") == view.first_line
    assert shown_in(app, "chance") == view.chance_line
    assert "without oxygen now" in view.first_line  # three people, two regulators
    shown = unescape(html(app))
    assert f"<p>{view.the_list}</p>" in shown
    assert f"<p>{view.kept_for}</p>" in shown
    (board,) = re.findall(r'<table class="board">(.*?)</table>', html(app))
    assert [unescape(t) for t in re.findall(r'<th scope="row">(.*?)</th>', board)] == (
        IN_TRIAGE_ORDER
    )
    assert [unescape(h) for h in re.findall(r'<th scope="col">(.*?)</th>', board)] == list(HEADS)
    assert board.count('<tr class="waiting">') == 1
    assert "WAITING: regulator" in board
    beside = next(b for b in re.findall(r'<table class="grid">.*?</table>', html(app))
                  if "Beside it" in b)  # fmt: skip
    assert len(plan.rules) > 1
    for name in ["This plan", "Best any plan could do", *(rule.rule for rule in plan.rules)]:
        assert name in unescape(beside)
    assert unescape(shown_in(app, "title")) == view.title  # which incident this is
    assert view.footer in unescape(html(app))
    # Planned anew it would come out the same: there is nothing to press.
    assert f"Up to date with revision {kept.number}." in html(app)
    assert labels(app) == ["Compare", *LATER]
    assert "OUT OF DATE" not in html(app)


def test_no_solver_talk_on_the_front(store: Store, kept: Revision) -> None:
    assert not re.search(r">J<|objective|bound|gap|CP-SAT", html(opened(kept.document)).split(
        "<h3>")[0])  # fmt: skip


def test_a_plan_that_was_stopped_early_can_be_made_again(store: Store, hut: Revision) -> None:
    tree = document_of()
    tree["result"]["run"]["repeatable"] = False
    keep_plan(store, hut.document, hut.number, tree)
    app = opened(hut.document)
    assert "Up to date" not in html(app)
    assert labels(app) == ["Plan again", "Compare", *LATER]


def test_out_of_date_after_an_edit_and_not_after_its_undo(store: Store, kept: Revision) -> None:
    now = edited(store, kept.document)
    app = opened(kept.document)
    assert shown_in(app, "op-old").startswith("OUT OF DATE: the incident has changed")
    assert "Plan again" in labels(app)
    assert shown_in(app, "first") == view_of(plan_of()).first_line  # still there to be read
    store.undo(kept.document, Command(new_command_id(), now.number))
    app = opened(kept.document)
    assert "OUT OF DATE" not in html(app)
    assert "Up to date" in html(app)


def test_a_page_left_open_says_that_the_incident_was_edited(store: Store, kept: Revision) -> None:
    app = opened(kept.document)
    assert "written elsewhere" not in html(app)
    edited(store, kept.document)
    # The heartbeat alone runs in a browser; here the whole page does, and tells the same.
    fine(app.run())
    assert "Revision 2 was written elsewhere; it is shown now." in html(app)
    assert "OUT OF DATE" in html(app)


def test_every_tab_has_its_content(store: Store, kept: Revision) -> None:
    app, view = opened(kept.document), view_of(plan_of())
    tabs = {tab.label: tab for tab in app.tabs}
    assert list(tabs) == TABS
    charts = {name: len(tab.get("vega_lite_chart")) for name, tab in tabs.items()}
    assert charts == {"Swaps": 1, "Gauges": 1, "Chances": 2, "Need and supply": 1, "What if": 0,
                      "What helps": 0, "Three ways": 0, "Plan on": 0, "On paper": 0,
                      "Notes": 0}  # fmt: skip
    assert view.swaps.rows
    for row in view.swaps.rows:
        for cell in row:
            assert f">{cell}</td>" in unescape(html(tabs["Swaps"]))
    assert [n.label for n in widgets(tabs["What if"], "number_input")] == [
        "Transport later by, min", "Flows higher by, %", "Cylinders fewer (last of the list)",
        "Change at, psi (empty: as it is)",
    ]  # fmt: skip
    notes = html(tabs["Notes"])
    assert view.assumptions
    assert view.cautions
    for title, lines in (("Notes", view.notes), ("Assumptions and sources", view.assumptions),
                         ("Cautions", view.cautions)):  # fmt: skip
        assert (f"<h3>{title}</h3>" in notes) == bool(lines)
        for line in lines:
            assert f"<li>{line}</li>" in unescape(notes)


def test_a_newer_plan_made_elsewhere_is_told_of(store: Store, kept: Revision) -> None:
    """The incident is unchanged; another tab has planned it again while this one stayed open."""
    app = opened(kept.document)
    assert "newer plan" not in html(app)
    script = page_app.AppTest.from_string(
        "from planner.page import session\n"
        "session.st.session_state['plan_shown'] = ('gone', 1)\n"
        f"session._heartbeat('{kept.document}')",
        default_timeout=30,
    )
    script.session_state["document"] = kept.document
    script.session_state["shown"] = kept.number
    told = fine(script.run())
    assert "A newer plan was made elsewhere." in html(told)
    assert labels(told) == ["Show the newer plan"]
    # Twin: drawn anew, the page shows that plan and says nothing.
    keep_plan(store, kept.document, kept.number, document_of(2))
    assert "newer plan" not in html(fine(app.run()))


def test_a_text_table_stands_behind_each_chart(store: Store, kept: Revision) -> None:
    app, specs = opened(kept.document), document_of()["charts"]
    assert set(specs) == CHARTS
    drawn = [json.loads(c.proto.spec) for c in app.get("vega_lite_chart")]
    behind = [html(e) for e in app.expander if e.label == "The same as a table"]
    tables = [table.replace('<td class="number">', "<td>") for table in behind]
    assert len(drawn) == len(tables) == len(CHARTS)
    for spec in specs.values():
        table = spec["usermeta"]["table"]
        assert table["rows"]
        (found,) = [t for t in tables if f"<caption>{table['title']}<" in unescape(t)]
        for row in table["rows"]:
            assert "".join(f"<td>{cell}</td>" for cell in row) in unescape(found)
        assert spec["title"]["text"] in unescape(html(app))
    assert all("title" not in spec for spec in drawn)  # told above it, escaped, in our own type


def test_hostile_tags_are_text(store: Store, kept: Revision) -> None:
    app = opened(kept.document)
    shown = html(app)
    assert SCRIPT_TAG not in shown
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in shown
    assert "<i>D-04" not in shown
    assert "&lt;i&gt;D-04&lt;/i&gt;" in shown
    assert "<b>Hut" not in shown
    # The other two mean nothing in HTML: they must stand nowhere that Markdown is read.
    assert IMAGE_TAG in shown
    for kind in ("markdown", "metric", "table", "alert", "caption", "title", "header", "radio"):
        assert not app.get(kind), kind
    for kind in ("button", "expander", "tab", "number_input"):
        for element in widgets(app, kind):
            assert not any(tag in (element.label or "") for tag in IN_TRIAGE_ORDER)


# --- work in progress ----------------------------------------------------------------------------


class Asked(list[tuple[str, ...]]):
    """What the view asked of the desk."""


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    calls = Asked()
    for name in ("stop", "cancel"):
        monkeypatch.setattr(desk(), name, lambda about, name=name: calls.append((name, about)))
    return calls


def from_now(monkeypatch: pytest.MonkeyPatch, incident: Revision) -> None:
    """Let the last work have begun from this revision."""
    monkeypatch.setitem(desk().made_from, f"plan {incident.document}", incident.number)


def stands(monkeypatch: pytest.MonkeyPatch, kind: str, progress: Progress) -> None:
    """Let the work of a kind stand like that; there is none of the other kind."""
    monkeypatch.setattr(desk(), "look", lambda about: progress if about.startswith(kind) else None)


def test_progress_has_two_ways_to_end_it(
    hut: Revision, monkeypatch: pytest.MonkeyPatch, asked: Asked
) -> None:
    about = f"plan {hut.document}"
    stands(monkeypatch, "plan ", Progress("running", "searching <b>12</b>", 7.4))
    app = opened(hut.document)
    assert "Planning: searching <b>12</b> (7 s)" in texts(app)
    assert labels(app) == ["Best so far", "Cancel"]
    assert asked == []
    fine(app.button(key="plan_stop").click().run())
    assert asked == [("stop", about)]
    fine(app.button(key="plan_cancel").click().run())
    assert asked == [("stop", about), ("cancel", about)]


def test_best_so_far_is_asked_for_once(
    hut: Revision, monkeypatch: pytest.MonkeyPatch, asked: Asked
) -> None:
    stands(monkeypatch, "plan ", Progress("running", "searching", is_stopped=True))
    app = opened(hut.document)
    assert app.button(key="plan_stop").disabled
    assert not app.button(key="plan_cancel").disabled


def test_the_kept_plan_stays_in_sight_while_another_is_made(
    kept: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    stands(monkeypatch, "plan ", Progress("waiting", "waiting for its turn"))
    app = opened(kept.document)
    assert shown_in(app, "first") == view_of(plan_of()).first_line
    assert "Planning: waiting for its turn (0 s)" in texts(app)


def test_a_failed_job_says_why(hut: Revision, monkeypatch: pytest.MonkeyPatch) -> None:
    faults = ("patients A triage: received 'purple'", "<script>: received 5")
    stands(monkeypatch, "plan ", Progress("failed", "Faults in what was given: 2", faults=faults))
    from_now(monkeypatch, hut)
    app = opened(hut.document)
    assert texts(app)[:3] == [
        "No new plan: Faults in what was given: 2", *(f"- {fault}" for fault in faults)
    ]  # fmt: skip
    assert labels(app) == ["Plan"]  # and again


def test_what_failed_before_an_edit_is_shown_no_more(
    store: Store, hut: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    stands(monkeypatch, "plan ", Progress("failed", "Faults in what was given: 1", faults=("x",)))
    from_now(monkeypatch, hut)
    edited(store, hut.document)
    assert texts(opened(hut.document)) == []


def test_a_cancelled_job_says_so(kept: Revision, monkeypatch: pytest.MonkeyPatch) -> None:
    stands(monkeypatch, "plan ", Progress("cancelled", "Cancelled; nothing was kept."))
    from_now(monkeypatch, kept)
    app = opened(kept.document)
    assert "Planning was cancelled; nothing was changed." in texts(app)


def test_a_job_that_is_done_says_nothing_more(
    kept: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    stands(monkeypatch, "plan ", Progress("done", "done", result=document_of()))
    assert texts(opened(kept.document)) == []


def test_plan_starts_the_work_and_a_refusal_is_told(
    hut: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[str] = []
    monkeypatch.setattr(plan_view, "start_plan", lambda _, incident, __: begun.append(incident))
    app = opened(hut.document)
    assert begun == []  # looking starts nothing
    fine(app.button(key="plan_now").click().run())
    assert begun == [hut.document]

    def refuse(*_: object) -> None:
        raise InputError([Fault("", "payload", "", "", "a new job", "50 waiting", "Wait.")])

    monkeypatch.setattr(plan_view, "start_plan", refuse)
    fine(app.button(key="plan_now").click().run())
    (told,) = [t for t in texts(app) if "did not begin" in t]
    assert "50 waiting" in told


class Notebook:
    """In place of jobs: writes down what is to be done."""

    def __init__(self) -> None:
        self.started: list[tuple[str, dict[str, Any], Callable[..., None] | None, str]] = []

    def start(
        self, task: str, payload: Any, on_done: Callable[..., None] | None = None, key: str = ""
    ) -> str:
        self.started.append((task, payload, on_done, key))
        return "job-1"


def test_a_plan_is_kept_for_its_revision_when_its_job_is_done(
    store: Store, hut: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    notebook = Notebook()
    monkeypatch.setattr(desk(), "jobs", notebook)
    start_plan(store, hut.document, 5)
    ((task, payload, on_done, key),) = notebook.started
    assert (task, key) == ("plan", f"plan {hut.document}")
    assert payload == {"incident": hut.tree, "request": {"seed": 5}}
    edited(store, hut.document)
    assert on_done is not None
    on_done(document_of())
    found = latest_plan(store, hut.document)
    assert found is not None
    assert (found.incident_revision, found.is_current) == (1, False)
    desk().forget(key)


@pytest.fixture
def work() -> Iterator[Desk]:
    with Jobs(lambda _: None, TINY) as jobs:
        yield Desk(jobs)


def test_the_same_work_about_the_same_thing_is_started_once(work: Desk) -> None:
    def job(about: str) -> str:
        work.start(about, "hold", {})
        return work.running[about]

    first = job("plan A")
    assert job("plan A") == first
    assert job("plan B") != first
    work.stop("plan A")
    assert eventually(lambda: _is_done(work, "plan A"))
    work.cancel("plan B")
    told = work.look("plan B")
    assert told is not None
    assert told.state == "cancelled"
    assert job("plan A") != first  # that one has ended
    work.cancel("plan A")


def _is_done(work: Desk, about: str) -> bool:
    progress = work.look(about)
    return progress is not None and progress.state == "done"


def test_the_desk_knows_nothing_after_a_restart(work: Desk) -> None:
    assert work.look("plan A") is None
    work.running["plan A"] = "0123"  # a job of the server before
    assert work.look("plan A") is None
    work.start("plan A", "echo", {"n": 1})
    assert eventually(lambda: _is_done(work, "plan A"))
    work.forget("plan A")
    assert work.look("plan A") is None
    work.forget("plan A")  # harmless


# --- what if -------------------------------------------------------------------------------------

NO_CHANGE: dict[str, Any] = {
    "later_min": 0.0, "flow_percent": 0.0, "num_fewer": 0, "change_at_psi": None
}  # fmt: skip


def compare(tree: Any = TREE, **changes: object) -> dict[str, Any]:
    payload = {"incident": tree, "policy": document_of()["policy"],
               "change": NO_CHANGE | changes, "samples": 300, "seed": 4}  # fmt: skip
    return TASKS["what_if"](Call(payload, lambda _: None, lambda: False))


def test_the_task_is_a_what_if_called_directly() -> None:
    incident = incident_from(TREE).incident
    wanted = Change(20.0, 1.1, 1, Pressure(400.0, "psi"))
    policy = policy_from(document_of()["policy"])
    found = what_if(incident, initial_state(incident), policy, wanted, (300, 4))
    made = compare(later_min=20.0, flow_percent=10.0, num_fewer=1, change_at_psi=400)
    assert made == json.loads(json.dumps(what_if_result(wanted, found)))
    assert made["minutes_out"]["by"]["value"] > 0  # less and later is worse
    # Its twin: nothing changed, no difference.
    assert compare()["minutes_out"]["by"]["value"] == 0
    assert compare()["minutes_out"]["before"] == made["minutes_out"]["before"]


def test_values_out_of_range_come_back_as_faults_all_at_once() -> None:
    broken = {**TREE, "patients": [{**TREE["patients"][0], "triage": "purple"}]}
    with pytest.raises(InputError) as told:
        compare(broken, later_min=601, flow_percent=-51, num_fewer=1.5, change_at_psi=1501)
    assert [f.field for f in told.value.faults] == [
        "later_min", "flow_percent", "num_fewer", "change_at_psi", "triage"
    ]  # fmt: skip
    for fault in told.value.faults[:4]:
        assert fault.allowed
        assert fault.received
    compare(later_min=-600, flow_percent=100, num_fewer=500, change_at_psi=1500)  # its twin


def test_a_change_pressure_below_the_safe_residual_is_a_fault() -> None:
    # Nobody breathes below the safe residual (200 psi unless said), so no swap waits for less.
    with pytest.raises(InputError, match="at least 200 psi, the safe residual") as told:
        compare(change_at_psi=199, num_fewer=-1)
    assert [f.field for f in told.value.faults] == ["num_fewer", "change_at_psi"]
    assert compare(change_at_psi=200)["change"]["change_at_psi"] == 200
    lower = {**TREE, "incident": {**TREE["incident"], "safe_residual_psi": 100}}
    assert compare(lower, change_at_psi=199)["change"]["change_at_psi"] == 199


def test_an_incident_in_bar_is_asked_and_answered_in_bar() -> None:
    head = {**TREE["incident"], "change_at_bar": 35, "safe_residual_bar": 14}
    tree = {**TREE, "incident": head}
    # A residual turned into psi and back is still that residual.
    made = compare(tree, change_at_psi=Pressure(14.0, "bar").psi)
    assert what_if_lines(made)[0].startswith("With swaps due at 14 bar, ")
    with pytest.raises(InputError, match="received '13 bar'; allowed: at least 14 bar, the safe"):
        compare(tree, change_at_psi=Pressure(13.0, "bar").psi)
    # What is refused is never told as allowed, and in the unit that was asked in.
    with pytest.raises(InputError, match=r"received '13\.7 bar'; allowed: at least 14 bar"):
        compare(tree, change_at_psi=Pressure(13.7, "bar").psi)
    with pytest.raises(InputError, match="received '120 bar'; allowed: 0 to 103 bar, or nothing"):
        compare(tree, change_at_psi=Pressure(120.0, "bar").psi)
    with pytest.raises(InputError, match=r"received '199\.6 psi'; allowed: at least 200 psi"):
        compare(change_at_psi=199.6)


def test_the_form_asks_in_the_unit_of_the_incident(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[dict[str, Any]] = []
    monkeypatch.setattr(desk(), "start", lambda _about, _task, payload: started.append(payload))
    monkeypatch.setattr(desk(), "look", lambda _: None)
    head = {**TREE["incident"], "change_at_bar": 35, "safe_residual_bar": 14}
    made = store.create("incident", "in bar", {**TREE, "incident": head}, new_command_id())
    keep_plan(store, made.document, made.number, document_of())
    app = opened(made.document)
    app.number_input(key="wi_change_bar").set_value(20)
    next(b for b in widgets(app, "button") if b.label == "Compare").click()
    fine(app.run())
    assert started[0]["change"]["change_at_psi"] == pytest.approx(Pressure(20.0, "bar").psi)


def test_the_form_asks_about_the_revision_that_was_planned(
    store: Store, kept: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[tuple[str, str, dict[str, Any]]] = []
    monkeypatch.setattr(desk(), "start", lambda *told: started.append(told))
    monkeypatch.setattr(desk(), "look", lambda _: None)
    edited(store, kept.document)
    app = opened(kept.document)
    assert "The plan stays as it is" in html(app)
    app.number_input(key="wi_later").set_value(30)
    app.number_input(key="wi_fewer").set_value(1)
    next(b for b in widgets(app, "button") if b.label == "Compare").click()
    fine(app.run())
    ((about, task, payload),) = started
    assert (about, task) == (f"what if {kept.document} 1", "what_if")
    assert payload["incident"] == kept.tree
    assert payload["policy"] == document_of()["policy"]
    assert payload["change"] == NO_CHANGE | {"later_min": 30, "num_fewer": 1}
    assert payload["samples"] == what_if_view.SAMPLES


def test_the_answer_is_told_in_words(kept: Revision, monkeypatch: pytest.MonkeyPatch) -> None:
    result = compare(later_min=30)
    stands(monkeypatch, "what if ", Progress("done", "done", result=result))
    (tab,) = [t for t in opened(kept.document).tabs if t.label == "What if"]
    lines = what_if_lines(result)
    assert lines[0] == "With transport 30 min later, the plan kept as it is:"
    assert any(line.startswith("Minutes without oxygen, all people together:") for line in lines)
    for line in lines:
        assert f"<p>{line}</p>" in unescape(html(tab))


def test_an_answer_about_an_earlier_plan_is_not_shown(
    store: Store, kept: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = {f"what if {kept.document} 1": Progress("done", "done", result=compare(later_min=30))}
    monkeypatch.setattr(desk(), "look", done.get)
    assert "transport 30 min later" in html(opened(kept.document))
    keep_plan(store, kept.document, 1, document_of(2))
    assert "transport 30 min later" not in html(opened(kept.document))


def test_faults_and_progress_of_a_what_if(kept: Revision, monkeypatch: pytest.MonkeyPatch) -> None:
    failed = Progress("failed", "Faults in what was given: 2", faults=("one <b>", "two"))
    stands(monkeypatch, "what if ", failed)
    shown = texts(opened(kept.document))
    assert [t for t in shown if t in {failed.message, *failed.faults}] == [
        failed.message, *failed.faults
    ]  # fmt: skip
    stands(monkeypatch, "what if ", Progress("running", "judging before and after", 1.6))
    app = opened(kept.document)
    assert "Comparing: judging before and after (2 s)" in texts(app)
    (compare_button,) = [b for b in widgets(app, "button") if b.label == "Compare"]
    assert compare_button.disabled  # a second question would be dropped


# --- the start of the server ---------------------------------------------------------------------

#: page.md, "Settings", and what goes with them; each has to be said, or a file could change it.
SETTINGS = {
    "browser.gatherUsageStats": "false", "server.headless": "true",
    "server.fileWatcherType": "none", "server.runOnSave": "false", "server.maxUploadSize": "5",
    "server.enableXsrfProtection": "true", "server.enableCORS": "true",
    "client.toolbarMode": "viewer", "client.showErrorDetails": "type",
    "client.showErrorLinks": "false",
}  # fmt: skip


def settings_of(wanted: Wanted) -> tuple[list[str], dict[str, list[str]]]:
    words = launch.command(wanted)
    given: dict[str, list[str]] = {}
    for word in words:
        if word.startswith("--"):
            name, value = word.removeprefix("--").split("=", 1)
            given.setdefault(name, []).append(value)
    return [word for word in words if not word.startswith("--")], given


def test_the_page_listens_here_only_with_every_setting_given(tmp_path: Path) -> None:
    words, given = settings_of(Wanted(tmp_path / "a.store", 8765, hosts=("not.wanted",)))
    assert words == [sys.executable, "-m", "streamlit", "run", str(launch.APP)]
    assert launch.APP.is_file()
    assert given.pop("server.address") == ["127.0.0.1"]
    assert given.pop("server.port") == ["8765"]
    assert given.pop("server.allowedHosts") == ["127.0.0.1", "localhost"]
    assert {name: value for name, (value,) in given.items()} == SETTINGS
    assert set(SETTINGS) <= set(config.get_config_options())  # no slip in a name


def test_shared_it_listens_everywhere_under_the_names_given(tmp_path: Path) -> None:
    _, given = settings_of(Wanted(tmp_path / "a.store", 8765, True, ("hut.lan", "10.0.0.7")))
    assert given["server.address"] == ["0.0.0.0"]
    assert given["server.allowedHosts"] == ["127.0.0.1", "localhost", "hut.lan", "10.0.0.7"]
    assert {n: v[0] for n, v in given.items() if n in SETTINGS} == SETTINGS


def test_a_taken_port_is_refused_and_the_next_free_one_taken() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(InputError, match=f"received {port}; allowed: a free port"):
            free_port(port)
    assert free_port(port) == port  # its twin: free again


def test_without_a_wish_the_first_free_port_from_8501_on() -> None:
    first = free_port(None)
    assert first in range(8501, 8600)
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind(("127.0.0.1", first))
        taken.listen()
        assert first < free_port(None) < 8600


class Child:
    """In place of the server's process."""

    def __init__(self, words: list[str], env: dict[str, str], **_: object) -> None:
        self.words, self.env, self.is_ended = words, env, False
        Child.last = self

    last: Child | None = None
    is_interrupted = False

    def wait(self) -> int:
        if self.is_interrupted and not self.is_ended:
            raise KeyboardInterrupt
        return 3

    def terminate(self) -> None:
        self.is_ended = True


@pytest.mark.parametrize("is_shared", [False, True])
def test_run_names_address_and_store_and_warns_when_shared(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    is_shared: bool,
) -> None:  # fmt: skip
    monkeypatch.setattr(subprocess, "Popen", Child)
    path = tmp_path / "a.store"
    assert launch.run(Wanted(path, 8765, is_shared)) == 3  # what the server ended with
    out, err = capsys.readouterr()
    assert "http://127.0.0.1:8765" in out
    assert str(path) in out
    assert ("There is no login and nothing is encrypted" in err) is is_shared
    assert Child.last is not None
    assert Child.last.env[session.STORE] == str(path)
    monkeypatch.setattr(Child, "is_interrupted", True)
    assert launch.run(Wanted(path, 8765, is_shared)) == 0
    assert Child.last.is_ended


@pytest.fixture
def unstarted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Wanted]:
    """The command line in an empty folder, with no server behind it."""
    wanted: list[Wanted] = []

    def run(each: Wanted) -> int:
        wanted.append(each)
        return 0

    monkeypatch.setattr(launch, "run", run)
    monkeypatch.chdir(tmp_path)
    return wanted


@pytest.mark.parametrize("words", [["--lan"], ["--host", "hut.lan"]])
def test_sharing_wants_both_words(
    tmp_path: Path, unstarted: list[Wanted], words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["page", *words]) == 2
    assert "--lan together with --host" in capsys.readouterr().err
    assert unstarted == []
    assert list(tmp_path.iterdir()) == []


def test_both_words_and_a_port_reach_the_server(tmp_path: Path, unstarted: list[Wanted]) -> None:
    port = _some_free_port()
    words = ["page", "--lan", "--host", "a.lan", "--host", "b.lan", "--port", str(port)]
    assert cli.main([*words, "--store", "x.store"]) == 0
    assert unstarted == [Wanted(tmp_path / "x.store", port, True, ("a.lan", "b.lan"))]
    assert Store(tmp_path / "x.store").documents() == ()


def _some_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.mark.parametrize("name", ["no.store", "missing/folder/a.store"])
def test_what_is_no_store_is_refused(
    tmp_path: Path, unstarted: list[Wanted], name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "no.store").write_text("a diary")
    assert cli.main(["page", "--store", name]) == 2
    assert Path(name).name in capsys.readouterr().err
    assert unstarted == []
    assert (tmp_path / "no.store").read_text() == "a diary"
    assert [p.name for p in tmp_path.iterdir()] == ["no.store"]


@pytest.mark.parametrize("port", ["80", "1023", "65536", "-1", "web", "8501.0"])
def test_a_port_out_of_range_is_refused(
    tmp_path: Path, unstarted: list[Wanted], port: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["page", f"--port={port}"])
    assert ended.value.code == 2
    assert "1024 to 65535" in capsys.readouterr().err
    assert unstarted == []
    assert list(tmp_path.iterdir()) == []


# --- how this is computed ------------------------------------------------------------------------


def said(title: str) -> str:
    return " ".join(dict(SECTIONS)[title])


def test_every_section_has_text_and_is_shown(store: Store) -> None:
    app = opened(None, "how_view")
    assert [e.label for e in app.expander] == [title for title, _ in SECTIONS]
    for expander, (_, lines) in zip(app.expander, SECTIONS, strict=True):
        assert texts(expander) == list(lines)
        assert lines
        assert all(len(line) > 40 and line.endswith(".") for line in lines)


def test_its_numbers_are_those_of_the_product() -> None:
    samples, choosing = f"{Request().samples:,}", f"{CHOOSING_SAMPLES:,}"
    assert f"Some {samples} times" in said("What the chance means")
    found = said("How the plan is found")
    assert f"played through on {choosing} common runs" in found
    assert f"come from {samples} fresh runs" in found
    weights = Priorities().tier_weights
    for weight, who in zip(weights, ("an Immediate runs out", "an Immediate or Delayed does",
                                     "anyone does"), strict=True):  # fmt: skip
        share = re.search(rf"{weight:g}/{sum(weights):g} (?:of the chance )?that {who}", found)
        assert share, (weight, who)


def test_no_section_promises_a_command_that_is_not_there(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    offered = capsys.readouterr().out
    text = " ".join(said(title) for title, _ in SECTIONS).lower()
    for command, words in {"advise": ("resource request", "help most"), "cache": ("what to stock",),
                           "exercise": ("inject", "exercise"), "journal": ("journal",),
                           "review": ("after-action",)}.items():  # fmt: skip
        if not re.search(rf"^ +{command}\b", offered, re.MULTILINE):
            assert not any(word in text for word in words), command


def test_what_is_left_out_is_left_out() -> None:
    text = said("What is left out")
    for part in ("Several cylinders on one regulator", "those who carry"):
        assert part in text


def test_several_on_one_cylinder_as_said() -> None:
    assert "one swap serves all" in said("Several on one cylinder, and concentrators")
    tree = copy.deepcopy(TREE)
    tree["regulators"] = [{"connection": "CGA 870", "count": 1, "outlets": 4}]
    made = make_plan(incident_from(tree).incident, None, QUICK)
    assert [len(hookup.lines) for hookup in made.policy.hookups] == [3]


# --- the whole page ------------------------------------------------------------------------------


VIEWS = {"Start": start_view, "Incident": incident_view, "Plan": plan_view, "Log": log_view,
         "Exercise": exercise_view, "Cache": cache_view, "Reference": reference_view,
         "How this is computed": how_view}  # fmt: skip


def test_the_page_loads_with_its_views(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    listed: list[Any] = []
    navigation = st.navigation

    def noted(pages: Any, **more: Any) -> Any:
        listed.extend(pages)
        return navigation(pages, **more)

    monkeypatch.setattr(st, "navigation", noted)
    app = fine(AppTest.from_file(str(launch.APP), default_timeout=30).run())
    assert BANNER in html(app)
    assert [page.title for page in listed] == list(VIEWS)
    assert len({page.url_path for page in listed}) == len(VIEWS)
    assert "Open a stored incident" in html(app)  # the first view is there


@pytest.mark.parametrize("title", VIEWS)
def test_each_view_stands_under_its_title_and_the_banner(
    kept: Revision, monkeypatch: pytest.MonkeyPatch, title: str
) -> None:
    # The server chooses a view by its address, which AppTest has none of: the first one is asked
    # for here in place of Start.
    navigation = st.navigation

    def only(pages: Any, **more: Any) -> Any:
        (page,) = [p for p in pages if p.title == title]
        return navigation([page], **more)

    monkeypatch.setattr(st, "navigation", only)
    ran: list[str] = []
    view: Any = VIEWS[title]
    original = view.show

    def show() -> None:
        ran.append(title)
        original()

    monkeypatch.setattr(view, "show", show)
    app = AppTest.from_file(str(launch.APP), default_timeout=30)
    app.query_params["incident"] = kept.document
    fine(app.run())
    assert ran == [title]
    assert html(app).count(f">{BANNER}</div>") == 1


@pytest.mark.parametrize(
    ("settings", "address", "is_refused"),
    [
        ({launch.LINKS_ONLY: "1"}, "192.168.4.20", True),
        ({launch.LINKS_ONLY: "1"}, None, False),  # the controller's own machine
        ({}, "192.168.4.20", False),
    ],
)
def test_links_only_is_for_other_machines(
    settings: dict[str, str], address: str | None, is_refused: bool
) -> None:
    assert launch.needs_link(settings, address) == is_refused


def test_another_machine_without_a_link_gets_one_line_and_no_view(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(launch, "needs_link", lambda *_: True)
    listed: list[Any] = []
    monkeypatch.setattr(st, "navigation", lambda pages, **_: listed.extend(pages))
    app = fine(AppTest.from_file(str(launch.APP), default_timeout=30).run())
    assert "Open the link that the controller gave you" in html(app)
    assert "Open a stored incident" not in html(app)
    assert listed == []
