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


def test_a_shipped_study_is_begun_and_its_target_changed(store: Store) -> None:
    app = fine(app_of("cache_view").run())
    assert "No study is open" in html(app)
    press(app, "Begin from it")
    (document,) = store.documents("study")
    assert document.name in caches.shipped()
    target = next(n for n in app.number_input if n.label.startswith("Target"))
    assert target.value == 5.0
    target.set_value(8.0)
    fine(next(b for b in app.button if b.label == "Keep these").click().run())
    after = store.revision(document.id)
    assert after.number == 2
    assert caches.study_of(after.tree).target_chance == pytest.approx(0.08)


def test_families_and_items_are_changed_by_form(store: Store) -> None:
    app = fine(with_study(store).run())
    (document,) = store.documents("study")
    next(t for t in app.text_input if t.label.startswith("Patients")).set_value("1: 0.5, 3: 0.5")
    next(t for t in app.text_input if t.label.startswith("Transfer")).set_value("40, 50, 60")
    fine([b for b in app.button if b.label == "Keep these"][1].click().run())
    next(n for n in app.number_input if n.label.startswith("There in")).set_value(2.0)
    fine([b for b in app.button if b.label == "Keep these"][2].click().run())
    study = caches.study_of(store.revision(document.id).tree)
    (family,) = study.cases
    assert family.num_patients.counts == (1, 3)
    assert family.people[0].transfer.p90_min == 60
    assert study.items[0].held == (("hut", 2),)


def test_what_is_wrong_is_told_and_nothing_is_written(store: Store) -> None:
    app = fine(with_study(store).run())
    (document,) = store.documents("study")
    next(t for t in app.text_input if t.label.startswith("Patients")).set_value("1: 0.5, x")
    fine([b for b in app.button if b.label == "Keep these"][1].click().run())
    assert "Nothing was written" in html(app)
    assert store.revision(document.id).number == 1
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
