"""The journal's entries: corrections, order, and what is wrong with ids."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, replace
from typing import get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import InputError
from planner.journal.columns import LOG_COLUMNS
from planner.journal.events import (
    EVENTS,
    Connected,
    Contest,
    Event,
    Found,
    GaugeRead,
    LogEntry,
    Note,
    entry_faults,
    in_force,
    in_order,
    tag_key,
    up_to,
)
from planner.journal.trees import ENTRY, FREE_TEXTS
from planner.units import Pressure
from tests.journal_logs import LAWS, logs


def note(id_: str, at_min: float = 0.0, replaces: str | None = None) -> LogEntry:
    return LogEntry(id_, at_min, Note(), note="seen", replaces=replaces)


def held(*entries: LogEntry) -> list[str]:
    return [entry.id for entry in in_force(entries).entries]


def test_nothing_is_changed() -> None:
    with pytest.raises(FrozenInstanceError):
        note("1").at_min = 3.0  # type: ignore[misc]


def test_every_event_has_a_word_and_its_fields_stand_in_the_table() -> None:
    assert set(EVENTS.values()) == set(Event.__args__)
    known = {field.name for field in ENTRY.fields} | set(FREE_TEXTS)
    named = {name for event in EVENTS.values() for name in get_type_hints(event)}
    assert named <= known
    assert named | {field.name for field in fields(LogEntry)} >= known - {"event"}
    # The printed columns, but the clock time, are fields of a file.
    assert {c.name for c in LOG_COLUMNS} - {"clock"} <= known


def test_a_correction_takes_the_place_of_what_it_names() -> None:
    # 2 corrects 1 and 3 corrects 2: only the last holds. The twin without names keeps all three.
    assert held(note("1"), note("2", 5.0, "1"), note("3", 4.0, "2")) == ["3"]
    assert held(note("1"), note("2", 5.0), note("3", 4.0)) == ["1", "3", "2"]


def test_two_corrections_of_one_entry_are_told_and_the_later_id_holds() -> None:
    log = (note("E-1"), note("E-10", 1.0, "E-1"), note("E-9", 1.0, "E-1"))
    found = in_force(log)
    assert [entry.id for entry in found.entries] == ["E-10"]
    assert found.contests == (Contest("E-10", ("E-9",)),)
    # A correction of a correction is no contest.
    assert in_force((*log[:2], note("E-11", 1.0, "E-10"))).contests == ()
    # Nor two branches of which one was itself corrected: the end of each branch counts.
    branches = in_force((*log, note("E-12", 1.0, "E-9")))
    assert branches.contests == (Contest("E-12", ("E-10",)),)


def test_corrections_of_an_entry_that_was_left_out_still_contest() -> None:
    assert in_force((note("3", 0, "1"), note("4", 0, "1"))).contests == (Contest("4", ("3",)),)


def test_faults_of_ids_all_at_once() -> None:
    log = (note("1"), note("1"), note("2", 0, "3"), note("3", 0, "2"), note("4", 0, "9"))
    told = [(f.row, f.field, f.received) for f in entry_faults(log, "log.csv")]
    assert told == [
        ("1", "id", "an id used before"),
        ("2", "replaces", "2 replaces 3 replaces 2"),
        ("4", "replaces", "9"),
    ]
    with pytest.raises(InputError) as caught:
        in_force(log)
    assert len(caught.value.faults) == 2  # what is named may be in a part that was left out
    assert entry_faults((note("1"), note("2", 0, "1"))) == ()  # the twin
    assert len(entry_faults((note("1", 0, "1"),))) == 1  # a ring of one


def test_within_a_minute_readings_come_before_what_is_done() -> None:
    read = LogEntry("2", 5.0, GaugeRead(Pressure(400, "psi"), patient="A1"))
    on = LogEntry("1", 5.0, Connected("A1", "H-05"))
    found = LogEntry("3", 5.0, Found("A1"))
    assert in_order((on, read, found)) == [found, read, on]
    # Of one kind the ids decide, counted as people count.
    assert in_order((note("E-10"), note("E-9")))[0].id == "E-9"
    assert sorted(["H-10", "H-9", "H-09", "G-11"], key=tag_key) == ["G-11", "H-09", "H-9", "H-10"]


def test_a_correction_to_a_later_minute_takes_it_out_of_the_minutes_before() -> None:
    log = (note("1", 29.0), note("2", 45.0, "1"))
    assert up_to(log, 30.0) == ()
    # Cutting by the minute alone would bring back what the log has since taken back.
    assert [e for e in log if e.at_min <= 30.0] == [log[0]]
    assert up_to(log, 45.0) == log


@LAWS
@given(logs(), st.randoms(use_true_random=False))
def test_the_order_of_arrival_does_not_matter(log: tuple[LogEntry, ...], random: object) -> None:
    mixed = list(log)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    assert in_force(mixed) == in_force(log)
    assert {f.received for f in entry_faults(mixed)} == {f.received for f in entry_faults(log)}


@LAWS
@given(logs())
def test_every_chain_keeps_exactly_one_entry(log: tuple[LogEntry, ...]) -> None:
    by_id = {entry.id: entry for entry in log}

    def first(entry: LogEntry) -> str:
        while entry.replaces is not None:
            entry = by_id[entry.replaces]
        return entry.id

    kept = [first(entry) for entry in in_force(log).entries]
    assert sorted(kept) == sorted({first(entry) for entry in log})


def test_a_long_chain_of_corrections_ends() -> None:
    chain = [note("0"), *(note(str(k), 0.0, str(k - 1)) for k in range(1, 3000))]
    assert held(*reversed(chain)) == ["2999"]
    assert len(entry_faults([replace(chain[0], replaces="2999"), *chain[1:]])) == 1
