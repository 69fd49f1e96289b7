"""A log followed once, with the books kept every so many entries: any minute is then near at hand.

The same states as from :func:`planner.journal.replaying.replay`, sooner: it goes on from the last
books before the minute, which are copied and never changed.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from planner.journal.events import InForce, LogEntry, in_force, in_order
from planner.journal.following import follow
from planner.journal.ledger import Ledger
from planner.journal.replaying import contested, started, state_of
from planner.journal.states import LogState
from planner.journal.stock import Stock

EVERY: Final = 250  # entries; fewer is sooner and takes more memory


@dataclass(frozen=True, slots=True)
class Checkpoints:
    """A log in order, and the books before entry 0, ``EVERY``, twice ``EVERY`` and so on."""

    held: InForce
    ordered: tuple[LogEntry, ...]
    minutes: tuple[float, ...]
    books: tuple[Ledger, ...]


def checkpoints(events: Iterable[LogEntry], stock: Stock) -> Checkpoints:
    """Return a log followed to its end.

    Raises
    ------
    InputError
        For an id that stands twice, or entries that replace each other in a ring.
    """
    held = in_force(events)
    ordered = tuple(in_order((*started(stock), *held.entries)))
    books, kept = Ledger(stock), []
    for number, entry in enumerate(ordered):
        if number % EVERY == 0:
            kept.append(books.copy())
        follow(books, entry)
    if len(ordered) % EVERY == 0:
        kept.append(books)
    return Checkpoints(held, ordered, tuple(e.at_min for e in ordered), tuple(kept))


def replay_on(points: Checkpoints, until_min: float) -> LogState:
    """Return what a log says is so at a minute, as :func:`planner.journal.replaying.replay` does.

    Parameters
    ----------
    points : Checkpoints
        Left as they are.
    until_min : float
    """
    count = bisect_right(points.minutes, until_min)
    number = count // EVERY
    books = points.books[number].copy()
    for entry in points.ordered[number * EVERY : count]:
        follow(books, entry)
    books.disagreements[:0] = contested(points.held, until_min)
    return state_of(books, until_min)
