"""The page's cache: a study built and changed, worked out, looked at, a stock chosen, printed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from planner.banner import BANNER
from planner.cache.study_document import study_document
from planner.call import Call
from planner.errors import InputError
from planner.page import cache_view, caches, session
from planner.store import StaleWrite, Store, new_command_id
from planner.tasks import TASKS
from planner.tasks_cache import median_picture
from tests.cache_studies import three_families
from tests.page_app import app_of, fine, html
from tests.test_cache_words import HOSTILE, small, small_content


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    path = tmp_path / "page.store"
    monkeypatch.setenv(session.STORE, str(path))
    return Store(path)


def with_study(store: Store) -> AppTest:
    made = caches.begin(store, study_document(small()), new_command_id())
    app = app_of("cache_view")
    app.query_params["cache"] = made.document
    return app


def press(app: AppTest, words: str) -> AppTest:
    (button,) = [b for b in app.button if b.label == words]
    return fine(button.click().run())


def box(app: AppTest, words: str, number: int = 0) -> Any:
    """Return a box of a form by the words that its label begins with."""
    boxes = [*app.text_input, *app.selectbox]
    return [one for one in boxes if one.label.startswith(words)][number]


def part_of(app: AppTest, name: str) -> AppTest:
    app.session_state["cache_part"] = name
    return fine(app.run())


def test_a_shipped_study_is_begun_and_its_target_changed(store: Store) -> None:
    app = fine(app_of("cache_view").run())
    assert "No study is open" in html(app)
    press(app, "Begin from it")
    (document,) = store.documents("study")
    assert document.name in caches.shipped()
    assert box(app, "Target").value == "0.05"
    box(app, "Target").set_value("0.08")
    press(app, "Keep these")
    after = store.revision(document.id)
    assert after.number == 2
    assert caches.study_of(after.tree).target_chance == pytest.approx(0.08)
    part_of(app, "more")
    box(app, "Swap,").set_value("4")
    press(app, "Keep these")
    assert caches.study_of(store.revision(document.id).tree).swap_min == 4


def test_families_and_items_are_changed_by_form(store: Store) -> None:
    app = part_of(with_study(store), "incidents")
    (document,) = store.documents("study")
    box(app, "Patients").set_value("1: 0.5, 3: 0.5")
    for number, minutes in enumerate(("40", "50", "60")):
        box(app, "Transfer", number).set_value(minutes)
    press(app, "Keep these")
    part_of(app, "items")
    box(app, "Held").set_value("2")
    press(app, "Keep these")
    study = caches.study_of(store.revision(document.id).tree)
    (family,) = study.cases
    assert family.num_patients.counts == (1, 3)
    assert family.people[0].transfer.p90_min == 60
    assert study.items[0].held == (("hut", 2),)


def test_rows_are_added_and_removed_by_form_with_what_was_typed(store: Store) -> None:
    app = part_of(with_study(store), "incidents")
    (document,) = store.documents("study")
    box(app, "Responders").set_value("7")
    press(app, "Add a kind of patient")
    (family,) = caches.study_of(store.revision(document.id).tree).cases
    assert family.responders == 7
    assert [person.share for person in family.people] == [0.5, 0.5, 0.0]
    box(app, "Share").set_value("0.25")
    box(app, "Share", 2).set_value("0.25")
    press(app, "Add a shared transport")
    press(app, "Add a spot")
    press(app, "Add a temperature")
    press(app, "Remove kind of patient 1")
    (family,) = caches.study_of(store.revision(document.id).tree).cases
    assert [person.share for person in family.people] == pytest.approx([2 / 3, 1 / 3])
    kinds = (family.spots, family.weather, family.transfer_groups)
    assert [len(rows) for rows in kinds] == [2, 2, 2]
    press(app, "Add a family like the last")
    part_of(app, "items")
    for kind in ("cylinder", "regulator", "device", "key", "washer"):
        before = len(caches.study_of(store.revision(document.id).tree).items)
        press(app, f"Add a {kind}")
        study = caches.study_of(store.revision(document.id).tree)
        assert len(study.items) == before + 1
        assert study.items[-1].kind == kind
    press(app, "Remove this item")
    assert len(caches.study_of(store.revision(document.id).tree).items) == before
    part_of(app, "caches")
    press(app, "Add a cache")
    study = caches.study_of(store.revision(document.id).tree)
    assert len(study.caches) == 2
    assert len(study.cases) == 2


def test_what_is_wrong_is_told_and_nothing_is_written_or_lost(store: Store) -> None:
    app = part_of(with_study(store), "incidents")
    (document,) = store.documents("study")
    box(app, "Patients").set_value("1: 0.5, x")
    press(app, "Add a spot")
    assert "Nothing was written" in html(app)
    assert store.revision(document.id).number == 1
    assert box(app, "Patients").value == "1: 0.5, x"
    with pytest.raises(InputError):
        caches.begin_from_file(store, "a.toml", b"schema = 1", new_command_id())
    assert len(store.documents("study")) == 1


def test_a_change_made_on_an_old_revision_is_refused(store: Store) -> None:
    made = caches.begin(store, caches.bare("mine"), new_command_id())

    def renamed(tree: dict[str, Any]) -> dict[str, Any]:
        return tree | {"study": {**tree["study"], "name": "other"}}

    caches.change(store, made.document, 1, new_command_id(), renamed)
    with pytest.raises(StaleWrite):
        caches.change(store, made.document, 1, new_command_id(), lambda tree: tree)


def test_the_answer_is_shown_with_hostile_text_literal(store: Store) -> None:
    app = with_study(store)
    (document,) = store.documents("study")
    caches.keep_answer(store, document.id, 1, json.loads(small_content()))
    fine(app.run())
    shown = html(app)
    assert "Holds " in shown
    assert "<b>=fall" not in shown
    assert "<script>hut" not in shown
    kept = caches.latest_answer(store, document.id)
    assert kept is not None
    assert kept.is_current
    assert BANNER in cache_view._print(kept).decode()
    picked = next(s for s in app.selectbox if s.label.startswith("Stock to look at"))
    assert len(picked.options) > len(kept.tree["frontier"])
    fine(picked.set_value(len(picked.options) - 1).run())
    last = kept.tree["frontier"][-1]
    assert f"Point {len(kept.tree['frontier'])}: {last['mass_kg']:.1f} kg" in html(app)


def test_a_changed_study_says_that_its_answer_is_old(store: Store) -> None:
    app = with_study(store)
    (document,) = store.documents("study")
    caches.keep_answer(store, document.id, 1, json.loads(small_content()))

    def dearer(tree: dict[str, Any]) -> dict[str, Any]:
        tree["items"][0]["price"] = 151.0
        return tree

    caches.change(store, document.id, 1, new_command_id(), dearer)
    assert "has changed since" in html(fine(app.run()))
    kept = caches.latest_answer(store, document.id)
    assert kept is not None
    assert "OUT OF DATE" in cache_view._print(kept).decode()


def test_a_stock_is_planned_in_each_incident() -> None:
    tree = study_document(small())
    stock = json.loads(small_content())["offers"][0]["stock"]
    payload = {"study": tree, "folder": ".", "stock": stock, "seed": 1, "samples": 200}
    found = TASKS["cache_plans"](Call(payload, lambda _: None, lambda: False))
    (plan,) = found["plans"]
    assert plan["case"] == HOSTILE
    assert plan["patients"] == 1
    assert plan["document"]["view"]["banner"] == BANNER
    gone = payload | {"stock": [{"cache": "hut", "item": "gone", "count": 1}]}
    with pytest.raises(InputError, match="gone"):
        TASKS["cache_plans"](Call(gone, lambda _: None, lambda: False))


def test_the_task_refuses_bad_numbers_and_studies() -> None:
    with pytest.raises(InputError) as refused:
        TASKS["cache"](Call({"study": {}, "seed": -1, "samples": 5}, print, lambda: False))
    assert [fault.field for fault in refused.value.faults] == ["seed", "samples"]


def test_the_median_picture_has_the_median_number() -> None:
    study = three_families()  # 1 to 4 with 0.35, 0.35, 0.2, 0.1; the third 1 with 0.8
    counts = []
    for case in range(3):
        picture = median_picture(study, case, 1)
        counts.append(sum(picture.there) + sum(picture.late))
    assert counts == [2, 2, 1]
