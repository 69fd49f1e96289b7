"""Tiny incidents, one per rule of operation, with results worked out by hand.

All numbers are invented and round. Contents by handbook at 0.1 L/psi, change at 500 psi, safe
residual 200 psi: a cylinder made by ``cyl(tag, 100)`` has 100 L above the change pressure, 30 L of
buffer and 20 L below it. At 10 L/min, the usual flow here, that is 10 min to the swap and 3 min of
buffer. A connection keeps a responder busy 3 min, the new flow begins after 1 min. Place A unless
said; B is 10 min away, C is out of reach. CGA 540 wants neither key nor washer, CGA 870 both.
Horizon 100 min. Unless said nobody is transferred.

``CASES``: every case says minutes out (who is not named: 0), late swaps and connections; its twin
changes one thing and gives a different result. ``eight_incidents``: richer, uncertain, real gas.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, NamedTuple

from planner.demand import Needs
from planner.demand import sample as draw
from planner.incident import (
    BUILT_IN,
    Connected,
    Cylinder,
    DeviceStock,
    Incident,
    Option,
    Patient,
    Phase,
    Place,
    Priorities,
    Regulator,
    Responder,
    Resupply,
    SundryStock,
    ThreePoint,
    TransferGroup,
    Triage,
    Uncertainty,
)
from planner.policy import KeptFor, Policy, Promise
from planner.reference import find_size
from planner.state import CylinderNow, Hookup, Line, PatientNow, State, initial_state
from planner.units import Pressure, Temperature

NRB = "non-rebreather"
BAG = "bag-valve-mask"
A, B, C = "A", "B", "C"
THREAD, YOKE = "CGA 540", "CGA 870"
#: Rows of the protocol table whose need is above the usual "protective" of these cases.
SUSTAINING = "carbon monoxide, symptoms"


class Move(NamedTuple):
    """A connection: minute, patient, cylinder off, cylinder on, place."""

    minute: float
    patient: str
    off: str | None
    on: str
    place: str = A


@dataclass(frozen=True)
class Drawn:
    """What a case says instead of the draw: by tag of patient, cylinder or regulator."""

    start_min: Mapping[str, float] = field(default_factory=dict)
    gauge_error_psi: Mapping[str, float] = field(default_factory=dict)
    factor: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Case:
    """One situation with its result by hand.

    Parameters
    ----------
    rule : str
        Number in job.md, or the paragraph of the operation's docstring.
    minutes_out, late_swaps : mapping
        By patient; who is not named has 0.
    swaps : tuple of Move
        All connections made by responders, in order.
    """

    name: str
    rule: str
    incident: Incident
    policy: Policy
    minutes_out: Mapping[str, float]
    swaps: tuple[Move, ...]
    why: str
    late_swaps: Mapping[str, int] = field(default_factory=dict)
    state: State | None = None
    drawn: Drawn = Drawn()
    twin: Case | None = None

    @property
    def start(self) -> State:
        """The state the case begins from."""
        return self.state or initial_state(self.incident)

    def needs(self) -> Needs:
        """One sample, with what the case says instead of the draw."""
        needs = draw(self.incident, self.start, 1, seed=1)
        for patient, minute in self.drawn.start_min.items():
            needs.start_min[_row(self.incident.patients, patient), 0] = minute
        for tag, error in self.drawn.gauge_error_psi.items():
            needs.gauge_error_psi[_row(self.incident.all_cylinders, tag), 0] = error
        for tag, factor in self.drawn.factor.items():
            for rows, values in (
                (self.incident.all_regulators, needs.regulator_factor),
                (self.incident.all_cylinders, needs.valve_factor),
            ):
                if any(row.tag == tag for row in rows):
                    values[_row(rows, tag), 0] = factor
        return needs

    def expected_out(self) -> dict[str, float]:
        return {p.tag: float(self.minutes_out.get(p.tag, 0.0)) for p in self.incident.patients}

    def expected_late(self) -> dict[str, int]:
        return {p.tag: self.late_swaps.get(p.tag, 0) for p in self.incident.patients}


def _row(rows: Iterable[Any], tag: str) -> int:
    return next(n for n, row in enumerate(rows) if row.tag == tag)


# ----- builders --------------------------------------------------------------------------------


def at(minute: float) -> ThreePoint:
    return ThreePoint(minute, minute, minute)


def psi_for(usable_l: float) -> float:
    """Gauge of a cylinder with so many litres above 500 psi at 0.1 L/psi."""
    return 500.0 + 10.0 * usable_l


def cyl(tag: str, usable_l: float, place: str | None = A, connection: str = THREAD) -> Cylinder:
    gauge = Pressure(psi_for(usable_l), "psi")
    settings = (5.0, 10.0)  # only used where the valve is built in
    at_c = Temperature(10.0, "C")
    return Cylinder(tag, "D", gauge, at_c, connection, 2.0, 0.1, settings, place)


def reg(
    tag: str,
    place: str | None = A,
    connection: str = THREAD,
    settings: tuple[float, ...] = (2.0, 5.0, 10.0),
) -> Regulator:
    return Regulator(tag, connection, settings, 1, place)


def masks(
    count: int = 4, place: str | None = A, kind: str = NRB, age: Any = "adult"
) -> DeviceStock:
    return DeviceStock(kind, age, count, place)


def hand(tag: str = "R1", place: str = A, from_min: float = 0.0) -> Responder:
    return Responder(tag, place, from_min)


def flows(*phases: Phase, device: str = NRB) -> Option:
    return Option(device, "first choice", phases)


def pat(
    tag: str,
    triage: Triage = "immediate",
    *,
    found: float = 0.0,
    gone: float | None = None,
    flow: float = 10.0,
    device: str = NRB,
    **more: Any,
) -> Patient:
    more.setdefault("options", (flows(Phase(flow), device=device),))
    more.setdefault("place", A)
    transfer = None if gone is None else at(gone)
    return Patient(tag, triage, oxygen_from=at(found), transfer=transfer, **more)


def supply(minute: float, *cylinders: Cylinder, place: str = A) -> Resupply:
    return Resupply(at(minute), 0.0, place, cylinders)


EXACT = Uncertainty(shared_delay=0.0, flow_setting=0.0, gauge=Pressure(0.0, "psi"))
START = datetime(2027, 2, 14, 12, 0)


def world(
    patients: Iterable[Patient],
    cylinders: Iterable[Cylinder],
    regulators: Iterable[Regulator] = (reg("r1"), reg("r2")),
    responders: Iterable[Responder] = (hand(),),
    **more: Any,
) -> Incident:
    more.setdefault("devices", (masks(),))
    more.setdefault("places", (Place(A, ((B, 10.0),)), Place(B), Place(C)))
    more.setdefault("uncertainty", EXACT)
    more.setdefault("contents", "handbook")
    more.setdefault("horizon_min", 100.0)
    return Incident(
        name="rule",
        start=START,
        patients=tuple(patients),
        cylinders=tuple(cylinders),
        regulators=tuple(regulators),
        responders=tuple(responders),
        **more,
    )


def on(
    patient: str, cylinder: str, regulator: str | None, flow: float = 10.0, **more: Any
) -> Hookup:
    line = Line(patient, more.pop("device", NRB), flow)
    return Hookup((cylinder,), regulator, (line,), **more)


def plan(
    incident: Incident,
    *hookups: Hookup,
    order: tuple[str, ...] = (),
    promises: tuple[Promise, ...] = (),
    kept: tuple[KeptFor, ...] = (),
    without: tuple[str, ...] = (),
) -> Policy:
    """Everybody's first own option, except `without`."""
    options = tuple(
        (p.tag, p.options[0]) for p in incident.patients if p.options and p.tag not in without
    )
    return Policy(hookups, options, order, promises, kept)


def later(incident: Incident, at_min: float, *patients: PatientNow, **gauges: float) -> State:
    """The state at a minute: patients as given, gauges by tag, policy's hookups not yet in it."""
    state = initial_state(incident)
    rows = {p.tag: p for p in patients}
    return replace(
        state,
        at_min=at_min,
        patients=tuple(rows.get(p.tag, p) for p in state.patients),
        cylinders=tuple(_gauge(c, gauges) for c in state.cylinders),
    )


def _gauge(now: CylinderNow, gauges: Mapping[str, float]) -> CylinderNow:
    return replace(now, gauge=Pressure(gauges[now.tag], "psi")) if now.tag in gauges else now


def connected(state: State, *hookups: Hookup, free_from: float | None = None) -> State:
    """The state with these hookups running, and all responders free from a minute."""
    on_them = {c for h in hookups for c in h.cylinders}
    holds = {h.regulator: h.lines[0].patient for h in hookups}
    wearers = [h.lines[0] for h in hookups]
    devices = list(state.devices)
    for line in wearers:
        n = next(
            n for n, d in enumerate(devices) if d.holder is None and d.tag.startswith(line.device)
        )
        devices[n] = replace(devices[n], holder=line.patient)
    responders = state.responders
    if free_from is not None:
        responders = tuple(replace(r, free_from_min=free_from) for r in responders)
    return replace(
        state,
        hookups=hookups,
        devices=tuple(devices),
        responders=responders,
        cylinders=tuple(
            replace(c, status="connected") if c.tag in on_them else c for c in state.cylinders
        ),
        regulators=tuple(replace(r, holder=holds.get(r.tag)) for r in state.regulators),
    )


# ----- one case per rule -----------------------------------------------------------------------


def _rule_1() -> list[Case]:
    cases = []

    def arrival(minute: float) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20)], [cyl("c1", 100)], resupply=(supply(minute, cyl("c2", 100)),)
        )
        return incident, plan(incident, on("P", "c1", "r1"))

    cases.append(
        Case(
            "resupply before swap due",
            "1",
            *arrival(10),
            {},
            (Move(10, "P", "c1", "c2"),),
            "100 L at 10 L/min: due at 10. c2 arrives at 10 and counts as there: swap at 10.",
            twin=Case(
                "resupply a minute later",
                "1",
                *arrival(11),
                {"P": 1},
                (Move(11, "P", "c1", "c2"),),
                "Due at 10 without supply: out at once, connection at 11: 1 min.",
            ),
        )
    )

    def leaves(minute: float) -> tuple[Incident, Policy]:
        incident = world([pat("P", gone=minute)], [cyl("c1", 100), cyl("c2", 100)])
        return incident, plan(incident, on("P", "c1", "r1"))

    cases.append(
        Case(
            "transfer before swap due",
            "1",
            *leaves(10),
            {},
            (),
            "Transfer and swap due at 10: the transfer comes first, nothing is due any more.",
            twin=Case(
                "transfer after swap due",
                "1",
                *leaves(10.5),
                {},
                (Move(10, "P", "c1", "c2"),),
                "Still there at 10: the swap starts.",
            ),
        )
    )

    def free_again(swap_min: float) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20), pat("Q", gone=20)],
            [cyl("c1", 100), cyl("c2", 130), cyl("c3", 300), cyl("c4", 300)],
            swap_min=swap_min,
        )
        return incident, plan(incident, on("P", "c1", "r1"), on("Q", "c2", "r2"))

    cases.append(
        Case(
            "responder free before the queue",
            "1",
            *free_again(3),
            {},
            (Move(10, "P", "c1", "c3"), Move(13, "Q", "c2", "c4")),
            "P due at 10 keeps R1 to 13. Q is due at 13, R1 is free at 13: no time passes. "
            "c3 and c4 hold as much: file order.",
            twin=Case(
                "responder a minute longer",
                "1",
                *free_again(4),
                {},
                (Move(10, "P", "c1", "c3"), Move(14, "Q", "c2", "c4")),
                "R1 is free at 14: Q breathes from the buffer for 1 min of 3.",
                late_swaps={"Q": 1},
            ),
        )
    )
    cases.extend(_rule_1_state())
    cases.extend(_rule_1_queue())
    return cases


def _rule_1_state() -> list[Case]:
    incident = world([pat("P", gone=40)], [cyl("c1", 100), cyl("c2", 300)])
    hookup = on("P", "c1", "r1")
    policy = plan(incident, hookup)
    due = PatientNow("P", A, "here", waiting_since_min=18, first_flow_min=0)

    def waits(free_from: float, is_out: bool = False, psi: float = 350) -> State:
        now = replace(due, is_out=is_out)
        return connected(later(incident, 20, now, c1=psi), hookup, free_from=free_from)

    cases = [
        Case(
            "state with a swap due",
            "1",
            incident,
            policy,
            {"P": 0.5},
            (Move(22, "P", "c1", "c2"),),
            "Due, and counted late, since 18. 350 psi: 150 x 0.1 = 15 L, to 21.5; R1 at 22.",
            state=waits(22),
            twin=Case(
                "the same, responder sooner",
                "1",
                incident,
                policy,
                {},
                (Move(21, "P", "c1", "c2"),),
                "R1 free at 21, before the buffer ends.",
                state=waits(21),
            ),
        ),
        Case(
            "state with someone out",
            "1",
            incident,
            policy,
            {"P": 5},
            (Move(25, "P", "c1", "c2"),),
            "Out in the state: 20 to 25, though 30 L of buffer are left and c2 is there.",
            state=waits(25, is_out=True, psi=500),
            twin=Case(
                "the same, not out in the state",
                "1",
                incident,
                policy,
                {"P": 2},
                (Move(25, "P", "c1", "c2"),),
                "30 L last to 23: out 23 to 25.",
                state=waits(25, psi=500),
            ),
        ),
    ]
    swapping = on("P", "c1", "r1", flow_from_min=21)
    now = PatientNow("P", A, "here", first_flow_min=0)

    def midway(flow_from: float) -> Case:
        hookup = replace(swapping, flow_from_min=flow_from)
        return Case(
            f"state in the middle of a swap, flow from {flow_from:g}",
            "1",
            incident,
            plan(incident, hookup),
            {},
            (Move(10 + flow_from, "P", "c1", "c2"),),
            "c1 has 100 L and runs from then: due 10 min later. The gap is not out.",
            state=connected(later(incident, 20, now, c1=psi_for(100)), hookup),
        )

    cases.append(replace(midway(21), twin=midway(20)))
    return [*cases, *_rule_1_replan()]


def _rule_1_replan() -> list[Case]:
    """What a plan made at minute 20 may change, and what goes on."""
    stock = [cyl("c1", 300), cyl("c2", 390), cyl("c3", 380)]
    incident = world([pat("P", gone=60), pat("Q", gone=40)], stock)
    here = PatientNow("P", A, "here", first_flow_min=0)
    hookup = on("P", "c1", "r1")
    state = connected(later(incident, 20, here, c1=psi_for(100)), hookup)

    def dialled(flow: float, minute: float) -> Case:
        policy = plan(incident, on("P", "c1", "r1", flow))
        return Case(
            f"replanned at {flow:g} L/min",
            "9",
            incident,
            policy,
            {},
            (Move(20, "Q", None, "c2"), Move(minute, "P", "c1", "c3")),
            "100 L left at 20; Q, waiting, is connected by R1 at 20.",
            state=state,
        )

    phased = flows(Phase(10.0, 30.0), Phase(5.0))
    titrated = world([pat("P", gone=60, options=(phased,))], [cyl("c1", 300), cyl("c2", 390)])

    def phase(minute: float, *, stopped: bool) -> Case:
        now = replace(here, phases_stopped=stopped)
        return Case(
            "phases stopped in the state" if stopped else "phases go on from the state",
            "1, 9",
            titrated,
            plan(titrated, hookup),
            {},
            (Move(minute, "P", "c1", "c2"),),
            "150 L at 20; first flow at 0, so that 5 L/min begin at 30: 100 L to 30, 50 L to 40. "
            "Stopped: 15 min at 10 L/min.",
            state=connected(later(titrated, 20, now, c1=psi_for(150)), hookup),
        )

    two = world([pat("P", "delayed", gone=40), pat("Q", gone=40)], [cyl("c1", 390)])
    waiting = connected(later(two, 20, here, c1=psi_for(300)), hookup)
    return [
        replace(dialled(5, 40), twin=dialled(10, 30)),
        replace(phase(40, stopped=False), twin=phase(35, stopped=True)),
        _phase_in_the_past(),
        Case(
            "a plan takes a cylinder from one for another",
            "Policy",
            two,
            plan(two, on("Q", "c1", "r2")),
            {"P": 20},
            (),
            "P's hookup is not named: c1 (300 L, 30 min) goes to Q at 20, P keeps r1 and is out.",
            state=waiting,
            twin=Case(
                "it goes on",
                "Policy",
                two,
                plan(two, hookup),
                {"Q": 20},
                (),
                "c1 stays with P; nothing for Q.",
                state=waiting,
            ),
        ),
    ]


def _phase_in_the_past() -> Case:
    phased = flows(Phase(10.0, 10.0), Phase(5.0, 20.0, chance=0.0), Phase(2.0))
    incident = world([pat("P", gone=60, options=(phased,))], [cyl("c1", 300), cyl("c2", 390)])
    hookup = on("P", "c1", "r1", 5)

    def go_on(minute: float, *, stopped: bool) -> Case:
        now = PatientNow("P", A, "here", first_flow_min=0, phases_stopped=stopped)
        return Case(
            "stopped at a past phase" if stopped else "a past phase is not drawn again",
            "1, 9",
            incident,
            plan(incident, hookup),
            {},
            (Move(minute, "P", "c1", "c2"),),
            "The phase at 10 is done: 5 L/min at 20, 60 L left. 50 L to 30, then 10 L at 2: 35. "
            "Stopped: 60 L at 5.",
            state=connected(later(incident, 20, now, c1=psi_for(60)), hookup),
        )

    return replace(go_on(35, stopped=False), twin=go_on(32, stopped=True))


def _rule_1_queue() -> list[Case]:
    def two(first: Patient, second: Patient, order: str = "category") -> tuple[Incident, Policy]:
        incident = world([first, second], [cyl("c1", 300), cyl("c2", 200)])
        incident = replace(incident, priorities=replace(incident.priorities, order=order))  # type: ignore[arg-type]
        return incident, plan(incident)

    p_first = (Move(0, "P", None, "c1"), Move(3, "Q", None, "c2"))
    q_first = (Move(0, "Q", None, "c1"), Move(3, "P", None, "c2"))
    delayed, urgent = pat("P", "delayed", gone=20), pat("Q", gone=20)
    worse = pat("Q", gone=20, indication=SUSTAINING)
    cases = [
        Case(
            "queue by category",
            "1",
            *two(delayed, urgent),
            {"P": 3},
            q_first,
            "Both wait from 0. Q is Immediate: served at 0 by R1, busy to 3; P out 0 to 3.",
            twin=Case(
                "same category: file order",
                "1",
                *two(pat("P", gone=20), urgent),
                {"Q": 3},
                p_first,
                "Both Immediate, protective, waiting since 0: P stands first in the file.",
            ),
        ),
        Case(
            "queue by need within a category",
            "1",
            *two(pat("P", gone=20), worse),
            {"P": 3},
            q_first,
            "Q's indication is sustaining, P's protective.",
            twin=Case(
                "category before need",
                "1",
                *two(pat("P", gone=20), pat("Q", "delayed", gone=20, indication=SUSTAINING)),
                {"Q": 3},
                p_first,
                "Q is Delayed: need does not lift it over an Immediate.",
            ),
        ),
        Case(
            "queue by need where the file says so",
            "1",
            *two(
                pat("P", gone=20),
                pat("Q", "delayed", gone=20, indication=SUSTAINING),
                "need",
            ),
            {"P": 3},
            q_first,
            "order = need: sustaining before protective, whatever the category.",
            twin=Case(
                "order = category",
                "1",
                *two(pat("P", gone=20), pat("Q", "delayed", gone=20, indication=SUSTAINING)),
                {"Q": 3},
                p_first,
                "The same people by category.",
            ),
        ),
    ]

    def waiting(p_usable: float) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=25), pat("Q", gone=25)],
            [cyl("c1", p_usable), cyl("c2", 100), cyl("c3", 300), cyl("c4", 200)],
            responders=[hand(from_min=12.5)],
        )
        return incident, plan(incident, on("P", "c1", "r1"), on("Q", "c2", "r2"))

    cases.append(
        Case(
            "longest waiting before file order",
            "1",
            *waiting(120),
            {"P": 0.5},
            (Move(12.5, "Q", "c2", "c3"), Move(15.5, "P", "c1", "c4")),
            "Q due at 10, P at 12; R1 from 12.5 takes Q, then P at 15.5; P's buffer ends at 15.",
            late_swaps={"P": 1, "Q": 1},
            twin=Case(
                "waiting equally long",
                "1",
                *waiting(100),
                {"Q": 2.5},
                (Move(12.5, "P", "c1", "c3"), Move(15.5, "Q", "c2", "c4")),
                "Both due at 10: P by file order; Q's buffer ends at 13, connection at 15.5.",
                late_swaps={"P": 1, "Q": 1},
            ),
        )
    )

    def passed(connection: str) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=30), pat("Q", "delayed", gone=30)],
            [cyl("c1", 100, A, connection), cyl("c2", 100), cyl("c3", 300)],
            [reg("r1", A, connection), reg("r2")],
        )
        return incident, plan(incident, on("P", "c1", "r1"), on("Q", "c2", "r2"))

    cases.append(
        Case(
            "who cannot be served is passed over",
            "1",
            *passed(YOKE),
            {"P": 20},
            (Move(10, "Q", "c2", "c3"),),
            "Both due at 10. No yoke cylinder for P: out 10 to 30. Q behind it is served at 10.",
            twin=Case(
                "the first can be served",
                "1",
                *passed(THREAD),
                {"Q": 20},
                (Move(10, "P", "c1", "c3"),),
                "P takes c3; nothing is left for Q, out from 10.",
            ),
        )
    )
    return cases


def _rule_2() -> list[Case]:
    def found(from_min: float) -> tuple[Incident, Policy]:
        incident = world(
            [pat("U", found=20, gone=40)], [cyl("c1", 300)], [reg("r1")], [hand(from_min=from_min)]
        )
        promise = Promise("U", "r1", "non-rebreather adult 1")
        return incident, plan(incident, promises=(promise,))

    def never(found_min: float, *promises: Promise) -> tuple[Incident, Policy]:
        people = [pat("U", found=found_min, gone=15), pat("P", "delayed", gone=35)]
        incident = world(people, [cyl("c1", 390)], [reg("r1")])
        return incident, plan(incident, promises=promises)

    promised = Promise("U", "r1", None)

    def late(start: float) -> Drawn:
        return Drawn(start_min={"U": start})

    people = [pat("U", found=20, gone=50), pat("P", "delayed", gone=55)]
    stock = world(people, [cyl("c1", 390), cyl("c2", 380)], [reg("r1")])
    masks_only = world(
        [pat("U", found=20, gone=15), pat("P", "delayed", gone=35)],
        [cyl("c1", 390)],
        devices=(masks(1),),
    )
    mask_promise = (Promise("U", None, "non-rebreather adult 1"),)
    return [
        Case(
            "found: promised kit, cylinder from the reserve",
            "2",
            *found(0),
            {},
            (Move(20, "U", None, "c1"),),
            "Found at 20, R1 starts at once; the gap to 21 is not out.",
            twin=Case(
                "found without hands",
                "2, 5",
                *found(25),
                {"U": 5},
                (Move(25, "U", None, "c1"),),
                "No buffer for someone found: out 20 to 25. Not a late swap.",
            ),
        ),
        Case(
            "never needed: promised until the 95 % point",
            "2",
            *never(20, promised),
            {"P": 20},
            (Move(20, "P", None, "c1"),),
            "U's transfer at 15 is before its start at 20: never needed. Nobody knows: r1 is "
            "promised until 20 (a fixed time is its own 95 % point), then P takes it: out 0 to 20.",
            twin=Case(
                "nothing promised",
                "2",
                *never(20),
                {},
                (Move(0, "P", None, "c1"),),
                "r1 is free kit at 0.",
            ),
        ),
        Case(
            "promised mask until the 95 % point",
            "2",
            masks_only,
            plan(masks_only, promises=mask_promise),
            {"P": 20},
            (Move(20, "P", None, "c1"),),
            "The only mask is U's until 20.",
            twin=Case(
                "mask not promised",
                "2",
                masks_only,
                plan(masks_only),
                {},
                (Move(0, "P", None, "c1"),),
                "P takes it at 0.",
            ),
        ),
        Case(
            "found after the call-off",
            "2",
            stock,
            plan(stock, promises=(promised,)),
            {"P": 20, "U": 20},
            (Move(20, "P", None, "c1"),),
            "Called off at 20, P takes r1. U, found at 30, finds no regulator: out 30 to 50. "
            "P leaves with r1 at 55 without needing a swap (390 L last from 21 to 60).",
            drawn=late(30),
            twin=Case(
                "found at the 95 % point",
                "2",
                stock,
                plan(stock, promises=(promised,)),
                {"P": 55},
                (Move(20, "U", None, "c1"),),
                "Found comes before call-off: U has r1; it leaves with r1 at 50, P gets none.",
                drawn=late(20),
            ),
        ),
        _promise_carried(),
        _called_off_carried(),
        _promised_cylinder(),
    ]


def _promise_carried() -> Case:
    def kit(place: str) -> tuple[Incident, Policy]:
        incident = world([pat("U", found=4, gone=30)], [cyl("c1", 300)], [reg("r1", place)])
        return incident, plan(incident, promises=(Promise("U", "r1"),))

    return Case(
        "promised kit is carried",
        "2, Promises",
        *kit(B),
        {"U": 6},
        (Move(10, "U", None, "c1"),),
        "Found at 4; r1 from B is there from 10: out 4 to 10.",
        twin=Case(
            "promised kit is there",
            "2",
            *kit(A),
            {},
            (Move(4, "U", None, "c1"),),
            "r1 at A.",
        ),
    )


def _called_off_carried() -> Case:
    def kit(place: str) -> tuple[Incident, Policy]:
        people = [pat("U", found=20, gone=15), pat("P", "delayed", gone=50)]
        incident = world(people, [cyl("c1", 300)], [reg("r1", place)])
        return incident, plan(incident, promises=(Promise("U", "r1"),))

    return Case(
        "called-off kit is carried from then on",
        "2, Promises",
        *kit(B),
        {"P": 30},
        (Move(30, "P", None, "c1"),),
        "r1 joins the free kit at B at 20: at A from 30.",
        twin=Case(
            "called off at that place",
            "2",
            *kit(A),
            {"P": 20},
            (Move(20, "P", None, "c1"),),
            "At A.",
        ),
    )


def _promised_cylinder() -> Case:
    incident = world(
        [pat("P", gone=30), pat("Q", gone=30)], [cyl("c1", 100), cyl("c2", 250), cyl("c3", 250)]
    )
    hookups = (on("P", "c1", "r1"), on("Q", "c2", "r2"))
    return Case(
        "a promised cylinder is nobody else's",
        "Promises",
        incident,
        plan(incident, *hookups, promises=(Promise("Q", cylinders=("c3",)),)),
        {"P": 20},
        (Move(25, "Q", "c2", "c3"),),
        "P due at 10, c3 is Q's: out 10 to 30. Q (250 L) is due at 25 and takes it.",
        twin=Case(
            "not promised",
            "Promises",
            incident,
            plan(incident, *hookups),
            {"Q": 5},
            (Move(10, "P", "c1", "c3"),),
            "P takes c3 at 10. Q due at 25 finds nothing: out 25 to 30.",
        ),
    )


def _rule_3() -> list[Case]:
    alone = world([pat("P", gone=20)], [cyl("c1", 300)], responders=[])

    def gap(minutes: float) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20)],
            [cyl("c1", 100), cyl("c2", 50), cyl("c3", 40)],
            swap_gap_min=minutes,
        )
        return incident, plan(incident, on("P", "c1", "r1"))

    def tiny(num: int) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20)],
            [cyl("c1", 100), cyl("c2", 5), cyl("c3", 300)],
            responders=[hand(f"R{n}") for n in range(num)],
        )
        return incident, plan(incident, on("P", "c1", "r1"), order=("c2",))

    def where(place: str) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20)], [cyl("c1", 100), cyl("c2", 300)], responders=[hand("R1", place)]
        )
        return incident, plan(incident, on("P", "c1", "r1"))

    return [
        Case(
            "first connections cost no time",
            "3",
            alone,
            plan(alone, on("P", "c1", "r1")),
            {},
            (),
            "Named by the plan: runs from 0 though no responder is listed.",
            twin=Case(
                "not named",
                "3",
                alone,
                plan(alone),
                {"P": 20},
                (),
                "Every other connection needs a responder: out 0 to 20.",
            ),
        ),
        Case(
            "gap first, then flow",
            "3",
            *gap(1),
            {},
            (Move(10, "P", "c1", "c2"), Move(16, "P", "c2", "c3")),
            "c2's 50 L run from 11: due at 16. The gap is not out.",
            twin=Case(
                "gap of 2 min",
                "3",
                *gap(2),
                {},
                (Move(10, "P", "c1", "c2"), Move(17, "P", "c2", "c3")),
                "c2 runs from 12: due at 17.",
            ),
        ),
        Case(
            "under way until the flow begins",
            "3, Queue",
            *tiny(2),
            {},
            (Move(10, "P", "c1", "c2"), Move(11.5, "P", "c2", "c3")),
            "c2's 5 L run 11 to 11.5: due then, R2 is free.",
            twin=Case(
                "one responder",
                "3",
                *tiny(1),
                {},
                (Move(10, "P", "c1", "c2"), Move(13, "P", "c2", "c3")),
                "R1 is busy to 13, the buffer lasts to 14.5.",
                late_swaps={"P": 1},
            ),
        ),
        Case(
            "a responder at that place",
            "3",
            *where(A),
            {},
            (Move(10, "P", "c1", "c2"),),
            "R1 is at A.",
            twin=Case(
                "a responder elsewhere",
                "3",
                *where(B),
                {"P": 7},
                (),
                "R1 is at B: buffer to 13, out 13 to 20.",
                late_swaps={"P": 1},
            ),
        ),
    ]


def _rule_4() -> list[Case]:
    stock = [cyl("c1", 100), cyl("c2", 300), cyl("c3", 200), cyl("c4", 300)]
    one = world([pat("P", gone=20)], stock)
    first = on("P", "c1", "r1")

    def chosen(name: str, order: tuple[str, ...], tag: str, why: str) -> Case:
        policy = plan(one, first, order=order)
        return Case(name, "4", one, policy, {}, (Move(10, "P", "c1", tag),), why)

    listed = chosen(
        "the printed list", ("c3", "c4"), "c3", "c3 heads the list, though c2 holds more."
    )
    default = chosen(
        "not on the list", (), "c2", "Most usable first: c2 and c4 tie, file order c2."
    )
    after = chosen(
        "unlisted after listed", ("c1", "c4"), "c4", "c1 is in use, c4 is listed, c2 is not."
    )

    def carried(minutes: float) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20)],
            [cyl("c1", 50), cyl("c2", 300, B)],
            places=(Place(A, ((B, minutes),)), Place(B)),
        )
        return incident, plan(incident, first)

    def over_third(*direct: tuple[str, float]) -> tuple[Incident, Policy]:
        places = (Place(A, ((C, 1.0), *direct)), Place(B, ((C, 1.0),)), Place(C))
        incident = world([pat("P", gone=20)], [cyl("c1", 50), cyl("c2", 300, B)], places=places)
        return incident, plan(incident, first)

    def last(usable_l: float) -> tuple[Incident, Policy]:
        incident = world([pat("P", gone=20)], [cyl("c1", 100), cyl("c2", usable_l)])
        return incident, plan(incident, first)

    return [
        replace(listed, twin=default),
        replace(after, twin=replace(default, name="nothing listed")),
        Case(
            "there-from by carrying",
            "4",
            *carried(10),
            {"P": 5},
            (Move(10, "P", "c1", "c2"),),
            "Due at 5; c2 from B is there from 10: out 5 to 10.",
            twin=Case(
                "a shorter way",
                "4",
                *carried(5),
                {},
                (Move(5, "P", "c1", "c2"),),
                "There from 5: sent for ahead.",
            ),
        ),
        Case(
            "never over a third place",
            "4",
            *over_third(),
            {"P": 15},
            (),
            "B to A is not given; 1 + 1 min over C does not count: out 5 to 20.",
            twin=Case(
                "the direct way",
                "4",
                *over_third((B, 2.0)),
                {},
                (Move(5, "P", "c1", "c2"),),
                "2 min direct.",
            ),
        ),
        Case(
            "usable above the change pressure",
            "4",
            *last(0),
            {"P": 10},
            (),
            "c2 at 500 psi has nothing above the change pressure: out 10 to 20.",
            twin=Case(
                "a little above",
                "4",
                *last(1),
                {"P": 8.9},
                (Move(10, "P", "c1", "c2"),),
                "1 L runs 11 to 11.1, then nothing is left: out 11.1 to 20.",
            ),
        ),
        _taken_off(),
        _most_usable_now(),
    ]


def _taken_off() -> Case:
    incident = world(
        [pat("P", gone=60), pat("Q", gone=60)], [cyl("c1", 100), cyl("c2", 100), cyl("c3", 390)]
    )
    p_on, q_on = on("P", "c1", "r1"), on("Q", "c2", "r2")
    here = PatientNow("Q", A, "here", first_flow_min=0)

    def begin(waiting: float | None) -> State:
        now = PatientNow("P", A, "here", waiting_since_min=waiting, first_flow_min=0)
        return connected(later(incident, 20, now, here, c2=psi_for(100)), p_on, q_on)

    policy = plan(incident, p_on, q_on)
    return Case(
        "taken off at a swap is not used again",
        "4",
        incident,
        policy,
        {"Q": 30},
        (Move(20, "P", "c1", "c3"),),
        "The state says P's swap is due though c1 holds 100 L (misread). c1 comes off at 20 "
        "and may not serve Q, due at 30: out 30 to 60. c3 lasts P to 60 (21 + 39).",
        state=begin(18),
        twin=Case(
            "not due in the state",
            "4",
            incident,
            policy,
            {"Q": 30},
            (Move(30, "P", "c1", "c3"),),
            "P's swap is due at 30 like Q's; P first, Q out from 30. c3 lasts to 70.",
            state=begin(None),
        ),
    )


def _most_usable_now() -> Case:
    # c2 goes away with P and comes back emptier than c3: unlisted cylinders go by what is left.
    def away(flow: float) -> tuple[Incident, Policy]:
        group = TransferGroup("g", kit_return_min=5)
        incident = world(
            [pat("P", gone=10, flow=flow, transfer_group="g"), pat("Q", gone=40)],
            [cyl("c1", 200), cyl("c2", 300), cyl("c3", 240)],
            [reg("r1"), reg("r2")],
            transfer_groups=(group,),
        )
        return incident, plan(incident, on("P", "c2", "r1", flow), on("Q", "c1", "r2"))

    return Case(
        "unlisted: most usable litres at that time",
        "4",
        *away(10),
        {},
        (Move(20, "Q", "c1", "c3"),),
        "c2 left with P at 10 after 100 L and is back with 200 L: c3 (240 L) comes first at 20. "
        "c3 lasts to 45.",
        twin=Case(
            "less used",
            "4",
            *away(5),
            {},
            (Move(20, "Q", "c1", "c2"),),
            "c2 is back with 250 L, more than c3.",
        ),
    )


def _rule_5() -> list[Case]:
    def hands(from_min: float) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20)],
            [cyl("c1", 100), cyl("c2", 300)],
            responders=[hand(from_min=from_min)],
        )
        return incident, plan(incident, on("P", "c1", "r1"))

    def elsewhere(*spare: Cylinder) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=30), pat("Q", "delayed", gone=30)],
            [cyl("c1", 110), cyl("c2", 100), cyl("c3", 300), *spare],
            responders=[hand(from_min=12)],
        )
        return incident, plan(incident, on("P", "c1", "r1"), on("Q", "c2", "r2"))

    def given_back(minute: float) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=30)],
            [cyl("c1", 100)],
            responders=[hand(from_min=12)],
            resupply=(supply(minute, cyl("c2", 300)),),
        )
        return incident, plan(incident, on("P", "c1", "r1"))

    return [
        Case(
            "late swap",
            "5",
            *hands(12),
            {},
            (Move(12, "P", "c1", "c2"),),
            "Due at 10, c2 is there, R1 from 12: 2 of 3 min of buffer.",
            late_swaps={"P": 1},
            twin=Case(
                "later than the buffer",
                "5",
                *hands(15),
                {"P": 2},
                (Move(15, "P", "c1", "c2"),),
                "Buffer ends at 13: out 13 to 15.",
                late_swaps={"P": 1},
            ),
        ),
        Case(
            "the last cylinder goes elsewhere",
            "5",
            *elsewhere(),
            {"Q": 18},
            (Move(12, "P", "c1", "c3"),),
            "Q due at 10, P at 11; R1 from 12 gives the only spare to P. Q is out from 12 to 30, "
            "with a minute of buffer unused.",
            late_swaps={"P": 1, "Q": 1},
            twin=Case(
                "one more",
                "5",
                *elsewhere(cyl("c4", 300)),
                {"Q": 2},
                (Move(12, "P", "c1", "c3"), Move(15, "Q", "c2", "c4")),
                "R1 free at 15; Q's buffer ends at 13.",
                late_swaps={"P": 1, "Q": 1},
            ),
        ),
        Case(
            "the buffer is for hands, never for supply",
            "5",
            *given_back(11),
            {"P": 2},
            (Move(12, "P", "c1", "c2"),),
            "Nothing there at 10: out from 10. c2 comes at 11, R1 at 12; the buffer is not given "
            "back: out 10 to 12.",
            twin=Case(
                "supply in time",
                "5",
                *given_back(10),
                {},
                (Move(12, "P", "c1", "c2"),),
                "c2 there at 10: only hands are missing.",
                late_swaps={"P": 1},
            ),
        ),
    ]


def _rule_6() -> list[Case]:
    def kept(
        k: int = 1,
        place: str | None = A,
        triage: Triage = "immediate",
        leaves: float = 60,
        **more: Any,
    ) -> tuple[Incident, Policy]:
        stock = more.pop("stock", [cyl("c3", 300)])
        second = more.pop("second", "delayed")
        incident = world(
            [pat("I", gone=leaves, flow=5), pat("Q", second, gone=40)],
            [cyl("c1", 390), cyl("c2", 100), *stock],
            **more,
        )
        row = KeptFor(place, THREAD, triage, k)
        return incident, plan(incident, on("I", "c1", "r1", 5), on("Q", "c2", "r2"), kept=(row,))

    blocked, served = {"Q": 30.0}, (Move(10, "Q", "c2", "c3"),)
    lapse = kept(leaves=15)
    far = [cyl("c3", 300), cyl("c4", 300, B)]
    off = [cyl("c3", 300), cyl("c4", 300, C)]
    return [
        Case(
            "kept for Immediates",
            "6",
            *kept(leaves=39),
            {"Q": 29},
            (Move(39, "Q", "c2", "c3"),),
            "Q due at 10; c3 is the only spare and one must stay: out 10 to 39, when the Immediate "
            "is transferred and the row lapses.",
            twin=Case("nothing kept", "6", *kept(0), {}, served, "k = 0: c3 at 10."),
        ),
        Case(
            "kept for lapses at the transfer",
            "6",
            *lapse,
            {"Q": 5},
            (Move(15, "Q", "c2", "c3"),),
            "Transfer of I at 15: nobody is left for whom to keep.",
            twin=Case(
                "another Immediate is there",
                "6",
                *_another_immediate(),
                {"Q": 30},
                (),
                "J on a thread regulator is there to 60: no lapse before Q leaves at 40.",
            ),
        ),
        Case(
            "what stays counts before it is carried",
            "6",
            *kept(stock=far, places=(Place(A, ((B, 20.0),)), Place(B))),
            {},
            served,
            "At 10 c4 from B is not there before 20: it counts as staying all the same, c3 may go.",
            twin=Case(
                "out of reach does not count",
                "6",
                *kept(stock=off),
                blocked,
                (),
                "c4 at C cannot be carried to A.",
            ),
        ),
        Case(
            "only usable ones count",
            "6",
            *kept(stock=[cyl("c3", 300), cyl("c4", 0)]),
            blocked,
            (),
            "c4 at the change pressure is not usable: nothing would stay.",
            twin=Case(
                "usable",
                "6",
                *kept(stock=[cyl("c3", 300), cyl("c4", 1)]),
                {},
                served,
                "1 L above is usable.",
            ),
        ),
        Case(
            "a row of another place does not bind",
            "6",
            *kept(place=B),
            {},
            served,
            "Q is at A.",
            twin=Case("a row for all places", "6", *kept(place=None), blocked, (), "Place: all."),
        ),
        Case(
            "a row binds lower categories only",
            "6",
            *kept(triage="delayed"),
            {},
            served,
            "Q is Delayed itself.",
            twin=Case(
                "a Minimal patient",
                "6",
                *kept(triage="delayed", second="minimal"),
                blocked,
                (),
                "Minimal is below Delayed; I is above it and keeps the row alive.",
            ),
        ),
        _awaited(),
        _stays_joined(),
        _stays_promised(),
        _other_connection(),
        _each_row_alone(),
        _kept_on_valve(),
    ]


def _another_immediate() -> tuple[Incident, Policy]:
    incident = world(
        [pat("I", gone=15), pat("J", gone=60, flow=5), pat("Q", "delayed", gone=40)],
        [cyl("c1", 390), cyl("c2", 100), cyl("c3", 300), cyl("c4", 390)],
        [reg("r1"), reg("r2"), reg("r3")],
    )
    row = KeptFor(A, THREAD, "immediate", 1)
    hookups = (on("I", "c1", "r1"), on("J", "c4", "r3", 5), on("Q", "c2", "r2"))
    return incident, plan(incident, *hookups, kept=(row,))


def _awaited() -> Case:
    incident = world(
        [pat("U", found=40, gone=35), pat("Q", "delayed", gone=60)],
        [cyl("c2", 100), cyl("c3", 300)],
    )
    row = KeptFor(A, THREAD, "immediate", 1)
    hookup = on("Q", "c2", "r2")
    return Case(
        "kept for someone awaited",
        "6",
        incident,
        plan(incident, hookup, promises=(Promise("U", "r1"),), kept=(row,)),
        {"Q": 30},
        (Move(40, "Q", "c2", "c3"),),
        "U is awaited with r1 until its 95 % point, 40, though never needed: Q out 10 to 40.",
        twin=Case(
            "no regulator promised",
            "6",
            incident,
            plan(incident, hookup, kept=(row,)),
            {"Q": 19},
            (Move(10, "Q", "c2", "c3"),),
            "Nobody is awaited on that connection: the row has lapsed. c3 runs 11 to 41, then "
            "nothing is left: out 41 to 60.",
        ),
    )


def _stays_joined() -> Case:
    def back(kit_return: float) -> tuple[Incident, Policy]:
        group = TransferGroup("g", kit_return_min=kit_return)
        incident = world(
            [
                pat("I", gone=60, flow=5),
                pat("Q", "delayed", gone=40),
                pat("X", gone=5, transfer_group="g"),
            ],
            [cyl("c1", 390), cyl("c2", 100), cyl("c3", 300), cyl("c4", 200)],
            [reg("r1"), reg("r2"), reg("r3")],
            transfer_groups=(group,),
        )
        hookups = (on("I", "c1", "r1", 5), on("Q", "c2", "r2"), on("X", "c4", "r3"))
        kept = (KeptFor(A, THREAD, "immediate", 1),)
        return incident, plan(incident, *hookups, kept=kept)

    return Case(
        "what stays must have joined",
        "6, Kept for",
        *back(10),
        {"Q": 5},
        (Move(15, "Q", "c2", "c3"),),
        "c4 left with X at 5 and is back at 15 with 150 L; only then may c3 go: out 10 to 15.",
        twin=Case("back in time", "6", *back(4), {}, (Move(10, "Q", "c2", "c3"),), "c4 back at 9."),
    )


def _stays_promised() -> Case:
    incident = world(
        [pat("I", gone=60, flow=5), pat("Q", "delayed", gone=40)],
        [cyl("c1", 390), cyl("c2", 100), cyl("c3", 300), cyl("c4", 200)],
    )
    hookups = (on("I", "c1", "r1", 5), on("Q", "c2", "r2"))
    kept = (KeptFor(A, THREAD, "immediate", 1),)
    return Case(
        "what is promised does not count as staying",
        "Kept for",
        incident,
        plan(incident, *hookups, kept=kept, promises=(Promise("I", cylinders=("c4",)),)),
        {"Q": 30},
        (),
        "c4 is promised to I: only c3 is left that could stay.",
        twin=Case(
            "not promised",
            "6",
            incident,
            plan(incident, *hookups, kept=kept),
            {},
            (Move(10, "Q", "c2", "c3"),),
            "c4 stays.",
        ),
    )


def _other_connection() -> Case:
    def immediate_on(connection: str) -> tuple[Incident, Policy]:
        incident = world(
            [pat("I", gone=39, flow=5), pat("Q", "delayed", gone=40)],
            [cyl("c1", 390, A, connection), cyl("c2", 100), cyl("c3", 300)],
            [reg("r1", A, connection), reg("r2")],
        )
        row = KeptFor(A, THREAD, "immediate", 1)
        return incident, plan(incident, on("I", "c1", "r1", 5), on("Q", "c2", "r2"), kept=(row,))

    return Case(
        "lapses where the Immediate is on another connection",
        "6",
        *immediate_on(YOKE),
        {},
        (Move(10, "Q", "c2", "c3"),),
        "I holds a yoke regulator: no Immediate on the thread, nothing to keep.",
        twin=Case(
            "on the same connection",
            "6",
            *immediate_on(THREAD),
            {"Q": 29},
            (Move(39, "Q", "c2", "c3"),),
            "One must stay until I leaves at 39.",
        ),
    )


def _each_row_alone() -> Case:
    def rows(*numbers: int) -> tuple[Incident, Policy]:
        incident = world(
            [pat("I", gone=39, flow=5), pat("Q", "minimal", gone=40)],
            [cyl("c1", 390), cyl("c2", 100), cyl("c3", 300), cyl("c4", 290)],
        )
        names: list[Triage] = ["immediate", "delayed"]
        kept = tuple(KeptFor(A, THREAD, t, k) for t, k in zip(names, numbers, strict=False))
        return incident, plan(incident, on("I", "c1", "r1", 5), on("Q", "c2", "r2"), kept=kept)

    return Case(
        "each row alone",
        "6",
        *rows(1, 1),
        {},
        (Move(10, "Q", "c2", "c3"),),
        "Two rows of one each, both for c4: rows do not add up. One other stays: allowed.",
        twin=Case(
            "a row of two",
            "6",
            *rows(1, 2),
            {"Q": 29},
            (Move(39, "Q", "c2", "c3"),),
            "The second row wants two others, only c4 would stay; lapses at 39.",
        ),
    )


def _kept_on_valve() -> Case:
    def immediate_on(connection: str, regulator: str | None) -> tuple[Incident, Policy]:
        incident = world(
            [pat("I", gone=30), pat("Q", "delayed", gone=40)],
            [
                cyl("c1", 390, A, connection),
                cyl("c2", 100, A, BUILT_IN),
                cyl("c3", 300, A, BUILT_IN),
            ],
            [reg("r1")],
        )
        row = KeptFor(A, BUILT_IN, "immediate", 1)
        hookups = (on("I", "c1", regulator), on("Q", "c2", None))
        return incident, plan(incident, *hookups, kept=(row,))

    return Case(
        "being on a built-in valve counts as holding",
        "6, Kept for",
        *immediate_on(BUILT_IN, None),
        {"Q": 20},
        (Move(30, "Q", "c2", "c3"),),
        "I is on a built-in valve to 30: c3 is kept till then.",
        twin=Case(
            "the Immediate on a regulator",
            "6, Kept for",
            *immediate_on(THREAD, "r1"),
            {},
            (Move(10, "Q", "c2", "c3"),),
            "Nobody on built-in valves but Q: lapsed. c3 lasts to 41.",
        ),
    )


def _rule_7() -> list[Case]:
    def fits(settings: tuple[float, ...]) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20), pat("Q", "delayed", gone=20)],
            [cyl("c1", 300), cyl("c2", 290)],
            [reg("r1", A, YOKE), reg("r2", A, THREAD, settings), reg("r3")],
        )
        return incident, plan(incident)

    def age(kind: str) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20, age="child")], [cyl("c1", 300)], devices=(masks(2, age=kind),)
        )
        return incident, plan(incident)

    def carried(place: str) -> tuple[Incident, Policy]:
        incident = world([pat("P", gone=30)], [cyl("c1", 300)], [reg("r1", place)])
        return incident, plan(incident)

    def mask_at(place: str) -> tuple[Incident, Policy]:
        incident = world([pat("P", gone=30)], [cyl("c1", 300)], devices=(masks(1, place),))
        return incident, plan(incident)

    def valve(*regulators: Regulator) -> tuple[Incident, Policy]:
        stock = [cyl("c1", 390, A, BUILT_IN), cyl("c2", 300)]
        incident = world([pat("P", gone=20)], stock, regulators)
        return incident, plan(incident, order=("c1", "c2"))

    def goes_on(spare: str) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=30)],
            [cyl("c1", 100, A, BUILT_IN), cyl("c2", 390), cyl("c3", 300, A, spare)],
        )
        return incident, plan(incident, on("P", "c1", None))

    def on_valve_flow(flow: float) -> tuple[Incident, Policy]:
        incident = world([pat("P", gone=20, flow=flow)], [cyl("c1", 300, A, BUILT_IN)], [])
        return incident, plan(incident)

    return [
        Case(
            "the first regulator that fits",
            "7",
            *fits((2.0, 5.0)),
            {"Q": 20},
            (Move(0, "P", None, "c1"),),
            "r1 has no cylinders, r2 no 10 L/min: P takes r3, none is left for Q.",
            twin=Case(
                "the second fits as well",
                "7",
                *fits((10.0,)),
                {"Q": 3},
                (Move(0, "P", None, "c1"), Move(3, "Q", None, "c2")),
                "P takes r2, Q takes r3 when R1 is free at 3.",
            ),
        ),
        Case(
            "a device of the right age",
            "7",
            *age("adult"),
            {"P": 20},
            (),
            "Adult masks only: a child waits for a mask.",
            twin=Case(
                "a child's mask", "7", *age("child"), {}, (Move(0, "P", None, "c1"),), "Fits."
            ),
        ),
        Case(
            "regulators are carried",
            "7",
            *carried(B),
            {"P": 10},
            (Move(10, "P", None, "c1"),),
            "10 min from B.",
            twin=Case("out of reach", "7", *carried(C), {"P": 30}, (), "C to A cannot be carried."),
        ),
        Case(
            "devices are carried",
            "7",
            *mask_at(B),
            {"P": 10},
            (Move(10, "P", None, "c1"),),
            "10 min from B.",
            twin=Case("here", "7", *mask_at(A), {}, (Move(0, "P", None, "c1"),), "At A."),
        ),
        Case(
            "a regulator before a built-in valve",
            "Kit",
            *valve(reg("r1")),
            {},
            (Move(0, "P", None, "c2"),),
            "c1 heads the list, but is taken only by those for whom no regulator fits.",
            twin=Case(
                "no regulator",
                "Kit",
                *valve(),
                {},
                (Move(0, "P", None, "c1"),),
                "c1's valve has 10 L/min.",
            ),
        ),
        Case(
            "someone on a built-in valve goes on with one",
            "Kit",
            *goes_on(BUILT_IN),
            {},
            (Move(10, "P", "c1", "c3"),),
            "c3 is built-in; r1 and c2 (more litres) stay.",
            twin=Case(
                "none can be taken",
                "Kit",
                *goes_on(THREAD),
                {},
                (Move(10, "P", "c1", "c2"),),
                "No built-in valve left: r1 with c2, no buffer time passes.",
            ),
        ),
        Case(
            "a valve without the flow",
            "Kit",
            *on_valve_flow(2),
            {"P": 20},
            (),
            "The valve has 5 and 10 only.",
            twin=Case(
                "a valve with the flow",
                "Kit",
                *on_valve_flow(5),
                {},
                (Move(0, "P", None, "c1"),),
                "5.",
            ),
        ),
    ]


def _rule_8() -> list[Case]:
    def leaves(minute: float) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=minute), pat("Q", gone=30)],
            [cyl("c1", 100), cyl("c2", 200), cyl("c3", 300)],
            responders=[hand(from_min=12)],
        )
        return incident, plan(incident, on("P", "c1", "r1"), on("Q", "c2", "r2"))

    def returns(kit_return: float | None, no_show: float = 0.0) -> tuple[Incident, Policy]:
        group = TransferGroup("g", no_show, at(22) if no_show else None, kit_return)
        incident = world(
            [pat("P", gone=12, transfer_group="g"), pat("Q", gone=40)],
            [cyl("c1", 390)],
            [reg("r1")],
            devices=(masks(1),),
            transfer_groups=(group,),
        )
        return incident, plan(incident, on("P", "c1", "r1"))

    return [
        Case(
            "a transfer before the swap starts cancels it",
            "8",
            *leaves(11),
            {},
            (Move(20, "Q", "c2", "c3"),),
            "P due at 10, gone at 11, R1 from 12: no swap; c3 is there for Q at 20. Late by 1 min.",
            late_swaps={"P": 1},
            twin=Case(
                "during it the cylinder goes along",
                "8",
                *leaves(12.5),
                {"Q": 10},
                (Move(12, "P", "c1", "c3"),),
                "Swap at 12, transfer at 12.5 with c3: nothing for Q, out 20 to 30.",
                late_swaps={"P": 1},
            ),
        ),
        Case(
            "kit returns to that place",
            "8",
            *returns(5),
            {"Q": 17},
            (Move(17, "Q", None, "c1"),),
            "All kit leaves with P at 12 and is back at 17 with 390 - 120 = 270 L: Q connected at "
            "17, flow 18 to 45.",
            twin=Case(
                "kit leaves with the patient", "8", *returns(None), {"Q": 40}, (), "Never back."
            ),
        ),
        Case(
            "kit returns after the fallback too",
            "8, 10",
            *returns(5, 1.0),
            {"Q": 27},
            (Move(27, "Q", None, "c1"),),
            "The group does not come; fallback at 22, back at 27 with 390 - 220 = 170 L, to 45.",
            twin=Case(
                "the group comes",
                "8",
                *returns(5),
                {"Q": 17},
                (Move(17, "Q", None, "c1"),),
                "As above.",
            ),
        ),
        _keeps_rank(),
        _released("dead"),
        _released_without_option(),
    ]


def _keeps_rank() -> Case:
    def back(kit_return: float | None) -> tuple[Incident, Policy]:
        group = TransferGroup("g", kit_return_min=kit_return)
        incident = world(
            [pat("P", gone=10, transfer_group="g"), pat("Q", gone=30)],
            [cyl("c1", 200), cyl("c2", 200), cyl("c3", 390)],
            transfer_groups=(group,),
        )
        hookups = (on("P", "c1", "r1"), on("Q", "c2", "r2"))
        return incident, plan(incident, *hookups, order=("c1", "c3"))

    return Case(
        "a returned cylinder keeps its rank",
        "4, 8",
        *back(5),
        {},
        (Move(20, "Q", "c2", "c1"),),
        "c1 is back at 15 with 100 L and still heads the list: at 20 before c3 (390 L). Flow from "
        "21 to 31.",
        twin=Case(
            "not returned", "4, 8", *back(None), {}, (Move(20, "Q", "c2", "c3"),), "c1 is gone."
        ),
    )


def _released(triage: Triage) -> Case:
    def beside(who: Triage) -> tuple[Incident, Policy]:
        other = pat("X", who, gone=20, connected=Connected("c1", "r1", NRB, 10.0))
        incident = world(
            [other, pat("P", gone=20)], [cyl("c1", 300)], [reg("r1")], devices=(masks(1),)
        )
        hookups = () if who == "dead" else (on("X", "c1", "r1"),)
        without = ("X",) if who == "dead" else ()
        return incident, plan(incident, *hookups, without=without)

    return Case(
        "the dead release theirs at once",
        "8",
        *beside(triage),
        {},
        (Move(0, "P", None, "c1"),),
        "X is dead in the state: cylinder, regulator and mask are free at 0, there.",
        twin=Case("alive", "8", *beside("immediate"), {"P": 20}, (), "X keeps them."),
    )


def _released_without_option() -> Case:
    def beside(options: tuple[Option, ...]) -> tuple[Incident, Policy]:
        breathing = Connected("c1", "r1", NRB, 10.0)
        other = pat("X", "minimal", gone=20, connected=breathing, options=options)
        incident = world(
            [other, pat("P", gone=20)], [cyl("c1", 300)], [reg("r1")], devices=(masks(1),)
        )
        hookups = (on("X", "c1", "r1"),) if options else ()
        return incident, plan(incident, *hookups)

    return Case(
        "no oxygen indicated: released at once, never out",
        "8, 12",
        *beside(()),
        {},
        (Move(0, "P", None, "c1"),),
        "X was on oxygen without an indication.",
        twin=Case(
            "with an option",
            "8",
            *beside((flows(Phase(10.0)),)),
            {"P": 20},
            (),
            "X goes on; P has no kit.",
        ),
    )


def _rule_9() -> list[Case]:
    def phased(*phases: Phase, first: float = 150) -> tuple[Incident, Policy]:
        person = pat("P", gone=30, options=(flows(*phases),))
        incident = world([person], [cyl("c1", first), cyl("c2", 390)])
        return incident, plan(incident, on("P", "c1", "r1"))

    def queued(*hookups: Hookup) -> tuple[Incident, Policy]:
        person = pat("P", gone=60, options=(flows(Phase(10.0, 10.0), Phase(5.0)),))
        incident = world([person], [cyl("c1", 150), cyl("c2", 100)])
        return incident, plan(incident, *hookups, order=("c1", "c2"))

    def out_meanwhile(lasts: float) -> tuple[Incident, Policy]:
        person = pat("P", gone=40, options=(flows(Phase(10.0, lasts), Phase(5.0)),))
        incident = world([person], [cyl("c1", 100)], resupply=(supply(14, cyl("c2", 100)),))
        return incident, plan(incident, on("P", "c1", "r1"))

    ten = Phase(10.0, 10.0)
    return [
        Case(
            "flow by phases",
            "9",
            *phased(ten, Phase(5.0, chance=1.0)),
            {},
            (Move(20, "P", "c1", "c2"),),
            "100 L in 10 min, then 50 L at 5: due at 20.",
            twin=Case(
                "a phase whose chance fails",
                "9",
                *phased(ten, Phase(5.0, chance=0.0)),
                {},
                (Move(15, "P", "c1", "c2"),),
                "The flow stays 10: due at 15.",
            ),
        ),
        Case(
            "a failed phase drops the later ones",
            "9",
            *phased(ten, Phase(5.0, 2.0, chance=0.0), Phase(2.0)),
            {},
            (Move(15, "P", "c1", "c2"),),
            "Failed at 10; the phase at 12 is dropped: 10 L/min to 15.",
            twin=Case(
                "none fails",
                "9",
                *phased(ten, Phase(5.0, 2.0), Phase(2.0)),
                {},
                (),
                "100 + 10 L by 12, 40 L at 2 L/min to 32: gone at 30 without a swap.",
            ),
        ),
        Case(
            "the clock starts at the first flow",
            "9",
            *queued(),
            {"P": 18},
            (Move(0, "P", None, "c1"), Move(21, "P", "c1", "c2")),
            "Connected at 0, flow from 1: 100 L to 11, 50 L at 5 to 21. c2 (100 L at 5) 22 to 42: "
            "then nothing: out 42 to 60.",
            twin=Case(
                "first flow at 0",
                "9",
                *queued(on("P", "c1", "r1")),
                {"P": 19},
                (Move(20, "P", "c1", "c2"),),
                "Named by the plan: everything a minute sooner, out 41 to 60.",
            ),
        ),
        Case(
            "phases run while out",
            "9",
            *out_meanwhile(12),
            {"P": 4 + 5.0},
            (Move(14, "P", "c1", "c2"),),
            "Due at 10 without supply: out to 14. The phase begins at 12 all the same: c2's 100 L "
            "at 5 run 15 to 35; out 35 to 40.",
            twin=Case(
                "a phase later on",
                "9",
                *out_meanwhile(20),
                {"P": 4 + 10.0},
                (Move(14, "P", "c1", "c2"),),
                "Phase at 20: 50 L by 20, 50 L at 5 to 30; out 30 to 40.",
            ),
        ),
    ]


def _rule_10() -> list[Case]:
    incident = world([pat("P", gone=30)], [cyl("c1", 100), cyl("c2", 390)])
    policy = plan(incident, on("P", "c1", "r1"))

    def swap_at(name: str, minute: float, why: str, drawn: Drawn) -> Case:
        return Case(
            name, "10", incident, policy, {}, (Move(minute, "P", "c1", "c2"),), why, drawn=drawn
        )

    plain = swap_at("as read and as set", 10, "100 L at 10.", Drawn())
    valve = world([pat("P", gone=30)], [cyl("c1", 100, A, BUILT_IN), cyl("c2", 390, A, BUILT_IN)])

    def on_valve(minute: float, factor: float) -> Case:
        return Case(
            f"valve factor {factor:g}",
            "10",
            valve,
            plan(valve, on("P", "c1", None)),
            {},
            (Move(minute, "P", "c1", "c2"),),
            "Each built-in valve has its own factor.",
            drawn=Drawn(factor={"c1": factor}),
        )

    def comes(no_show: float) -> tuple[Incident, Policy]:
        group = TransferGroup("g", no_show)
        world_ = world(
            [pat("P", gone=8, transfer_group="g")], [cyl("c1", 100)], transfer_groups=(group,)
        )
        return world_, plan(world_, on("P", "c1", "r1"))

    return [
        replace(
            swap_at("gauge error", 5, "500 psi less: 50 L.", Drawn(gauge_error_psi={"c1": -500})),
            twin=plain,
        ),
        replace(
            swap_at("flow factor", 20, "The dial says 10, 5 flow.", Drawn(factor={"r1": 0.5})),
            twin=plain,
        ),
        replace(on_valve(20, 0.5), twin=on_valve(10, 1.0)),
        Case(
            "a gauge is not below 0",
            "10",
            incident,
            policy,
            {},
            (Move(0, "P", "c1", "c2"),),
            "1500 psi read, 2000 off: empty, a swap is due at 0. c2's 390 L run from 1.",
            drawn=Drawn(gauge_error_psi={"c1": -2000}),
            twin=plain,
        ),
        Case(
            "no-show without a fallback",
            "10, 12",
            *comes(1.0),
            {"P": 90},
            (),
            "Nobody comes before the horizon at 100; nothing to swap to: out from 10.",
            twin=Case("the group comes", "10", *comes(0.0), {}, (), "Gone at 8."),
        ),
    ]


def _rule_11() -> list[Case]:
    def bagged(*, airway: bool = False, num: int = 2) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20, device=BAG, airway_device=airway), pat("Q", "delayed", gone=30)],
            [cyl("c1", 390), cyl("c2", 100), cyl("c3", 300)],
            responders=[hand(f"R{n}") for n in range(num)],
            devices=(masks(1, kind=BAG), masks()),
        )
        return incident, plan(incident, on("P", "c1", "r1", device=BAG), on("Q", "c2", "r2"))

    def own(num: int) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20, device=BAG)],
            [cyl("c1", 100), cyl("c2", 300)],
            responders=[hand(f"R{n}") for n in range(num)],
            devices=(masks(1, kind=BAG),),
        )
        return incident, plan(incident, on("P", "c1", "r1", device=BAG))

    def begins(device: str) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=20, device=device), pat("Q", "delayed", gone=30)],
            [cyl("c1", 390), cyl("c2", 300)],
            devices=(masks(1, kind=BAG), masks()),
        )
        return incident, plan(incident)

    def keyed(*sundries: SundryStock, connection: str = YOKE) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=25), pat("Q", gone=25)],
            [cyl(f"c{n}", u, A, connection) for n, u in enumerate((100, 110, 300, 290), 1)],
            [reg("r1", A, connection), reg("r2", A, connection)],
            [hand("R1"), hand("R2")],
            sundries=sundries,
        )
        return incident, plan(incident, on("P", "c1", "r1"), on("Q", "c2", "r2"))

    one_key = SundryStock("key", 1, A)
    both = (Move(10, "P", "c1", "c3"), Move(11, "Q", "c2", "c4"))
    return [
        Case(
            "a bag-valve-mask holds two responders",
            "11",
            *bagged(),
            {"Q": 7},
            (Move(20, "Q", "c2", "c3"),),
            "Two responders, both bagging P to 20. Q due at 10, buffer to 13, out 13 to 20.",
            late_swaps={"Q": 1},
            twin=Case(
                "one with an airway device",
                "11",
                *bagged(airway=True),
                {},
                (Move(10, "Q", "c2", "c3"),),
                "One is left for Q.",
            ),
        ),
        Case(
            "bagging does not free its own hands",
            "11",
            *own(2),
            {"P": 7},
            (),
            "P's own swap at 10 needs a third: buffer to 13, out to 20.",
            late_swaps={"P": 1},
            twin=Case("a third", "11", *own(3), {}, (Move(10, "P", "c1", "c2"),), "Served."),
        ),
        Case(
            "a connection that has begun goes on",
            "11, Hands",
            *begins(BAG),
            {"Q": 20},
            (Move(0, "P", None, "c1"), Move(20, "Q", None, "c2")),
            "R1 connects P at 0, which then holds two: 1 - 2 below zero from 3 on. Nothing starts "
            "before P leaves at 20.",
            twin=Case(
                "a mask instead",
                "11, Hands",
                *begins(NRB),
                {"Q": 3},
                (Move(0, "P", None, "c1"), Move(3, "Q", None, "c2")),
                "R1 is free at 3.",
            ),
        ),
        Case(
            "no more connections at once than keys",
            "11",
            *keyed(one_key),
            {},
            (Move(10, "P", "c1", "c3"), Move(13, "Q", "c2", "c4")),
            "Due at 10 and 11, two responders, one key: Q waits for it to 13, on the buffer.",
            late_swaps={"Q": 1},
            twin=Case("two keys", "11", *keyed(one_key, one_key), {}, both, "No wait."),
        ),
        Case(
            "a key elsewhere is no key here",
            "11",
            *keyed(SundryStock("key", 3, B)),
            {"P": 12, "Q": 11},
            (),
            "Keys are listed, none at A: buffers end at 13 and 14, out to 25.",
            late_swaps={"P": 1, "Q": 1},
            twin=Case("no keys listed", "11", *keyed(), {}, both, "Not listed: no limit."),
        ),
        Case(
            "a connection that needs no key",
            "11",
            *keyed(one_key, connection=THREAD),
            {},
            both,
            "The thread has a handwheel.",
            twin=Case(
                "a yoke",
                "11",
                *keyed(one_key),
                {},
                (Move(10, "P", "c1", "c3"), Move(13, "Q", "c2", "c4")),
                "As above.",
                late_swaps={"Q": 1},
            ),
        ),
        Case(
            "washers are used up",
            "11",
            *keyed(SundryStock("washer", 3, A)),
            {"Q": 14},
            (Move(10, "P", "c1", "c3"),),
            "Two first connections and P's swap use three: without a washer nothing can be taken, "
            "Q is out from 11 to 25.",
            twin=Case("one more", "11", *keyed(SundryStock("washer", 4, A)), {}, both, "Four."),
        ),
        _washer_goes_on(),
        _state_key(),
    ]


def _washer_goes_on() -> Case:
    def beside(connected_: Connected | None) -> tuple[Incident, Policy]:
        incident = world(
            [pat("P", gone=25, connected=connected_)],
            [cyl("c1", 100, A, YOKE), cyl("c2", 300, A, YOKE)],
            [reg("r1", A, YOKE)],
            sundries=(SundryStock("washer", 1, A),),
        )
        return incident, plan(incident, on("P", "c1", "r1"))

    return Case(
        "what goes on from the state uses no washer",
        "11, Keys and washers",
        *beside(Connected("c1", "r1", NRB, 10.0)),
        {},
        (Move(10, "P", "c1", "c2"),),
        "Connected before: the one washer is there for the swap.",
        twin=Case(
            "a new first connection",
            "11",
            *beside(None),
            {"P": 15},
            (),
            "It uses the washer: out from 10 to 25.",
        ),
    )


def _state_key() -> Case:
    incident = world(
        [pat("P", gone=40)],
        [cyl("c1", 100, A, YOKE), cyl("c2", 300, A, YOKE)],
        [reg("r1", A, YOKE)],
        [hand("R1"), hand("R2")],
        sundries=(SundryStock("key", 1, A),),
    )
    hookup = on("P", "c1", "r1")
    now = PatientNow("P", A, "here", first_flow_min=0)

    def begin(*, has_key: bool) -> State:
        state = connected(later(incident, 20, now, c1=psi_for(10)), hookup)
        busy = replace(state.responders[0], free_from_min=23, has_key=has_key)
        return replace(state, responders=(busy, state.responders[1]))

    def swap(minute: float, late: int, *, has_key: bool) -> Case:
        return Case(
            "a key in hand in the state" if has_key else "busy without a key",
            "1, 11",
            incident,
            plan(incident, hookup),
            {},
            (Move(minute, "P", "c1", "c2"),),
            "10 L: due at 21. R2 is free, the only key is with R1 until 23, or at hand.",
            late_swaps={"P": late},
            state=begin(has_key=has_key),
        )

    return replace(swap(23, 1, has_key=True), twin=swap(21, 0, has_key=False))


def _rule_12() -> list[Case]:
    def without(options: tuple[Option, ...], found: float = 0.0) -> tuple[Incident, Policy]:
        person = pat("P", gone=30, found=found, options=options)
        incident = world([person], [cyl("c1", 300)])
        return incident, plan(incident, without=("P",))

    some = (flows(Phase(10.0)),)

    def expectant(*, gets: bool) -> tuple[Incident, Policy]:
        incident = world(
            [pat("X", "expectant", gone=20), pat("M", "minimal", gone=20)],
            [cyl("c1", 300), cyl("c2", 200)],
        )
        return incident, plan(incident, without=() if gets else ("X",))

    return [
        Case(
            "an indication without an option counts as out",
            "12",
            *without(some),
            {"P": 30},
            (),
            "From the state's minute to the transfer.",
            twin=Case("no indication", "12", *without(()), {}, (), "Never counts."),
        ),
        Case(
            "not yet found without an option counts from the start",
            "12",
            *without(some, 12.0),
            {"P": 18},
            (),
            "12 to 30.",
            twin=Case("there from the beginning", "12", *without(some), {"P": 30}, (), "0 to 30."),
        ),
        Case(
            "Expectant come last",
            "12",
            *expectant(gets=True),
            {"X": 3},
            (Move(0, "M", None, "c1"), Move(3, "X", None, "c2")),
            "Lowest category: after Minimal, though first in the file.",
            twin=Case(
                "an own row, but nothing planned",
                "12",
                *expectant(gets=False),
                {"X": 20},
                (Move(0, "M", None, "c1"),),
                "Its own row is an indication: reported out 0 to 20.",
            ),
        ),
        Case(
            "whoever is there at the horizon counts to it",
            "12",
            *_to_the_horizon(100),
            {"P": 90},
            (),
            "Due at 10, nothing left, horizon 100.",
            twin=Case("a nearer horizon", "12", *_to_the_horizon(60), {"P": 50}, (), "To 60."),
        ),
    ]


def _to_the_horizon(horizon: float) -> tuple[Incident, Policy]:
    incident = world([pat("P")], [cyl("c1", 100)], horizon_min=horizon)
    return incident, plan(incident, on("P", "c1", "r1"))


def rule_cases() -> tuple[Case, ...]:
    """All cases, in the order of the rules."""
    parts = (
        _rule_1, _rule_2, _rule_3, _rule_4, _rule_5, _rule_6,
        _rule_7, _rule_8, _rule_9, _rule_10, _rule_11, _rule_12,
    )  # fmt: skip
    return tuple(case for part in parts for case in part())


CASES = rule_cases()


# ----- eight richer incidents ------------------------------------------------------------------


@dataclass(frozen=True)
class Rich:
    """An uncertain incident with a fixed policy, to compare two operations sample by sample."""

    name: str
    incident: Incident
    policy: Policy
    state: State


DEBRIS, POINT, LANDING, HUT = "debris", "collection point", "landing zone", "hut"


def tank(
    tag: str,
    size: str,
    gauge_psi: float,
    place: str | None,
    connection: str | None = None,
    read_at_c: float = -5.0,
) -> Cylinder:
    """A cylinder as in the reference table."""
    row = find_size(size)
    assert row is not None, size
    valve = connection or row.connection
    assert valve is not None, size
    return Cylinder(
        tag,
        row.name,
        Pressure(gauge_psi, "psi"),
        Temperature(read_at_c, "C"),
        valve,
        row.water_volume_l,
        row.factor_l_per_psi,
        (2.0, 4.0, 6.0, 10.0, 15.0),
        place,
    )


CLICKS = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0, 15.0)


def valve(tag: str, connection: str, place: str | None) -> Regulator:
    return Regulator(tag, connection, CLICKS, 1, place)


def opt(device: str, *phases: Phase | float, level: Any = "first choice") -> Option:
    return Option(device, level, tuple(p if isinstance(p, Phase) else Phase(p) for p in phases))


def person(tag: str, triage: Triage, place: str, option: Option | None, **more: Any) -> Patient:
    """A patient with one own option (None: no oxygen indicated)."""
    return Patient(tag, triage, place, options=(option,) if option else (), **more)


def three(*points: float) -> ThreePoint:
    return ThreePoint(*points)


PLACES = (
    Place(DEBRIS, ((POINT, 8.0), (HUT, 14.0))),
    Place(POINT, ((LANDING, 5.0), (HUT, 9.0))),
    Place(LANDING, ((HUT, 12.0),)),
    Place(HUT),
)
MASKED = opt(NRB, 15.0)
SIMPLE = opt("simple mask", 6.0)
TUBE = opt("cannula", 2.0)


def scene(name: str, **parts: Any) -> Incident:
    parts.setdefault("places", PLACES)
    parts.setdefault("air_temperature", Temperature(-8.0, "C"))
    parts.setdefault("horizon_min", 240.0)
    parts = {k: tuple(v) if isinstance(v, list) else v for k, v in parts.items()}
    return Incident(name=name, start=START, **parts)


def hooked(patient: str, cylinder: str, regulator: str | None, option: Option) -> Hookup:
    return Hookup((cylinder,), regulator, (Line(patient, option.device, option.flow_lpm),))


def _rich(incident: Incident, state: State | None = None, **policy: Any) -> Rich:
    without = policy.pop("without", ())
    options = tuple(
        (p.tag, p.options[0]) for p in incident.patients if p.options and p.tag not in without
    )
    policy = {k: tuple(v) for k, v in policy.items()}
    state = state or initial_state(incident)
    return Rich(incident.name, incident, Policy(options=options, **policy), state)


def _slab_avalanche() -> Rich:
    """Yoke cylinders with few keys and washers, one person not yet found, kit in the hut."""
    group = TransferGroup("helicopter", 0.15, three(100, 140, 200), 25.0)
    fly = {"transfer_group": "helicopter"}
    incident = scene(
        "slab avalanche",
        patients=[
            person("U1", "immediate", DEBRIS, MASKED, transfer=three(40, 60, 95), **fly),
            person("U2", "delayed", DEBRIS, SIMPLE, transfer=three(60, 85, 130), **fly),
            person(
                "U3", "immediate", DEBRIS, MASKED, oxygen_from=three(10, 20, 45),
                transfer=three(50, 80, 120), chance_needed=0.6,
                indication="drowning, asphyxia after burial", **fly,
            ),
            person("U4", "minimal", POINT, None, transfer=three(60, 90, 150)),
        ],
        cylinders=[
            tank("D-01", "D", 1900, DEBRIS), tank("D-02", "D", 1500, DEBRIS),
            tank("D-03", "D", 2000, POINT), tank("D-04", "D", 700, POINT),
            tank("D-05", "D", 1900, HUT, read_at_c=18), tank("D-06", "D", 2000, HUT, read_at_c=18),
            tank("E-01", "E", 1200, HUT, read_at_c=18),
        ],
        regulators=[valve(t, YOKE, p) for t, p in (("R-1", DEBRIS), ("R-2", DEBRIS), ("R-3", HUT))],
        devices=[masks(3, DEBRIS), masks(2, DEBRIS, "simple mask")],
        responders=[hand("R1", DEBRIS), hand("R2", DEBRIS, 12.0)],
        sundries=[SundryStock("key", 1, DEBRIS), SundryStock("washer", 6, DEBRIS)],
        transfer_groups=[group],
    )  # fmt: skip
    return _rich(
        incident,
        hookups=[hooked("U1", "D-01", "R-1", MASKED), hooked("U2", "D-02", "R-2", SIMPLE)],
        order=["D-03", "E-01", "D-05", "D-06", "D-04"],
        promises=[Promise("U3", "R-3", "non-rebreather adult 2")],
        kept_for=[KeptFor(DEBRIS, YOKE, "immediate", 2)],
    )


def _bus_on_ice() -> Rich:
    """Six patients, both connections, kept for Immediates, one group with kit return."""
    ambulance = {"transfer_group": "ambulances"}
    titrated = opt(NRB, Phase(15.0, 15.0), Phase(8.0, 20.0, 0.6), Phase(6.0, None, 0.7))
    incident = scene(
        "bus on ice",
        patients=[
            person("B1", "delayed", POINT, SIMPLE, transfer=three(50, 75, 120), **ambulance),
            person("B2", "immediate", POINT, titrated, transfer=three(30, 50, 80), **ambulance),
            person("B3", "immediate", POINT, MASKED, transfer=three(35, 55, 90), **ambulance),
            person("B4", "delayed", LANDING, TUBE, transfer=three(60, 90, 150)),
            person("B5", "minimal", POINT, TUBE, transfer=three(80, 120, 200), **ambulance),
            person("B6", "delayed", POINT, None, transfer=three(70, 100, 160), **ambulance),
        ],
        cylinders=[
            tank("E-01", "E", 1800, POINT), tank("E-02", "E", 1100, POINT),
            tank("E-03", "E", 1400, POINT), tank("D-01", "D", 1700, LANDING),
            tank("M-01", "M", 900, HUT, THREAD), tank("M-02", "M", 650, POINT, THREAD),
            tank("D-02", "D", 1500, HUT), tank("D-03", "D", 1500, HUT),
            tank("D-04", "D", 800, POINT),
        ],
        regulators=[
            valve("R-1", YOKE, POINT), valve("R-2", YOKE, POINT), valve("R-3", YOKE, LANDING),
            valve("T-1", THREAD, POINT), valve("T-2", THREAD, HUT),
        ],
        devices=[masks(3, POINT), masks(2, POINT, "simple mask"), masks(3, LANDING, "cannula")],
        responders=[hand("R1", POINT), hand("R2", POINT, 20.0), hand("R3", LANDING, 5.0)],
        transfer_groups=[TransferGroup("ambulances", 0.2, three(90, 130, 190), 15.0)],
    )  # fmt: skip
    return _rich(
        incident,
        hookups=[hooked("B2", "E-01", "R-1", titrated), hooked("B3", "E-03", "R-2", MASKED)],
        order=["E-02", "M-01", "D-02", "D-03", "E-01"],
        kept_for=[
            KeptFor(None, YOKE, "immediate", 1),
            KeptFor(POINT, YOKE, "delayed", 2),
            KeptFor(POINT, THREAD, "immediate", 1),
        ],
    )


def _smoke_in_the_hut() -> Rich:
    """Sustaining needs, two deliveries with regulators and masks, one of which may not come."""
    incident = scene(
        "smoke in the hut",
        patients=[
            person("S1", "immediate", HUT, MASKED, indication="smoke inhalation",
                   transfer=three(60, 90, 140)),
            person("S2", "delayed", HUT, MASKED, indication=SUSTAINING,
                   transfer=three(70, 110, 170)),
            person("S3", "delayed", HUT, SIMPLE, transfer=three(70, 110, 170)),
            person("S4", "delayed", HUT, MASKED, indication=SUSTAINING,
                   transfer=three(90, 130, 200)),
            person("S5", "minimal", HUT, TUBE, transfer=three(90, 150, 230)),
        ],
        cylinders=[
            tank("E-01", "E", 2000, HUT, read_at_c=20), tank("E-02", "E", 1500, HUT, read_at_c=20),
            tank("D-01", "D", 900, LANDING),
        ],
        regulators=[valve("R-1", YOKE, HUT), valve("R-2", YOKE, HUT)],
        devices=[masks(2, HUT), masks(2, HUT, "cannula")],
        responders=[hand("R1", HUT), hand("R2", HUT, 6.0)],
        resupply=[
            Resupply(three(15, 25, 40), 0.0, LANDING,
                     (tank("E-11", "E", 1900, None), tank("E-12", "E", 1900, None),
                      tank("M-11", "M", 1500, None, THREAD)),
                     (valve("R-11", YOKE, None), valve("T-11", THREAD, None)),
                     (masks(2, None), masks(1, None, "simple mask"))),
            Resupply(three(40, 70, 110), 0.3, HUT,
                     tuple(tank(f"E-{n}", "E", 2000, None) for n in (21, 22, 23)),
                     (valve("R-21", YOKE, None),)),
        ],
    )  # fmt: skip
    return _rich(
        incident,
        hookups=[hooked("S1", "E-01", "R-1", MASKED), hooked("S2", "E-02", "R-2", MASKED)],
        order=["E-11", "D-01", "M-11"],
        kept_for=[KeptFor(HUT, YOKE, "immediate", 1)],
    )


def _school_outing() -> Rich:
    """Built-in valves, children's masks, phases, a thread regulator that comes back."""
    child = opt(NRB, Phase(10.0, 10.0), Phase(6.0, None, 0.5))
    cannula = opt("cannula", Phase(4.0, 20.0), Phase(2.0, None, 0.8))
    incident = scene(
        "school outing",
        patients=[
            person("K1", "immediate", POINT, child, age="child", transfer=three(40, 70, 110),
                   transfer_group="van"),
            person("K2", "delayed", POINT, cannula, age="child", transfer=three(60, 90, 140),
                   transfer_group="van"),
            person("K3", "immediate", LANDING, opt(NRB, 10.0), transfer=three(20, 40, 70)),
            person("K4", "delayed", POINT, cannula, oxygen_from=three(5, 12, 25), chance_needed=0.5,
                   transfer_after_found=three(40, 60, 90), transfer_group="van"),
        ],
        cylinders=[
            tank("B-01", "2 L", 2000, POINT, BUILT_IN), tank("B-02", "2 L", 2000, POINT, BUILT_IN),
            tank("B-03", "2 L", 1500, LANDING, BUILT_IN), tank("B-04", "2 L", 1800, HUT, BUILT_IN),
            tank("B-05", "3 L", 900, HUT, BUILT_IN), tank("T-01", "3 L", 1700, POINT, THREAD),
            tank("T-02", "3 L", 1200, HUT, THREAD), tank("T-03", "5 L", 650, HUT, THREAD),
        ],
        regulators=[valve("G-1", THREAD, POINT), valve("G-2", THREAD, HUT)],
        devices=[
            masks(1, POINT, age="child"), masks(1, HUT, age="child"), masks(1, LANDING),
            masks(2, POINT, "cannula", "child"), masks(1, HUT, "cannula"),
        ],
        responders=[hand("R1", POINT), hand("R2", LANDING, 8.0)],
        transfer_groups=[TransferGroup("van", 0.25, three(100, 130, 180), 10.0)],
    )  # fmt: skip
    return _rich(
        incident,
        hookups=[hooked("K1", "B-01", None, child)],
        order=["B-04", "T-01"],
        promises=[Promise("K4", "G-2", None, ("T-02",))],
        kept_for=[KeptFor(None, BUILT_IN, "immediate", 1), KeptFor(POINT, THREAD, "delayed", 1)],
    )


def _cardiac_arrest_at_the_lift() -> Rich:
    """Bag-valve-masks hold most hands; begins at minute 30 with one responder busy with a key."""
    bag, airway = opt(BAG, 15.0), opt(BAG, 10.0)
    incident = scene(
        "cardiac arrest at the lift",
        patients=[
            person("C1", "immediate", LANDING, bag, transfer=three(60, 80, 120), transfer_group="h",
                   indication="inadequate breathing, after arrest",
                   connected=Connected("E-01", "R-1", BAG, 15.0)),
            person("C2", "immediate", LANDING, airway, airway_device=True,
                   transfer=three(60, 90, 130), transfer_group="h",
                   connected=Connected("E-02", "R-2", BAG, 10.0)),
            person("C3", "delayed", LANDING, SIMPLE, transfer=three(70, 100, 150),
                   connected=Connected("D-01", "R-3", "simple mask", 6.0)),
            person("C4", "immediate", LANDING, bag, oxygen_from=three(35, 45, 70),
                   chance_needed=0.5,
                   transfer=three(80, 110, 160), transfer_group="h"),
        ],
        cylinders=[
            tank("E-01", "E", 1900, LANDING), tank("E-02", "E", 1900, LANDING),
            tank("D-01", "D", 1900, LANDING), tank("E-03", "E", 1900, LANDING),
            tank("E-04", "E", 1700, HUT), tank("D-02", "D", 1500, POINT),
            tank("D-03", "D", 1900, HUT),
        ],
        regulators=[valve(f"R-{n}", YOKE, LANDING) for n in (1, 2, 3, 4)],
        devices=[masks(3, LANDING, BAG), masks(1, LANDING, "simple mask")],
        responders=[hand(f"R{n}", LANDING) for n in range(1, 6)],
        sundries=[SundryStock("key", 2, LANDING)],
        transfer_groups=[TransferGroup("h", 0.1, None, 20.0)],
    )  # fmt: skip
    state = initial_state(incident)
    busy = replace(state.responders[0], free_from_min=32.0, has_key=True)
    gauges = {"E-01": 900.0, "E-02": 520.0, "D-01": 600.0}
    hookups = [hooked("C1", "E-01", "R-1", bag), hooked("C2", "E-02", "R-2", airway),
               hooked("C3", "D-01", "R-3", SIMPLE)]  # fmt: skip
    state = replace(
        state,
        at_min=30.0,
        cylinders=tuple(_gauge(c, gauges) for c in state.cylinders),
        responders=(busy, *state.responders[1:]),
    )
    return _rich(
        incident,
        state,
        hookups=hookups,
        order=["E-03", "E-04", "D-03"],
        promises=[Promise("C4", "R-4", "bag-valve-mask adult 3")],
        kept_for=[KeptFor(LANDING, YOKE, "immediate", 1)],
    )


def _too_many_for_too_little() -> Rich:
    """Seven patients, need before category, an Expectant from surplus, someone given nothing."""
    incident = scene(
        "too many for too little",
        patients=[
            person("X1", "expectant", POINT, TUBE, transfer=three(120, 160, 220)),
            person("X2", "delayed", POINT, SIMPLE, indication=SUSTAINING,
                   transfer=three(50, 80, 120)),
            person("X3", "immediate", POINT, MASKED, transfer=three(40, 60, 90),
                   transfer_group="v"),
            person("X4", "immediate", DEBRIS, MASKED, transfer=three(40, 70, 110),
                   transfer_group="v"),
            person("X5", "minimal", POINT, TUBE, transfer=three(90, 140, 220)),
            person("X6", "delayed", DEBRIS, SIMPLE, oxygen_from=three(8, 15, 30),
                   transfer=three(50, 90, 140), transfer_group="v"),
            person("X7", "dead", POINT, None, connected=Connected("D-03", "R-3", NRB, 15.0)),
        ],
        cylinders=[
            tank("D-01", "D", 1600, POINT), tank("D-02", "D", 1200, DEBRIS),
            tank("D-03", "D", 1300, POINT), tank("D-04", "D", 1900, HUT),
            tank("M-01", "M", 700, POINT, THREAD), tank("D-05", "D", 1500, LANDING),
        ],
        regulators=[
            valve("R-1", YOKE, POINT), valve("R-2", YOKE, DEBRIS), valve("R-3", YOKE, POINT),
            valve("T-1", THREAD, POINT),
        ],
        devices=[
            masks(2, POINT), masks(1, DEBRIS), masks(1, POINT, "simple mask"),
            masks(2, POINT, "cannula"), masks(1, DEBRIS, "simple mask"),
        ],
        responders=[hand("R1", POINT), hand("R2", DEBRIS, 3.0)],
        resupply=[Resupply(three(30, 50, 80), 0.1, POINT, (tank("D-11", "D", 2000, None),))],
        transfer_groups=[TransferGroup("v", 0.3, three(90, 120, 170), 12.0)],
        priorities=Priorities(order="need"),
    )  # fmt: skip
    return _rich(
        incident,
        hookups=[hooked("X4", "D-02", "R-2", MASKED)],
        order=["D-01", "D-04", "D-05"],
        promises=[Promise("X4", cylinders=("D-05",))],
        kept_for=[KeptFor(None, YOKE, "delayed", 1), KeptFor(DEBRIS, YOKE, "immediate", 1)],
        without=["X5"],
    )


def _search_in_the_gully() -> Rich:
    """Three people not yet found; promises are called off, kept-for lapses, kit is carried."""
    later_ = {"transfer_group": "snowcat"}
    incident = scene(
        "search in the gully",
        patients=[
            person("G1", "immediate", DEBRIS, MASKED, oxygen_from=three(8, 15, 30),
                   chance_needed=0.5,
                   transfer_after_found=three(30, 50, 80), **later_),
            person("G2", "immediate", DEBRIS, opt(NRB, Phase(15.0, 10.0), Phase(10.0, None, 0.7)),
                   oxygen_from=three(20, 35, 60), chance_needed=0.7,
                   transfer=three(45, 70, 110), **later_),
            person("G3", "delayed", POINT, SIMPLE, oxygen_from=three(5, 10, 20), chance_needed=0.8,
                   transfer=three(60, 90, 130)),
            person("G4", "delayed", POINT, SIMPLE, transfer=three(60, 100, 150), **later_),
            person("G5", "minimal", POINT, TUBE, transfer=three(80, 120, 180)),
        ],
        cylinders=[
            tank("D-01", "D", 1900, HUT), tank("D-02", "D", 1900, HUT),
            tank("D-03", "D", 1800, POINT),
            tank("D-04", "D", 1500, DEBRIS), tank("D-05", "D", 600, POINT),
            tank("J-01", "jumbo D", 1900, DEBRIS),
        ],
        regulators=[valve("R-1", YOKE, DEBRIS), valve("R-2", YOKE, HUT), valve("R-3", YOKE, POINT)],
        devices=[
            masks(2, DEBRIS), masks(1, POINT, "simple mask"), masks(1, HUT, "simple mask"),
            masks(1, HUT, "cannula"),
        ],
        responders=[hand("R1", DEBRIS), hand("R2", POINT)],
        sundries=[SundryStock("washer", 3, DEBRIS), SundryStock("washer", 4, POINT)],
        transfer_groups=[TransferGroup("snowcat", 0.2, three(90, 140, 200), 30.0)],
        swap_min=4.0,
        swap_gap_min=1.5,
    )  # fmt: skip
    return _rich(
        incident,
        hookups=[hooked("G4", "D-03", "R-3", SIMPLE)],
        order=["J-01", "D-01"],
        promises=[
            Promise("G1", "R-1", "non-rebreather adult 1"),
            Promise("G2", "R-2", "non-rebreather adult 2"),
        ],
        kept_for=[KeptFor(None, YOKE, "immediate", 2), KeptFor(POINT, YOKE, "delayed", 1)],
    )


def _afternoon_handover() -> Rich:
    """From minute 45: one in mid-swap, one due, one out, a delivery arrived, one replanned."""
    incident = scene(
        "afternoon handover",
        patients=[
            person("H1", "immediate", POINT, MASKED, transfer=three(60, 90, 140),
                   transfer_group="h"),
            person("H2", "delayed", POINT, SIMPLE, transfer=three(70, 110, 160)),
            person("H3", "immediate", POINT, MASKED, transfer=three(60, 100, 150),
                   transfer_group="h"),
            person("H4", "delayed", POINT, opt(NRB, Phase(15.0, 20.0), Phase(6.0, None, 0.6)),
                   transfer=three(80, 120, 170)),
            person("H5", "minimal", POINT, TUBE, transfer=three(80, 120, 200)),
            person("H6", "immediate", DEBRIS, MASKED, oxygen_from=three(20, 50, 80),
                   chance_needed=0.4,
                   transfer=three(90, 120, 160), transfer_group="h"),
        ],
        cylinders=[tank(f"D-0{n}", "D", 1900, POINT) for n in range(1, 8)],
        regulators=[valve(f"R-{n}", YOKE, POINT) for n in range(1, 6)],
        devices=[masks(4, POINT), masks(1, POINT, "simple mask"), masks(1, POINT, "cannula")],
        responders=[hand("R1", POINT), hand("R2", POINT), hand("R3", DEBRIS, 50.0)],
        resupply=[
            Resupply(three(20, 30, 50), 0.0, POINT,
                     (tank("E-11", "E", 1500, None), tank("E-12", "E", 1700, None))),
            Resupply(three(50, 80, 120), 0.2, LANDING, (tank("E-21", "E", 2000, None),),
                     (valve("R-21", YOKE, None),)),
        ],
        sundries=[SundryStock("key", 2, POINT), SundryStock("key", 1, DEBRIS),
                  SundryStock("washer", 9, POINT), SundryStock("washer", 1, DEBRIS)],
        transfer_groups=[TransferGroup("h", 0.2, three(110, 150, 200), 25.0)],
    )  # fmt: skip
    masked4 = opt(NRB, 15.0)
    hookups = (
        replace(hooked("H1", "D-01", "R-1", MASKED), flow_from_min=45.5),
        hooked("H2", "D-02", "R-2", SIMPLE),
        hooked("H3", "D-03", "R-3", MASKED),
        hooked("H4", "D-04", "R-4", masked4),
    )
    nows = (
        PatientNow("H1", POINT, "here", first_flow_min=3.0),
        PatientNow("H2", POINT, "here", waiting_since_min=43.0, first_flow_min=4.0),
        PatientNow("H3", POINT, "here", waiting_since_min=44.0, is_out=True, first_flow_min=5.0),
        PatientNow("H4", POINT, "here", first_flow_min=30.0),
        PatientNow("H5", POINT, "waiting", waiting_since_min=10.0),
    )
    gauges = {"D-02": 430.0, "D-03": 480.0, "D-04": 1300.0, "D-05": 900.0}
    state = connected(later(incident, 45.0, *nows), *hookups)
    state = replace(
        state,
        cylinders=(
            *(_gauge(c, gauges) for c in state.cylinders),
            CylinderNow("E-11", Pressure(1500, "psi"), Temperature(-5, "C"), POINT, 33.0),
            CylinderNow("E-12", Pressure(1700, "psi"), Temperature(-5, "C"), POINT, 47.0,
                        is_exact=True),
        ),
        responders=(
            replace(state.responders[0], free_from_min=47.5, has_key=True),
            replace(state.responders[1], free_from_min=46.0),
            state.responders[2],
        ),
        arrived=(0,),
        washers=tuple({POINT: 5, DEBRIS: 1}.get(p.name, 0) for p in incident.places),
    )  # fmt: skip
    # H4 gets a fresh cylinder at once, the others go on; D-04 goes back to the reserve.
    named = (*hookups[:3], hooked("H4", "D-06", "R-4", masked4))
    return _rich(
        incident,
        state,
        hookups=named,
        order=["D-07", "E-11", "D-05"],
        promises=[Promise("H6", "R-5", "non-rebreather adult 4", ("E-12",))],
        kept_for=[KeptFor(POINT, YOKE, "immediate", 1)],
    )


def eight_incidents() -> tuple[Rich, ...]:
    """Eight uncertain incidents that between them use every rule."""
    return (
        _slab_avalanche(),
        _bus_on_ice(),
        _smoke_in_the_hut(),
        _school_outing(),
        _cardiac_arrest_at_the_lift(),
        _too_many_for_too_little(),
        _search_in_the_gully(),
        _afternoon_handover(),
    )
