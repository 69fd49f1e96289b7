"""Step 1 by CP-SAT on incidents small enough to argue by hand; each with a twin that differs.

Builders are those of ``rule_incidents``: handbook contents at 0.1 L/psi, so ``cyl(tag, 100)`` has
100 usable L; 10 L/min unless said; everything at place A; nothing uncertain; kit in plenty unless
said. Where several answers are equally good the tests ask for what all of them share.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pytest

from planner.allocation.sketch import Board, policy_of, sketch_of
from planner.allocation.step_one import Limits, StepOne, allocate
from planner.demand import sample
from planner.errors import SolverError
from planner.incident import BUILT_IN, Connected, Incident, Option, Phase, SundryStock
from planner.policy import Policy
from planner.solver import Settings
from planner.state import initial_state
from tests.rule_incidents import NRB, THREAD, YOKE, A, B, C, cyl, flows, masks, pat, reg, world

MASK = "simple mask"


@dataclass(frozen=True)
class Found:
    """What step 1 gave, in the words the tests ask in."""

    policy: Policy
    solved: StepOne

    @property
    def served(self) -> set[str]:
        return {line.patient for h in self.policy.hookups for line in h.lines}

    @property
    def promised(self) -> set[str]:
        """Who is promised a regulator; a mask alone may be promised to more."""
        return {p.patient for p in self.policy.promises if p.regulator is not None}

    @property
    def cylinders(self) -> dict[str, str]:
        return {h.lines[0].patient: h.cylinders[0] for h in self.policy.hookups}

    def level(self, tag: str) -> str:
        option = self.policy.option_of(tag)
        assert option is not None
        return option.level


def solved(incident: Incident, samples: int = 50) -> Found:
    state = initial_state(incident)
    answer = allocate(
        incident, state, sample(incident, state, samples, 3), Settings(), Limits(gap=0.0)
    )
    # As the product takes it up: dealt again, so that nobody waits beside kit that fits.
    board = Board.of(incident, state)
    policy = policy_of(board, sketch_of(board, answer.policy))
    # What a solver owes: a proof, and a bound on the right side of what it found.
    assert answer.status == "optimal"
    assert answer.bound <= answer.objective + 1e-9
    assert answer.objective - answer.bound < 3e-6
    assert_can_be_followed(incident, policy)
    return Found(policy, answer)


def assert_can_be_followed(incident: Incident, policy: Policy) -> None:
    """Nothing is given out twice, and list and hookups hold every usable cylinder once."""
    on = [tag for h in policy.hookups for tag in h.cylinders]
    assert len(on) == len(set(on))
    assert sorted([*on, *policy.order]) == sorted(c.tag for c in incident.all_cylinders)
    kit = [h.regulator for h in policy.hookups] + [p.regulator for p in policy.promises]
    kit = [tag for tag in kit if tag is not None]
    assert len(kit) == len(set(kit))


def two(first: Any, second: Any, **more: Any) -> Incident:
    more.setdefault("regulators", [reg("r1"), reg("r2")])
    return world([first, second], [cyl("c1", 900), cyl("c2", 900)], **more)


def lower(*lpm: float, device: str = NRB) -> tuple[Option, ...]:
    """Options at these flows: first choice, reduced, minimum."""
    levels = ("first choice", "reduced", "minimum")
    return tuple(
        Option(device, level, (Phase(flow),))  # type: ignore[arg-type]
        for level, flow in zip(levels, lpm, strict=False)
    )


# ----- who comes first -------------------------------------------------------------------------


def test_one_regulator_goes_to_the_higher_category() -> None:
    # Both need 10 L/min to minute 30. Leaving an Immediate without costs 9/13 + 60 x .004, a
    # Delayed 3/13 + 60 x .0015: the one regulator is the Immediate's, wherever it stands.
    people = [pat("P", "delayed", gone=30), pat("Q", "immediate", gone=30)]
    assert solved(two(*people, regulators=[reg("r1")])).served == {"Q"}
    people = [pat("P", "immediate", gone=30), pat("Q", "delayed", gone=30)]
    assert solved(two(*people, regulators=[reg("r1")])).served == {"P"}
    # Twin: two regulators serve both.
    assert solved(two(*people)).served == {"P", "Q"}


def test_the_larger_first_cylinder_goes_to_the_higher_category() -> None:
    # 400 L in all for 10 L/min x 20 min x 2: enough, so only the reward for a full first cylinder
    # tells the deals apart: 9 x 300 + 3 x 100 against 9 x 100 + 3 x 300.
    cylinders = [cyl("small", 100), cyl("large", 300)]
    for tiers, expected in ((("delayed", "immediate"), "Q"), (("immediate", "delayed"), "P")):
        people = [pat(tag, tier, gone=20) for tag, tier in zip("PQ", tiers, strict=True)]  # type: ignore[arg-type]
        assert solved(world(people, cylinders)).cylinders[expected] == "large"


def test_people_awaited_take_no_kit_from_people_there() -> None:
    # One regulator. Q, of the same category, may be found with a chance of .4: a promise saves .4
    # of what serving P saves, so P has it.
    awaited = pat("Q", found=20, chance_needed=0.4, gone=60)
    found = solved(two(pat("P", gone=60), awaited, regulators=[reg("r1")]))
    assert (found.served, found.promised) == ({"P"}, set())
    # Twin: a second regulator is promised to Q, and it holds no cylinder.
    found = solved(two(pat("P", gone=60), awaited))
    assert (found.served, found.promised) == ({"P"}, {"Q"})
    assert len(found.policy.order) == 1


@pytest.mark.parametrize("places", [(A, B), (B, A)])
def test_promised_kit_that_comes_in_time_goes_before_kit_that_does_not(
    places: tuple[str, str],
) -> None:
    # Q is found at 5. Kit at B is 10 min away: 5 min late, which has a price (9/13 + 5 x .004), so
    # what lies at A is promised, wherever it stands in the file. The litres cost the same.
    awaited = pat("Q", found=5, gone=60)
    regulators = [reg(f"at {place}", place) for place in places]
    incident = world([awaited], [cyl("c1", 900)], regulators)
    in_time = solved(incident)
    assert in_time.policy.promises[0].regulator == "at A"
    # Twin: with the one at B alone it is promised all the same, and costs that much more.
    late = solved(replace(incident, regulators=(reg("at B", B),)))
    assert late.policy.promises[0].regulator == "at B"
    dearer = late.solved.objective - in_time.solved.objective
    assert dearer == pytest.approx(9 / 13 + 5 * 0.004, abs=1e-6)


def test_who_is_likelier_to_be_found_is_promised_the_one_regulator() -> None:
    # P: .6 x (9/13 + .24) for waiting and .3 x .6 x 100 L / 300 L = .62 in all. Q stays longer:
    # .3 x (9/13 + .24) and .3 x .3 x 600 / 300 = .46. Without the chance Q would look dearer.
    # The litres are means over 400 samples; the two differ by .16, far more than their noise.
    def promised(chance_p: float, chance_q: float) -> set[str]:
        people = [
            pat("P", found=20, chance_needed=chance_p, gone=30),
            pat("Q", found=20, chance_needed=chance_q, gone=80),
        ]
        return solved(two(*people, regulators=[reg("r1")]), samples=400).promised

    assert promised(0.6, 0.3) == {"P"}
    assert promised(0.3, 0.6) == {"Q"}


def test_waiting_saves_nothing() -> None:
    # 10 L for needs of 300 L each. Were the litres of someone connected counted as short and those
    # of someone waiting not, leaving both without would look cheapest. Both are connected.
    people = [pat("P", gone=30), pat("Q", "minimal", gone=30)]
    assert solved(world(people, [cyl("c1", 5), cyl("c2", 5)])).served == {"P", "Q"}
    # Twin: the second cylinder lies out of reach, so one waits, and it is the Minimal.
    assert solved(world(people, [cyl("c1", 5), cyl("c2", 5, C)])).served == {"P"}


# ----- what fits -------------------------------------------------------------------------------


def test_a_child_gets_the_child_mask() -> None:
    people = [pat("P", gone=30), pat("K", gone=30, age="child")]
    stock = (masks(1, age="adult"), masks(1, age="child"))
    assert solved(two(*people, devices=stock)).served == {"P", "K"}
    # Twin: two adult masks and none for the child.
    assert solved(two(*people, devices=(masks(2),))).served == {"P"}


def test_a_mask_of_another_kind_does_not_do() -> None:
    assert (
        solved(world([pat("P")], [cyl("c1", 90)], devices=(masks(1, kind=MASK),))).served == set()
    )
    assert solved(world([pat("P")], [cyl("c1", 90)], devices=(masks(1),))).served == {"P"}


def test_one_mask_is_for_one_patient() -> None:
    people = [pat("P", "delayed"), pat("Q", "immediate")]
    assert solved(two(*people, devices=(masks(1),))).served == {"Q"}
    assert solved(two(*people, devices=(masks(2),))).served == {"P", "Q"}


def test_connections_must_match() -> None:
    # The only regulator is threaded, the only cylinder has a yoke valve.
    fits_not = world([pat("P")], [cyl("c1", 90, A, YOKE)], [reg("r1", A, THREAD)])
    assert solved(fits_not).served == set()
    fits = world([pat("P")], [cyl("c1", 90, A, YOKE)], [reg("r1", A, YOKE)])
    assert solved(fits).served == {"P"}


@pytest.mark.parametrize("where", [B, C])
def test_kit_elsewhere_is_not_there_yet(where: str) -> None:
    # B is 10 min away, C out of reach; P is at A at minute 0.
    assert solved(world([pat("P")], [cyl("c1", 90, where)])).served == set()
    assert solved(world([pat("P")], [cyl("c1", 90)], [reg("r1", where)])).served == set()
    assert solved(world([pat("P")], [cyl("c1", 90)], devices=(masks(1, where),))).served == set()
    # Twin: all of it at A.
    assert solved(world([pat("P")], [cyl("c1", 90)])).served == {"P"}


def test_the_dial_must_have_the_flow() -> None:
    # Clicks 2 and 5: the first choice of 10 cannot be set, the reduced 5 can.
    patient = pat("P", gone=30, options=lower(10, 5))
    found = solved(world([patient], [cyl("c1", 900)], [reg("r1", settings=(2.0, 5.0))]))
    assert (found.served, found.level("P")) == ({"P"}, "reduced")
    # Twins: a dial with 10 gives the first choice; one with neither gives nothing.
    assert solved(world([patient], [cyl("c1", 900)])).level("P") == "first choice"
    neither = world([patient], [cyl("c1", 900)], [reg("r1", settings=(2.0, 6.0))])
    assert solved(neither).served == set()


def test_every_phase_must_be_on_the_dial() -> None:
    patient = pat("P", gone=30, options=(flows(Phase(10, 5), Phase(4)),))
    assert solved(world([patient], [cyl("c1", 900)])).served == set()  # 2, 5, 10
    dial = reg("r1", settings=(4.0, 10.0))
    assert solved(world([patient], [cyl("c1", 900)], [dial])).served == {"P"}


def test_a_built_in_valve_wants_no_regulator() -> None:
    # cyl's own settings, used where the valve is built in, are 5 and 10.
    for flow, expected in ((10.0, {"P"}), (2.0, set())):
        incident = world([pat("P", flow=flow)], [cyl("c1", 90, A, BUILT_IN)], [])
        found = solved(incident)
        assert found.served == expected
        assert all(h.regulator is None for h in found.policy.hookups)


def test_washers_bind_where_they_are_listed() -> None:
    # Yoke valves want a washer. One washer: only the Immediate, listed second, is connected.
    def served(number: int | None, connection: str = YOKE) -> set[str]:
        people = [pat("P", "delayed", gone=30), pat("Q", "immediate", gone=30)]
        cylinders = [cyl(tag, 900, A, connection) for tag in ("c1", "c2")]
        regulators = [reg(tag, A, connection) for tag in ("r1", "r2")]
        sundries = () if number is None else (SundryStock("washer", number, A),)
        return solved(world(people, cylinders, regulators, sundries=sundries)).served

    assert served(1) == {"Q"}
    # Twins: two washers; none listed, so that they are not counted; a thread that wants none.
    assert served(2) == served(None) == served(1, THREAD) == {"P", "Q"}


def test_no_key_at_the_place_no_connection_there() -> None:
    def served(*places: str) -> set[str]:
        sundries = tuple(SundryStock("key", 1, place) for place in places)
        incident = world([pat("P")], [cyl("c1", 90, A, YOKE)], [reg("r1", A, YOKE)],
                         sundries=sundries)  # fmt: skip
        return solved(incident).served

    assert served(B) == set()
    assert served(A) == {"P"}
    assert served() == {"P"}


# ----- levels ----------------------------------------------------------------------------------


def test_a_lower_level_is_taken_when_litres_are_short_and_not_before() -> None:
    # First choice to minute 60: 10 x 60 = 600 L; reduced 5 x 60 = 300 L. With 300 L the first
    # choice is 300 L short in all three tiers: .3 x 300/300 = .3, far above a step of .04.
    patient = pat("P", gone=60, options=lower(10, 5))
    found = solved(world([patient], [cyl("c1", 300)]))
    assert found.level("P") == "reduced"
    # Twin: 600 L are enough, nothing is short, and the step would cost .04 for nothing.
    assert solved(world([patient], [cyl("c1", 600)])).level("P") == "first choice"


def test_who_is_stepped_down_first_is_of_the_lower_category() -> None:
    # First choice takes 600 L, reduced 300. A first cylinder of 600 L does for the one, of 450 L
    # only for the other, and there is no third cylinder to share: one steps down, and a Delayed's
    # step costs .015, an Immediate's .04.
    people = [
        pat("P", "immediate", gone=60, options=lower(10, 5)),
        pat("Q", "delayed", gone=60, options=lower(10, 5)),
    ]
    found = solved(world(people, [cyl("c1", 450), cyl("c2", 600)]))
    assert (found.level("P"), found.level("Q")) == ("first choice", "reduced")
    # With 450 L each neither holds first choice: litres that lie in another's cylinder are no help.
    found = solved(world(people, [cyl("c1", 450), cyl("c2", 450)]))
    assert (found.level("P"), found.level("Q")) == ("reduced", "reduced")
    # Twin: with 1200 L nobody is.
    found = solved(world(people, [cyl("c1", 600), cyl("c2", 600)]))
    assert (found.level("P"), found.level("Q")) == ("first choice", "first choice")


def test_litres_of_another_connection_are_no_help() -> None:
    # 600 L lie in thread cylinders, but the only regulator has a yoke: its 300 L must do.
    patient = pat("P", gone=60, options=lower(10, 5))
    cylinders = [cyl("c1", 300, A, YOKE), cyl("c2", 600, A, THREAD)]
    found = solved(world([patient], cylinders, [reg("r1", A, YOKE)]))
    assert (found.cylinders["P"], found.level("P")) == ("c1", "reduced")
    cylinders = [cyl("c1", 300, A, YOKE), cyl("c2", 600, A, YOKE)]
    found = solved(world([patient], cylinders, [reg("r1", A, YOKE)]))
    assert found.level("P") == "first choice"


# ----- what is given ---------------------------------------------------------------------------


def test_who_is_on_oxygen_already_goes_on_as_set() -> None:
    patient = pat("P", gone=30, options=lower(10, 5),
                  connected=Connected("c1", "r1", NRB, 5.0))  # fmt: skip
    found = solved(world([patient], [cyl("c1", 900), cyl("c2", 950)]))
    assert (found.cylinders["P"], found.level("P")) == ("c1", "reduced")
    # Twin: not connected, the larger cylinder and the first choice.
    patient = pat("P", gone=30, options=lower(10, 5))
    found = solved(world([patient], [cyl("c1", 900), cyl("c2", 950)]))
    assert (found.cylinders["P"], found.level("P")) == ("c2", "first choice")


def test_nobody_without_an_indication_is_given_anything() -> None:
    people = [pat("P", "dead"), pat("Q", "minimal", options=None), pat("E", "expectant")]
    found = solved(world(people, [cyl("c1", 90), cyl("c2", 80), cyl("c3", 70)]))
    # An expectant patient has options only by an explicit row, which this one is.
    assert found.served == {"E"}
    assert dict(found.policy.options).keys() == {"E"}


def test_a_solver_without_time_gives_an_error_and_no_numbers() -> None:
    people = [pat(f"P{k}", gone=30, options=lower(10, 5)) for k in range(6)]
    cylinders = [cyl(f"c{k}", 100) for k in range(12)]
    incident = world(people, cylinders, [reg(f"r{k}") for k in range(6)], devices=(masks(6),))
    state = initial_state(incident)
    needs = sample(incident, state, 20, 1)
    with pytest.raises(SolverError, match="no plan"):
        allocate(incident, state, needs, Settings(deterministic_s=0.0))
    assert allocate(incident, state, needs, Settings()).policy.hookups
