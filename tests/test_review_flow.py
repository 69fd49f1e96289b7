"""The true flow from noisy gauges: its interval covers, and is nearly an oracle's; leaks seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.gas import content_l, gauge_for_content
from planner.journal.events import Connected, GaugeRead, LogEntry
from planner.review.report import review_of
from planner.review.steady_flow import Point, steady_flow
from planner.review.telling import flow_lines
from planner.review.walking import TrueFlow, walk
from tests.bench.leak_detection import share_seen, words
from tests.test_review_findings import AIR_C, FULL_L, VOLUME_L, psi, stock
from tests.test_review_report import shipped

RUNS = 500
SD_PSI = 50.0
ONE = replace(stock(), cylinders=stock().cylinders[:1])


def oracle(true_l: np.ndarray, minutes: np.ndarray) -> float:
    """Half the interval of one who knows each gauge's true error in litres: least squares."""
    true_psi = np.array([gauge_for_content(VOLUME_L, v, AIR_C) for v in true_l], dtype=float)
    slope = content_l(VOLUME_L, true_psi + 1.0, AIR_C) - content_l(VOLUME_L, true_psi, AIR_C)
    weights = 1.0 / (SD_PSI * np.asarray(slope, dtype=float)) ** 2
    mean = (weights @ minutes) / weights.sum()
    return float(1.959964 / np.sqrt(weights @ (minutes - mean) ** 2))


@pytest.mark.parametrize("num_gauges", [2, 5])
def test_cover_and_width_against_an_oracle(num_gauges: int) -> None:
    """500 logs: cover from 458 to 489, and on average at most 1.2 times an oracle's interval.

    At a true 95 % the count has mean 475 and sd 4.9: a sound estimate falls outside once in 500;
    the seed is fixed.
    """
    rng = np.random.default_rng(458_489 + num_gauges)
    minutes = np.linspace(0.0, 30.0, num_gauges)
    hits, ours, theirs = 0, 0.0, 0.0
    for _ in range(RUNS):
        flow, written = rng.uniform(6.0, 12.0), float(rng.choice([6.0, 8.0, 10.0, 12.0]))
        true_l = FULL_L - flow * minutes
        read = gauge_for_content(VOLUME_L, true_l, AIR_C) + SD_PSI * rng.standard_normal(num_gauges)
        # The list has the gauge that was read at the connection: one reading, not two.
        bottle = replace(ONE.cylinders[0], gauge=psi(read[0]))
        kit = replace(ONE, cylinders=(bottle,))
        rows = [LogEntry("0", 0.0, Connected("A1", "H-1", None, "mask", written, psi(read[0])))]
        rows += [
            LogEntry(str(k), float(minutes[k]), GaugeRead(psi(max(0.0, read[k])), "H-1"))
            for k in range(1, num_gauges)
        ]
        found = walk(rows, kit).readings[-1].flow
        assert found is not None
        hits += found.low_lpm <= flow <= found.high_lpm
        ours += found.high_lpm - found.low_lpm
        theirs += 2.0 * oracle(true_l, minutes)
    print(f"{num_gauges} gauges: covered {hits} of {RUNS}, {ours / theirs:.3f} of an oracle's")
    assert 458 <= hits <= 489
    assert ours <= 1.2 * theirs


def test_a_line_through_gauges_by_hand() -> None:
    # 100 L for 100 written, twice: the slope is 1, its sd 1 / sqrt(sum of squares about 100).
    points = [Point(0.0, 300.0, 5.0), Point(100.0, 200.0, 5.0), Point(200.0, 100.0, 5.0)]
    found = steady_flow(points)
    assert found is not None
    share, low, high = found
    assert share == pytest.approx(1.0)
    assert (high - low) / 2 == pytest.approx(1.959964 * 5.0 / 20_000**0.5)
    # Half as much again flowed: the share says so. Minutes that may be off make it wider.
    more = steady_flow([replace(p, held_l=300.0 - 1.5 * p.written_l) for p in points])
    assert more is not None
    assert more[0] == pytest.approx(1.5)
    wide = steady_flow(points, timing_l2=100.0)
    assert wide is not None
    assert wide[2] - wide[1] > high - low
    # No one line through them, too few, or nothing written: none.
    assert steady_flow([*points[:2], replace(points[2], held_l=150.0)]) is None
    assert steady_flow(points[:2]) is None
    assert steady_flow([replace(p, written_l=0.0) for p in points]) is None


def test_a_leak_is_seen_where_it_can_be() -> None:
    """60 logs a cell, of the table that tests/bench/leak_detection.py prints.

    The review's false alarm is 2.5 in 100 by its making: more than 9 of 60 come once in 250,000.
    5 L/min beside 4 is some twelve standard deviations of the dial away; 1 beside 15 not one.
    """
    assert share_seen(60, 5.0, 4.0, 10.0) > 0.95
    little, none = (share_seen(60, leak, 15.0, 10.0) for leak in (1.0, 0.0))
    assert none <= 9 / 60
    assert little < 0.5
    assert words(little, 1.0, none) == f"can't tell ({100 * little:.0f})"
    assert "false" in words(none, 0.0, none)
    assert words(0.6, 1.0, 0.5).startswith("can't tell")  # as often without a leak
    assert words(0.6, 1.0, 0.2) == "60 %"


def test_what_a_cylinder_gave_and_which_leak_would_not_be_seen() -> None:
    incident, journal = shipped("hallimoor-rib")
    told = {line.partition(":")[0]: line for line in flow_lines(review_of(journal, incident))}
    assert "more than errors of gauges and dial explain" in told["H-04"]
    assert "no leak seen; one under about" in told["H-06"]
    assert "H-08" not in told  # found empty: at least so much, no more is known
    # By hand: 95 % of gauge and dial errors together, 1.96 of 10 % of 10 and 2 L/min.
    flow = TrueFlow(0.0, 1900.0, 12.0, 10.0, 15.0, 13.0, 17.0)
    assert flow.seen_from(0.10) == pytest.approx((2.0**2 + 1.959964**2) ** 0.5)
    assert flow.extra_lpm == 5.0
