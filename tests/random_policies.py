"""Seeded random policies: not good ones, but ones that come into every corner of operation."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from planner.incident import (
    BUILT_IN,
    CONCENTRATOR,
    Cylinder,
    Incident,
    Leg,
    Option,
    Patient,
    Regulator,
    SundryStock,
    ThreePoint,
)
from planner.oxygen_options import options_of, valve_has
from planner.policy import KeptFor, Policy, Promise
from planner.state import Hookup, Line, State, device_units
from planner.units import Pressure


def varied(incident: Incident, seed: int) -> Incident:
    """Return a random incident with what the generator leaves out.

    One cylinder in four has a built-in valve (some lack a setting), every other one lists a few
    washers or goes by need first, kit comes back from every transfer, connections take other times.
    """
    random = Random(f"varied {seed} {incident.name}")
    washers = tuple(
        SundryStock("washer", random.randrange(2, 14), place.name) for place in incident.places
    )
    groups = tuple(
        replace(g, kit_return_min=float(random.choice([5, 20, 40])))
        for g in incident.transfer_groups
    )
    gap_min, swap_min = random.choice([(0.0, 3.0), (1.0, 1.0), (2.0, 5.0), (4.0, 3.0)])
    return replace(
        incident,
        cylinders=tuple(_perhaps_built_in(c, random) for c in incident.cylinders),
        sundries=incident.sundries + (washers if random.random() < 0.5 else ()),
        transfer_groups=groups,
        priorities=replace(incident.priorities, order=random.choice(["category", "need"])),
        swap_gap_min=gap_min,
        swap_min=swap_min,
    )


def shared(incident: Incident, seed: int) -> Incident:
    """Return a random incident with one to three outlets on a regulator, and two concentrators."""
    random = Random(f"shared {seed} {incident.name}")

    def with_outlets(rows: tuple[Regulator, ...]) -> tuple[Regulator, ...]:
        return tuple(replace(row, outlets=random.randrange(1, 4)) for row in rows)

    regulators = with_outlets(incident.regulators)
    supplies = tuple(replace(r, regulators=with_outlets(r.regulators)) for r in incident.resupply)
    dials = ((1.0, 2.0, 3.0, 4.0, 5.0), (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0))
    machines = tuple(
        Cylinder(
            f"CON-{k}", CONCENTRATOR, Pressure(0, "psi"), incident.air_temperature, BUILT_IN, 1.0,
            1.0, random.choice(dials), random.choice(incident.places).name,
            float(random.randrange(20, 150)),
        )
        for k in (1, 2)
    )  # fmt: skip
    return replace(incident, regulators=regulators, resupply=supplies, concentrators=machines)


def carried(incident: Incident, seed: int) -> Incident:
    """Return a random incident in which half the people are carried on, by one leg or two."""
    random = Random(f"carried {seed} {incident.name}")
    names = [place.name for place in incident.places]
    people = []
    for patient in incident.patients:
        legs, at, minute = [], patient.place, float(random.randrange(0, 40))
        for _ in range(random.choice((0, 1, 1, 2)) if len(names) > 1 else 0):
            to = random.choice([name for name in names if name != at])
            middle = float(random.randrange(2, 12))
            length = random.choice((ThreePoint(middle, middle, middle),
                                    ThreePoint(middle / 2, middle, middle * 2)))  # fmt: skip
            legs.append(Leg(to, ThreePoint(0.7 * minute, minute, 1.4 * minute), length))
            at, minute = to, minute + float(random.randrange(0, 40))
        people.append(replace(patient, legs=tuple(legs)))
    return replace(incident, patients=tuple(people))


def _perhaps_built_in(cylinder: Cylinder, random: Random) -> Cylinder:
    if random.random() > 0.25:
        return cylinder
    dial = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 15.0)
    settings = dial if random.random() < 0.7 else dial[:5]
    return replace(cylinder, connection=BUILT_IN, settings_lpm=settings)


def random_policy(incident: Incident, state: State, seed: int) -> Policy:
    """Return a random policy that a crew could follow from a state with nobody connected.

    Each patient gets one of its options, or (one in ten) none. Whoever is there gets with chance
    0.8 a first connection with what lies free at its place. Each one not yet found is promised
    with chance 0.7 a regulator and a mask, and with 0.3 a cylinder. Two in three of the other
    cylinders are listed, in random order; up to three kept-for rows.
    """
    random = Random(f"policy {seed} {incident.name}")
    options: dict[str, Option] = {}
    for patient in incident.patients:
        own = options_of(incident, patient)
        if own and random.random() < 0.9:
            options[patient.tag] = random.choice(own)
    deal = _Deal(incident, random)
    people = list(zip(incident.patients, state.patients, strict=True))
    random.shuffle(people)
    hookups, promises = [], []
    for patient, now in people:
        option = options.get(patient.tag)
        if option is None:
            continue
        if now.status == "unknown" and random.random() < 0.7:
            promises.append(deal.promise(patient, option))
        elif now.status == "waiting" and random.random() < 0.8:
            hookup = deal.hookup(patient, option)
            hookups += [hookup] if hookup else []
    hookups = _with_lines(incident, deal, hookups, options, state)
    rest = [c.tag for c in incident.all_cylinders if c.tag not in deal.used]
    order = random.sample(rest, round(0.67 * len(rest)))
    return Policy(
        tuple(hookups),
        tuple(options.items()),
        tuple(order),
        tuple(promises),
        tuple(_kept(incident, random) for _ in range(random.randrange(4))),
    )


def _with_lines(
    incident: Incident, deal: _Deal, hookups: list[Hookup], options: dict[str, Option],
    state: State,
) -> list[Hookup]:  # fmt: skip
    """Put some of those who wait on free outlets."""
    rows = {r.tag: r for r in incident.regulators}
    place = {p.tag: p.place for p in incident.patients}
    with_legs = {p.tag for p in incident.patients if p.legs}
    connected = {line.patient for h in hookups for line in h.lines}
    for patient, now in zip(incident.patients, state.patients, strict=True):
        option = options.get(patient.tag)
        is_waiting = now.status == "waiting" and patient.tag not in connected
        if option is None or not is_waiting or patient.legs:
            continue
        for k, hookup in enumerate(hookups):
            regulator = rows.get(hookup.regulator or "")
            masks = deal.masks(patient, option, patient.place)
            if (
                regulator is not None and len(hookup.lines) < regulator.outlets and masks
                and place[hookup.lines[0].patient] == patient.place
                and hookup.lines[0].patient not in with_legs
                and {p.flow_lpm for p in option.phases} <= set(regulator.settings_lpm)
            ):  # fmt: skip
                deal.used.add(masks[0])
                line = Line(patient.tag, option.device, option.flow_lpm)
                hookups[k] = replace(hookup, lines=(*hookup.lines, line))
                break
    return hookups


def _kept(incident: Incident, random: Random) -> KeptFor:
    place = random.choice([None, *(p.name for p in incident.places)])
    connection = random.choice(incident.all_cylinders).connection
    return KeptFor(
        place, connection, random.choice(("immediate", "delayed")), random.randrange(1, 5)
    )


class _Deal:
    """Deals kit that nobody else has."""

    def __init__(self, incident: Incident, random: Random) -> None:
        self.incident, self.random, self.used = incident, random, set[str]()

    def promise(self, patient: Patient, option: Option) -> Promise:
        flows = {phase.flow_lpm for phase in option.phases}
        regulators = [
            g.tag for g in self.incident.regulators
            if g.tag not in self.used and flows <= set(g.settings_lpm)
        ]  # fmt: skip
        masks = self.masks(patient, option, None)
        cylinders = [c.tag for c in self.incident.cylinders if c.tag not in self.used]
        row = Promise(
            patient.tag,
            self.random.choice(regulators) if regulators else None,
            self.random.choice(masks) if masks else None,
            tuple(
                self.random.sample(cylinders, int(bool(cylinders) and self.random.random() < 0.3))
            ),
        )
        self.used |= {tag for tag in (row.regulator, row.device, *row.cylinders) if tag}
        return row

    def hookup(self, patient: Patient, option: Option) -> Hookup | None:
        flows, place = {phase.flow_lpm for phase in option.phases}, patient.place
        pairs: list[tuple[str, str | None]] = [
            (c.tag, g.tag)
            for g in self.incident.regulators
            for c in self.incident.cylinders
            if g.connection == c.connection and g.place == c.place == place
            and flows <= set(g.settings_lpm) and not {c.tag, g.tag} & self.used
        ]  # fmt: skip
        pairs += [
            (c.tag, None)
            for c in self.incident.cylinders_here
            if c.connection == BUILT_IN and c.place == place
            and valve_has(c, option) and c.tag not in self.used
            and not (c.power_min is not None and patient.legs)
        ]  # fmt: skip
        masks = self.masks(patient, option, place)
        if not pairs or not masks:
            return None
        cylinder, regulator = self.random.choice(pairs)
        self.used |= {cylinder, regulator or "", masks[0]}
        return Hookup((cylinder,), regulator, (Line(patient.tag, option.device, option.flow_lpm),))

    def masks(self, patient: Patient, option: Option, place: str | None) -> list[str]:
        return [
            unit.tag for unit in device_units(self.incident)
            if unit.resupply is None and unit.kind == option.device and unit.age == patient.age
            and unit.tag not in self.used and place in {None, unit.place}
        ]  # fmt: skip
