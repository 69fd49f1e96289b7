"""make_plan on incidents argued by hand, and the printed schedule from a swap log by hand.

Builders and their arithmetic are those of ``rule_incidents``; one sample is as good as many where
nothing is uncertain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest

from planner.demand import sample
from planner.incident import Incident, Option, Patient, Phase, SundryStock
from planner.operation.judge import Bench, Outcome
from planner.plan import Plan
from planner.policy import Policy
from planner.rules import triage_order
from planner.state import State, initial_state
from planner.swaps import Swap, most_swaps, schedule
from planner.workflow import Request, make_plan
from tests.rule_incidents import (
    BAG,
    NRB,
    YOKE,
    A,
    B,
    C,
    connected,
    cyl,
    eight_incidents,
    hand,
    later,
    masks,
    on,
    pat,
    reg,
    supply,
    world,
)

QUICK = Request(seed=7, samples=200, effort=10)
LADDER = (
    Option(NRB, "first choice", (Phase(10.0),)),
    Option(NRB, "reduced", (Phase(5.0),)),
)


class Logged(NamedTuple):
    """One connection of one sample: minute, patient, off and on as cylinder rows (-1: none)."""

    minute: float
    patient: int
    off: int
    on: int


def drawn(incident: Incident, samples: Sequence[Sequence[Logged]]) -> Outcome:
    """An outcome with this swap log and nothing else of interest."""
    state = initial_state(incident)
    needs = sample(incident, state, len(samples), 1)
    outcome = Bench.of(incident, state, needs).operate(Policy(), max_swaps=20)
    tally = outcome.swaps
    assert tally is not None
    tally.num_swaps[:] = [len(rows) for rows in samples]
    for s, rows in enumerate(samples):
        for k, row in enumerate(rows):
            tally.swap_min[s, k], tally.swap_patient[s, k] = row.minute, row.patient
            tally.swap_off[s, k], tally.swap_on[s, k] = row.off, row.on
            names = [place.name for place in incident.places]
            tally.swap_place[s, k] = names.index(incident.patients[row.patient].place)
    return outcome


def printed(incident: Incident, *samples: Sequence[Logged]) -> tuple[Swap, ...]:
    return schedule(incident, initial_state(incident), first_of(incident), drawn(incident, samples))


def first_of(incident: Incident) -> Policy:
    """A policy in which everyone has their first option."""
    return Policy(options=tuple((p.tag, p.options[0]) for p in incident.patients if p.options))


def crowd(*people: Patient, responders: Sequence[str] = ("R1", "R2"), **more: object) -> Incident:
    people = people or (pat("P"), pat("Q"))
    cylinders = [cyl(f"c{k}", 100) for k in range(8)]
    return world(people, cylinders, [], [hand(tag) for tag in responders], **more)


# ----- the printed schedule --------------------------------------------------------------------


def test_a_swap_is_told_with_its_quantiles_and_its_chance() -> None:
    # In 3 of 4 samples P swaps, at 10, 20 and 30: points at 12, 20 and 28 by interpolation.
    samples = [[Logged(minute, 0, 0, 2)] for minute in (30.0, 10.0, 20.0)]
    (swap,) = printed(crowd(), *samples, [])
    assert (swap.early_min, swap.expected_min, swap.late_min) == pytest.approx((12, 20, 28))
    assert swap.chance_needed == 0.75
    assert (swap.patient, swap.number, swap.off, swap.on) == ("P", 1, "c0", "c2")
    assert (swap.responder, swap.place) == ("R1", A)


def test_a_swap_of_less_than_1_in_20_is_not_printed() -> None:
    def count(num_with: int) -> int:
        rows = [[Logged(10.0, 0, 0, 2)]] * num_with + [[]] * (100 - num_with)
        return len(printed(crowd(), *rows))

    assert count(4) == 0
    assert count(5) == 1


def test_each_cylinder_is_printed_once_and_the_next_likeliest_is_taken() -> None:
    # P's swap at 10 takes c2 in every sample. Q's at 20 takes c2 in two and c3 in one: c2 is
    # printed for P, so c3 stands there; a third with c2 alone has none.
    people = (pat("P"), pat("Q"), pat("R"))
    samples = [
        [Logged(10.0, 0, 0, 2), Logged(20.0, 1, 1, on_it), Logged(30.0, 2, 4, 2)]
        for on_it in (2, 2, 3)
    ]
    swaps = printed(crowd(*people), *samples)
    assert [(s.patient, s.on) for s in swaps] == [("P", "c2"), ("Q", "c3"), ("R", None)]
    # Twin: without P's swap c2 is Q's.
    swaps = printed(crowd(*people), *(rows[1:] for rows in samples))
    assert [(s.patient, s.on) for s in swaps] == [("Q", "c2"), ("R", None)]


def test_off_is_what_the_printed_swap_before_put_on() -> None:
    # In one sample of three the second swap takes c3 off; the sheet says c2, which it put on.
    samples = [[Logged(10.0, 0, 0, first), Logged(20.0, 0, first, 5)] for first in (2, 2, 3)]
    first, second = printed(crowd(), *samples)
    assert (first.off, first.on, second.off, second.on) == ("c0", "c2", "c2", "c5")
    # Someone found: nothing comes off.
    (swap,) = printed(crowd(), [Logged(10.0, 0, -1, 2)])
    assert swap.off is None


def test_a_later_connection_never_stands_before_an_earlier_one() -> None:
    # The second swap happens only where the first came at 10: its median, 25, lies before the
    # first one's, 30. Q's at 27 shows that time still sorts the rest.
    early = [Logged(10.0, 0, 0, 2), Logged(25.0, 0, 2, 3)]
    rest = [Logged(30.0, 0, 0, 2)]
    swaps = printed(crowd(), early, rest, [*rest, Logged(27.0, 1, 1, 4)])
    assert [(s.patient, s.number) for s in swaps] == [("Q", 1), ("P", 1), ("P", 2)]
    # Twin: where every sample goes on to the second, it lies after Q's by its own time.
    swaps = printed(crowd(), early, early, [*early, Logged(27.0, 1, 1, 4)])
    assert [(s.patient, s.number) for s in swaps] == [("P", 1), ("P", 2), ("Q", 1)]


def test_nobody_is_asked_to_be_at_two_swaps_at_once() -> None:
    def doers(minute: float, responders: Sequence[str] = ("R1", "R2")) -> list[str | None]:
        incident = crowd(responders=responders)
        rows = [Logged(10.0, 0, 0, 2), Logged(minute, 1, 1, 3)]
        return [s.responder for s in printed(incident, rows)]

    # A swap takes 3 min here: 2 min later R1 is still busy, 3 min later free again.
    assert doers(12.0) == ["R1", "R2"]
    assert doers(13.0) == ["R1", "R1"]
    assert doers(12.0, ["R1"]) == ["R1", None]


def test_who_comes_later_or_is_elsewhere_is_not_asked() -> None:
    incident = crowd()
    hands = (hand("far", B), hand("late", A, 15.0), hand("there", A))
    incident = replace(incident, responders=hands)
    (swap,) = printed(incident, [Logged(10.0, 0, 0, 2)])
    assert swap.responder == "there"
    (swap,) = printed(incident, [Logged(15.0, 0, 0, 2)])
    assert swap.responder == "late"


def test_who_bags_does_not_swap() -> None:
    # Three at A, two of them bag P from 0 on: R1 alone is left for Q's and R's swaps at 10.
    def doers(*people: Patient, minute: float = 10.0) -> list[str | None]:
        incident = crowd(*people, responders=("R1", "R2", "R3"))
        rows = [Logged(minute, 1, 1, 3), Logged(minute, 2, 2, 4)]
        return [s.responder for s in printed(incident, rows)]

    others = pat("Q"), pat("R")
    assert doers(pat("P", device=BAG, gone=50), *others) == ["R1", None]
    # Twins: a mask holds nobody; an airway device frees one; gone by then; not found yet then;
    # less likely than not to be found at all; bagged somewhere else.
    assert doers(pat("P", gone=50), *others) == ["R1", "R2"]
    assert doers(pat("P", device=BAG, airway_device=True, gone=50), *others) == ["R1", "R2"]
    assert doers(pat("P", device=BAG, gone=9), *others) == ["R1", "R2"]
    assert doers(pat("P", device=BAG, found=20, gone=50), *others) == ["R1", "R2"]
    assert doers(pat("P", device=BAG, found=20, gone=50), *others, minute=30.0) == ["R1", None]
    missing = pat("P", device=BAG, found=5, chance_needed=0.4, gone=50)
    assert doers(missing, *others) == ["R1", "R2"]
    assert doers(pat("P", device=BAG, gone=50, place=B), *others) == ["R1", "R2"]


def test_only_whom_the_plan_bags_holds_hands() -> None:
    # P may be bagged or breathe by mask. Three at A: bagged, P leaves R1; on the mask, all three.
    bag, mask = pat("P", device=BAG).options[0], pat("P").options[0]
    incident = crowd(pat("P", options=(mask, bag), gone=50), responders=("R1", "R2", "R3"))
    log = drawn(incident, [[Logged(10.0, 0, 0, 3), Logged(10.0, 0, 3, 4)]])
    for option, expected in ((bag, ["R1", None]), (mask, ["R1", "R2"])):
        policy = Policy(options=(("P", option),))
        swaps = schedule(incident, initial_state(incident), policy, log)
        assert [s.responder for s in swaps] == expected


def test_schedule_wants_a_swap_log() -> None:
    incident = crowd()
    state = initial_state(incident)
    outcome = Bench.of(incident, state, sample(incident, state, 3, 1)).operate(Policy())
    with pytest.raises(ValueError, match="no swap log"):
        schedule(incident, state, Policy(), outcome)


# ----- make_plan -------------------------------------------------------------------------------


def test_plan_of_one_patient_by_hand() -> None:
    # 10 L/min to minute 25 with cylinders of 100 L each: swaps at 10 and 21 (a minute's gap, then
    # 10 more), by the one responder, and nobody is ever out.
    incident = world([pat("P", gone=25)], [cyl(f"c{k}", 100) for k in range(3)])
    plan = make_plan(incident, None, QUICK)
    assert [(s.expected_min, s.responder, s.chance_needed) for s in plan.swaps] == [
        (pytest.approx(10.0), "R1", 1.0),
        (pytest.approx(21.0), "R1", 1.0),
    ]
    assert {s.early_min for s in plan.swaps} == {s.late_min for s in plan.swaps} == {10.0, 21.0}
    assert plan.risk.anyone.value == plan.risk.objective.value == 0.0
    # Nobody taken away: the last of 300 L ends at 10 + 11 + 11 = 32.
    assert plan.lasts.everyone_min == plan.lasts.immediates_min == pytest.approx(32.0)
    assert not plan.is_fallback
    assert plan.run.repeatable
    # Twin: one cylinder less is out from 21 on, in every sample, 4 min each.
    plan = make_plan(replace(incident, cylinders=incident.cylinders[:2]), None, QUICK)
    assert plan.risk.anyone.value == 1.0
    assert plan.risk.minutes_out.value == pytest.approx(4.0)
    assert plan.lasts.everyone_min == pytest.approx(21.0)


def test_a_step_down_is_taken_where_it_pays_and_priced() -> None:
    # 100 L to minute 20. First choice, 10 L/min: out at 10, J = 1 + 10 x .004. Reduced, 5 L/min:
    # 20 min, never out, J = one step at .04.
    incident = world([pat("P", gone=20, options=LADDER)], [cyl("c1", 100)])
    plan = make_plan(incident, None, QUICK)
    assert [o.level for _, o in plan.policy.options] == ["reduced"]
    assert plan.risk.objective.value == pytest.approx(0.04)
    by_rule = {row.rule[:3]: row.risk.objective.value for row in plan.rules}
    assert by_rule == {"(a)": pytest.approx(1.04), "(b)": pytest.approx(1.04),
                       "(c)": pytest.approx(0.04)}  # fmt: skip
    # Twin: 200 L and it is not.
    plan = make_plan(replace(incident, cylinders=(cyl("c1", 200),)), None, QUICK)
    assert [o.level for _, o in plan.policy.options] == ["first choice"]
    assert plan.risk.objective.value == 0.0


def same(a: Plan, b: Plan) -> bool:
    return (
        (a.policy, a.risk, a.lasts, a.swaps, a.rules, a.best_possible)
        == (b.policy, b.risk, b.lasts, b.swaps, b.rules, b.best_possible)
    )  # fmt: skip


def test_same_seed_same_plan_and_another_seed_other_samples() -> None:
    rich = eight_incidents()[0].incident
    request = replace(QUICK, samples=300)
    plan = make_plan(rich, None, request)
    assert same(plan, make_plan(rich, None, request))
    assert plan.risk != make_plan(rich, None, replace(request, seed=8)).risk
    # Reported on samples that no choice has seen: not those of the choosing seed.
    state = initial_state(rich)
    bench = Bench.of(rich, state, sample(rich, state, 300, request.seed))
    assert not np.isclose(
        bench.operate(plan.policy).minutes_out.sum(axis=0).mean(), plan.risk.minutes_out.value,
        rtol=1e-9,
    )  # fmt: skip


def test_plan_goes_on_from_a_state() -> None:
    # At minute 30 P breathes from c1 with 50 L above the change pressure: 5 min at 10 L/min.
    incident = world([pat("P", gone=60)], [cyl("c1", 100), cyl("c2", 300)])
    hookup = on("P", "c1", "r1")
    start = later(incident, 30.0, c1=1000.0)
    person = replace(start.patients[0], status="here", waiting_since_min=None, first_flow_min=0.0)
    state: State = connected(replace(start, patients=(person,)), hookup)
    plan = make_plan(incident, state, QUICK)
    assert plan.policy.hookups == (hookup,)
    assert [(s.off, s.on, s.expected_min) for s in plan.swaps] == [
        ("c1", "c2", pytest.approx(35.0))
    ]
    assert plan.chance_out_by[0][0] == 30.0
    assert plan.lasts.everyone_min == pytest.approx(35 + 1 + 30)


def test_without_time_for_the_solver_the_best_rule_is_given_and_labelled() -> None:
    rich = eight_incidents()[0].incident
    plan = make_plan(rich, None, replace(QUICK, deterministic_s=0.0))
    assert plan.is_fallback
    assert plan.source in {row.rule for row in plan.rules}
    chosen = next(row for row in plan.rules if row.rule == plan.source)
    assert plan.policy == chosen.policy
    assert plan.risk == chosen.risk
    assert plan.solver[0].bound is None
    # Twin: with time it is the plan's own.
    assert not make_plan(rich, None, QUICK).is_fallback


def test_an_interrupted_search_gives_the_best_so_far() -> None:
    rich = eight_incidents()[0].incident
    asked: list[int] = []

    def stop() -> bool:
        asked.append(1)
        return len(asked) > 2

    plan = make_plan(rich, None, replace(QUICK, effort=10_000, is_interrupted=stop))
    assert plan.is_interrupted
    assert not plan.run.repeatable
    assert plan.policy.options


def test_nobody_to_plan_for() -> None:
    plan = make_plan(world([pat("D", "dead")], [cyl("c1", 100)]), None, QUICK)
    assert plan.policy.hookups == ()
    assert plan.swaps == ()
    assert plan.risk.anyone.value == 0.0
    assert plan.lasts.everyone_min is None


def test_chance_out_by_never_falls_and_ends_at_the_chance() -> None:
    for rich in eight_incidents()[:3]:
        plan = make_plan(rich.incident, None, replace(QUICK, effort=2))
        minutes, chances = plan.chance_out_by
        assert (np.diff(chances) >= 0).all()
        assert minutes[-1] <= rich.incident.horizon_min
        assert chances[-1] == pytest.approx(plan.risk.anyone.value, abs=0.05)
        assert chances[-1] <= plan.risk.anyone.value + 1e-12


def test_rules_are_never_better_on_the_samples_chosen_on_and_all_are_reported() -> None:
    plan = make_plan(eight_incidents()[1].incident, None, QUICK)
    assert [row.rule[:3] for row in plan.rules] == ["(a)", "(b)", "(c)"]
    for row in plan.rules:
        assert row.risk.samples == plan.risk.samples == QUICK.samples


def test_log_is_long_enough_for_every_cylinder_twice() -> None:
    incident = world([pat("P")], [cyl("c1", 100)], resupply=(supply(5, cyl("c2", 90)),))
    assert most_swaps(incident) == 6


@pytest.mark.parametrize("washers", [0, 1])
def test_what_cannot_be_connected_is_not_planned(washers: int) -> None:
    # Yoke valves and no washer at A: nobody is connected; those at C are of no use.
    stock = (SundryStock("washer", washers, A), SundryStock("washer", 5, C))
    incident = world([pat("P", gone=9)], [cyl("c1", 100, A, YOKE)], [reg("r1", A, YOKE)],
                     sundries=stock)  # fmt: skip
    plan = make_plan(incident, None, QUICK)
    assert len(plan.policy.hookups) == washers
    assert plan.risk.anyone.value == 1.0 - washers


def test_triage_order_is_among_the_starts() -> None:
    # No effort at all: step 1 and the rules alone, and J no worse than rule (a)'s here, where
    # nothing is uncertain and choosing and fresh samples are one.
    people = [pat("P", gone=40, options=LADDER), pat("Q", "delayed", gone=40, options=LADDER)]
    incident = world(people, [cyl(f"c{k}", 90) for k in range(5)], devices=(masks(2),))
    plan = make_plan(incident, None, replace(QUICK, effort=0))
    policy = triage_order(incident, initial_state(incident))
    rule = next(row for row in plan.rules if row.rule.startswith("(a)"))
    assert rule.policy == policy
    assert plan.risk.objective.value <= min(r.risk.objective.value for r in plan.rules) + 1e-12


def test_chances_by_minute_end_at_the_horizon() -> None:
    # Every ten minutes and the horizon itself, never beyond it.
    incident = world([pat("P", gone=25)], [cyl(f"c{k}", 100) for k in range(3)], horizon_min=86)
    minutes, _ = make_plan(incident, None, QUICK).chance_out_by
    assert minutes.tolist() == [0, 10, 20, 30, 40, 50, 60, 70, 80, 86]


def test_what_the_audit_finds_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    incident = world([pat("P", gone=25)], [cyl(f"c{k}", 100) for k in range(3)])
    assert make_plan(incident, None, QUICK).warnings == ()
    monkeypatch.setattr("planner.workflow.audit", lambda _: ("kit once: c1 is on twice",))
    told = make_plan(incident, None, QUICK).warnings
    assert told == ("the audit found: kit once: c1 is on twice",)
