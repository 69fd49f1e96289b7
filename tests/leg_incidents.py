"""Cases argued by hand for patients carried along legs, each with a twin.

Conventions are those of :mod:`tests.rule_incidents`: 0.1 L/psi, usable litres above 500 psi, 30 L
of buffer below them, a gap of 1 min, a swap of 3 min; from B to A kit is carried in 10 min.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from planner.incident import Incident, Leg, TransferGroup
from planner.policy import Policy
from tests.rule_incidents import (
    THREAD,
    A,
    B,
    C,
    Case,
    Move,
    at,
    cyl,
    hand,
    masks,
    on,
    pat,
    plan,
    reg,
    world,
)

BAG: Final = "bag-valve-mask"
HANDS: Final = (hand("R1"), hand("R2", B))


def leg(leave: float, length: float, to: str = B) -> Leg:
    return Leg(to, at(leave), at(length))


def carried(*legs: Leg, gone: float = 30, **more: Any) -> Any:
    return pat("P", gone=gone, legs=legs, **more)


def with_kit(*people: Any, **more: Any) -> Incident:
    """Masks, a regulator and a responder at A and at B."""
    cylinders = more.pop("cylinders")
    more.setdefault("devices", (masks(4), masks(4, B)))
    more.setdefault("responders", HANDS)
    more.setdefault("regulators", (reg("r1"), reg("r2", B)))
    return world(people, cylinders, **more)


def leg_cases() -> tuple[Case, ...]:
    """Return every case."""
    return (
        _leaves_with_enough(), _swap_before_leaving(), _waits_for_hands(), _nothing_to_wait_for(),
        _out_on_the_leg(), _fetched_before_leaving(), _hands_come_free(), _two_legs(),
        _found_and_carried(), _no_outlet(),
    )  # fmt: skip


def _leaves_with_enough() -> Case:
    def way(*legs: Leg) -> tuple[Incident, Policy]:
        incident = with_kit(carried(*legs), cylinders=(cyl("c1", 200), cyl("c2", 600, B)))
        return incident, plan(incident, on("P", "c1", "r1"))

    return Case(
        "leaves with enough", "Moves", *way(leg(5, 4)), {}, (Move(20, "P", "c1", "c2", B),),
        "180 L above the residual at 5, 1.5 legs take 60: at B from 9, due there at 20.",
        twin=Case("stays", "Moves", *way(), {}, (Move(20, "P", "c1", "c2", A),),
                  "c2 is carried to A by 10; due at 20."),
    )  # fmt: skip


def _swap_before_leaving() -> Case:
    def way(length: float) -> tuple[Incident, Policy]:
        incident = with_kit(
            carried(leg(4, length)),
            cylinders=(cyl("c1", 60), cyl("c2", 300), cyl("c3", 300, B)),
        )
        return incident, plan(incident, on("P", "c1", "r1"), order=("c2", "c3"))

    return Case(
        "a swap before leaving", "Moves", *way(4), {}, (Move(4, "P", "c1", "c2", A),),
        "50 L above the residual at 4, 1.5 legs take 60: onto c2, leaves as it flows at 5.",
        twin=Case(
            "a shorter leg", "Moves", *way(3), {}, (Move(7, "P", "c1", "c3", B),),
            "45 L are enough. Due at 6 on the way, on the buffer to 9; at B and served at 7.",
            late_swaps={"P": 1},
        ),
    )  # fmt: skip


def _waits_for_hands() -> Case:
    def free(from_min: float) -> tuple[Incident, Policy]:
        incident = with_kit(
            carried(leg(5, 6)), cylinders=(cyl("c1", 100), cyl("c2", 400)),
            responders=(hand("R1", A, from_min), hand("R2", B)),
        )  # fmt: skip
        return incident, plan(incident, on("P", "c1", "r1"))

    return Case(
        "an early swap is never late", "Moves", *free(8), {}, (Move(8, "P", "c1", "c2", A),),
        "80 L above the residual at 5, 1.5 legs take 90: due early, served at 8 above the change"
        " pressure (20 L left).",
        twin=Case(
            "till it is due", "Moves", *free(12), {}, (Move(12, "P", "c1", "c2", A),),
            "The change pressure is reached at 10; served at 12, on the buffer.",
            late_swaps={"P": 1},
        ),
    )  # fmt: skip


def _nothing_to_wait_for() -> Case:
    def there(*more: Any) -> tuple[Incident, Policy]:
        incident = with_kit(carried(leg(5, 6), gone=20), cylinders=(cyl("c1", 100), *more))
        return incident, plan(incident, on("P", "c1", "r1"))

    return Case(
        "leaves where there is nothing to wait for", "Moves", *there(), {"P": 9}, (),
        "80 L at 5, 90 wanted, no other cylinder: leaves. Due at 10 on the way, on the buffer; at"
        " B from 11 without supply: out to 20.",
        late_swaps={"P": 1},
        twin=Case(
            "a cylinder at the end", "Moves", *there(cyl("c3", 400, B)), {},
            (Move(11, "P", "c1", "c3", B),),
            "c3 can be at A from 10 only, so P leaves at 5 all the same and is served at 11.",
            late_swaps={"P": 1},
        ),
    )  # fmt: skip


def _out_on_the_leg() -> Case:
    def way(gone: float, *more: Any) -> tuple[Incident, Policy]:
        incident = with_kit(carried(leg(1, 10), gone=gone), cylinders=(cyl("c1", 20), *more))
        return incident, plan(incident, on("P", "c1", "r1"))

    return Case(
        "out on the leg, fetched at its end", "Moves", *way(8), {"P": 6}, (),
        "Leaves at 1; due at 2, at the residual at 5. The transfer at 8 waits for the end, 11.",
        late_swaps={"P": 1},
        twin=Case(
            "served at its end", "Moves", *way(30, cyl("c3", 400, B)), {"P": 6},
            (Move(11, "P", "c1", "c3", B),), "Out from 5 to 11, then c3.", late_swaps={"P": 1},
        ),
    )  # fmt: skip


def _fetched_before_leaving() -> Case:
    def way(leave: float) -> tuple[Incident, Policy]:
        incident = with_kit(
            carried(leg(leave, 4), gone=10, transfer_group="cat"), pat("Q", found=11, gone=35),
            cylinders=(cyl("c1", 300),), regulators=(reg("r1"),),
            transfer_groups=(TransferGroup("cat", 0.0, None, 5.0),),
        )  # fmt: skip
        return incident, plan(incident, on("P", "c1", "r1"))

    return Case(
        "fetched before leaving", "Moves", *way(12), {"Q": 4}, (Move(15, "Q", None, "c1", A),),
        "P is fetched at A at 10; the kit is back at A at 15.",
        twin=Case(
            "fetched at the end of the leg", "Moves", *way(8), {"Q": 16},
            (Move(27, "Q", None, "c1", A),),
            "P is on its way from 8 to 12, fetched at B then; the kit is at B at 17, at A at 27.",
        ),
    )  # fmt: skip


def _hands_come_free() -> Case:
    def way(*legs: Leg) -> tuple[Incident, Policy]:
        incident = with_kit(
            carried(*legs, device=BAG), pat("Q", gone=15), pat("S", gone=15),
            cylinders=(cyl("c1", 400), *(cyl(f"c{k}", 100) for k in (2, 3, 4, 5))),
            devices=(masks(4), masks(1, kind=BAG)),
            regulators=(reg("r1"), reg("r2"), reg("r3")),
            responders=tuple(hand(f"R{k}") for k in (1, 2, 3)),
        )  # fmt: skip
        first = on("P", "c1", "r1", device=BAG)
        hookups = (first, on("Q", "c2", "r2"), on("S", "c3", "r3"))
        return incident, plan(incident, *hookups, order=("c4", "c5"))

    return Case(
        "who bags goes along", "Moves", *way(leg(6, 20)), {},
        (Move(10, "Q", "c2", "c4"), Move(10, "S", "c3", "c5")),
        "P left with those who bag it, who are not counted at A, nor are they missed: three there.",
        twin=Case(
            "and stays", "Moves", *way(), {},
            (Move(10, "Q", "c2", "c4"), Move(13, "S", "c3", "c5")),
            "Two of three bag P: one for Q at 10, for S at 13.", late_swaps={"S": 1},
        ),
    )  # fmt: skip


def _two_legs() -> Case:
    def way(leave: float) -> tuple[Incident, Policy]:
        incident = with_kit(
            carried(leg(2, 3), leg(leave, 4, C), gone=40),
            cylinders=(cyl("c1", 200), cyl("c2", 400, C)), responders=(*HANDS, hand("R3", C)),
        )  # fmt: skip
        return incident, plan(incident, on("P", "c1", "r1"))

    return Case(
        "one leg after another", "Moves", *way(0), {}, (Move(20, "P", "c1", "c2", C),),
        "At B at 5 and on at once, at C at 9; due there at 20.",
        twin=Case(
            "a rest between", "Moves", *way(18), {}, (Move(22, "P", "c1", "c2", C),),
            "50 L at 18, 60 wanted, nothing at B: leaves; due at 20 on the way, served at 22.",
            late_swaps={"P": 1},
        ),
    )  # fmt: skip


def _found_and_carried() -> Case:
    def way(place: str) -> tuple[Incident, Policy]:
        incident = with_kit(
            carried(leg(4, 4), found=3), cylinders=(cyl("c1", 100, place), cyl("c2", 400, B)),
            responders=(hand("R1", A, 6), hand("R2", B)),
        )  # fmt: skip
        return incident, plan(incident, order=("c1", "c2"))

    return Case(
        "connected before leaving", "Moves", *way(A), {"P": 3},
        (Move(6, "P", None, "c1", A), Move(17, "P", "c1", "c2", B)),
        "Found at 3, connected at 6, leaves as it flows at 7, at B at 11; 100 L from 7 to 17.",
        twin=Case(
            "leaves without", "Moves", *way(B), {"P": 5}, (Move(8, "P", None, "c1", B),
                                                         Move(19, "P", "c1", "c2", B)),
            "Nothing can be at A by 4: leaves, at B at 8 and connected there; 9 to 19.",
        ),
    )  # fmt: skip


def _no_outlet() -> Case:
    def way(*legs: Leg) -> tuple[Incident, Policy]:
        source = (replace(reg("g", connection=THREAD), outlets=2),)
        incident = with_kit(carried(*legs, gone=20), pat("Q", found=3, gone=9),
                            cylinders=(cyl("c1", 400),), regulators=source)  # fmt: skip
        return incident, plan(incident, on("P", "c1", "g"))

    return Case(
        "no outlet of somebody who will be carried", "Moves", *way(leg(12, 4)), {"Q": 6}, (),
        "P still has a leg to go, so Q cannot join.",
        twin=Case("of somebody who stays", "Moves", *way(), {}, (Move(3, "Q", None, "c1", A),),
                  "Q joins at 3."),
    )  # fmt: skip
