"""The shelf: kit that is not spoken for yet, dealt out to one patient after another."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from planner.gas import content_l
from planner.incident import (
    BUILT_IN,
    POWER_CHANGE_MIN,
    Cylinder,
    Incident,
    Option,
    Patient,
    Regulator,
)
from planner.operation.arrays import litres_at
from planner.oxygen_options import valve_has
from planner.policy import Promise
from planner.reference import load_connections
from planner.state import (
    CylinderNow,
    DeviceUnit,
    Hookup,
    KitNow,
    Line,
    PatientNow,
    State,
    device_units,
    has_leg_left,
    keys,
    power_left_min,
)


def default_order(incident: Incident, state: State, taken: Iterable[str] = ()) -> tuple[str, ...]:
    """Return the default printed list: most usable litres first, ties in file order.

    Cylinders at or under the change pressure, in use, taken off or gone are left out.
    """
    now = {c.tag: c for c in state.cylinders}
    gone, used = set(taken), []
    for cylinder in incident.all_cylinders:
        at = now.get(cylinder.tag)
        if cylinder.tag in gone or (at is not None and at.status != "reserve"):
            continue
        usable = usable_l(incident, state, cylinder)
        if usable > 0:
            used.append((-usable, cylinder.tag))
    order = sorted(range(len(used)), key=lambda k: (used[k][0], k))
    return tuple(used[k][1] for k in order)


def usable_l(incident: Incident, state: State, cylinder: Cylinder) -> float:
    """Return litres above the change pressure at the temperature of use, by the reading.

    For a concentrator its minutes at the highest setting, which only orders it among others.
    """
    at = next((c for c in state.cylinders if c.tag == cylinder.tag), None)
    left_min = power_left_min(cylinder, at)
    if left_min is not None:
        return max(0.0, left_min - POWER_CHANGE_MIN) * cylinder.power_rate
    gauge, read_at = (cylinder.gauge, cylinder.read_at) if at is None else (at.gauge, at.read_at)
    low = litres_at(cylinder, incident.change_at.psi, incident)
    if incident.contents == "handbook":
        return max(0.0, cylinder.factor_l_per_psi * gauge.psi - low)
    return max(0.0, content_l(cylinder.water_volume_l, gauge.psi, read_at.c) - low)


@dataclass(slots=True)
class Shelf:
    """Kit that is not spoken for yet, while first connections are dealt out."""

    incident: Incident
    state: State
    cylinders: list[str]
    regulators: list[Regulator]
    devices: list[DeviceUnit]
    washers: dict[str, int]
    keys: dict[str, int]
    rows: Mapping[str, Cylinder]
    there: Mapping[tuple[str, str], float]  # (tag, place): the minute from which it can be there
    stocked: frozenset[str]  # connections that any cylinder has
    sources: dict[str, Hookup]  # by regulator, those whose outlets others may take
    people: Mapping[str, PatientNow]

    def copy(self) -> Shelf:
        """Return a shelf to deal from that leaves this one as it is."""
        return replace(
            self,
            cylinders=list(self.cylinders),
            regulators=list(self.regulators),
            devices=list(self.devices),
            washers=dict(self.washers),
            sources=dict(self.sources),
        )

    @classmethod
    def of(cls, incident: Incident, state: State) -> Shelf:
        """Return all kit that is free in a state, cylinders in the default order."""
        free = {k.tag for k in (*state.regulators, *state.devices) if k.holder is None}
        free -= {k.tag for k in (*state.regulators, *state.devices) if k.is_gone}
        places = [p.name for p in incident.places]
        washers, listed = state.washers, keys(incident)
        here = {c.tag for c in state.cylinders}
        return cls(
            incident,
            state,
            [tag for tag in default_order(incident, state) if tag in here],
            [r for r in incident.all_regulators if r.tag in free],
            [u for u in device_units(incident) if u.tag in free],
            dict(zip(places, washers, strict=True)) if washers is not None else {},
            dict(zip(places, listed, strict=True)) if listed is not None else {},
            {c.tag: c for c in incident.all_cylinders},
            _there_from(incident, state),
            frozenset(c.connection for c in incident.all_cylinders),
            _running(incident, state),
            {p.tag: p for p in state.patients},
        )

    def hookup(
        self, patient: Patient, option: Option, wanted: Sequence[str] = (), *,
        is_joining: bool = False,
    ) -> Hookup | None:  # fmt: skip
        """Take what one first connection needs, all of it or nothing.

        Parameters
        ----------
        patient : Patient
        option : Option
        wanted : sequence of str
            Cylinders that come before others.
        is_joining : bool
            An outlet of a source in use comes before a source of one's own.

        Returns
        -------
        Hookup or None
            With several lines where an outlet was taken: it stands for the source as it was.
        """
        patient = self._here(patient)
        if self._now(patient).arrives_min is not None:
            return None  # on a leg nothing is connected
        device = self._device(patient, option, is_here=True)
        if device is None:
            return None
        found = self._source(patient, option, [t for t in self.cylinders if t in wanted])
        if is_joining or found is None:
            joined = self._joined(patient, option, is_any=is_joining)
            if joined is not None:
                self.devices.remove(device)
                return joined
        if found is None:
            found = self._source(patient, option, self.cylinders)
        if found is None:
            return None
        cylinder, regulator = found
        self.devices.remove(device)
        self.cylinders.remove(cylinder.tag)
        if regulator is not None:
            self.regulators.remove(regulator)
        if load_connections()[cylinder.connection].needs_washer and self.washers:
            self.washers[patient.place] -= 1
        hookup = Hookup(
            (cylinder.tag,),
            None if regulator is None else regulator.tag,
            (Line(patient.tag, option.device, option.flow_lpm),),
            self.state.at_min,
        )
        is_shared = not has_leg_left(patient, self._now(patient))
        if regulator is not None and regulator.outlets > 1 and is_shared:
            self.sources[regulator.tag] = hookup
        return hookup

    def _joined(self, patient: Patient, option: Option, *, is_any: bool) -> Hookup | None:
        """Take a free outlet: of a source ahead of any free regulator, or of any source at all."""
        if has_leg_left(patient, self._now(patient)):
            return None
        place_of = {p.tag: p.place for p in self.state.patients}
        for regulator in self.incident.all_regulators:
            if not self._fits(regulator, option):
                continue
            source = self.sources.get(regulator.tag)
            if source is not None:
                is_here = place_of[source.lines[0].patient] == patient.place
                if is_here and len(source.lines) < regulator.outlets:
                    line = Line(patient.tag, option.device, option.flow_lpm)
                    source = replace(source, lines=(*source.lines, line))
                    self.sources[regulator.tag] = source
                    return source
            elif not is_any and regulator in self.regulators:
                has_own = self._is_there(regulator.tag, patient.place) and self._cylinder(
                    patient, regulator.connection, option, self.cylinders
                )
                if has_own:
                    return None
        return None

    def promise(
        self, patient: Patient, option: Option, connection: str | None = None
    ) -> Promise | None:
        """Set regulator and mask aside, the nearest there are, for someone not yet found.

        A regulator of ``connection`` comes before others. None when nothing fits.
        """
        patient = self._here(patient)
        device = self._device(patient, option, is_here=False)
        regulators = [
            r for r in self.regulators
            if self._fits(r, option) and self._reaches(r.tag, patient.place)
        ]  # fmt: skip
        regulator = min(
            regulators,
            key=lambda r: (r.connection != connection, self._there_from(r.tag, patient.place)),
            default=None,
        )
        if device is not None:
            self.devices.remove(device)
        if regulator is not None:
            self.regulators.remove(regulator)
        if device is None and regulator is None:
            return None
        return Promise(
            patient.tag,
            regulator.tag if regulator is not None else None,
            device.tag if device is not None else None,
        )

    def lacks(self, patient: Patient, option: Option) -> str:
        """Return what a first connection lacks: mask, regulator, cylinder, washer, key or hands."""
        patient = self._here(patient)
        if self._device(patient, option, is_here=True) is None:
            return "mask"
        if self.copy()._joined(patient, option, is_any=True) is not None:
            return "hands"
        if self._source(patient, option, self.cylinders) is not None:
            return "hands"
        here = [
            r for r in self.regulators
            if self._fits(r, option) and self._is_there(r.tag, patient.place)
        ]  # fmt: skip
        if not here:
            return "regulator"
        if all(not self._can_connect(patient.place, r.connection) for r in here):
            return "washer or key"
        return "cylinder"

    def _device(self, patient: Patient, option: Option, *, is_here: bool) -> DeviceUnit | None:
        units = [u for u in self.devices if u.kind == option.device and u.age == patient.age]
        if is_here:  # in file order, as operation takes them
            return next((u for u in units if self._is_there(u.tag, patient.place)), None)
        near = [u for u in units if self._reaches(u.tag, patient.place)]
        return min(near, key=lambda u: self._there_from(u.tag, patient.place), default=None)

    def _source(
        self, patient: Patient, option: Option, among: Sequence[str]
    ) -> tuple[Cylinder, Regulator | None] | None:
        """Return the first regulator with a cylinder there, else a cylinder with its own valve."""
        for regulator in self.regulators:
            if self._fits(regulator, option) and self._is_there(regulator.tag, patient.place):
                cylinder = self._cylinder(patient, regulator.connection, option, among)
                if cylinder is not None:
                    return cylinder, regulator
        cylinder = self._cylinder(patient, BUILT_IN, option, among)
        return None if cylinder is None else (cylinder, None)

    def _cylinder(
        self, patient: Patient, connection: str, option: Option, among: Sequence[str]
    ) -> Cylinder | None:
        if not self._can_connect(patient.place, connection):
            return None
        for tag in among:
            cylinder = self.rows[tag]
            if cylinder.connection != connection or not self._is_there(tag, patient.place):
                continue
            if connection == BUILT_IN and not valve_has(cylinder, option):
                continue
            is_machine = cylinder.power_min is not None
            if is_machine and has_leg_left(patient, self._now(patient)):
                continue
            return cylinder
        return None

    def _now(self, patient: Patient) -> PatientNow:
        return self.people[patient.tag]

    def _here(self, patient: Patient) -> Patient:
        """Return a patient where the state says it is."""
        return replace(patient, place=self._now(patient).place)

    def _can_connect(self, place: str, connection: str) -> bool:
        kind = load_connections()[connection]
        if kind.needs_washer and self.washers and self.washers[place] < 1:
            return False
        return not (kind.needs_key and self.keys and self.keys[place] < 1)

    def _fits(self, regulator: Regulator, option: Option) -> bool:
        return regulator.connection in self.stocked and self._dial_has(
            regulator.settings_lpm, option
        )

    @staticmethod
    def _dial_has(settings: tuple[float, ...], option: Option) -> bool:
        return all(phase.flow_lpm in settings for phase in option.phases)

    def _there_from(self, tag: str, place: str) -> float:
        return self.there[tag, place]

    def _reaches(self, tag: str, place: str) -> bool:
        return math.isfinite(self._there_from(tag, place))

    def _is_there(self, tag: str, place: str) -> bool:
        return self._there_from(tag, place) <= self.state.at_min


def _running(incident: Incident, state: State) -> dict[str, Hookup]:
    """Return the sources with an outlet more than lines, whose oxygen runs and no swap is due."""
    outlets = {r.tag: r.outlets for r in incident.all_regulators}
    people = {p.tag: p for p in state.patients}
    carried = {p.tag for p in incident.patients if has_leg_left(p, people[p.tag])}
    return {
        h.regulator: h for h in state.hookups
        if h.regulator is not None and len(h.lines) < outlets[h.regulator]
        and h.flow_from_min <= state.at_min
        and not any(people[x.patient].is_out or x.patient in carried for x in h.lines)
        and all(people[x.patient].waiting_since_min is None for x in h.lines)
    }  # fmt: skip


def with_hookup(hookups: Iterable[Hookup], new: Hookup) -> list[Hookup]:
    """Return first connections with one more, in place of the one on the same cylinder."""
    return [*(h for h in hookups if h.cylinders != new.cylinders), new]


def with_line(hookups: Sequence[Hookup], source: Hookup, line: Line) -> list[Hookup]:
    """Return first connections with a source that goes on, one line of it as given."""
    now = next((h for h in hookups if h.cylinders == source.cylinders), source)
    lines = tuple(line if x.patient == line.patient else x for x in now.lines)
    return with_hookup(hookups, replace(now, lines=lines))


def _there_from(incident: Incident, state: State) -> dict[tuple[str, str], float]:
    """Return the minute from which kit can be at each place; infinite when it is not carried."""
    found: dict[tuple[str, str], float] = {}
    rows: list[CylinderNow | KitNow] = [*state.cylinders, *state.regulators, *state.devices]
    for row in rows:
        for place in incident.places:
            minutes = incident.carry_min(row.place, place.name)
            found[row.tag, place.name] = math.inf if minutes is None else row.since_min + minutes
    return found
