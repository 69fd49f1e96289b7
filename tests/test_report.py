"""What is printed and what JSON says: the contract's keys, a board that can be carried out, words.

The shipped incidents and many random ones are planned quickly; the board is then checked against
the incident's own file, not against anything the planner derives from it.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from rich.cells import cell_len

from planner.banner import BANNER
from planner.estimate import Estimate
from planner.files import read_incident
from planner.incident import BUILT_IN, Connected, Incident, Option, Phase, Place, SundryStock
from planner.plan import Plan
from planner.policy import KeptFor, Promise
from planner.reference import load_connections
from planner.report.facts import assumptions, change_by_min, no_oxygen_reason, waiting_for
from planner.report.holdings import holdings, holdings_grids
from planner.report.result import plan_result
from planner.report.sentences import kept_for_sentence, list_sentence
from planner.report.text import WIDTH, holdings_text, view_text, wrapped
from planner.report.view import view_of
from planner.workflow import Request, make_plan
from tests.generator import random_incident
from tests.rule_incidents import (
    BAG,
    NRB,
    YOKE,
    A,
    B,
    cyl,
    hand,
    masks,
    pat,
    reg,
    world,
)

FOLDER = Path(__file__).parents[1] / "scenarios"
NAMES = ["ulvaren-bowl", "quessel-hut", "drommick-chair", "pelvarra-camp", "ostrenga-pass"]
RANDOM = range(6)
QUICK = Request(seed=3, samples=200, effort=5)

# contract.md, "Result". Rows show what the contract names; MORE is what we add to it.
CONTRACT = {
    "": "schema kind run incident lasts risk best_possible rules now no_oxygen waiting swaps list "
    "kept_for request solver cylinders series assumptions sources notes",
    "run": "seed samples versions seconds cores repeatable",
    "incident": "name start digest protocol approved_by approved_on",
    "lasts": "everyone immediates",
    "risk": "anyone immediate immediate_or_delayed by_patient minutes_out objective samples",
    "best_possible": "at_plan_options at_lowest_options",
    "rules": "rule anyone immediate minutes_out objective",
    "now": "patient triage device flow_lpm level regulator cylinder place change_by_min "
    "change_by_clock",
    "no_oxygen": "patient reason",
    "waiting": "patient for device flow_lpm level",
    "swaps": "patient number off on early_min expected_min late_min clock chance_needed responder "
    "place",
    "list": "cylinder place there_from_min litres handbook_litres",
    "kept_for": "place connection category cylinders",
    # Without the contract's `seconds`: they differ between equal runs, so they stand under `run`.
    "solver": "step status bound objective gap evaluations",
    "cylinders": "tag litres handbook_litres minutes_at_15 minutes_at_6",
}
MORE = {
    "": {"banner", "source", "at_min", "going_on"},
    "risk": {"expectant", "still_here_at_horizon"},
    "waiting": {"triage", "place"},
    "now": {"together"},
    "swaps": {"is_joining", "together"},
    "cylinders": {"size"},
}


@cache
def planned(which: str | int) -> Plan:
    incident = (
        random_incident(which, num_patients=7, num_cylinders=16)
        if isinstance(which, int)
        else read_incident(FOLDER / f"{which}.toml").incident
    )
    return make_plan(incident, None, QUICK)


def result_of(plan: Plan) -> dict[str, Any]:
    return json.loads(json.dumps(plan_result(plan), allow_nan=False))  # type: ignore[no-any-return]


def text_of(plan: Plan) -> str:
    return view_text(view_of(plan))


every = pytest.mark.parametrize("which", [*NAMES, *RANDOM])


# ----- JSON ------------------------------------------------------------------------------------


@every
def test_json_has_exactly_the_contracts_keys(which: str | int) -> None:
    result = result_of(planned(which))
    for table, names in CONTRACT.items():
        wanted = set(names.split()) | MORE.get(table, set())
        found = result if table == "" else result[table]
        for row in found if isinstance(found, list) else [found]:
            assert set(row) == wanted, table
    for name in ("everyone", "immediates"):
        assert set(result["lasts"][name]) == {"min", "clock"}
    assert set(result["risk"]["anyone"]) == {"chance", "low", "high"}
    for row in result["risk"]["by_patient"]:
        assert set(row) == {"patient", "chance", "low", "high", "minutes_out", "late_swaps"}
    assert set(result["risk"]["objective"]) == {"value", "low", "high"}
    assert (result["schema"], result["kind"], result["banner"]) == (1, "plan", BANNER)


@every
def test_everyone_stands_in_exactly_one_place(which: str | int) -> None:
    plan = planned(which)
    result = result_of(plan)
    stands = [row["patient"] for key in ("now", "no_oxygen", "waiting") for row in result[key]]
    assert sorted(stands) == sorted(p.tag for p in plan.incident.patients)
    tiers = ["immediate", "delayed", "minimal", "expectant", "dead"]
    for key in ("now", "waiting"):
        order = [tiers.index(row["triage"]) for row in result[key]]
        assert order == sorted(order)


@every
def test_first_connections_are_physically_possible(which: str | int) -> None:
    plan = planned(which)
    incident, result = plan.incident, result_of(plan)
    people = {p.tag: p for p in incident.patients}
    cylinders = {c.tag: c for c in incident.cylinders}
    regulators = {r.tag: r for r in incident.regulators}
    worn: Counter[tuple[str, str, str]] = Counter()
    washers: Counter[str] = Counter()
    rows = [row for row in result["now"] if row["cylinder"] is not None]
    for row in rows:
        patient, cylinder = people[row["patient"]], cylinders[row["cylinder"]]
        assert row["place"] == patient.place
        assert cylinder.place == patient.place  # nothing has been carried at minute 0
        if row["regulator"] is None:
            assert cylinder.connection == BUILT_IN
            dial = cylinder.settings_lpm
        else:
            regulator = regulators[row["regulator"]]
            assert regulator.place == patient.place
            assert regulator.connection == cylinder.connection
            dial = regulator.settings_lpm
        assert row["flow_lpm"] in dial
        worn[patient.place, row["device"], patient.age] += 1
    sources: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in rows:
        sources.setdefault((row["cylinder"], row["regulator"]), []).append(row)
    for (cylinder_tag, regulator_tag), on in sources.items():
        place = on[0]["place"]
        washers[place] += load_connections()[cylinders[cylinder_tag].connection].needs_washer
        assert len(on) <= (regulators[regulator_tag].outlets if regulator_tag else 1)
        for row in on:
            assert row["place"] == place
            assert {row["patient"], *row["together"]} == {other["patient"] for other in on}
    for key in (0, 1):
        used = [source[key] for source in sources if source[key] is not None]
        assert len(used) == len(set(used))
    owned: Counter[tuple[str, str, str]] = Counter()
    for stock in incident.devices:
        owned[stock.place or "", stock.kind, stock.age] += stock.count
    assert worn <= owned
    if any(s.kind == "washer" for s in incident.sundries):
        listed = Counter[str]()
        for sundry in incident.sundries:
            if sundry.kind == "washer":
                listed[sundry.place] += sundry.count
        assert washers <= listed


@every
def test_list_and_board_hold_every_usable_cylinder_once(which: str | int) -> None:
    plan = planned(which)
    result = result_of(plan)
    listed = [row["cylinder"] for row in result["list"]]
    on = {row["cylinder"] for row in result["now"] if row["cylinder"] is not None}
    usable = [
        c.tag
        for c in plan.incident.all_cylinders
        # A warm reading may be under the change pressure at the temperature of use.
        if c.gauge.psi > plan.incident.change_at.psi + 150 or c.power_min is not None
    ]
    assert len(listed) == len(set(listed))
    assert not set(listed) & on
    assert set(usable) <= {*listed, *on} <= {c.tag for c in plan.incident.all_cylinders}
    machines = {c.tag for c in plan.incident.concentrators}
    assert all((row["litres"] > 0) != (row["cylinder"] in machines) for row in result["list"])


@every
def test_swaps_name_a_cylinder_once_and_follow_on_from_the_board(which: str | int) -> None:
    plan = planned(which)
    result = result_of(plan)
    put_on = [
        row["on"] for row in result["swaps"] if row["on"] is not None and not row["is_joining"]
    ]
    assert len(put_on) == len(set(put_on))
    running = {row["patient"]: row["cylinder"] for row in result["now"]}
    numbers: Counter[str] = Counter()
    busy: dict[str, list[float]] = {}
    homes = {r.tag: r.place for r in plan.incident.responders}
    people = {p.tag: p for p in plan.incident.patients}
    for row in result["swaps"]:
        numbers[row["patient"]] += 1
        assert row["number"] == numbers[row["patient"]]
        assert row["off"] == running.get(row["patient"])
        running |= dict.fromkeys((row["patient"], *row["together"]), row["on"])
        assert row["place"] == people[row["patient"]].place
        assert 0.05 <= row["chance_needed"] <= 1
        if row["responder"] is not None:
            assert homes[row["responder"]] == row["place"]
            busy.setdefault(row["responder"], []).append(row["expected_min"])
    for minutes in busy.values():
        minutes.sort()
        gaps = [b - a for a, b in pairwise(minutes)]
        assert min(gaps, default=99.0) >= plan.incident.swap_min - 1e-9


def test_change_by_is_by_hand() -> None:
    # 100 L above the change pressure at 10 L/min: minute 10, 12:10. Cold flow factor 1.25: 8 min.
    incident = world([pat("P", gone=60)], [cyl("c1", 100)])
    plan = make_plan(incident, None, QUICK)
    assert change_by_min(plan, "c1", 10.0, 0.0) == pytest.approx(10.0)
    row = result_of(plan)["now"][0]
    assert (row["change_by_min"], row["change_by_clock"]) == (pytest.approx(10.0), "12:10")
    cold = replace(incident, uncertainty=replace(incident.uncertainty, cold_flow_factor=1.25))
    assert change_by_min(replace(plan, incident=cold), "c1", 10.0, 5.0) == pytest.approx(13.0)


# ----- words -----------------------------------------------------------------------------------


@every
def test_text_fits_and_is_plain(which: str | int) -> None:
    text = text_of(planned(which))
    lines = text.split("\n")
    assert lines[0] == lines[-2] == BANNER
    assert lines[-1] == ""
    assert max(map(cell_len, lines)) <= WIDTH
    assert all(line == line.rstrip() for line in lines)
    assert text.isascii()  # any printer has it
    assert "None" not in text
    assert "nan" not in re.findall(r"\w+", text)


def test_a_board_of_forty_does_not_wrap_a_row() -> None:
    # The widest device, level, place and tags of the shipped incidents, forty of them.
    long = Place("collection point")
    people = [pat(f"H{k:02d}", "immediate", place=long.name, gone=60) for k in range(40)]
    cylinders = [cyl(f"M60-{k:02d}", 90, long.name) for k in range(40)]
    regulators = [reg(f"R-{k:02d}", long.name) for k in range(40)]
    incident = world(
        people, cylinders, regulators, [hand("Rescuer 1", long.name)],
        places=(long, Place("debris field")), devices=(masks(40, long.name),),
    )  # fmt: skip
    grid = view_of(make_plan(incident, None, replace(QUICK, effort=0))).now
    assert len(grid.rows) == 40
    text = text_of(make_plan(incident, None, replace(QUICK, effort=0)))
    rows = [line for line in text.split("\n") if re.match(r"H\d\d ", line) and " on R-" in line]
    assert len(rows) == 40
    assert all(re.search(r"\d\d:\d\d$", row) for row in rows)


def test_long_and_wide_texts_wrap_and_are_not_lost() -> None:
    tag, wide = "T" * 60, "救" * 30
    incident = world([pat(tag, gone=30), pat(wide, "delayed", gone=30)],
                     [cyl("c1", 90), cyl("c2", 90)])  # fmt: skip
    incident = replace(incident, name="N" * 300)
    text = text_of(make_plan(incident, None, QUICK))
    assert max(cell_len(line) for line in text.split("\n")) <= WIDTH
    assert text.count("T" * 20) >= 2
    assert text.count("N") >= 300
    assert text.count("救") == 60  # once on the board, once among who runs out


@pytest.mark.parametrize(
    "tag", ["[bold]U1[/bold]", "[/]", "[link=x]y[/link]", ":fire:", "\\[red]", "{0} %s", "<b>"]
)
def test_markup_stays_literal(tag: str) -> None:
    incident = world([pat(tag, gone=30)], [cyl("[red]c1", 90)])
    incident = replace(incident, name=tag)
    text = text_of(make_plan(incident, None, replace(QUICK, effort=0)))
    assert text.count(tag) >= 2
    assert "[red]c1 on r1" in text
    assert "\x1b" not in text


def test_first_line_names_who_waits_and_what_is_due() -> None:
    people = [pat("P", gone=60), pat("Q", "delayed", gone=60), pat("R", "minimal", gone=60)]
    cylinders = [cyl("c1", 100), cyl("c2", 300)]
    incident = world(people[:1], cylinders)
    # 300 L and then 100 L: to 12:30, a minute's gap, to 12:41.
    first = view_of(make_plan(incident, None, QUICK)).first_line
    assert first == (
        "Oxygen lasts until 12:41 at these flows (Immediates too); first swap 12:30, P, by R1."
    )
    incident = world(people, cylinders, [reg("r1"), reg("r2")])
    first = view_of(make_plan(incident, None, QUICK)).first_line
    assert first.startswith(
        "Not enough for everyone from the start: R is without oxygen now (Immediates until"
    )
    incident = world(people, cylinders, [reg("r1")])
    first = view_of(make_plan(incident, None, QUICK)).first_line
    assert "start: Q and R are without oxygen now" in first
    many = [pat(f"P{k}") for k in range(7)]
    first = view_of(make_plan(world(many, cylinders), None, QUICK)).first_line
    assert "start: 5 people are" in first or "are without oxygen now" in first


def test_first_line_without_need_end_or_swap() -> None:
    nobody = make_plan(world([pat("D", "dead")], [cyl("c1", 90)]), None, QUICK)
    view = view_of(nobody)
    assert view.first_line == "Nobody has oxygen indicated."
    assert view.chance_line == "Nobody can run out of oxygen."
    assert view.no_oxygen == ("D (dead)",)
    # 350 L at 2 L/min would last to minute 175, beyond the horizon at 100.
    plenty = make_plan(world([pat("P", gone=30, flow=2)], [cyl("c1", 350)]), None, QUICK)
    assert view_of(plenty).first_line == (
        "Oxygen lasts past 13:40, as far as is planned, at these flows; no swap expected."
    )


def test_chance_line_is_short_where_all_samples_agree() -> None:
    plan = make_plan(world([pat("P", gone=5)], [cyl("c1", 100)]), None, QUICK)
    assert view_of(plan).chance_line == (
        "Less than 1 in 53 (never in 200 samples) that anyone runs out of oxygen; Immediates less "
        "than 1 in 53 (never in 200 samples)."
    )
    some = replace(plan.risk, anyone=Estimate(0.0714, 0.068, 0.075, 20_000))
    assert view_of(replace(plan, risk=some)).chance_line.startswith(
        "About 1 in 14 that anyone runs out of oxygen, 7.1 % (6.8-7.5); Immediates less than"
    )


def test_who_runs_out_is_named_in_triage_order_with_the_minutes() -> None:
    # One regulator and 200 L to minute 30: P, Immediate, is out from 20 (a minute's gap at 10
    # apart, so from 21) to 30, Q is never connected, R needs nothing after minute 5.
    people = [pat("Q", "delayed", gone=30), pat("P", gone=30)]
    incident = world(people, [cyl("c1", 100), cyl("c2", 100)], [reg("r1")])
    view = view_of(make_plan(incident, None, QUICK))
    assert view.who_line == (
        "Who runs out, and for how long on average: P 100 %, 9 min; Q 100 %, 30 min."
    )
    assert f"{view.who_line}\n\nNow" in text_of(make_plan(incident, None, QUICK))
    # Twin: enough for both, nobody is named.
    incident = world(people, [cyl("c1", 300), cyl("c2", 300)])
    plan = make_plan(incident, None, QUICK)
    assert view_of(plan).who_line == ""
    # A crowd is cut.
    many = [pat(f"P{k}", gone=30) for k in range(11)]
    line = view_of(make_plan(world(many, [cyl("c1", 10)]), None, QUICK)).who_line
    assert line.count("30 min") >= 7
    assert line.endswith("; and 3 more.")


def test_who_is_not_there_is_set_apart_from_the_board() -> None:
    people = [
        pat("P", gone=60),
        pat("U5", found=22, chance_needed=0.4, gone=80),
        pat("U2", "delayed", found=6, gone=80),
    ]
    incident = world(people, [cyl("c1", 200), cyl("c2", 200)], [reg("r1"), reg("r2")])
    view = view_of(make_plan(incident, None, replace(QUICK, effort=0)))
    assert [row[0] for row in view.now.rows] == ["P"]
    assert "NOT FOUND YET" in view.awaited.title
    rows = {row[0]: row for row in view.awaited.rows}
    assert list(rows) == ["U5", "U2"]
    assert rows["U5"][3:5] == ("12:22", "40 %")
    assert rows["U2"][3:5] == ("12:06", "yes")
    # One of them has the second regulator, the other a mask at the most.
    assert sorted(row[-1] for row in rows.values())[1] == "r2 and mask"
    found = [row for row in view.swaps.rows if row[3] == "(found)"]
    assert {row[1] for row in found} <= {"U5", "U2"}


def test_someone_waiting_is_not_called_found() -> None:
    # One regulator at A, one at B 10 min away: Q is there from the start and waits for it.
    people = [pat("P", gone=60), pat("Q", "delayed", gone=60)]
    cylinders = [cyl(tag, 300) for tag in ("c1", "c2", "c3")]
    incident = world(people, cylinders, [reg("r1"), reg("r2", B)])
    view = view_of(make_plan(incident, None, QUICK))
    assert [row[:4] for row in view.waiting.rows] == [("Q", "Delayed", A, "regulator")]
    assert [row[:4] for row in view.swaps.rows if row[1] == "Q"][:1] == [
        ("12:10", "Q", A, "(waiting)")
    ]


def test_another_day_is_said_on_the_board() -> None:
    # 350 L at 0.5 L/min from 12:00 are 700 min, so 23:40; 370 L are 740 min: 00:20 the next day.
    option = Option(NRB, "first choice", (Phase(0.5),))
    incident = world([pat("P", options=(option,))], [cyl("c1", 370), cyl("c2", 350)],
                     [reg("r1", settings=(0.5,))], horizon_min=1500.0)  # fmt: skip
    view = view_of(make_plan(incident, None, QUICK))
    assert view.now.rows[0][-1] == "00:20 +1d"
    assert view.swaps.rows[0][0] == "00:20 +1d"
    assert "00:20 (+1 day), P" in view.first_line


def test_place_is_left_out_where_there_is_only_one() -> None:
    people = [pat("P", gone=30)]
    one = make_plan(world(people, [cyl("c1", 100)], places=(Place(A),)), None, QUICK)
    three = make_plan(world(people, [cyl("c1", 100)]), None, QUICK)
    assert "Place" not in view_of(one).now.heads
    assert "Place" in view_of(three).now.heads
    for plan in (one, three):
        view = view_of(plan)
        for grid in (view.now, view.waiting, view.awaited, view.swaps, view.beside):
            assert all(len(row) == len(grid.heads) for row in grid.rows)
            assert all(k < len(grid.heads) for k in grid.numeric)


def test_washers_are_counted_beside_the_plan() -> None:
    # Three washers, two first connections that take one each. Threads take none.
    people = [pat("P", gone=30), pat("Q", gone=30)]

    def notes(connection: str) -> list[str]:
        cylinders = [cyl("c1", 90, A, connection), cyl("c2", 90, A, connection)]
        regulators = [reg("r1", A, connection), reg("r2", A, connection)]
        incident = world(people, cylinders, regulators, sundries=(SundryStock("washer", 3, A),))
        return [n for n in view_of(make_plan(incident, None, QUICK)).notes if "washers" in n]

    assert notes(YOKE) == ["washers at A: 3; first connections use 2, which leaves 1 for swaps"]
    assert notes("CGA 540") == [
        "washers at A: 3; first connections use 0, which leaves 3 for swaps"
    ]


def test_list_and_kept_for_are_sentences() -> None:
    plan = make_plan(world([pat("P", gone=9)], [cyl("c1", 90)]), None, QUICK)
    order = ("D-01", "D-02", "D-03", "E-09")
    kept = (KeptFor(None, "CGA 540", "immediate", 1), KeptFor("hut", "CGA 870", "delayed", 2))
    policy = replace(plan.policy, order=order, kept_for=kept)
    changed = replace(plan, policy=policy)
    assert list_sentence(changed).endswith("the first one that fits and is there: D-01 to D-03, "
                                           "E-09.")  # fmt: skip
    assert kept_for_sentence(changed) == (
        "Kept back: anywhere nobody below Immediate takes a CGA 540 cylinder unless 1 other of "
        "that kind stays in the reserve; at hut nobody below Delayed takes a CGA 870 cylinder "
        "unless 2 others of that kind stay in the reserve."
    )
    # A promise of rule (b) binds as hard, so it is said too.
    promised = replace(policy, kept_for=(), promises=(Promise("P", None, None, order[:3]),))
    assert kept_for_sentence(replace(plan, policy=promised)) == (
        "Promised, nobody else may take them: D-01 to D-03 for P."
    )
    assert list_sentence(plan) == "No cylinder is left for the list."
    assert kept_for_sentence(plan).startswith("Nothing is kept for anyone")


def test_fallback_and_warnings_are_told() -> None:
    plan = make_plan(world([pat("P", gone=9)], [cyl("c1", 90)]), None, QUICK)
    assert view_of(plan).label == ""
    rule = plan.rules[0].rule
    text = text_of(replace(plan, is_fallback=True, source=rule, warnings=("warning: odd",)))
    assert f"No solver plan within the limits: this is the simple rule '{rule}'." in text
    assert " - warning: odd" in text
    long = text_of(replace(plan, warnings=("w" * 150,)))
    assert long.count("w") - long.replace("w" * 50, "").count("w") == 100
    assert re.sub(r"\s", "", long).count("w" * 150) == 1  # wrapped, not cut


def test_a_listed_line_goes_on_under_its_beginning_and_keeps_its_percent_signs() -> None:
    words = "word " * 18  # 90 columns, of 100
    row = words.rstrip()
    listed = wrapped([f" - {words}12345678 end", f"3. {words}1234567 %", "", f"{words}on the left"])
    assert listed.splitlines() == [
        f" - {row}", "   12345678 end", f"3. {row}", "   1234567 %", "", f"{row} on the", "left",
    ]  # fmt: skip


def test_a_line_of_blanks_is_wrapped_too() -> None:
    assert "abc" in wrapped([" " * 100 + "abc"])


def test_washers_of_what_runs_already_are_spent() -> None:
    on_it = Connected("c1", "r1", NRB, 10.0)
    people = [pat("P", gone=30, connected=on_it), pat("Q", gone=30)]
    cylinders = [cyl("c1", 90, A, YOKE), cyl("c2", 90, A, YOKE)]
    regulators = [reg("r1", A, YOKE), reg("r2", A, YOKE)]
    incident = world(people, cylinders, regulators, sundries=(SundryStock("washer", 3, A),))
    notes = view_of(make_plan(incident, None, QUICK)).notes
    assert "washers at A: 3; first connections use 1, which leaves 2 for swaps" in notes


# ----- facts and holdings ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("parts", "lacks"),
    [
        ({"devices": (masks(1),)}, "mask"),
        ({"regulators": [reg("r1")]}, "regulator"),
        ({"cylinders": [cyl("c1", 200)]}, "cylinder"),
    ],
)
def test_waiting_says_what_is_lacking(parts: dict[str, Any], lacks: str) -> None:
    people = [pat("P", gone=60), pat("Q", "delayed", gone=60)]
    kit: dict[str, Any] = {"cylinders": [cyl("c1", 200), cyl("c2", 200)]} | parts
    plan = make_plan(world(people, **kit), None, replace(QUICK, effort=0))
    (row,) = result_of(plan)["waiting"]
    assert (row["patient"], row["for"], row["device"], row["flow_lpm"]) == ("Q", lacks, NRB, 10.0)
    assert waiting_for(plan, people[1]) == lacks


def test_reasons_for_no_oxygen() -> None:
    people = [
        pat("D", "dead"),
        pat("E", "expectant", options=None, indication="major trauma"),
        pat("N", "minimal", options=None, indication="limb injury"),
        pat("F", "minimal", options=None),
        pat("P"),
    ]
    incident = world(people, [])
    reasons = [no_oxygen_reason(incident, p) for p in people]
    assert reasons == [
        "dead", "expectant: from surplus only, re-triage at every resupply", "limb injury",
        "no oxygen, by the file", None,
    ]  # fmt: skip


def test_assumptions_name_what_was_left_out_and_nothing_given() -> None:
    incident = read_incident(FOLDER / "ulvaren-bowl.toml").incident
    lines = {line.split(":", 1)[0]: line for line in assumptions(incident)}
    assert "safe residual 200 psi" in lines["Incident"]
    assert "swap gap 1 min" in lines["Incident"]
    assert "swap 3" not in lines["Incident"]  # given
    assert "oxygen from 0 min (U1, U4, U7)" in lines["Patients"]
    given = replace(incident, assumed=frozenset())
    assert list(assumptions(given)) == []


@pytest.mark.parametrize("name", [*NAMES, "harrow-col-forty"])
def test_holdings_count_what_the_file_lists(name: str) -> None:
    reading = read_incident(FOLDER / f"{name}.toml")
    incident: Incident = reading.incident
    result = holdings(incident, reading.warnings)
    assert sum(row["cylinders"] for row in result["oxygen"]) == len(incident.all_cylinders)
    kit: Counter[str] = Counter()
    for row in result["kit"]:
        kit[row["item"]] += row["count"]
    assert kit["responder"] == len(incident.responders)
    assert sum(n for item, n in kit.items() if item.startswith("regulator")) == len(
        incident.all_regulators
    )
    text = holdings_text(result, holdings_grids(result))
    lines = text.split("\n")
    assert lines[0] == lines[-2] == BANNER
    assert max(map(cell_len, lines)) <= WIDTH
    assert f"{incident.name}: no faults" in text


def test_bagging_holds_hands_in_the_printed_schedule_too() -> None:
    # Two responders; P is bagged, which holds both: nobody is named for Q's swap until P is gone.
    people = [pat("P", device=BAG, gone=15), pat("Q", "delayed", gone=60)]
    incident = world(
        people, [cyl("c1", 300), cyl("c2", 100), cyl("c3", 100), cyl("c4", 100)],
        responders=[hand("R1"), hand("R2")], devices=(masks(1), masks(1, kind=BAG)),
    )  # fmt: skip
    view = view_of(make_plan(incident, None, replace(QUICK, effort=0)))
    # Q's swap, due at 12:10, waits on the buffer for hands until 12:13, and is out until P leaves.
    assert next((row[0], row[-1]) for row in view.swaps.rows if row[1] == "Q") == ("12:15", "R1")
