"""Files out and in again; digests; tables; writing whole or not at all."""

from __future__ import annotations

import dataclasses
import os
import stat
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.document import incident_document
from planner.errors import InputError
from planner.fields import SETTINGS_LPM, Kind
from planner.files import (
    csv_text,
    digest,
    incident_from,
    incident_text,
    parse_text,
    raw_cell,
    read_incident,
    write_incident,
    write_text,
)
from planner.incident import Incident, Phase, ThreePoint
from planner.units import Pressure, Temperature
from tests.broken_cases import GOOD, WITH_CSV, good_tree
from tests.test_broken_files import mutated_trees

FUZZ = settings(derandomize=True, max_examples=150, deadline=None, database=None)


def good() -> Incident:
    return incident_from(good_tree(), "file").incident


def again(incident: Incident, *, as_json: bool) -> Incident:
    text = incident_text(incident, as_json=as_json)
    return incident_from(parse_text(text, "file", as_json), "file").incident


def by_csv(incident: Incident, folder: Path) -> Incident:
    """Write patients and cylinders to CSV beside the rest, and read it all again."""
    import tomli_w

    tree = incident_document(incident)
    for table in ("patients", "cylinders"):
        (folder / f"{table}.csv").write_text(csv_text(incident, table), encoding="utf-8")
        tree[table] = f"{table}.csv"
    (folder / "by_csv.toml").write_text(tomli_w.dumps(tree), encoding="utf-8")
    return read_incident(folder / "by_csv.toml").incident


# --- what is read --------------------------------------------------------------------------------


def test_defaults_are_those_of_the_contract_and_are_listed() -> None:
    incident = good()
    assert incident.horizon_min == 480
    assert incident.target_chance == 0.05
    assert incident.uncertainty.flow_setting == 0.10
    assert incident.uncertainty.gauge == Pressure(50.0, "psi")
    assert incident.priorities.minute_weights == (0.004, 0.0015, 0.0005)
    assert incident.regulators[0].settings_lpm == SETTINGS_LPM
    assert ("incident", "", "horizon_min") in incident.assumed
    assert ("incident", "", "swap_min") not in incident.assumed  # given, though as the default
    assert ("regulators", "R-A", "settings_lpm") in incident.assumed
    assert ("regulators", "R-B", "settings_lpm") not in incident.assumed


def test_left_out_reading_temperature_is_the_air_s() -> None:
    incident = good()
    assert incident.cylinders[0].read_at == Temperature(-12.0, "C")
    assert incident.cylinders[1].read_at == Temperature(60.0, "F")


def test_tags_are_made_up_in_file_order_resupply_last() -> None:
    incident = good()
    assert [c.tag for c in incident.all_cylinders] == [
        "D-A", "E-01", "E-02", "E-03", "B-1", "C-1", "E-04", "E-05",
    ]  # fmt: skip
    assert [r.tag for r in incident.all_regulators] == ["R-A", "R-B", "R-L", "R-M"]


def test_made_up_tags_leave_given_ones_alone() -> None:
    # E-02 is given further down, E-04 comes with the delivery: both are passed over.
    tree = good_tree()
    tree["cylinders"].append({"tag": "E-02", "size": "E", "gauge_psi": 1800, "place": "hut"})
    tree["resupply"][0]["cylinders"].append({"tag": "E-04", "size": "E", "gauge_psi": 1800})
    tags = [c.tag for c in incident_from(tree, "file").incident.all_cylinders]
    assert tags == ["D-A", "E-01", "E-03", "E-05", "B-1", "E-02", "C-1", "E-06", "E-07", "E-04"]


def test_many_made_up_tags_are_quick_and_unique() -> None:
    tree = good_tree()
    row = {"size": "E", "gauge_psi": 1800, "place": "hut", "count": 490}
    tree["cylinders"] += [dict(row) for _ in range(10)]
    tags = [c.tag for c in incident_from(tree, "file").incident.all_cylinders]
    assert len(set(tags)) == len(tags) == 4900 + 8


def test_a_single_place_need_not_be_said() -> None:
    tree = good_tree()
    tree["places"] = []
    for table in ("patients", "cylinders", "concentrators", "regulators", "devices", "sundries",
                  "responders", "resupply", "vehicles"):  # fmt: skip
        for row in tree[table]:
            del row["place"]
    incident = incident_from(tree, "file").incident
    assert [p.name for p in incident.places] == ["scene"]
    assert {c.place for c in incident.cylinders} == {"scene"}
    assert again(incident, as_json=False) == incident
    assert "scene" not in incident_text(incident)


def test_phases_and_three_points() -> None:
    patient = good().patients[1]
    assert patient.transfer_after_found == ThreePoint(60, 60, 60)
    assert patient.options is not None
    assert patient.options[1].phases == (Phase(15.0, 15.0), Phase(10.0, None, 0.6))


def test_byte_order_mark_and_line_ends_do_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert read_incident(path).incident == good()


# --- round trips ---------------------------------------------------------------------------------


@pytest.mark.parametrize("as_json", [False, True])
def test_round_trip_is_exact(as_json: bool) -> None:
    incident = good()
    back = again(incident, as_json=as_json)
    assert back == incident
    assert back.assumed == incident.assumed
    assert incident_text(back, as_json=as_json) == incident_text(incident, as_json=as_json)


def test_bar_stays_bar_and_fahrenheit_stays() -> None:
    text = incident_text(good())
    assert "gauge_bar = 125.0" in text
    assert "read_at_f = 60.0" in text
    assert "gauge_psi = 1850.0" in text


def test_csv_round_trip_is_exact(tmp_path: Path) -> None:
    incident = good()
    back = by_csv(incident, tmp_path)
    assert back == incident
    assert back.assumed == incident.assumed


def test_csv_has_the_file_s_own_names() -> None:
    lines = csv_text(good(), "patients").split("\n")
    assert lines[0].startswith("tag,triage,indication,spo2,place,oxygen_from_min,transfer_min")
    assert ",70.0/110.0/170.0," in lines[1]


def test_csv_list_of_three_flows_is_no_three_point_time() -> None:
    # Three settings look like three points; they must come back as settings.
    tree = good_tree()
    tree["cylinders"][2]["settings_lpm"] = [2, 6, 15]
    assert '"[2.0, 6.0, 15.0]"' in csv_text(incident_from(tree, "file").incident, "cylinders")


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_csv_separators(tmp_path: Path, mark: str) -> None:
    lines = ["tag,triage,indication,place,transfer_min,spo2,spo2_reliable",
             "U1,immediate,major trauma,debris,70/110.5/170,91.5,no"]  # fmt: skip
    (tmp_path / "p.csv").write_text("\r\n".join(lines).replace(",", mark), encoding="utf-8-sig")
    (tmp_path / "a.toml").write_text(WITH_CSV, encoding="utf-8")
    (patient,) = read_incident(tmp_path / "a.toml").incident.patients
    assert patient.transfer == ThreePoint(70, 110.5, 170)
    assert patient.spo2 == 91.5
    assert patient.spo2_reliable is False


def test_csv_decimal_comma_where_semicolons_separate(tmp_path: Path) -> None:
    text = "tag;triage;options;place;transfer_min;spo2\nU1;minimal;[];hut;70,5/80/90,25;91,5\n"
    (tmp_path / "p.csv").write_text(text, encoding="utf-8")
    (tmp_path / "a.toml").write_text(WITH_CSV, encoding="utf-8")
    (patient,) = read_incident(tmp_path / "a.toml").incident.patients
    assert (patient.spo2, patient.transfer) == (91.5, ThreePoint(70.5, 80, 90.25))


def test_csv_quotes_and_line_breaks_in_cells(tmp_path: Path) -> None:
    text = 'tag,triage,options,place,note\n"U ""1""",minimal,[],hut,"a, b"\n\n,,,,\n'
    (tmp_path / "p.csv").write_text(text, encoding="utf-8")
    (tmp_path / "a.toml").write_text(WITH_CSV, encoding="utf-8")
    (patient,) = read_incident(tmp_path / "a.toml").incident.patients
    assert (patient.tag, patient.note) == ('U "1"', "a, b")


def test_cell_words_that_mean_nothing_to_us_stay_texts() -> None:
    for word in ("nan", "NA", "null", "1_000", "0x10", "inf", "1e9999"):
        value = raw_cell(Kind.NUMBER, word)
        assert value == word or value == float("inf")  # both refused by the field's reader


def test_empty_table_has_a_header(tmp_path: Path) -> None:
    incident = dataclasses.replace(good(), patients=())
    assert csv_text(incident, "patients") == "tag\n"


NAMES = st.text(
    st.characters(min_codepoint=32, max_codepoint=0x2FFF, categories=["L", "N", "P", "S", "Zs"]),
    min_size=1, max_size=12,
).map(lambda text: "".join(text.split()).lstrip("=+-@")).filter(bool)  # fmt: skip
MINUTES = st.floats(0.5, 5000).map(lambda x: round(x, 3))
TIMES = MINUTES | st.lists(MINUTES, min_size=3, max_size=3).map(sorted)
GAUGES = st.one_of(
    st.fixed_dictionaries({"gauge_psi": st.floats(0, 3600)}),
    st.fixed_dictionaries({"gauge_bar": st.floats(0, 248)}),
)
READ_AT = st.one_of(
    st.just({}),
    st.fixed_dictionaries({"read_at_c": st.floats(-50, 60)}),
    st.fixed_dictionaries({"read_at_f": st.integers(-58, 140)}),
)
MASK_OPTIONS = st.sampled_from(
    [
        {"device": "non-rebreather", "flow_lpm": 15, "level": "first choice"},
        {"device": "simple mask", "flow_lpm": 6, "level": "reduced"},
        {"device": "non-rebreather", "level": "reduced",
         "phases": [{"flow_lpm": 15, "for_min": 12.5}, {"flow_lpm": 10, "chance": 0.6}]},
        {"device": "cannula", "level": "minimum", "phases": [{"flow_lpm": 2}]},
    ]
)  # fmt: skip


def optional(**parts: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({}, optional=parts)


@st.composite
def documents(draw: st.DrawFn) -> dict[str, Any]:
    """Build a valid document with rows of every kind."""
    places = draw(st.lists(NAMES, min_size=1, max_size=3, unique=True))
    where = st.sampled_from(places)

    def rows(build: st.SearchStrategy[dict[str, Any]], least: int = 0) -> list[dict[str, Any]]:
        return draw(st.lists(build, min_size=least, max_size=3))

    def placed(**fields: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
        return st.fixed_dictionaries({"place": where, **fields})

    def joined(*parts: st.SearchStrategy[dict[str, Any]]) -> st.SearchStrategy[dict[str, Any]]:
        return st.tuples(*parts).map(lambda some: {k: v for part in some for k, v in part.items()})

    cylinder = joined(
        st.fixed_dictionaries({"size": st.sampled_from(["D", "E", "aluminum e", "UK CD", "M9"])}),
        GAUGES, READ_AT,
        optional(count=st.integers(1, 3), water_volume_l=st.floats(1, 10)),
    )  # fmt: skip
    regulator = joined(
        st.just({"connection": "CGA 870"}),
        optional(count=st.integers(1, 2), outlets=st.integers(1, 3),
                 settings_lpm=st.just([2, 6, 10, 15])),
    )  # fmt: skip
    mask = joined(
        st.fixed_dictionaries({"kind": st.sampled_from(["non-rebreather", "simple mask"])}),
        optional(count=st.integers(1, 4), age=st.sampled_from(["adult", "child", "infant"])),
    )
    tags = draw(st.lists(NAMES, min_size=1, max_size=4, unique=True))
    patients = [
        draw(joined(
            placed(tag=st.just(tag), triage=st.sampled_from(["immediate", "delayed", "expectant"])),
            st.sampled_from([{"options": []}, {"indication": "major trauma"}])
            | st.lists(MASK_OPTIONS, min_size=1, max_size=3).map(lambda some: {"options": some}),
            optional(transfer_min=TIMES, chance_needed=st.floats(0.001, 1), spo2=st.floats(30, 100),
                     spo2_reliable=st.booleans(), oxygen_from_min=TIMES, note=NAMES,
                     airway_device=st.booleans()),
        ))
        for tag in tags
    ]  # fmt: skip
    delivery = joined(
        placed(arrive_min=TIMES),
        optional(no_show_chance=st.floats(0, 1), cylinders=st.lists(cylinder, max_size=2),
                 regulators=st.lists(regulator, max_size=2), devices=st.lists(mask, max_size=2)),
    )  # fmt: skip
    return {
        "schema": 1,
        "incident": draw(joined(
            st.fixed_dictionaries({"name": NAMES, "start": st.datetimes(
                datetime(1900, 1, 1), datetime(2200, 1, 1))}),
            optional(altitude_m=st.integers(-400, 8000), air_temperature_f=st.floats(-50, 100),
                     change_at_bar=st.floats(20, 60), horizon_min=st.floats(1, 10080), note=NAMES,
                     contents=st.just("handbook"), swap_min=st.floats(1, 9)),
            st.just({}) | st.just({"approved_by": "Dr A", "approved_on": date(2027, 1, 2)}),
        )),
        "places": [
            {"name": name, "carry_min": {o: draw(MINUTES.map(lambda m: m / 10))
                                         for o in places if o != name and draw(st.booleans())}}
            for name in places
        ],
        "patients": patients,
        "cylinders": rows(joined(placed(), cylinder)),
        "regulators": rows(joined(placed(), regulator), 1),
        "devices": rows(joined(placed(), mask)),
        "sundries": rows(placed(kind=st.sampled_from(["key", "washer"]), count=st.integers(0, 9))),
        "responders": rows(joined(placed(), optional(from_min=MINUTES, count=st.integers(1, 3)))),
        "resupply": rows(delivery),
        "uncertainty": draw(optional(gauge_psi=st.floats(0, 99), shared_delay=st.floats(0, 1))),
        "priorities": draw(optional(tier_weights=st.just([5, 0, 1]), order=st.just("need"),
                                    expectant_counts=st.booleans())),
    }  # fmt: skip


def assert_survives(incident: Incident, folder: Path) -> None:
    for back in (
        again(incident, as_json=False),
        again(incident, as_json=True),
        by_csv(incident, folder),
    ):
        assert back == incident
        assert back.assumed == incident.assumed
        assert digest(back) == digest(incident)


@FUZZ
@given(tree=documents())
def test_any_valid_document_survives(
    tmp_path_factory: pytest.TempPathFactory, tree: dict[str, Any]
) -> None:
    incident = incident_from(tree, "file").incident
    assert [p.tag for p in incident.patients] == [row["tag"] for row in tree["patients"]]
    counted = [row["size"] for row in tree["cylinders"] for _ in range(row.get("count", 1))]
    assert [c.size for c in incident.cylinders] == counted
    assert_survives(incident, tmp_path_factory.getbasetemp())


def test_odd_document_that_is_read_survives(tmp_path: Path) -> None:
    read: list[bool] = []

    @settings(FUZZ, max_examples=500)
    @given(tree=mutated_trees())
    def look(tree: dict[str, Any]) -> None:
        try:
            incident = incident_from(tree, "file").incident
        except InputError:
            return
        assert_survives(incident, tmp_path)
        read.append(True)

    look()
    assert len(read) >= 20


# --- digest --------------------------------------------------------------------------------------


def test_digest_does_not_tell_a_default_from_the_same_value_given() -> None:
    tree = good_tree()
    tree["incident"]["horizon_min"] = 480
    tree["cylinders"][0]["connection"] = "CGA 870"
    assert digest(incident_from(tree, "file").incident) == digest(good())


def test_digest_changes_with_every_number() -> None:
    # Each number of the file nudged a little, where the file still reads, gives another digest.
    seen = {digest(good())}
    tried = 0
    for path in number_paths(good_tree()):
        tree = good_tree()
        box: Any = tree
        for step in path[:-1]:
            box = box[step]
        box[path[-1]] = box[path[-1]] + (1 if isinstance(box[path[-1]], int) else 0.01)
        try:
            changed = digest(incident_from(tree, "file").incident)
        except InputError:
            continue
        assert changed not in seen, path
        seen.add(changed)
        tried += 1
    assert tried >= 35


def number_paths(tree: Any, way: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found: list[tuple[Any, ...]] = []
    for key in tree if isinstance(tree, dict) else range(len(tree)):
        value = tree[key]
        if isinstance(value, dict | list):
            found += number_paths(value, (*way, key))
        elif isinstance(value, int | float) and not isinstance(value, bool):
            found.append((*way, key))
    return found


@pytest.mark.parametrize(
    ("table", "index", "field", "value"),
    [
        ("patients", 0, "triage", "delayed"),
        ("patients", 0, "indication", "chest injury"),
        ("patients", 1, "airway_device", True),
        ("patients", 1, "spo2_reliable", False),
        ("patients", 2, "tag", "U4"),
        ("patients", 2, "place", "hut"),
        ("patients", 2, "note", "a"),
        ("cylinders", 1, "size", "aluminium E"),
        ("devices", 0, "age", "adult"),
        ("regulators", 1, "outlets", 2),
    ],
)
def test_digest_changes_with_words(table: str, index: int, field: str, value: object) -> None:
    tree = good_tree()
    was_default = field == "age"
    tree[table][index][field] = value
    same = digest(incident_from(tree, "file").incident) == digest(good())
    assert same == was_default


def test_digest_changes_with_the_order_of_rows() -> None:
    tree = good_tree()
    tree["patients"].reverse()
    assert digest(incident_from(tree, "file").incident) != digest(good())


# --- writing -------------------------------------------------------------------------------------


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_written_incident_reads_back(tmp_path: Path) -> None:
    for name in ("a.toml", "a.json", "A.JSON"):
        write_incident(good(), tmp_path / name)
        assert read_incident(tmp_path / name).incident == good()
    assert names_in(tmp_path) == ["A.JSON", "a.json", "a.toml"]


def test_text_is_written_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / ("n" * 250)  # as long as names may be, so the temporary one must not grow
    write_text(path, "a\r\n\u00e4\n")
    assert path.read_bytes() == b"a\r\n\xc3\xa4\n"
    assert stat.S_IMODE(path.stat().st_mode) == 0o644


def test_private_file_stays_private(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text("old", encoding="utf-8")
    path.chmod(0o600)
    write_text(path, "new")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


@pytest.mark.parametrize("step", ["write", "sync", "rename", "interrupt"])
def test_failed_writing_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    path = tmp_path / "a.toml"
    path.write_text("old", encoding="utf-8")
    text = "new"

    def fail(*_: object, **__: object) -> None:
        raise KeyboardInterrupt if step == "interrupt" else OSError("no space left")

    if step == "write":
        text = "new \ud800"  # cannot be encoded: fails half way through
    else:
        monkeypatch.setattr(*((os, "fsync") if step != "rename" else (Path, "replace")), fail)
    with pytest.raises((OSError, UnicodeEncodeError, KeyboardInterrupt)):
        write_text(path, text)
    monkeypatch.undo()
    assert path.read_text(encoding="utf-8") == "old"
    assert names_in(tmp_path) == ["a.toml"]


def test_folder_in_the_way_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "a.toml").mkdir()
    with pytest.raises(OSError, match=r"a\.toml"):
        write_text(tmp_path / "a.toml", "new")
    assert names_in(tmp_path) == ["a.toml"]
    with pytest.raises(OSError, match="none"):
        write_text(tmp_path / "none" / "a.toml", "new")
