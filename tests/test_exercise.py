"""The exercise's clock and injects: by hand, and laws."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.exercise.clock import (
    SLEEP_S,
    SPEEDS,
    Clock,
    at_speed,
    minute_at,
    paused,
    rewound,
    seen,
    started,
)
from planner.exercise.injects import (
    AFTER,
    NO_ENTRY,
    WITHOUT,
    Condition,
    Facts,
    Inject,
    due,
    following,
)
from planner.exercise.library import BLANKS, load_library
from planner.journal.events import LogEntry, Note, Requested

NOON = datetime(2027, 2, 14, 12, 0, tzinfo=UTC)
LAW = settings(derandomize=True, deadline=None, max_examples=80)


def after(minutes: float) -> datetime:
    return NOON + timedelta(minutes=minutes)


# ----- clock -----------------------------------------------------------------------------------


def test_clock_by_hand() -> None:
    clock = started(Clock(), NOON)
    assert minute_at(clock, after(7)) == pytest.approx(7)
    assert started(clock, after(3)) == clock  # one that runs goes on
    fast = at_speed(clock, after(10), 5.0)
    assert minute_at(fast, after(12)) == pytest.approx(20)
    stopped = paused(fast, after(12))
    assert not stopped.is_running
    assert minute_at(stopped, after(90)) == pytest.approx(20)
    again = started(stopped, after(90))
    assert minute_at(again, after(91)) == pytest.approx(25)
    back = rewound(again, after(91), 8.0)
    assert (back.is_running, minute_at(back, after(99)), back.speed) == (False, 8.0, 5.0)
    assert minute_at(clock, NOON - timedelta(minutes=5)) == 0.0  # a time of day set back


def test_after_a_sleep_it_stands_where_it_was_seen() -> None:
    clock = started(Clock(), NOON)
    awake = seen(clock, after(10), after(10) + timedelta(seconds=SLEEP_S - 1))
    assert awake == clock
    slept = seen(clock, after(10), after(200))
    assert not slept.is_running
    assert minute_at(slept, after(300)) == pytest.approx(10)
    assert seen(paused(clock, after(4)), after(4), after(400)).minute == pytest.approx(4)


def test_what_is_not_offered() -> None:
    with pytest.raises(ValueError, match="speed is 3"):
        at_speed(Clock(), NOON, 3.0)
    with pytest.raises(ValueError, match=r"allowed: 0 to 5\.0"):
        rewound(Clock(5.0), NOON, 6.0)


@LAW
@given(st.lists(st.tuples(st.sampled_from(["go", "stop", *SPEEDS]), st.floats(0, 50)), max_size=8))
def test_it_never_goes_back_and_a_pause_costs_nothing(steps: list[tuple[object, float]]) -> None:
    clock, now, shown = Clock(), 0.0, 0.0
    for what, wait in steps:
        now += wait
        assert minute_at(clock, after(now)) >= shown - 1e-9
        shown = minute_at(clock, after(now))
        if what == "go":
            clock = started(clock, after(now))
        elif what == "stop":
            clock = paused(clock, after(now))
        else:
            clock = at_speed(clock, after(now), float(str(what)))
        assert minute_at(clock, after(now)) == pytest.approx(shown)


# ----- injects ---------------------------------------------------------------------------------


def inject(number: int, **more: object) -> Inject:
    return Inject(number, f"text {number}", "dispatch", "leader", **more)  # type: ignore[arg-type]


def numbers(injects: list[Inject], facts: Facts, done: tuple[int, ...] = ()) -> list[int]:
    return [i.number for i in due(injects, facts, done, {})]


def test_by_the_clock_held_and_done() -> None:
    rows = [inject(2, at_min=10.0), inject(1, at_min=10.0), inject(3, at_min=20.0)]
    assert numbers(rows, Facts(9.9)) == []
    assert numbers(rows, Facts(10.0)) == [1, 2]
    assert numbers(rows, Facts(25.0), (1, 3)) == [2]
    assert [i.number for i in due(rows, Facts(25.0), (), {2: 30.0})] == [1, 3]
    later = following(rows, 10.0, ())
    assert later is not None
    assert later.number == 3
    assert following(rows, 10.0, (3,)) is None


def test_no_request_by_minute_thirty() -> None:
    rows = [inject(1, condition=Condition(NO_ENTRY, 30.0, "requested"))]
    asked = LogEntry("a", 28.0, Requested("4 E"))
    assert numbers(rows, Facts(29.9)) == []
    assert numbers(rows, Facts(30.0)) == [1]
    assert numbers(rows, Facts(31.0, (asked,))) == []
    # Asked at 31, too late for it; and an entry taken back is as if it had not been written.
    assert numbers(rows, Facts(31.0, (LogEntry("a", 31.0, Requested("4 E")),))) == [1]
    mended = LogEntry("b", 28.0, Note(), note="only thought of", replaces="a")
    assert numbers(rows, Facts(31.0, (asked, mended))) == [1]


def test_after_an_entry_and_when_somebody_is_without() -> None:
    rows = [
        inject(1, condition=Condition(AFTER, 5.0, "requested")),
        inject(2, condition=Condition(WITHOUT, 4.0)),
    ]
    asked = (LogEntry("a", 10.0, Requested("4 E")),)
    assert numbers(rows, Facts(14.9, asked)) == []
    assert numbers(rows, Facts(15.0, asked)) == [1]
    assert numbers(rows, Facts(12.0, asked, (("A1", 3.9), ("A2", 0.0)))) == []
    assert numbers(rows, Facts(12.0, asked, (("A1", 4.0),))) == [2]


@LAW
@given(
    st.lists(st.floats(0, 60), min_size=1, max_size=6),
    st.lists(st.floats(0, 20), min_size=1, max_size=12),
    st.lists(st.floats(0, 60), max_size=3),
)
def test_each_fires_once(at: list[float], steps: list[float], asked: list[float]) -> None:
    rows = [inject(k, at_min=minute) for k, minute in enumerate(at)]
    rows.append(inject(99, condition=Condition(NO_ENTRY, 30.0, "requested")))
    log = tuple(LogEntry(f"e{k}", minute, Requested("4 E")) for k, minute in enumerate(asked))
    fired: list[int] = []
    minute = 0.0
    for step in steps:
        minute += step
        fired += [i.number for i in due(rows, Facts(minute, log), fired, {})]
    assert len(fired) == len(set(fired))
    assert {k for k, m in enumerate(at) if m <= minute} == set(fired) - {99}
    assert (99 in fired) == (minute >= 30 and not any(m <= 30 for m in asked))


# ----- library ---------------------------------------------------------------------------------


def test_library_is_whole() -> None:
    library = load_library()
    assert len(library) == 13
    for sample in library.values():
        assert sample.text.endswith((".", "?"))
        assert sample.expected.endswith(".")
        assert sample.blanks <= BLANKS
        filled = sample.filled({"patient": "A1", "cylinder": "D-01", "place": "hut"})
        assert not filled.blanks
        assert "{" not in filled.text


def test_a_blank_must_be_filled_and_text_stays_text() -> None:
    sample = load_library()["gauge reads 300"]
    with pytest.raises(KeyError, match="cylinder"):
        sample.filled({"place": "hut"})
    # A tag that looks like a blank is no blank.
    filled = sample.filled({"cylinder": "{place}", "place": "hut"})
    assert filled.text.startswith("{place} was said")
