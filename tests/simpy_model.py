"""A process model of the shared reserve in SimPy, one sample at a time, to judge the judge.

Written from the rules alone: plain bookkeeping with Python objects, no code of the compiled
operation. SimPy processes (patients, breathing, phases, porters, responders, promises, resupply)
only say *when* something falls due by putting a notice on a board. The coordinator lets every
process of one instant speak (within 1e-9 min), then applies the notices in the stated order, then
serves the queue once.

What the rules leave open is settled here as follows (S1 to S18, cited in the code):

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
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Generator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal, NamedTuple

import simpy

from planner.demand import Z95, Needs, time_at
from planner.gas import content_l
from planner.incident import BUILT_IN, TRIAGE_ORDER, Cylinder, Incident, Option, Patient
from planner.oxygen_options import is_indicated, need_of
from planner.policy import KeptFor, Policy
from planner.reference import NEEDS, load_connections
from planner.state import Hookup, State, device_units, keys

EPS: Final = 1e-9
BAG: Final = "bag-valve-mask"

# Order within one instant (job.md rule 1).
JOINS, TRANSFER, FOUND, CALLED_OFF, PHASE, SUPPLY_ENDS, FREE = range(7)

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
    rate_lpm: float = 0.0
    drawn_to: float = 0.0

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
    factor: float = field(kw_only=True)


@dataclass(eq=False)
class Device(Item):
    kind: str = field(kw_only=True)
    age: str = field(kw_only=True)


@dataclass(eq=False)
class Casualty:
    """A patient with an option; who is here but neither connected nor being connected is out."""

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
    breathing: simpy.Process | None = None

    @property
    def tag(self) -> str:
        return self.patient.tag

    @property
    def category(self) -> int:
        return TRIAGE_ORDER.index(self.patient.triage)

    @property
    def is_on_valve(self) -> bool:
        return self.bottle is not None and self.regulator is None


class Supply(NamedTuple):
    """What a connection would use; no regulator: the one already held, or a built-in valve."""

    bottle: Bottle
    regulator: Regulator | None


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
        As operation takes them; a hookup has one cylinder and one line here.
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
        A manifold or a shared source.
    ValueError
        A first connection for which there is no device at that place.
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
        self.start_l = sum(b.litres for b in self.bottles.values() if b.status != "not arrived")
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
                row.tag, connection=row.connection, settings=row.settings_lpm, factor=factor
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
        before = {h.lines[0].patient: h for h in self.state.hookups}
        named = {h.lines[0].patient: h for h in self.policy.hookups}
        for hookup in (*self.state.hookups, *self.policy.hookups):
            if len(hookup.cylinders) != 1 or len(hookup.lines) != 1:
                raise NotImplementedError("this model knows one cylinder and one patient a hookup")
        self._hand_over_kit(before)
        for tag, hookup in before.items():
            again = named.get(tag)
            goes_on = again is not None and again.cylinders == hookup.cylinders
            if not (goes_on and tag in self.people):
                self._give_back(self.bottles[hookup.cylinders[0]], self._place_of(tag), at)
        for tag, hookup in named.items():
            if tag in self.people:
                was = before.get(tag)
                is_same = was is not None and was.cylinders == hookup.cylinders
                self._first_connection(self.people[tag], hookup, was if is_same else None)
        for person in self.people.values():
            self._take_up(person)
        self._promises()
        self._start_processes()
        self.post(JOINS, 0, _nothing)

    def _place_of(self, tag: str) -> str:
        return self.state.patient(tag).place

    def _hand_over_kit(self, before: dict[str, Hookup]) -> None:
        """Kit goes to whoever holds it, or is released by the dead, gone and those without."""
        for item in (*self.regulators.values(), *self.devices.values()):
            if item.holder is None or item.status != "reserve":
                continue
            person = self.people.get(item.holder)
            if person is None:
                self._give_back(item, self._place_of(item.holder), self.state.at_min)
            elif isinstance(item, Regulator):
                person.regulator = item
            elif isinstance(item, Device):
                person.device = item
        for tag, hookup in before.items():
            person = self.people.get(tag)
            if person is not None and person.regulator is None and hookup.regulator is not None:
                self._hold(person, self.regulators[hookup.regulator])

    def _first_connection(self, person: Casualty, hookup: Hookup, was: Hookup | None) -> None:
        at, line = self.state.at_min, hookup.lines[0]
        bottle = self.bottles[hookup.cylinders[0]]
        if was is None and self.washers is not None:
            _, needs_washer = self.facts.key_and_washer(bottle.row.connection)
            self.washers[person.place] -= int(needs_washer)
        wanted = self.regulators[hookup.regulator] if hookup.regulator is not None else None
        if person.regulator is not wanted:
            if person.regulator is not None and person.regulator.holder == person.tag:
                self._give_back(person.regulator, person.place, at)
            person.regulator = None
            if wanted is not None:
                self._hold(person, wanted)
        if person.device is None or person.device.kind != line.device:
            promised = {p.device for p in self.policy.promises}  # not set aside yet
            new = self._free_device(person, line.device, at, promised)
            if new is None:
                raise ValueError(f"no {line.device} at {person.place} for {person.tag}")
            if person.device is not None:
                self._give_back(person.device, person.place, at)
            self._hold(person, new)
        bottle.status, bottle.holder, bottle.place = "connected", person.tag, person.place
        person.bottle, person.flow_lpm = bottle, line.flow_lpm
        person.flow_from = max(at, hookup.flow_from_min) if was is not None else at
        if person.first_flow is None:
            person.first_flow = person.flow_from

    def _take_up(self, person: Casualty) -> None:
        """Go on with what the state says about someone who is there."""
        at = self.state.at_min
        if not person.is_there:
            return
        now = self.state.patient(person.tag)
        since = at if now.waiting_since_min is None else now.waiting_since_min
        person.waiting_since = since
        named = {(h.lines[0].patient, h.cylinders[0]) for h in self.state.hookups}
        bottle = person.bottle
        is_under_way = person.flow_from > at + EPS
        goes_on = bottle is not None and (person.tag, bottle.tag) in named
        is_due = now.waiting_since_min is not None or now.is_out
        if goes_on and is_due and not is_under_way:
            person.is_due, person.buffer_from = True, at
            person.is_counted_late = since < at - EPS
            if now.is_out:
                person.out_since = at
        self._open_flow(person)

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

    def breathe(self, person: Casualty, bottle: Bottle) -> Process:
        """Wake the coordinator when this cylinder reaches change pressure and safe residual."""
        try:
            # A change of flow starts a new process, so both minutes are known now.
            began = bottle.drawn_to
            for minutes in [
                bottle.minutes_to(bottle.change_l),
                bottle.minutes_to(bottle.residual_l),
            ]:
                if math.isinf(minutes):
                    return
                yield self.until(began + minutes)
                self.post(SUPPLY_ENDS, person.row, _nothing)
        except simpy.Interrupt:
            return

    def phase_clock(self, person: Casualty) -> Process:
        assert person.first_flow is not None
        for k, minute in _phase_minutes(person.option, person.first_flow):
            if minute <= self.state.at_min + EPS:
                continue
            yield self.until(minute)
            if person.is_gone or person.phases_stopped:
                return
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
        for notice in notices:
            if notice.phase > SUPPLY_ENDS:
                notice.act(t)
        self.serve_queue(t)
        for person in self.people.values():
            if not person.is_there or self.is_under_way(person, t):
                continue
            lacks = person.bottle is None or (person.is_due and self.supply(person, t) is None)
            if lacks and person.out_since is None:
                self.run_out(person, t)

    def draw_all(self, t: float) -> None:
        for bottle in self.bottles.values():
            self.used_l += bottle.draw(t)

    def count_late(self, t: float) -> None:
        """Count a late swap once any time has passed on the buffer."""
        for person in self.people.values():
            is_on_buffer = person.is_there and person.is_due and person.out_since is None
            if is_on_buffer and not person.is_counted_late and t > person.buffer_from + EPS:
                person.is_counted_late = True
                person.late_swaps += 1

    def end_supplies(self, t: float) -> None:
        """Swaps that become due and buffers that end."""
        for person in self.people.values():
            bottle = person.bottle
            if bottle is None or self.is_under_way(person, t) or person.out_since is not None:
                continue
            if not person.is_due and bottle.minutes_to(bottle.change_l) <= EPS:
                person.is_due, person.is_counted_late = True, False
                person.waiting_since = person.buffer_from = t
            if person.is_due and bottle.minutes_to(bottle.residual_l) <= EPS:
                self.run_out(person, t)

    def serve_queue(self, t: float) -> None:
        queue = [
            p
            for p in self.people.values()
            if p.is_there and not self.is_under_way(p, t) and (p.bottle is None or p.is_due)
        ]
        queue.sort(key=lambda p: (p.rank, p.waiting_since, p.row))
        for person in queue:
            self.try_to_connect(person, t)

    # ----- what happens --------------------------------------------------------------------

    def find(self, person: Casualty, t: float) -> None:
        person.is_there, person.waiting_since = True, t
        kit: list[Item] = [*self.regulators.values(), *self.devices.values()]
        self._keep_promise(person, [item for item in kit if item.promised_to == person.tag])

    def transfer(self, person: Casualty, t: float) -> None:
        if person.out_since is not None:
            person.minutes_out += t - person.out_since
            person.out_since = None
        self._stop_flow(person)
        for item in (person.bottle, person.regulator, person.device):
            if item is None:
                continue
            if person.kit_return is None:
                item.status, item.holder = "gone with patient", None
            else:
                self._give_back(item, person.place, t + person.kit_return)
                self.env.process(self.porter(item))
        person.bottle = person.regulator = person.device = None
        person.is_there, person.is_due, person.is_gone = False, False, True

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
            self._open_flow(person)
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
        person.out_since = t
        self._stop_flow(person)

    def try_to_connect(self, person: Casualty, t: float) -> None:
        if self.hands_left(person.place) < 1:
            return
        found = self.supply(person, t)
        if found is None:
            return
        needs_key, needs_washer = self.facts.key_and_washer(found.bottle.row.connection)
        takes_key = needs_key and self.free_keys is not None
        if takes_key and self.free_keys is not None and self.free_keys[person.place] < 1:
            return
        device = person.device or self._free_device(person, person.option.device, t)
        if device is None or not self.is_there(device, person.place, t):
            return
        self._stop_flow(person)
        self._hold(person, device)
        if found.regulator is not None:
            self._hold(person, found.regulator)
        if takes_key and self.free_keys is not None:
            self.free_keys[person.place] -= 1
        if needs_washer and self.washers is not None:
            self.washers[person.place] -= 1
        self.hands[person.place] -= 1
        free_at = t + self.incident.swap_min
        self.env.process(self.responder(person.place, free_at, takes_key))
        self._connect(person, found.bottle, t)

    def _connect(self, person: Casualty, new: Bottle, t: float) -> None:
        old = person.bottle
        if old is not None:
            old.status, old.holder = "taken off", None
        new.status, new.holder, new.place = "connected", person.tag, person.place
        off = old.tag if old else None
        self.swaps.append(Swap(t, person.tag, off, new.tag, person.place))
        if person.out_since is not None:
            person.minutes_out += t - person.out_since
        person.out_since, person.is_due, person.bottle = None, False, new
        person.flow_from = t + self.incident.swap_gap_min
        self._open_flow(person)
        if person.first_flow is None:
            person.first_flow = person.flow_from
            self.env.process(self.phase_clock(person))

    def _stop_flow(self, person: Casualty) -> None:
        if person.breathing is not None and person.breathing.is_alive:
            person.breathing.interrupt()
        person.breathing = None
        if person.bottle is not None:
            person.bottle.rate_lpm = 0.0

    def _open_flow(self, person: Casualty) -> None:
        """Let a patient breathe from its cylinder at its flow of now."""
        self._stop_flow(person)
        bottle = person.bottle
        if bottle is None or person.out_since is not None:
            return
        factor = person.regulator.factor if person.regulator else bottle.valve_factor
        bottle.rate_lpm = person.flow_lpm * factor
        bottle.drawn_to = max(bottle.drawn_to, person.flow_from)
        person.breathing = self.env.process(self.breathe(person, bottle))

    def _hold(self, person: Casualty, item: Item) -> None:
        if isinstance(item, Regulator) and item.holder in self.people:
            self.people[item.holder].regulator = None  # a replan gives it to somebody else
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

    @staticmethod
    def is_under_way(person: Casualty, t: float) -> bool:
        return person.bottle is not None and person.flow_from > t + EPS  # S3

    def hands_left(self, place: str) -> int:
        held = sum(
            1 if p.patient.airway_device else 2
            for p in self.people.values()
            if p.is_there
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
            if (
                regulator.is_free
                and regulator.promised_to in {None, person.tag}
                and self.is_there(regulator, person.place, t)
                and _has_flows(regulator.settings, flows)
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
            (b for b in rows if b.tag not in self.rank_on_list), key=lambda b: -b.usable_l
        )
        for bottle in (*listed, *others):
            if (
                bottle.row.connection == connection
                and bottle.is_free
                and bottle.is_usable
                and bottle.promised_to in {None, person.tag}
                and self.is_there(bottle, person.place, t)
                and (flows is None or _has_flows(bottle.row.settings_lpm, flows))
                and all(self.allows(row, person, bottle, t) for row in self.policy.kept_for)
            ):
                return bottle
        return None

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
            if person.category > category or not person.is_there:
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
            litres_left={b.tag: b.litres for b in bottles},
            ended={b.tag: self._end_of(b) for b in bottles},
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
        transfer = float(self.needs.transfer_min[n, self.sample])
        end = min(transfer, self.incident.horizon_min)
        is_counted = self.facts.is_indicated(self.incident, patient)
        is_still = transfer >= self.incident.horizon_min and begin < self.incident.horizon_min
        return max(0.0, end - begin) if is_counted else 0.0, is_still


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
