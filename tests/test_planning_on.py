"""Planning on from the middle: as little is changed as is worth it, and every change is told."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.audit import audit
from planner.cli import main
from planner.demand import sample
from planner.incident import Incident, Option, Phase
from planner.operation.judge import Bench
from planner.operation.reading import state_after
from planner.plan import Plan
from planner.policy import KeptFor, Policy, Promise
from planner.replan import carried_on, changes_between, cost_of, num_moved
from planner.report.facts import change_by_min
from planner.report.going_on import going_on_lines, going_on_result
from planner.report.view import view_of
from planner.situation import situation_document, situation_from
from planner.state import State, initial_state
from planner.workflow import CHOOSING_SAMPLES, Request, judge_on, make_plan
from tests.generator import random_incident
from tests.rule_incidents import NRB, cyl, hand, masks, pat, reg, world

QUICK = Request(seed=5, samples=500, effort=40, deterministic_s=0.1)
SEEDS = (21, 22, 23, 24)
NOISE = 1e-12


def priced(incident: Incident, price: float) -> Incident:
    return replace(incident, priorities=replace(incident.priorities, change_price=price))


@cache
def begun(seed: int) -> tuple[Plan, State]:
    """A plan, and what is so 30 minutes later in one sample of it."""
    plan = make_plan(random_incident(seed, num_patients=6, num_cylinders=14), None, QUICK)
    needs = sample(plan.incident, plan.state, 1, 99)
    return plan, state_after(plan.incident, plan.state, plan.policy, needs, 0, 30.0)


def objective(incident: Incident, state: State, policy: Policy) -> float:
    needs = sample(incident, state, CHOOSING_SAMPLES, QUICK.seed)
    judge = judge_on(Bench.of(incident, state, needs))
    return float(np.mean(judge(policy, 0, CHOOSING_SAMPLES)))


def on(plan: Plan, state: State, **more: object) -> Plan:
    request = replace(QUICK, in_force=plan.policy, **more)  # type: ignore[arg-type]
    return make_plan(plan.incident, state, request)


# ----- counting changes -------------------------------------------------------------------------


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.permutations(range(6)))
def test_moved_is_what_the_longest_run_leaves_over(order: list[int]) -> None:
    """By enumeration: the largest subset that stands in rising order stays where it is."""
    stays = max(
        len(kept) for size in range(7) for kept in combinations(order, size)
        if list(kept) == sorted(kept)
    )  # fmt: skip
    tags = [str(k) for k in range(6)]
    assert num_moved(tags, [tags[k] for k in order]) == 6 - stays


def test_each_kind_of_change_is_counted() -> None:
    one, other = (Option(NRB, "first choice", (Phase(flow),)) for flow in (15.0, 10.0))
    before = Policy(options=(("P", one), ("Q", one)), order=("a", "b", "c"),
                    promises=(Promise("Q", "r1"),))  # fmt: skip
    assert changes_between(before, before) == ()
    after = Policy(
        options=(("P", other), ("Q", one)), order=("c", "a", "b", "new"),
        promises=(Promise("Q", "r2"),), kept_for=(KeptFor(None, "CGA 540", "immediate", 1),),
    )  # fmt: skip
    found = changes_between(before, after)
    assert [(c.kind, c.patient, c.cost) for c in found] == [
        ("option", "P", 1), ("promise", "Q", 1), ("list", "", 1), ("kept for", "", 1),
    ]  # fmt: skip
    assert cost_of(before, after) == 4
    # First connections of people who wait are no change of plan: somebody has to be connected.
    assert cost_of(before, replace(before, order=("b", "c"))) == 0


# ----- the plan in force ------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_new_and_no_better_plan_changes_nothing(seed: int) -> None:
    """What changes is worth more, on the choosing samples, than its price; else nothing does."""
    plan, state = begun(seed)
    again = on(plan, state)
    carried = carried_on(plan.incident, state, plan.policy)
    cost = cost_of(carried, again.policy)
    gain = objective(plan.incident, state, carried) - objective(plan.incident, state, again.policy)
    price = plan.incident.priorities.change_price
    assert gain >= price * cost - NOISE
    if cost == 0:
        assert again.policy.options == carried.options
    assert again.going_on is not None
    assert again.going_on.num_changes == cost
    assert not audit(again)


@pytest.mark.parametrize("seed", SEEDS)
def test_where_no_change_can_be_worth_it_the_plan_goes_on(seed: int) -> None:
    """J lies below 1 + minutes' weights x people x hours: 100 for a change is never gained."""
    plan, state = begun(seed)
    dear = replace(plan, incident=priced(plan.incident, 100.0))
    again = on(dear, state)
    assert cost_of(carried_on(dear.incident, state, plan.policy), again.policy) == 0
    assert again.going_on is not None
    assert again.going_on.reasons == ()
    assert again.going_on.by.value == 0.0
    assert "No change" in going_on_lines(again)[0]
    assert not audit(again)


def test_where_changes_are_free_some_are_made() -> None:
    """Twin of the test above: the same states, changes for nothing."""
    changed = 0
    for seed in SEEDS:
        plan, state = begun(seed)
        free = replace(plan, incident=priced(plan.incident, 0.0))
        changed += cost_of(carried_on(free.incident, state, plan.policy), on(free, state).policy)
    assert changed > 0


def test_bad_news_is_answered_and_every_answer_has_its_reason() -> None:
    """P breathes; Q is awaited on first choice from the same heap. When P's transport is 40 min
    later, Q's lower flow leaves more for P: the option changes, and without it more run out.
    """
    first = Option(NRB, "first choice", (Phase(10.0),))
    low = Option(NRB, "reduced", (Phase(2.0),))
    incident = world(
        [pat("P", gone=40.0, flow=10.0),
         pat("Q", "delayed", found=10.0, gone=60.0, options=(first, low))],
        [cyl(f"T{k}", 100.0) for k in range(10)],
        [reg("r1"), reg("r2")],
        [hand("R1"), hand("R2")],
        devices=(masks(3),),
        horizon_min=100.0,
    )  # fmt: skip
    plan = make_plan(incident, None, QUICK)
    assert plan.policy.option_of("Q") == first
    assert plan.risk.anyone.value == 0.0
    needs = sample(incident, plan.state, 1, 1)
    state = state_after(incident, plan.state, plan.policy, needs, 0, 5.0)
    late = replace(incident.patients[0], transfer=incident.patients[0].transfer.later(40.0))  # type: ignore[union-attr]
    worse = replace(incident, patients=(late, incident.patients[1]))
    again = make_plan(worse, state, replace(QUICK, in_force=plan.policy))
    found = again.going_on
    assert found is not None
    # 80 min at 10 for P and 50 at 10 for Q are 1300 L; there are 1000, 100 at 2 L/min for Q.
    assert found.risk.anyone.value == 1.0
    assert again.policy.option_of("Q") == low
    assert again.risk.anyone.value == 0.0
    assert found.by.value == -1.0
    reason = next(r for r in found.reasons if r.change.kind == "option")
    assert reason.without is not None
    assert reason.without.value == 1.0
    told = going_on_lines(again)
    assert "100 points fewer" in told[0]
    assert any(line.startswith("Q: non-rebreather 2 L/min (reduced), before non-rebreather 10")
               and "without it: 100 points more" in line for line in told)  # fmt: skip
    tree = going_on_result(again)
    assert tree is not None
    assert json.loads(json.dumps(tree))["changes"][0]["patient"] == "Q"


def test_the_dial_of_somebody_on_oxygen_may_be_turned_down() -> None:
    """P is alone on 10 L/min with 600 L; when transport comes at 80 instead of 40, 10 L/min run
    out and 5 do not (5 min at 10 and 75 at 5 are 425 L). The mask and the cylinder stay on.
    """
    options = tuple(
        Option(NRB, level, (Phase(flow),))
        for level, flow in (("first choice", 10.0), ("reduced", 5.0))
    )
    incident = world(
        [pat("P", gone=40.0, options=options)], [cyl(f"T{k}", 100.0) for k in range(6)],
        [reg("r1")], [hand("R1")], devices=(masks(1),),
    )  # fmt: skip
    plan = make_plan(incident, None, QUICK)
    assert plan.policy.option_of("P") == options[0]
    needs = sample(incident, plan.state, 1, 1)
    state = state_after(incident, plan.state, plan.policy, needs, 0, 5.0)
    late = replace(incident.patients[0], transfer=incident.patients[0].transfer.later(40.0))  # type: ignore[union-attr]
    worse = replace(incident, patients=(late,))
    again = make_plan(worse, state, replace(QUICK, in_force=plan.policy))
    assert again.policy.option_of("P") == options[1]
    assert again.policy.hookups[0].cylinders == state.hookups[0].cylinders
    assert again.policy.hookups[0].lines[0].flow_lpm == 5.0
    assert again.risk.anyone.value == 0.0
    assert not audit(again)
    found = again.going_on
    assert found is not None
    assert found.risk.anyone.value == 1.0
    reason = next(r for r in found.reasons if r.change.kind == "option")
    assert reason.without is not None
    assert reason.without.value == 1.0
    # Twin: a flow that could not be turned down before is left alone.
    stuck = replace(state, patients=(replace(state.patients[0], phases_stopped=True),))
    kept = make_plan(worse, stuck, replace(QUICK, in_force=plan.policy))
    assert kept.policy.hookups[0].lines[0].flow_lpm == 10.0


def test_a_plan_from_minute_0_is_a_fresh_plan() -> None:
    incident = random_incident(21, num_patients=6, num_cylinders=14)
    read = situation_from(situation_document(initial_state(incident), incident), incident)
    one, other = (make_plan(incident, state, QUICK) for state in (None, read.state))
    assert (one.policy, one.risk, one.lasts) == (other.policy, other.risk, other.lasts)
    assert one.going_on is None
    assert going_on_lines(one) == ()


def test_change_by_counts_from_the_states_minute() -> None:
    """T0 has 100 L at minute 5 of the state, 10 L/min: change by 15, not by 10 since its flow."""
    incident = world([pat("P", gone=80.0)], [cyl("T0", 150.0), cyl("T1", 100.0)], [reg("r1")],
                     [hand("R1")], devices=(masks(1),))  # fmt: skip
    plan = make_plan(incident, None, QUICK)
    hookup = plan.policy.hookups[0]
    needs = sample(incident, plan.state, 1, 1)
    state = state_after(incident, plan.state, plan.policy, needs, 0, 5.0)
    again = make_plan(incident, state, QUICK)
    assert hookup.cylinders == ("T0",)
    assert change_by_min(plan, "T0", 10.0, 0.0) == pytest.approx(15.0)
    assert change_by_min(again, "T0", 10.0, 0.0) == pytest.approx(15.0)
    assert view_of(again).title.endswith("planned on from 12:05 (minute 5)")


# ----- the command ------------------------------------------------------------------------------

FLAGS = ["--samples", "300", "--effort", "5"]


def test_command_plans_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    slope = Path(__file__).parents[1] / "scenarios" / "pelvarra-camp.toml"
    first, state = tmp_path / "first.json", tmp_path / "now.json"
    assert main(["plan", str(slope), *FLAGS, "--json", str(first)]) == 0
    capsys.readouterr()
    from planner.files import read_incident
    from planner.policy_document import policy_from

    incident = read_incident(slope).incident
    policy = policy_from(json.loads(first.read_text())["policy"])
    needs = sample(incident, initial_state(incident), 1, 4)
    then = state_after(incident, initial_state(incident), policy, needs, 0, 45.0)
    state.write_text(json.dumps(situation_document(then, incident)))
    words = ["plan", str(slope), *FLAGS, "--state", str(state), "--from", str(first)]
    assert main(words) == 0
    told = capsys.readouterr().out
    assert "(minute 45)" in told
    assert "The plan in force, carried on from" in told
    assert main(["compare", str(slope), *FLAGS, "--state", str(state)]) == 0


def test_a_plan_of_another_incident_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    slope = Path(__file__).parents[1] / "scenarios"
    other = tmp_path / "other.json"
    assert main(["plan", str(slope / "quessel-hut.toml"), *FLAGS, "--json", str(other)]) == 0
    capsys.readouterr()
    words = ["plan", str(slope / "pelvarra-camp.toml"), *FLAGS, "--from", str(other)]
    assert main(words) == 2
    told = capsys.readouterr().err
    assert "[policy] patient: received" in told
    assert "[policy] cylinder: received" in told
    other.write_text('{"policy": {"hookups": 3}}')
    assert main(words) == 2
    assert "allowed: the policy of a plan" in capsys.readouterr().err
