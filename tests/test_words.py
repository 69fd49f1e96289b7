"""Chances, shares, clock times and lists in words: honest, monotone, never more than is known."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.estimate import Estimate, chance
from planner.report.words import (
    chance_in_words,
    counted,
    joined,
    minutes,
    percent,
    pressure,
    runs,
    share,
    when,
)
from planner.units import Pressure

quick = settings(derandomize=True, max_examples=300, deadline=None)
START = datetime(2027, 1, 23, 16, 35)


def hits(count: int, samples: int) -> Estimate:
    return chance(np.arange(samples) < count)


@st.composite
def counts(draw: st.DrawFn) -> tuple[int, int]:
    samples = draw(st.sampled_from([100, 101, 1000, 2000, 20_000]))
    return draw(st.integers(0, samples)), samples


def spoken(words: str) -> float:
    """The share that the words say; the bound, where they say less or more than one."""
    found = re.search(r"(\d+) in ([\d,]+)", words)
    if found is None:
        assert words.startswith("certain (in all ")
        return 1.0
    return int(found[1]) / int(found[2].replace(",", ""))


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.0714, "about 1 in 14"),
        (1 / 60, "about 1 in 60"),
        (1 / 61, "about 1 in 61"),
        (1 / 1234, "about 1 in 1,200"),
        (0.5, "about 1 in 2"),
        (0.34, "about 1 in 3"),
        (0.93, "about 9 in 10"),
        (0.951, "almost certain (more than 19 in 20)"),
        (0.99995, "almost certain (more than 19 in 20)"),
        (1.0, "certain (in all 20,000 samples)"),
        (0.0, "less than 1 in 5,200 (never in 20,000 samples)"),
    ],
)
def test_chance_in_words(value: float, words: str) -> None:
    # Wilson's upper end at 0 of n is z^2 / (n + z^2) = 3.8415 / 20003.8: 1 in 5207, cut to 5,200.
    high = 3.841458820694124 / 20_003.841458820694
    assert chance_in_words(Estimate(value, value, max(value, high), 20_000)) == words


@quick
@given(counts())
def test_words_stay_near_the_share_and_never_name_nonsense(given_counts: tuple[int, int]) -> None:
    count, samples = given_counts
    words = chance_in_words(hits(count, samples))
    assert not re.search(r"in [01](?![\d,])|\b0 in", words)
    said = spoken(words)
    if count == 0:
        # Less than so many: true of the upper end of the interval, with every sample told.
        assert words.startswith("less than 1 in ")
        assert f"never in {samples:,} samples" in words
        assert said >= hits(0, samples).high * (1 - 1e-12)
        assert said <= 1.2 * hits(0, samples).high
    elif count == samples:
        assert words == f"certain (in all {samples:,} samples)"
    elif count > 0.95 * samples:
        assert words == "almost certain (more than 19 in 20)"
    else:
        # Two digits of 1 in so many are within 5 % from 20 on; under that and for the plain
        # fractions the step to the neighbour is at most a fifth.
        assert said == pytest.approx(count / samples, rel=0.2)


@quick
@given(counts(), st.integers(0, 20_000))
def test_words_are_monotone(given_counts: tuple[int, int], other: int) -> None:
    count, samples = given_counts
    more, fewer = sorted([max(1, count), max(1, min(other, samples))], reverse=True)
    assert spoken(chance_in_words(hits(more, samples))) >= spoken(
        chance_in_words(hits(fewer, samples))
    )


def test_monotone_over_the_whole_scale() -> None:
    said = [spoken(chance_in_words(hits(k, 2000))) for k in range(1, 2001)]
    assert all(a <= b for a, b in pairwise(said))
    assert len(set(said)) > 60  # it does tell shares apart


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"), (1.0, "100"), (0.0004, "<0.1"), (0.0006, "0.1"), (0.071, "7.1"),
        (0.0994, "9.9"), (0.0996, "10"), (0.104, "10"), (0.5, "50"), (0.989, "99"),
        (0.993, "99.3"), (0.9995, ">99.9"), (0.9996, ">99.9"),
    ],
)  # fmt: skip
def test_share(value: float, text: str) -> None:
    assert share(value) == text


@quick
@given(counts())
def test_only_all_reads_100_and_only_none_reads_0(given_counts: tuple[int, int]) -> None:
    count, samples = given_counts
    text = share(count / samples)
    assert (text == "0") == (count == 0)
    assert (text == "100") == (count == samples)


def test_percent_has_the_interval() -> None:
    assert percent(Estimate(0.071, 0.068, 0.075, 20_000)) == "7.1 % (6.8-7.5)"
    assert percent(hits(1000, 1000)) == "100 % (99.6-100)"
    assert percent(hits(0, 1000)) == "0 % (0-0.4)"


@pytest.mark.parametrize(
    ("minutes", "text"),
    [
        (0.0, "16:35"),
        (0.999, "16:35"),  # cut, never rounded up: the safe side
        (1.0, "16:36"),
        (7 * 60 + 24.99, "23:59"),
        (7 * 60 + 25.0, "00:00 (+1 day)"),
        (7 * 60 + 25 - 1e-7, "00:00 (+1 day)"),  # float noise, on clock and day alike
        (24 * 60 + 7 * 60 + 25.0, "00:00 (+2 days)"),
    ],
)
def test_when(minutes: float, text: str) -> None:
    assert when(START, minutes) == text


@quick
@given(st.floats(0, 10_080))
def test_clock_is_never_later_than_the_true_time(minutes: float) -> None:
    text = when(START, minutes)
    days = re.search(r"\+(\d+) day", text)
    shown = datetime.combine(START.date(), datetime.strptime(text[:5], "%H:%M").time())
    shown += timedelta(days=int(days[1]) if days else 0)
    gap = START + timedelta(minutes=minutes) - shown
    assert -timedelta(seconds=0.001) <= gap < timedelta(minutes=1)


@pytest.mark.parametrize(
    ("words", "text"),
    [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")],
)
def test_joined(words: list[str], text: str) -> None:
    assert joined(words) == text
    assert joined(iter(words)) == text


def test_counted() -> None:
    assert [counted(n, "cylinder") for n in (0, 1, 3)] == [
        "0 cylinders", "1 cylinder", "3 cylinders"
    ]  # fmt: skip
    assert counted(2, "person", "people") == "2 people"


def test_minutes() -> None:
    assert [minutes(m) for m in (0.0, 0.2, 0.6, 9.4, 1032.0)] == [
        "0 min", "<1 min", "1 min", "9 min", "1,032 min"
    ]  # fmt: skip


def test_pressure() -> None:
    assert pressure(Pressure(500.0, "psi"), is_bar=False) == "500 psi"
    assert pressure(Pressure(500.0, "psi"), is_bar=True) == "34 bar"


@pytest.mark.parametrize(
    ("tags", "text"),
    [
        ([], []),
        (["D-01", "D-02"], ["D-01", "D-02"]),  # two are no shorter as a run
        (["D-01", "D-02", "D-03"], ["D-01 to D-03"]),
        (["D-09", "D-10", "D-11"], ["D-09 to D-11"]),
        (["D-1", "D-02", "D-3"], ["D-1", "D-02", "D-3"]),  # other digits: other tags
        (["D-03", "D-02", "D-01"], ["D-03", "D-02", "D-01"]),  # the list's order counts
        (["D-01", "E-02", "E-03", "E-04", "D-02"], ["D-01", "E-02 to E-04", "D-02"]),
        (["red", "reds"], ["red", "reds"]),
        (["7", "8", "9", "10"], ["7 to 10"]),
    ],
)
def test_runs(tags: list[str], text: list[str]) -> None:
    assert list(runs(tags)) == text


@quick
@given(st.lists(st.builds("{}-{:02d}".format, st.sampled_from("DE"), st.integers(1, 12)),
                unique=True))  # fmt: skip
def test_runs_lose_nothing_and_keep_the_order(tags: list[str]) -> None:
    back: list[str] = []
    for part in runs(tags):
        first, _, last = part.partition(" to ")
        head, low = first.split("-")
        high = (last or first).split("-")[1]
        back += [f"{head}-{n:02d}" for n in range(int(low), int(high) + 1)]
    assert back == tags
