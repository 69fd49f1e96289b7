"""A log written by hand: several clocks, rough gauges, tags; every doubt told, no row lost."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import InputError
from planner.journal import wording
from planner.journal.cells import COLUMNS
from planner.journal.columns import LOG_COLUMNS
from planner.journal.events import (
    Connected,
    CylinderEmpty,
    DelayAnnounced,
    Disconnected,
    FlowChanged,
    Found,
    GaugeRead,
    Journal,
    KitFailed,
    LogEntry,
    Moved,
    Note,
    Requested,
    ResupplyArrived,
    Swapped,
    Transferred,
)
from planner.journal.files import csv_text, entries_from_csv, journal_from_json, json_text
from planner.journal.reading_log import (
    AGREEMENT,
    Doubt,
    LogReading,
    RawLog,
    RawRow,
    raw_log,
    read_logs,
)
from planner.journal.replaying import replay
from planner.units import Pressure, Temperature
from tests.journal_logs import LAWS, SIGNS, START
from tests.test_journal_replaying import STOCK, psi

HEAD = ",".join(column.name for column in LOG_COLUMNS)


def rows(*cells: dict[str, str], source: str = "patrol", fast_min: float = 0.0) -> RawLog:
    return RawLog(source, tuple(RawRow(n, c) for n, c in enumerate(cells, start=2)), fast_min)


def read(*cells: dict[str, str], start: datetime = START) -> LogReading:
    return read_logs([rows(*cells)], start, STOCK)


def one(**cells: str) -> tuple[LogEntry, list[Doubt]]:
    found = read({"clock": "14:06", **cells})
    (entry,) = found.entries
    return entry, list(found.doubts)


def times(*cells: str, start: datetime = START, fast_min: float = 0.0) -> dict[int, float]:
    log = rows(*({"clock": c, "event": "note", "note": "x"} for c in cells), fast_min=fast_min)
    found = read_logs([log], start, STOCK)
    return {int(e.id.split()[-1]) - 2: e.at_min for e in found.entries}


def whys(found: LogReading, field: str = "clock") -> list[tuple[int, str]]:
    return [(d.line, d.why) for d in found.doubts if d.field == field]


# A plain log is not in doubt: the twin of everything below.


def test_a_plain_log_has_no_doubts() -> None:
    text = f"""{HEAD}
14:06,,found,A1,,,,,,,rib,patrol,
14:06,2,connected,A1,H-04,R-1,non-rebreather,10,1900 psi,-7 C,rib,patrol,"-7 C, windy"
14:18,,gauge read,A1,,,,,1400 psi,,,,
14:30,,swapped,A1,H-07,,,,,,,,
14:41,,transferred,A1,,,,,,,,,
"""
    found = read_logs([raw_log(text, "patrol")], START, STOCK)
    assert found.doubts == ()
    assert found.entries[1] == LogEntry(
        "patrol 3", 6.0,
        Connected("A1", "H-04", "R-1", "non-rebreather", 10.0, psi(1900),
                  temperature=Temperature(-7.0, "C")),
        2.0, "patrol", "rib", "patrol", "-7 C, windy",
    )  # fmt: skip


# Times.


@pytest.mark.parametrize(
    ("cell", "minute", "off", "is_doubt"),
    [
        ("14:06", 846, 1, False), ("1406", 846, 1, False), ("14.06", 846, 1, False),
        ("14h06", 846, 1, False), ("14:06:30", 846.5, 1, False), ("2:06 pm", 846, 1, False),
        ("12:10 am", 10, 1, False), ("24:00", 0, 1, False), ("0006", 6, 1, False),
        ("about 1500", 900, 5, True), ("~15:00", 900, 5, True), ("ca. 1500", 900, 5, True),
        ("1500?", 900, 5, True), ("1500ish", 900, 5, True), ("15h", 900, 30, True),
        ("3 pm", 900, 30, True), ("about 3 pm", 900, 30, True), ("noon", 720, 5, True),
        ("1500-1510", 905, 5, True), ("between 1500 and 1510", 905, 5, True),
        ("2350 to 0010", 0, 10, True), ("before 1500", 885, 15, True),
        ("after 15:00", 915, 15, True), ("", None, 0, True), ("soon", None, 0, True),
        ("25:00", None, 0, True), ("14:75", None, 0, True), ("13 pm", None, 0, True),
        ("before tea", None, 0, True), ("2027-02-30 14:06", None, 0, True),
    ],
)  # fmt: skip
def test_clock_cells(cell: str, minute: float | None, off: float, is_doubt: bool) -> None:
    found = wording.read_clock(cell)
    assert (found.minute, found.off_min, bool(found.why)) == (minute, off, is_doubt)


def test_clock_cells_with_days() -> None:
    assert wording.read_clock("2027-02-15 00:10").day == date(2027, 2, 15)
    assert wording.read_clock("next day 0010").days_on == 1
    assert wording.read_clock("15 min later").later_min == 15.0
    assert wording.read_clock("2:30").is_half_day
    assert not wording.read_clock("02:30").is_half_day
    assert not wording.read_clock("0:30").is_half_day


def test_past_midnight_without_dates() -> None:
    late = datetime(2027, 2, 14, 23, 0)
    found = read(*({"clock": c, "event": "note", "note": "x"} for c in ("23:50", "00:10", "00:20")),
                 start=late)  # fmt: skip
    assert [e.at_min for e in found.entries] == [50.0, 70.0, 80.0]
    assert whys(found) == [(3, "no date: taken as past midnight, after 23:50")]
    # With its date the same row is plain, and across more than one night it counts on.
    assert times("23:50", "2027-02-15 00:10", start=late) == {0: 50.0, 1: 70.0}
    assert times("23:30", "09:00", "23:00", "06:00", start=late) == {
        0: 30.0, 1: 600.0, 2: 1440.0, 3: 1860.0,
    }  # fmt: skip
    assert times("23:50", "next day 23:55", start=late)[1] == 50.0 + 1445.0


def test_a_late_entry_stays_on_its_day_and_is_told() -> None:
    found = read(*({"clock": c, "event": "note", "note": "x"} for c in ("15:10", "14:58", "15:12")))
    assert [e.at_min for e in found.entries] == [58.0, 70.0, 72.0]
    assert whys(found) == [(3, "a late entry: before 15:10, which stands above it")]


def test_before_the_start_and_long_before_it() -> None:
    found = read({"clock": "13:50", "event": "note", "note": "x"})
    assert found.entries[0].at_min == -10.0
    assert whys(found) == [(2, "before the log's start")]
    assert times("11:00") == {0: 1260.0}  # more than two hours before: the next day


def test_an_hour_before_noon_after_an_afternoon_row() -> None:
    found = read(
        *({"clock": c, "event": "note", "note": "x"} for c in ("14:10", "2:30", "3:05 am"))
    )
    assert [e.at_min for e in found.entries] == [10.0, 30.0, 785.0]
    assert (3, "no am or pm: the first such time") in whys(found)


def test_no_time_is_taken_from_the_rows_around() -> None:
    found = read(*({"clock": c, "event": "note", "note": "x"} for c in ("14:10", "", "14:20", "?")))
    between, last = found.entries[1], found.entries[3]
    assert (between.at_min, between.plus_minus_min) == (15.0, 5.0)
    assert (last.at_min, last.plus_minus_min) == (20.0, wording.OPEN_MIN)
    assert [line for line, _ in whys(found)] == [3, 3, 5, 5]
    assert times("", "14:20") == {0: 20.0, 1: 20.0}
    assert times("") == {0: 0.0}
    assert times("14:10", "15 min later", "14:40") == {0: 10.0, 1: 25.0, 2: 40.0}


def test_clocks_that_are_fast_or_slow() -> None:
    assert times("14:14", "14:24", fast_min=4.0) == {0: 10.0, 1: 20.0}
    assert times("14:14", fast_min=-4.0) == {0: 18.0}
    said = rows({"clock": "14:31", "event": "delivered", "note": "snowcat's clock 4 min fast",
                 "source": "Snowcat"})  # fmt: skip
    other = rows({"clock": "14:35", "event": "note", "note": "x"}, source="snowcat")
    found = read_logs([said, other], START, STOCK)
    # Said in one log, it holds for that source's rows in every log.
    assert [e.at_min for e in found.entries] == [27.0, 31.0]
    assert (2, "that clock is 4 min fast by patrol line 2") in whys(found)
    # Without the saying (the twin) times are as written; two sayings are told, the first holds.
    assert times("14:31") == {0: 31.0}
    twice = replace(other, rows=(RawRow(2, {"clock": "14:35", "note": "clock 9 min slow"}),))
    both = read_logs([said, twice], START, STOCK)
    assert "two sayings about one clock" in [d.why for d in both.doubts]
    given = read_logs([replace(said, rows=()), rows(
        {"clock": "14:31", "note": "its clock 4 min fast"}, source="cat", fast_min=10.0
    )], START, STOCK)  # fmt: skip
    assert given.entries[0].at_min == 21.0


def test_plus_minus() -> None:
    assert one(event="note", note="x", plus_minus_min="\u00b1 10 min")[0].plus_minus_min == 10.0
    assert one(event="note", note="x")[0].plus_minus_min == wording.WRITTEN_OFF_MIN
    entry, doubts = one(event="note", note="x", plus_minus_min="lots")
    assert entry.plus_minus_min == wording.WRITTEN_OFF_MIN
    assert [d.field for d in doubts] == ["plus_minus_min"]


# Gauges, temperatures, flows, devices, tags.


@pytest.mark.parametrize(
    ("cell", "value", "unit", "rough", "is_doubt"),
    [
        ("1900 psi", 1900, "psi", None, False), ("130bar", 130, "bar", None, False),
        ("1900", 1900, "psi", None, True), ("about 400", 400, "psi", 100, True),
        ("400 psi?", 400, "psi", 100, True), ("half", 1008, "psi", 252, True),
        ("1/4", 504, "psi", 252, True), ("full", 2015, "psi", 252, True),
        ("in the red", 250, "psi", 250, True), ("red", 250, "psi", 250, True),
        ("empty", 0, "psi", 50, True),
    ],
)  # fmt: skip
def test_gauge_cells(
    cell: str, value: float, unit: str, rough: float | None, is_doubt: bool
) -> None:
    entry, doubts = one(event="gauge read", cylinder="H-04", gauge=cell)
    assert isinstance(entry.event, GaugeRead)
    assert (entry.event.gauge.value, entry.event.gauge.unit) == (value, unit)
    assert (entry.event.gauge_plus_minus and entry.event.gauge_plus_minus.value) == rough
    told = [d for d in doubts if d.field == "gauge"]
    assert bool(told) == is_doubt
    assert all(d.written == cell and str(int(value)) in d.taken for d in told)


@pytest.mark.parametrize("cell", ["fine", "9000 psi", "-3 psi", "12x", "1,9,0"])
def test_gauges_that_cannot_be_read_are_notes(cell: str) -> None:
    entry, doubts = one(event="gauge read", cylinder="H-04", gauge=cell)
    assert isinstance(entry.event, Note)
    assert cell in (entry.note or "")
    assert "left out" in [d.taken for d in doubts]
    assert "a note in the row's own words" in [d.taken for d in doubts]


def test_a_stock_in_bar_reads_bare_numbers_in_bar() -> None:
    bar = tuple(replace(c, gauge=Pressure(130, "bar")) for c in STOCK.cylinders)
    log = rows({"clock": "14:06", "event": "gauge read", "cylinder": "H-04", "gauge": "120"})
    (entry,) = read_logs([log], START, replace(STOCK, cylinders=bar)).entries
    assert isinstance(entry.event, GaugeRead)
    assert entry.event.gauge == Pressure(120.0, "bar")


def test_temperatures_flows_and_devices() -> None:
    row = {"event": "connected", "patient": "A1", "cylinder": "H-04"}
    entry, doubts = one(**row, temperature="-7", flow_lpm="10 L/min", device="NRB")
    assert isinstance(entry.event, Connected)
    assert entry.event.temperature == Temperature(-7.0, "C")
    assert (entry.event.flow_lpm, entry.event.device) == (10.0, "non-rebreather")
    assert [d.field for d in doubts] == ["device", "temperature"]
    entry, doubts = one(**row, device="SM 6")
    assert isinstance(entry.event, Connected)
    assert (entry.event.flow_lpm, entry.event.device) == (6.0, "simple mask")
    entry, doubts = one(**row, flow_lpm="high", temperature="icy")
    assert isinstance(entry.event, Connected)
    assert (entry.event.flow_lpm, entry.event.temperature) == (None, None)
    assert [d.taken for d in doubts] == ["left out", "left out"]


def test_tags_spelt_another_way_and_unknown_ones() -> None:
    entry, doubts = one(event="connected", patient="a 1", cylinder="h4", regulator="R1")
    assert entry.event == Connected("A1", "H-04", "R-1")
    assert [(d.written, d.taken) for d in doubts] == [("a 1", "A1"), ("h4", "H-04"), ("R1", "R-1")]
    entry, doubts = one(event="connected", patient="A1", cylinder="H-14")
    assert entry.event == Connected("A1", "H-14")
    assert (doubts[0].field, doubts[0].taken) == ("cylinder", "H-14")
    assert "Did you mean H-10?" in doubts[0].why
    # The replay does not know it either.
    assert doubts[-1].field == AGREEMENT
    assert one(event="connected", patient="A1", cylinder="H-04")[1] == []


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ("A1 onto H-07", Swapped("A1", "H-07")),
        ("A3 on H-06 SM 6", Connected("A3", "H-06", None, "simple mask", 6.0)),
        ("H-07 to A3", Connected("A3", "H-07")),
        ("A2 bag flat, mask off", Disconnected("A2")),
        ("A1 gauge 1050", GaugeRead(psi(1050), patient="A1")),
        ("A1 600", GaugeRead(psi(600), patient="A1")),
        ("H-05 about 400", GaugeRead(psi(400), "H-05", gauge_plus_minus=psi(100))),
        ("A1 turned down to 6 L/min", FlowChanged("A1", 6.0)),
        ("found A3, delayed", Found("A3", "delayed")),
        ("helicopter 15 out", DelayAnnounced("helicopter", expected_min=21.0)),
        ("snowcat 20 min late, delay", DelayAnnounced("snowcat", 20.0)),
        ("helicopter turned back, cloud", DelayAnnounced("helicopter")),
        ("oxygen requested", Requested("oxygen requested")),
        ("3 E delivered", ResupplyArrived(items="3 E delivered")),
        ("H-05 empty", CylinderEmpty("H-05")),
        ("R-1 washer torn", KitFailed(regulator="R-1")),
        ("A1 leaves", Transferred("A1")),
        ("nice view", Note()),
    ],
)  # fmt: skip
def test_what_happened_in_free_words(text: str, event: object) -> None:
    entry, doubts = one(event=text)
    assert entry.event == event
    assert entry.note == text  # its own words are kept beside the reading
    assert ("event", text) in [(d.field, d.written) for d in doubts]


def test_what_the_columns_say_when_nobody_wrote_what_happened() -> None:
    assert one(patient="A1", cylinder="H-04")[0].event == Connected("A1", "H-04")
    assert one(patient="A1", gauge="900psi")[0].event == GaugeRead(psi(900), patient="A1")
    assert one(patient="A1", flow_lpm="6")[0].event == FlowChanged("A1", 6.0)
    assert isinstance(one(place="hut")[0].event, Note)
    assert one(event="moved", patient="A1", place="hut")[0].event == Moved("A1")


def test_several_people_in_a_row_have_an_entry_each() -> None:
    found = read({"clock": "15:48", "event": "transferred", "patient": "A1, A3"})
    assert [(e.id, e.event) for e in found.entries] == [
        ("patrol 2 1", Transferred("A1")), ("patrol 2 2", Transferred("A3")),
    ]  # fmt: skip
    assert "several in one row" in [d.why for d in found.doubts]


def test_nothing_is_dropped() -> None:
    # A connection without a cylinder cannot be followed; its words stay, and the reason.
    entry, doubts = one(event="connected", patient="A1", note="on something")
    assert isinstance(entry.event, Note)
    assert entry.note == "14:06 | connected | A1 | on something"
    assert [d.field for d in doubts] == ["cylinder"]
    # What an event has no field for goes into the note.
    entry, doubts = one(event="found", patient="A1", flow_lpm="6")
    assert entry.event == Found("A1")
    assert entry.note == "flow_lpm 6.0"
    assert [d.taken for d in doubts] == ["kept in the note"]
    # Control characters and an id used before.
    assert "control characters" in one(event="note", note="a\x07b")[1][0].why
    # Too long for a note: cut, and told.
    entry, doubts = one(event="note", note="x" * 2001)
    assert (len(entry.note or ""), doubts[0].why) == (2000, "too long for a note")
    entry, doubts = one(event="connected", note="x" * 1500, place="y" * 1500)
    assert len(entry.note or "") == 2000
    assert "the first 2000 characters" in doubts[-1].taken
    found = read({"id": "7", "clock": "14:01", "event": "note", "note": "x"},
                 {"id": "7", "clock": "14:02", "event": "note", "note": "y"})  # fmt: skip
    assert [e.id for e in found.entries] == ["7", "patrol 3"]
    assert [(d.field, d.written, d.taken) for d in found.doubts] == [("id", "7", "patrol 3")]


def test_corrections_that_name_nothing_stand_for_themselves() -> None:
    row = {"clock": "14:01", "event": "note", "note": "x"}
    found = read({**row, "id": "1", "replaces": "9"}, {**row, "id": "2", "replaces": "1"})
    assert [e.replaces for e in found.entries] == [None, "1"]
    assert [(d.field, d.written) for d in found.doubts] == [("replaces", "9")]
    ring = read({**row, "id": "1", "replaces": "2"}, {**row, "id": "2", "replaces": "1"})
    assert sum(e.replaces is not None for e in ring.entries) == 1
    assert len(ring.doubts) == 1


def test_entries_that_do_not_agree_are_told_with_both_ids() -> None:
    mine = rows(
        {"clock": "14:06", "event": "connected", "patient": "A1", "cylinder": "H-07"},
    )
    theirs = rows({"clock": "14:29", "event": "H-07 to A3"}, source="second")
    found = read_logs([theirs, mine], START, STOCK)
    (told,) = [d for d in found.doubts if d.field == AGREEMENT]
    assert (told.source, told.line, told.entry, told.others) == (
        "second", 2, "second 2", ("patrol 2",),
    )  # fmt: skip
    assert told.why.startswith("one cylinder on two patients")
    assert "stays on A1" in told.taken


def test_columns_of_a_file_of_entries_are_read_too() -> None:
    entry, doubts = one(event="gauge read", cylinder="H-04", gauge="900 psi", at_min="6.5",
                        gauge_plus_minus="50 psi")  # fmt: skip
    assert (entry.at_min, entry.plus_minus_min) == (6.5, 0.0)
    assert entry.event == GaugeRead(psi(900), "H-04", gauge_plus_minus=psi(50))
    assert [d.field for d in doubts] == [AGREEMENT]  # 1900 were in it
    entry, doubts = one(event="note", note="x", at_min="soon")
    assert entry.at_min == 6.0
    assert [(d.field, d.written) for d in doubts] == [("at_min", "soon")]
    doubts = one(event="gauge read", cylinder="H-04", gauge="1900 psi", gauge_plus_minus="?")[1]
    assert [(d.field, d.taken) for d in doubts] == [("gauge_plus_minus", "left out")]


def test_faults_of_logs() -> None:
    for bad, received in (([rows(), rows()], "a name used before"), ([rows(source="=x")], "'=x'")):
        with pytest.raises(InputError) as caught:
            read_logs(bad, START, STOCK)
        assert [f.received for f in caught.value.faults] == [received]
    with pytest.raises(InputError, match="patint"):
        raw_log("clock,patint\n1,2\n", "patrol")


# The finished journal of a scenario, in two logs, as it would be typed in.

PATROL = f"""{HEAD}
14:06,,found,A1,,,,,,,,,Immediate trauma
14:06,,connected,A1,H-04,R-1,NRB,10,1900,-7,,,
14:10,,connected,A2,H-05,R-2,NRB 10,,1900 psi,,,,chest
14:15,,A3 on H-06 SM 6,,,,,,,,,,
14:18,,A1 gauge 1050,,,,,,,,,,
14:24,,A1 600,,,,,,,,,,
14:27,,A1 onto H-07,,,,,,,,,,"old washer torn, changed"
14:40,,helicopter 15 out,,,,,,,,,,
14:47,,gauge read,A2,,,,,about 400,,,,
14:52,,"helicopter turned back, cloud",,,,,,,,,,
14:55,,A2 onto H-08,,,,,,,,,,
15:05,,oxygen requested,,,,,,,,,,
15:20,,"A2 bag flat, mask off",,,,,,,,,,
15:26,,A2 on H-09,,,,,10,,,,,
15:31,,snowcat's log (its clock 4 min fast): 3 E delivered,,,,,,,,,,
15:48,,"A1, A3 leave; a regulator doesn't come back",,,,,,,,,,
16:20,,A2 leaves,,,,,,,,,,
"""


def test_a_finished_journal_is_read_and_replayed() -> None:
    logs = [raw_log(PATROL, "patrol"), raw_log("clock,event\n14:29,H-07 to A3\n", "second")]
    found = read_logs(logs, START, STOCK)
    assert len(found.entries) == 17 + 1 + 1  # one row names two people
    state = replay(found.entries, STOCK, 140.0)
    # The loss: 1050 and 600 read, both far under what 10 L/min leaves; none after the washer.
    low = [(c.at_min, c.side) for c in state.checks if c.side is not None]
    assert low == [(18.0, "lower"), (24.0, "lower")]
    # About 6 min without oxygen, a minute either way at each end.
    (gap,) = [g for g in state.oxygen_gaps if g.patient == "A2"]
    assert (gap.from_min, gap.until_min, gap.plus_minus_min) == (80.0, 86.0, 2.0)
    kinds = [d.kind for d in state.disagreements]
    assert kinds == ["gauge", "gauge", "one cylinder on two patients"]
    # From the turn-back to the request: 13 min. The snowcat came at 15:27 by the others' clock.
    at = {type(e.event).__name__: e.at_min for e in found.entries}
    assert at["Requested"] - at["DelayAnnounced"] == 13.0
    assert at["ResupplyArrived"] == 87.0
    # H-08 after 25 min should have read far more than nothing: it is told as expected, no more.
    h08 = replay(found.entries, STOCK, 80.0).cylinder("H-08").expected
    assert h08 is not None
    assert h08.low_psi > 500.0


# Laws.

WORDS = st.one_of(
    st.sampled_from(
        ["", "14:06", "about 1500", "2 pm", "A1", "A1, A2", "h4", "H-14", "half", "in the red",
         "900 psi", "A1 onto H-07", "H-07 to A3", "connected", "gauge read", "resupply arrived",
         "swapped", "moved", "requested", "clock 4 min fast", "NRB 10", "10", "x" * 2100, "1e999"]
    ),
    st.text(SIGNS + "\t\n\x07", max_size=12),
)  # fmt: skip
RAW = st.lists(st.dictionaries(st.sampled_from(COLUMNS), WORDS, max_size=7), min_size=0, max_size=6)


@LAWS
@given(RAW, RAW, st.randoms(use_true_random=False))
def test_any_rows_give_entries_that_files_can_hold(
    mine: list[dict[str, str]], theirs: list[dict[str, str]], rng: random.Random
) -> None:
    logs = [rows(*mine), rows(*theirs, source="second")]
    found = read_logs(logs, START, STOCK)
    assert len(found.entries) >= len(mine) + len(theirs)
    assert len({entry.id for entry in found.entries}) == len(found.entries)
    # Every row that does not read as a plain entry is told, and every doubt names a row.
    lines = {(log.source, row.line) for log in logs for row in log.rows}
    assert {(d.source, d.line) for d in found.doubts} <= lines
    noted = {e.id for e in found.entries if isinstance(e.event, Note)}
    told = {d.entry for d in found.doubts}
    plain = {e.id for e in found.entries if e.note is not None}
    assert noted <= told | plain
    # Logs in another order are the same logs.
    rng.shuffle(logs)
    assert read_logs(logs, START, STOCK) == found
    # What was read can be written and read again.
    journal = Journal("Rib", START, found.entries)
    assert journal_from_json(json_text(journal)) == journal
    assert entries_from_csv(csv_text(found.entries, START), START) == found.entries
