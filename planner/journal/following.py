"""What each entry of a log changes in the books, and what it does not fit with."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from planner.incident import Triage
from planner.journal.events import (
    Connected,
    CylinderEmpty,
    CylinderLow,
    Died,
    Disconnected,
    FlowChanged,
    Found,
    GaugeRead,
    KitFailed,
    LogEntry,
    Moved,
    ResupplyArrived,
    Swapped,
    Transferred,
    TreatmentStopped,
    TriageChanged,
)
from planner.journal.gauges import GaugeText
from planner.journal.ledger import FOLLOWED, Item, Ledger, Person
from planner.journal.states import GaugeCheck, PatientStatus, Source
from planner.telling import in_unit
from planner.units import Pressure, Temperature

LEFT: Final = ("transferred", "died")
_LEFT_WORDS: Final = {"transferred": "been transferred", "died": "died"}
_ON_SOMEBODY: Final = (Connected, Swapped, FlowChanged, GaugeRead, Disconnected)
TAKEN_OFF: Final = "taken off, and nothing else put on"
FLOW_OFF: Final = "the flow was turned off"
LOW_GAUGE: Final = "the gauge was read under the safe residual"
EMPTY: Final = "the cylinder was found empty"
NOT_ON: Final = "found, and not on oxygen"


def follow(books: Ledger, entry: LogEntry) -> None:  # noqa: PLR0912 - one case an event
    """Take the next entry in."""
    _heed(books, entry)
    match entry.event:
        case Found(tag, triage):
            _found(books, entry, tag, triage)
        case TriageChanged(tag, triage):
            books.person(tag, entry).triage = triage
        case Connected():
            _connected(books, entry, entry.event)
        case Swapped():
            _swapped(books, entry, entry.event)
        case FlowChanged():
            _flow_changed(books, entry, entry.event)
        case GaugeRead():
            _gauge_read(books, entry, entry.event)
        case CylinderLow():
            _low(books, entry, entry.event)
        case CylinderEmpty(tag):
            _empty(books, entry, tag)
        case Disconnected(tag, cylinder):
            _disconnected(books, entry, tag, cylinder)
        case Moved():
            _moved(books, entry, entry.event)
        case Transferred():
            _transferred(books, entry, entry.event)
        case Died(tag):
            _ended(books, entry, tag, "died")
        case TreatmentStopped(tag):
            _ended(books, entry, tag, "treatment stopped")
        case ResupplyArrived(cylinders):
            _arrived(books, entry, cylinders)
        case KitFailed(_, cylinder, regulator):
            books.failed.update({t: entry.id for t in (cylinder, regulator) if t})
        case _:
            pass  # what changes nothing is still heard of


def _heed(books: Ledger, entry: LogEntry) -> None:
    """Note silences before it for all whom an entry concerns, and oxygen after they had left."""
    for person in _concerned(books, entry):
        books.silence(person, entry.at_min)
        person.seen_min = entry.at_min
        if person.status in LEFT and isinstance(entry.event, _ON_SOMEBODY):
            words = f"{person.tag} had {_LEFT_WORDS[person.status]} by {person.left_by}"
            books.tell("after leaving", entry, (person.left_by,), words, FOLLOWED)


def _concerned(books: Ledger, entry: LogEntry) -> list[Person]:
    named = getattr(entry.event, "patient", None)
    tags = {named} if named is not None else set()
    cylinder = getattr(entry.event, "cylinder", None)
    if named is None and cylinder in books.items:
        tags |= set(books.items[cylinder].tank.flows)
    return [books.people[tag] for tag in sorted(tags) if tag in books.people]


def _low(books: Ledger, entry: LogEntry, event: CylinderLow) -> None:
    item = books.cylinder(event.cylinder, entry)
    if event.gauge is not None:
        _read(books, entry, event.cylinder, event)
        return
    item.tank.advance(entry.at_min)
    item.tank.forget()


def _arrived(books: Ledger, entry: LogEntry, cylinders: tuple[str, ...]) -> None:
    for tag in cylinders:
        item = books.cylinder(tag, entry)
        if item.status in {"to arrive", "gone"}:  # what had left with somebody came back
            item.status = "in stock"
        item.place = entry.place or item.place


def _found(books: Ledger, entry: LogEntry, tag: str, triage: Triage | None) -> None:
    person = books.person(tag, entry)
    person.place = entry.place or person.place
    person.triage = triage or person.triage
    if person.status == "named":
        person.status, person.since_min = "found", entry.at_min
        if tag in books.stock.needs_oxygen:
            books.goes_without(person, entry, NOT_ON)


def _connected(books: Ledger, entry: LogEntry, event: Connected) -> None:
    person = books.person(event.patient, entry)
    now = person.source
    if now is not None and now.cylinder == event.cylinder:
        _said_twice(books, entry, person, now, event)
        return
    if books.is_taken(entry, event.cylinder, event.regulator, person):
        return
    if now is not None:
        words = f"{person.tag} is put on {event.cylinder} while on {now.cylinder}"
        books.tell(
            "already on another",
            entry,
            (books.last(now.cylinder),),
            words,
            f"taken as a swap: {now.cylinder} off",
        )
        books.take_off(entry, person)
    books.put_on(
        entry,
        person,
        Source(event.cylinder, event.regulator, event.device, event.flow_lpm, entry.at_min),
    )
    if event.gauge is not None:
        _read(books, entry, event.cylinder, event)


def _said_twice(
    books: Ledger, entry: LogEntry, person: Person, now: Source, event: Connected
) -> None:
    """Two logs, or two entries, say the same: what is new counts, what differs is told."""
    known = {"regulator": now.regulator, "device": now.device, "flow_lpm": now.flow_lpm}
    said = {name: getattr(event, name) for name in known}
    differ = [n for n in known if None not in (said[n], known[n]) and said[n] != known[n]]
    for name in differ:
        words = f"{person.tag} is put on {now.cylinder} twice, with {known[name]} and then"
        books.tell(
            "said twice",
            entry,
            (books.last(now.cylinder),),
            f"{words} {said[name]}",
            f"{said[name]} from then on",
        )
    books.drop_regulator(person)
    person.source = Source(
        now.cylinder,
        event.regulator or now.regulator,
        event.device or now.device,
        now.flow_lpm if event.flow_lpm is None else event.flow_lpm,
        now.since_min,
    )
    books.hold_regulator(entry, person, person.source)
    tank = books.items[now.cylinder].tank
    tank.set_flow(person.tag, person.source.flow_lpm, entry.at_min, entry.plus_minus_min)
    books.items[now.cylinder].last_entry = entry.id
    if person.source.flow_lpm and person.out is not None and person.out.why == FLOW_OFF:
        books.breathes(person, entry)
    if event.gauge is not None:
        _read(books, entry, event.cylinder, event)


def _swapped(books: Ledger, entry: LogEntry, event: Swapped) -> None:
    person = books.person(event.patient, entry)
    now = person.source
    if now is not None and now.cylinder == event.cylinder:
        books.tell(
            "onto the same",
            entry,
            (books.last(now.cylinder),),
            f"{person.tag} is put onto {event.cylinder}, which is on already",
            "left as it was",
        )
        return
    if books.is_taken(entry, event.cylinder, event.regulator, person):
        return
    if now is None:
        words = f"{person.tag} is swapped onto {event.cylinder} with nothing on by the record"
        books.tell("nothing to swap", entry, (), words, "taken as a connection")
    elif event.off is not None and event.off != now.cylinder:
        words = f"{event.off} is taken off {person.tag}, who is on {now.cylinder}"
        books.tell(
            "another came off",
            entry,
            (books.last(now.cylinder),),
            words,
            f"{now.cylinder} came off",
        )
    books.take_off(entry, person)
    was = now or Source("", None, None, None, entry.at_min)
    books.put_on(
        entry,
        person,
        Source(
            event.cylinder,
            event.regulator or was.regulator,
            event.device or was.device,
            (was.flow_lpm or None) if event.flow_lpm is None else event.flow_lpm,
            entry.at_min,
        ),
    )
    if event.gauge is not None:
        _read(books, entry, event.cylinder, event)


def _flow_changed(books: Ledger, entry: LogEntry, event: FlowChanged) -> None:
    person = books.person(event.patient, entry)
    now = person.source
    if now is None:
        if person.status in LEFT:
            return  # told already
        books.tell(
            "flow of nothing",
            entry,
            (),
            f"{person.tag} has nothing on by the record",
            "not followed",
        )
        return
    person.source = replace(now, flow_lpm=event.flow_lpm, device=event.device or now.device)
    tank = books.items[now.cylinder].tank
    tank.set_flow(person.tag, event.flow_lpm, entry.at_min, entry.plus_minus_min)
    books.check_dial(entry, person.source)
    if event.flow_lpm == 0.0:
        books.goes_without(person, entry, FLOW_OFF)
    elif person.out is not None and person.out.why == FLOW_OFF:
        books.breathes(person, entry)


def _gauge_read(books: Ledger, entry: LogEntry, event: GaugeRead) -> None:
    tag = event.cylinder
    if event.patient is not None:
        now = books.person(event.patient, entry).source
        if tag is None and now is None:
            books.tell(
                "gauge of nothing",
                entry,
                (),
                f"{event.patient} has nothing on by the record",
                "the reading belongs to no cylinder",
            )
            return
        if tag is None and now is not None:
            tag = now.cylinder
        elif now is not None and now.cylinder != tag:
            words = f"the gauge of {tag} is read on {event.patient}, who is on {now.cylinder}"
            books.tell(
                "gauge of another", entry, (books.last(now.cylinder),), words, f"a reading of {tag}"
            )
    if tag is not None:
        _read(books, entry, tag, event)


def _read(
    books: Ledger, entry: LogEntry, tag: str, event: Connected | Swapped | GaugeRead | CylinderLow
) -> None:
    """Hold a reading against what was expected, and count from it."""
    item = books.cylinder(tag, entry)
    gauge: Pressure | None = event.gauge
    if gauge is None:
        return
    at: Temperature = event.temperature or books.stock.air_temperature
    rough = event.gauge_plus_minus.psi if event.gauge_plus_minus is not None else 0.0
    unwritten = books.residual_gaps(item, entry.at_min)
    found = item.tank.read(GaugeText(gauge, rough, at.c, entry.at_min, entry.plus_minus_min))
    if found is not None:
        books.checks.append(
            GaugeCheck(
                entry.id,
                tag,
                entry.at_min,
                gauge.psi,
                found.from_last,
                found.from_first,
                found.low_psi,
                found.high_psi,
                found.side,
                found.extra_lpm,
                gauge.unit,
            )
        )
        if found.side is not None:
            words = (
                f"{tag} reads {in_unit(gauge.psi, gauge)}, {found.side} than the"
                f" {in_unit(found.from_last.gauge_psi, gauge)} expected"
            )
            books.tell("gauge", entry, (), words, "counted on from the reading")
    residual = books.stock.safe_residual.psi
    if gauge.psi - rough >= residual:
        _by_gauge(books, entry, item, "")
    elif gauge.psi + rough < residual:
        books.record_gaps += unwritten
        _by_gauge(books, entry, item, LOW_GAUGE)


def _empty(books: Ledger, entry: LogEntry, tag: str) -> None:
    item = books.cylinder(tag, entry)
    at_c = books.stock.air_temperature.c
    reading = GaugeText(Pressure(0.0, "psi"), 0.0, at_c, entry.at_min, entry.plus_minus_min)
    books.record_gaps += books.residual_gaps(item, entry.at_min)
    found = item.tank.read(reading)
    if found is not None and found.side == "lower":
        expected = in_unit(found.from_last.gauge_psi, books.stock.safe_residual)
        words = f"{tag} is empty; {expected} were expected"
        books.tell("gauge", entry, (), words, "counted on as empty")
    if item.status != "connected":
        item.status = "empty"
    _by_gauge(books, entry, item, EMPTY)


def _by_gauge(books: Ledger, entry: LogEntry, item: Item, why: str) -> None:
    """Put those who breathe from it without oxygen, or let a good gauge end that."""
    for tag in sorted(item.tank.flows):
        person = books.people[tag]
        if why:
            books.goes_without(person, entry, why)
        elif person.out is not None and person.out.why in {LOW_GAUGE, EMPTY}:
            books.breathes(person, entry)


def _disconnected(books: Ledger, entry: LogEntry, tag: str, cylinder: str | None) -> None:
    person = books.person(tag, entry)
    now = person.source
    if now is None:
        if person.status in LEFT:
            return  # told already
        books.tell(
            "nothing to take off",
            entry,
            (),
            f"{tag} has nothing on by the record",
            "left as it was",
        )
        return
    if cylinder is not None and cylinder != now.cylinder:
        words = f"{cylinder} is taken off {tag}, who is on {now.cylinder}"
        books.tell(
            "another came off",
            entry,
            (books.last(now.cylinder),),
            words,
            f"{now.cylinder} came off",
        )
    books.take_off(entry, person)
    person.status, person.since_min = "off oxygen", entry.at_min
    books.goes_without(person, entry, TAKEN_OFF)


def _moved(books: Ledger, entry: LogEntry, event: Moved) -> None:
    if event.patient is not None:
        books.person(event.patient, entry).place = entry.place
    if event.cylinder is not None:
        books.cylinder(event.cylinder, entry).place = entry.place


def _transferred(books: Ledger, entry: LogEntry, event: Transferred) -> None:
    person = books.person(event.patient, entry)
    now = person.source
    names_kit = event.cylinder is not None or event.regulator is not None
    _ended(books, entry, event.patient, "transferred")
    goes = event.cylinder if names_kit or now is None else now.cylinder
    if goes is None:
        return
    item = books.cylinder(goes, entry)
    if item.tank.flows:
        words = f"{goes} left with {event.patient} while it is on {' and '.join(item.tank.flows)}"
        books.tell("left while in use", entry, (item.last_entry,), words, "it is still there")
    else:
        item.status = "gone"


def _ended(books: Ledger, entry: LogEntry, tag: str, status: PatientStatus) -> None:
    person = books.person(tag, entry)
    if person.status in LEFT:
        words = f"{tag} had {_LEFT_WORDS[person.status]} by {person.left_by}"
        books.tell("left twice", entry, (person.left_by,), words, "the first one counts")
        return
    books.take_off(entry, person)
    books.breathes(person, entry)
    person.status, person.since_min, person.left_by = status, entry.at_min, entry.id
