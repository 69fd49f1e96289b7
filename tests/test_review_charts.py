"""Charts of a review: gaps in the record look otherwise than gaps in oxygen; litres by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from planner.files import read_incident
from planner.gas import content_l
from planner.journal.events import (
    CylinderEmpty,
    Disconnected,
    LogEntry,
    Requested,
    ResupplyArrived,
    Swapped,
)
from planner.journal.files import entries_from_csv
from planner.journal.replaying import replay
from planner.journal.stock import stock_of
from planner.report.chart_parts import Spec, as_table, svg_of
from planner.review.chart_axis import DASHES, FILLS, KINDS, ON, SILENT, WITHOUT
from planner.review.charts import MOST_PEOPLE, review_charts
from planner.review.findings import Findings, find
from planner.review.gauge_course import gauge_courses
from planner.review.supply_chart import supply_of
from tests.test_review_findings import AIR_C, FULL_L, VOLUME_L, log, on, psi, read, stock
from tests.test_review_report import START

SCENARIOS = Path(__file__).parents[1] / "scenarios"
SILENT_ROWS = ((0, on(flow_lpm=6.0)), (10, Disconnected("A1")), (14, on("H-2", 6.0)),
               (50, read(216.0, "H-2")), (52, read(228.0, "H-2")))  # fmt: skip


def shipped(name: str) -> tuple[Findings, tuple[LogEntry, ...]]:
    incident = read_incident(SCENARIOS / f"{name}.toml").incident
    text = (SCENARIOS / f"{name}-log.csv").read_bytes().decode("utf-8")
    entries = entries_from_csv(text, incident.start)
    return find(entries, stock_of(incident), incident), entries


def charts(facts: Findings) -> list[Spec]:
    return list(review_charts(facts, START))


def values(spec: Spec, mark: str) -> list[list[dict[str, Any]]]:
    return [x["data"]["values"] for x in spec["layer"] if x["mark"]["type"] == mark]


def lightness(colour: str) -> float:
    return sum(int(colour[k : k + 2], 16) for k in (1, 3, 5)) / 765


def test_gaps_of_both_kinds_look_apart_without_colour() -> None:
    people, cylinders, _ = charts(find(log(*SILENT_ROWS), stock()))
    bars = values(people, "rect")[0]
    assert {b["kind"] for b in bars} == set(KINDS)
    spans = {b["kind"]: (b["at"], b["to"]) for b in bars if b["kind"] != ON}
    # Slanted lines fill the minutes 14 to 50 of which nothing is written, and no others.
    (hatch,) = values(people, "rule")
    assert min(line["at"] for line in hatch) == spans[SILENT][0]
    assert max(line["to"] for line in hatch) == spans[SILENT][1]
    assert len(hatch) > 10
    assert len(values(cylinders, "rule")[-1]) > 10
    # Printed black and white: dark, light and white with a dashed edge; each said in the legend.
    shades = [lightness(fill) for fill in FILLS]
    assert min(abs(a - b) for k, a in enumerate(shades) for b in shades[:k]) > 0.1
    assert DASHES[KINDS.index(SILENT)] not in [DASHES[KINDS.index(k)] for k in (ON, WITHOUT)]
    svg = svg_of(people)
    assert all(word in svg for word in KINDS)
    assert "nothing written" in svg
    told = {row[3] for row in as_table(people).rows}
    assert {"on oxygen, by the record", "WITHOUT OXYGEN, by the record",
            "gap in the record"} <= told  # fmt: skip


def test_a_record_without_gaps_has_no_hatching() -> None:
    # The twin: a gauge at 30, and nothing is silent.
    rows = (*SILENT_ROWS[:3], (30, read(96.0, "H-2")), *SILENT_ROWS[3:])
    people = charts(find(log(*rows), stock()))[0]
    assert values(people, "rule") == [[]]
    assert SILENT not in {b["kind"] for b in values(people, "rect")[0]}


def test_swaps_stand_with_their_gauges_and_odd_readings_with_theirs() -> None:
    facts, _ = shipped("hallimoor-rib")
    people, cylinders, supply = charts(facts)
    words = [v["word"] for layer in values(people, "text") for v in layer if "word" in v]
    assert "706~ > 1900 psi" in words
    assert "277~ > 1900~ psi" in words  # neither was read
    said = [v["word"] for layer in values(cylinders, "text") for v in layer if "word" in v]
    assert {"1190!", "830!", "0!"} <= set(said)
    rows = as_table(cylinders).rows
    assert sum(row[5].startswith("no") for row in rows) == len(facts.misfits)
    marks = [v["word"] for layer in values(supply, "text") for v in layer]
    assert {"requested 15:05", "needed by 14:58", "came 15:27"} <= set(marks)


@pytest.mark.parametrize("name", ["hallimoor-rib", "brennick-saddle"])
def test_the_line_is_what_replay_expects(name: str) -> None:
    facts, entries = shipped(name)
    minutes = [7.5 * k for k in range(int(facts.end_min / 7.5) + 1)]
    courses = gauge_courses(facts.entries, facts.stock, minutes)
    seen = 0
    for minute in minutes:
        state = replay(entries, facts.stock, minute)
        for row in state.cylinders:
            if row.status != "connected" or row.expected is None:
                continue
            (point,) = [p for p in courses[row.tag] if p.at_min == minute][-1:]
            assert point.gauge_psi == pytest.approx(row.expected.gauge_psi)
            assert point.low_psi == pytest.approx(row.expected.low_psi)
            seen += 1
    assert seen > 20


def test_litres_by_hand() -> None:
    # 10 L/min from 0, empty at 12, on again at 16 to 30: 300 L wanted, the four minutes without
    # among them. Three full cylinders are there, a fourth from minute 20; H-1 empty: none left.
    kit = stock()
    late = replace(kit.cylinders[0], tag="H-9", place=None)
    kit = replace(kit, cylinders=(*kit.cylinders, late))
    rows = ((0, on()), (12, CylinderEmpty("H-1")), (16, Swapped("A1", "H-2", "H-1")),
            (18, Requested("more")), (20, ResupplyArrived(("H-9",))),
            (26, Swapped("A1", "H-3", "H-2")), (30, read(40.0, "H-3")))  # fmt: skip
    facts = find(log(*rows), kit)
    minutes = (0.0, 12.0, 16.0, 19.0, 20.0, 26.0, 30.0)
    found = supply_of(facts, minutes, gauge_courses(facts.entries, kit, minutes))
    assert found.needed_l == pytest.approx((0, 120, 160, 190, 200, 260, 300))
    usable = FULL_L - float(content_l(VOLUME_L, 500.0, AIR_C))
    assert found.there_l == pytest.approx([3 * usable] * 4 + [4 * usable] * 3)
    left = usable - 100.0  # H-2 gave 10 min
    assert found.used_l[4:] == pytest.approx([4 * usable, 4 * usable - left, 4 * usable - left])
    # The twin: a flow that nobody wrote down is not guessed.
    bare = find(log((0, replace(on(), flow_lpm=None)), (30, Disconnected("A1"))), kit)
    none = supply_of(bare, minutes, {})
    assert none.needed_l[-1] == 0.0
    assert none.unwritten_min == 30.0


def test_many_people_share_charts_and_an_empty_log_has_none() -> None:
    assert review_charts(find((), stock()), START) == ()
    rows = [LogEntry(f"e{k}", 1.0, replace(on(), patient=f"P{k}", cylinder=f"X-{k}"))
            for k in range(MOST_PEOPLE + 1)]  # fmt: skip
    rows.append(LogEntry("z", 20.0, Disconnected("P1")))
    made = charts(find(rows, stock()))
    assert len(made) == 2 + 2 + 1


def test_hostile_tags_are_text() -> None:
    bad = "<script>x</script>&{{7*7}}"
    rows = [LogEntry("e1", 0.0, replace(on(), patient=bad, cylinder=bad, gauge=psi(1900))),
            LogEntry("e2", 60.0, read(100.0, bad), note=bad)]  # fmt: skip
    for spec in charts(find(rows, stock())):
        assert "<script" not in svg_of(spec)
