"""What is known while a log is followed: people, cylinders, kit in use; gaps; what does not fit."""

from __future__ import annotations

from collections.abc import Iterable
from copy import copy
from dataclasses import dataclass, replace
from typing import Final

from planner.incident import Cylinder, Triage
from planner.journal.events import LogEntry
from planner.journal.gauges import Tank, tank_of
from planner.journal.states import (
    CylinderStatus,
    Disagreement,
    GaugeCheck,
    OxygenGap,
    PatientStatus,
    RecordGap,
    Source,
    Without,
)
from planner.journal.stock import Stock

PAST_RESIDUAL: Final = (
    "by arithmetic the cylinder had come to the safe residual, and nothing is written about it"
)
SILENCE: Final = "nothing is written"
FOLLOWED: Final = "followed as written"
_ODD: Final = {
    "gone": "it had left by the record",
    "empty": "it had been found empty",
    "to arrive": "it has not arrived by the record",
}


@dataclass(slots=True)
class Person:
    """A patient while the log is followed."""

    tag: str
    status: PatientStatus
    since_min: float
    seen_min: float
    place: str | None = None
    triage: Triage | None = None
    source: Source | None = None
    out: Without | None = None
    left_by: str = ""


@dataclass(slots=True)
class Item:
    """A cylinder: where it stands in the log beside its gas."""

    tank: Tank
    status: CylinderStatus
    place: str | None
    last_entry: str = ""


class Ledger:
    """People, cylinders and regulators as entries change them, and what was found on the way."""

    def __init__(self, stock: Stock) -> None:
        self.stock = stock
        self.people: dict[str, Person] = {}
        self.items: dict[str, Item] = {}
        self.failed: dict[str, str] = {}  # tag -> entry
        self.checks: list[GaugeCheck] = []
        self.oxygen_gaps: list[OxygenGap] = []
        self.record_gaps: list[RecordGap] = []
        self.disagreements: list[Disagreement] = []
        self._users: dict[str, dict[str, str]] = {}  # regulator: patient -> cylinder
        self._regulators = {r.tag: r for r in stock.regulators}
        for cylinder in stock.cylinders:
            status: CylinderStatus = "in stock" if cylinder.place is not None else "to arrive"
            self.items[cylinder.tag] = self._item(cylinder.tag, cylinder, status)

    def copy(self) -> Ledger:
        """Return books that go their own way from here."""
        new = copy(self)
        new.people = {tag: replace(person) for tag, person in self.people.items()}
        new.items = {t: replace(i, tank=i.tank.copy()) for t, i in self.items.items()}
        new.failed = dict(self.failed)
        new.checks, new.disagreements = list(self.checks), list(self.disagreements)
        new.oxygen_gaps, new.record_gaps = list(self.oxygen_gaps), list(self.record_gaps)
        new._users = {tag: dict(users) for tag, users in self._users.items()}
        return new

    # ----- rows ---------------------------------------------------------------------------------

    def person(self, tag: str, entry: LogEntry) -> Person:
        """Return a patient's row, a new one at its first mention."""
        person = self.people.get(tag)
        if person is None:
            if self.stock.patients and tag not in self.stock.patients:
                self.tell(
                    "not in the stock", entry, (), f"{tag} is none of the patients known", FOLLOWED
                )
            person = Person(tag, "named", entry.at_min, entry.at_min, entry.place)
            self.people[tag] = person
        return person

    def cylinder(self, tag: str, entry: LogEntry) -> Item:
        """Return a cylinder's row, a new one without a gauge where the stock has none."""
        item = self.items.get(tag)
        if item is None:
            self.tell(
                "not in the stock",
                entry,
                (),
                f"there is no cylinder {tag} in the stock",
                "followed as written; no gauge can be expected",
            )
            item = self.items[tag] = self._item(tag, None, "in stock")
        return item

    def _item(self, tag: str, cylinder: Cylinder | None, status: CylinderStatus) -> Item:
        place = cylinder.place if cylinder is not None else None
        return Item(tank_of(tag, cylinder, self.stock), status, place)

    def last(self, cylinder: str) -> str:
        """Return the id of the last entry that put a cylinder on or took it off."""
        return self.items[cylinder].last_entry

    def tell(self, kind: str, entry: LogEntry, before: Iterable[str], why: str, taken: str) -> None:
        """Keep what does not fit, with the entries that it is about."""
        ids = (*(id_ for id_ in before if id_), entry.id)
        self.disagreements.append(Disagreement(kind, entry.at_min, ids, why, taken))

    # ----- sources ------------------------------------------------------------------------------

    def is_taken(
        self, entry: LogEntry, cylinder: str, regulator: str | None, person: Person
    ) -> bool:
        """Whether a cylinder is on somebody else, and has no outlet left."""
        item = self.items.get(cylinder)
        others = sorted(set(item.tank.flows) - {person.tag}) if item else []
        if not item or not others:
            return False
        sources = [s for tag in others if (s := self.people[tag].source) is not None]
        theirs = next((s.regulator for s in sources if s.regulator is not None), None)
        held = self._regulators.get(theirs or "")
        same = regulator is None or regulator == theirs
        if held is not None and same and held.outlets > len(others):
            return False
        before = tuple(dict.fromkeys((item.last_entry,)))
        words = f"{cylinder} goes on {person.tag} while it is on {' and '.join(others)}"
        self.tell(
            "one cylinder on two patients",
            entry,
            before,
            words,
            f"it stays on {' and '.join(others)}; {person.tag} is left as before",
        )
        return True

    def put_on(self, entry: LogEntry, person: Person, source: Source) -> None:
        """Let somebody breathe from a source, and tell what is odd about it."""
        item = self.cylinder(source.cylinder, entry)
        if item.status in _ODD:
            words = f"{source.cylinder} is put on {person.tag}, but {_ODD[item.status]}"
            before = (item.last_entry,) if item.last_entry else ()
            self.tell("cylinder not there", entry, before, words, FOLLOWED)
        self._check_failed(entry, source)
        if source.regulator is None:
            theirs = (self.people[t].source for t in item.tank.flows)
            held = next((s.regulator for s in theirs if s and s.regulator), None)
            source = replace(source, regulator=held)
        item.status, item.last_entry = "connected", entry.id
        item.place = entry.place or person.place or item.place
        person.place = entry.place or person.place
        person.source = source
        person.status, person.since_min, person.left_by = "on oxygen", entry.at_min, ""
        self.hold_regulator(entry, person, source)
        self.check_dial(entry, source)
        item.tank.set_flow(person.tag, source.flow_lpm, entry.at_min, entry.plus_minus_min)
        self.breathes(person, entry)

    def take_off(self, entry: LogEntry, person: Person) -> None:
        """Let somebody breathe from nothing; why is for the caller to say."""
        now = person.source
        if now is None:
            return
        item = self.items[now.cylinder]
        item.tank.advance(entry.at_min)
        self.past_residual(person, entry.at_min)
        item.tank.release(person.tag, entry.at_min, entry.plus_minus_min)
        if not item.tank.flows:
            is_empty = item.tank.last.gauge_psi <= 0.0 and not item.tank.last.unknown
            item.status = "empty" if is_empty else "taken off"
        item.last_entry = entry.id
        self.drop_regulator(person)
        person.source = None

    def hold_regulator(self, entry: LogEntry, person: Person, source: Source) -> None:
        """Note who has a regulator; tell one on two cylinders, or on a valve it does not fit."""
        tag = source.regulator
        if tag is None:
            return
        users = self._users.setdefault(tag, {})
        elsewhere = sorted(p for p, c in users.items() if c != source.cylinder)
        if elsewhere:
            words = f"{tag} is put on {source.cylinder} while in use with {' and '.join(elsewhere)}"
            self.tell("one regulator twice", entry, (), words, FOLLOWED)
        users[person.tag] = source.cylinder
        regulator = self._regulators.get(tag)
        cylinder = self.items[source.cylinder].tank.cylinder
        if regulator is None:
            if self._regulators:
                self.tell(
                    "not in the stock",
                    entry,
                    (),
                    f"there is no regulator {tag} in the stock",
                    FOLLOWED,
                )
        elif cylinder is not None and cylinder.connection != regulator.connection:
            words = f"{tag} ({regulator.connection}) does not fit {cylinder.tag}"
            self.tell("does not fit", entry, (), f"{words} ({cylinder.connection})", FOLLOWED)

    def drop_regulator(self, person: Person) -> None:
        """Note that a patient's regulator is in use no more."""
        if person.source is not None and person.source.regulator is not None:
            self._users.get(person.source.regulator, {}).pop(person.tag, None)

    def check_dial(self, entry: LogEntry, source: Source) -> None:
        """Tell a flow that the regulator has no setting for."""
        regulator = self._regulators.get(source.regulator or "")
        flow = source.flow_lpm
        if regulator is not None and flow and flow not in regulator.settings_lpm:
            words = f"{regulator.tag} has no setting of {flow:g} L/min"
            self.tell("not on the dial", entry, (), words, FOLLOWED)

    def _check_failed(self, entry: LogEntry, source: Source) -> None:
        for tag in (source.cylinder, source.regulator):
            if tag is not None and tag in self.failed:
                words = f"{tag} had failed by {self.failed[tag]}"
                self.tell("failed kit", entry, (self.failed[tag],), words, FOLLOWED)

    # ----- gaps ---------------------------------------------------------------------------------

    def goes_without(self, person: Person, entry: LogEntry, why: str) -> None:
        """Note that somebody is without oxygen from an entry on, unless already so."""
        if person.out is None:
            person.out = Without(person.tag, entry.at_min, entry.plus_minus_min, why, entry.id)

    def breathes(self, person: Person, entry: LogEntry) -> None:
        """Note that an entry ends being without oxygen, if that was so."""
        out = person.out
        person.out = None
        if out is None or entry.at_min == out.since_min:
            return
        off = out.plus_minus_min + entry.plus_minus_min
        entries = (out.entry, entry.id)
        self.oxygen_gaps.append(
            OxygenGap(person.tag, out.since_min, entry.at_min, off, out.why, entries)
        )

    def residual_gaps(self, item: Item, at_min: float) -> list[RecordGap]:
        """Return the gaps of `residual_gap` of all who breathe from a cylinder."""
        item.tank.advance(at_min)
        people = (self.people[tag] for tag in sorted(item.tank.flows))
        return [gap for p in people if (gap := self.residual_gap(p, at_min)) is not None]

    def past_residual(self, person: Person, at_min: float) -> None:
        """Keep the gap in the record of `residual_gap`, if there is one."""
        gap = self.residual_gap(person, at_min)
        if gap is not None:
            self.record_gaps.append(gap)

    def residual_gap(self, person: Person, at_min: float) -> RecordGap | None:
        """Return the minutes since the cylinder must have been at the residual, none written."""
        now = person.source
        if now is None or person.out is not None:
            return None
        tank = self.items[now.cylinder].tank
        crossed = tank.crossed_residual_min
        if crossed is None or crossed >= at_min or not tank.is_surely_past_residual():
            return None
        return RecordGap(person.tag, now.cylinder, crossed, at_min, PAST_RESIDUAL)

    def silence(self, person: Person, at_min: float) -> None:
        """Keep the gap in the record of `silent`, if there is one."""
        gap = self.silent(person, at_min)
        if gap is not None:
            self.record_gaps.append(gap)

    def silent(self, person: Person, at_min: float) -> RecordGap | None:
        """Return the minutes without a word about somebody on (or without) oxygen, if too many."""
        is_ours = person.source is not None or person.out is not None
        if not is_ours or at_min - person.seen_min <= self.stock.silence_min:
            return None
        cylinder = person.source.cylinder if person.source else None
        return RecordGap(person.tag, cylinder, person.seen_min, at_min, SILENCE)
