"""What was known at a decision point and nothing more; modelled difference; hindsight apart."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import pytest

from planner.files import read_incident
from planner.gas import content_l, gauge_for_content
from planner.incident import Incident
from planner.journal.events import (
    Connected,
    DelayAnnounced,
    Died,
    Found,
    GaugeRead,
    LogEntry,
    Requested,
    ResupplyArrived,
    Transferred,
    TreatmentStopped,
    TriageChanged,
)
from planner.journal.files import entries_from_csv
from planner.journal.stock import stock_of
from planner.review.decisions import (
    HINDSIGHT,
    DecisionPoint,
    Modelled,
    NotModelled,
    decision_points,
    hindsight,
    modelled,
)
from planner.review.findings import find
from planner.review.knowledge import known_at, known_from
from planner.review.laying import laid_onto
from planner.state import State
from planner.units import Pressure
from planner.workflow import Request

SCENARIOS = Path(__file__).parents[1] / "scenarios"
QUICK = Request(samples=2_000, effort=20, deterministic_s=0.3)
N = "non-rebreather"


def shipped(name: str) -> tuple[Incident, tuple[LogEntry, ...]]:
    incident = read_incident(SCENARIOS / f"{name}.toml").incident
    text = (SCENARIOS / f"{name}-log.csv").read_bytes().decode("utf-8")
    return incident, entries_from_csv(text, incident.start)


@pytest.fixture(scope="module")
def rib() -> tuple[Incident, tuple[LogEntry, ...]]:
    return shipped("hallimoor-rib")


def at(points: tuple[DecisionPoint, ...], at_min: float) -> DecisionPoint:
    return next(p for p in points if p.at_min == at_min)


def state_at(incident: Incident, entries: list[LogEntry], at_min: float) -> State:
    state = laid_onto(incident, entries, at_min).state
    assert state is not None
    return state


# ----- when an entry was known ------------------------------------------------------------------


def test_an_entry_out_of_turn_is_known_when_it_was_written() -> None:
    # a-2 stands after a-1 of minute 40 though it happened at 20; b-1 is another log.
    entries = [LogEntry("a-1", 40.0, Found("A1")), LogEntry("a-2", 20.0, Found("A2")),
               LogEntry("b-1", 30.0, Found("A3"), source="b")]  # fmt: skip
    assert known_from(entries) == {"a-1": 40.0, "a-2": 40.0, "b-1": 30.0}
    assert [e.id for e in known_at(entries, 30.0)] == ["b-1"]
    # The twin: written in turn, it was known at once.
    in_turn = [replace(entries[0], id="a-2"), replace(entries[1], id="a-1")]
    assert known_from(in_turn)["a-1"] == 20.0


def test_a_correction_is_not_known_before_what_it_corrects() -> None:
    entries = [LogEntry("a-9", 40.0, Found("A1")),
               LogEntry("x", 5.0, Found("A2"), replaces="a-9")]  # fmt: skip
    assert known_from(entries)["x"] == 40.0
    assert known_from([replace(entries[1], replaces=None)])["x"] == 5.0


def test_a_later_correction_changes_no_state_before_it(
    rib: tuple[Incident, tuple[LogEntry, ...]],
) -> None:
    # At the end somebody corrects T-05: A2 had been on H-10, not on H-05. At 14:40 nobody knew.
    incident, entries = rib
    wrong = next(e for e in entries if e.id == "T-05")
    fixed = replace(wrong, id="T-99", replaces="T-05",
                    event=replace(wrong.event, cylinder="H-10"))  # fmt: skip
    late = [*entries, fixed]
    assert known_from(late)["T-99"] == 140.0
    then = state_at(incident, late, 40.0)
    assert then == state_at(incident, list(entries), 40.0)
    assert {h.cylinders for h in then.hookups} == {("H-07",), ("H-05",), ("H-06",)}
    # The twin: corrected on the spot (its id comes right after), and it was known.
    spot = [*entries, replace(fixed, id="T-05'")]
    spot = [replace(e, source="other") if e.id == "T-05'" else e for e in spot]
    assert ("H-10",) in {h.cylinders for h in state_at(incident, spot, 40.0).hookups}


@pytest.mark.parametrize("name", ["hallimoor-rib", "brennick-saddle"])
def test_nothing_later_is_in_what_was_known(name: str) -> None:
    # Cut the log off behind each decision point (one request kept, which says that deliveries come
    # on request): the point is the very same.
    incident, entries = shipped(name)
    asked = tuple(e for e in entries if isinstance(e.event, Requested))[:1]
    for point in decision_points(entries, incident):
        before = known_at(entries, point.at_min)
        cut = tuple(dict.fromkeys((*before, *(replace(a, source="desk") for a in asked
                                              if a not in before))))  # fmt: skip
        again = at(decision_points(cut, incident), point.at_min)
        assert again == point
    # The twin: cut one entry more, and it is another.
    last = at(decision_points(entries, incident), point.at_min)
    lost = [e for e in entries if e.id not in last.entries]
    assert laid_onto(incident, lost, point.at_min) != last.laid


# ----- the state --------------------------------------------------------------------------------


def test_state_by_hand_when_the_helicopter_turned_back(
    rib: tuple[Incident, tuple[LogEntry, ...]],
) -> None:
    incident, entries = rib
    point = at(decision_points(entries, incident), 52.0)
    assert point.kinds == ("transfer fell through",)
    state = point.laid.state
    assert state is not None
    on = {(h.cylinders[0], h.regulator, h.lines[0].patient, h.lines[0].flow_lpm)
          for h in state.hookups}  # fmt: skip
    assert on == {("H-07", "R-1", "A1", 10.0), ("H-08", "R-2", "A2", 10.0),
                  ("H-06", "R-3", "A3", 4.0)}  # fmt: skip
    row = {c.tag: c for c in state.cylinders}
    assert {t for t, c in row.items() if c.status == "reserve"} == {"H-09", "H-10"}
    assert {t for t, c in row.items() if c.status == "taken off"} == {"H-04", "H-05"}
    # H-08 since 14:50 at 10 L/min by what was known: 20 L gone, whatever it really gave.
    held = float(content_l(2.89, 1900.0, -7.0)) - 20.0
    assert row["H-08"].gauge.psi == pytest.approx(float(gauge_for_content(2.89, held, -7.0)))
    # Transport is off: the fallback of the file, and nothing had been asked for.
    assert point.laid.incident.patients[0].transfer == incident.transfer_groups[0].fallback
    assert point.laid.incident.resupply[0].no_show_chance == 1.0
    # The twin: at the request a delivery may be counted on, and before the news the helicopter.
    asked = at(decision_points(entries, incident), 65.0)
    assert asked.laid.incident.resupply[0].no_show_chance == 0.0
    before = at(decision_points(entries, incident), 24.0)
    assert before.laid.incident.patients[0].transfer == incident.patients[0].transfer


def test_what_is_empty_is_out_and_what_left_is_gone(
    rib: tuple[Incident, tuple[LogEntry, ...]],
) -> None:
    incident, entries = rib
    out = state_at(incident, list(entries), 80.0).patient("A2")
    assert (out.status, out.is_out, out.waiting_since_min) == ("here", True, 80.0)
    last = state_at(incident, list(entries), 120.0)
    assert {p.tag: p.status for p in last.patients} == {"A1": "gone", "A2": "here", "A3": "gone"}
    kit = {k.tag: k.is_gone for k in last.regulators}
    assert kit == {"R-1": True, "R-2": False, "R-3": False}  # only R-1 is named
    assert {c.tag for c in last.cylinders if c.status == "gone"} == {"E-01", "E-02"}
    assert last.arrived == (0,)


def test_news_of_transport(rib: tuple[Incident, tuple[LogEntry, ...]]) -> None:
    incident = rib[0]
    medians = [p.transfer.p50_min for p in incident.patients if p.transfer is not None]

    def known(*events: DelayAnnounced) -> list[float]:
        log = [LogEntry(f"e{n}", float(n), e) for n, e in enumerate(events, 1)]
        people = laid_onto(incident, log, 10.0).incident.patients
        return [p.transfer.p50_min for p in people if p.transfer is not None]

    assert medians == [65.0, 65.0, 85.0]
    later = DelayAnnounced("Helicopter", delay_min=10.0)
    assert known(later) == [75.0, 75.0, 95.0]
    assert known(later, later) == [85.0, 85.0, 105.0]  # a delay adds to the one before
    assert known(later, DelayAnnounced("helicopter", expected_min=50.0)) == [50.0, 50.0, 70.0]
    assert known(DelayAnnounced("helicopter"), later) == [75.0, 75.0, 95.0]  # on again
    assert known(DelayAnnounced("balloon", delay_min=10.0)) == medians
    told = laid_onto(incident, [LogEntry("e1", 1.0, DelayAnnounced("balloon"))], 10.0).told
    assert any("balloon" in text for text in told)


def test_what_does_not_go_together_is_left_out_and_told(
    rib: tuple[Incident, tuple[LogEntry, ...]],
) -> None:
    # 7 L/min is on no dial here: A1 is left as the incident has it, A2 is laid all the same.
    incident = rib[0]
    log = [LogEntry("e1", 6.0, Connected("A1", "H-04", "R-1", N, 7.0)),
           LogEntry("e2", 8.0, Connected("A2", "H-05", "R-2", N, 10.0))]  # fmt: skip
    laid = laid_onto(incident, log, 10.0)
    assert laid.state is not None
    assert [h.lines[0].patient for h in laid.state.hookups] == ["A2"]
    assert any(text.startswith("A1: left") for text in laid.told)
    good = laid_onto(incident, [replace(log[0], event=replace(log[0].event, flow_lpm=8.0)), log[1]],
                     10.0)  # fmt: skip
    assert good.state is not None
    assert len(good.state.hookups) == 2
    assert not any("left" in text for text in good.told)


def test_what_is_not_written_is_assumed_and_told(
    rib: tuple[Incident, tuple[LogEntry, ...]],
) -> None:
    incident = rib[0]
    log = [LogEntry("e1", 6.0, Connected("A1", "H-04")), LogEntry("e2", 7.0, Found("X9")),
           LogEntry("e3", 8.0, Died("A2")), LogEntry("e4", 8.0, TreatmentStopped("A3")),
           LogEntry("e5", 9.0, TriageChanged("A1", "delayed"))]  # fmt: skip
    laid = laid_onto(incident, log, 10.0)
    assert laid.state is not None
    line = laid.state.hookups[0].lines[0]
    assert (line.device, line.flow_lpm, laid.state.hookups[0].regulator) == (N, 15.0, "R-1")
    assert {p.tag: p.status for p in laid.state.patients} == {
        "A1": "here", "A2": "dead", "A3": "gone",
    }  # fmt: skip
    assert laid.incident.patients[0].triage == "delayed"
    for words in ("no device", "no flow_lpm", "no regulator", "X9 is not", "A3: oxygen had ended"):
        assert any(words in text for text in laid.told), words


def test_delivery_told_in_words_is_the_next_one(
    rib: tuple[Incident, tuple[LogEntry, ...]],
) -> None:
    log = [LogEntry("e1", 9.0, ResupplyArrived(items="three large ones"))]
    assert state_at(rib[0], log, 10.0).arrived == (0,)
    odd = [LogEntry("e1", 9.0, ResupplyArrived(("Z-1",)))]  # a tag of no delivery
    assert state_at(rib[0], odd, 10.0).arrived == ()


# ----- points, difference, hindsight ------------------------------------------------------------


def test_points_of_the_rib(rib: tuple[Incident, tuple[LogEntry, ...]]) -> None:
    points = decision_points(rib[1], rib[0])
    assert [(p.at_min, p.kinds[0]) for p in points] == [
        (6, "somebody found"), (10, "somebody found"), (15, "somebody found"),
        (18, "cylinder low or empty"), (24, "cylinder low or empty"), (40, "delay announced"),
        (52, "transfer fell through"), (65, "requested"), (80, "cylinder low or empty"),
        (87, "resupply arrived"),
    ]  # fmt: skip
    # A reading that fits makes no point: the twin of the one at 18.
    fits = [replace(e, event=GaugeRead(Pressure(1430.0, "psi"), "H-04", "A1"))
            if e.id == "T-08" else e for e in rib[1]]  # fmt: skip
    assert 18 not in [p.at_min for p in decision_points(fits, rib[0])]


def test_difference_is_paired_and_of_the_point(
    rib: tuple[Incident, tuple[LogEntry, ...]],
) -> None:
    point = at(decision_points(rib[1], rib[0]), 52.0)
    made = modelled(point, QUICK)
    assert isinstance(made, Modelled)
    by = made.chance_planning.value - made.chance_going_on.value
    assert made.by.value == pytest.approx(by, abs=1e-12)
    assert made.by.low < made.by.value < made.by.high < 0.0  # at 14:52 planning on helped
    assert made.by.samples == QUICK.samples
    assert made.warnings == ()
    # Harm (J) is on the very samples that the plan reports, paired: narrower than the two apart.
    gained = made.objective_planning.value - made.objective_going_on.value
    assert made.harm_by.value == pytest.approx(gained, abs=1e-9)
    assert made.harm_by.low < made.harm_by.value < made.harm_by.high < 0.0
    apart = [e.high - e.low for e in (made.objective_planning, made.objective_going_on)]
    assert made.harm_by.high - made.harm_by.low < sum(apart)
    assert not any("patient" in f.name for f in fields(made))  # per point, never per person
    assert modelled(point, QUICK) == made


def test_no_change_makes_no_difference_and_nobody_nothing(
    rib: tuple[Incident, tuple[LogEntry, ...]],
) -> None:
    points = decision_points(rib[1], rib[0])
    made = modelled(at(points, 87.0), QUICK)  # plenty came: going on is as good
    assert isinstance(made, Modelled)
    assert made.num_changes == 0
    assert (made.by.low, made.by.value, made.by.high) == (0.0, 0.0, 0.0)
    assert (made.harm_by.low, made.harm_by.value, made.harm_by.high) == (0.0, 0.0, 0.0)
    gone = [LogEntry(f"e{n}", 5.0, Transferred(t)) for n, t in enumerate(("A1", "A2", "A3"))]
    empty = replace(points[0], laid=laid_onto(rib[0], gone, 10.0))
    assert isinstance(modelled(empty, QUICK), NotModelled)
    beyond = replace(points[0], laid=laid_onto(rib[0], gone, 1000.0))
    assert isinstance(modelled(beyond, QUICK), NotModelled)


def test_hindsight_stands_apart(rib: tuple[Incident, tuple[LogEntry, ...]]) -> None:
    incident, entries = rib
    points = decision_points(entries, incident)
    later = {h.at_min: h for h in hindsight(points, find(entries, stock_of(incident), incident))}
    assert {h.mark for h in later.values()} == {HINDSIGHT}
    # At 14:52 A2 was on H-08, which ran out at 15:20: 6 min without, and another flow than set.
    row = later[52.0]
    assert (row.without_min, row.first_without_min, row.came_min) == (6.0, 80.0, 87.0)
    assert [tag for tag, *_ in row.off_flows] == ["H-08"]
    assert later[87.0].without_min == 0.0


def test_a_misread_gauge_is_no_flow_in_hindsight() -> None:
    incident, entries = shipped("brennick-saddle")
    later = hindsight(decision_points(entries, incident), find(entries, stock_of(incident)))
    assert all(h.off_flows == () for h in later)
