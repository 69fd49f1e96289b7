"""Replay of a log: who breathes from what, gauges expected, who is without, what does not fit.

Corrections count from the whole log, whenever they were made; entries count in the order they
happened, whatever the order in which they came. What two entries contradict each other about is
told, with the reading taken; nothing is left out silently.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TypeVar

from planner.journal.events import Connected, InForce, LogEntry, in_force, in_order, tag_key
from planner.journal.following import follow
from planner.journal.ledger import Item, Ledger
from planner.journal.states import (
    CylinderByLog,
    Disagreement,
    Due,
    LogState,
    OxygenGap,
    PatientByLog,
    RecordGap,
)
from planner.journal.stock import Stock

_Keyed = TypeVar("_Keyed")

AT_START = "(start)"  # in place of an entry's id: on oxygen at minute 0, by the stock


def replay(events: Iterable[LogEntry], stock: Stock, until_min: float) -> LogState:
    """Return what a log says is so at a minute.

    Parameters
    ----------
    events : iterable of LogEntry
        The log, in any order.
    stock : Stock
        What there was at minute 0.
    until_min : float
        The minute; entries up to and at it count.

    Returns
    -------
    LogState
        The same as from :func:`planner.journal.events.up_to` of these entries.

    Raises
    ------
    InputError
        For an id that stands twice, or entries that replace each other in a ring.
    """
    held = in_force(events)
    books = Ledger(stock)
    books.disagreements += contested(held, until_min)
    for entry in in_order((*started(stock), *held.entries)):
        if entry.at_min > until_min:
            break
        follow(books, entry)
    return state_of(books, until_min)


def contested(held: InForce, until_min: float) -> list[Disagreement]:
    """Return the corrections that contradict each other, of entries up to a minute."""
    minutes = {entry.id: entry.at_min for entry in held.entries}
    return [
        Disagreement(
            "two corrections", minutes[c.taken], (c.taken, *c.others),
            "more than one entry corrects the same thing",
            f"{c.taken} holds, as the last of them",
        )
        for c in held.contests
        if minutes[c.taken] <= until_min
    ]  # fmt: skip


def started(stock: Stock) -> list[LogEntry]:
    """Return who is on oxygen at minute 0, by the stock, as entries."""
    return [
        LogEntry(
            f"{AT_START} {tag}", 0.0,
            Connected(tag, c.cylinder, c.regulator, c.device, c.flow_lpm),
        )
        for tag, c in stock.connected
    ]  # fmt: skip


def state_of(books: Ledger, until_min: float) -> LogState:
    """Return what is so at a minute after the last entry; the books are brought to it."""
    for item in books.items.values():
        item.tank.advance(until_min)
    people = _ordered(books.people, books.stock.patients)
    still = [
        OxygenGap(p.tag, p.out.since_min, None, p.out.plus_minus_min, p.out.why, (p.out.entry,))
        for p in people
        if p.out is not None
    ]
    unwritten = [
        replace(gap, until_min=None)
        for p in people
        for gap in (books.silent(p, until_min), books.residual_gap(p, until_min))
        if gap is not None
    ]
    items = _ordered(books.items, [c.tag for c in books.stock.cylinders])
    return LogState(
        at_min=until_min,
        patients=tuple(
            PatientByLog(p.tag, p.status, p.since_min, p.place, p.triage, p.source) for p in people
        ),
        cylinders=tuple(_cylinder(item) for item in items),
        without=tuple(p.out for p in people if p.out is not None),
        due=_due(items),
        checks=tuple(books.checks),
        oxygen_gaps=tuple(sorted([*books.oxygen_gaps, *still], key=_by_time)),
        record_gaps=tuple(sorted([*books.record_gaps, *unwritten], key=_by_time)),
        disagreements=tuple(sorted(books.disagreements, key=lambda d: d.at_min)),
    )


def _due(items: Iterable[Item]) -> tuple[Due, ...]:
    found = [due for item in items if (due := item.tank.due()) is not None]
    return tuple(sorted(found, key=lambda d: (d.change_at_min, tag_key(d.cylinder))))


def _cylinder(item: Item) -> CylinderByLog:
    tank = item.tank
    patients = tuple(sorted(tank.flows, key=tag_key))
    expected = tank.expected()
    return CylinderByLog(
        tank.tag, item.status, item.place, patients, expected, tank.last.unknown
    )  # fmt: skip


def _ordered(rows: Mapping[str, _Keyed], first: Iterable[str]) -> list[_Keyed]:
    """Return rows in the order of some tags, then as people count the others."""
    rank = {tag: k for k, tag in enumerate(first)}
    return [rows[t] for t in sorted(rows, key=lambda t: (rank.get(t, len(rank)), tag_key(t)))]


def _by_time(gap: OxygenGap | RecordGap) -> tuple[float, object]:
    return gap.from_min, tag_key(gap.patient)
