"""The simple rules on incidents argued by hand; each with a twin that differs.

Builders and their arithmetic are those of ``rule_incidents``.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from planner.incident import (
    BUILT_IN,
    Connected,
    Incident,
    Option,
    Patient,
    Phase,
    Priorities,
    SundryStock,
    ThreePoint,
    TransferGroup,
)
from planner.policy import Policy
from planner.rules import (
    RULES,
    going_on_option,
    lowest,
    lowest_flow,
    promised_in_advance,
    queue_order,
    transfer_point,
    triage_order,
)
from planner.shelf import Shelf, default_order
from planner.state import Hookup, Line, initial_state
from tests.rule_incidents import (
    NRB,
    SUSTAINING,
    THREAD,
    YOKE,
    A,
    B,
    C,
    at,
    cyl,
    flows,
    masks,
    pat,
    reg,
    supply,
    world,
)

CANNULA = "cannula"
LADDER = (
    Option(NRB, "first choice", (Phase(10.0),)),
    Option(NRB, "reduced", (Phase(5.0),)),
    Option(CANNULA, "minimum", (Phase(2.0),)),
)


def ladder_world(**more: object) -> Incident:
    """P Delayed, Q Immediate, R Immediate found at 20; three cylinders, two regulators."""
    people = [
        pat("P", "delayed", gone=60, options=LADDER),
        pat("Q", "immediate", gone=60, options=LADDER),
        pat("R", "immediate", found=20, gone=80, options=LADDER),
    ]
    more.setdefault("devices", (masks(3), masks(3, kind=CANNULA)))
    cylinders = [cyl("c1", 100), cyl("c2", 300), cyl("c3", 200)]
    return world(people, cylinders, [reg("r1"), reg("r2"), reg("r3")], **more)


def told(policy: Policy) -> list[tuple[str, str, str | None, str, float]]:
    return [
        (line.patient, h.cylinders[0], h.regulator, line.device, line.flow_lpm)
        for h in policy.hookups
        for line in h.lines
    ]


def test_rule_a_deals_in_triage_order_the_first_choice_and_the_fullest() -> None:
    incident = ladder_world()
    policy = triage_order(incident, initial_state(incident))
    # Immediate Q before Delayed P, though the file has P first; c2 holds most, then c3.
    assert told(policy) == [("Q", "c2", "r1", NRB, 10.0), ("P", "c3", "r2", NRB, 10.0)]
    # R is not there: kit is kept, and no cylinder. What is left is the list.
    (promise,) = policy.promises
    assert (promise.patient, promise.regulator, promise.cylinders) == ("R", "r3", ())
    assert policy.order == ("c1",)
    assert policy.kept_for == ()
    assert {tag: o.level for tag, o in policy.options} == dict.fromkeys("PQR", "first choice")


def test_rule_c_is_the_same_deal_on_the_lowest_flow() -> None:
    incident = ladder_world()
    policy = lowest_flow(incident, initial_state(incident))
    assert told(policy) == [("Q", "c2", "r1", CANNULA, 2.0), ("P", "c3", "r2", CANNULA, 2.0)]
    assert {tag: o.level for tag, o in policy.options} == dict.fromkeys("PQR", "minimum")
    # Twin: with no cannula nobody is served at minimum, the rule does not step up.
    incident = ladder_world(devices=(masks(3),))
    assert lowest_flow(incident, initial_state(incident)).hookups == ()
    assert len(triage_order(incident, initial_state(incident)).hookups) == 2


def test_lowest_is_by_flow_and_then_by_level() -> None:
    assert lowest(LADDER) is lowest(LADDER[::-1]) is LADDER[2]
    same = (LADDER[0], replace(LADDER[0], level="reduced"))
    assert lowest(same).level == "reduced"
    # The greatest flow of all phases counts, not the last.
    phased = Option(NRB, "reduced", (Phase(10.0, 5.0), Phase(1.0)))
    assert lowest((phased, LADDER[1])) is LADDER[1]


def test_kit_goes_to_who_is_there_first_and_only_then_is_promised() -> None:
    incident = ladder_world()
    incident = replace(incident, regulators=incident.regulators[:2])
    policy = triage_order(incident, initial_state(incident))
    # Delayed P is there, Immediate R is not: P keeps r2, R has a mask promised and no regulator.
    assert [row[0] for row in told(policy)] == ["Q", "P"]
    assert [(p.patient, p.regulator) for p in policy.promises] == [("R", None)]


def test_queue_is_category_need_file_order_or_need_first() -> None:
    people = [
        pat("P", "delayed"),
        pat("Q", "immediate"),
        pat("R", "immediate", indication=SUSTAINING),
        pat("S", "delayed", indication=SUSTAINING),
        pat("T", "delayed"),
    ]
    incident = world(people, [])
    assert [p.tag for p in queue_order(incident)] == ["R", "Q", "S", "P", "T"]
    by_need = replace(incident, priorities=Priorities(order="need"))
    assert [p.tag for p in queue_order(by_need)] == ["R", "S", "Q", "P", "T"]


def test_one_regulator_for_two_immediates_goes_to_the_greater_need() -> None:
    def served(*people: Patient) -> list[str]:
        incident = world(people, [cyl("c1", 90), cyl("c2", 90)], [reg("r1")])
        return [row[0] for row in told(triage_order(incident, initial_state(incident)))]

    assert served(pat("P"), pat("Q", indication=SUSTAINING)) == ["Q"]
    # Twin: of equal need the first in the file.
    assert served(pat("P", indication=SUSTAINING), pat("Q", indication=SUSTAINING)) == ["P"]


def test_who_cannot_be_served_takes_nothing_and_is_passed_over() -> None:
    # P, first in the queue, lacks a child's mask: the one regulator is Q's, not kept idle.
    people = [pat("P", age="child"), pat("Q", "delayed")]
    incident = world(people, [cyl("c1", 90)], [reg("r1")])
    policy = triage_order(incident, initial_state(incident))
    assert told(policy) == [("Q", "c1", "r1", NRB, 10.0)]
    incident = replace(incident, devices=(masks(1, age="child"),))
    assert [row[0] for row in told(triage_order(incident, initial_state(incident)))] == ["P"]


def test_default_list_is_most_usable_first_ties_in_file_order() -> None:
    cylinders = [cyl("c1", 100), cyl("c2", 300), cyl("c3", 100), cyl("c4", 0), cyl("c5", -10)]
    incident = world([], cylinders, resupply=(supply(40, cyl("s1", 200)),))
    state = initial_state(incident)
    # c4 and c5 are at or under the change pressure. What is still to arrive is listed too.
    assert default_order(incident, state) == ("c2", "s1", "c1", "c3")
    assert default_order(incident, state, ["c2"]) == ("s1", "c1", "c3")


def test_what_is_on_stays_as_it_is_set_and_is_not_listed() -> None:
    on = Connected("c1", "r1", NRB, 5.0)
    incident = world([pat("P", options=LADDER, connected=on)], [cyl("c1", 90), cyl("c2", 95)])
    policy = triage_order(incident, initial_state(incident))
    assert told(policy) == [("P", "c1", "r1", NRB, 5.0)]
    assert policy.option_of("P") == LADDER[1]
    assert policy.order == ("c2",)


@pytest.mark.parametrize(
    ("device", "flow", "level"),
    [
        (NRB, 10.0, "first choice"),
        (NRB, 12.0, "first choice"),  # above the first choice
        (NRB, 7.0, "reduced"),  # between: at least the reduced flow
        (CANNULA, 1.0, "minimum"),  # under all: the last
    ],
)
def test_what_runs_is_at_the_level_whose_flow_it_reaches(
    device: str, flow: float, level: str
) -> None:
    hookup = Hookup(("c1",), "r1", (Line("P", device, flow),))
    option = going_on_option(hookup, pat("P"), LADDER)
    assert (option.device, option.flow_lpm, option.level) == (device, flow, level)


def test_lacks_names_the_first_thing_missing() -> None:
    def lacks(**more: object) -> str:
        parts = {
            "cylinders": [cyl("c1", 90, A, YOKE)],
            "regulators": [reg("r1", A, YOKE)],
            "devices": (masks(),),
            "sundries": (SundryStock("washer", 1, A), SundryStock("key", 1, A)),
        } | more
        incident = world([pat("P")], **parts)  # type: ignore[arg-type]
        return Shelf.of(incident, initial_state(incident)).lacks(pat("P"), flows(Phase(10.0)))

    assert lacks() == "hands"  # everything is there
    assert lacks(devices=(masks(1, B),)) == "mask"
    assert lacks(regulators=[reg("r1", B, YOKE)]) == "regulator"
    assert lacks(regulators=[reg("r1", A, YOKE, (2.0,))]) == "regulator"
    assert lacks(cylinders=[cyl("c1", 90, C, YOKE)]) == "cylinder"
    assert lacks(sundries=(SundryStock("washer", 1, B),)) == "washer or key"
    assert lacks(sundries=(SundryStock("key", 1, B),)) == "washer or key"


def test_a_washer_is_used_up_by_each_first_connection() -> None:
    def served(number: int) -> list[str]:
        incident = world(
            [pat("P"), pat("Q")],
            [cyl("c1", 90, A, YOKE), cyl("c2", 90, A, YOKE)],
            [reg("r1", A, YOKE), reg("r2", A, YOKE)],
            sundries=(SundryStock("washer", number, A),),
        )
        return [row[0] for row in told(triage_order(incident, initial_state(incident)))]

    assert served(1) == ["P"]
    assert served(2) == ["P", "Q"]


def test_built_in_valves_need_no_regulator_but_the_flow() -> None:
    def served(flow: float) -> list[tuple[str, str, str | None, str, float]]:
        incident = world([pat("P", flow=flow)], [cyl("c1", 90, A, BUILT_IN)], [])
        return told(triage_order(incident, initial_state(incident)))

    assert served(10.0) == [("P", "c1", None, NRB, 10.0)]
    assert served(2.0) == []  # its dial has 5 and 10


def test_rule_b_covers_the_first_in_the_queue_first_and_deals_out_the_rest() -> None:
    # Q Immediate to 50: 500 L; its first cylinder holds 200, so 300 more are promised: c3 with 200
    # and c4 with 150. P Delayed to 50 has 200 on; of its 300 missing only c5's 100 are left.
    people = [pat("P", "delayed", gone=50), pat("Q", "immediate", gone=50)]
    cylinders = [cyl(f"c{k}", litres) for k, litres in enumerate((200, 200, 200, 150, 100), 1)]
    incident = world(people, cylinders)
    policy = promised_in_advance(incident, initial_state(incident))
    assert {p.patient: p.cylinders for p in policy.promises} == {"Q": ("c3", "c4"), "P": ("c5",)}
    # Twin: Q leaves at 20 and its first cylinder does; what is over is dealt out in turn.
    people = [pat("P", "delayed", gone=20), pat("Q", "immediate", gone=20)]
    policy = promised_in_advance(world(people, cylinders), initial_state(world(people, cylinders)))
    assert {p.patient: p.cylinders for p in policy.promises} == {"Q": ("c3", "c5"), "P": ("c4",)}


def test_rule_b_promises_nothing_that_does_not_fit_or_cannot_be_carried() -> None:
    cylinders = [cyl("c1", 200), cyl("far", 300, C), cyl("yoke", 300, A, YOKE), cyl("near", 90, B)]
    incident = world([pat("P", gone=90)], cylinders, [reg("r1", A, THREAD)])
    policy = promised_in_advance(incident, initial_state(incident))
    assert {p.patient: p.cylinders for p in policy.promises} == {"P": ("near",)}


def test_transfer_point_counts_no_show_and_fallback() -> None:
    def point(share: float, group: TransferGroup | None, at_min: float = 0.0) -> float:
        patient = pat("P", gone=50, transfer_group="g" if group else None)
        incident = world([patient], [], transfer_groups=(group,) if group else ())
        return transfer_point(incident, patient, share, at_min)

    # Certain at 50; with 2 in 10 never coming 80 % are gone by 50, the rest at 120 or never.
    fallback = TransferGroup("g", 0.2, at(120))
    assert point(0.9, None) == pytest.approx(50)
    assert point(0.75, fallback) == pytest.approx(50)
    assert point(0.85, fallback) == pytest.approx(120)
    assert point(0.85, TransferGroup("g", 0.2)) == math.inf
    # At 60 the patient is still there, so it waits for the fallback for certain.
    assert point(0.1, fallback, at_min=60) == pytest.approx(120)


def test_transfer_point_of_three_points_is_the_point_itself() -> None:
    patient = replace(pat("P"), transfer=ThreePoint(40, 60, 110))
    incident = world([patient], [])
    for share, minute in ((0.1, 40), (0.5, 60), (0.9, 110)):
        assert transfer_point(incident, patient, share, 0.0) == pytest.approx(minute, abs=1e-6)
    # Counted from found: 20 minutes later.
    later = replace(patient, transfer=None, transfer_after_found=patient.transfer,
                    oxygen_from=at(20))  # fmt: skip
    assert transfer_point(world([later], []), later, 0.9, 0.0) == pytest.approx(130, abs=1e-6)


@pytest.mark.parametrize(("name", "rule"), RULES)
def test_no_rule_gives_anything_to_the_dead_or_without_an_indication(
    name: str, rule: object
) -> None:
    assert name.startswith("(")
    people = [pat("D", "dead"), pat("N", options=None), pat("P")]
    incident = world(people, [cyl("c1", 90), cyl("c2", 90)])
    policy = rule(incident, initial_state(incident))  # type: ignore[operator]
    assert [row[0] for row in told(policy)] == ["P"]
    assert [tag for tag, _ in policy.options] == ["P"]
    assert {p.patient for p in policy.promises} <= {"P"}
