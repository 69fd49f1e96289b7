"""The short ways of the forms: rows taken over, copied, counted up, several at once, the cursor.

Each with a twin: a wrong use is told and writes nothing, or takes nothing over. The last one is a
real browser with nothing but a keyboard.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect
from streamlit.testing.v1 import AppTest

from planner.fields import TABLES
from planner.files import incident_from
from planner.page import cells, edits, grids, session
from planner.page.field_words import help_of
from planner.store import Store, new_command_id
from tests.browser import PATIENCE_MS, Server, browser, settled
from tests.page_app import fine, html, opened

HEAD = {"schema": 1, "incident": {"name": "Own", "start": "2027-01-01T10:00:00"}}
PLACES = [{"name": "hut"}, {"name": "slope", "carry_min": {"hut": 10}}]
FIRST = {"tag": "P1", "triage": "immediate", "indication": "chest injury", "place": "slope",
         "spo2": 91, "transfer_min": [40, 60, 90], "transfer_group": "road"}  # fmt: skip


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    path = tmp_path / "page.store"
    monkeypatch.setenv(session.STORE, str(path))
    return Store(path)


def begun(store: Store, **tables: Any) -> str:
    tree = {**HEAD, "places": PLACES, **tables}
    return store.create("incident", "Own", tree, new_command_id()).document


def shown(document: str, table: str) -> AppTest:
    app = opened(document, "incident_view")
    app.session_state[f"table:{document}"] = table
    return fine(app.run())


def press(app: AppTest, words: str) -> AppTest:
    return fine(button(app, words).click().run())


def button(app: AppTest, words: str) -> Any:
    (found,) = [each for each in buttons(app) if each.label == words]
    return found


def buttons(app: AppTest) -> list[Any]:
    return list(app.get("button"))


def boxes(app: AppTest) -> list[Any]:
    return [widget for kind in ("text_input", "selectbox") for widget in app.get(kind)]


def fill(app: AppTest, label: str, text: str) -> None:
    (found,) = [widget for widget in boxes(app) if widget.label == label]
    found.set_value(text)


def value(app: AppTest, label: str) -> object:
    (found,) = [widget.value for widget in boxes(app) if widget.label == label]
    return found


def rows(store: Store, document: str, table: str) -> list[Any]:
    found = store.revision(document).tree.get(table, [])
    assert isinstance(found, list)
    return found


# --- as in the row above -------------------------------------------------------------------------


def test_a_new_row_takes_over_what_stays_and_nothing_that_is_found_anew(store: Store) -> None:
    document = begun(store, patients=[FIRST])
    app = press(shown(document, "patients"), "Add a patient")
    new = rows(store, document, "patients")[1]
    # Place and transport are as for the one before; who is hurt how, nobody has said.
    assert new == {"tag": "P2", "place": "slope", "transfer_min": [40, 60, 90],
                   "transfer_group": "road"}  # fmt: skip
    assert "P2" in html(app)  # and what is missing is told
    press(app, "Same as above")
    assert rows(store, document, "patients")[1] == {
        **new,
        "triage": "immediate",
        "indication": "chest injury",
    }  # a reading is never taken over, asked or not
    # Twin: a row with nothing above it, and a table without anything alike, get a tag alone.
    assert edits.first_row({"places": PLACES}, "patients") == {"tag": "P1"}
    assert edits.first_row({"places": PLACES}, "places") == {"name": "slope-1"}
    # Of one place there is no choice.
    assert edits.first_row({"places": PLACES[:1]}, "patients") == {"tag": "P1", "place": "hut"}


def test_a_gauge_is_taken_over_only_when_asked_for() -> None:
    tree = {"cylinders": [{"tag": "C-01", "size": "D", "gauge_bar": 130, "connection": "CGA 870"}]}
    new = edits.first_row(tree, "cylinders")
    assert new == {"tag": "C-02", "size": "D", "connection": "CGA 870"}
    tree = edits.with_added(tree, ("cylinders",), new)
    assert edits.same_as_above(tree, ("cylinders", 1)) == {"gauge_bar": 130}  # in its unit
    own = edits.with_row(tree, ("cylinders", 1), {**new, "gauge_psi": 900})
    assert edits.with_same_as_above(own, ("cylinders", 1)) == own  # what is there is kept
    assert edits.same_as_above(tree, ("cylinders", 0)) == {}


def test_same_as_above_with_nothing_to_take_cannot_be_pressed(store: Store) -> None:
    document = begun(store, patients=[FIRST, {**FIRST, "tag": "P2"}])
    app = shown(document, "patients")
    assert "Same as above" not in {each.label for each in buttons(app)}  # the first row
    press(app, "Next")
    assert button(app, "Same as above").disabled
    assert "nothing left to fill in" in html(app)


def test_a_copy_has_all_but_the_tag_and_the_running_oxygen(store: Store) -> None:
    running = {"cylinder": "C-01", "device": "non-rebreather", "flow_lpm": 15}
    document = begun(store, patients=[{**FIRST, "connected": running}])
    app = press(shown(document, "patients"), "Copy row")
    assert rows(store, document, "patients")[1] == {**FIRST, "tag": "P2"}
    press(app, "Copy row")
    assert [row["tag"] for row in rows(store, document, "patients")] == ["P1", "P2", "P3"]


# --- how many ------------------------------------------------------------------------------------


def test_a_count_beside_a_tag_counts_the_tags_up(store: Store) -> None:
    row = {"tag": "C-07", "size": "D", "gauge_psi": 1800, "place": "hut"}
    document = begun(store, cylinders=[row, {**row, "tag": "C-09"}])
    app = shown(document, "cylinders")
    fill(app, "Count", "3")
    fine(app.run())
    made = rows(store, document, "cylinders")[0]
    # C-09 is another's, so it is left out.
    assert made == {"tags": ["C-07", "C-08", "C-10"], "size": "D", "gauge_psi": 1800,
                    "place": "hut"}  # fmt: skip
    assert [value(app, label) for label in ("Tag", "Count")] == ["", ""]
    assert value(app, "Tags") == "C-07, C-08, C-10"
    fine(app.run())  # what the boxes hold is what was saved: nothing is written twice
    assert store.revision(document).number == 2


@pytest.mark.parametrize("count", ["0", "501", "x", "2,5"])
def test_a_wrong_count_is_told_beside_its_row(store: Store, count: str) -> None:
    row = {"tag": "C-07", "size": "D", "gauge_psi": 1800, "place": "hut"}
    document = begun(store, cylinders=[row])
    app = shown(document, "cylinders")
    fill(app, "Count", count)
    fine(app.run())
    assert rows(store, document, "cylinders")[0]["tag"] == "C-07"  # nothing lost
    assert 'class="op-fault op-small"' in html(app)


def test_three_times_may_go_into_one_box(store: Store) -> None:
    document = begun(store, patients=[{"tag": "P1"}])
    app = shown(document, "patients")
    first = "Transfer, min: 1 in 10 sooner than"
    fill(app, first, "40/60/90")
    fine(app.run())
    assert rows(store, document, "patients")[0]["transfer_min"] == [40, 60, 90]
    assert value(app, first) == "40"
    field = TABLES["patients"].field("transfer_min")
    row: dict[str, Any] = {}
    cells.put_parts(row, field, ("40/60", "", ""))  # twin: two are no three, and are told
    assert row == {"transfer_min": [40, 60, "", ""]}


# --- several at once -----------------------------------------------------------------------------


def test_several_patients_by_category(store: Store) -> None:
    document = begun(store)
    app = shown(document, "patients")
    fill(app, "How many immediate", "2")
    fill(app, "How many minimal", "1")
    fill(app, "All at the place", "hut")
    press(app, "Add these")
    triage = ("immediate", "immediate", "minimal")
    assert rows(store, document, "patients") == [
        {"tag": f"P{n}", "triage": name, "place": "hut"} for n, name in enumerate(triage, start=1)
    ]
    assert store.revision(document).number == 2  # one edit, one undo


def test_several_cylinders_by_their_gauges(store: Store) -> None:
    document = begun(store)
    app = shown(document, "cylinders")
    fill(app, "Gauges, one for each cylinder", "2000, 1800 650")
    fill(app, "All of the size", "D")
    fill(app, "All at the place", "hut")
    press(app, "Add these")
    made = rows(store, document, "cylinders")
    assert [row["gauge_psi"] for row in made] == [2000, 1800, 650]
    assert {(row["size"], row["place"]) for row in made} == {("D", "hut")}
    assert len({row["tag"] for row in made}) == 3
    # Twin: a gauge that is none is not lost and not made up: it is told beside its row.
    fill(app, "Gauges, one for each cylinder", "1500 15oo")
    press(app, "Add these")
    assert [row["gauge_psi"] for row in rows(store, document, "cylinders")[3:]] == [1500, "15oo"]
    press(app, "Next")
    assert "15oo" in html(app)
    assert 'class="op-fault op-small"' in html(app)


def test_an_ordinary_set_of_kit(store: Store) -> None:
    document = begun(store, patients=[FIRST], transfer_groups=[{"name": "road"}],
                     responders=[{"place": "hut"}])  # fmt: skip
    app = shown(document, "regulators")
    fill(app, "For how many", "4")
    fill(app, "Regulators for the connection", "CGA 870")
    fill(app, "All at the place", "hut")
    press(app, "Add these")
    made = incident_from(store.revision(document).tree).incident
    assert [(r.connection, r.place) for r in made.regulators] == [("CGA 870", "hut")] * 4
    assert {(d.kind, d.age, d.count, d.place) for d in made.devices} == {
        ("non-rebreather", "adult", 4, "hut"), ("cannula", "adult", 4, "hut")
    }  # fmt: skip
    assert {(s.kind, s.count) for s in made.sundries} == {("key", 1), ("washer", 8)}
    assert "common practice, no source" in html(app)


@pytest.mark.parametrize("number", ["0", "501", "x", "-1", "1.5", ""])
def test_a_wrong_number_of_sets_is_told_and_writes_nothing(store: Store, number: str) -> None:
    document = begun(store)
    app = shown(document, "devices")
    fill(app, "For how many", number)
    press(app, "Add these")
    assert store.revision(document).number == 1
    told = [str(e.proto.body) for e in app.get("html") if 'class="op-fault' in str(e.proto.body)]
    assert any("allowed" in body and ("1" in body or "one" in body) for body in told)
    # What was typed stays there to be mended.
    assert value(app, "For how many") == number


def test_no_category_at_all_is_told(store: Store) -> None:
    tree: dict[str, Any] = {**HEAD, "places": PLACES}
    same, found = grids.with_several(tree, "patients", {"immediate": "", "place": "hut"})
    assert (same, len(found)) == (tree, 1)
    same, found = grids.with_several(tree, "patients", {"immediate": "2", "delayed": "many"})
    assert (same, len(found)) == (tree, 1)  # all or nothing
    new, found = grids.with_several(tree, "patients", {"immediate": "2", "delayed": "0"})
    assert (len(new["patients"]), found) == (2, ())


# --- help, order, cursor -------------------------------------------------------------------------


def test_every_field_of_an_open_row_has_its_help_below_it(store: Store) -> None:
    row = {"tag": "C-07", "size": "D", "gauge_psi": 1800, "place": "hut"}
    document = begun(store, patients=[FIRST], cylinders=[row])
    for table in ("patients", "cylinders", "incident"):
        app = shown(document, table)
        text = html(app).replace("&#x27;", "'")
        for field in TABLES[table].fields:
            if not edits.is_nested(field.kind):
                assert help_of(field) in text, field.name
        assert not any(widget.help for widget in boxes(app))  # an icon would be a stop for Tab


def test_the_first_gap_is_where_the_cursor_goes() -> None:
    names = ("triage", "indication", "place", "tag")
    tree: dict[str, Any] = {
        "places": PLACES,
        "patients": [{"tag": "P1"}, FIRST, {**FIRST, "place": None}],
    }
    assert edits.first_gap(tree, ("patients", 0), names) == "triage"
    assert edits.first_gap(tree, ("patients", 1), names) == "triage"  # no gap: the first box
    tree["patients"][2].pop("place")
    assert edits.first_gap(tree, ("patients", 2), names) == "place"
    assert edits.first_gap({**tree, "places": []}, ("patients", 2), names) == "triage"


# --- a real keyboard -----------------------------------------------------------------------------


def test_rows_by_keyboard_alone(tmp_path: Path) -> None:
    server = Server(tmp_path / "page.sqlite")
    document = begun(Store(server.store))
    with browser() as chromium:
        try:
            server.start()
            page = chromium.new_page()
            page.set_default_timeout(PATIENCE_MS)
            page.goto(f"{server.address}/incident?incident={document}")
            add = page.get_by_role("button", name="Add a patient")
            add.wait_for()
            settled(page)
            _tab_to(page, add)
            page.keyboard.press("Enter")
            # The cursor stands in the first gap of the new row, and Tab goes from box to box.
            _type_here(page, "Triage (required)", "immediate")
            _type_here(page, "Indication", "chest injury")
            _type_here(page, "Place", "slope")
            for label in ("Tag (required)", "Age", "SpO2, %"):
                expect(_box(page, label)).to_be_focused()
                page.keyboard.press("Tab")
            expect(_box(page, "Transfer, min: 1 in 10 sooner than")).to_be_focused()
            page.keyboard.type("40/60/90")
            page.keyboard.press("Tab")
            expect(_box(page, "Transfer, min: 9 in 10 by")).to_have_value("90")
            settled(page)
            _tab_to(page, page.get_by_role("button", name="Copy row"))
            page.keyboard.press("Enter")
            expect(page.get_by_text("Open row of 2")).to_be_visible()
            settled(page)
            expect(_box(page, "Tag (required)")).to_have_value("P2")
            expect(_box(page, "Triage (required)")).to_be_focused()
            settled(page)
        finally:
            server.kill()
    one, two = rows(Store(server.store), document, "patients")
    assert one == {"tag": "P1", "triage": "immediate", "indication": "chest injury",
                   "place": "slope", "transfer_min": [40, 60, 90]}  # fmt: skip
    assert two == {**one, "tag": "P2"}


def _box(page: Page, label: str) -> Locator:
    return page.get_by_label(re.compile(rf"^{re.escape(label)}")).and_(page.locator("input"))


def _type_here(page: Page, label: str, text: str) -> None:
    """Choose by typing in the box where the cursor stands, and go on by Tab."""
    expect(_box(page, label)).to_be_focused()
    page.keyboard.type(text)
    page.get_by_role("option", name=text, exact=True).wait_for()
    page.keyboard.press("Enter")
    expect(_box(page, label)).to_have_value(text)
    settled(page)
    page.keyboard.press("Tab")


def _tab_to(page: Page, wanted: Locator) -> None:
    for _ in range(60):
        if wanted.evaluate("e => e === document.activeElement"):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"60 times Tab did not reach {wanted}")
