"""Runs in the store: begun with two unguessable links, looked at, written to; nothing is lost.

A run is a document of its own that holds the whole exercise, incident and all, as it was when the
run began; its events are the store's. Of the links only digests are kept. Whatever depends on how
things stand is appended on the number of the last event seen; where others wrote in between it is
looked at anew and tried again, so two who write at once both get in, or the second is told why not.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, Final, Literal

from planner.errors import Fault
from planner.exercise.commanding import asked
from planner.exercise.deciding import decide
from planner.exercise.news import news_due, news_id
from planner.exercise.run import (
    DUE,
    ENDED,
    SEEN,
    EventKind,
    Run,
    RunEvent,
    due_now,
    entry_payload,
    event_from,
    held_until,
    run_state,
)
from planner.exercise.setup import Exercise, exercise_from
from planner.exercise.truth import truth_at, without_min
from planner.exercise.truth_rows import Truth
from planner.exercise.writing import exercise_document
from planner.journal.events import LogEntry
from planner.store import Command, Event, StaleAppend, Store, new_command_id

Role = Literal["controller", "players"]
BEAT_S: Final = 30.0  # our own: a third of what counts as a sleep
TRIES: Final = 50  # so many others may get in between before the store is called busy
RUN: Final = "run of an exercise"
LINK_BYTES: Final = 24


@dataclass(frozen=True, slots=True)
class Links:
    """The two links of a run, said once: only their digests are kept."""

    run: str
    controller: str
    players: str


@dataclass(frozen=True, slots=True)
class Access:
    """What a link opens: a run, as controller or as players."""

    run: str
    role: Role


@dataclass(frozen=True, slots=True)
class Seen:
    """A run as somebody finds it: the exercise, its state, and (for controllers) the truth."""

    exercise: Exercise
    run: Run
    truth: Truth
    events: tuple[RunEvent, ...]


# ----- documents --------------------------------------------------------------------------------


def save_exercise(
    store: Store, exercise: Exercise, command: Command | str, document: str | None = None
) -> str:
    """Keep an exercise as it is set up (a new document, or a new revision); return its id."""
    tree = exercise_document(exercise, is_embedded=True)
    if document is None:
        name = command if isinstance(command, str) else command.id
        return store.create("exercise", exercise.name, tree, name).document
    if isinstance(command, str):
        command = Command(command, store.revision(document).number)
    return store.write(document, tree, command, name=exercise.name).document


def exercises(store: Store) -> tuple[tuple[str, str], ...]:
    """Return the exercises set up, as id and name, last changed first."""
    return _documents(store, is_run=False)


def runs(store: Store) -> tuple[tuple[str, str], ...]:
    """Return the runs, as id and name, last begun first."""
    return _documents(store, is_run=True)


def _documents(store: Store, *, is_run: bool) -> tuple[tuple[str, str], ...]:
    found = store.documents("exercise")
    return tuple(
        (d.id, d.name) for d in found if (store.revision(d.id).tree.get("what") == RUN) == is_run
    )


def open_exercise(store: Store, document: str) -> Exercise:
    """Return an exercise kept, or the one that a run was begun with."""
    return _exercise(store.revision(document, _first_or_last(store, document)).content)


def _first_or_last(store: Store, document: str) -> int | None:
    is_run = store.revision(document).tree.get("what") == RUN
    return 1 if is_run else None  # new links are new revisions; what is run stays


@lru_cache(maxsize=8)
def _exercise(content: str) -> Exercise:
    import json

    tree = json.loads(content)
    return exercise_from(tree["exercise"] if tree.get("what") == RUN else tree)


def begin_run(store: Store, exercise: Exercise, command_id: str | None = None) -> Links:
    """Begin a run of an exercise and return its links, which are said this once."""
    links = secrets.token_urlsafe(LINK_BYTES), secrets.token_urlsafe(LINK_BYTES)
    tree = {
        "what": RUN,
        "exercise": exercise_document(exercise, is_embedded=True),
        "links": {"controller": _digest(links[0]), "players": _digest(links[1])},
    }
    made = store.create("exercise", exercise.name, tree, command_id or new_command_id())
    return Links(made.document, *links)


def new_links(store: Store, run: str) -> Links:
    """Give a run new links; the old ones open nothing any more, nothing else changes."""
    links = secrets.token_urlsafe(LINK_BYTES), secrets.token_urlsafe(LINK_BYTES)
    revision = store.revision(run)
    tree = revision.tree
    tree["links"] = {"controller": _digest(links[0]), "players": _digest(links[1])}
    store.write(run, tree, Command(new_command_id(), revision.number))
    return Links(run, *links)


def role_of(store: Store, link: object) -> Access | None:
    """Return what a link opens; None when it opens nothing. Every run is compared with."""
    given = _digest(link if isinstance(link, str) and len(link) <= 200 else "")
    found: Access | None = None
    for document in store.documents("exercise"):
        tree = store.revision(document.id).tree
        if tree.get("what") != RUN:
            continue
        for role in ("controller", "players"):
            kept = str(tree.get("links", {}).get(role, ""))
            if hmac.compare_digest(kept.encode(), given.encode()):
                found = Access(document.id, role)
    return found


def _digest(link: str) -> str:
    return hashlib.sha256(link.encode("utf-8", "surrogatepass")).hexdigest()


# ----- looking ----------------------------------------------------------------------------------


def events_of(store: Store, run: str) -> tuple[RunEvent, ...]:
    """Return the events of a run."""
    found = (_event(event) for event in store.events(run))
    return tuple(event for event in found if event is not None)


def _event(event: Event) -> RunEvent | None:
    at = datetime.fromisoformat(event.at)
    return event_from(event.sequence, at, event.tree)


def look(store: Store, run: str, now: datetime | None = None) -> Seen:
    """Return how a run stands, after the world has told what it has to tell.

    Appends what has come to be known or due since anybody last looked (each once, whoever looks),
    and that the run was seen, at most every `BEAT_S` while the clock runs.
    """
    exercise = open_exercise(store, run)
    for _ in range(TRIES):
        seen, last = _state(store, run, exercise, now)
        payloads = list(_to_tell(run, seen, now or datetime.now(UTC)))
        if not payloads:
            return seen
        try:  # on what was looked at: news of a branch that was left is none on the next
            for command_id, payload in payloads:
                last = max(last, store.append(run, payload, Command(command_id, last)).sequence)
        except StaleAppend:
            continue
    return seen


def _state(
    store: Store, run: str, exercise: Exercise, now: datetime | None
) -> tuple[Seen, int]:  # fmt: skip
    """Return how a run stands, and the number of the last event that was looked at."""
    held = store.events(run)
    events = tuple(e for e in map(_event, held) if e is not None)
    state = run_state(events, now or datetime.now(UTC))
    seen = Seen(exercise, state, truth_at(exercise, state), events)
    return seen, held[-1].sequence if held else 0


def _to_tell(name: str, seen: Seen, now: datetime) -> list[tuple[str, dict[str, Any]]]:
    """Return what is to be appended, each under an id that is the same for everybody who looks."""
    run, begun = seen.run, _branch_begun(seen)
    if run.is_ended or run.is_stopped:
        return []
    found = [
        (_id(name, begun, news_id(entry)), entry_payload(entry, "world"))
        for entry in news_due(seen.exercise, run, seen.truth)
    ]
    held = held_until(run)
    latched = {mark.number for mark in run.came_due}
    for inject in due_now(seen.exercise, run, without_min(seen.truth)):
        if inject.number not in latched and inject.number not in held:
            about = f"due {inject.number}"
            found.append((_id(name, begun, about), {"kind": DUE, "number": inject.number}))
    is_old = run.last_at is not None and (now - run.last_at).total_seconds() >= BEAT_S
    if not found and run.clock.is_running and is_old:
        found.append((_id(name, begun, f"seen after {run.last}"), {"kind": SEEN}))
    return found


def _branch_begun(seen: Seen) -> int:
    """Return the number of the event with which the branch began: news is told once a branch."""
    rewinds = [e.sequence for e in seen.events if e.kind == "rewound"]
    return rewinds[-1] if rewinds else 0


def _id(run: str, begun: int, about: str) -> str:
    """Return a command id that is the same for everybody who has the same thing to tell."""
    return hashlib.sha256(f"{run}\0{begun}\0{about}".encode()).hexdigest()[:40]


# ----- writing ----------------------------------------------------------------------------------


def command(
    store: Store, run: str, kind: EventKind, command_id: str,
    data: Mapping[str, Any] | None = None, now: datetime | None = None,
) -> Seen:  # fmt: skip
    """Do what a controller commands, once for each command id, and return how things stand.

    Raises
    ------
    InputError
        With every fault; nothing was written.
    """
    exercise = open_exercise(store, run)

    def payload(state: Run) -> dict[str, Any]:
        return asked(exercise, state, kind, data)

    _append(store, run, exercise, command_id, payload, now)
    return look(store, run, now)


def keep_decision(
    store: Store, run: str, form: Mapping[str, object], command_id: str,
    by: Literal["players", "controller"] = "players", now: datetime | None = None,
) -> LogEntry | tuple[Fault, ...]:  # fmt: skip
    """Keep a decision, once for each command id, or return what is impossible about it."""
    exercise = open_exercise(store, run)
    look(store, run, now)
    told: list[LogEntry | tuple[Fault, ...]] = []

    def payload(state: Run) -> dict[str, Any] | None:
        found = decide(exercise, state, form)
        told[:] = [found]
        return entry_payload(found, by) if isinstance(found, LogEntry) else None

    event = _append(store, run, exercise, command_id, payload, now)
    if event is None:
        return told[0]
    state = run_state(events_of(store, run), now or datetime.now(UTC))
    return next((e for e in state.log if e.id == f"e{event.sequence}"), told[0] if told else ())


def _append(
    store: Store, run: str, exercise: Exercise, command_id: str,
    payload: Callable[[Run], dict[str, Any] | None], now: datetime | None,
) -> Event | None:  # fmt: skip
    """Append what a state allows, on that very state; looked at anew where others came between."""
    for attempt in range(TRIES):
        events = store.events(run)
        done = next((e for e in events if e.command == command_id), None)
        if done is not None:
            return done
        known = tuple(e for e in map(_event, events) if e is not None)
        last = events[-1].sequence if events else 0
        tree = payload(run_state(known, now or datetime.now(UTC)))
        if tree is None:
            return None
        try:
            return store.append(run, tree, Command(command_id, last))
        except StaleAppend:
            if attempt == TRIES - 1:
                raise
    return None


__all__ = [
    "BEAT_S", "ENDED", "Access", "Links", "Role", "Seen", "begin_run", "command", "events_of",
    "exercises", "keep_decision", "look", "new_links", "open_exercise", "role_of", "runs",
    "save_exercise",
]  # fmt: skip
