"""What could be known at a minute: the log as it was written up to then, nothing from later.

An entry does not say when it was written. Ids count up in each log (as corrections are taken,
:func:`planner.journal.events.in_force`), so an entry is known from the latest time that stands
in its log up to it: an entry out of turn, or a correction at the end, tells nothing before.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from planner.journal.events import LogEntry, tag_key

_DIGITS: Final = re.compile(r"[0-9]+")


def known_from(entries: Iterable[LogEntry]) -> dict[str, float]:
    """Return from which minute each entry was known at the soonest, by its id.

    Entries of one source whose ids differ in their digits only are one log.
    """
    given = tuple(entries)
    logs: dict[tuple[str | None, str], list[LogEntry]] = {}
    for entry in given:
        logs.setdefault((entry.source, _DIGITS.sub("#", entry.id)), []).append(entry)
    known: dict[str, float] = {}
    for log in logs.values():
        latest = -float("inf")
        for entry in sorted(log, key=lambda e: tag_key(e.id)):
            latest = max(latest, entry.at_min)
            known[entry.id] = latest
    # What corrects something is not known before it; chains are as short as corrections are few.
    replaced = {e.id: e.replaces for e in given if e.replaces is not None}
    for id_ in replaced:
        step, seen = replaced.get(id_), {id_}
        while step is not None and step not in seen:
            known[id_] = max(known[id_], known.get(step, known[id_]))
            seen.add(step)
            step = replaced.get(step)
    return known


def known_at(entries: Iterable[LogEntry], at_min: float) -> tuple[LogEntry, ...]:
    """Return the entries that were known at a minute, in the order given."""
    given = tuple(entries)
    known = known_from(given)
    return tuple(entry for entry in given if known[entry.id] <= at_min)
