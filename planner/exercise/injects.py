"""Injects: what the controller throws in, at a minute or when something is so; each once."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from planner.exercise.changes import Change
from planner.journal.events import WORDS, LogEntry, in_force

When = Literal["no such entry by", "after such an entry", "without oxygen for"]
NO_ENTRY, AFTER, WITHOUT = "no such entry by", "after such an entry", "without oxygen for"
WHENS: Final = (NO_ENTRY, AFTER, WITHOUT)


@dataclass(frozen=True, slots=True)
class Condition:
    """When an inject is due other than by the clock.

    Parameters
    ----------
    when : {"no such entry by", "after such an entry", "without oxygen for"}
    minutes : float
        By which minute; so long after; for how long.
    event : str
        Word of the log's event, such as ``requested``; empty for the last kind.
    """

    when: When
    minutes: float
    event: str = ""


@dataclass(frozen=True, slots=True)
class Inject:
    """One inject.

    Parameters
    ----------
    number : int
    text : str
        As it is spoken.
    sender, receiver, deliverer : str
        Whose words they are, to whom, and which controller says them: roles, not names.
    at_min : float or None
        Minute; None where ``condition`` says when.
    condition : Condition or None
    expected, objective : str
        What players are expected to do, and which objective that belongs to.
    changes : tuple of Change
        What is otherwise in truth from the minute at which it is given.
    """

    number: int
    text: str
    sender: str
    receiver: str
    at_min: float | None = None
    condition: Condition | None = None
    deliverer: str = ""
    expected: str = ""
    objective: str = ""
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class Facts:
    """What conditions look at: the log as it stands, and who has been without oxygen how long."""

    minute: float
    log: tuple[LogEntry, ...] = ()
    without_min: tuple[tuple[str, float], ...] = ()


def due(
    injects: Iterable[Inject], facts: Facts, done: Collection[int], held: Mapping[int, float]
) -> tuple[Inject, ...]:
    """Return the injects that are to be given now, in the order of their numbers.

    Parameters
    ----------
    injects : iterable of Inject
    facts : Facts
    done : collection of int
        Numbers of those given or skipped: none is due twice.
    held : mapping
        Until which minute an inject is held back, by number.
    """
    words = _words(facts)
    found = (
        inject for inject in injects
        if inject.number not in done and held.get(inject.number, 0.0) <= facts.minute
        and _is_due(inject, facts, words)
    )  # fmt: skip
    return tuple(sorted(found, key=lambda inject: inject.number))


def _words(facts: Facts) -> tuple[tuple[str, float], ...]:
    """Return the events in force by now, as words with their minutes."""
    entries = in_force(facts.log).entries
    return tuple(
        (WORDS[type(entry.event)], entry.at_min)
        for entry in entries if entry.at_min <= facts.minute
    )  # fmt: skip


def _is_due(inject: Inject, facts: Facts, words: tuple[tuple[str, float], ...]) -> bool:
    condition = inject.condition
    if condition is None:
        return inject.at_min is not None and inject.at_min <= facts.minute
    minutes = [minute for word, minute in words if word == condition.event]
    if condition.when == NO_ENTRY:
        is_there = any(minute <= condition.minutes for minute in minutes)
        return facts.minute >= condition.minutes and not is_there
    if condition.when == AFTER:
        return any(facts.minute >= minute + condition.minutes for minute in minutes)
    return any(minutes >= condition.minutes for _, minutes in facts.without_min)


def following(injects: Iterable[Inject], minute: float, done: Collection[int]) -> Inject | None:
    """Return the next inject that the clock alone brings; None where there is none."""
    ahead = [i for i in injects if i.at_min is not None and i.number not in done]
    later = [i for i in ahead if i.at_min is not None and i.at_min > minute]
    return min(later, key=lambda i: (i.at_min, i.number), default=None)
