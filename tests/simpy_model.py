"""A process model of the shared reserve in SimPy, one sample at a time, to judge the judge.

Written from the rules alone: plain bookkeeping with Python objects, no code of the compiled
operation. SimPy processes (patients, breathing, phases, porters, responders, promises, resupply)
only say *when* something falls due by putting a notice on a board. The coordinator lets every
process of one instant speak (within 1e-9 min), then applies the notices in the stated order, then
serves the queue once.

What the rules leave open is settled here as follows (S1 to S41, cited in the code):

S1  Events at the horizon or later are not applied.
S2  State's minute: releases, then first connections, then the events of that instant.
S3  A connection is under way until its flow begins, not until the responder is free.
S4  "Usable litres" in the order of unlisted cylinders are the true ones of the sample.
S5  A missing washer is missing supply: that cylinder cannot be taken, the next regulator is tried.
    A missing key is missing hands: the choice stands and waits.
S6  A connected patient whose hookup the policy does not name gives the cylinder back to the
    reserve at the state's minute, with what is left, and keeps regulator and device.
S7  A hookup that goes on has the dial setting of the policy's line; phases that began at or before
    the state's minute are in it. A new one of a patient who had oxygen before likewise.
S8  Someone who had oxygen before, is on none and is connected from the queue gets the flow of the
    last phase begun by the state's minute, or of the first where phases were stopped.
S9  A promise to someone already there is kept at once; one past its 95 % point before the state's
    minute is void. The 95 % point is that of the file's three-point time.
S10 Called-off kit joins at the instant of the call-off, so carrying counts from then.
S11 A late swap that ends in being out counts as both. One that was due before the state's minute
    was counted then and is not counted again, so that late swaps of two runs in a row add up.
S12 Whoever a device or regulator was promised to holds it from when found, even while it is still
    being carried, and counts for kept-for. A bag-valve-mask holds responders from the first
    connection on, or two responders could never make it.
S13 An indicated patient without an option is out from start to transfer; with an option it takes
    part whether indicated or not.
S14 A new first connection takes the first free device of its kind, age and place that the policy
    promises to nobody; a device of another kind is given back. A regulator named for one who holds
    another likewise.
S15 Kit that would return after the horizon ended "gone with patient".
S16 A missing phase score counts as 1: the phase fails.
S17 Promised cylinders stay promised for good, also when that patient is gone, and are no part of
    the k of a kept-for row.
S18 Nor does a kept-for row keep a patient from the cylinder promised to it: taking that one leaves
    as many for the others as before.
S19 One who joins is on the cylinder from the beginning of that connection: it takes the outlet and
    may stand for all. A swap that falls due before its own flow is served like any other.
S20 A swap that was late is not counted again for whoever stands after the first one has left.
S21 Where a policy goes on with nobody of a shared source (S6), the first in the order of service
    keeps the regulator. Where it goes on with some, the others lose it even if one of them was the
    holder in the state.
S22 A hookup goes on where cylinder and at least one patient are the state's. When its flow begins,
    and that of each line, is what the state says. A new line in it begins at the state's minute,
    or with the source where that is in the middle of a swap.
S23 Where a kept-for row binds only the category of the one who stands counts; where it lapses,
    everybody on the source holds its regulator.
S24 Out of oxygen together: also a line whose own connection is under way, from the same minute. A
    line that has not had oxygen yet when the source runs out or is swapped starts its phases at
    the flow of the connection that follows.
S25 An outlet that can be taken is a supply: someone on a built-in valve whose swap is due breathes
    from its buffer while only hands for that are missing.
S26 Without a gap a flow begins at the instant of its connection, in the same pass of the queue:
    who comes later in the pass may take the outlet, who came earlier is not asked again.
S27 Whether a source is due or out at the state's minute: where any line of the state's hookup says
    so, also of someone who leaves it then; since the earliest minute said; unless the source itself
    is in the middle of a swap. Who is new on a source that is out is out with it.
S28 A regulator promised to somebody has no outlet for others.
S29 Like any missing hands or key, those of an earlier regulator in the order are waited for though
    an outlet further down could be taken.
S30 A connection is made for leaving where it begins while the patient wants to leave: early or
    due, first or later, or a new one of the policy at the state's minute. One that began before
    is not; when its flow begins the rest of the rule is asked.
S31 An instant is gone through until nobody is left who would leave by (c), or, without a gap, by
    (a): the flow of its connection began at this very instant.
S32 An early swap that reaches the change pressure is due since that minute, in the queue too.
S33 A swap that falls due on a leg is late like any other, if any time passes on the buffer. Minutes
    out go on on a leg. Who is out keeps being out until a connection starts.
S34 Whoever is on a leg keeps no kept-for row alive: it is at no place.
S35 Everything a patient holds goes along, also what was still being carried to it, and is usable
    from the arrival on.
S36 "Could not be connected" (c) is asked as the queue would choose: a missing key or missing hands
    are no want, nor can another regulator help where the choice stands (S5). Kit of its own that
    is not there yet is a want. It is asked whether a swap is due or only would be.
S37 "At least" in (b) is within 1e-9 l.
S38 Whoever is on a leg at the state's minute and gives up kit then (S6, no option) does so where it
    arrives and when. It has no new connection, nor another mask, at the state's minute.
S39 "early" and "ready" of the state hold where its hookup goes on. An early swap whose cylinder is
    at the change pressure in this sample is due, and on the buffer, since the state's minute.
S40 Whoever has a leg to go shares no source and is on no concentrator in a policy.
S41 A leg without length ends at the same minute, but in an instant of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Generator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal, NamedTuple

import simpy

from planner.demand import Z95, Needs, time_at
from planner.gas import content_l
from planner.incident import (
    BUILT_IN,
    LEG_MARGIN,
    POWER_CHANGE_MIN,
    TRIAGE_ORDER,
    Cylinder,
    Incident,
    Option,
    Patient,
)
from planner.oxygen_options import is_indicated, need_of
from planner.policy import KeptFor, Policy
from planner.reference import NEEDS, load_connections, load_devices
from planner.state import Hookup, State, device_units, keys

EPS: Final = 1e-9
BAG: Final = "bag-valve-mask"

# Order within one instant (job.md rule 1).
JOINS, ARRIVAL, TRANSFER, FOUND, CALLED_OFF, PHASE, SUPPLY_ENDS, FREE = range(8)

End = Literal["reserve", "connected", "taken off", "gone with patient", "not arrived"]
Process = Generator[simpy.Event, Any, None]


class Swap(NamedTuple):
    """One connection that a responder made."""

    minute: float
    patient: str
    off: str | None
    on: str
    place: str


@dataclass(frozen=True)
class SimResult:
    """What happened in one sample; tags as in the incident, litres at the horizon."""

    minutes_out: dict[str, float]
    late_swaps: dict[str, int]
    swaps: tuple[Swap, ...]
    litres_left: dict[str, float]
    ended: dict[str, End]
    litres_start: float
    litres_arrived: float
    litres_used: float
    still_there: frozenset[str]


@dataclass(frozen=True)
class Facts:
    """Table facts, replaceable in tests: needs, indications, (needs_key, needs_washer)."""

    need_of: Callable[[Incident, Patient], str] = need_of
    is_indicated: Callable[[Incident, Patient], bool] = is_indicated
    connections: Mapping[str, tuple[bool, bool]] | None = None

    def key_and_washer(self, connection: str) -> tuple[bool, bool]:
        if self.connections is not None:
            return self.connections.get(connection, (False, False))
        row = load_connections().get(connection)
        return (row.needs_key, row.needs_washer) if row else (False, False)


@dataclass(eq=False)
class Item:
    """A piece of kit: when and where it joined, who has it, who it is promised to."""

    tag: str
    place: str = ""
    since: float = 0.0
    status: End = "reserve"
    holder: str | None = None
    promised_to: str | None = None

    @property
    def is_free(self) -> bool:
        return self.status == "reserve" and self.holder is None


@dataclass(eq=False)
class Bottle(Item):
    """A cylinder: what it holds, what it held at change pressure and safe residual."""

    row: Cylinder = field(kw_only=True)
    litres: float = field(kw_only=True)
    change_l: float = field(kw_only=True)
    residual_l: float = field(kw_only=True)
    valve_factor: float = field(kw_only=True)
    highest_lpm: float = 0.0  # of a concentrator, which holds minutes of power; 0: a cylinder
    rate_lpm: float = 0.0
    drawn_to: float = 0.0
    breathing: simpy.Process | None = None

    @property
    def usable_l(self) -> float:
        return max(0.0, self.litres - self.change_l)

    @property
    def is_usable(self) -> bool:
        return self.usable_l > EPS

    def draw(self, now: float) -> float:
        """Let oxygen flow until now and return the litres that did."""
        used = min(self.rate_lpm * max(0.0, now - self.drawn_to), self.litres)
        self.litres -= used
        self.drawn_to = max(self.drawn_to, now)
        return used

    def minutes_to(self, litres: float) -> float:
        above = max(0.0, self.litres - litres)
        if self.rate_lpm <= 0:
            return math.inf if above > 0 else 0.0
        return above / self.rate_lpm


@dataclass(eq=False)
class Regulator(Item):
    connection: str = field(kw_only=True)
    settings: tuple[float, ...] = field(kw_only=True)
    num_outlets: int = field(kw_only=True)
    factor: float = field(kw_only=True)


@dataclass(eq=False)
class Device(Item):
    kind: str = field(kw_only=True)
    age: str = field(kw_only=True)


@dataclass(eq=False)
class Casualty:
    """A patient with an option; who is here but neither connected nor being connected is out.

    On a shared cylinder ``is_due``, ``buffer_from`` and ``is_counted_late`` are those of the one
    who stands for all. On a leg ``place`` is where it is going to, and it is nowhere.
    """

    row: int
    patient: Patient
    option: Option
    place: str
    rank: tuple[int, int]
    start: float
    transfer: float
    kit_return: float | None
    flow_lpm: float
    is_there: bool = False
    is_gone: bool = False
    legs_done: int = 0
    is_moving: bool = False
    is_early: bool = False
    is_ready: bool = False
    waiting_since: float = 0.0
    bottle: Bottle | None = None
    regulator: Regulator | None = None
    device: Device | None = None
    flow_from: float = -math.inf
    first_flow: float | None = None
    phases_stopped: bool = False
    is_due: bool = False
    buffer_from: float = 0.0
    is_counted_late: bool = False
    out_since: float | None = None
    minutes_out: float = 0.0
    late_swaps: int = 0

    @property
    def tag(self) -> str:
        return self.patient.tag

    @property
    def category(self) -> int:
        return TRIAGE_ORDER.index(self.patient.triage)

    @property
    def is_on_valve(self) -> bool:
        return self.bottle is not None and self.regulator is None

    @property
    def is_at_place(self) -> bool:
        return self.is_there and not self.is_moving

    @property
    def has_leg_to_go(self) -> bool:
        return self.legs_done < len(self.patient.legs)


class Supply(NamedTuple):
    """What a connection would use; no regulator: the one already held, or a built-in valve."""

    bottle: Bottle
    regulator: Regulator | None
    is_outlet: bool = False


@dataclass(order=True)
class Notice:
    """Something that falls due at this instant."""

    phase: int
    number: int
    act: Callable[[float], None] = field(compare=False)


def simulate(
    incident: Incident,
    state: State,
    policy: Policy,
    needs: Needs,
    sample: int,
    *,
    facts: Facts | None = None,
) -> SimResult:
    """Run one sample of `needs` from `state` to the horizon under `policy`.

    Parameters
    ----------
    incident, state, policy, needs
        As operation takes them; a hookup has one cylinder here.
    sample : int
        Column of the needs.
    facts : Facts, optional
        Stand-ins for the reference tables.

    Returns
    -------
    SimResult

    Raises
    ------
    NotImplementedError
        A manifold, more lines than outlets, or a source that somebody with a leg to go cannot take
        along (S40).
    ValueError
        A first connection for which there is no device at that place, or on a leg (S38).
    """
    return _Run(incident, state, policy, needs, sample, facts or Facts()).run()


class _Run:
    """One sample: the stock, the people, the board and the coordinator."""

    def __init__(
        self,
        incident: Incident,
        state: State,
        policy: Policy,
        needs: Needs,
        sample: int,
        facts: Facts,
    ) -> None:
        self.incident, self.state, self.policy, self.facts = incident, state, policy, facts
        self.needs, self.sample = needs, sample
        self.env = simpy.Environment(initial_time=state.at_min)
        self.board: list[Notice] = []
        self.swaps: list[Swap] = []
        self.used_l = self.arrived_l = 0.0
        self.bottles = {b.tag: b for b in self._bottles()}
        self.start_l = sum(
            b.litres
            for b in self.bottles.values()
            if b.status != "not arrived" and not b.highest_lpm
        )
        self.regulators = {r.tag: r for r in self._regulators()}
        self.devices = {d.tag: d for d in self._devices()}
        self.hands = {place.name: 0 for place in incident.places}
        self.free_keys: dict[str, int] | None = None
        self.washers: dict[str, int] | None = None
        names = [place.name for place in incident.places]
        if (listed := keys(incident)) is not None:
            self.free_keys = dict(zip(names, listed, strict=True))
        if state.washers is not None:
            self.washers = dict(zip(names, state.washers, strict=True))
        self.people = {c.tag: c for c in self._casualties()}
        self.rank_on_list = {tag: n for n, tag in enumerate(policy.order)}

    # ----- what there is -------------------------------------------------------------------

    def _litres(self, row: Cylinder, gauge_psi: float, at_c: float) -> float:
        if self.incident.contents == "handbook":
            return row.factor_l_per_psi * gauge_psi
        return content_l(row.water_volume_l, gauge_psi, at_c)

    def _bottles(self) -> list[Bottle]:
        now = {c.tag: c for c in self.state.cylinders}
        used_at_c = self.incident.air_temperature.c
        change, residual = self.incident.change_at.psi, self.incident.safe_residual.psi
        found = []
        for n, row in enumerate(self.incident.all_cylinders):
            here = now.get(row.tag)
            gauge, read_at = (here.gauge, here.read_at) if here else (row.gauge, row.read_at)
            error = 0.0 if here and here.is_exact else self.needs.gauge_error_psi[n, self.sample]
            bottle = Bottle(
                row.tag,
                row=row,
                litres=self._litres(row, max(0.0, gauge.psi + float(error)), read_at.c),
                change_l=self._litres(row, change, used_at_c),
                residual_l=self._litres(row, residual, used_at_c),
                valve_factor=float(self.needs.valve_factor[n, self.sample]),
                drawn_to=self.state.at_min,
            )
            if row.power_min is not None:
                left_min = row.power_min if here is None else here.power_min
                bottle.litres = row.power_min if left_min is None else left_min
                bottle.change_l, bottle.residual_l = POWER_CHANGE_MIN, 0.0
                bottle.highest_lpm = max(row.settings_lpm)
            if here is None:
                bottle.status = "not arrived"
            else:
                bottle.place, bottle.since = here.place, here.since_min
                bottle.status = "gone with patient" if here.status == "gone" else here.status
            found.append(bottle)
        for promise in self.policy.promises:
            for bottle in found:
                if bottle.tag in promise.cylinders:
                    bottle.promised_to = promise.patient
        return found

    def _regulators(self) -> list[Regulator]:
        now = {r.tag: r for r in self.state.regulators}
        found = []
        for n, row in enumerate(self.incident.all_regulators):
            factor = float(self.needs.regulator_factor[n, self.sample])
            regulator = Regulator(
                row.tag,
                connection=row.connection,
                settings=row.settings_lpm,
                num_outlets=row.outlets,
                factor=factor,
            )
            self._place_kit(regulator, now.get(row.tag))
            found.append(regulator)
        return found

    def _devices(self) -> list[Device]:
        now = {d.tag: d for d in self.state.devices}
        found = []
        for unit in device_units(self.incident):
            device = Device(unit.tag, kind=unit.kind, age=unit.age)
            self._place_kit(device, now.get(unit.tag))
            found.append(device)
        return found

    @staticmethod
    def _place_kit(item: Item, here: Any) -> None:
        if here is None:
            item.status = "not arrived"
            return
        item.place, item.since, item.holder = here.place, here.since_min, here.holder
        if here.is_gone:
            item.status = "gone with patient"

    def _casualties(self) -> list[Casualty]:
        found = []
        for n, (patient, now) in enumerate(
            zip(self.incident.patients, self.state.patients, strict=True)
        ):
            option = self.policy.option_of(patient.tag)
            if option is None or now.status in {"dead", "gone"}:
                continue
            category = TRIAGE_ORDER.index(patient.triage)
            need = NEEDS.index(self.facts.need_of(self.incident, patient))
            is_by_need = self.incident.priorities.order == "need"
            found.append(
                Casualty(
                    row=n,
                    patient=patient,
                    option=option,
                    place=now.place,
                    rank=(need, category) if is_by_need else (category, need),
                    start=float(self.needs.start_min[n, self.sample]),
                    transfer=float(self.needs.transfer_min[n, self.sample]),
                    kit_return=self.incident.kit_return_of(patient),
                    flow_lpm=self._flow_now(option, now.first_flow_min, now.phases_stopped),
                    is_there=now.status != "unknown",
                    legs_done=now.legs_done,
                    is_moving=now.arrives_min is not None,
                    first_flow=now.first_flow_min,
                    phases_stopped=now.phases_stopped,
                )
            )
        return found

    def _flow_now(self, option: Option, first_flow: float | None, is_stopped: bool) -> float:
        """Flow of the last phase begun by the state's minute (S8)."""
        if first_flow is None or is_stopped:
            return option.flow_lpm
        begun = [k for k, at in _phase_minutes(option, first_flow) if at <= self.state.at_min + EPS]
        return option.phases[max(begun, default=0)].flow_lpm

    # ----- the state's minute --------------------------------------------------------------

    def begin(self) -> None:
        at = self.state.at_min
        for hookup in (*self.state.hookups, *self.policy.hookups):
            regulator = self.regulators[hookup.regulator] if hookup.regulator else None
            num_outlets = regulator.num_outlets if regulator else 1
            if len(hookup.cylinders) != 1 or len(hookup.lines) > num_outlets:
                raise NotImplementedError("no manifold, no more lines than outlets")
        self._hand_over_kit()
        for hookup in self.state.hookups:
            self._leave_hookup(hookup)
        for hookup in self.policy.hookups:
            self._first_connections(hookup)
        for person in self.people.values():
            self._take_up(person)
        for hookup in self.state.hookups:
            self._take_up_source(hookup)
        for bottle in self.bottles.values():
            self._open_flow(bottle, at)
        self._promises()
        self._start_processes()
        self.post(JOINS, 0, _nothing)

    def _place_of(self, tag: str) -> str:
        return self.state.patient(tag).place

    def _gives_up_at(self, tag: str) -> float:
        """Return when kit given up at the state's minute joins at the patient's place (S38)."""
        arrives = self.state.patient(tag).arrives_min
        return self.state.at_min if arrives is None else max(self.state.at_min, arrives)

    def _on(self, hookup: Hookup) -> list[Casualty]:
        """Return who of a hookup takes part, in the order of service."""
        tags = [line.patient for line in hookup.lines]
        return _in_service([self.people[tag] for tag in tags if tag in self.people])

    def _hand_over_kit(self) -> None:
        """Kit goes to whoever holds it, or is released by the dead, gone and those without."""
        for hookup in self.state.hookups:
            users = self._on(hookup)
            if hookup.regulator is not None and users:
                self.regulators[hookup.regulator].holder = users[0].tag
        for item in (*self.regulators.values(), *self.devices.values()):
            if item.holder is None or item.status != "reserve":
                continue
            person = self.people.get(item.holder)
            if person is None:
                tag = item.holder
                self._give_back(item, self._place_of(tag), self._gives_up_at(tag))
            elif isinstance(item, Regulator):
                person.regulator = item
            elif isinstance(item, Device):
                person.device = item

    def _goes_on(self, hookup: Hookup) -> list[Casualty]:
        """Return who stays on a hookup of the state under this policy, in the order of service."""
        again = {
            line.patient
            for other in self.policy.hookups
            if other.cylinders == hookup.cylinders
            for line in other.lines
        }
        return [person for person in self._on(hookup) if person.tag in again]

    def _leave_hookup(self, hookup: Hookup) -> None:
        """Part those who go on from those who do not; with the last the cylinder is free (S21)."""
        stay = self._goes_on(hookup)
        if not stay:
            bottle = self.bottles[hookup.cylinders[0]]
            tag = hookup.lines[0].patient
            self._give_back(bottle, self._place_of(tag), self._gives_up_at(tag))
        elif hookup.regulator is not None:
            regulator = self.regulators[hookup.regulator]
            for person in self._on(hookup):
                if person.regulator is regulator:
                    person.regulator = None
            for person in stay:
                person.regulator = regulator
            regulator.holder = stay[0].tag

    def _first_connections(self, hookup: Hookup) -> None:
        """Connect everyone of a policy's hookup, who goes on and who is new (S22)."""
        users = self._on(hookup)
        if not users:
            return
        at, bottle = self.state.at_min, self.bottles[hookup.cylinders[0]]
        was = next((h for h in self.state.hookups if h.cylinders == hookup.cylinders), None)
        stay = self._goes_on(was) if was is not None else []
        self._check_moves(hookup, users, stay)
        if not stay and self.washers is not None:
            _, needs_washer = self.facts.key_and_washer(bottle.row.connection)
            self.washers[users[0].place] -= int(needs_washer)
        begins = max(at, was.flow_from_min) if was is not None and stay else at
        self._change_regulator(users, hookup.regulator)
        bottle.status, bottle.holder, bottle.place = "connected", users[0].tag, users[0].place
        for line in hookup.lines:
            person = self.people.get(line.patient)
            if person is None:
                continue
            self._change_device(person, line.device)
            person.bottle, person.flow_lpm, person.flow_from = bottle, line.flow_lpm, begins
            if was is not None and person in stay:
                own = next(x for x in was.lines if x.patient == person.tag).flow_from_min
                person.flow_from = begins if own is None else max(begins, own)
            if person.first_flow is None:
                person.first_flow = person.flow_from
            is_ready = self.state.patient(person.tag).leaving == "ready"
            person.is_ready = is_ready if person in stay else self.wants_to_leave(person, at)  # S30
            self._announce_flow(person, at)

    def _check_moves(self, hookup: Hookup, users: list[Casualty], stay: list[Casualty]) -> None:
        is_fixed = self.bottles[hookup.cylinders[0]].highest_lpm > 0 or len(users) > 1
        if is_fixed and any(person.has_leg_to_go for person in users):
            raise NotImplementedError("a source that cannot go along on a leg")  # S40
        for person in users:
            if person.is_moving and person not in stay:
                raise ValueError(f"{person.tag} is on a leg: no first connection")  # S38

    def _change_regulator(self, users: list[Casualty], tag: str | None) -> None:
        """Give all users of a hookup its regulator; what they held otherwise is free (S14)."""
        wanted = self.regulators[tag] if tag is not None else None
        for person in users:
            if person.regulator is not wanted:
                if person.regulator is not None and person.regulator.holder == person.tag:
                    self._give_back(person.regulator, person.place, self.state.at_min)
                person.regulator = None
        if wanted is not None:
            for other in self.people.values():
                if other.regulator is wanted and other not in users:
                    other.regulator = None  # a replan gives it to somebody else
            for person in reversed(users):
                self._hold(person, wanted)

    def _change_device(self, person: Casualty, kind: str) -> None:
        if person.device is not None and person.device.kind == kind:
            return
        if person.is_moving:
            raise ValueError(f"{person.tag} is on a leg: no other device")  # S38
        at = self.state.at_min
        promised = {p.device for p in self.policy.promises}  # not set aside yet
        new = self._free_device(person, kind, at, promised)
        if new is None:
            raise ValueError(f"no {kind} at {person.place} for {person.tag}")
        if person.device is not None:
            self._give_back(person.device, person.place, at)
        self._hold(person, new)

    def _take_up(self, person: Casualty) -> None:
        """Go on with what the state says about someone who is there."""
        if person.is_there:
            since = self.state.patient(person.tag).waiting_since_min
            person.waiting_since = self.state.at_min if since is None else since

    def _take_up_source(self, hookup: Hookup) -> None:
        """Go on with what the state says about a source: whether it is due or out (S27)."""
        at = self.state.at_min
        if not self._goes_on(hookup) or hookup.flow_from_min > at + EPS:
            return
        rows = [self.state.patient(line.patient) for line in hookup.lines]
        told = [row.waiting_since_min for row in rows if row.waiting_since_min is not None]
        is_out = any(row.is_out for row in rows)
        if not told and not is_out:
            return
        lines = self.lines_of(self.bottles[hookup.cylinders[0]])
        first = lines[0]
        first.waiting_since = min(told, default=at)
        first.is_due, first.buffer_from = True, at
        first.is_counted_late = first.waiting_since < at - EPS
        first.is_early = self.state.patient(first.tag).leaving == "early"  # S39
        if is_out:
            self.run_out(first, at)

    def _promises(self) -> None:
        at = self.state.at_min
        for promise in self.policy.promises:
            items: list[Item] = []
            if promise.regulator is not None:
                items.append(self.regulators[promise.regulator])
            if promise.device is not None:
                items.append(self.devices[promise.device])
            person = self.people.get(promise.patient)
            now = self.state.patient(promise.patient)
            if now.status == "unknown":
                ends = time_at(self._patient(promise.patient).oxygen_from, Z95)
                for item in items:
                    if ends < at - EPS:
                        item.since = max(item.since, ends)
                        continue
                    item.promised_to = promise.patient
                    self.env.process(self.promise_ends(item, ends))
            elif person is not None:
                self._keep_promise(person, items)

    def _keep_promise(self, person: Casualty, items: list[Item]) -> None:
        """Promised kit becomes the patient's own, wherever it still is (S12)."""
        for item in items:
            if item.holder is not None or item.status == "gone with patient":
                continue
            item.promised_to = None
            if isinstance(item, Regulator) and person.regulator is None and not person.is_on_valve:
                item.holder, person.regulator = person.tag, item
            elif isinstance(item, Device) and person.device is None:
                item.holder, person.device = person.tag, item

    def _patient(self, tag: str) -> Patient:
        return next(p for p in self.incident.patients if p.tag == tag)

    def _start_processes(self) -> None:
        at = self.state.at_min
        for item in (*self.bottles.values(), *self.regulators.values(), *self.devices.values()):
            if item.is_free:
                self.env.process(self.porter(item))
        for person in self.people.values():
            self.env.process(self.patient_life(person))
            arrives = self.state.patient(person.tag).arrives_min
            if arrives is not None:
                self.env.process(self.leg(person, arrives))
            elif person.is_there:
                self._announce_leaving(person, at)
            if person.first_flow is not None:
                self.env.process(self.phase_clock(person))
        for number, supply in enumerate(self.incident.resupply):
            if number not in self.state.arrived:
                self.env.process(self.delivery(number, supply.place))
        for responder in self.state.responders:
            if responder.free_from_min <= at + EPS:
                self.hands[responder.place] += 1
            else:
                if responder.has_key and self.free_keys is not None:
                    self.free_keys[responder.place] -= 1
                self.env.process(
                    self.responder(responder.place, responder.free_from_min, responder.has_key)
                )

    # ----- processes: they only say when ---------------------------------------------------

    def post(self, phase: int, number: int, act: Callable[[float], None]) -> None:
        self.board.append(Notice(phase, number, act))

    def until(self, minute: float) -> simpy.Timeout:
        return self.env.timeout(max(0.0, minute - self.env.now))

    def patient_life(self, person: Casualty) -> Process:
        if not person.is_there:
            now = self.needs.is_needed[person.row, self.sample]
            if not now or person.transfer <= person.start + EPS:
                return
            yield self.until(person.start)
            self.post(FOUND, person.row, lambda t: self.find(person, t))
        if math.isfinite(person.transfer):
            yield self.until(person.transfer)
            self.post(TRANSFER, person.row, lambda t: self.transfer(person, t))

    def leg(self, person: Casualty, arrives: float) -> Process:
        yield self.until(arrives)
        self.post(ARRIVAL, person.row, lambda t: self.end_leg(person, t))
        if person.transfer < arrives:
            self.post(TRANSFER, person.row, lambda t: self.transfer(person, t))

    def wake(self, minute: float) -> Process:
        """Wake the coordinator at a minute at which somebody may leave."""
        yield self.until(minute)
        self.post(JOINS, 0, _nothing)

    def line_begins(self, person: Casualty, minute: float) -> Process:
        """Wake the coordinator when the flow of a line begins: then its source has outlets."""
        yield self.until(minute)
        self.post(JOINS, 0, lambda t: self._open_flow(person.bottle, t))

    def breathe(self, bottle: Bottle, is_on_buffer: bool) -> Process:
        """Wake the coordinator when this cylinder reaches change pressure and safe residual."""
        try:
            # A change of flow starts a new process, so both minutes are known now.
            began = bottle.drawn_to
            minutes_to = [bottle.minutes_to(bottle.change_l), bottle.minutes_to(bottle.residual_l)]
            for minutes in minutes_to[1:] if is_on_buffer else minutes_to:
                if math.isinf(minutes):
                    return
                yield self.until(began + minutes)
                self.post(SUPPLY_ENDS, 0, _nothing)
        except simpy.Interrupt:
            return

    def phase_clock(self, person: Casualty) -> Process:
        first_flow = person.first_flow
        assert first_flow is not None
        for k, minute in _phase_minutes(person.option, first_flow):
            if minute <= self.state.at_min + EPS:
                continue
            yield self.until(minute)
            if person.is_gone or person.phases_stopped or person.first_flow != first_flow:
                return  # another first flow has a clock of its own (S24)
            self.post(PHASE, person.row, lambda t, k=k: self.next_phase(person, k, t))  # type: ignore[misc]

    def porter(self, item: Item) -> Process:
        """Wake the coordinator whenever an item gets within use of another place."""
        joined, minutes = item.since, set()
        for place in self.incident.places:
            carry = self.incident.carry_min(item.place, place.name)
            if carry is not None and joined + carry > self.env.now:
                minutes.add(joined + carry)
        for minute in sorted(minutes):
            yield self.until(minute)
            self.post(JOINS, 0, _nothing)

    def delivery(self, number: int, place: str) -> Process:
        minute = float(self.needs.resupply_min[number, self.sample])
        if math.isfinite(minute):
            yield self.until(minute)
            self.post(JOINS, number, lambda t: self.arrive(number, place, t))

    def responder(self, place: str, free_at: float, has_key: bool) -> Process:
        yield self.until(free_at)
        self.post(FREE, 0, lambda _: self.free_responder(place, has_key))

    def promise_ends(self, item: Item, minute: float) -> Process:
        yield self.until(minute)
        self.post(CALLED_OFF, 0, lambda t: self.call_off(item, t))

    # ----- the coordinator -----------------------------------------------------------------

    def run(self) -> SimResult:
        self.begin()
        end = self.incident.horizon_min - EPS  # S1
        while (instant := self.env.peek()) < end:
            while self.env.peek() <= instant + EPS:
                self.env.step()
            if self.board:
                self.apply(instant)
        return self.result()

    def apply(self, t: float) -> None:
        """Apply all notices of one instant in order, then serve the queue once."""
        self.draw_all(t)
        self.count_late(t)
        notices, self.board = sorted(self.board), []
        for notice in notices:
            if notice.phase < SUPPLY_ENDS:
                notice.act(t)
        self.end_supplies(t)
        self.depart(t)
        for notice in notices:
            if notice.phase > SUPPLY_ENDS:
                notice.act(t)
        self.serve_queue(t)
        while any(self.is_to_leave(person, t) for person in self.people.values()):  # S31
            self.depart(t)
            self.serve_queue(t)
        for person in self.people.values():
            if not person.is_there:
                continue
            is_on_buffer = person.is_due and not person.is_early and not person.is_moving
            lacks = person.bottle is None or (is_on_buffer and self.supply(person, t) is None)
            if lacks and person.out_since is None:
                self.run_out(person, t)

    def draw_all(self, t: float) -> None:
        for bottle in self.bottles.values():
            used = bottle.draw(t)
            self.used_l += 0.0 if bottle.highest_lpm else used

    def count_late(self, t: float) -> None:
        """Count a late swap once any time has passed on the buffer."""
        for person in self.people.values():
            is_on_buffer = person.is_there and person.is_due and person.out_since is None
            is_on_buffer &= not person.is_early
            if is_on_buffer and not person.is_counted_late and t > person.buffer_from + EPS:
                person.is_counted_late = True
                person.late_swaps += 1

    def end_supplies(self, t: float) -> None:
        """Swaps that become due and buffers that end."""
        for person in self.people.values():
            bottle = person.bottle
            if bottle is None or not self.stands(person) or person.out_since is not None:
                continue
            if all(self.is_under_way(line, t) for line in self.lines_of(bottle)):
                continue
            is_new = not person.is_due or person.is_early
            if is_new and bottle.minutes_to(bottle.change_l) <= EPS:
                person.is_due, person.is_early, person.is_counted_late = True, False, False  # S32
                person.waiting_since = person.buffer_from = t
            if person.is_due and bottle.minutes_to(bottle.residual_l) <= EPS:
                self.run_out(person, t)

    def serve_queue(self, t: float) -> None:
        queue = [
            p
            for p in self.people.values()
            if p.is_at_place
            and not self.is_source_under_way(p, t)
            and (p.bottle is None or p.is_due)
        ]
        queue.sort(key=lambda p: (p.rank, p.waiting_since, p.row))
        for person in queue:
            self.try_to_connect(person, t)

    # ----- legs ----------------------------------------------------------------------------

    def wants_to_leave(self, person: Casualty, t: float) -> bool:
        return (
            person.is_at_place
            and person.has_leg_to_go
            and self._leave_min(person) <= t + EPS
            and not person.is_gone
        )

    def _leave_min(self, person: Casualty) -> float:
        return float(self.needs.leave_min[person.row, person.legs_done, self.sample])

    def _leg_min(self, person: Casualty) -> float:
        return float(self.needs.leg_min[person.row, person.legs_done, self.sample])

    def _announce_leaving(self, person: Casualty, t: float) -> None:
        """Make the minute from which someone who is there wants to leave an instant."""
        if person.has_leg_to_go and t + EPS < self._leave_min(person) < math.inf:
            self.env.process(self.wake(self._leave_min(person)))

    def is_to_leave(self, person: Casualty, t: float) -> bool:
        """Say whether someone left after the queue would leave now, by (c) or (a) (S31)."""
        if not self.wants_to_leave(person, t) or self.is_under_way(person, t):
            return False
        return person.is_ready or not self.could_connect(person, t)

    def depart(self, t: float) -> None:
        """Let everyone leave who may; who has too little oxygen wants another cylinder first."""
        for person in self.people.values():
            if not self.wants_to_leave(person, t) or self.is_under_way(person, t):
                continue
            is_undue = person.bottle is not None and person.out_since is None and not person.is_due
            if person.is_ready or (is_undue and self._holds_enough(person)):
                self._leave(person, t)
            elif not self.could_connect(person, t):
                if person.is_early:
                    person.is_due = False
                self._leave(person, t)
            elif is_undue:
                person.is_due = person.is_early = True
                person.waiting_since = t

    @staticmethod
    def _litres_a_minute(person: Casualty, bottle: Bottle) -> float:
        factor = person.regulator.factor if person.regulator else bottle.valve_factor
        return person.flow_lpm * factor

    def _holds_enough(self, person: Casualty) -> bool:
        bottle = person.bottle
        assert bottle is not None
        flows_l = self._litres_a_minute(person, bottle) * self._leg_min(person)
        return bottle.litres - bottle.residual_l >= LEG_MARGIN * flows_l - EPS  # S37

    def _leave(self, person: Casualty, t: float) -> None:
        arrives = t + self._leg_min(person)
        person.place = person.patient.legs[person.legs_done].to
        person.legs_done += 1
        person.is_moving, person.is_ready, person.is_early = True, False, False
        self.env.process(self.leg(person, arrives))

    def end_leg(self, person: Casualty, t: float) -> None:
        person.is_moving = False
        for item in (person.bottle, person.regulator, person.device):
            if item is not None:
                item.place, item.since = person.place, t  # S35
        self._announce_leaving(person, t)

    # ----- what happens --------------------------------------------------------------------

    def find(self, person: Casualty, t: float) -> None:
        person.is_there, person.waiting_since = True, t
        self._announce_leaving(person, t)
        kit: list[Item] = [*self.regulators.values(), *self.devices.values()]
        self._keep_promise(person, [item for item in kit if item.promised_to == person.tag])

    def transfer(self, person: Casualty, t: float) -> None:
        if person.is_moving or person.is_gone:
            return  # the leg brings it on arrival
        if person.out_since is not None:
            person.minutes_out += t - person.out_since
            person.out_since = None
        bottle, regulator = person.bottle, person.regulator
        others = [] if bottle is None else [p for p in self.lines_of(bottle) if p is not person]
        self._stop_flow(bottle)
        if others:
            person.bottle = person.regulator = None
            self._stand_in(others[0], person, regulator)
        for item in (person.bottle, person.regulator, person.device):
            if item is None:
                continue
            if isinstance(item, Bottle) and item.highest_lpm:
                self._give_back(item, person.place, t)
                self.env.process(self.porter(item))
            elif person.kit_return is None:
                item.status, item.holder = "gone with patient", None
            else:
                self._give_back(item, person.place, t + person.kit_return)
                self.env.process(self.porter(item))
        person.bottle = person.regulator = person.device = None
        person.is_there, person.is_due, person.is_gone = False, False, True
        if others:
            self._open_flow(bottle, t)

    @staticmethod
    def _stand_in(heir: Casualty, person: Casualty, regulator: Regulator | None) -> None:
        """Let the first of those who are left stand for the source, waiting as long (S20)."""
        assert heir.bottle is not None
        assert regulator is not None
        heir.bottle.holder = regulator.holder = heir.tag
        if person.is_due:
            heir.is_due, heir.is_counted_late = True, person.is_counted_late
            heir.waiting_since, heir.buffer_from = person.waiting_since, person.buffer_from

    def call_off(self, item: Item, t: float) -> None:
        if item.promised_to is not None:
            item.promised_to = None
            item.since = max(item.since, t)  # S10
            if item.is_free:
                self.env.process(self.porter(item))

    def next_phase(self, person: Casualty, k: int, t: float) -> None:
        if person.is_gone or person.phases_stopped:
            return
        scores = self.needs.phase_score
        score = scores[person.row, k - 1, self.sample] if k <= scores.shape[1] else 1.0  # S16
        if score < person.option.phases[k].chance:
            person.flow_lpm = person.option.phases[k].flow_lpm
            self._open_flow(person.bottle, t)
        else:
            person.phases_stopped = True

    def arrive(self, number: int, place: str, t: float) -> None:
        supply = self.incident.resupply[number]
        tags = {c.tag for c in supply.cylinders} | {r.tag for r in supply.regulators}
        tags |= {u.tag for u in device_units(self.incident) if u.resupply == number}
        for item in (*self.bottles.values(), *self.regulators.values(), *self.devices.values()):
            if item.tag in tags:
                item.status, item.place, item.since = "reserve", place, t
                self.env.process(self.porter(item))
                if isinstance(item, Bottle):
                    self.arrived_l += item.litres

    def free_responder(self, place: str, has_key: bool) -> None:
        self.hands[place] += 1
        if has_key and self.free_keys is not None:
            self.free_keys[place] += 1

    def run_out(self, person: Casualty, t: float) -> None:
        """From here on out of oxygen; what is left in the cylinder is not breathed any more."""
        lines = [person] if person.bottle is None else self.lines_of(person.bottle)
        for line in lines:
            line.out_since = t
            if line.bottle is not None and (line.first_flow or 0.0) > t + EPS:
                line.first_flow = None  # S24
        self._stop_flow(person.bottle)

    def try_to_connect(self, person: Casualty, t: float) -> None:
        if self.hands_left(person.place) < 1:
            return
        found = self.supply(person, t)
        if found is None:
            return
        needs_key, needs_washer = self.facts.key_and_washer(found.bottle.row.connection)
        if found.is_outlet:
            needs_key = needs_washer = False
        takes_key = needs_key and self.free_keys is not None
        if takes_key and self.free_keys is not None and self.free_keys[person.place] < 1:
            return
        device = self._mask(person, t)
        if device is None:
            return
        self._hold(person, device)
        if takes_key and self.free_keys is not None:
            self.free_keys[person.place] -= 1
        if needs_washer and self.washers is not None:
            self.washers[person.place] -= 1
        self.hands[person.place] -= 1
        free_at = t + self.incident.swap_min
        self.env.process(self.responder(person.place, free_at, takes_key))
        self._connect(person, found, t)

    def _mask(self, person: Casualty, t: float) -> Device | None:
        device = person.device or self._free_device(person, person.option.device, t)
        return device if device is not None and self.is_there(device, person.place, t) else None

    def could_connect(self, person: Casualty, t: float) -> bool:
        """Say whether nothing but hands or a key could be missing for a connection (S36)."""
        return self.supply(person, t) is not None and self._mask(person, t) is not None

    def _connect(self, person: Casualty, found: Supply, t: float) -> None:
        """Bring everyone on a patient's cylinder, or it alone, to another one or to an outlet."""
        new = found.bottle
        old = person.bottle
        lines = [person] if old is None else self.lines_of(old)
        self._stop_flow(old)
        if old is not None:
            old.status, old.holder = "taken off", None
        if found.is_outlet:
            person.regulator = found.regulator
        else:
            if found.regulator is not None:
                self._hold(person, found.regulator)
            new.status, new.holder, new.place = "connected", person.tag, person.place
        off = old.tag if old and not found.is_outlet else None
        self.swaps.append(Swap(t, person.tag, off, new.tag, person.place))
        for line in lines:
            if line.out_since is not None:
                line.minutes_out += t - line.out_since
            line.out_since, line.is_due, line.bottle = None, False, new
            line.is_early, line.is_ready = False, self.wants_to_leave(line, t)  # S30
            line.flow_from = t + self.incident.swap_gap_min
            self._announce_flow(line, t)
            is_new = line.first_flow is None or (old is not None and line.first_flow > t + EPS)
            if is_new:  # S24
                line.first_flow = line.flow_from
                self.env.process(self.phase_clock(line))
        self._open_flow(new, t)

    def _announce_flow(self, person: Casualty, t: float) -> None:
        """Make the begin of a flow an instant where somebody could join it (S26), or leave."""
        regulator = person.regulator
        if person.flow_from <= t + EPS:
            return
        if regulator is not None and regulator.num_outlets > 1:
            self.env.process(self.line_begins(person, person.flow_from))
        elif person.has_leg_to_go:
            self.env.process(self.wake(person.flow_from))

    @staticmethod
    def _stop_flow(bottle: Bottle | None) -> None:
        if bottle is None:
            return
        if bottle.breathing is not None and bottle.breathing.is_alive:
            bottle.breathing.interrupt()
        bottle.breathing, bottle.rate_lpm = None, 0.0

    def _open_flow(self, bottle: Bottle | None, t: float) -> None:
        """Let all who have a line to a cylinder, begun by now, breathe at their flows of now."""
        self._stop_flow(bottle)
        if bottle is None:
            return
        lines = self.lines_of(bottle)
        if not lines or lines[0].out_since is not None:
            return
        begins = max(t, min(line.flow_from for line in lines))
        for line in lines:
            if line.flow_from <= begins + EPS:
                # Power lasts as long at any flow.
                lpm = self._litres_a_minute(line, bottle)
                bottle.rate_lpm += 1.0 if bottle.highest_lpm else lpm
        bottle.drawn_to = max(bottle.drawn_to, begins)
        is_on_buffer = lines[0].is_due and not lines[0].is_early
        bottle.breathing = self.env.process(self.breathe(bottle, is_on_buffer))

    def _hold(self, person: Casualty, item: Item) -> None:
        item.holder, item.promised_to = person.tag, None
        item.place, item.since = person.place, -math.inf
        if isinstance(item, Regulator):
            person.regulator = item
        elif isinstance(item, Device):
            person.device = item

    @staticmethod
    def _give_back(item: Item, place: str, since: float) -> None:
        item.status, item.holder = "reserve", None
        item.place, item.since = place, since

    # ----- questions -----------------------------------------------------------------------

    def lines_of(self, bottle: Bottle) -> list[Casualty]:
        """Return who is on a cylinder, in the order of service: the first stands for all."""
        return _in_service([p for p in self.people.values() if p.bottle is bottle])

    def stands(self, person: Casualty) -> bool:
        return person.bottle is None or self.lines_of(person.bottle)[0] is person

    def outlet(self, person: Casualty, regulator: Regulator, t: float) -> Bottle | None:
        """Return the cylinder of a regulator in use somebody could join now, hands aside."""
        lines = [p for p in self.people.values() if p.regulator is regulator and p.bottle]
        if not 0 < len(lines) < regulator.num_outlets:
            return None
        if any(p.has_leg_to_go for p in (person, *lines)):
            return None
        is_flowing = any(
            p.is_at_place
            and p.place == person.place
            and not self.is_under_way(p, t)
            and p.out_since is None
            for p in lines
        )
        if not is_flowing or any(p.is_due for p in lines):
            return None
        return lines[0].bottle

    def is_source_under_way(self, person: Casualty, t: float) -> bool:
        """Say whether a connection of the cylinder, and not of one line, is under way (S19)."""
        if person.bottle is None:
            return False
        return all(self.is_under_way(line, t) for line in self.lines_of(person.bottle))

    @staticmethod
    def is_under_way(person: Casualty, t: float) -> bool:
        return person.bottle is not None and person.flow_from > t + EPS  # S3

    def hands_left(self, place: str) -> int:
        held = sum(
            1 if p.patient.airway_device else 2
            for p in self.people.values()
            if p.is_at_place
            and p.place == place
            and p.bottle is not None
            and p.device is not None
            and p.device.kind == BAG
        )
        return self.hands[place] - held

    def is_there(self, item: Item, place: str, t: float) -> bool:
        if item.status == "not arrived":
            return False
        carry = self.incident.carry_min(item.place, place)
        return carry is not None and item.since + carry <= t + EPS

    def supply(self, person: Casualty, t: float) -> Supply | None:
        """Return regulator and cylinder a patient would take now; hands, key and mask aside."""
        flows = [phase.flow_lpm for phase in person.option.phases]
        if person.regulator is not None:
            if not self.is_there(person.regulator, person.place, t):
                return None
            bottle = self.pick(person, person.regulator.connection, t)
            return Supply(bottle, None) if bottle else None
        built_in = self.pick(person, BUILT_IN, t, flows)
        if person.is_on_valve and built_in is not None:
            return Supply(built_in, None)
        for regulator in self.regulators.values():
            if regulator.promised_to not in {None, person.tag}:  # S28
                continue
            if not _has_flows(regulator.settings, flows):
                continue
            if (bottle := self.outlet(person, regulator, t)) is not None:
                return Supply(bottle, regulator, is_outlet=True)
            if (
                regulator.is_free
                and self.is_there(regulator, person.place, t)
                and (bottle := self.pick(person, regulator.connection, t)) is not None
            ):
                return Supply(bottle, regulator)
        return Supply(built_in, None) if built_in is not None else None

    def pick(
        self, person: Casualty, connection: str, t: float, flows: list[float] | None = None
    ) -> Bottle | None:
        """Return the first cylinder of the printed list, then of the others, it may take."""
        _, needs_washer = self.facts.key_and_washer(connection)
        if needs_washer and self.washers is not None and self.washers[person.place] < 1:
            return None  # S5
        rows = list(self.bottles.values())
        listed = sorted(
            (b for b in rows if b.tag in self.rank_on_list), key=lambda b: self.rank_on_list[b.tag]
        )
        others = sorted(
            (b for b in rows if b.tag not in self.rank_on_list),
            key=lambda b: -b.usable_l * (b.highest_lpm or 1.0),
        )
        for bottle in (*listed, *others):
            if (
                bottle.row.connection == connection
                and bottle.is_free
                and bottle.is_usable
                and bottle.promised_to in {None, person.tag}
                and self.is_there(bottle, person.place, t)
                and (flows is None or _has_flows(bottle.row.settings_lpm, flows))
                and not (bottle.highest_lpm and self._has_reservoir(person))
                and not (bottle.highest_lpm and person.has_leg_to_go)
                and all(self.allows(row, person, bottle, t) for row in self.policy.kept_for)
            ):
                return bottle
        return None

    @staticmethod
    def _has_reservoir(person: Casualty) -> bool:
        return load_devices()[person.option.device].has_reservoir

    def allows(self, row: KeptFor, person: Casualty, bottle: Bottle, t: float) -> bool:
        category = TRIAGE_ORDER.index(row.triage)
        connection = bottle.row.connection
        is_bound = row.place in {None, person.place} and row.connection == connection
        is_bound &= bottle.promised_to != person.tag  # S18
        if not is_bound or person.category <= category or self.has_lapsed(category, connection):
            return True
        stay = sum(
            b is not bottle
            and b.row.connection == connection
            and b.is_free
            and b.is_usable
            and b.since <= t + EPS
            and b.promised_to is None
            and self.incident.carry_min(b.place, person.place) is not None
            for b in self.bottles.values()
        )
        return stay >= row.num_cylinders

    def has_lapsed(self, category: int, connection: str) -> bool:
        for person in self.people.values():
            if person.category > category or not person.is_at_place:  # S23, S34
                continue
            if person.regulator is not None and person.regulator.connection == connection:
                return False
            if person.is_on_valve and connection == BUILT_IN:
                return False
        return not any(
            regulator.connection == connection
            and regulator.promised_to is not None
            and TRIAGE_ORDER.index(self._patient(regulator.promised_to).triage) <= category
            for regulator in self.regulators.values()
        )

    def _free_device(
        self, person: Casualty, kind: str, t: float, besides: Collection[str | None] = ()
    ) -> Device | None:
        for device in self.devices.values():
            if (
                device.kind == kind
                and device.age == person.patient.age
                and device.is_free
                and device.promised_to in {None, person.tag}
                and device.tag not in besides
                and self.is_there(device, person.place, t)
            ):
                return device
        return None

    # ----- the end -------------------------------------------------------------------------

    def result(self) -> SimResult:
        end = self.incident.horizon_min
        self.draw_all(end)
        self.count_late(end)
        out, late = {}, {}
        still = set()
        for n, patient in enumerate(self.incident.patients):
            person = self.people.get(patient.tag)
            minutes = 0.0
            if person is not None:
                since = person.out_since
                minutes = person.minutes_out + (0.0 if since is None else end - since)
                if person.is_there:
                    still.add(patient.tag)
            else:
                minutes, is_still = self._without_option(n, patient)
                if is_still:
                    still.add(patient.tag)
            out[patient.tag] = minutes
            late[patient.tag] = person.late_swaps if person else 0
        bottles = self.bottles.values()
        return SimResult(
            minutes_out=out,
            late_swaps=late,
            swaps=tuple(self.swaps),
            litres_left={b.tag: b.litres for b in bottles if not b.highest_lpm},
            ended={b.tag: self._end_of(b) for b in bottles if not b.highest_lpm},
            litres_start=self.start_l,
            litres_arrived=self.arrived_l,
            litres_used=self.used_l,
            still_there=frozenset(still),
        )

    def _end_of(self, bottle: Bottle) -> End:
        if bottle.status == "reserve" and bottle.since >= self.incident.horizon_min - EPS:
            return "gone with patient"  # S15
        return bottle.status

    def _without_option(self, n: int, patient: Patient) -> tuple[float, bool]:
        """Return minutes out of someone the policy gives nothing (S13), and if still there."""
        status = self.state.patients[n].status
        if status in {"dead", "gone"} or not self.needs.is_needed[n, self.sample]:
            return 0.0, False
        begin = self.state.at_min
        if status == "unknown":
            begin = float(self.needs.start_min[n, self.sample])
        transfer = self._transfer_without_option(n, patient, begin)
        end = min(transfer, self.incident.horizon_min)
        is_counted = self.facts.is_indicated(self.incident, patient)
        is_still = transfer >= self.incident.horizon_min and begin < self.incident.horizon_min
        return max(0.0, end - begin) if is_counted else 0.0, is_still

    def _transfer_without_option(self, n: int, patient: Patient, begin: float) -> float:
        """Return the transfer, at the end of a leg where it falls on one; all leave by (d)."""
        transfer = float(self.needs.transfer_min[n, self.sample])
        now = self.state.patients[n]
        there = begin
        if now.arrives_min is not None:
            there = now.arrives_min
            if transfer < there:
                return there
        for k in range(now.legs_done, len(patient.legs)):
            leaves = max(there, float(self.needs.leave_min[n, k, self.sample]))
            if transfer <= leaves + EPS:
                return transfer
            there = leaves + float(self.needs.leg_min[n, k, self.sample])
            if transfer < there:
                return there
        return transfer


def _in_service(people: list[Casualty]) -> list[Casualty]:
    return sorted(people, key=lambda p: (p.rank, p.row))


def _phase_minutes(option: Option, first_flow: float) -> list[tuple[int, float]]:
    """Return (number, minute) of every phase after the first."""
    found, at = [], first_flow
    for k, phase in enumerate(option.phases[:-1]):
        if phase.for_min is None:
            break
        at += phase.for_min
        found.append((k + 1, at))
    return found


def _has_flows(settings: tuple[float, ...], flows: list[float]) -> bool:
    return all(any(abs(setting - flow) < EPS for setting in settings) for flow in flows)


def _nothing(_: float) -> None:
    return
