"""One patient's option a step lower or higher, everything else of the policy as it is."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from planner.incident import Incident, Option, Patient
from planner.oxygen_options import options_of
from planner.policy import Policy, Promise
from planner.state import Hookup, Line, State, device_units

Direction = Literal["step down", "step up"]


def next_options(incident: Incident, patient: Patient, now: Option) -> dict[Direction, Option]:
    """Return the options of the next level below and above, as ``step down`` and ``step up``.

    Of several at that level the one on the same device, else the first of the protocol.
    """
    allowed = options_of(incident, patient)
    found: dict[Direction, Option] = {}
    below = [o.steps for o in allowed if o.steps > now.steps]
    above = [o.steps for o in allowed if o.steps < now.steps]
    wanted: tuple[tuple[Direction, int | None], ...] = (
        ("step down", min(below, default=None)),
        ("step up", max(above, default=None)),
    )
    for kind, steps in wanted:
        level = [o for o in allowed if o.steps == steps]
        if level:
            found[kind] = next((o for o in level if o.device == now.device), level[0])
    return found


def stepped(
    incident: Incident, state: State, policy: Policy, choice: tuple[str, Option]
) -> Policy | None:
    """Return the policy with another option for one patient.

    Cylinder, regulator and rank stay. None when the dial lacks a flow of it or the mask is not
    free (or the patient wears another already: to change it is the work of a hand, not of a plan).
    """
    tag, option = choice
    options = tuple((t, option if t == tag else o) for t, o in policy.options)
    policy = replace(policy, options=options)
    hookup = next((h for h in policy.hookups if any(x.patient == tag for x in h.lines)), None)
    promise = next((p for p in policy.promises if p.patient == tag), None)
    if hookup is not None:
        changed = _hookup(incident, state, policy, (tag, option), hookup)
        if changed is None:
            return None
        rows = tuple(changed if h is hookup else h for h in policy.hookups)
        return replace(policy, hookups=rows)
    if promise is not None:
        kept = _promise(incident, state, policy, (tag, option), promise)
        if kept is None:
            return None
        return replace(policy, promises=tuple(kept if p is promise else p for p in policy.promises))
    return policy


def _hookup(
    incident: Incident, state: State, policy: Policy, choice: tuple[str, Option], hookup: Hookup
) -> Hookup | None:
    tag, option = choice
    cylinder = next(c for c in incident.all_cylinders if c.tag == hookup.cylinders[0])
    dial = cylinder.settings_lpm if hookup.regulator is None else _dial(incident, hookup.regulator)
    line = next(x for x in hookup.lines if x.patient == tag)
    is_running = any(x.patient == tag for h in state.hookups for x in h.lines)
    if not _has(dial, option):
        return None
    is_other = line.device != option.device
    if is_other and (is_running or _free(incident, state, policy, choice, is_here=True) is None):
        return None
    new = Line(tag, option.device, option.flow_lpm)
    return replace(hookup, lines=tuple(new if x is line else x for x in hookup.lines))


def _promise(
    incident: Incident, state: State, policy: Policy, choice: tuple[str, Option], promise: Promise
) -> Promise | None:
    tag, option = choice
    if promise.regulator is not None and not _has(_dial(incident, promise.regulator), option):
        return None
    units = {u.tag: u for u in device_units(incident)}
    if promise.device is not None and units[promise.device].kind == option.device:
        return promise
    return replace(promise, device=_free(incident, state, policy, (tag, option), is_here=False))


def _dial(incident: Incident, tag: str) -> tuple[float, ...]:
    return next(r.settings_lpm for r in incident.all_regulators if r.tag == tag)


def _has(dial: tuple[float, ...], option: Option) -> bool:
    return all(phase.flow_lpm in dial for phase in option.phases)


def _free(
    incident: Incident, state: State, policy: Policy, choice: tuple[str, Option], *, is_here: bool
) -> str | None:
    """Return a mask of the option's kind that nobody has, is promised or is given at the start."""
    tag, option = choice
    people = {p.tag: p for p in incident.patients}
    person = people[tag]
    running = {x.patient for h in state.hookups for x in h.lines}
    given = sum(
        x.device == option.device and people[x.patient].age == person.age
        and state.patient(x.patient).place == state.patient(tag).place
        for h in policy.hookups for x in h.lines if x.patient not in running and x.patient != tag
    )  # fmt: skip
    promised = {p.device for p in policy.promises}
    units = {u.tag: u for u in device_units(incident)}
    place = state.patient(tag).place
    found = []
    for row in state.devices:
        unit = units[row.tag]
        if row.holder is not None or row.is_gone or row.tag in promised:
            continue
        carry = incident.carry_min(row.place, place)
        is_near = carry == 0 and row.since_min <= state.at_min if is_here else carry is not None
        if unit.kind == option.device and unit.age == person.age and is_near:
            found.append((carry or 0.0, row.tag))
    # Sorted by nearness; the first `given` at the place go to those connected at the start.
    near = [t for _, t in sorted(found, key=lambda pair: pair[0])]
    return near[given] if len(near) > given else None
