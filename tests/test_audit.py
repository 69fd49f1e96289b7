"""The audit: sound plans have no finding, and each of many spoilt ones is caught by its invariant.

A spoilt plan is a sound one with one thing changed by ``dataclasses.replace``; more invariants than
the meant one may notice it. Numbers in the comments are those of the shipped scenarios.
"""

from __future__ import annotations

import ast
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from planner import audit as audit_module
from planner.audit import INVARIANTS, audit
from planner.demand import sample
from planner.estimate import Estimate
from planner.files import read_incident
from planner.incident import Leg, Option, Phase, Place, ThreePoint
from planner.operation.reading import state_after
from planner.plan import Plan
from planner.policy import KeptFor, Promise
from planner.rules import promised_in_advance
from planner.state import Hookup, Line
from planner.units import Pressure
from planner.workflow import Request, make_plan
from tests.generator import random_incident

FOLDER = Path(__file__).parents[1] / "scenarios"
QUICK = Request(seed=1, samples=300, effort=5)
ULVAREN, OSTRENGA, QUESSEL, LATER = "ulvaren-bowl", "ostrenga-pass", "quessel-hut", "ulvaren later"
PELVARRA = "pelvarra-camp"


@pytest.fixture(scope="module")
def plans() -> dict[str, Plan]:
    """Three shipped scenarios from the start, and one planned again at minute 40 of a sample."""
    found = {
        name: make_plan(read_incident(FOLDER / f"{name}.toml").incident, None, QUICK)
        for name in (ULVAREN, OSTRENGA, QUESSEL, PELVARRA)
    }
    begun = found[ULVAREN]
    needs = sample(begun.incident, begun.state, 3, 1)
    state = state_after(begun.incident, begun.state, begun.policy, needs, 0, 40.0)
    return found | {LATER: make_plan(begun.incident, state, QUICK)}


def caught(plan: Plan) -> set[str]:
    return {name for name, rule in INVARIANTS if next(rule(plan), None) is not None}


# ----- one change each -------------------------------------------------------------------------


def policy(plan: Plan, **changes: Any) -> Plan:
    return replace(plan, policy=replace(plan.policy, **changes))


def put(rows: tuple[Any, ...], number: int, /, **changes: Any) -> tuple[Any, ...]:
    return (*rows[:number], replace(rows[number], **changes), *rows[number + 1 :])


def hookup(plan: Plan, number: int, **changes: Any) -> Plan:
    return policy(plan, hookups=put(plan.policy.hookups, number, **changes))


def line(plan: Plan, number: int, **changes: Any) -> Plan:
    return hookup(plan, number, lines=put(plan.policy.hookups[number].lines, 0, **changes))


def promise(plan: Plan, number: int, **changes: Any) -> Plan:
    return policy(plan, promises=put(plan.policy.promises, number, **changes))


def option(plan: Plan, tag: str, new: Option | None) -> Plan:
    """Another option for somebody, None: none at all."""
    rows = dict(plan.policy.options) | {tag: new}
    return policy(plan, options=tuple((t, o) for t, o in rows.items() if o is not None))


def kept(plan: Plan, *rows: KeptFor) -> Plan:
    return policy(plan, kept_for=rows)


def swap(plan: Plan, patient: str, number: int = 1, /, **changes: Any) -> Plan:
    at = next(k for k, s in enumerate(plan.swaps) if (s.patient, s.number) == (patient, number))
    return replace(plan, swaps=put(plan.swaps, at, **changes))


def state(plan: Plan, table: str, tag: str, **changes: Any) -> Plan:
    rows = getattr(plan.state, table)
    at = next(k for k, row in enumerate(rows) if row.tag == tag)
    return replace(plan, state=replace(plan.state, **{table: put(rows, at, **changes)}))


def first(plan: Plan, patient: str) -> int:
    return next(k for k, h in enumerate(plan.policy.hookups) if h.lines[0].patient == patient)


def cellar(plan: Plan, cylinder: str) -> Plan:
    """A cylinder at a place that nothing is carried from."""
    places = (*plan.incident.places, Place("cellar"))
    plan = replace(plan, incident=replace(plan.incident, places=places))
    return state(plan, "cylinders", cylinder, place="cellar")


def own(plan: Plan, tag: str, new: Option) -> Plan:
    """Somebody's only own option."""
    at = next(k for k, p in enumerate(plan.incident.patients) if p.tag == tag)
    people = put(plan.incident.patients, at, options=(new,))
    return option(replace(plan, incident=replace(plan.incident, patients=people)), tag, new)


def carried(plan: Plan, tag: str) -> Plan:
    """Somebody with a leg to go."""
    at = next(k for k, p in enumerate(plan.incident.patients) if p.tag == tag)
    leg = Leg("hut", ThreePoint(9, 9, 9), ThreePoint(5, 5, 5))
    people = put(plan.incident.patients, at, legs=(leg,))
    return replace(plan, incident=replace(plan.incident, patients=people))


def no_masks(plan: Plan) -> Plan:
    rows = tuple(replace(row, is_gone=True) for row in plan.state.devices)
    return replace(plan, state=replace(plan.state, devices=rows))


def no_keys(plan: Plan) -> Plan:
    rows = tuple(replace(r, count=0) if r.kind == "key" else r for r in plan.incident.sundries)
    return replace(plan, incident=replace(plan.incident, sundries=rows))


def risk(plan: Plan, **changes: Any) -> Plan:
    return replace(plan, risk=replace(plan.risk, **changes))


def shifted(estimate: Estimate, by: float) -> Estimate:
    return Estimate(estimate.value + by, estimate.low + by, estimate.high + by, estimate.samples)


def limit(plan: Plan, name: str, **values: float) -> Plan:
    row = getattr(plan.best_possible, name)
    new = {tier: Estimate(v, v, v, plan.run.samples) for tier, v in values.items()}
    return replace(plan, best_possible=replace(plan.best_possible, **{name: replace(row, **new)}))


def out_by(plan: Plan, change: Callable[[Any, Any], tuple[Any, Any]]) -> Plan:
    return replace(plan, chance_out_by=change(*plan.chance_out_by))


def tuned(flow: float) -> Option:
    return Option("simple mask", "reduced", (Phase(flow),))


SPOILT: tuple[tuple[str, str, Callable[[Plan], Plan]], ...] = (
    # ----- kit
    # Nobody has a cylinder of this tag.
    ("every tag exists", ULVAREN, lambda p: policy(p, order=(*p.policy.order, "Z-99"))),
    # A promise to somebody who is not on the incident.
    ("every tag exists", ULVAREN, lambda p: promise(p, 0, patient="nobody")),
    # The first one on the list stands at its end as well.
    ("kit is in one place once", ULVAREN,
     lambda p: policy(p, order=(*p.policy.order, p.policy.order[0]))),
    # U1's cylinder is on the list, for anybody to take.
    ("kit is in one place once", ULVAREN,
     lambda p: policy(p, order=(*p.policy.order, *p.policy.hookups[0].cylinders))),
    # U1's regulator is promised to U2.
    ("kit is in one place once", ULVAREN,
     lambda p: promise(p, 0, regulator=p.policy.hookups[0].regulator)),
    # The same mask for two people not yet found.
    ("kit is in one place once", ULVAREN,
     lambda p: promise(p, 0, device=p.policy.promises[1].device)),
    # One cylinder promised to two.
    ("kit is in one place once", ULVAREN,
     lambda p: promise(promise(p, 0, cylinders=("D-04",)), 1, cylinders=("D-04",))),
    # A listed cylinder was taken off before: it isn't used again.
    ("kit is free", ULVAREN,
     lambda p: state(p, "cylinders", p.policy.order[0], status="taken off")),
    # U1's regulator left with somebody.
    ("kit is free", ULVAREN,
     lambda p: state(p, "regulators", str(p.policy.hookups[0].regulator), is_gone=True)),
    # Q4's D (CGA 870) on the twin-stage regulator (CGA 540).
    ("regulators fit their cylinders", QUESSEL,
     lambda p: hookup(p, first(p, "Q4"), regulator="Twin-1")),
    # No regulator on a CGA 870 valve, which is not built in.
    ("regulators fit their cylinders", ULVAREN, lambda p: hookup(p, 0, regulator=None)),
    # Q1 is on a CGA 540 regulator, its promised D is CGA 870.
    ("regulators fit their cylinders", QUESSEL,
     lambda p: policy(p, promises=(Promise("Q1", cylinders=("D-03",)),))),
    # Two children off the one outlet of R-1.
    ("nobody shares an outlet", OSTRENGA,
     lambda p: hookup(p, 0, lines=(*p.policy.hookups[0].lines, *p.policy.hookups[1].lines))),
    # One of those on a source is in the hut, the source is not.
    ("all on one source are at one place", ULVAREN, lambda p: state(
        hookup(p, 0, lines=(*p.policy.hookups[0].lines, Line("U4", "non-rebreather", 10.0))),
        "patients", "U4", place="hut")),
    # A second line on a source whose swap is due.
    ("outlets are taken of sources that run", LATER, lambda p: state(
        hookup(p, 0, lines=(*p.policy.hookups[0].lines, Line("U4", "non-rebreather", 10.0))),
        "patients", p.policy.hookups[0].lines[0].patient, waiting_since_min=39.0)),
    # The one on the concentrator wears a mask with a reservoir.
    ("no concentrator fills a bag", PELVARRA,
     lambda p: line(hookup(p, 0, cylinders=("Machine",), regulator=None), 0,
                    device="non-rebreather")),
    # U1 is to be carried on and shares a source.
    ("who is carried has a source of its own", ULVAREN, lambda p: hookup(
        carried(p, "U1"), first(p, "U1"), lines=(
            *p.policy.hookups[first(p, "U1")].lines, Line("U4", "non-rebreather", 10.0)))),
    # U1 is on its way, and newly connected.
    ("who is carried has a source of its own", ULVAREN,
     lambda p: state(p, "patients", "U1", arrives_min=8.0)),
    # 7 L/min isn't among the clicks 6 and 8.
    ("flows are on the dial", ULVAREN,
     lambda p: line(option(p, "U1", tuned(7.0)), 0, flow_lpm=7.0)),
    # Nor for U3, whose regulator is promised.
    ("flows are on the dial", ULVAREN, lambda p: option(p, "U3", tuned(7.0))),
    # JD-01 lies in the hut, 14 min from the debris: not there at minute 0.
    ("first kit is there by now", ULVAREN, lambda p: hookup(p, 0, cylinders=("JD-01",))),
    # E-01 has not arrived at all.
    ("first kit is there by now", ULVAREN, lambda p: hookup(p, 0, cylinders=("E-01",))),
    # D-04 is promised to U2 and lies where nothing is carried from.
    ("promised and listed kit is within reach", ULVAREN,
     lambda p: cellar(promise(p, 0, cylinders=("D-04",)), "D-04")),
    # The same, of a cylinder that is only on the list.
    ("promised and listed kit is within reach", OSTRENGA, lambda p: cellar(p, "E-02")),
    # Four connections and not one mask.
    ("masks suffice", OSTRENGA, no_masks),
    # U2 is to be bagged and is promised U3's simple mask.
    ("masks suffice", ULVAREN, lambda p: promise(p, 0, device=p.policy.promises[2].device)),
    # A1 and A2 taken for children: there is one child's non-rebreather for the two.
    ("masks suffice", OSTRENGA,
     lambda p: replace(p, incident=replace(p.incident, patients=tuple(
         replace(x, age="child") if x.tag in {"A1", "A2"} else x for x in p.incident.patients)))),
    # Four first connections, three washers.
    ("washers and keys suffice", OSTRENGA,
     lambda p: replace(p, state=replace(p.state, washers=(3,)))),
    # Pin-index valves and no key in the bus.
    ("washers and keys suffice", OSTRENGA, no_keys),
    # 500 psi read at 15 C is under 500 psi at -9 C.
    ("cylinders are above the change pressure", OSTRENGA,
     lambda p: state(p, "cylinders", "E-02", gauge=Pressure(500.0, "psi"))),
    # ----- people
    # 4 L/min on a simple mask is no option of U1's.
    ("options are allowed", ULVAREN, lambda p: option(p, "U1", tuned(4.0))),
    # A venturi mask is for COPD and no option of C2's.
    ("options are allowed", OSTRENGA, lambda p: option(p, "C2", dict(p.policy.options)["A4"])),
    # No venturi mask comes for an infant, be it B1's own option.
    ("options are allowed", OSTRENGA, lambda p: own(p, "B1", dict(p.policy.options)["A4"])),
    # U1's option says 8 L/min and 6 is set.
    ("options are carried out", ULVAREN, lambda p: line(p, 0, flow_lpm=6.0)),
    # U1's option says simple mask.
    ("options are carried out", ULVAREN, lambda p: line(p, 0, device="cannula")),
    # U1 on two sources.
    ("everyone stands once", ULVAREN,
     lambda p: policy(p, hookups=(*p.policy.hookups, p.policy.hookups[0]))),
    # B1 waits and has oxygen indicated: without an option it stands nowhere.
    ("everyone stands once", OSTRENGA, lambda p: option(p, "B1", None)),
    # U4 has no oxygen indicated.
    ("everyone stands once", ULVAREN, lambda p: option(p, "U4", tuned(6.0))),
    # U2 is not found yet.
    ("everyone stands once", ULVAREN,
     lambda p: policy(p, hookups=(*p.policy.hookups, Hookup(
         ("D-01",), "R-2", (Line("U2", "bag-valve-mask", 10.0),))))),
    # U1 was transferred.
    ("nobody gone or dead gets oxygen", ULVAREN,
     lambda p: state(p, "patients", "U1", status="gone")),
    # U2 died and is promised kit.
    ("nobody gone or dead gets oxygen", ULVAREN,
     lambda p: state(p, "patients", "U2", status="dead")),
    # Whoever was on oxygen at minute 40 is so no more.
    ("what runs goes on", LATER, lambda p: policy(p, hookups=p.policy.hookups[1:])),
    # ... or has another mask; a dial that is turned to what is no option is caught elsewhere.
    ("what runs goes on", LATER, lambda p: line(p, 0, device="venturi 28")),
    ("options are carried out", LATER, lambda p: line(p, 0, flow_lpm=2.0)),
    # Bagging C1 takes two, and one is there.
    ("hands suffice", OSTRENGA,
     lambda p: replace(p, state=replace(p.state, responders=p.state.responders[:1]))),
    # Nine CGA 870 are on the list.
    ("what is kept is on the list", OSTRENGA,
     lambda p: kept(p, KeptFor(None, "CGA 870", "immediate", 10))),
    # Nobody is below the dead.
    ("what is kept is on the list", OSTRENGA,
     lambda p: kept(p, KeptFor(None, "CGA 870", "dead", 1))),
    # There is no cellar.
    ("what is kept is on the list", OSTRENGA,
     lambda p: kept(p, KeptFor("cellar", "CGA 870", "immediate", 1))),
    # ----- swaps
    # Q4 is on CGA 870, M60-02 is CGA 540.
    ("swaps exist and fit", QUESSEL, lambda p: swap(p, "Q4", on="M60-02")),
    # No such cylinder.
    ("swaps exist and fit", ULVAREN, lambda p: swap(p, "U1", on="Z-99")),
    # U1 lies at the debris.
    ("swaps exist and fit", ULVAREN, lambda p: swap(p, "U1", place="hut")),
    # A6 has no oxygen.
    ("swaps exist and fit", OSTRENGA, lambda p: swap(p, "A2", patient="A6")),
    # Q4's next cylinder is Q7's too.
    ("a cylinder goes on once", QUESSEL, lambda p: swap(p, "Q5", on=p.swaps[0].on)),
    # U1's own comes off and on.
    ("a cylinder goes on once", ULVAREN, lambda p: swap(p, "U1", on="D-02")),
    # D-04 is promised to U2 and U1 goes onto it.
    ("a cylinder goes on once", ULVAREN,
     lambda p: swap(promise(p, 0, cylinders=("D-04",)), "U1", on="D-04")),
    # U1's second swap is numbered as its fourth.
    ("swaps of one patient follow each other", ULVAREN, lambda p: swap(p, "U1", 2, number=4)),
    # U1 is on D-02, not D-01.
    ("swaps of one patient follow each other", ULVAREN, lambda p: swap(p, "U1", off="D-01")),
    # A second swap happens only where the first did.
    ("swaps of one patient follow each other", ULVAREN,
     lambda p: swap(p, "U1", 2, chance_needed=1.0)),
    # Late before expected.
    ("swap times are in order and likely enough", ULVAREN, lambda p: swap(p, "U1", late_min=20.0)),
    # Beyond the horizon.
    ("swap times are in order and likely enough", ULVAREN,
     lambda p: swap(p, "U1", late_min=p.incident.horizon_min + 1)),
    # 1 in 25 is not printed.
    ("swap times are in order and likely enough", ULVAREN,
     lambda p: swap(p, "U1", chance_needed=0.04)),
    # At 8 L/min, half as much again at most, D-02 lasts longer than 5 min.
    ("nobody swaps before the litres allow", ULVAREN, lambda p: swap(p, "U1", early_min=5.0)),
    # Nobody is called that.
    ("printed responders are there and free", ULVAREN, lambda p: swap(p, "U1", responder="Nobody")),
    # The hut keeper is not at the debris.
    ("printed responders are there and free", ULVAREN,
     lambda p: swap(p, "U1", responder="Hut keeper")),
    # Q4's and Q7's swaps are less than a minute apart.
    ("printed responders are there and free", QUESSEL,
     lambda p: swap(p, "Q5", responder=p.swaps[0].responder)),
    # Three are in the hut, two of them bag Q1: one is left for Q5's and Q7's swaps.
    ("printed responders are there and free", QUESSEL, lambda p: swap(p, "Q5", responder="Guide")),
    # ----- figures
    # An interval below its value.
    ("chances lie in their intervals", ULVAREN,
     lambda p: risk(p, anyone=replace(p.risk.anyone, high=p.risk.anyone.low))),
    # A chance above 1.
    ("chances lie in their intervals", ULVAREN,
     lambda p: risk(p, still_here=Estimate(1.1, 1.0, 1.2, 300))),
    # An Immediate runs out more often than an Immediate or Delayed.
    ("tiers are nested", ULVAREN, lambda p: risk(p, immediate=shifted(p.risk.anyone, 0.01))),
    # U1's row is missing.
    ("patients add up to the tiers", ULVAREN,
     lambda p: risk(p, by_patient=p.risk.by_patient[1:])),
    # Minutes out of everyone are not those of each.
    ("patients add up to the tiers", ULVAREN,
     lambda p: risk(p, minutes_out=shifted(p.risk.minutes_out, 1.0))),
    # Somebody runs out more often than anyone.
    ("patients add up to the tiers", ULVAREN,
     lambda p: risk(p, by_patient=put(p.risk.by_patient, 0, chance=Estimate(0.99, 0.9, 1, 300)))),
    # J a tenth too low.
    ("the objective is the sum of its parts", ULVAREN,
     lambda p: risk(p, objective=shifted(p.risk.objective, -0.1))),
    # Out by the end less often than at all.
    ("the chance out by a minute rises to anyone's", ULVAREN,
     lambda p: out_by(p, lambda minutes, chances: (minutes, chances / 2))),
    # Falling.
    ("the chance out by a minute rises to anyone's", ULVAREN,
     lambda p: out_by(p, lambda minutes, chances: (minutes, chances[::-1]))),
    # Told from minute 10 on.
    ("the chance out by a minute rises to anyone's", ULVAREN,
     lambda p: out_by(p, lambda minutes, chances: (minutes[1:], chances[1:]))),
    # No plan could do better than 90 %, and this one does.
    ("limits are limits", ULVAREN, lambda p: limit(p, "at_plan_options", anyone=0.9)),
    # The lowest options can't be worse than the plan's.
    ("limits are limits", ULVAREN, lambda p: limit(p, "at_lowest_options", anyone=0.9)),
    # Immediates out before everyone.
    ("clocks run from now to the horizon", ULVAREN,
     lambda p: replace(p, lasts=replace(p.lasts, immediates_min=p.lasts.everyone_min - 1))),
    # A first connection that flows in five minutes.
    ("clocks run from now to the horizon", ULVAREN, lambda p: hookup(p, 0, flow_from_min=5.0)),
    # A source that's no rule.
    ("source and samples are as told", ULVAREN, lambda p: replace(p, source="a coin")),
    # The plan's own policy under the name of rule (a).
    ("source and samples are as told", ULVAREN, lambda p: replace(p, source=p.rules[0].rule)),
    # A run of other samples.
    ("source and samples are as told", ULVAREN,
     lambda p: replace(p, run=replace(p.run, samples=20_000))),
)  # fmt: skip


# ----- the tests -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [ULVAREN, OSTRENGA, QUESSEL, PELVARRA, LATER])
def test_sound_plans_have_no_finding(plans: dict[str, Plan], name: str) -> None:
    assert audit(plans[name]) == ()


@pytest.mark.parametrize("number", range(len(SPOILT)))
def test_a_spoilt_plan_is_caught_by_its_invariant(plans: dict[str, Plan], number: int) -> None:
    invariant, name, spoil = SPOILT[number]
    assert caught(plans[name]) == set()
    spoilt = spoil(plans[name])
    assert invariant in caught(spoilt)
    found = [text for text in audit(spoilt) if text.startswith(f"{invariant}: ")]
    assert found
    assert all("; allowed: " in text for text in found)


def test_every_invariant_catches_something() -> None:
    names = [name for name, _ in INVARIANTS]
    assert len(set(names)) == len(names)
    assert {invariant for invariant, _, _ in SPOILT} == set(names)


def test_plans_of_random_incidents_are_sound() -> None:
    # Kit that returns, places out of reach, own options with phases, a second connection.
    for seed in (0, 7):
        plan = make_plan(random_incident(seed), None, replace(QUICK, samples=200))
        assert audit(plan) == ()


def test_promised_cylinders_may_stand_on_the_list(plans: dict[str, Plan]) -> None:
    # Rule (b) promises everything on the list: the list is the order in which it is taken.
    begun = plans[ULVAREN]
    given = promised_in_advance(begun.incident, begun.state)
    assert {tag for p in given.promises for tag in p.cylinders} & set(given.order)
    assert "kit is in one place once" not in caught(replace(begun, policy=given))


FORBIDDEN = {"allocation", "operation", "rules", "shelf", "solver", "risk", "swaps", "limits"}


def imported(path: Path) -> set[str]:
    """Modules that a file imports, in functions too, save for types only."""
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            node.body = []
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        if isinstance(node, ast.ImportFrom):
            module = node.module or ""
            found |= {module, *(f"{module}.{alias.name}" for alias in node.names)}
    return found


def test_the_audit_is_written_without_the_model() -> None:
    home = Path(audit_module.__file__).parent
    files = sorted(home.glob("audit*.py"))
    assert [file.name for file in files] == ["audit.py", "audit_facts.py", "audit_figures.py"]
    for file in files:
        parts = {part for name in imported(file) for part in name.split(".")}
        assert not parts & FORBIDDEN
    # Twin: the same search finds them where they are.
    parts = {part for name in imported(home / "workflow.py") for part in name.split(".")}
    assert {"allocation", "operation", "limits", "risk", "solver", "swaps"} <= parts
