"""The screens of the exercise: set up, run, played, looked at afterwards; who may see what."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from html import escape
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from planner.call import Call
from planner.errors import InputError
from planner.exercise import keeping
from planner.exercise.known import known_to_players
from planner.exercise.run import run_state
from planner.exercise.setup import Exercise, Objective, read_exercise
from planner.exercise.writing import exercise_document
from planner.jobs import Progress
from planner.page import exercise_parts, exercise_prints, exercise_sets, exercise_view, session
from planner.page.hot_washes import write, written
from planner.page.starts import start_from_files
from planner.report.hot_wash import ABOUT
from planner.store import StaleWrite, Store, new_command_id
from planner.tasks import TASKS
from planner.tasks_exercise import payload_of
from planner.units import Pressure
from tests.page_app import fine, html, opened

ROOT = Path(__file__).parents[1]
SCENARIOS = ROOT / "scenarios"
APP = ROOT / "planner" / "page" / "app.py"
CORVENNA = read_exercise(SCENARIOS / "corvenna-traverse-exercise.toml")
MEANT = "<script>window.hit=1</script>"
PLAYED_MIN = 13.0  # inject 1 (minute 4) and 2 (minute 12) are due by then


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    path = tmp_path / "page.store"
    monkeypatch.setenv(session.STORE, str(path))
    return Store(path)


def screen(link: str) -> AppTest:
    """The whole page as a link opens it."""
    app = AppTest.from_file(str(APP), default_timeout=30)
    app.query_params["link"] = link
    return fine(app.run())


def press(app: AppTest, label: str) -> AppTest:
    (button,) = (b for b in app.button if b.label == label)
    return fine(button.click().run())


def labels(app: AppTest) -> list[str]:
    return [button.label for button in app.button]


def all_text(app: AppTest) -> str:
    """Whatever the page sends of a screen: HTML, labels, choices, values."""
    kinds = ("selectbox", "text_input", "text_area", "number_input", "button", "expander")
    return "\n".join([html(app), *(str(w.proto) for kind in kinds for w in app.get(kind))])


def played(store: Store, exercise: Exercise = CORVENNA) -> keeping.Links:
    """Put a run into the store whose clock has got to `PLAYED_MIN` and stands there."""
    content, links = _played(exercise)
    store.path.write_bytes(content)
    return links


@cache
def _played(exercise: Exercise) -> tuple[bytes, keeping.Links]:
    """Play it once, with time put forward; return the store's whole content."""
    end = datetime.now(UTC)
    at = end - timedelta(minutes=PLAYED_MIN)
    with TemporaryDirectory() as folder:
        store = Store(Path(folder) / "played.store", now=lambda: at)
        links = keeping.begin_run(store, exercise)
        keeping.command(store, links.run, "started", new_command_id(), now=at)
        while at < end:
            at = min(at + timedelta(minutes=1.4), end)
            keeping.look(store, links.run, at)
        keeping.command(store, links.run, "paused", new_command_id(), now=at)
        store.backup(Path(folder) / "whole.store")
        return (Path(folder) / "whole.store").read_bytes(), links


# ----- set up ----------------------------------------------------------------------------------


def test_a_shipped_one_is_kept_and_a_run_is_begun(store: Store) -> None:
    app = opened(None, "exercise_view")
    assert "No exercise is open" in html(app)
    fine(app.selectbox(key="shipped_exercise").set_value(CORVENNA.name).run())
    press(app, "Begin from it")
    ((document, name),) = keeping.exercises(store)
    assert name == CORVENNA.name
    assert keeping.open_exercise(store, document) == CORVENNA
    press(app, "Begin a run")
    ((run, _),) = keeping.runs(store)
    found = dict(re.findall(r'href="/\?link=([^"]+)">(\w+)', html(app)))
    roles = {who: keeping.role_of(store, link) for link, who in found.items()}
    assert roles == {
        "Controller": keeping.Access(run, "controller"), "Players": keeping.Access(run, "players"),
    }  # fmt: skip
    press(app, "New links for this run")
    assert all(keeping.role_of(store, link) is None for link in found)


def test_set_up_from_the_open_incident_by_forms(store: Store) -> None:
    path = SCENARIOS / "corvenna-traverse.toml"
    incident = start_from_files(store, {path.name: path.read_bytes()}, new_command_id()).revision
    app = AppTest.from_string(
        "import streamlit as st\nfrom planner.page import exercise_view\n"
        f"st.session_state.setdefault('open_incident', {incident.document!r})\n"
        "exercise_view.show()\n", default_timeout=30,
    )  # fmt: skip
    fine(app.run())
    press(app, "Set one up from it")
    ((document, _),) = keeping.exercises(store)

    def put(kind: str, end: str, value: Any) -> None:
        (widget,) = (w for w in app.get(kind) if str(w.key).endswith(end))
        widget.set_value(value)

    (name,) = (str(w.key) for w in app.text_input if str(w.key).startswith("objective_"))
    app.text_input(key=name).set_value("ask")
    press(app, "Keep the objective")
    assert keeping.open_exercise(store, document).objectives == (Objective("ask", ""),)
    # An inject without a minute is told and not written; mended, it is.
    fine(app.selectbox(key="library").set_value("gauge reads 300").run())
    fine(app.selectbox(key="blank_cylinder").set_value("D-02").run())
    put("selectbox", ":objective", "ask")
    put("selectbox", ":kind", "gauge is")
    put("text_input", ":tag", "D-02")
    put("text_input", ":change_gauge_psi", "300")
    press(app, "Keep the inject")
    assert "FAULT" in html(app)
    assert keeping.open_exercise(store, document).injects == ()
    put("text_input", ":minute", "12")
    press(app, "Keep the inject")
    (inject,) = keeping.open_exercise(store, document).injects
    assert (inject.number, inject.at_min, inject.objective) == (1, 12, "ask")
    assert inject.text == "D-02 was said to be full. It reads 300."
    assert inject.changes[0].gauge == Pressure(300, "psi")
    # A second change of the same inject, in the boxes that stand empty below the first.
    picks = [s for s in app.selectbox if str(s.key).startswith(f"inject:{document}")]
    fine(picks[0].set_value(1).run())
    put("selectbox", ":also1:kind", "radio silent")
    put("text_input", ":also1:tag", "hut")
    put("text_input", ":also1:change_minutes", "9")
    press(app, "Keep the inject")
    (inject,) = keeping.open_exercise(store, document).injects
    assert [change.kind for change in inject.changes] == ["gauge is", "radio silent"]
    assert inject.changes[1].minutes == 9


def test_files_are_read_or_told() -> None:
    names = ("corvenna-traverse-exercise.toml", "corvenna-traverse.toml")
    files = {name: (SCENARIOS / name).read_bytes() for name in names}
    assert exercise_sets.from_files(files) == CORVENNA
    with pytest.raises(InputError, match="0 such files"):
        exercise_sets.from_files({names[1]: files[names[1]]})
    with pytest.raises(InputError, match="plain file name"):
        exercise_sets.from_files({"../x.toml": b""})


def test_a_change_on_an_older_one_is_refused(store: Store) -> None:
    document = keeping.save_exercise(store, CORVENNA, new_command_id())

    def change(tree: dict[str, Any]) -> dict[str, Any]:
        return exercise_sets.without_objective(tree, "ask early")

    made = exercise_sets.changed(store, document, 1, new_command_id(), change)
    assert "ask early" not in {o.name for o in made.objectives}
    assert "ask early" not in {i.objective for i in made.injects}
    with pytest.raises(StaleWrite):
        exercise_sets.changed(store, document, 1, new_command_id(), change)


def test_an_objective_renamed_keeps_its_injects() -> None:
    tree = exercise_document(CORVENNA, is_embedded=True)
    new = exercise_sets.with_objective(tree, "ask early", {"name": "ask at once"})
    before = [i["number"] for i in tree["injects"] if i.get("objective") == "ask early"]
    assert before
    assert [i["number"] for i in new["injects"] if i.get("objective") == "ask at once"] == before


# ----- who may see what ------------------------------------------------------------------------


def test_an_unknown_link_opens_one_line_and_nothing_else(store: Store) -> None:
    keeping.begin_run(store, CORVENNA)
    for link in ("no-such-link", ""):
        app = screen(link)
        told = re.sub(r"<style>.*?</style>", "", html(app), flags=re.DOTALL)
        texts = re.sub("<[^>]+>", "", told).strip().split("\n")
        assert texts == ["EXERCISE - NOT FOR PATIENT CARE", exercise_parts.UNKNOWN]
        assert not app.button
        assert not app.selectbox


def test_a_players_screen_holds_nothing_hidden(store: Store) -> None:
    links = played(store)
    seen = keeping.look(store, links.run)
    keeping.command(store, links.run, "given", new_command_id(), {"number": 1})
    text = all_text(screen(links.players))
    assert "Three cylinders stand here" in text
    for inject in CORVENNA.injects:
        if inject.number != 1:
            assert inject.text not in text
        assert inject.expected not in text or not inject.expected
    assert not any(o.text in text for o in CORVENNA.objectives)
    for cylinder in CORVENNA.incident.cylinders:
        true = f"{seen.truth.cylinder(cylinder.tag).gauge_psi:.0f}"
        assert f"{cylinder.gauge.value:g}" not in re.findall(r"\d+", text)
        assert true not in re.findall(r"\d+", text)
    assert "C5" not in text  # missing, not found yet
    # Twin: the controller's screen has all of it.
    text = all_text(screen(links.controller))
    assert CORVENNA.injects[1].text in text
    assert f"{seen.truth.cylinder('D-01').gauge_psi:.0f} psi" in text


def test_a_link_that_was_taken_away_opens_nothing_more(store: Store) -> None:
    links = played(store)
    app = screen(links.controller)
    keeping.new_links(store, links.run)
    before = keeping.events_of(store, links.run)
    press(app, "Give 1")
    assert exercise_parts.UNKNOWN in html(app)
    assert keeping.events_of(store, links.run) == before


# ----- the controller --------------------------------------------------------------------------


def test_a_players_link_does_nothing_that_is_a_controllers(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    from planner.page import exercise_after, exercise_deciding

    links = played(store)
    elsewhere = keeping.begin_run(store, CORVENNA).run
    state: dict[str, Any] = {"decision_note_note_0": "by a player", "form:gaps": "by a player"}
    for module in (exercise_parts, exercise_after, exercise_deciding):
        monkeypatch.setattr(module, "st", SimpleNamespace(session_state=state))

    def tried(access: keeping.Access | None) -> bool:
        monkeypatch.setattr(exercise_parts, "access_now", lambda: access)
        before = len(store.events(links.run))
        done = exercise_parts.do(links.run, "given", new_command_id(), {"number": 1})
        exercise_parts.do(links.run, "rewound", new_command_id(), {"minute": 5})
        exercise_after._keep(links.run, "ask early", "form", 0, new_command_id())
        exercise_deciding._decide(links.run, "note", "controller", new_command_id(), 0)
        count = len(store.events(links.run)) - before
        assert count in {0, 4}  # all of it or nothing
        return done and count == 4

    for access in (
        keeping.Access(links.run, "players"), keeping.Access(elsewhere, "controller"), None,
    ):  # fmt: skip
        assert not tried(access)
    assert tried(keeping.Access(links.run, "controller"))  # the twin


def test_injects_are_given_held_skipped_and_made_up(store: Store) -> None:
    links = played(store)
    app = screen(links.controller)
    assert "Due now: 3" in html(app)  # number 6 too: nobody was given any oxygen
    press(app, "Give 1")
    press(app, "Hold 2")
    assert "Due now: 1" in html(app)
    press(app, "Skip 4")  # the next by the clock
    run = keeping.look(store, links.run).run
    assert [g.inject.number for g in run.given] == [1]
    assert [m.number for m in run.held] == [2]
    assert [m.number for m in run.skipped] == [4]
    for end, value in ((":from", "dispatch"), (":to", "leader")):
        (box,) = (w for w in app.text_input if str(w.key).endswith(end))
        box.set_value(value)
    (area,) = (w for w in app.text_area if str(w.key).endswith(":text"))
    area.set_value(MEANT)
    press(app, "Give it now")
    run = keeping.look(store, links.run).run
    assert run.given[-1].inject.text == MEANT
    for link in (links.players, links.controller):
        text = html(screen(link))
        assert MEANT not in text
        assert "&lt;script&gt;" in text


def test_the_clock_starts_pauses_runs_fast_and_is_rewound(store: Store) -> None:
    links = keeping.begin_run(store, CORVENNA)
    app = screen(links.controller)
    press(app, "Start")
    press(app, "5x")
    run = keeping.look(store, links.run).run
    assert (run.clock.is_running, run.clock.speed) == (True, 5.0)
    press(app, "Pause")
    assert not keeping.look(store, links.run).run.clock.is_running
    app.number_input(key="rewind_to").set_value(999.0)
    press(app, "Rewind")
    assert "a minute of the exercise&#x27;s clock" in html(app) or "exercise's clock" in html(app)
    assert keeping.look(store, links.run).run.branch == 0
    app.number_input(key="rewind_to").set_value(0.0)
    press(app, "Rewind")
    assert keeping.look(store, links.run).run.branch == 1
    app.number_input(key="forward_to").set_value(45.0)
    press(app, "Put it forward")
    assert "minute 45.0, paused" in html(app)
    assert keeping.look(store, links.run).run.branch == 1


def test_after_a_sleep_every_screen_stands_where_it_was_last_seen(store: Store) -> None:
    """The laptop was shut five minutes ago, at minute 3; whoever opens a screen finds it so."""
    at = datetime.now(UTC) - timedelta(minutes=8)
    then = Store(store.path, now=lambda: at)
    links = keeping.begin_run(then, CORVENNA)
    keeping.command(then, links.run, "started", new_command_id(), now=at)
    for _ in range(3):
        at += timedelta(minutes=1)
        keeping.look(then, links.run, at)
    control, players = screen(links.controller), screen(links.players)
    for each in (control, players):
        assert "minute 3.0, paused" in html(each)
    assert "Paused by itself: the machine slept" in html(control)
    assert "Paused by itself" not in html(players)  # their clock stands; why is the controller's
    assert "minute 3.0, paused" in html(fine(control.run()))  # F5
    press(control, "Go on")
    assert "minute 3.0, running" in html(control)
    assert "Paused by itself" not in html(control)
    # Its twin: seen a minute ago, nothing has slept.
    at = datetime.now(UTC) - timedelta(minutes=1)
    links = keeping.begin_run(then, CORVENNA)
    keeping.command(then, links.run, "started", new_command_id(), now=at)
    assert re.search(r"minute 1\.\d, running", html(screen(links.controller)))


def test_both_books_are_given_to_print(store: Store) -> None:
    links = played(store)
    app = screen(links.controller)
    given = {each.proto.label for each in app.get("download_button")}
    assert {"Controller's book", "Players' sheets"} <= given
    made = partial(exercise_prints._standing, links.run)
    book, sheets = exercise_prints._book(made).decode(), exercise_prints._sheets(made).decode()
    assert "FOR CONTROLLERS ONLY" in book
    assert "FOR CONTROLLERS ONLY" not in sheets
    assert "what you know at 16:53" in sheets  # minute 13: as it stands, not as it began
    players = screen(links.players)
    assert not players.get("download_button")


def test_a_real_emergency_stops_every_screen_until_lifted(store: Store) -> None:
    links = keeping.begin_run(store, CORVENNA)
    control = screen(links.controller)
    press(control, "STOP: real emergency")
    assert keeping.look(store, links.run).run.is_stopped
    app = screen(links.players)
    for each in (app, control):
        assert exercise_parts.STOP in html(each)
    assert "Lift the stop" not in labels(app)
    press(app, "Decide")
    assert "FAULT" in html(app)
    assert exercise_parts.STOP in html(after_of(links.controller))
    press(control, "Lift the stop")
    assert exercise_parts.STOP not in html(fine(app.run()))
    press(app, "STOP: real emergency")  # again, by players: not the click of before
    assert keeping.look(store, links.run).run.is_stopped


def test_the_plan_is_hidden_until_it_is_shown(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    from planner.call import Call
    from planner.page import exercise_plan
    from planner.tasks import plan

    links = played(store)
    asked: list[dict[str, Any]] = []
    quick = {**exercise_plan.REQUEST, "effort": 0, "samples": 200, "deterministic_s": 0.1}

    class Quick:
        """Jobs done at once, in this process, by the same task."""

        def start(self, about: str, task: str, payload: dict[str, Any]) -> None:
            assert task == "plan"
            asked.append(plan(Call({**payload, "request": quick}, str, bool)))

        def look(self, about: str) -> Any:
            from planner.jobs import Progress

            return Progress("done", "done", result=asked[-1]) if asked else None

    monkeypatch.setattr(exercise_plan, "desk", Quick)
    app = screen(links.controller)
    press(app, "Plan on from the truth")
    (made,) = asked
    first = made["view"]["first_line"]
    assert escape(first) in html(app)
    assert made["result"]["at_min"] == pytest.approx(PLAYED_MIN, abs=0.01)
    assert escape(first) not in html(screen(links.players))
    (area,) = (w for w in app.text_area if str(w.key).startswith("revealed"))
    assert first in area.value
    area.set_value(f"{first}\n\n{MEANT}")
    press(app, "Show this to the players")
    text = html(screen(links.players))
    assert escape(first) in text
    assert MEANT not in text
    assert keeping.look(store, links.run).run.revealed[0].lines == (first, MEANT)


# ----- players ---------------------------------------------------------------------------------


def choose(app: AppTest, **fields: Any) -> AppTest:
    """Fill the players' form in."""
    for name, value in fields.items():
        kinds = ("selectbox", "text_input")
        (widget,) = (w for kind in kinds for w in app.get(kind)
                     if str(w.key).startswith(f"decision_{name}_"))  # fmt: skip
        widget.set_value(value)
    return press(app, "Decide")


def test_a_decision_is_kept_and_an_impossible_one_told(store: Store) -> None:
    links = played(store)
    app = screen(links.players)
    choose(app, patient="C1", cylinder="D-01", device="non-rebreather", flow_lpm="10")
    told = re.findall(r"Written down[^<]*|FAULT[^<]*", html(app))
    assert told
    assert told[0].startswith("Written down: connected C1, D-01"), html(app)
    (entry,) = keeping.look(store, links.run).run.decisions()
    assert entry.event.cylinder == "D-01"  # type: ignore[union-attr]
    # A cylinder that is at the hut cannot be connected on the slope: told, and nothing kept.
    choose(app, patient="C1", cylinder="D-02", flow_lpm="10")
    assert "FAULT" in html(app)
    assert len(keeping.look(store, links.run).run.decisions()) == 1


def test_reading_a_gauge_is_an_action(store: Store) -> None:
    links = played(store)
    app = screen(links.players)
    assert "not read" in html(app)
    fine(app.selectbox(key="decision_do").set_value("read gauge").run())
    choose(app, cylinder="D-04")
    assert re.search(r"Written down: gauge read D-04, reads \d+ psi", html(app))
    known = known_to_players(CORVENNA, keeping.look(store, links.run).run)
    gauges = {c["tag"]: c["gauge"] for c in known["cylinders"]}
    assert gauges.pop("D-04").startswith("read ")
    assert set(gauges.values()) == {"not read"}


def test_hostile_words_are_text(store: Store) -> None:
    incident = replace(CORVENNA.incident, name=MEANT)
    hostile = replace(
        CORVENNA, name=MEANT, incident=incident, note=MEANT,
        objectives=(*CORVENNA.objectives, Objective(MEANT, MEANT)),
        known=replace(CORVENNA.known, told=MEANT),
    )  # fmt: skip
    links = played(store, hostile)
    keeping.keep_decision(store, links.run, {"do": "note", "note": MEANT, "role": MEANT}, "a")
    document = keeping.save_exercise(store, hostile, new_command_id())
    app = opened(None, "exercise_view")
    app.query_params[exercise_view.QUERY] = document
    fine(app.run())
    after = after_of(links.controller)
    for each in (app, after, screen(links.players), screen(links.controller)):
        assert MEANT not in html(each)
        assert "&lt;script&gt;" in html(each)


# ----- after -----------------------------------------------------------------------------------


def after_of(link: str) -> AppTest:
    app = screen(link)
    (choice,) = app.get("button_group")
    return fine(choice.set_value("After").run())


def test_the_hot_wash_is_kept_and_the_review_is_there(store: Store) -> None:
    links = played(store)
    keeping.command(store, links.run, "given", new_command_id(), {"number": 1})
    keeping.keep_decision(store, links.run, {"do": "request", "items": "oxygen", "count": 4}, "r")
    keeping.command(store, links.run, "ended", new_command_id())
    app = after_of(links.controller)
    text = html(app)
    assert ABOUT in text  # no score, no ranking
    assert "4 oxygen" in text
    assert "First decision after" in text
    truth = keeping.look(store, links.run).truth
    out = sum(p.minutes_out for p in truth.patients if p.triage == "immediate")
    assert out > 0
    assert f"{out:.1f}" in text
    (area,) = (w for w in app.text_area if str(w.key) == "wash_0_0:strengths")
    area.set_value(f"gauges first\n{MEANT}")
    (box,) = (w for w in app.text_input if str(w.key) == "wash_0_0:due")
    box.set_value("soon")
    press(app, "Keep 1")
    assert "a date such as" in html(app)
    assert written(store, links.run) == {}
    box = next(w for w in app.text_input if str(w.key) == "wash_0_0:due")
    box.set_value("2027-04-30")
    press(app, "Keep 1")
    kept = written(store, links.run)["read before use"]
    assert (kept.strengths, kept.due) == (("gauges first", MEANT), "2027-04-30")
    fine(app.toggle(key="ex_review").set_value(True).run())
    text = html(app)
    assert text.index("KNOWN AT THE TIME") < text.index("FACTS")
    given = [each.proto.label for each in app.get("download_button")]
    assert given == ["Hot wash to print", "Review to print"]


def test_an_earlier_branch_is_looked_back_on(store: Store) -> None:
    links = played(store)
    keeping.command(store, links.run, "given", new_command_id(), {"number": 1})
    keeping.command(store, links.run, "skipped", new_command_id(), {"number": 2})
    keeping.command(store, links.run, "rewound", new_command_id(), {"minute": 2})
    keeping.keep_decision(store, links.run, {"do": "note", "note": "again"}, "n")
    keeping.command(store, links.run, "ended", new_command_id())
    app = after_of(links.controller)
    assert "Inject 1, given" not in html(app)  # not yet on the branch that was played last
    (chosen,) = (w for w in app.selectbox if w.label == "Branch to look back on")
    assert chosen.options == ["1: branch 2, from 16:42 of branch 1", "2: branch 1, the first"]
    fine(chosen.set_value(1).run())
    assert "Inject 1, given 16:53" in html(app)
    assert "Decisions beside planning on" not in html(app)
    # It stays as it was whenever it is asked for, and on the new one all is open again.
    seen = keeping.look(Store(store.path), links.run)
    assert seen.run.done == frozenset()
    earlier = run_state(seen.events, datetime.now(UTC), branch=0)
    assert earlier.done == {1, 2}
    assert [e.note for e in earlier.log if e.note] == []


def test_two_hot_washes_at_once_overwrite_nothing(store: Store) -> None:
    run = keeping.begin_run(store, CORVENNA).run
    command = new_command_id()
    write(store, run, "ask early", {"gaps": "one"}, 0, command)
    write(store, run, "ask early", {"gaps": "one"}, 0, command)  # the same click
    with pytest.raises(InputError, match="Look, then write again"):
        write(store, run, "ask early", {"gaps": "two"}, 0, new_command_id())
    kept = written(store, run)["ask early"]
    write(store, run, "ask early", {"gaps": "two"}, kept.sequence, new_command_id())
    assert written(store, run)["ask early"].gaps == ("two",)
    assert keeping.look(store, run).run.given == ()


def test_two_hot_washes_between_look_and_write_overwrite_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = keeping.begin_run(store, CORVENNA).run
    append, others = Store.append, iter([True])

    def slipping(self: Store, *words: Any, **more: Any) -> Any:
        if next(others, False):  # somebody else, after this one has looked
            write(Store(self.path), run, "ask early", {"gaps": "theirs"}, 0, new_command_id())
        return append(self, *words, **more)

    monkeypatch.setattr(Store, "append", slipping)
    with pytest.raises(InputError, match="Look, then write again"):
        write(store, run, "ask early", {"gaps": "mine"}, 0, new_command_id())
    assert written(store, run)["ask early"].gaps == ("theirs",)


def test_what_is_not_kept_in_a_hot_wash_stays_on_the_screen(store: Store) -> None:
    links = played(store)
    keeping.command(store, links.run, "ended", new_command_id())
    app = after_of(links.controller)
    write(store, links.run, "read before use", {"gaps": "theirs"}, 0, new_command_id())
    (area,) = (w for w in app.text_area if str(w.key) == "wash_0_0:gaps")
    area.set_value(f"mine {MEANT}")
    press(app, "Keep 1")
    assert written(store, links.run)["read before use"].gaps == ("theirs",)
    text = html(app)
    assert f"mine {escape(MEANT)}" in text
    assert MEANT not in text
    shown = [w.value for w in app.text_area if str(w.label).startswith("What was missing")]
    assert "theirs" in shown


def test_decisions_stand_beside_planning_on(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    from planner.page import exercise_after

    links = played(store)
    quick = {**exercise_after.REQUEST, "effort": 0, "samples": 200, "deterministic_s": 0.1}
    monkeypatch.setattr(exercise_after, "REQUEST", quick)
    asked: list[Any] = []

    class Quick:
        """Jobs done at once, in this process, by the same task."""

        def start(self, about: str, task: str, payload: dict[str, Any]) -> None:
            sent = json.loads(json.dumps(payload, default=lambda value: value.isoformat()))
            asked.append(TASKS[task](Call(sent, str, bool)))

        def look(self, about: str) -> Any:
            return Progress("done", "done", result=asked[-1]) if asked else None

    monkeypatch.setattr(exercise_after, "desk", Quick)
    app = after_of(links.controller)
    press(app, "Set beside planning on from there: takes seconds")
    text = html(app)
    assert "Planning on less as decided" in text
    assert "one course of luck" in text
    truth = keeping.look(store, links.run).truth
    decided = {tag: minutes for tag, minutes, _ in asked[0]["rows"]}
    # From minute 0 on, what was decided is all that anybody was without.
    assert decided == pytest.approx({p.tag: p.minutes_out for p in truth.patients}, abs=0.1)
    far = payload_of(keeping.look(store, links.run), datetime.now(UTC), 900.0, quick)
    far = json.loads(json.dumps(far, default=lambda value: value.isoformat()))
    with pytest.raises(InputError, match="minute"):
        TASKS["beside"](Call(far, str, bool))
