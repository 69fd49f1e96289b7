"""The incident side of the page: forms, grids, options, import and export, hostile text.

Views run once each through AppTest; what a data_editor or an upload does is tested below it.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from planner.errors import InputError
from planner.fields import TABLES, TOP, Field, Kind
from planner.files import digest, incident_from, read_incident
from planner.gas import litres_between
from planner.page import (
    cells,
    edits,
    field_words,
    grids,
    look,
    options_form,
    session,
    starts,
    versions,
)
from planner.page.review import bare_incident, contents, protocol_options, review
from planner.store import Command, Revision, Store, new_command_id
from planner.store.canonical import content_of
from planner.store.exchange import exported, import_incident, import_incident_file
from tests import page_app
from tests.page_app import app_of, fine, script_of
from tests.page_app import html as words

SCENARIOS = Path(__file__).parents[1] / "scenarios"
INCIDENTS = sorted(
    p for p in SCENARIOS.glob("*.toml") if not p.stem.endswith(("-study", "-exercise"))
)
HOSTILE = (
    "![x](http://x/y.png)",
    "<script>alert(1)</script>",
    "$x$",
    ":red[x]",
    "`x`",
    ":material/home:",
)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    path = tmp_path / "page.store"
    monkeypatch.setenv(session.STORE, str(path))
    return Store(path)


@pytest.fixture
def hut(store: Store) -> Revision:
    path = SCENARIOS / "drommick-chair.toml"
    return import_incident_file(store, path, new_command_id()).revision


def opened(document: str, view: str = "incident_view") -> AppTest:
    return page_app.opened(document, view)


def box(app: AppTest, tail: str) -> Any:
    """The widget of a field, by the end of its key."""
    found = [w for kind in ("text_input", "selectbox") for w in app.get(kind)
             if w.key and w.key.startswith("f:") and w.key.endswith(tail)]  # fmt: skip
    assert len(found) == 1, [w.key for w in found]
    return found[0]


def button(app: AppTest, words_: str) -> Any:
    found = [b for b in app.get("button") if b.label == words_]
    assert len(found) == 1, [b.label for b in app.get("button")]
    return found[0]


def choose(app: AppTest, table: str) -> AppTest:
    app.session_state[f"table:{app.session_state['document']}"] = table
    return fine(app.run())


# --- start, edit, save ---------------------------------------------------------------------------


def test_start_from_a_shipped_incident(store: Store) -> None:
    app = fine(app_of("start_view").run())
    app.selectbox(key="shipped").set_value("Quessel Hut")
    fine(app.run())
    fine(app.button(key="begin_shipped").click().run())
    (made,) = store.documents("incident")
    assert made.name == "Quessel Hut"
    assert app.query_params["incident"] in (made.id, [made.id])
    reading = read_incident(SCENARIOS / "quessel-hut.toml")
    assert digest(incident_from(store.revision(made.id).tree).incident) == digest(reading.incident)


def test_a_gauge_reaches_the_store_and_shows_its_litres(store: Store, hut: Revision) -> None:
    app = choose(opened(hut.document), "cylinders")
    fine(box(app, ":cylinders.0:gauge:0").set_value("1500").run())
    now = store.revision(hut.document)
    assert now.number == 2
    assert now.tree["cylinders"][0]["gauge_psi"] == 1500
    assert "gauge_psi" in now.note
    assert "1500" in now.note
    found = contents(now.tree, now.tree["cylinders"][0])
    assert found is not None
    assert f"{found.litres} L real gas, {found.handbook} L handbook" in words(app)
    # Handbook: (1500 - 200) psi x 0.193 L/psi = 250.9 L.
    assert found.handbook == "251"
    # The cursor stays: the box keeps its key through its own write.
    fine(box(app, ":cylinders.0:gauge:0").set_value("1400").run())
    assert store.revision(hut.document).number == 3


def test_litres_are_those_of_the_gas_model(hut: Revision) -> None:
    raw = {"size": "D", "gauge_psi": 2000}
    tree = {"incident": {"air_temperature_c": 20}}
    expected = litres_between(2.38, 2000.0, 200.0, 20.0)
    found = contents(tree, raw)
    assert found is not None
    assert found.litres == f"{expected:.0f}"
    assert found.minutes == (str(int(expected / 15)), str(int(expected / 6)))
    assert contents(tree, {"size": "D"}) is None
    assert contents(tree, {"size": "no such", "gauge_psi": 2000}) is None


def test_a_unit_is_chosen_beside_the_number(store: Store, hut: Revision) -> None:
    app = choose(opened(hut.document), "cylinders")
    box(app, ":cylinders.0:gauge:0").set_value("130")
    box(app, ":cylinders.0:gauge:1").set_value("bar")
    fine(app.run())
    row = store.revision(hut.document).tree["cylinders"][0]
    assert row["gauge_bar"] == 130
    assert "gauge_psi" not in row
    fine(box(app, ":cylinders.0:read_at:1").set_value("f").run())
    row = store.revision(hut.document).tree["cylinders"][0]
    assert row["read_at_f"] == 15
    assert "read_at_c" not in row


def test_a_faulty_tree_is_stored_and_told_beside_its_row(store: Store, hut: Revision) -> None:
    app = opened(hut.document)
    fine(box(app, ":patients.0:spo2:0").set_value("9x").run())
    now = store.revision(hut.document)
    assert now.tree["patients"][0]["spo2"] == "9x"
    (fault,) = review(now.content).in_row("patients", 0)
    assert fault.field == "spo2"
    shown = [str(e.proto.body) for e in app.get("html") if 'class="op-fault' in str(e.proto.body)]
    assert sum(look.escape(fault) in body for body in shown) == 1  # in the list of all
    assert (
        sum(look.escape(look.without_place(fault)) in body for body in shown) == 1
    )  # at the field
    assert "1 fault to mend" in words(app)
    assert (
        "1 fault" in next(s for s in app.selectbox if s.key and s.key.startswith("row:")).options[0]
    )
    # Its twin: mended, it is gone.
    fine(box(app, ":patients.0:spo2:0").set_value("95").run())
    assert not review(store.revision(hut.document).content).faults
    assert 'class="op-fault' not in words(app)


def test_three_times_or_one(store: Store, hut: Revision) -> None:
    app = opened(hut.document)
    box(app, ":patients.0:transfer_min:0").set_value("")
    box(app, ":patients.0:transfer_min:1").set_value("55,5")
    box(app, ":patients.0:transfer_min:2").set_value("")
    fine(app.run())
    assert store.revision(hut.document).tree["patients"][0]["transfer_min"] == 55.5
    box(app, ":patients.0:transfer_min:0").set_value("40")
    box(app, ":patients.0:transfer_min:2").set_value("90")
    fine(app.run())
    assert store.revision(hut.document).tree["patients"][0]["transfer_min"] == [40, 55.5, 90]


def test_left_out_units_are_those_of_the_incident(store: Store) -> None:
    path = SCENARIOS / "pelvarra-camp.toml"  # kept in bar
    made = import_incident_file(store, path, new_command_id()).revision
    app = choose(opened(made.document), "cylinders")
    fine(button(app, "Add a cylinder").click().run())
    number = len(store.revision(made.document).tree["cylinders"]) - 1
    assert box(app, f":cylinders.{number}:gauge:1").value == "bar"
    fine(box(app, f":cylinders.{number}:gauge:0").set_value("150").run())
    assert store.revision(made.document).tree["cylinders"][number]["gauge_bar"] == 150
    tree = grids.with_cells(made.tree, "cylinders", {0: {"gauge": "140", "read_at": "5"}})
    assert tree["cylinders"][0]["gauge_bar"] == 140
    assert cells.unit_of(TABLES["cylinders"].field("gauge"), {}, {}) == "psi"


# --- writes that are refused or repeated ---------------------------------------------------------


def elsewhere(store: Store, document: str, change: Callable[[dict[str, Any]], None]) -> Revision:
    now = store.revision(document)
    tree = now.tree
    change(tree)
    return store.write(document, tree, Command(new_command_id(), now.number), note="elsewhere")


def test_a_stale_write_is_refused_and_both_versions_shown(store: Store, hut: Revision) -> None:
    app = opened(hut.document)

    def other(tree: dict[str, Any]) -> None:
        tree["patients"][0]["spo2"] = 88
        tree["patients"][1]["spo2"] = 80

    elsewhere(store, hut.document, other)
    fine(box(app, ":patients.0:spo2:0").set_value("91").run())
    assert store.revision(hut.document).number == 2  # nothing was written
    told = words(app)
    assert "NOT SAVED" in told
    assert "<td>patients D1 spo2</td><td>91</td><td>88</td>" in told
    fine(button(app, "Put only my edit on top").click().run())
    now = store.revision(hut.document)
    assert now.number == 3
    assert [row.get("spo2") for row in now.tree["patients"][:2]] == [91, 80]
    assert "NOT SAVED" not in words(app)


def test_a_stale_write_can_be_dropped(store: Store, hut: Revision) -> None:
    app = opened(hut.document)
    elsewhere(store, hut.document, lambda tree: tree["patients"][0].update(spo2=88))
    fine(box(app, ":patients.0:spo2:0").set_value("91").run())
    fine(button(app, "Keep what is there now").click().run())
    assert store.revision(hut.document).number == 2
    assert box(app, ":patients.0:spo2:0").value == "88"


def test_a_repeated_command_is_harmless(store: Store, hut: Revision) -> None:
    code = """
import streamlit as st
from planner.page import edits, session
from planner.store import Command
now = session.current()
def press():
    for _ in range(2):
        session.press(now.document, 1, "the one command", lambda tree: edits.with_added(
            tree, ("places",), edits.first_row(tree, "places")))
        session.commit(now.document, 1, "another", now.tree | {"x": 1}, "twice")
session.show_state()
st.button("go", on_click=press)
"""
    app = AppTest.from_string(code, default_timeout=30)
    app.query_params["incident"] = hut.document
    fine(app.run())
    fine(app.button[0].click().run())
    now = store.revision(hut.document)
    assert now.number == 2
    assert len(now.tree["places"]) == 4
    assert "x" not in now.tree  # based on revision 1, so refused


# --- rows ----------------------------------------------------------------------------------------


def test_copy_add_and_remove_a_row(store: Store, hut: Revision) -> None:
    app = opened(hut.document)
    fine(button(app, "Copy row").click().run())
    tree = store.revision(hut.document).tree
    # D1 is taken up to D14, and cylinder D-01 is another tag: the next one is D15.
    assert tree["patients"][-1]["tag"] == "D15"
    assert {**tree["patients"][-1], "tag": "D1"} == tree["patients"][0]
    assert box(app, ":tag:0").value == "D15"  # the copy is open
    fine(button(app, "Remove row").click().run())
    assert store.revision(hut.document).tree == hut.tree
    fine(button(app, "Add a patient").click().run())
    tree = store.revision(hut.document).tree
    last = hut.tree["patients"][-1]  # where and when stays as in the row above
    same = {name: last[name] for name in edits.SAME["patients"] if name in last}
    assert tree["patients"][-1] == {"tag": "D15", **same}
    assert review(store.revision(hut.document).content).faults  # no category yet: told, stored


def test_the_open_row_stays_open_when_its_words_change(store: Store, hut: Revision) -> None:
    app = opened(hut.document)
    row = next(s for s in app.selectbox if s.key and s.key.startswith("row:"))
    fine(row.select_index(2).run())
    fine(box(app, ":patients.2:tag:0").set_value("Z9").run())
    fine(box(app, ":patients.2:spo2:0").set_value("9x").run())
    assert box(app, ":patients.2:tag:0").value == "Z9"
    # Its twin in the list of parts, whose words count the faults.
    choose(app, "cylinders")
    fine(box(app, ":cylinders.0:gauge:0").set_value("x").run())
    assert box(app, ":cylinders.0:gauge:0").value == "x"
    fine(button(app, "Next").click().run())
    assert box(app, ":cylinders.1:gauge:0").value == "1750"


def test_rows_of_the_same_words_are_told_apart(store: Store, hut: Revision) -> None:
    elsewhere(store, hut.document, lambda t: t["devices"].append(dict(t["devices"][0])))
    app = choose(opened(hut.document), "devices")
    row = next(s for s in app.selectbox if s.key and s.key.startswith("row:"))
    fine(row.select_index(len(row.options) - 1).run())
    assert box(app, f":devices.{len(row.options) - 1}:kind:0").value == "non-rebreather"


def test_new_tags_are_nobody_elses() -> None:
    tree = {"patients": [{"tag": "U9"}], "cylinders": [{"tags": ["D-08", "D-09"]}],
            "resupply": [{"cylinders": [{"tag": "D-10"}]}]}  # fmt: skip
    assert edits.new_tag(tree, "patients", "") == "U10"
    assert edits.new_tag(tree, "cylinders", "D-08") == "D-11"
    assert edits.new_tag({}, "responders", "") == "R1"
    assert edits.with_copy(tree, ("cylinders", 0))["cylinders"][1] == {"tag": "C-01"}


def test_every_table_opens_in_a_form(store: Store) -> None:
    path = SCENARIOS / "ulvaren-bowl.toml"
    made = import_incident_file(store, path, new_command_id()).revision
    app = opened(made.document)
    for table in TOP:
        choose(app, table.name)
        keys = {w.key.split(":")[-2] for kind in ("text_input", "selectbox")
                for w in app.get(kind) if w.key and w.key.startswith("f:")}  # fmt: skip
        plain = {f.name for f in table.fields if f.kind not in {Kind.ROW, Kind.ROWS, Kind.CARRY}}
        if edits.rows_in(made.tree, table.name) or table.is_single:
            assert plain <= keys, table.name
    assert store.revision(made.document).number == 1  # looking writes nothing


@pytest.mark.parametrize("name", [p.name for p in INCIDENTS])
def test_forms_give_back_what_they_were_given(name: str) -> None:
    tree = json.loads(content_of(_tree(name)).text)
    for table in TOP:
        for raw in [tree.get(table.name, {})] if table.is_single else tree.get(table.name, []):
            for field in table.fields:
                if edits.is_nested(field.kind):
                    continue
                origins = tuple(raw.get("carry_min", ()))
                row = dict(raw)
                cells.put_parts(row, field, cells.parts_of(field, raw, origins), origins)
                assert row == raw, (table.name, field.name)
                if field.kind is not Kind.CARRY:
                    cells.put_cell(row, field, cells.cell_of(field, raw))
                    assert row == raw, (table.name, field.name)


def _tree(name: str) -> dict[str, Any]:
    from planner.document import incident_document

    return incident_document(read_incident(SCENARIOS / name).incident)


@pytest.mark.parametrize(
    ("kind", "text", "raw"),
    [
        (Kind.NUMBER, "12,5", 12.5), (Kind.NUMBER, "1,850", "1,850"), (Kind.NUMBER, " ", None),
        (Kind.WHOLE, "4", 4), (Kind.FLAG, "yes", True), (Kind.NUMBERS, "2, 6 15", [2, 6, 15]),
        (Kind.NUMBERS, "0,5; 2", [0.5, 2]), (Kind.NUMBERS, "2, x", [2, "x"]),
        (Kind.TEXTS, "D-1, D-2", ["D-1", "D-2"]), (Kind.TEXTS, '["a, b"]', ["a, b"]),
        (Kind.THREE_POINT, "70/110/170", [70, 110, 170]),
    ],
)  # fmt: skip
def test_texts_become_raw_values(kind: Kind, text: str, raw: object) -> None:
    assert cells.raw_of(Field("x", kind, ""), text) == raw


# --- grids ---------------------------------------------------------------------------------------


def test_grid_cells_take_the_same_way(store: Store, hut: Revision) -> None:
    tree = hut.tree
    new = grids.with_cells(
        tree, "cylinders", {0: {"gauge": "1700"}, 1: {"gauge": "118 bar", "read_at": "50 F"}}
    )
    assert new["cylinders"][0]["gauge_psi"] == 1700  # a bare number keeps its unit
    assert new["cylinders"][1]["gauge_bar"] == 118
    assert "gauge_psi" not in new["cylinders"][1]
    assert new["cylinders"][1]["read_at_f"] == 50
    assert new["cylinders"][2:] == tree["cylinders"][2:]
    bad = grids.with_cells(tree, "patients", {0: {"spo2": "101", "transfer_min": "9/5/7"}})
    assert bad["patients"][0]["spo2"] == 101  # neither clamped nor refused: told
    told = {fault.field for fault in review(content_of(bad).text).in_row("patients", 0)}
    assert told == {"spo2", "transfer_min"}
    same = {n: dict(r) for n, r in grids.grid_frame(tree, "patients").to_dict("index").items()}
    assert grids.with_cells(tree, "patients", same) == tree  # its twin: nothing changed


# --- oxygen options ------------------------------------------------------------------------------


def test_options_are_edited_level_by_level_and_go_back(store: Store, hut: Revision) -> None:
    app = opened(hut.document)
    assert "<td>first choice</td><td>non-rebreather, 15 L/min</td>" in words(app)
    fine(button(app, "Edit level by level for this patient").click().run())
    own = store.revision(hut.document).tree["patients"][0]["options"]
    given = protocol_options(hut.tree, hut.tree["patients"][0])
    assert [(o["level"], o["device"]) for o in own] == [(o.level, o.device) for o in given]
    made = incident_from(store.revision(hut.document).tree).incident
    assert made.patients[0].options == given
    fine(box(app, ":patients.0.options.0:flow_lpm:0").set_value("12").run())
    assert store.revision(hut.document).tree["patients"][0]["options"][0]["flow_lpm"] == 12
    fine(button(app, "Remove option 2").click().run())
    assert len(store.revision(hut.document).tree["patients"][0]["options"]) == len(own) - 1
    fine(button(app, "Add a phase to option 1").click().run())
    assert store.revision(hut.document).tree["patients"][0]["options"][0]["phases"]
    fine(button(app, "Back to the protocol's").click().run())
    assert store.revision(hut.document).tree == hut.tree


def test_a_low_reading_leaves_the_first_choice_only() -> None:
    row = {"triage": "delayed", "indication": "respiratory illness, 85-93", "spo2": 88}
    assert {o.level for o in protocol_options({}, row)} == {"first choice"}
    assert {o.level for o in protocol_options({}, row | {"spo2": 93})} > {"first choice"}
    floor = {"incident": {"step_down_floor": 85}}
    assert {o.level for o in protocol_options(floor, row)} > {"first choice"}


def test_approval_is_said(hut: Revision) -> None:
    assert options_form.approval(hut.tree) == "example protocol, not approved"
    head = {**hut.tree["incident"], "approved_by": "Dr Invented", "approved_on": "2027-01-02"}
    assert "Dr Invented on 2027-01-02" in options_form.approval({**hut.tree, "incident": head})


# --- files ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["toml", "json"])
def test_import_and_export_go_round(store: Store, hut: Revision, form: Any) -> None:
    data = exported(hut, form)
    again = starts.start_from_files(store, {f"again.{form}": data}, new_command_id())
    assert exported(again.revision, form) == data
    one, two = (incident_from(r.tree).incident for r in (hut, again.revision))
    assert digest(one) == digest(two)


def test_a_broken_file_writes_nothing_and_tells_every_fault(store: Store, hut: Revision) -> None:
    text = exported(hut, "toml").decode()
    broken = text.replace('triage = "delayed"', 'triage = "delayd"').replace("2000", "-5")
    with pytest.raises(InputError) as told:
        starts.start_from_files(store, {"broken.toml": broken.encode()}, new_command_id())
    assert len(told.value.faults) == text.count('triage = "delayed"') + 1
    with pytest.raises(InputError, match="more than 5 MB"):
        starts.start_from_files(store, {"big.json": b" " * 5_000_001}, new_command_id())
    with pytest.raises(InputError, match="file name"):
        starts.start_from_files(store, {"../a.csv": b"", "b.toml": b"x=1"}, new_command_id())
    assert len(store.documents()) == 1


def test_faults_of_a_file_are_listed_on_the_page(store: Store) -> None:
    code = (
        script_of("start_view")
        + """
import streamlit as st
from planner.page import starts
if "once" not in st.session_state:
    st.session_state["once"] = True
    start_view._made(lambda c: starts.start_from_files(
        start_view.session.store(), {"<b>.toml": b"schema = 1"}, c).revision, "c1")
    st.rerun()
"""
    )
    app = fine(AppTest.from_string(code, default_timeout=30).run())
    assert "Nothing was written." in words(app)
    assert "&lt;b&gt;.toml" in words(app)
    assert "<b>.toml" not in words(app)
    assert store.documents() == ()


def test_a_csv_of_cylinders_goes_into_the_open_incident(hut: Revision) -> None:
    from planner.files import csv_text

    data = csv_text(incident_from(hut.tree).incident, "cylinders")
    assert starts.with_table(hut.tree, "cylinders", "c.csv", data.encode())["cylinders"] == [
        dict(row.items()) for row in hut.tree["cylinders"]
    ]
    with pytest.raises(InputError) as told:
        starts.with_table(
            hut.tree, "cylinders", "c.csv", b"tag,size,gauge_psi\nA,D,1\nB,D,x\nC,Q,2"
        )
    fields = {(f.row, f.field) for f in told.value.faults}
    assert ("B", "gauge_psi") in fields
    assert ("C", "size") in fields
    assert ("A", "place") in fields
    # Faults elsewhere in the incident do not keep a good file out.
    faulty = {**hut.tree, "patients": [{"tag": "X"}]}
    assert starts.with_table(faulty, "cylinders", "c.csv", data.encode())["patients"]


def test_csv_beside_a_toml_file(store: Store) -> None:
    head = b'schema = 1\npatients = "p.csv"\n[incident]\nname = "N"\nstart = 2027-01-01T10:00:00\n'
    files = {"n.toml": head, "p.csv": b"tag,triage,options\nA,minimal,[]\n"}
    made = starts.start_from_files(store, files, new_command_id()).revision
    assert made.tree["patients"] == [{"tag": "A", "triage": "minimal", "options": []}]


def test_undo_redo_rename_and_history(store: Store, hut: Revision) -> None:
    elsewhere(store, hut.document, lambda tree: tree["patients"][0].update(spo2=88))
    app = opened(hut.document, "start_view")
    fine(button(app, "Undo").click().run())
    assert store.revision(hut.document).tree == hut.tree
    fine(button(app, "Redo").click().run())
    assert store.revision(hut.document).tree["patients"][0]["spo2"] == 88
    name = next(t for t in app.text_input if t.label == "Name")
    name.set_value("Chair again")
    fine(button(app, "Rename").click().run())
    now = store.revision(hut.document)
    assert now.name == "Chair again" == now.tree["incident"]["name"]
    assert "<td>redo: as revision 2</td>" in words(app)
    fine(button(app, "Put it back").click().run())
    assert store.revision(hut.document).note.startswith("as revision")
    assert store.check() == ()


def test_begin_with_nothing(store: Store) -> None:
    app = fine(app_of("start_view").run())
    fine(app.text_input(key="new_name").set_value("From scratch").run())
    fine(app.button(key="begin_nothing").click().run())
    (made,) = store.documents("incident")
    assert made.name == "From scratch"
    # The whole page goes on to the incident by itself, and the incident stays open there.
    assert app.session_state[session.GO_TO] == "incident"
    assert app.session_state[session.OPEN] == made.id
    app = opened(made.id)
    fine(button(app, "Add a patient").click().run())
    assert store.revision(made.id).tree["patients"] == [{"tag": "P1"}]


# --- hostile text --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_show_literally(store: Store, name: str) -> None:
    tree = {
        "schema": 1,
        "incident": {"name": name, "start": "2027-01-01T10:00:00", "note": name},
        "places": [{"name": name, "carry_min": {"hut": 5}}, {"name": "hut"}],
        "patients": [{"tag": name, "triage": name, "place": name, "note": name}],
        "cylinders": [{"tag": name, "size": name, "gauge_psi": name, "place": name}],
        "transfer_groups": [{"name": name}],
    }
    document = store.create("incident", name, tree, new_command_id()).document
    app = opened(document)
    for table in ("patients", "cylinders", "places", "transfer_groups", "incident"):
        choose(app, table)
        _only_literal(app, name)
    assert box(app, ":incident:name:0").value == name
    _only_literal(opened(document, "start_view"), name)


def _only_literal(app: AppTest, name: str) -> None:
    """No text of a user reaches anything that renders Markdown or HTML as it is."""
    for element in app.main:
        kind = type(element).__name__.lower()
        assert kind not in {"markdown", "metric", "table", "alert", "caption"}, kind
    if "<" in name:
        assert name not in words(app)
        assert look.escape(name) in words(app)
    for kind in ("button", "text_input", "selectbox", "expander", "tab", "download_button"):
        for element in app.get(kind):
            assert name not in (getattr(element, "label", "") or ""), (kind, element)


def test_a_label_is_escaped_mark_by_mark() -> None:
    for name in HOSTILE:
        text = look.label(name)
        assert text.replace(look.WORD_JOINER, "").replace("\\", "") == name
        for mark in "![](){}<>$:`*_~":
            assert text.count(mark) == text.count(look.WORD_JOINER + "\\" + mark + look.WORD_JOINER)


# --- versions ------------------------------------------------------------------------------------


def test_differences_say_where() -> None:
    one = {"patients": [{"tag": "A", "spo2": 90}, {"tag": "B"}], "x": [1, 2]}
    two = {"patients": [{"tag": "A", "spo2": 91}, {"tag": "B"}, {"tag": "C"}], "x": [1]}
    told = [(d.where, d.first, d.second) for d in versions.differences(one, two)]
    assert ("patients A spo2", "90", "91") in told
    assert ("patients C", "no such row", "a row") in told
    assert ("x", "[1, 2]", "[1]") in told
    assert versions.differences(one, one) == ()
    assert versions.note_of(one, {"x": "=1\x1b"}).isprintable()


def test_an_edit_goes_on_top_unless_rows_moved() -> None:
    base = {"p": [{"tag": "A", "n": 1}, {"tag": "B"}], "k": 1}
    mine = {"p": [{"tag": "A", "n": 2}, {"tag": "B"}], "k": 1}
    theirs = {"p": [{"tag": "A", "n": 1}, {"tag": "B", "n": 5}], "k": 2}
    both = {"p": [{"tag": "A", "n": 2}, {"tag": "B", "n": 5}], "k": 2}
    assert versions.on_top(base, mine, theirs) == both
    with pytest.raises(versions.Clash):
        versions.on_top(base, mine, {"p": [{"tag": "B"}, {"tag": "A", "n": 1}], "k": 1})
    without = {"p": [{"tag": "A", "n": 1}, {"tag": "B"}]}
    assert versions.on_top(base, without, theirs | {"k": 1}) == {"p": theirs["p"]}


# --- anything ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "tree",
    [
        {}, {"patients": 5}, {"patients": [5, None, "x", {}]}, {"patients": "p.csv"},
        {"incident": []}, {"cylinders": [{"tags": 5, "count": "x", "gauge_psi": []}]},
        {"resupply": [{"cylinders": 3, "devices": [1]}], "places": [{"carry_min": 4, "name": 3}]},
        {"patients": [{"options": 5, "connected": 5}, {"options": [5, {"phases": 7}]}]},
    ],
)  # fmt: skip
def test_any_tree_can_be_looked_at(store: Store, tree: dict[str, Any]) -> None:
    document = store.create("incident", "Broken", tree, new_command_id()).document
    app = opened(document)
    for table in ("patients", "cylinders", "places", "resupply", "incident"):
        choose(app, table)
    assert review(store.revision(document).content).faults
    assert bare_incident(tree).name == "incident"
    assert store.revision(document).number == 1


def test_only_incidents_are_shipped_to_begin_from() -> None:
    assert sorted(starts.shipped().values()) == INCIDENTS
    assert {p.name for p in SCENARIOS.glob("*.toml")} > {p.name for p in INCIDENTS}


def test_review_agrees_with_the_reader() -> None:
    for path in INCIDENTS:
        reading = read_incident(path)
        tree = json.loads(content_of(_tree(path.name)).text)
        found = review(content_of(tree).text)
        assert found.incident is not None
        assert digest(found.incident) == digest(reading.incident)
        # All warnings stand with some row of their table.
        for fault in found.found:
            if not TABLES[fault.table].is_single and fault.row:
                table = TABLES[fault.table].name
                assert any(fault in found.in_row(table, n) for n in range(len(tree[table])))


def test_an_unknown_incident_is_no_traceback(store: Store) -> None:
    app = opened("0" * 16)
    assert "cannot be opened" in words(app)


def test_reference_view(store: Store) -> None:
    app = fine(app_of("reference_view").run())
    assert "change it after" in app.code[0].value
    fine(app.text_input(key="last_gauge").set_value("1850").run())
    assert "has no unit" in words(app)
    assert not app.code
    fine(app.text_input(key="last_gauge").set_value("1850 psi").run())
    fine(app.text_input(key="last_flow").set_value("0").run())
    assert "above 0" in words(app)
    told = words(app)
    assert "weight: from memory" in told
    assert "empty_kg" not in told  # the tables' own names are not for readers
    assert "0.138" in told
    assert "0.137895" not in told


def test_titles_are_plain_words() -> None:
    for table in TABLES.values():
        for field in table.fields:
            assert "_" not in field_words.title(field)
    assert import_incident is not None


def test_another_view_keeps_the_open_incident(hut: Revision) -> None:
    # The navigation drops the query; the id is put back from the session, and F5 then finds it.
    app = opened(hut.document)
    app.query_params.clear()
    fine(app.run())
    assert app.query_params["incident"] == hut.document
    assert "Drommick Chair" in words(app)
    # Twin: a session that has opened nothing opens nothing.
    fresh = app_of("incident_view")
    fine(fresh.run())
    assert "incident" not in fresh.query_params
    assert "Drommick Chair" not in words(fresh)
