"""Readers of single values and rows: what they take, what they refuse, how values are shown."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import Fault, InputError
from planner.fields import TABLES, Kind, Presence
from planner.incident import ThreePoint
from planner.intake import (
    MAX_FAULTS,
    Intake,
    Row,
    Unfit,
    listed,
    nearest,
    printable,
    shown,
    text_fault,
)
from planner.units import Pressure, Temperature

FUZZ = settings(derandomize=True, max_examples=150, deadline=None, database=None)


def read(table: str, **raw: Any) -> tuple[Row, list[Fault]]:
    intake = Intake("file")
    return intake.row(TABLES[table], raw, "#1"), intake.faults


@pytest.mark.parametrize(
    ("table", "field", "raw", "value"),
    [
        ("patients", "transfer_min", 60, ThreePoint(60, 60, 60)),
        ("patients", "transfer_min", [60, 60, 60], ThreePoint(60, 60, 60)),
        ("patients", "transfer_min", [1, 2.5, 3], ThreePoint(1, 2.5, 3)),
        ("patients", "oxygen_from_min", [0, 0, 0], ThreePoint(0, 0, 0)),
        ("patients", "triage", "IMMEDIATE", "immediate"),
        ("patients", "tag", "  U 1 ", "U 1"),
        ("patients", "tag", "\u0915\u094d\u200d\u0937", "\u0915\u094d\u200d\u0937"),
        ("patients", "spo2", 91, 91.0),
        ("patients", "spo2_reliable", False, False),
        ("cylinders", "gauge_psi", 0, Pressure(0.0, "psi")),
        ("cylinders", "gauge_psi", 3600, Pressure(3600.0, "psi")),
        ("cylinders", "gauge_bar", 200, Pressure(200.0, "bar")),
        ("cylinders", "read_at_f", -4, Temperature(-4.0, "F")),
        ("cylinders", "count", 4.0, 4),
        ("cylinders", "tags", ["a", "b"], ("a", "b")),
        ("regulators", "settings_lpm", [2, 6], (2.0, 6.0)),
        ("places", "carry_min", {"hut": 14, "barn": 0}, (("hut", 14.0), ("barn", 0.0))),
        ("places", "carry_min", {}, ()),
        ("incident", "start", "2027-02-14T13:20:00", datetime(2027, 2, 14, 13, 20)),
        ("incident", "start", datetime(2027, 2, 14, 13, 20), datetime(2027, 2, 14, 13, 20)),
        ("incident", "approved_on", "2027-02-14", date(2027, 2, 14)),
    ],
)
def test_good_values_are_taken(table: str, field: str, raw: object, value: object) -> None:
    row, faults = read(table, **{field: raw})
    assert not [fault for fault in faults if fault.field == field]
    name = next(f.name for f in TABLES[table].fields if field in f.spellings)
    assert row.get(name) == value
    assert type(row.get(name)) is type(value)


@pytest.mark.parametrize("spelling", ["low", "high"])
def test_limits_are_inclusive_and_hold(spelling: str) -> None:
    # Every limited number field: its limit passes, a step beyond it does not.
    tried = 0
    for table in TABLES.values():
        for field in table.fields:
            limit = getattr(field, spelling)
            if limit is None or field.kind in {Kind.CARRY, Kind.NUMBERS}:
                continue
            name = field.spellings[0]
            beyond = limit + (1 if spelling == "high" else -1)
            told = [any(f.field == name for f in read(table.name, **{name: v})[1])
                    for v in (limit, beyond)]  # fmt: skip
            assert told == [False, True], (table.name, name)
            tried += 1
    assert tried > 40


def test_defaults_are_assumed_and_required_fields_are_not() -> None:
    for table in TABLES.values():
        row, faults = read(table.name)
        by = {p: {f.name for f in table.fields if f.presence is p} for p in Presence}
        assert row.assumed == by[Presence.DEFAULTED] == set(row.values)
        assert len(faults) == len(by[Presence.REQUIRED])


def test_negative_zero_is_zero() -> None:
    assert str(read("responders", from_min=-0.0)[0].get("from_min")) == "0.0"


def test_row_is_called_by_its_tag_or_number() -> None:
    assert read("patients", tag=" U1 ")[0].label == "U1"
    assert read("patients", tag="U\x1b1")[0].label == "#1"
    assert read("patients")[0].label == "#1"
    assert read("devices", **{"": "odd"})[0].label == "#1"  # a table without tags has no key


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (Pressure(1850.0, "psi"), "1850 psi"),
        (Temperature(-12.5, "C"), "-12.5 C"),
        (ThreePoint(1.0, 2.0, 3.0), "[1, 2, 3]"),
        (datetime(2027, 2, 14, 13, 20), "2027-02-14T13:20:00"),
        ((1.0, 2.0), "[1, 2]"),
        ((), "an empty list"),
        (ThreePoint(2.0, 2.0, 2.0), "2"),
        (None, "nothing"),
        (91.25, "91.25"),
        (time(13, 20), "13:20:00"),
        ([1.0, [True, "a"]], "[1, [true, 'a']]"),
        ([Row(TABLES["phases"], "#1")], "1 of them"),
        (True, "true"),
        ({"a": 1}, "a table"),
        ("a\x1b[31m\u202eb", "'a\\x1b[31m\\u202eb'"),
        pytest.param(10**5000, "a value too large to show", id="5001 digits"),
        ("x" * 100, "'" + "x" * 56 + "..."),
    ],
)
def test_values_are_shown_as_the_file_has_them(value: object, text: str) -> None:
    assert shown(value) == text


@FUZZ
@given(st.text(max_size=200))
def test_shown_text_is_printable_and_short(text: str) -> None:
    for told in (shown(text), printable(text)):
        assert told.isprintable()
        assert len(told) <= 60


@FUZZ
@given(st.text(max_size=70))
def test_text_without_a_fault_is_safe_to_print(text: str) -> None:
    if text_fault(text, 60) is None:
        assert len(text) <= 60
        assert text.strip()
        assert not any(ord(c) < 32 or 0x7F <= ord(c) < 0xA0 for c in text)
        assert not set(text) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028")
        assert text.strip()[0] not in "=+-@"
        assert text.encode()  # no lone surrogates


def test_nearest_name() -> None:
    assert nearest("trasfer_min", ["transfer_min", "tag"]) == "Did you mean transfer_min?"
    assert nearest("cga 870", ["CGA 870", "ISO 407"]) == "Did you mean CGA 870?"
    assert nearest("zebra", ["CGA 870"]) == ""
    assert nearest("x", []) == ""


def test_long_lists_are_cut() -> None:
    assert listed(["a", "b", "a"]) == "a, b"
    assert listed([str(n) for n in range(20)]) == "0, 1, 2, 3, 4, 5, 6, 7 and 12 more"
    assert listed(["a, b", "c"]) == "a, b; c"


def test_reading_ends_after_many_faults() -> None:
    intake = Intake("file")
    for number in range(MAX_FAULTS - 1):
        intake.note("patients", f"#{number}", "tag", 1, Unfit("a", "b"))
    with pytest.raises(InputError) as caught:
        intake.note("patients", "#", "tag", 1, Unfit("a", "b"))
    assert len(caught.value.faults) == MAX_FAULTS + 1
    assert "Mend these first" in caught.value.faults[-1].mend
