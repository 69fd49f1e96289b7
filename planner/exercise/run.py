"""A run of an exercise: what happened, appended and never changed, and the state that follows.

Everything follows from the events and the time now: the clock, the branch, what was decided on it,
which injects were given. So a page drawn anew, a restart of the server and a second screen see the
same. A rewind begins a branch: what was recorded after its minute stays in the store and is not of
the new branch. Where nothing was recorded for `planner.exercise.clock.SLEEP_S` while the clock ran
(every open screen has itself seen, see :mod:`planner.exercise.keeping`), the machine slept: the
clock stands where it was last seen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, Literal

from planner.exercise import clock as clocks
from planner.exercise.clock import SPEEDS, Clock, minute_at
from planner.exercise.injects import Facts, Inject, due, following
from planner.exercise.setup import Exercise, inject_from
from planner.intake import Intake
from planner.journal.events import LogEntry, in_force
from planner.journal.trees import entry_from, entry_tree

EventKind = Literal[
    "started", "paused", "speed", "rewound", "due", "given", "held", "skipped", "improvised",
    "plan revealed", "stopped for real", "stop lifted", "ended", "decided", "news", "seen",
    "put forward",
]  # fmt: skip
Writer = Literal["players", "controller", "world"]
KINDS: Final[tuple[EventKind, ...]] = (
    "started", "paused", "speed", "rewound", "due", "given", "held", "skipped", "improvised",
    "plan revealed", "stopped for real", "stop lifted", "ended", "decided", "news", "seen",
    "put forward",
)  # fmt: skip
(
    STARTED, PAUSED, SPEED, REWOUND, DUE, GIVEN, HELD, SKIPPED, IMPROVISED,
    REVEALED, STOPPED, LIFTED, ENDED, DECIDED, NEWS, SEEN, FORWARD,
) = KINDS  # fmt: skip


@dataclass(frozen=True, slots=True)
class RunEvent:
    """One event of a run as the store has it: its number, when it was written (UTC), and what."""

    sequence: int
    at: datetime
    kind: EventKind
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Told:
    """An entry of the log, who wrote it, and at which minute of the clock it was recorded."""

    entry: LogEntry
    by: Writer
    minute: float


@dataclass(frozen=True, slots=True)
class Given:
    """An inject that was given, and at which minute."""

    inject: Inject
    minute: float
    is_improvised: bool = False


@dataclass(frozen=True, slots=True)
class Mark:
    """An inject that came due, was skipped or is held back, and at which minute that was said.

    ``until_min`` is of one that is held: infinite until it is given.
    """

    number: int
    minute: float
    until_min: float = math.inf


@dataclass(frozen=True, slots=True)
class Revealed:
    """What the controller has shown players of a plan, in words."""

    minute: float
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Branch:
    """A branch of a run: from which other and from which minute of it.

    The first comes from none.
    """

    number: int
    parent: int | None
    from_min: float


@dataclass(frozen=True, slots=True)
class Run:
    """The state of a run at a time of day, on the branch that is played.

    Parameters
    ----------
    clock : Clock
    minute : float
        What the clock shows.
    branch : int
        From 0; each rewind begins the next.
    branches : tuple of Branch
    told : tuple of Told
        The log in the order of recording, everybody's entries.
    given : tuple of Given
    came_due, skipped, held : tuple of Mark
        One that has come due stays so until it is given, skipped or held.
    revealed : tuple of Revealed
    is_stopped, is_ended, has_slept : bool
        Stopped for a real emergency; over; paused because the machine slept.
    stop_reason : str
    last : int
        Number of the last event: the base of the next.
    last_at : datetime or None
        When the run was last seen.
    """

    clock: Clock = Clock()  # noqa: RUF009 - frozen
    minute: float = 0.0
    branch: int = 0
    branches: tuple[Branch, ...] = (Branch(0, None, 0.0),)
    told: tuple[Told, ...] = ()
    given: tuple[Given, ...] = ()
    came_due: tuple[Mark, ...] = ()
    skipped: tuple[Mark, ...] = ()
    held: tuple[Mark, ...] = ()
    revealed: tuple[Revealed, ...] = ()
    is_stopped: bool = False
    is_ended: bool = False
    has_slept: bool = False
    stop_reason: str = ""
    last: int = 0
    last_at: datetime | None = None

    @property
    def done(self) -> frozenset[int]:
        """Numbers of injects that were given or skipped."""
        return frozenset(
            {*(g.inject.number for g in self.given), *(m.number for m in self.skipped)}
        )

    @property
    def log(self) -> tuple[LogEntry, ...]:
        """All entries of the log, as recorded, in the order of recording."""
        return tuple(told.entry for told in self.told)

    def decisions(self, minute: float | None = None) -> tuple[LogEntry, ...]:
        """Return the entries in force that are not news of the world, by when they happened."""
        until = self.minute if minute is None else minute
        own = {t.entry.id for t in self.told if t.by != "world"}
        held = in_force(self.log).entries
        return tuple(e for e in held if e.id in own and e.at_min <= until)


# ----- from events to the state -----------------------------------------------------------------


def run_state(
    events: Iterable[RunEvent], now: datetime, *, branch: int | None = None
) -> Run:  # fmt: skip
    """Return the state of a run; pure.

    Parameters
    ----------
    events : iterable of RunEvent
        All of them, in the order of their numbers.
    now : datetime
        With its zone.
    branch : int or None
        An earlier branch as it was left, for looking back; None: the one that is played.

    Notes
    -----
    An event that cannot be read (written by a later version) is passed over, not lost.
    """
    folded = _Fold(stop_before_branch=None if branch is None else branch + 1)
    for event in events:
        if not folded.take(event):
            return folded.state(folded.last_at or now)
    return folded.state(now)


class _Fold:
    """A run while its events are gone through."""

    def __init__(self, stop_before_branch: int | None) -> None:
        self._stop = stop_before_branch
        self.run = Run()
        self.last_at: datetime | None = None
        self._minutes: dict[int, float] = {}

    def take(self, event: RunEvent) -> bool:
        """Take the next event in; False where the branch looked at ends before it."""
        run = self._looked_at(event.at)
        if event.kind == REWOUND and len(run.branches) == self._stop:
            return False
        minute = minute_at(run.clock, event.at)
        run = replace(run, minute=minute, last=event.sequence, last_at=event.at)
        self.run = _after(run, event, minute)
        self.last_at = event.at
        return True

    def _looked_at(self, now: datetime) -> Run:
        """Return the run as somebody finds it who looks at it: standing after a sleep."""
        run = self.run
        if self.last_at is None:
            return run
        clock = clocks.seen(run.clock, self.last_at, now)
        slept = run.has_slept or (run.clock.is_running and not clock.is_running)
        return replace(run, clock=clock, has_slept=slept)

    def state(self, now: datetime) -> Run:
        run = self._looked_at(now)
        return replace(run, minute=minute_at(run.clock, now))


def _after(run: Run, event: RunEvent, minute: float) -> Run:  # noqa: PLR0911, PLR0912 - one a kind
    """Return the run after an event at a minute."""
    data = event.data
    match event.kind:
        case "started":
            return replace(run, clock=clocks.started(run.clock, event.at), has_slept=False)
        case "paused" | "ended":
            ended = run.is_ended or event.kind == ENDED
            return replace(run, clock=clocks.paused(run.clock, event.at), is_ended=ended)
        case "speed":
            if data.get("speed") not in SPEEDS:
                return run
            return replace(run, clock=clocks.at_speed(run.clock, event.at, float(data["speed"])))
        case "stopped for real":
            clock = clocks.paused(run.clock, event.at)
            return replace(run, clock=clock, is_stopped=True, stop_reason=str(data.get("why", "")))
        case "stop lifted":
            return replace(run, is_stopped=False, stop_reason="")
        case "put forward":
            upto = max(minute, float(data.get("minute", 0.0)))
            return replace(run, clock=clocks.put_forward(run.clock, event.at, upto))
        case "rewound":
            return _rewound(run, event, min(float(data.get("minute", 0.0)), minute))
        case "due":
            number = int(data["number"])
            is_new = all(mark.number != number for mark in run.came_due)
            return replace(run, came_due=(*run.came_due, Mark(number, minute))) if is_new else run
        case "held":
            until = data.get("until_min")
            upto = math.inf if until is None else float(until)
            return replace(run, held=(*run.held, Mark(int(data["number"]), minute, upto)))
        case "skipped":
            return replace(run, skipped=(*run.skipped, Mark(int(data["number"]), minute)))
        case "given" | "improvised":
            inject = _inject_of(data)
            if inject is None or inject.number in run.done:
                return run
            given = Given(inject, minute, event.kind == IMPROVISED)
            return replace(run, given=(*run.given, given))
        case "plan revealed":
            lines = tuple(str(line) for line in data.get("lines", ()))
            return replace(run, revealed=(*run.revealed, Revealed(minute, lines)))
        case "decided" | "news":
            told = _told_of(event, minute)
            return run if told is None else replace(run, told=(*run.told, told))
        case _:
            return run


def _rewound(run: Run, event: RunEvent, to_min: float) -> Run:
    """Return the run on a new branch: of what was recorded after the minute nothing is of it."""
    number = len(run.branches)
    return replace(
        run,
        clock=clocks.rewound(run.clock, event.at, max(0.0, to_min)),
        branch=number,
        branches=(*run.branches, Branch(number, run.branch, to_min)),
        told=tuple(t for t in run.told if t.minute <= to_min),
        given=tuple(g for g in run.given if g.minute <= to_min),
        revealed=tuple(r for r in run.revealed if r.minute <= to_min),
        came_due=tuple(m for m in run.came_due if m.minute <= to_min),
        skipped=tuple(m for m in run.skipped if m.minute <= to_min),
        held=tuple(m for m in run.held if m.minute <= to_min),
        is_ended=False,
    )


def _inject_of(data: Mapping[str, Any]) -> Inject | None:
    """Return the inject that an event carries whole, so that it stays as it was given."""
    row = data.get("inject")
    if not isinstance(row, Mapping):
        return None
    objective = row.get("objective")
    return inject_from(row, Intake(""), {objective} if isinstance(objective, str) else set())


def _told_of(event: RunEvent, minute: float) -> Told | None:
    raw = event.data.get("entry")
    by: Writer = event.data.get("by", "players") if event.kind == DECIDED else "world"
    if not isinstance(raw, Mapping):
        return None
    entry = entry_from({**raw, "id": entry_id(event.sequence)}, "entry", Intake(""))
    return None if entry is None else Told(entry, by, minute)


def entry_id(sequence: int) -> str:
    """Return the id of the log entry that the event of a number carries."""
    return f"e{sequence}"


# ----- what is due ------------------------------------------------------------------------------


def held_until(run: Run) -> dict[int, float]:
    """Return until which minute each held inject is held back; the last word counts."""
    return {mark.number: mark.until_min for mark in run.held}


def due_now(
    exercise: Exercise, run: Run, without_min: Iterable[tuple[str, float]] = ()
) -> tuple[Inject, ...]:
    """Return the injects that are due at the run's minute: by their own, and those that came due.

    Parameters
    ----------
    exercise : Exercise
    run : Run
    without_min : iterable of (str, float)
        Who has been without oxygen for how long, see :mod:`planner.exercise.truth`.
    """
    facts = Facts(run.minute, run.log, tuple(without_min))
    held = held_until(run)
    now = {i.number for i in due(exercise.injects, facts, run.done, held)}
    latched = {m.number for m in run.came_due} - run.done
    now |= {n for n in latched if held.get(n, 0.0) <= run.minute}
    return tuple(inject for inject in exercise.injects if inject.number in now)


def next_inject(exercise: Exercise, run: Run) -> Inject | None:
    """Return the next inject that the clock alone brings; None where there is none."""
    return following(exercise.injects, run.minute, run.done)


# ----- payloads and events ----------------------------------------------------------------------


def entry_payload(entry: LogEntry, by: Writer) -> dict[str, Any]:
    """Return the payload of a log entry; its id is the event's and comes with the number."""
    tree = entry_tree(entry)
    tree.pop("id")
    return {"kind": NEWS, "entry": tree} if by == "world" else {
        "kind": DECIDED, "by": by, "entry": tree}  # fmt: skip


def event_from(sequence: int, at: datetime, tree: Mapping[str, Any]) -> RunEvent | None:
    """Return the event of a stored payload; None for a kind that this version does not know."""
    kind = tree.get("kind")
    if kind not in KINDS:
        return None
    return RunEvent(sequence, at, kind, {k: v for k, v in tree.items() if k != "kind"})
