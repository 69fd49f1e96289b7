"""The plan on the page, without a browser: what is kept, what is shown, how the page is started."""

from __future__ import annotations

import json
import socket
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from planner.cli import main
from planner.errors import InputError
from planner.files import read_incident
from planner.jobs import Progress
from planner.page import desk, session
from planner.page.launch import APP, Wanted, command, free_port
from planner.page.plans import keep_plan, latest_plan
from planner.report.how import SECTIONS
from planner.report.plan_document import plan_document
from planner.report.what_if_words import what_if_result
from planner.state import initial_state
from planner.store import Command, Revision, Store, new_command_id
from planner.store.exchange import import_incident_file
from planner.tasks import TASKS
from planner.what_if import Change, what_if
from planner.worker import Call
from planner.workflow import Request, make_plan

SCENARIOS = Path(__file__).parents[1] / "scenarios"
HOSTILE = "<script>alert(1)</script>![x](http://x/y.png)"
PLAN_VIEW = "from planner.page import look, plan_view\nlook.apply()\nplan_view.show()\n"


@cache
def planned() -> str:
    incident = read_incident(SCENARIOS / "drommick-chair.toml").incident
    plan = make_plan(incident, None, Request(samples=300, effort=0, deterministic_s=0.3))
    return json.dumps(plan_document(plan))


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    path = tmp_path / "page.store"
    monkeypatch.setenv(session.STORE, str(path))
    return Store(path)


@pytest.fixture
def chair(store: Store) -> Revision:
    path = SCENARIOS / "drommick-chair.toml"
    return import_incident_file(store, path, new_command_id()).revision


def edited(store: Store, document: str, tag: str) -> Revision:
    base = store.revision(document)
    tree = base.tree
    tree["patients"][0]["tag"] = tag
    return store.write(document, tree, Command(new_command_id(), base.number))


def shown(document: str | None) -> AppTest:
    app = AppTest.from_string(PLAN_VIEW, default_timeout=30)
    if document is not None:
        app.query_params["incident"] = document
    app.run()
    assert not app.exception, app.exception[0].message
    return app


def words(app: AppTest) -> str:
    html = "\n".join(str(element.proto.body) for element in app.get("html"))
    return html + "\n".join(str(element.value) for element in app.get("text"))


# ----- what is kept ------------------------------------------------------------------------------


def test_a_plan_is_kept_with_the_revision_it_was_made_from(store: Store, chair: Revision) -> None:
    document = chair.document
    assert latest_plan(store, document) is None
    keep_plan(store, document, chair.number, json.loads(planned()))
    kept = latest_plan(store, document)
    assert kept is not None
    assert (kept.revision, kept.incident_revision, kept.is_current) == (1, 1, True)
    assert kept.tree["kind"] == "plan"
    # An edit puts it out of date, undo makes it current again: content decides, not the number.
    second = edited(store, document, "X")
    assert not latest_plan(store, document).is_current  # type: ignore[union-attr]
    store.undo(document, Command(new_command_id(), second.number))
    assert latest_plan(store, document).is_current  # type: ignore[union-attr]


def test_planned_again_is_a_new_revision_of_the_same_plan(store: Store, chair: Revision) -> None:
    document = chair.document
    keep_plan(store, document, 1, json.loads(planned()))
    edited(store, document, "X")
    # Made from revision 1 while 2 was written: it is kept, and is out of date from the start.
    keep_plan(store, document, 1, json.loads(planned()))
    kept = latest_plan(store, document)
    assert kept is not None
    assert (kept.revision, kept.is_current) == (2, False)
    assert len(store.documents("plan")) == 1


# ----- what is shown -----------------------------------------------------------------------------


def test_nothing_open_and_nothing_planned(store: Store, chair: Revision) -> None:
    assert store.path.name == "page.store"
    assert "No incident is open" in words(shown(None))
    app = shown(chair.document)
    assert "Not planned yet." in words(app)
    assert [b.label for b in app.button] == ["Plan"]


def test_a_kept_plan_is_shown_in_words_board_and_tabs(store: Store, chair: Revision) -> None:
    keep_plan(store, chair.document, 1, json.loads(planned()))
    app = shown(chair.document)
    text = words(app)
    view = json.loads(planned())["view"]
    for line in ("first_line", "chance_line", "the_list", "footer"):
        assert view[line].split(";")[0].split("'")[0] in text
    assert text.count('<th scope="row">') == 14
    assert [tab.label for tab in app.tabs] == [
        "Swaps", "Gauges", "Chances", "Need and supply", "What if", "Notes",
    ]  # fmt: skip
    assert len(app.get("vega_lite_chart")) == 5
    assert [e.label for e in app.expander].count("The same as a table") == 5
    assert "OUT OF DATE" not in text
    edited(store, chair.document, "X")
    assert "OUT OF DATE" in words(shown(chair.document))


def test_hostile_tags_are_escaped(store: Store, chair: Revision) -> None:
    tree = json.loads(planned().replace("D4", json.dumps(HOSTILE)[1:-1]))
    keep_plan(store, chair.document, 1, tree)
    text = words(shown(chair.document))
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text


@pytest.mark.parametrize(
    ("progress", "expected"),
    [
        (Progress("failed", "the incident has faults", 1.0, None, ("[patients] P: x",)),
         ["No new plan: the incident has faults", "- [patients] P: x"]),
        (Progress("cancelled", "cancelled", 1.0), ["Planning was cancelled; nothing was changed."]),
        (Progress("running", "searching", 3.2), ["Planning: searching (3 s)"]),
    ],
)  # fmt: skip
def test_how_the_work_stands(
    progress: Progress, expected: list[str], chair: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(desk.Desk, "look", lambda *_: progress)
    app = shown(chair.document)
    text = words(app)
    assert all(line in text for line in expected)
    is_running = progress.state == "running"
    assert ("Cancel" in [b.label for b in app.button]) == is_running
    if is_running:
        asked: list[str] = []
        monkeypatch.setattr(desk.Desk, "stop", lambda _, about: asked.append(f"stop {about}"))
        monkeypatch.setattr(desk.Desk, "cancel", lambda _, about: asked.append(f"end {about}"))
        app.button(key="plan_stop").click().run()
        app.button(key="plan_cancel").click().run()
        assert asked == [f"stop plan {chair.document}", f"end plan {chair.document}"]


def test_the_page_has_its_views(store: Store) -> None:
    assert store.documents() == ()
    app = AppTest.from_file(str(APP), default_timeout=30).run()
    assert not app.exception
    assert "EXERCISE - NOT FOR PATIENT CARE" in words(app)
    assert all(title and lines for title, lines in SECTIONS)


# ----- what if -----------------------------------------------------------------------------------


def asked(**change: Any) -> Call:
    incident = read_incident(SCENARIOS / "drommick-chair.toml").incident
    from planner.document import incident_document

    none = {"later_min": 0.0, "flow_percent": 0.0, "num_fewer": 0, "change_at_psi": None}
    tree = json.loads(json.dumps(incident_document(incident), default=str))
    tree["incident"]["start"] = incident.start.isoformat()
    payload = {"incident": tree, "policy": json.loads(planned())["policy"],
               "change": none | change, "samples": 300, "seed": 5}  # fmt: skip
    return Call(payload, lambda _: None, lambda: False)


def test_what_if_in_the_worker_is_what_if() -> None:
    call = asked(later_min=20.0)
    found = TASKS["what_if"](call)
    incident = read_incident(SCENARIOS / "drommick-chair.toml").incident
    from planner.policy_document import policy_from

    policy = policy_from(call.payload["policy"])
    change = Change(later_min=20.0)
    direct = what_if(incident, initial_state(incident), policy, change, (300, 5))
    assert found == what_if_result(change, direct)
    assert found["anyone"]["after"]["value"] >= found["anyone"]["before"]["value"]


def test_every_impossible_change_is_told_at_once() -> None:
    with pytest.raises(InputError) as caught:
        TASKS["what_if"](asked(later_min=1e6, flow_percent=-99, num_fewer=1.5, change_at_psi=-1))
    assert {fault.field for fault in caught.value.faults} == {
        "later_min", "flow_percent", "num_fewer", "change_at_psi",
    }  # fmt: skip


# ----- how it is started -------------------------------------------------------------------------


def test_the_command_gives_every_setting() -> None:
    words_ = command(Wanted(Path("x"), 8600))
    for setting in (
        "server.address=127.0.0.1", "server.headless=true", "server.fileWatcherType=none",
        "server.maxUploadSize=5", "browser.gatherUsageStats=false", "client.toolbarMode=viewer",
        "client.showErrorDetails=type", "server.port=8600", "server.allowedHosts=127.0.0.1",
    ):  # fmt: skip
        assert f"--{setting}" in words_
    shared = command(Wanted(Path("x"), 8600, is_shared=True, hosts=("tablet.hut",)))
    assert "--server.address=0.0.0.0" in shared
    assert "--server.allowedHosts=tablet.hut" in shared
    assert not any("tablet" in w for w in command(Wanted(Path("x"), 8600, hosts=("tablet.hut",))))


def test_a_taken_port_is_refused_and_a_free_one_found() -> None:
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        with pytest.raises(InputError, match="a free port"):
            free_port(holder.getsockname()[1])
    assert 8501 <= free_port(None) < 8600


@pytest.mark.parametrize(
    "more", [["--lan"], ["--host", "x"], ["--store", "README.md"], ["--store", "/nowhere/x.sqlite"]]
)
def test_what_cannot_be_started_is_refused(
    more: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("planner.page.launch.run", lambda _: pytest.fail("it was started"))
    before = Path("README.md").read_bytes()
    assert main(["page", *more]) == 2
    assert "1 fault, nothing was written" in capsys.readouterr().err
    assert Path("README.md").read_bytes() == before
