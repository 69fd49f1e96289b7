"""People, cylinders and kit while the truth is followed; flows are exact between two happenings.

Content and flow are those of :mod:`planner.operation`: a cylinder's true gauge is the incident's
reading plus its error, a dial of f gives f times its factor, nobody breathes below the safe
residual, and a connection takes ``swap_gap_min`` in which nothing flows and which counts as no
lack. Unlike there, nothing is served by itself: what players do not do is not done, and somebody
whose swap is due breathes on down to the residual.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from planner.exercise.luck import Luck
from planner.exercise.things import Bottle, Hands, Line, Mask, Person, Valve
from planner.exercise.truth_rows import TrueCylinder, TrueStatus, TrueSwap
from planner.gas import content_l, gauge_for_content
from planner.incident import Cylinder, Incident
from planner.operation.arrays import change_l, litres_at, residual_l
from planner.oxygen_options import options_of
from planner.real_gas import MAX_GAUGE_PSI
from planner.reference import load_connections
from planner.state import device_units, keys, washers

LATE_MIN: Final = 1.0  # our own, no source: a swap within a minute of being due is in time


class World:
    """Everything, as it changes; the caller calls in the order of time."""

    def __init__(self, incident: Incident, luck: Luck) -> None:
        self.incident, self.luck, self.t = incident, luck, 0.0
        self.people = {
            p.tag: Person(p, luck.found_min[p.tag], luck.transfer_min[p.tag], p.place)
            for p in incident.patients
        }
        self.bottles = {c.tag: self._bottle(c) for c in incident.all_cylinders}
        self.valves = {
            r.tag: Valve(r, r.place or "", r.place is None) for r in incident.all_regulators
        }
        self.masks = {
            u.tag: Mask(u, u.place or "", u.place is None) for u in device_units(incident)
        }
        self.hands = {r.tag: Hands(r.tag, r.place, r.from_min) for r in incident.responders}
        counts = washers(incident)
        names = [p.name for p in incident.places]
        self.washers = None if counts is None else dict(zip(names, counts, strict=True))
        counts = keys(incident)
        self.keys = (
            None
            if counts is None
            else {name: [0.0] * count for name, count in zip(names, counts, strict=True)}
        )  # by place, the minute from which each is free
        self.swaps: list[TrueSwap] = []
        self.arrived: list[int] = []
        self.used_l = self.lost_l = 0.0
        self.silent: list[tuple[str, float]] = []
        self._last_flow: dict[str, float] = {}
        self.supplied_l = sum(
            b.litres for b in self.bottles.values()
            if b.status != "to arrive" and b.cylinder.power_min is None
        )  # fmt: skip

    def _bottle(self, cylinder: Cylinder) -> Bottle:
        incident = self.incident
        if cylinder.power_min is not None:
            litres = cylinder.power_min * cylinder.power_rate
        else:
            error = self.luck.gauge_error_psi[cylinder.tag]
            gauge = min(max(cylinder.gauge.psi + error, 0.0), MAX_GAUGE_PSI)
            litres = (
                cylinder.factor_l_per_psi * gauge
                if incident.contents == "handbook"
                else content_l(cylinder.water_volume_l, gauge, cylinder.read_at.c)
            )
        status: TrueCylinder = "reserve" if cylinder.place is not None else "to arrive"
        due, residual = change_l(cylinder, incident), residual_l(cylinder, incident)
        bottle = Bottle(cylinder, litres, due, residual, status, cylinder.place or "")
        bottle.due_since = 0.0 if litres <= due else None
        return bottle

    # ----- time ---------------------------------------------------------------------------------

    def advance(self, to_min: float) -> None:
        """Let everything flow up to a minute."""
        if to_min <= self.t:
            return
        for bottle in self.bottles.values():
            if bottle.users:
                self._draw(bottle, to_min)
        self.t = to_min

    def _draw(self, bottle: Bottle, to_min: float) -> None:
        """Draw from a cylinder, from one beginning of a flow to the next."""
        lines = [(tag, self._line(tag)) for tag in bottle.users]
        begins = sorted({line.flow_from for _, line in lines if self.t < line.flow_from < to_min})
        at = self.t
        for until in (*begins, to_min):
            running = [(tag, x) for tag, x in lines if x.flow_from <= at and x.flow_lpm > 0]
            for tag, _ in running:
                self._begins(tag, bottle, at)
            rate = self.rate(bottle, [x for _, x in running])
            if rate > 0 and not bottle.is_dry:
                self._flow(bottle, rate, at, until)
            at = until
        for tag, line in lines:
            if line.flow_from <= to_min and line.flow_lpm > 0:
                self._begins(tag, bottle, max(line.flow_from, self.t))

    def _begins(self, tag: str, bottle: Bottle, at: float) -> None:
        person = self.people[tag]
        if not bottle.is_dry:
            person.first_flow = at if person.first_flow is None else person.first_flow
        else:
            self.goes_without(person, at)

    def _flow(self, bottle: Bottle, rate: float, at: float, until: float) -> None:
        drawn = min(rate * (until - at), bottle.litres - bottle.residual_l)
        if bottle.due_since is None and bottle.litres - drawn <= bottle.change_l:
            bottle.due_since = at + max(0.0, bottle.litres - bottle.change_l) / rate
        ends = at + drawn / rate
        bottle.litres -= drawn
        if bottle.cylinder.power_min is None:
            self.used_l += drawn
        if bottle.is_dry:
            for tag in bottle.users:
                if self._line(tag).flow_from <= ends:
                    self.goes_without(self.people[tag], ends)

    def rate(self, bottle: Bottle, running: list[Line]) -> float:
        """Return what leaves a cylinder [L/min]; a concentrator's time counts at its highest."""
        if not running:
            return 0.0
        if bottle.cylinder.power_min is not None:
            return bottle.cylinder.power_rate
        return sum(self.true_flow(line) for line in running)

    def true_flow(self, line: Line) -> float:
        """Return what a line gives in truth [L/min]."""
        if line.regulator is None:
            return line.flow_lpm * self.luck.flow_factor[line.cylinder]
        stuck = self.valves[line.regulator].stuck
        set_lpm = line.flow_lpm if stuck is None or line.flow_lpm == 0 else stuck
        return set_lpm * self.luck.flow_factor[line.regulator]

    def _line(self, tag: str) -> Line:
        line = self.people[tag].line
        assert line is not None  # noqa: S101 - users of a cylinder have a line
        return line

    # ----- lacking oxygen -----------------------------------------------------------------------

    def goes_without(self, person: Person, at: float) -> None:
        """Note that somebody lacks oxygen from a minute on, where it is indicated."""
        if person.wants and person.out_since is None:
            person.out_since = at
            person.first_out = at if person.first_out is None else person.first_out

    def has_again(self, person: Person, at: float) -> None:
        """Note that it ends."""
        if person.out_since is not None:
            person.minutes_out += max(0.0, at - person.out_since)
            if person.first_out == at == person.out_since:
                person.first_out = None  # begun and ended at one instant: never without
            person.out_since = None

    # ----- connecting ---------------------------------------------------------------------------

    def connect(self, tag: str, wanted: Line, at: float) -> None:
        """Put a patient on a cylinder.

        Whoever shared the old one goes along on the same regulator.
        """
        person, bottle = self.people[tag], self.bottles[wanted.cylinder]
        old = person.line
        if person.status not in {"waiting", "on oxygen", "stopped"} or bottle.status in {
            "gone", "to arrive"
        }:  # fmt: skip
            return
        along = self._along(tag, old, wanted)
        if old is not None and old.cylinder != wanted.cylinder:
            self._note_swap(person, old, wanted.cylinder, at)
        for each in (tag, *along):
            self.take_off(each, at)
        gap = self.incident.swap_gap_min if at > 0 else 0.0
        is_joining = bool(bottle.users)
        for each in (tag, *along):
            line = wanted if each == tag else self._same(each, wanted)
            self._put_on(each, replace(line, flow_from=at + gap), at)
        bottle.status = "in use"
        needs = load_connections().get(bottle.cylinder.connection)
        if at > 0:
            takes_key = needs is not None and needs.needs_key and not is_joining
            self._busy(person.place, at, takes_key=takes_key)
        if self.washers is not None and needs and needs.needs_washer and not is_joining:
            self.washers[person.place] = max(0, self.washers.get(person.place, 0) - 1)

    def _along(self, tag: str, old: Line | None, wanted: Line) -> list[str]:
        if old is None or old.regulator is None or old.regulator != wanted.regulator:
            return []
        if old.cylinder == wanted.cylinder:
            return []
        return [u for u in self.bottles[old.cylinder].users if u != tag]

    def _same(self, tag: str, wanted: Line) -> Line:
        person = self.people[tag]
        flow = self._last_flow.get(tag, wanted.flow_lpm)
        return Line(wanted.cylinder, wanted.regulator, person.device, flow, 0.0)

    def _put_on(self, tag: str, line: Line, at: float) -> None:
        person = self.people[tag]
        person.line, person.status = line, "on oxygen"
        person.wants = bool(options_of(self.incident, person.row))
        self.has_again(person, at)
        if line.flow_lpm == 0:
            self.goes_without(person, at)
        bottle = self.bottles[line.cylinder]
        bottle.users.append(tag)
        bottle.place, bottle.there_from = person.place, at
        person.regulator = line.regulator
        if line.regulator is not None:
            valve = self.valves[line.regulator]
            valve.users.append(tag)
            valve.place, valve.there_from = person.place, at
        self._wear(person, line.device, at)
        if bottle.is_dry and line.flow_from <= at:
            self.goes_without(person, at)

    def _wear(self, person: Person, kind: str | None, at: float) -> None:
        """Give a patient a mask of a kind: the one worn, else one of its age, else any."""
        if kind is None:
            return
        person.device = kind
        tag = person.row.tag
        worn = next((m for m in self.masks.values() if m.holder == tag), None)
        if worn is not None and worn.unit.kind == kind:
            return
        if worn is not None:
            worn.holder, worn.there_from = None, at
        free = [
            m for m in self.masks.values()
            if m.unit.kind == kind and m.holder is None and not m.is_gone and not m.to_arrive
        ]  # fmt: skip
        free.sort(key=lambda m: (m.place != person.place, m.unit.age != person.row.age))
        if free:
            free[0].holder, free[0].place = tag, person.place

    def _busy(self, place: str, at: float, *, takes_key: bool) -> None:
        """Let somebody there, and a key where one is needed, be busy with a connection."""
        free = [h for h in self.hands.values() if h.place == place and not h.is_out]
        free = [h for h in free if h.free_from <= at]
        until = at + self.incident.swap_min
        held = self.keys.get(place, []) if self.keys is not None and takes_key else []
        has_key = any(minute <= at for minute in held)
        if has_key:
            held[next(k for k, minute in enumerate(held) if minute <= at)] = until
        if free:
            free[0].free_from, free[0].has_key = until, has_key

    def lose_key(self, place: str) -> None:
        """Take one key away from a place for good: one that is free before one that is not."""
        held = self.keys.get(place, []) if self.keys is not None else []
        if held:
            held.remove(min(held))

    def _note_swap(self, person: Person, old: Line, on: str, at: float) -> None:
        bottle = self.bottles[old.cylinder]
        late = max(0.0, at - bottle.due_since) if bottle.due_since is not None else 0.0
        if bottle.cylinder.power_min is None:
            left = (self.gauge_psi(bottle), bottle.litres)
            swap = TrueSwap(at, person.row.tag, old.cylinder, on, *left, late)
            self.swaps.append(swap)
        person.late_swaps += late > LATE_MIN

    def take_off(self, tag: str, at: float) -> None:
        """Take a patient off its cylinder, which stays there with what is left."""
        person = self.people[tag]
        line = person.line
        if line is None:
            return
        self._last_flow[tag] = line.flow_lpm
        bottle = self.bottles[line.cylinder]
        bottle.users.remove(tag)
        if not bottle.users:
            bottle.status = "reserve" if bottle.cylinder.power_min is not None else "taken off"
            bottle.place, bottle.there_from = person.place, at
        if line.regulator is not None:
            valve = self.valves[line.regulator]
            valve.users.remove(tag)
            valve.place, valve.there_from = person.place, at
        person.line = None
        if person.status == "on oxygen":
            person.status = "waiting"

    def gauge_psi(self, bottle: Bottle) -> float:
        """Return the true gauge in the air there."""
        if bottle.cylinder.power_min is not None:
            return 0.0
        if self.incident.contents == "handbook":
            return bottle.litres / bottle.cylinder.factor_l_per_psi
        volume, at_c = bottle.cylinder.water_volume_l, self.incident.air_temperature.c
        most = content_l(volume, MAX_GAUGE_PSI, at_c)
        return gauge_for_content(volume, min(max(bottle.litres, 0.0), most), at_c)

    def set_gauge(self, tag: str, psi: float, at: float) -> None:
        """Let a cylinder hold what a gauge says from a minute on.

        More or less is lost or gained.
        """
        bottle = self.bottles[tag]
        litres = litres_at(bottle.cylinder, psi, self.incident)
        if bottle.status != "to arrive":
            self.lost_l += bottle.litres - litres
        bottle.litres = litres
        bottle.due_since = at if litres <= bottle.change_l else None
        for user in bottle.users:
            person = self.people[user]
            if bottle.is_dry and self._line(user).flow_from <= at:
                self.goes_without(person, at)
            elif not bottle.is_dry:
                self.has_again(person, at)

    # ----- leaving ------------------------------------------------------------------------------

    def leaves(self, tag: str, status: TrueStatus, at: float) -> None:
        """Let somebody be transferred, or die, or be treated no more."""
        person = self.people[tag]
        if person.status in {"not found", "transferred", "dead"}:
            return
        line = person.line
        back = self.incident.kit_return_of(person.row)
        self.has_again(person, at)
        self.take_off(tag, at)
        person.status, person.wants = status, False
        if status != "stopped":
            person.left = at
        worn = [m for m in self.masks.values() if m.holder == tag]
        for mask in worn:
            mask.holder, mask.there_from = None, at
        if status != "transferred":
            return
        until = math.inf if back is None else at + back
        for mask in worn:
            mask.there_from, mask.is_gone = until, back is None
        if line is None:
            return
        bottle = self.bottles[line.cylinder]
        if not bottle.users and bottle.cylinder.power_min is None:
            bottle.there_from = until
            bottle.status = "gone" if back is None else "reserve"
        if line.regulator is not None and not self.valves[line.regulator].users:
            valve = self.valves[line.regulator]
            valve.there_from, valve.is_gone = until, back is None

    def arrives(self, number: int) -> None:
        """Let a delivery be there, by its number from 0."""
        supply = self.incident.resupply[number]
        self.arrived.append(number)
        for cylinder in supply.cylinders:
            bottle = self.bottles[cylinder.tag]
            bottle.status, bottle.place, bottle.there_from = "reserve", supply.place, self.t
            if cylinder.power_min is None:
                self.supplied_l += bottle.litres
        for regulator in supply.regulators:
            valve = self.valves[regulator.tag]
            valve.place, valve.there_from, valve.to_arrive = supply.place, self.t, False
        for mask in self.masks.values():
            if mask.unit.resupply == number:
                mask.place, mask.there_from, mask.to_arrive = supply.place, self.t, False


__all__ = ["LATE_MIN", "World"]
