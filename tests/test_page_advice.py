"""Advice and the three ways on the page and on paper: worked out once, kept beside the plan."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from planner.call import Call
from planner.cli import main
from planner.document import incident_document
from planner.errors import InputError
from planner.files import read_incident
from planner.jobs import Progress
from planner.page import prints, session
from planner.page.beside import ADVISED, CHOSEN, WAYS, keep_beside, kept_beside
from planner.page.desk import desk
from planner.page.plans import KeptPlan, keep_plan, latest_plan
from planner.report.sheets import sheets_html
from planner.store import Revision, Store, new_command_id
from planner.tasks import TASKS
from tests import page_app
from tests.page_app import fine, html
from tests.test_readme import README, blocks

QUICK = {"samples": 400, "effort": 5}


@cache
def raw_text(tmp: Path) -> str:
    part = README[README.index("## A worked example") : README.index("## Your own incident")]
    path = tmp / "slope.toml"
    path.write_text(blocks(part)[0], encoding="utf-8")
    return json.dumps(incident_document(read_incident(path).incident), default=str)


@pytest.fixture(scope="module")
def slope(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    tree: dict[str, Any] = json.loads(raw_text(tmp_path_factory.mktemp("slope")))
    return tree


def call(**payload: Any) -> Call:
    return Call(payload, lambda _: None, lambda: False)


@pytest.fixture(scope="module")
def made(slope: dict[str, Any]) -> dict[str, Any]:
    """The plan's document, advice and ways, as the worker gives them."""
    plan = TASKS["plan"](call(incident=slope, request=QUICK))
    advised = TASKS["advise"](
        call(incident=slope, policy=plan["policy"], seed=1, samples=400, travel_min=45.0)
    )
    ways = TASKS["ways"](call(incident=slope, request=QUICK))
    tree: dict[str, Any] = json.loads(
        json.dumps({"plan": plan, ADVISED: advised, WAYS: ways}, allow_nan=False)
    )
    return tree


# ----- tasks ------------------------------------------------------------------------------------


def test_the_middle_way_is_the_plan_itself(made: dict[str, Any]) -> None:
    found = {row["way"]: row for row in made[WAYS]["ways"]}
    chance = made["plan"]["result"]["risk"]["anyone"]["chance"]
    assert found["as priced"]["risk"]["anyone"]["chance"] == chance
    assert len(found) == 3


def test_advice_starts_from_the_plans_own_chance(made: dict[str, Any]) -> None:
    before = made[ADVISED]["before"]["anyone"]["before"]["value"]
    assert before == made["plan"]["result"]["risk"]["anyone"]["chance"]
    assert made[ADVISED]["helps"]
    assert made[ADVISED]["lines"]["request"]


@pytest.mark.parametrize("minutes", [-1, 5000, "soon", True, None])
def test_minutes_of_travel_that_cannot_be_are_told(slope: dict[str, Any], minutes: Any) -> None:
    with pytest.raises(InputError, match="0 to 2880 minutes"):
        TASKS["advise"](call(incident=slope, policy={}, seed=1, samples=400, travel_min=minutes))


# ----- the page ---------------------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    path = tmp_path / "page.store"
    monkeypatch.setenv(session.STORE, str(path))
    return Store(path)


@pytest.fixture
def hut(store: Store, slope: dict[str, Any], made: dict[str, Any]) -> Revision:
    created = store.create("incident", "North slope", slope, new_command_id())
    keep_plan(store, created.document, created.number, made["plan"])
    return created


def plan_in(store: Store, hut: Revision) -> KeptPlan:
    kept = latest_plan(store, hut.document)
    assert kept is not None
    return kept


def shown(hut: Revision) -> AppTest:
    return page_app.opened(hut.document, "plan_view")


def test_asked_for_it_is_started_with_what_the_plan_was_made_from(
    store: Store, hut: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[tuple[Any, ...]] = []
    app = shown(hut)
    monkeypatch.setattr(desk(), "start", lambda *told: begun.append(told))
    fine(app.button(key="advise_now").click().run())
    fine(app.button(key="ways_now").click().run())
    tasks = {task: payload for _, task, payload, _ in begun}
    assert tasks["advise"]["travel_min"] == 60.0
    assert tasks["ways"]["request"] == QUICK
    assert all(payload["incident"] == hut.tree for payload in tasks.values())


def test_what_was_worked_out_is_shown_and_belongs_to_its_plan(
    store: Store, hut: Revision, made: dict[str, Any]
) -> None:
    kept = plan_in(store, hut)
    keep_beside(store, hut.document, kept, ADVISED, made[ADVISED])
    keep_beside(store, hut.document, kept, WAYS, made[WAYS])
    app = shown(hut)
    told = html(app)
    for line in (*made[ADVISED]["lines"]["helps"], *made[WAYS]["lines"]):
        assert page_escaped(line) in told
    assert not [b for b in app.button if b.key in {"advise_now", "ways_now"}]
    # Twin: another plan of the same incident has none.
    keep_plan(store, hut.document, hut.number, {**made["plan"], "asked": {"request": {"seed": 2}}})
    assert kept_beside(store, hut.document, plan_in(store, hut)) == {}
    assert [b.key for b in shown(hut).button if b.key in {"advise_now", "ways_now"}]


def page_escaped(text: str) -> str:
    from html import escape

    return escape(text, quote=True)


def test_a_choice_is_recorded_by_role_and_time(
    store: Store, hut: Revision, made: dict[str, Any]
) -> None:
    kept = plan_in(store, hut)
    keep_beside(store, hut.document, kept, WAYS, made[WAYS])
    app = shown(hut)
    app.selectbox(key="way_chosen").set_value("reduced")
    app.text_input(key="way_role").set_value("medical <lead>")
    (record,) = [b for b in app.button if b.label == "Record the choice"]
    fine(record.click().run())
    chosen = kept_beside(store, hut.document, kept)[CHOSEN]
    assert (chosen["way"], chosen["by"]) == ("reduced", "medical <lead>")
    assert "Chosen: Reduced for all, by medical &lt;lead&gt;" in html(shown(hut))
    paper = prints._sheets(store, store.revision(hut.document), kept).decode()
    assert "Chosen: Reduced for all, by medical &lt;lead&gt;" in paper


def test_a_choice_by_nobody_is_told_and_not_recorded(
    store: Store, hut: Revision, made: dict[str, Any]
) -> None:
    kept = plan_in(store, hut)
    keep_beside(store, hut.document, kept, WAYS, made[WAYS])
    app = shown(hut)
    (record,) = [b for b in app.button if b.label == "Record the choice"]
    fine(record.click().run())
    assert any(t.value.startswith("Nothing was recorded") for t in app.text)
    assert CHOSEN not in kept_beside(store, hut.document, kept)


def test_how_the_work_stands_and_why_it_failed(
    hut: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    running = Progress("running", "screening <i>12</i>", 3.2)
    monkeypatch.setattr(
        desk(), "look", lambda about: running if about.startswith("advise") else None
    )
    assert "screening <i>12</i> (3 s)" in [t.value for t in shown(hut).text]
    failed = Progress("failed", "It did not work.", faults=("travel_min is wrong",))
    monkeypatch.setattr(
        desk(), "look", lambda about: failed if about.startswith("advise") else None
    )
    app = shown(hut)
    assert {"It did not work.", "travel_min is wrong"} <= {t.value for t in app.text}
    assert [b for b in app.button if b.key == "advise_now"]


def test_curve_is_drawn_with_its_table(store: Store, hut: Revision, made: dict[str, Any]) -> None:
    """The slope's request has a curve; its numbers stand in a table behind it, and on paper."""
    keep_beside(store, hut.document, plan_in(store, hut), ADVISED, made[ADVISED])
    spec = made[ADVISED]["charts"]["request_curve"]
    curve = made[ADVISED]["request_curve"]
    assert [row["chance"] for row in spec["layer"][1]["data"]["values"]] == [
        point["chance"] for point in curve
    ]
    told = html(shown(hut))
    assert "<caption>Chance by arrival</caption>" in told
    assert "by when the request arrives" in told
    assert "by when the request arrives" in sheets_html({**made["plan"], ADVISED: made[ADVISED]})


# ----- paper ------------------------------------------------------------------------------------


def test_sheets_hold_advice_ways_and_the_request_form(made: dict[str, Any]) -> None:
    document = {**made["plan"], ADVISED: made[ADVISED], WAYS: made[WAYS]}
    paper = sheets_html(document)
    for line in (*made[ADVISED]["lines"]["request"], *made[WAYS]["lines"]):
        assert page_escaped(line).replace("&#x27;", "&#39;").replace("&quot;", "&#34;") in paper
    assert ("213RR" in paper) == (made[ADVISED]["request_status"] != "none needed")
    assert paper.count('<section class="sheet') in {7, 8}
    assert sheets_html(made["plan"]).count('<section class="sheet') == 6


def test_request_form_holds_what_is_asked_for(made: dict[str, Any]) -> None:
    request = made[ADVISED]["request"]
    assert request is not None
    paper = sheets_html({**made["plan"], ADVISED: made[ADVISED]})
    form = paper[paper.index('class="sheet request"') :]
    for item in request["items"]:
        assert f"<td>{item['count']}</td><td>oxygen cylinder</td><td>{item['size']}</td>" in form
    assert request["arrive_by"]["clock"] in form
    assert f"ask by {request['request_by']['clock']}" in form


def test_command_prints_advice_and_its_sheets(
    tmp_path: Path, slope: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    incident, sheets = tmp_path / "slope.json", tmp_path / "sheets.html"
    incident.write_text(json.dumps(slope))
    words = ["advise", str(incident), "--samples", "400", "--effort", "5", "--html", str(sheets)]
    assert main(words) == 0
    told = capsys.readouterr().out
    for title in ("What to ask for", "What would help most", "Three ways to run it"):
        assert title in told
    assert "Three ways to run it" in sheets.read_text(encoding="utf-8")
    assert main([*words, "--semicolon"]) == 2
