"""Cases argued by hand for sources with several outlets and for concentrators, each with a twin.

Conventions are those of :mod:`tests.rule_incidents`: 0.1 L/psi, usable litres above 500 psi, 30 L
of buffer in each cylinder, a gap of 1 min, a swap of 3 min, one responder unless said.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from planner.incident import (
    BUILT_IN,
    CONCENTRATOR,
    Cylinder,
    Incident,
    Patient,
    Phase,
    Regulator,
    SundryStock,
    TransferGroup,
)
from planner.policy import KeptFor, Policy
from planner.state import Hookup, Line, initial_state
from planner.units import Pressure, Temperature
from tests.leg_incidents import leg_cases
from tests.rule_incidents import (
    CASES,
    NRB,
    THREAD,
    YOKE,
    A,
    B,
    Case,
    Move,
    Rich,
    cyl,
    eight_incidents,
    flows,
    hand,
    masks,
    on,
    pat,
    plan,
    reg,
    supply,
    world,
)

MASK: Final = "simple mask"


def twin_reg(tag: str = "g", outlets: int = 2, connection: str = THREAD) -> Regulator:
    return replace(reg(tag, connection=connection), outlets=outlets)


def both_on(cylinder: str, regulator: str, *people: str, flow: float = 10.0) -> Hookup:
    return Hookup((cylinder,), regulator, tuple(Line(p, NRB, flow) for p in people))


def machine(power_min: float, settings: tuple[float, ...] = (2.0, 5.0)) -> Cylinder:
    """A concentrator at A."""
    return Cylinder("M", CONCENTRATOR, Pressure(0, "psi"), Temperature(10, "C"), BUILT_IN, 1.0, 1.0,
                    settings, A, power_min)  # fmt: skip


def pair(outlets: int, *people: Patient, **more: Any) -> Incident:
    cylinders = more.pop("cylinders", (cyl("c1", 200), cyl("c2", 400)))
    return world(people, cylinders, (twin_reg(outlets=outlets),), **more)


def _line_cases() -> list[Case]:
    return [
        _one_swap_for_all(), _outlet_taken(), _outlet_of_a_due_source(), _first_one_leaves(),
        _kit_comes_back_with_the_last(), _neither_key_nor_washer(), _kept_for(), _late_once(),
        _phases(), _out_together(), _elsewhere(), _newcomer_stands(), _began_late(),
    ]  # fmt: skip


def _one_swap_for_all() -> Case:
    def two(outlets: int) -> Incident:
        return pair(outlets, pat("P", gone=12), pat("Q", gone=12),
                    cylinders=(cyl("c1", 100), cyl("c2", 200)))  # fmt: skip

    incident, alone = two(2), two(1)
    return Case(
        "one swap for all on a source", "Lines", incident,
        plan(incident, both_on("c1", "g", "P", "Q")), {}, (Move(5, "P", "c1", "c2"),),
        "100 L at 20 L/min: due at 5, one connection for both; from 6 on 200 L last to 16.",
        twin=Case(
            "one alone on it", "Lines", alone, plan(alone, on("P", "c1", "g")),
            {"Q": 12}, (Move(10, "P", "c1", "c2"),),
            "100 L at 10 L/min: due at 10. Nobody can join on one outlet: Q is out for 12 min.",
        ),
    )  # fmt: skip


def _outlet_taken() -> Case:
    def found(outlets: int) -> tuple[Incident, Policy]:
        incident = pair(outlets, pat("P", gone=30), pat("Q", found=3, gone=30))
        return incident, plan(incident, on("P", "c1", "g"))

    return Case(
        "an outlet is taken", "Lines", *found(2), {},
        (Move(3, "Q", None, "c1"), Move(12, "P", "c1", "c2")),
        "Q joins at 3 and breathes from 4: 40 L are gone, 160 last 8 min at 20 L/min, to 12.",
        twin=Case(
            "no outlet", "Lines", *found(1), {"Q": 27}, (Move(20, "P", "c1", "c2"),),
            "Nothing for Q from 3 to 30; P alone is due at 20.",
        ),
    )  # fmt: skip


def _outlet_of_a_due_source() -> Case:
    def hands(*from_min: float) -> tuple[Incident, Policy]:
        incident = pair(
            2, pat("P", gone=30), pat("Q", found=11, gone=30),
            cylinders=(cyl("c1", 100), cyl("c2", 600)),
            responders=[hand(f"R{k}", from_min=m) for k, m in enumerate(from_min)],
        )  # fmt: skip
        return incident, plan(incident, on("P", "c1", "g"))

    return Case(
        "no outlet of a source that is due, nor before it runs", "Lines", *hands(12, 12), {"Q": 2},
        (Move(12, "P", "c1", "c2"), Move(13, "Q", None, "c2")),
        "P is due at 10, served at 12. Two are free then, but c2 runs from 13: Q waits 11 to 13.",
        late_swaps={"P": 1},
        twin=Case(
            "one responder", "Lines", *hands(12), {"Q": 4},
            (Move(12, "P", "c1", "c2"), Move(15, "Q", None, "c2")),
            "The only responder is busy with P's swap until 15: Q waits 11 to 15.",
            late_swaps={"P": 1},
        ),
    )  # fmt: skip


def _first_one_leaves() -> Case:
    def leaves(minute: float) -> tuple[Incident, Policy]:
        incident = pair(2, pat("P", gone=minute), pat("Q", gone=20),
                        cylinders=(cyl("c1", 200), cyl("c2", 100)))  # fmt: skip
        return incident, plan(incident, both_on("c1", "g", "P", "Q"))

    return Case(
        "the others go on", "Lines", *leaves(4), {}, (Move(16, "Q", "c1", "c2"),),
        "80 L to minute 4; the 120 left last Q 12 min at 10 L/min, to 16, then 100 L to 27.",
        twin=Case(
            "both stay", "Lines", *leaves(20), {"P": 4, "Q": 4}, (Move(10, "P", "c1", "c2"),),
            "200 L at 20 L/min to 10; 100 from 11 to 16, nothing after: both out 16 to 20.",
        ),
    )  # fmt: skip


def _kit_comes_back_with_the_last() -> Case:
    def back(return_min: float | None) -> tuple[Incident, Policy]:
        group = {"transfer_group": "cat"}
        incident = pair(
            2, pat("P", gone=4, **group), pat("Q", gone=10, **group), pat("R", found=12, gone=30),
            cylinders=(cyl("c1", 400),), devices=(masks(5),),
            transfer_groups=(TransferGroup("cat", 0.0, None, return_min),),
        )  # fmt: skip
        return incident, plan(incident, both_on("c1", "g", "P", "Q"))

    return Case(
        "regulator and cylinder come back with the last", "Lines", *back(5), {"R": 3},
        (Move(15, "R", None, "c1"),),
        "P leaves at 4, Q with the kit at 10, back at 15 with 260 L: R waits 12 to 15.",
        twin=Case(
            "nothing comes back", "Lines", *back(None), {"R": 18}, (),
            "Regulator and cylinder leave with Q: R is out from 12 to 30.",
        ),
    )  # fmt: skip


def _neither_key_nor_washer() -> Case:
    def washers(outlets: int, spare: tuple[Regulator, ...]) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=9), pat("Q", found=3, gone=9)],
            [cyl("c1", 400, connection=YOKE), cyl("c2", 400, connection=YOKE)],
            (twin_reg(outlets=outlets, connection=YOKE), *spare),
            sundries=(SundryStock("washer", 1, A), SundryStock("key", 1, A)),
        )
        return incident, plan(incident, on("P", "c1", "g"))

    return Case(
        "joining uses no washer", "Lines", *washers(2, ()), {}, (Move(3, "Q", None, "c1"),),
        "The only washer went with P's first connection; Q joins at 3 without one.",
        twin=Case(
            "a source of its own does", "Lines", *washers(1, (reg("r2", connection=YOKE),)),
            {"Q": 6}, (), "r2 and c2 are free, but no washer is left: out from 3 to 9.",
        ),
    )  # fmt: skip


def _kept_for() -> Case:
    def kept(outlets: int) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=9), pat("Q", "delayed", found=3, gone=9)],
            [cyl("c1", 400), cyl("c2", 400)], (twin_reg(outlets=outlets), reg("r2")),
        )  # fmt: skip
        row = KeptFor(None, THREAD, "immediate", 5)
        return incident, plan(incident, on("P", "c1", "g"), kept=(row,))

    return Case(
        "no kept-for row forbids an outlet", "Lines", *kept(2), {}, (Move(3, "Q", None, "c1"),),
        "All of the reserve is kept for Immediates; the outlet is no cylinder.",
        twin=Case(
            "it forbids a cylinder", "Lines", *kept(1), {"Q": 6}, (),
            "r2 is free and c2 kept for Immediates: out from 3 to 9.",
        ),
    )  # fmt: skip


def _late_once() -> Case:
    def leaves(minute: float) -> tuple[Incident, Policy]:
        incident = pair(
            2, pat("P", gone=minute), pat("Q", gone=20),
            cylinders=(cyl("c1", 100), cyl("c2", 400)), responders=[hand(from_min=6.25)],
        )  # fmt: skip
        return incident, plan(incident, both_on("c1", "g", "P", "Q"))

    return Case(
        "a late swap is counted once", "Lines", *leaves(6), {}, (Move(6.25, "Q", "c1", "c2"),),
        "Due at 5 and nobody free; P leaves at 6, 10 L of the buffer left; Q is served at 6.25.",
        late_swaps={"P": 1},
        twin=Case(
            "the first one stays", "Lines", *leaves(20), {}, (Move(6.25, "P", "c1", "c2"),),
            "The buffer lasts both to 6.5; P stands for them.", late_swaps={"P": 1},
        ),
    )  # fmt: skip


def _phases() -> Case:
    def one(*phases: Phase) -> tuple[Incident, Policy]:
        first = pat("P", gone=12, options=(flows(*phases),))
        incident = pair(2, first, pat("Q", gone=12), cylinders=(cyl("c1", 150), cyl("c2", 400)))
        return incident, plan(incident, both_on("c1", "g", "P", "Q"))

    return Case(
        "a phase of one line", "Lines", *one(Phase(10, 5), Phase(5)), {},
        (Move(5 + 50 / 15, "P", "c1", "c2"),),
        "100 L to minute 5, the other 50 at 5 + 10 L/min.",
        twin=Case(
            "no phase", "Lines", *one(Phase(10)), {}, (Move(7.5, "P", "c1", "c2"),),
            "150 L at 20 L/min.",
        ),
    )  # fmt: skip


def _out_together() -> Case:
    def with_supply(minute: float | None) -> tuple[Incident, Policy]:
        more = {} if minute is None else {"resupply": (supply(minute, cyl("c2", 400, None)),)}
        incident = pair(2, pat("P", gone=12), pat("Q", "delayed", gone=12),
                        cylinders=(cyl("c1", 100),), **more)  # fmt: skip
        return incident, plan(incident, both_on("c1", "g", "P", "Q"))

    return Case(
        "all are out together", "Lines", *with_supply(None), {"P": 7, "Q": 7}, (),
        "Due at 5 without supply: both are out from 5 to 12.",
        twin=Case(
            "and go on together", "Lines", *with_supply(8), {"P": 3, "Q": 3},
            (Move(8, "P", "c1", "c2"),), "c2 comes at 8: one connection ends it for both.",
        ),
    )  # fmt: skip


def _elsewhere() -> Case:
    def found_at(place: str) -> tuple[Incident, Policy]:
        incident = pair(
            2, pat("P", gone=9), pat("Q", found=3, gone=9, place=place),
            devices=(masks(2), masks(2, B)), responders=[hand(), hand("R2", B)],
        )  # fmt: skip
        return incident, plan(incident, on("P", "c1", "g"))

    return Case(
        "no outlet at another place", "Lines", *found_at(B), {"Q": 6}, (),
        "The source stands at A.",
        twin=Case("at the same place", "Lines", *found_at(A), {}, (Move(3, "Q", None, "c1"),),
                  "Q joins at 3."),
    )  # fmt: skip


def _newcomer_stands() -> Case:
    def comes(triage: Any) -> tuple[Incident, Policy]:
        incident = pair(2, pat("P", triage, found=3, gone=30), pat("Q", "delayed", gone=30))
        return incident, plan(incident, on("Q", "c1", "g"))

    return Case(
        "an Immediate who joins stands for all", "Lines", *comes("immediate"), {},
        (Move(3, "P", None, "c1"), Move(12, "P", "c1", "c2")),
        "40 L to minute 4, 160 at 20 L/min: due at 12, for P.",
        twin=Case(
            "a Minimal does not", "Lines", *comes("minimal"), {},
            (Move(3, "P", None, "c1"), Move(12, "Q", "c1", "c2")), "The same, for Q.",
        ),
    )  # fmt: skip


def _began_late() -> Case:
    """Whoever joins as the source runs down has its first oxygen from the next cylinder."""

    def joins(minute: float) -> tuple[Incident, Policy]:
        first = pat("P", found=minute, gone=20, options=(flows(Phase(10, 5), Phase(5)),))
        incident = pair(
            2, first, pat("Q", "delayed", gone=20), responders=[hand(), hand("R2")],
            cylinders=(cyl("c1", 100), cyl("c2", 150), cyl("c3", 400)),
        )  # fmt: skip
        return incident, plan(incident, on("Q", "c1", "g"), order=("c2", "c3"))

    return Case(
        "phases begin with the first oxygen", "Lines", *joins(9.5), {},
        (Move(9.5, "P", None, "c1"), Move(10, "P", "c1", "c2"),
         Move(16 + 50 / 15, "P", "c2", "c3")),
        "P joins at 9.5 and would breathe from 10.5; c1 is due at 10, so P's first oxygen and first"
        " phase begin at 11: 100 L to 16, the other 50 at 15 L/min.",
        twin=Case(
            "a minute sooner", "Lines", *joins(8), {},
            (Move(8, "P", None, "c1"), Move(9.5, "P", "c1", "c2"),
             Move(14 + 80 / 15, "P", "c2", "c3")),
            "P breathes from 9: 90 L are gone, 10 more at 20 L/min, due at 9.5. From 10.5 on 20"
            " L/min to P's second phase at 14: 70 L; the other 80 at 15 L/min last 5.333 min.",
        ),
    )  # fmt: skip


def _machine_cases() -> list[Case]:
    def with_machine(power: float, *people: Patient, **more: Any) -> Incident:
        cylinders = more.pop("cylinders", (cyl("c2", 400),))
        more.setdefault("devices", (masks(4), masks(4, kind=MASK)))
        return world(people, cylinders, (reg("r1"),), concentrators=(machine(power),), **more)

    def soft(tag: str, **more: Any) -> Patient:
        return pat(tag, flow=5.0, device=MASK, **more)

    def swapped(power: float, **more: Any) -> tuple[Incident, Policy]:
        incident = with_machine(power, soft("P", gone=30), **more)
        return incident, plan(incident, on("P", "M", None, 5.0, device=MASK))

    def wears(device: str) -> tuple[Incident, Policy]:
        incident = with_machine(60, pat("P", found=3, gone=9, flow=5.0, device=device),
                                cylinders=())  # fmt: skip
        return incident, plan(incident)

    def stays(source: Cylinder) -> tuple[Incident, Policy]:
        is_machine = source.power_min is not None
        incident = world(
            [soft("P", gone=5), soft("Q", found=2, gone=12)], () if is_machine else (source,), (),
            concentrators=(source,) if is_machine else (), devices=(masks(4, kind=MASK),),
        )  # fmt: skip
        return incident, plan(incident, on("P", source.tag, None, 5.0, device=MASK))

    return [
        Case(
            "swapped before its power ends", "Concentrators", *swapped(20), {},
            (Move(15, "P", "M", "c2"),), "5 min before the power ends, at 15; then c2 on r1.",
            twin=Case("more power", "Concentrators", *swapped(28), {}, (Move(23, "P", "M", "c2"),),
                      "28 min less 5."),
        ),
        Case(
            "the rest of its power is a buffer", "Concentrators",
            *swapped(20, responders=[hand(from_min=18)]), {}, (Move(18, "P", "M", "c2"),),
            "Due at 15, served at 18, before the power ends at 20.", late_swaps={"P": 1},
            twin=Case(
                "and ends", "Concentrators", *swapped(20, responders=[hand(from_min=21)]),
                {"P": 1}, (Move(21, "P", "M", "c2"),), "Out from 20 to 21.", late_swaps={"P": 1},
            ),
        ),
        Case(
            "no reservoir on it", "Concentrators", *wears(NRB), {"P": 6}, (),
            "A non-rebreather's bag is not filled by it: out from 3 to 9.",
            twin=Case("a mask without one", "Concentrators", *wears(MASK), {},
                      (Move(3, "P", None, "M"),), "Connected when found."),
        ),
        Case(
            "it stays", "Concentrators", *stays(machine(60)), {"Q": 3}, (Move(5, "Q", None, "M"),),
            "Q waits from 2 until P leaves at 5 without it.",
            twin=Case(
                "a cylinder leaves", "Concentrators", *stays(cyl("b1", 400, connection=BUILT_IN)),
                {"Q": 10}, (), "It leaves with P at 5: Q is out from 2 to 12.",
            ),
        ),
    ]  # fmt: skip


SOURCE_CASES: Final = (*_line_cases(), *_machine_cases())
ALL_CASES: Final = (*CASES, *SOURCE_CASES, *leg_cases())


def shared_incidents() -> tuple[Rich, ...]:
    """The eight incidents with two outlets on every regulator and a concentrator beside."""
    return tuple(_shared(rich) for rich in eight_incidents())


def _shared(rich: Rich) -> Rich:
    def two(rows: tuple[Regulator, ...]) -> tuple[Regulator, ...]:
        return tuple(replace(row, outlets=2) for row in rows)

    incident = rich.incident
    place = incident.patients[0].place
    settings = tuple(sorted({o.flow_lpm for p in incident.patients for o in p.options or ()}))
    source = replace(machine(45.0, settings), place=place)
    incident = replace(
        incident,
        regulators=two(incident.regulators),
        resupply=tuple(replace(r, regulators=two(r.regulators)) for r in incident.resupply),
        concentrators=(source,),
    )
    here = next(c for c in initial_state(incident).cylinders if c.tag == source.tag)
    count = len(incident.cylinders)
    rows = rich.state.cylinders
    state = replace(rich.state, cylinders=(*rows[:count], here, *rows[count:]))
    return Rich(f"{rich.name}, shared", incident, rich.policy, state)
