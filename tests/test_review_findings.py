"""Findings of a review, each argued by hand, and twins that must differ."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given

from planner.files import read_incident
from planner.gas import content_l, gauge_for_content
from planner.incident import Cylinder, Incident, Regulator
from planner.journal.events import (
    Connected,
    CylinderEmpty,
    DelayAnnounced,
    Disconnected,
    Event,
    GaugeRead,
    LogEntry,
    Requested,
    ResupplyArrived,
    Swapped,
    in_order,
)
from planner.journal.files import entries_from_csv
from planner.journal.reading_log import raw_log, read_logs
from planner.journal.replaying import replay
from planner.journal.stock import Stock, stock_of
from planner.review.findings import Findings, find, gauge_off_psi
from planner.review.misfits import Misfit
from planner.units import Pressure, Temperature
from tests.journal_logs import LAWS, logs

SCENARIOS = Path(__file__).parents[1] / "scenarios"
AIR_C = -7.0
VOLUME_L = 2.89  # aluminium D
FULL_L = float(content_l(VOLUME_L, 1900.0, AIR_C))
DIAL = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0)


def psi(value: float) -> Pressure:
    return Pressure(float(value), "psi")


def gauge_after(litres: float) -> Pressure:
    """What a full cylinder reads once so much has gone."""
    return psi(float(gauge_for_content(VOLUME_L, FULL_L - litres, AIR_C)))


def stock(dial: tuple[float, ...] = DIAL) -> Stock:
    return Stock(
        cylinders=tuple(
            Cylinder(tag, "aluminium D", psi(1900), Temperature(AIR_C, "C"), "CGA 870", VOLUME_L,
                     0.193, (), "rib")
            for tag in ("H-1", "H-2", "H-3")
        ),
        regulators=(Regulator("R-1", "CGA 870", dial, 1, "rib"),),
        air_temperature=Temperature(AIR_C, "C"),
    )  # fmt: skip


def log(*rows: tuple[float, Event], note: str | None = None) -> list[LogEntry]:
    return [
        LogEntry(f"e{n}", float(minute), event, note=note if isinstance(event, Swapped) else None)
        for n, (minute, event) in enumerate(rows, 1)
    ]


def on(tag: str = "H-1", flow_lpm: float = 10.0) -> Connected:
    return Connected("A1", tag, "R-1", "non-rebreather", flow_lpm, psi(1900))


def found(*rows: tuple[float, Event], dial: tuple[float, ...] = DIAL, **more: Any) -> Findings:
    return find(log(*rows, **more), stock(dial))


def read(litres: float, tag: str = "H-1") -> GaugeRead:
    return GaugeRead(gauge_after(litres), tag)


def grades(misfit: Misfit) -> dict[str, str]:
    return {e.cause: e.grade for e in misfit.explanations}


# ----- true flow --------------------------------------------------------------------------------


def test_true_flow_is_litres_over_minutes() -> None:
    # 180 L gone in 12 min at a written 10: 15 L/min flowed. Gauge errors of 50 psi at both ends are
    # 50 x (FULL_L - content at 1850) / 50 litres each, near enough; two of them, 1.96 of both.
    misfit = found((0, on()), (12, read(180.0))).misfits[0]
    flow = misfit.flow
    assert flow is not None
    assert flow.lpm == pytest.approx(15.0, abs=1e-6)
    assert flow.written_lpm == pytest.approx(10.0)
    sd_l = FULL_L - float(content_l(VOLUME_L, 1850.0, AIR_C))
    assert flow.high_lpm - flow.lpm == pytest.approx(1.96 * sd_l * 2**0.5 / 12.0, rel=0.05)
    assert not flow.is_as_written
    assert misfit.side == "lower"


def test_what_fits_is_no_misfit() -> None:
    # The twin: 120 L in 12 min is what is written.
    facts = found((0, on()), (12, read(120.0)))
    assert facts.misfits == ()
    flow = facts.readings[-1].flow
    assert flow is not None
    assert flow.is_as_written


# ----- explanations -----------------------------------------------------------------------------


def test_a_leak_that_ended_with_the_washer() -> None:
    # 15 flow at a written 10, twice alike; the next cylinder gives its 10.
    rows = ((0, on()), (12, read(180.0)), (18, read(270.0)),
            (21, Swapped("A1", "H-2", "H-1", gauge=psi(1900))),
            (41, read(200.0, "H-2")))  # fmt: skip
    facts = found(*rows, note="old washer torn, changed")
    first = facts.misfits[0]
    assert grades(first)["leak"] == "fits well"
    assert grades(first)["wrong setting"] == "fits well"  # 15 is on the dial: no verdict
    assert grades(first)["misread"] == "hardly"
    assert [w.kind for w in facts.went_well].count("leak ended") == 1
    # The twin: the next cylinder loses as much, so nothing ended.
    still = found(*rows[:-1], (41, read(300.0, "H-2")), note="old washer torn, changed")
    assert "leak ended" not in {w.kind for w in still.went_well}


def test_a_setting_that_the_dial_does_not_have() -> None:
    # 15 L/min flowed; a dial that ends at 12 has nothing in 13.1 to 16.9.
    rows = ((0, on()), (18, read(270.0)))
    assert grades(found(*rows).misfits[0])["wrong setting"] == "fits well"
    short = found(*rows, dial=(2.0, 6.0, 10.0, 12.0)).misfits[0]
    assert grades(short)["wrong setting"] == "hardly"


def test_one_reading_that_the_next_contradicts_was_misread() -> None:
    facts = found((0, on()), (10, read(250.0)), (12, read(120.0)))
    first, second = facts.misfits
    assert first.explanations[0].cause == "misread"
    assert grades(first)["leak"] == "hardly"
    assert second.explanations[0].why == "the reading before it was off, not this one"
    assert not first.is_of_flow
    # The twin: the next one bears it out.
    borne = found((0, on()), (10, read(250.0)), (12, read(300.0))).misfits[0]
    assert grades(borne)["misread"] == "hardly"
    assert borne.is_of_flow


def test_another_tag_is_named_where_its_gauge_fits() -> None:
    # H-2 gave 6 L/min for 20 min; "H-1" at minute 20 reads just that: 120 L, not 200.
    other = Connected("A2", "H-2", None, "mask", 6.0, psi(1900))
    facts = found((0, on()), (0, other), (20, read(120.0)))
    tag = next(e for e in facts.misfits[0].explanations if e.cause == "wrong tag")
    assert tag.grade == "fits well"
    assert "H-2" in tag.speaks_for[0]
    alone = found((0, on()), (20, read(120.0)))
    assert grades(alone.misfits[0])["wrong tag"] == "hardly"


def test_cold_needs_a_temperature_that_can_be() -> None:
    # 200 L more than written in ten minutes: less than half the gauge, colder than -50 C.
    far = found((0, on()), (10, read(300.0))).misfits[0]
    assert grades(far)["cold"] == "hardly"
    # 61 L more of 464 L: a cylinder read at 1900 psi at about 19 C holds so much less.
    start = Connected("A1", "H-1", "R-1", "mask", 10.0)
    warm = found((0, start), (12, read(181.0))).misfits
    cold = next(e for e in warm[0].explanations if e.cause == "cold")
    assert "first gauge was read at about 19 C" in cold.why
    assert cold.grade == "possible"
    # The twin: it had been read at the connection, out there, and agreed.
    read_first = found((0, on()), (12, read(181.0))).misfits[0]
    assert grades(read_first)["cold"] == "hardly"


# ----- gaps, swaps, requests --------------------------------------------------------------------


def kinds(facts: Findings, tag: str = "A1") -> list[tuple[str, float, float | None]]:
    row = next(t for t in facts.patients if t.tag == tag)
    return [(s.kind, s.from_min, s.until_min) for s in row.stretches]


def test_gaps_in_the_record_stand_apart_from_gaps_in_oxygen() -> None:
    rows = ((0, on(flow_lpm=6.0)), (10, Disconnected("A1")), (14, on("H-2", 6.0)),
            (50, read(216.0, "H-2")), (52, read(228.0, "H-2")))  # fmt: skip
    assert kinds(found(*rows)) == [
        ("on oxygen", 0, 10), ("without by the record", 10, 14), ("record silent", 14, 50),
        ("on oxygen", 50, None),
    ]  # fmt: skip
    # The twin: a reading in between, and the record is not silent.
    more = (*rows[:3], (30, read(96.0, "H-2")), *rows[3:])
    assert [k for k, _, _ in kinds(found(*more))] == [
        "on oxygen", "without by the record", "on oxygen",
    ]  # fmt: skip


def test_without_by_the_record_though_it_is_silent() -> None:
    # Taken off at 10, put on at 50, no word between: an entry says "without", so it is that. The
    # silence is told beside it as a gap in the record.
    facts = found((0, on()), (10, Disconnected("A1")), (50, on("H-2")), (52, read(20.0, "H-2")))
    assert kinds(facts)[1] == ("without by the record", 10, 50)
    assert [(g.from_min, g.until_min) for g in facts.record_gaps] == [(10, 50)]


def test_swap_with_gauges_and_what_was_left() -> None:
    # 10 L/min for 34 min leave FULL_L - 340; 200 psi hold content_l(200).
    facts = found((0, on()), (34, Swapped("A1", "H-2", "H-1", gauge=psi(1880))))
    swap = facts.swaps[0]
    residual = float(content_l(VOLUME_L, 200.0, AIR_C))
    assert swap.left_l == pytest.approx(FULL_L - 340.0 - residual, abs=0.01)
    assert gauge_off_psi(swap) == pytest.approx(gauge_after(340.0).psi, abs=0.1)
    assert (swap.on_psi, swap.is_on_read) == (1880.0, True)
    assert facts.swaps_late == ()  # about 537 psi
    late = found((0, on()), (36, Swapped("A1", "H-2", "H-1")))  # about 450 psi
    assert len(late.swaps_late) == 1
    assert late.swaps[0].is_on_read is False


def test_when_a_request_would_have_been_needed() -> None:
    # Asked at 65, 13 after the news at 52, came at 87: 22 min. Empty at 80: needed by 58.
    rows = ((52, DelayAnnounced("helicopter")), (55, on()), (65, Requested("more")),
            (80, CylinderEmpty("H-1")), (86, Swapped("A1", "H-2", "H-1")),
            (87, ResupplyArrived(items="three")))  # fmt: skip
    need = found(*rows).needs[0]
    assert (need.after_prompt_min, need.came_min, need.short_min) == (13.0, 87.0, 80.0)
    assert need.needed_by_min == pytest.approx(58.0)
    # The twin: nobody went short. Pooled: three full ones down to 500 psi at 10 L/min, 10 min gone.
    calm = found(*rows[:3], rows[-1]).needs[0]
    usable = 3 * (FULL_L - float(content_l(VOLUME_L, 500.0, AIR_C))) - 100.0
    assert calm.short_min is None
    assert calm.lasts_min == pytest.approx(65.0 + usable / 10.0, abs=0.01)
    assert calm.needed_by_min == pytest.approx(65.0 + usable / 10.0 - 22.0, abs=0.01)


def test_readings_at_each_visit() -> None:
    rows = ((0, on()), (15, read(150.0)), (30, Swapped("A1", "H-2", "H-1", gauge=psi(1900))))
    assert "readings at each visit" in {w.kind for w in found(*rows).went_well}
    silent = (rows[0], rows[1], (30, Swapped("A1", "H-2", "H-1")))
    assert "readings at each visit" not in {w.kind for w in found(*silent).went_well}


# ----- laws, shipped logs -----------------------------------------------------------------------


@LAWS
@given(logs())
def test_laws_of_any_log(entries: tuple[LogEntry, ...]) -> None:
    facts = find(entries, stock())
    end = facts.end_min
    state = replay(entries, stock(), end)
    assert (facts.oxygen_gaps, facts.record_gaps) == (state.oxygen_gaps, state.record_gaps)
    for timeline in (*facts.patients, *facts.cylinders):
        spans = [(s.from_min, end if s.until_min is None else s.until_min)
                 for s in timeline.stretches]  # fmt: skip
        assert all(a <= b for a, b in spans)
        assert all(b <= c for (_, b), (c, _) in pairwise(spans))
    for misfit in facts.misfits:
        assert len(misfit.explanations) >= 2
        assert len({e.cause for e in misfit.explanations}) == len(misfit.explanations)
    for row in facts.patients:
        gaps = [g for g in facts.oxygen_gaps if g.patient == row.tag]
        minutes = sum((end if g.until_min is None else g.until_min) - g.from_min for g in gaps)
        assert row.minutes("without by the record", end) == pytest.approx(minutes)


def shipped(name: str) -> tuple[Incident, tuple[LogEntry, ...], str]:
    incident = read_incident(SCENARIOS / f"{name}.toml").incident
    text = (SCENARIOS / f"{name}-log.csv").read_bytes().decode("utf-8")
    return incident, entries_from_csv(text, incident.start), text


@pytest.mark.parametrize("name", ["hallimoor-rib", "brennick-saddle"])
def test_shipped_logs_read_alike_by_both_readers(name: str) -> None:
    incident, entries, text = shipped(name)
    reading = read_logs([raw_log(text, "log")], incident.start, stock_of(incident))
    ours = [(e.id, e.at_min, type(e.event), e.source) for e in in_order(entries)]
    assert [(e.id, e.at_min, type(e.event), e.source) for e in reading.entries] == ours


def test_hallimoor_by_its_sketch() -> None:
    incident, entries, _ = shipped("hallimoor-rib")
    facts = find(entries, stock_of(incident), incident)
    assert [m.reading.cylinder for m in facts.misfits] == ["H-04", "H-04", "H-08"]
    flow = facts.misfits[1].flow
    assert flow is not None
    assert flow.lpm - flow.written_lpm == pytest.approx(5.0, abs=0.1)
    assert sum(e.grade != "hardly" for e in facts.misfits[2].explanations) >= 3
    assert [(g.patient, g.from_min, g.until_min) for g in facts.oxygen_gaps] == [("A2", 80, 86)]
    assert facts.needs[0].after_prompt_min == 13.0
    assert [w.kind for w in facts.went_well] == ["leak ended", "swaps in time"]
    assert [tag for tag, _, _ in facts.regulators_gone] == ["R-1"]
    assert "one cylinder on two patients" in {d.kind for d in facts.disagreements}


def test_brennick_asked_early_and_went_short_of_nothing() -> None:
    incident, entries, _ = shipped("brennick-saddle")
    facts = find(entries, stock_of(incident), incident)
    assert facts.misfits[0].explanations[0].cause == "misread"
    assert facts.needs[0].needed_by_min is not None
    assert facts.needs[0].requested_min < facts.needs[0].needed_by_min
    assert facts.swaps_late == facts.record_gaps == ()
    assert {g.why for g in facts.oxygen_gaps} == {"found, and not on oxygen"}
