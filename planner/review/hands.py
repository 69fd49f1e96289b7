"""Responders who came or left by the log's notes: "Hand-3 left with the sledge", "Hand-4 arrived".

Only a tag of the incident file straight before a word of coming or leaving counts; a log names
roles, so most logs say nothing and the hands stay those of the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, Final

from planner.fields import WEEK_MIN
from planner.incident import Incident
from planner.journal.events import LogEntry
from planner.report.words import when

_LEFT: Final = r"(?:left|leaves|has left|went|goes|gone|is away|departed|stood down|flown out)"
_CAME: Final = r"(?:arrived|arrives|has arrived|came|comes|is here|is back|joined|joins|returned)"
_NO_PERSON: Final = r"(?!\s+(?:the\s+)?(?:mask|gauge|cylinder|bottle|regulator|valve|flow|on\b))"


def hands_by_log(
    incident: Incident, entries: Iterable[LogEntry], told: list[str]
) -> list[dict[str, Any]]:  # fmt: skip
    """Return rows of a situation for responders who came or left; what is taken so is told.

    Parameters
    ----------
    incident : Incident
    entries : iterable of LogEntry
        In order.
    told : list of str
        Gains a line for each.
    """
    places = {p.name for p in incident.places}
    rows: dict[str, dict[str, Any]] = {}
    words: dict[str, str] = {}
    for entry in entries:
        for responder in incident.responders if entry.note else ():
            tag = responder.tag
            way = _way(tag, entry.note or "")
            if way is None:
                continue
            row: dict[str, Any] = {"tag": tag, "free_from_min": WEEK_MIN}
            if way == "came":
                row["free_from_min"] = max(0.0, entry.at_min)
                row |= {"place": entry.place} if entry.place in places else {}
            rows[tag] = row
            clock = when(incident.start, entry.at_min)
            words[tag] = f"{tag} {way} {clock} by entry {entry.id}: hands counted so"
    told += words.values()
    return list(rows.values())


def _way(tag: str, note: str) -> str | None:
    """Return what a note says last of a responder: came or left."""
    found = re.compile(
        rf"(?<![\w-]){re.escape(tag)}\s+(?:(?P<left>{_LEFT})|(?P<came>{_CAME}))\b{_NO_PERSON}",
        re.IGNORECASE,
    )
    last = None
    for match in found.finditer(note):
        last = "left" if match["left"] else "came"
    return last
