"""What each gauge should have shown, minute by minute while somebody breathed from the cylinder.

The books are those of :mod:`planner.journal.replaying`; nothing is reckoned anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from planner.journal.events import LogEntry, in_force, in_order
from planner.journal.following import follow
from planner.journal.gauges import Anchor
from planner.journal.ledger import Item, Ledger
from planner.journal.replaying import started
from planner.journal.stock import Stock


@dataclass(frozen=True, slots=True)
class GaugePoint:
    """A gauge expected at a minute, with its 95 % band [psi].

    ``part`` counts up where the line breaks: at a reading, and where nobody was on it.
    """

    at_min: float
    gauge_psi: float
    low_psi: float
    high_psi: float
    part: int


def gauge_courses(
    entries: Iterable[LogEntry], stock: Stock, minutes: Sequence[float]
) -> Mapping[str, tuple[GaugePoint, ...]]:
    """Return the gauge expected of each cylinder that was in use, by tag.

    Parameters
    ----------
    entries : iterable of LogEntry
    stock : Stock
    minutes : sequence of float
        In order; a point is made at each, and before and after each entry about a cylinder. The
        last is the end.

    Raises
    ------
    InputError
        For an id that stands twice, or entries that replace each other in a ring.
    """
    courses = _Courses(stock)
    left = list(minutes)
    end_min = left[-1] if left else 0.0
    for entry in in_order((*started(stock), *in_force(entries).entries)):
        if entry.at_min > end_min:
            break
        while left and left[0] < entry.at_min:
            courses.look(left.pop(0))
        courses.take(entry)
    for minute in left:
        courses.look(minute)
    return {tag: tuple(points) for tag, points in courses.points.items()}


class _Courses:
    """Points as they are gathered."""

    def __init__(self, stock: Stock) -> None:
        self.books = Ledger(stock)
        self.points: dict[str, list[GaugePoint]] = {}
        self._anchors: dict[str, Anchor | None] = {}
        self._parts: dict[str, int] = {}

    def look(self, at_min: float) -> None:
        """Make a point of every cylinder in use."""
        for item in self.books.items.values():
            if item.tank.flows:
                self._point(item, at_min)

    def take(self, entry: LogEntry) -> None:
        """Follow an entry, with a point before and after for each cylinder that it changes."""
        before = self._about(entry)
        for item in before.values():
            if item.tank.flows:
                self._point(item, entry.at_min)
        follow(self.books, entry)
        for tag, item in {**before, **self._about(entry)}.items():
            if not item.tank.flows:
                self._anchors[tag] = None
                continue
            if self._anchors.get(tag) is not item.tank.last:
                self._anchors[tag] = item.tank.last
                self._parts[tag] = self._parts.get(tag, -1) + 1
                self._point(item, entry.at_min)

    def _about(self, entry: LogEntry) -> dict[str, Item]:
        """Return the cylinders that an entry names, or that its patient is on."""
        event = entry.event
        tags = {getattr(event, name, None) for name in ("cylinder", "off")}
        person = self.books.people.get(getattr(event, "patient", None) or "")
        if person is not None and person.source is not None:
            tags.add(person.source.cylinder)
        return {tag: item for tag in tags if tag and (item := self.books.items.get(tag))}

    def _point(self, item: Item, at_min: float) -> None:
        tank = item.tank
        tank.advance(at_min)
        found = tank.expected()
        if found is None:
            return
        part = self._parts.get(tank.tag, 0)
        self.points.setdefault(tank.tag, []).append(
            GaugePoint(at_min, found.gauge_psi, found.low_psi, found.high_psi, part)
        )
