"""A journal in and out of CSV and JSON: round trips, the checksum, formulas, every fault."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from datetime import datetime
from io import StringIO
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.banner import BANNER
from planner.errors import Fault, InputError
from planner.journal import cells
from planner.journal.columns import LOG_COLUMNS
from planner.journal.events import (
    Connected,
    Journal,
    LogEntry,
    Note,
    ResupplyArrived,
    Swapped,
)
from planner.journal.files import (
    MAX_ENTRIES,
    checksum,
    csv_text,
    entries_from_csv,
    journal_from,
    journal_from_json,
    journal_tree,
    json_text,
    table_rows,
)
from planner.spreadsheet import harmless, plain
from planner.units import Pressure, Temperature
from tests.journal_logs import LAWS, SIGNS, START, logs

LOG = (
    LogEntry(
        "E-1", 6.0,
        Connected("A1", "H-04", "R-1", "non-rebreather", 10.0, Pressure(1900, "psi"),
                  temperature=Temperature(-7, "C")),
        plus_minus_min=1.0, role="ski patrol", place="debris", source="log A", note="=2+2, then",
    ),
    LogEntry("E-2", 27.5, Swapped("A1", "H-07", off="H-04"), note="old washer torn, changed"),
    LogEntry("E-3", 91.0, ResupplyArrived(("E-01", "E;02"), items="3 E"), replaces="E-2"),
)  # fmt: skip


def faults_of(text: str) -> tuple[Fault, ...]:
    with pytest.raises(InputError) as caught:
        entries_from_csv(text, START, "log.csv")
    return caught.value.faults


def told(text: str) -> list[tuple[str, str, str]]:
    return [(f.row, f.field, f.received) for f in faults_of(text)]


# Round trips.


@LAWS
@given(logs(), st.booleans())
def test_csv_comes_back(log: tuple[LogEntry, ...], is_semicolon: bool) -> None:
    assert entries_from_csv(csv_text(log, START, is_semicolon=is_semicolon), START) == log


@LAWS
@given(logs())
def test_json_comes_back(log: tuple[LogEntry, ...]) -> None:
    journal = Journal("Rib", START, log)
    assert journal_from_json(json_text(journal)) == journal
    # Another tool that reads and writes it, floats for whole numbers and keys turned, changes
    # nothing; any other change is found.
    tree = json.loads(json_text(journal), parse_int=float)
    turned = dict(reversed(tree.items()))
    assert journal_from({**turned, "schema": 1.0}) == journal


def test_csv_by_hand() -> None:
    text = csv_text(LOG, START)
    rows = list(csv.DictReader(StringIO(text.removeprefix("\ufeff"))))
    assert list(rows[0])[: len(LOG_COLUMNS)] == [column.name for column in LOG_COLUMNS]
    first = rows[0]
    assert (first["clock"], first["plus_minus_min"], first["event"]) == ("14:06", "1", "connected")
    assert (first["gauge"], first["temperature"]) == ("1900 psi", "'-7 C")
    assert first["note"] == "'=2+2, then"
    assert first["notice"] == BANNER
    assert (rows[1]["clock"], rows[1]["at_min"]) == ("14:27", "27.5")
    assert rows[2]["cylinder"] == '["E-01", "E;02"]'
    assert entries_from_csv(text, START) == LOG
    assert 'at_min"' not in csv_text(LOG, START, is_semicolon=True)
    assert ";27,5;" in csv_text(LOG, START, is_semicolon=True)


def test_a_log_typed_in_from_paper_needs_the_printed_columns_only() -> None:
    head = ",".join(column.name for column in LOG_COLUMNS)
    row = "14:06,,connected,A1,H-04,,non-rebreather,10,1900psi,-7C,debris,patrol,"
    (entry,) = entries_from_csv(f"{head}\n{row}\n\n", START)
    assert entry == LogEntry(
        "line 2", 6.0,
        Connected("A1", "H-04", None, "non-rebreather", 10.0, Pressure(1900, "psi"),
                  temperature=Temperature(-7, "C")),
        role="patrol", place="debris",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("cell", "minutes"),
    [
        ("14:00", 0.0), ("14:06", 6.0), ("13:59", 1439.0), ("2027-02-14 13:59", -1.0),
        ("2027-02-15T14:00", 1440.0), ("14:06:30", 6.5), ("24:00", None), ("1406", None),
        ("2027-02-30 14:00", None), ("14:60", None), ("\u0661\u0664:00", None),
    ],
)  # fmt: skip
def test_clock_times(cell: str, minutes: float | None) -> None:
    assert cells.minutes_of_clock(cell, START) == minutes


def test_a_time_cut_to_the_minute_of_the_start_is_the_start() -> None:
    late = datetime(2027, 2, 14, 14, 0, 30)
    assert cells.minutes_of_clock("14:00", late) == 0.0
    assert cells.minutes_of_clock("13:59", late) == 1438.5


# Formulas.


@LAWS
@given(st.text(SIGNS + "\t\n '", max_size=20))
def test_harmless_as_in_the_plans_folder_and_back(text: str) -> None:
    assert plain(harmless(text)) == text


def test_the_banner_is_that_of_every_surface() -> None:
    assert json.loads(json_text(Journal("x", START)))["notice"] == BANNER


@LAWS
@given(logs(max_size=4), st.booleans())
def test_no_cell_runs(log: tuple[LogEntry, ...], is_semicolon: bool) -> None:
    text = csv_text(log, START, is_semicolon=is_semicolon).removeprefix("\ufeff")
    reader = csv.reader(StringIO(text, newline=""), delimiter=";" if is_semicolon else ",")
    for row in reader:
        for cell in row:
            if re.fullmatch(r"-?[0-9]+([.,][0-9]+)?", cell):
                continue
            # Wherever a sheet may split the cell, no part of it begins with a sign.
            for part in re.split(r"[,;\t|]", cell):
                assert not part.lstrip(' "').startswith(tuple("=+-@\uff1d")), (cell, part)


# Faults of CSV, one each, all at once; the twin of each row is in LOG or above.

HEAD = "id,at_min,event,patient,cylinder,gauge,note,replaces,flow_lpm,clock,temperature"
GOOD = "1,0,note,,,,seen,,,,"


def test_the_good_row_is_good() -> None:
    assert entries_from_csv(f"{HEAD}\n{GOOD}\n", START) == (
        LogEntry("1", 0.0, Note(), note="seen"),
    )


@pytest.mark.parametrize(
    ("row", "field", "received"),
    [
        ("1,soon,note,,,,seen,,,,", "at_min", "'soon'"),
        ("1,20000,note,,,,seen,,,,", "at_min", "20000"),
        (",,note,,,,seen,,,,", "at_min", "nothing"),
        ("1,,note,,,,seen,,,half past,", "clock", "'half past'"),
        ("1,5,note,,,,seen,,,14:06,", "clock", "'14:06'"),
        ("1,0,,,,,seen,,,,", "event", "nothing"),
        ("1,0,conected,A1,H-04,,,,,,", "event", "'conected'"),
        ("1,0,connected,,H-04,,,,,,", "patient", "nothing"),
        ("1,0,connected,A1,,,,,,,", "cylinder", "nothing"),
        ("1,0,connected,A1,H-04,,,,0,,", "flow_lpm", "0"),
        ("1,0,connected,A1,H-04,,,,90,,", "flow_lpm", "90"),
        ("1,0,flow changed,A1,,,,,,,", "flow_lpm", "nothing"),
        ("1,0,gauge read,,,1900psi,,,,,", "cylinder", "nothing"),
        ("1,0,gauge read,,H-04,1900,,,,,", "gauge", "'1900'"),
        ("1,0,gauge read,,H-04,9000 psi,,,,,", "gauge_psi", "9000"),
        ("1,0,gauge read,,H-04,1900psi,,,,,cold", "temperature", "'cold'"),
        ("1,0,moved,A1,,,,,,,", "place", "nothing"),
        ("1,0,moved,,,,,,,,", "patient", "nothing"),
        ("1,0,kit failed,,,,,,,,", "device", "nothing"),
        ("1,0,note,,,,,,,,", "note", "nothing"),
        ("1,0,resupply arrived,,,,,,,,", "items", "nothing"),
        ("1,0,requested,,,,,,,,", "items", "nothing"),
        ("1,0,found,A1,H-04,,,,,,", "cylinder", "cylinder with the event 'found'"),
        ("1,0,note,,,,seen,7,,,", "replaces", "7"),
        ("1,0,note,,,,seen,1,,,", "replaces", "'1'"),
        ("1,0,found,-A1,,,,,,,", "patient", "'-A1'"),
        ("1,0,note,,,,a\x07b,,,,", "note", "'a\\x07b'"),
        ("1,0,note,,,,seen,,", "", "9 cells"),
    ],
)
def test_a_fault_is_told_where_it_is(row: str, field: str, received: str) -> None:
    found = told(f"{HEAD}\n{row}\n")
    assert (field, received) in [(f, r) for _, f, r in found], found
    assert all(fault.allowed and fault.file == "log.csv" for fault in faults_of(f"{HEAD}\n{row}"))


def test_faults_come_all_at_once_and_name_their_rows() -> None:
    rows = ["1,soon,note,,,,seen,,,,", GOOD.replace("1,", "2,", 1), "3,0,flown,,,,,,,,"]
    assert told("\n".join([HEAD, *rows])) == [("1", "at_min", "'soon'"), ("3", "event", "'flown'")]


def test_faults_of_the_table() -> None:
    assert told("")[0][2] == "nothing"
    assert ("line 1", "patint", "a column") in told("id,patint\n")
    assert "patient" in faults_of("id,patint\n")[0].mend
    assert ("line 1", "id", "a column of that name again") in told("id,id\n")
    assert "unexpected end of data" in told('id,note\n1,"open\n')[0][2]
    assert told(f"{HEAD}\n{GOOD}\n{GOOD}\n") == [("1", "id", "an id used before")]
    assert told(f"{HEAD}\n{GOOD}" + " " * 5_000_001)[0][2] == "more than 5 MB"
    assert told("at_min,event,note\n" + "0,note,x\n" * (MAX_ENTRIES + 1))[0][2] == "20001 entries"
    with pytest.raises(InputError):
        table_rows("id,patint\n1,2\n")
    assert table_rows("clock,note\nabout 3,x\n") == ((2, {"clock": "about 3", "note": "x"}),)


def test_off_and_rough_gauges() -> None:
    head = "at_min,event,patient,cylinder,off,gauge,gauge_plus_minus"
    assert told(f"{head}\n0,swapped,A1,H-1,H-1,,\n") == [("line 2", "off", "'H-1'")]
    assert told(f"{head}\n0,swapped,A1,H-1,,,5psi\n")[0][1] == "gauge_plus_minus"
    entries_from_csv(f"{head}\n0,swapped,A1,H-1,H-2,900psi,5psi\n", START)


# Faults of JSON.


def tree(**change: Any) -> dict[str, Any]:
    made = {**journal_tree(Journal("Rib", START, LOG)), **change}
    return {**made, "sha256": checksum(made)}


def json_faults(raw: dict[str, Any]) -> list[tuple[str, str, str]]:
    with pytest.raises(InputError) as caught:
        journal_from(raw, "log.json")
    return [(f.row, f.field, f.received) for f in caught.value.faults]


def test_a_changed_file_is_found_by_its_checksum() -> None:
    good = tree()
    assert journal_from(good).entries == LOG
    for change in ({"name": "Other"}, {"entries": good["entries"][:2]},
                   {"entries": good["entries"][::-1]}, {"sha256": None}):  # fmt: skip
        assert [field for _, field, _ in json_faults({**good, **change})] == ["sha256"]
    missing = {name: value for name, value in good.items() if name != "sha256"}
    assert json_faults(missing) == [("", "sha256", "nothing")]
    touched = json.loads(json.dumps(good))
    touched["entries"][0]["flow_lpm"] = 15
    assert [field for _, field, _ in json_faults(touched)] == ["sha256"]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"schema": 2}, "schema"), ({"kind": "plan"}, "kind"), ({"name": ""}, "name"),
        ({"start": "14:00"}, "start"), ({"entries": {}}, "entries"), ({"owner": "x"}, "owner"),
        ({"entries": [3]}, ""), ({"entries": [{"id": "1"}]}, "at_min"),
        ({"entries": [{"id": "1", "at_min": 0, "event": "note", "note": 3}]}, "note"),
        ({"entries": [{"id": "1", "at_min": 0, "event": "requested", "items": "x" * 2001}]},
         "items"),
    ],
)  # fmt: skip
def test_faults_of_json(change: dict[str, Any], field: str) -> None:
    assert field in [found for _, found, _ in json_faults(tree(**change))]


def test_text_that_is_no_json() -> None:
    for text in ("{", "[]", '{"a": 1, "a": 2}', "x" * 5_000_001):
        with pytest.raises(InputError):
            journal_from_json(text)
    with pytest.raises(InputError) as caught:
        journal_from({**tree(), "name": "\ud800"})
    assert any("UTF-8" in fault.allowed for fault in caught.value.faults)


def test_a_file_of_faults_ends_at_some_hundred() -> None:
    rows = "\n".join("x,note" for _ in range(2000))
    assert len(faults_of(f"at_min,event\n{rows}")) == 501


def test_entries_replace_across_a_file() -> None:
    rows = [GOOD, "2,3,note,,,,better,1,,,"]
    first, second = entries_from_csv("\n".join([HEAD, *rows]), START)
    assert second == replace(first, id="2", at_min=3.0, note="better", replaces="1")
