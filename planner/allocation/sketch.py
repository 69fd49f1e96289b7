"""A policy in the making: a few choices from which a whole policy follows.

The search changes choices, never policies, and every sketch deals out into a policy that a crew
can follow: kit is dealt from the shelf, so nothing is given out twice or from afar.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

from planner.incident import Incident, Option, Patient, Triage
from planner.oxygen_options import options_of
from planner.policy import KeptFor, Policy, Promise
from planner.rules import going_on_option, queue_order
from planner.shelf import Shelf, default_order, usable_l, with_hookup, with_line
from planner.state import Hookup, State, power_left_min

JOIN = -2  # in place of a stack


@dataclass(frozen=True, slots=True)
class Stack:
    """Cylinders that are alike: same size, connection, gauge, place."""

    tags: tuple[str, ...]
    connection: str
    usable_l: float


@dataclass(frozen=True, slots=True)
class Board:
    """What the choices are about, gathered once."""

    incident: Incident
    state: State
    people: tuple[Patient, ...]
    options: dict[str, tuple[Option, ...]]
    going_on: dict[str, Hookup]
    awaited: frozenset[str]
    stacks: tuple[Stack, ...]
    shelf: Shelf

    @classmethod
    def of(cls, incident: Incident, state: State) -> Board:
        """Gather who may get what, and the stacks of cylinders in the default order."""
        status = {p.tag: p.status for p in state.patients}
        going_on = {line.patient: h for h in state.hookups for line in h.lines}
        options: dict[str, tuple[Option, ...]] = {}
        people = []
        for patient in queue_order(incident):
            allowed = options_of(incident, patient)
            if not allowed or status[patient.tag] in {"gone", "dead"}:
                continue
            if patient.tag in going_on:
                allowed = _going_on_options(incident, state, going_on[patient.tag], patient)
            options[patient.tag] = allowed
            people.append(patient)
        return cls(
            incident,
            state,
            tuple(people),
            options,
            going_on,
            frozenset(tag for tag in options if status[tag] == "unknown"),
            _stacks(incident, state),
            Shelf.of(incident, state),
        )


def _going_on_options(
    incident: Incident, state: State, hookup: Hookup, patient: Patient
) -> tuple[Option, ...]:
    """Return what somebody on oxygen may get: first as it is set, then other flows of that mask.

    Turning the dial takes no time and no hands. A flow that could not be turned down before, or
    that is to change by itself later, is left alone.
    """
    allowed = options_of(incident, patient)
    as_set = going_on_option(hookup, patient, allowed)
    if state.patient(patient.tag).phases_stopped or len(as_set.phases) > 1:
        return (as_set,)
    rows = {r.tag: r for r in incident.all_regulators}
    source = rows.get(hookup.regulator or "") or next(
        c for c in incident.all_cylinders if c.tag == hookup.cylinders[0]
    )
    others = (
        option for option in allowed
        if option.device == as_set.device and len(option.phases) == 1 and option != as_set
        and option.flow_lpm in source.settings_lpm
    )  # fmt: skip
    return (as_set, *others)


def _stacks(incident: Incident, state: State) -> tuple[Stack, ...]:
    cylinders = {c.tag: c for c in incident.all_cylinders}
    now = {c.tag: c for c in state.cylinders}
    rows: dict[tuple[object, ...], list[str]] = {}
    for tag in default_order(incident, state):
        c = cylinders[tag]
        at = now.get(tag)
        gauge, read_at, place = (c.gauge, c.read_at, None) if at is None else (
            at.gauge, at.read_at, at.place)  # fmt: skip
        power_min = power_left_min(c, at)
        key = (c.connection, c.water_volume_l, gauge.psi, read_at.c, place, power_min)
        rows.setdefault(key, []).append(tag)
    firsts = {key: cylinders[tags[0]] for key, tags in rows.items()}
    return tuple(
        Stack(tuple(tags), firsts[key].connection, usable_l(incident, state, firsts[key]))
        for key, tags in rows.items()
    )


@dataclass(frozen=True, slots=True)
class Sketch:
    """The choices.

    Parameters
    ----------
    options : tuple of int
        Option by person, as a number into what is allowed.
    deal : tuple of int
        Who is dealt kit before whom; people's numbers.
    first : tuple of int
        Stack that somebody's first cylinder is taken from, with a regulator for it; for somebody
        awaited, one of the connection that their regulator has. -1: the first that fits; ``JOIN``:
        an outlet of a source in use, where there is one.
    is_held_back : tuple of bool
        Somebody there is dealt kit after all others, somebody awaited has no promise. Nobody
        there is left waiting beside kit that fits: the gap of a swap counts as no time out, so a
        search would find that starting a minute late saves litres.
    order : tuple of int
        Stacks in the order of the printed list.
    kept_for : tuple of KeptFor
    """

    options: tuple[int, ...]
    deal: tuple[int, ...]
    first: tuple[int, ...]
    is_held_back: tuple[bool, ...]
    order: tuple[int, ...]
    kept_for: tuple[KeptFor, ...] = ()


def plain_sketch(board: Board, options: tuple[int, ...] | None = None) -> Sketch:
    """Return the sketch of rule (a): first options, who is there first, default list."""
    count = len(board.people)
    deal = sorted(range(count), key=lambda k: board.people[k].tag in board.awaited)
    return Sketch(
        options if options is not None else (0,) * count,
        tuple(deal),
        (-1,) * count,
        (False,) * count,
        tuple(range(len(board.stacks))),
    )


def sketch_of(board: Board, policy: Policy) -> Sketch:
    """Return the sketch nearest to a policy: its options, first cylinders dealt first, its list.

    Stacks stand in the list where the policy has their first cylinder.
    """
    chosen = dict(policy.options)
    options = tuple(
        board.options[p.tag].index(chosen[p.tag])
        if p.tag in chosen and chosen[p.tag] in board.options[p.tag]
        else 0
        for p in board.people
    )
    stack_of = {tag: k for k, stack in enumerate(board.stacks) for tag in stack.tags}
    hookups = {x.patient: h.cylinders[0] for h in policy.hookups for x in h.lines}
    promised = {p.patient: p.regulator for p in policy.promises}
    joined = {
        x.patient for h in policy.hookups for x in h.lines
        if any(y.patient in board.going_on for y in h.lines) or x is not h.lines[0]
    } - set(board.going_on)  # fmt: skip
    connection = {r.tag: r.connection for r in board.incident.all_regulators}
    leading = leading_stacks(board)
    first = tuple(
        leading.get(connection.get(promised.get(p.tag) or "", ""), -1)
        if p.tag in board.awaited
        else JOIN
        if p.tag in joined
        else stack_of.get(hookups.get(p.tag, ""), -1)
        for p in board.people
    )
    held = tuple(p.tag in board.awaited and p.tag not in promised for p in board.people)
    served = [p.tag in hookups or p.tag in promised for p in board.people]
    plain = plain_sketch(board, options)
    deal = tuple(sorted(plain.deal, key=lambda k: (not served[k], board.people[k].tag in joined)))
    place = {tag: k for k, tag in enumerate(policy.order)}
    last = len(place)
    order = sorted(plain.order, key=lambda k: min(place.get(t, last) for t in board.stacks[k].tags))
    return replace(
        plain, first=first, deal=deal, is_held_back=held, order=tuple(order),
        kept_for=policy.kept_for,
    )  # fmt: skip


def leading_stacks(board: Board) -> dict[str, int]:
    """Return the first stack of each connection; it stands for all of them where only that counts.

    Nobody awaited gets a cylinder yet, so a stack says no more than the regulator's connection.
    """
    leading: dict[str, int] = {}
    for k, stack in enumerate(board.stacks):
        leading.setdefault(stack.connection, k)
    return leading


def policy_of(board: Board, sketch: Sketch) -> Policy:
    """Deal a sketch out into a policy."""
    shelf = board.shelf.copy()
    hookups: list[Hookup] = []
    promises: list[Promise] = []
    chosen: dict[str, Option] = {}
    for number in sorted(sketch.deal, key=lambda k: sketch.is_held_back[k]):
        patient = board.people[number]
        option = board.options[patient.tag][sketch.options[number]]
        stack = board.stacks[sketch.first[number]] if sketch.first[number] >= 0 else None
        chosen[patient.tag] = option
        if patient.tag in board.going_on:
            is_as_set = sketch.options[number] == 0
            source = board.going_on[patient.tag]
            line = next(x for x in source.lines if x.patient == patient.tag)
            turned = line if is_as_set else replace(line, flow_lpm=option.flow_lpm)
            hookups = with_line(hookups, source, turned)
        elif patient.tag in board.awaited:
            is_promised = not sketch.is_held_back[number]
            wanted = stack.connection if stack is not None else None
            promise = shelf.promise(patient, option, wanted) if is_promised else None
            if promise is not None:
                promises.append(promise)
        else:
            hookup = shelf.hookup(
                patient, option, stack.tags if stack is not None else (),
                is_joining=sketch.first[number] == JOIN,
            )  # fmt: skip
            if hookup is not None:
                hookups = with_hookup(hookups, hookup)
    taken = {tag for hookup in hookups for tag in hookup.cylinders}
    listed = (tag for k in sketch.order for tag in board.stacks[k].tags)
    order = tuple(tag for tag in listed if tag not in taken)
    return Policy(
        hookups=tuple(hookups),
        options=tuple((p.tag, chosen[p.tag]) for p in board.people),
        order=order,
        promises=tuple(promises),
        kept_for=_no_more_than_listed(board, sketch.kept_for, order),
    )


def _no_more_than_listed(
    board: Board, rows: tuple[KeptFor, ...], order: tuple[str, ...]
) -> tuple[KeptFor, ...]:
    """Keep at most as many as the list holds; all of them already means that nobody else may."""
    listed = Counter(board.shelf.rows[tag].connection for tag in order)
    counts = [min(row.num_cylinders, listed[row.connection]) for row in rows]
    return tuple(
        replace(row, num_cylinders=count)
        for row, count in zip(rows, counts, strict=True)
        if count > 0
    )


def categories_kept(board: Board) -> tuple[Triage, ...]:
    """Return the categories that something may be kept for: those with a lower one beside them."""
    there = {p.triage for p in board.people}
    wanted: tuple[Triage, ...] = ("immediate", "delayed")
    lower = {"immediate": {"delayed", "minimal", "expectant"}, "delayed": {"minimal", "expectant"}}
    return tuple(t for t in wanted if t in there and lower[t] & there)
