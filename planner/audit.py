"""Audit of a plan: everything that must hold of any plan, said again without the model's code.

Each invariant is a generator of findings (who, what, what is allowed), read off the rules of
operation and never off the code that plans or judges: nothing of allocation, operation, rules,
shelf, solver, risk, swaps or limits is imported. A sound plan has no finding. An invariant skips
tags that do not exist; another one tells those. Here are those of the policy; those of what the
plan tells stand in :mod:`planner.audit_figures`.

Promised cylinders may stand on the list as well: operation takes the first one on the list "that is
not promised to somebody else", so the list is also the order in which they are taken.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from planner import audit_facts as facts
from planner import audit_figures as figures
from planner.audit_facts import AWAY, NOISE, Findings, Invariant, Seat
from planner.incident import BUILT_IN, LEVEL_ORDER, TRIAGE_ORDER, Option
from planner.oxygen_options import options_of
from planner.reference import load_connections, load_devices
from planner.state import Hookup, keys

if TYPE_CHECKING:
    from planner.plan import Plan


def audit(plan: Plan) -> tuple[str, ...]:
    """Return every finding in words, each after the name of its invariant; none in a sound plan.

    Parameters
    ----------
    plan : Plan
        As :func:`planner.workflow.make_plan` gives it.
    """
    return tuple(f"{name}: {text}" for name, rule in INVARIANTS for text in rule(plan))


# ----- kit -------------------------------------------------------------------------------------


def tags_exist(plan: Plan) -> Findings:
    """Name only people, cylinders, regulators and masks that the incident has."""
    policy = plan.policy
    hookups, promises = policy.hookups, policy.promises
    used: dict[str, list[str | None]] = {
        "patient": [*(x.patient for h in hookups for x in h.lines),
                    *(p.patient for p in promises), *(tag for tag, _ in policy.options)],
        "cylinder": [*(t for h in hookups for t in h.cylinders), *policy.order,
                     *(t for p in promises for t in p.cylinders)],
        "regulator": [*(h.regulator for h in hookups), *(p.regulator for p in promises)],
        "mask": [p.device for p in promises],
    }  # fmt: skip
    known = {
        "patient": set(facts.people(plan)), "cylinder": set(facts.cylinders(plan)),
        "regulator": {r.tag for r in plan.incident.all_regulators}, "mask": set(facts.units(plan)),
    }  # fmt: skip
    for kind, tags in used.items():
        for tag in dict.fromkeys(tags):
            if tag is not None and tag not in known[kind]:
                yield f"{kind} {tag} is not in the incident; allowed: its own tags"


def kit_once(plan: Plan) -> Findings:
    """Have each cylinder, regulator and mask in one place, and once."""
    policy = plan.policy
    on = [tag for h in policy.hookups for tag in h.cylinders]
    spoken = [*on, *(tag for p in policy.promises for tag in p.cylinders)]
    regulators = [h.regulator for h in policy.hookups] + [p.regulator for p in policy.promises]
    masks = [p.device for p in policy.promises if p.device is not None]
    for tag in facts.repeated([*spoken, *(t for t in regulators if t is not None), *masks]):
        yield f"{tag} is connected or promised more than once; allowed: one patient"
    for tag in facts.repeated(policy.order):
        yield f"{tag} stands on the list more than once; allowed: once"
    for tag in policy.order:
        if tag in on:
            yield f"{tag} is on the list and connected; allowed: one of them"


def kit_free(plan: Plan) -> Findings:
    """Connect, promise and list only what is in the reserve or free, or the patient's own."""
    state, policy = plan.state, plan.policy
    status = {c.tag: c.status for c in state.cylinders}
    new = facts.put_on(plan)
    for tag in (*new, *policy.order, *(t for p in policy.promises for t in p.cylinders)):
        if status.get(tag, "reserve") != "reserve":
            yield f"cylinder {tag} is {status[tag]}; allowed: in the reserve"
    kit = {k.tag: k for k in (*state.regulators, *state.devices)}
    wanted = [
        (s.hookup.regulator, s.patient.tag) for s in facts.seats(plan)
        if not any(kit[s.hookup.regulator].holder == x.patient for x in s.hookup.lines
                   if s.hookup.regulator in kit)
    ]  # fmt: skip
    wanted += [(t, p.patient) for p in policy.promises for t in (p.regulator, p.device)]
    for name, patient in wanted:
        row = kit.get(name or "")
        if row is not None and (row.is_gone or row.holder not in {None, patient}):
            holder = "gone" if row.is_gone else f"with {row.holder}"
            yield f"{name} for {patient} is {holder}; allowed: free or {patient}'s own"


def connections_fit(plan: Plan) -> Findings:
    """Fit a regulator to its cylinder's connection, and none to a built-in valve."""
    cylinders = facts.cylinders(plan)
    ends = {r.tag: r.connection for r in plan.incident.all_regulators}
    has: dict[str, str] = {}
    for hookup in plan.policy.hookups:
        end = BUILT_IN if hookup.regulator is None else ends.get(hookup.regulator)
        for row in (cylinders[t] for t in hookup.cylinders if t in cylinders):
            if end is not None and row.connection != end:
                yield f"{row.tag} is {row.connection} on {end}; allowed: the same connection"
        if hookup.regulator is not None and end is not None:
            has |= {line.patient: end for line in hookup.lines}
    for p in plan.policy.promises:
        end = ends.get(p.regulator or "", has.get(p.patient))
        for row in (cylinders[t] for t in p.cylinders if t in cylinders):
            if end is not None and row.connection != end:
                yield f"{row.tag} promised to {p.patient} is {row.connection}; allowed: {end}"


def outlets_suffice(plan: Plan) -> Findings:
    """Put no more people on a source than it has outlets: never two off one by a tee."""
    outlets = {r.tag: r.outlets for r in plan.incident.all_regulators}
    for hookup in plan.policy.hookups:
        most = outlets.get(hookup.regulator or "", 1)
        if not 1 <= len(hookup.lines) <= most:
            yield f"{hookup.regulator} has {len(hookup.lines)} people on it; allowed: 1 to {most}"


def concentrators_fill_no_bag(plan: Plan) -> Findings:
    """Connect no mask with a reservoir to a concentrator."""
    machines = {c.tag for c in plan.incident.all_cylinders if c.power_min is not None}
    for seat in facts.seats(plan):
        kind = load_devices().get(seat.line.device)
        if kind is not None and kind.has_reservoir and machines & set(seat.hookup.cylinders):
            told = f"{seat.patient.tag} has a {seat.line.device} on a concentrator"
            yield f"{told}; allowed: a mask without a reservoir"


def flows_on_dial(plan: Plan) -> Findings:
    """Have every flow of an option on the dial of the regulator it is meant for."""
    options = dict(plan.policy.options)
    for seat in facts.seats(plan):
        dial = facts.dial(plan, seat.hookup)
        for flow in sorted({seat.line.flow_lpm, *facts.flows(options.get(seat.patient.tag))}):
            if flow not in dial:
                yield f"{seat.patient.tag}: {flow:g} L/min is not on the dial; allowed: {dial}"
    for p in plan.policy.promises:
        if p.regulator is not None:
            dial = facts.dial(plan, Hookup((), p.regulator, ()))
            for flow in sorted(facts.flows(options.get(p.patient)) - set(dial)):
                yield f"{p.patient}: {flow:g} L/min is not on {p.regulator}; allowed: {dial}"


def kit_arrives(plan: Plan) -> Findings:
    """Have everything in a new connection at the patient's place by the state's minute."""
    where, now = facts.where(plan), plan.state.at_min
    runs = {h.cylinders for h in plan.state.hookups}
    for seat in (s for s in facts.seats(plan) if s.is_new and s.hookup.cylinders not in runs):
        for tag in (*seat.hookup.cylinders, seat.hookup.regulator):
            if tag is None or tag not in where:
                continue
            minute = facts.there_from(plan, where[tag], seat.now.place)
            if minute is None or minute > now + NOISE:
                told = "never" if minute is None else f"from minute {minute:g}"
                yield f"{tag} is at {seat.now.place} {told}; allowed: by {now:g}"


def kit_reaches(plan: Plan) -> Findings:
    """Have promised kit within reach of its patient, listed kit within reach of somebody."""
    where, people = facts.where(plan), facts.people(plan)
    for p in plan.policy.promises:
        for tag in (p.regulator, p.device, *p.cylinders):
            if tag in where and p.patient in people:
                place = people[p.patient][1].place
                if facts.there_from(plan, where[tag], place) is None:
                    yield f"{tag} cannot be carried to {p.patient}; allowed: within reach"
    places = {people[tag][1].place for tag, _ in plan.policy.options if tag in people}
    for tag in plan.policy.order:
        if tag in where and all(facts.there_from(plan, where[tag], q) is None for q in places):
            yield f"{tag} on the list reaches nobody on oxygen; allowed: within reach of one"


def masks_suffice(plan: Plan) -> Findings:
    """Have a mask of the right kind and age, there by now, for each new connection."""
    where, units = facts.where(plan), facts.units(plan)
    promised = {p.device for p in plan.policy.promises}
    for p in plan.policy.promises:
        unit, person = units.get(p.device or ""), facts.people(plan).get(p.patient)
        option = dict(plan.policy.options).get(p.patient)
        if unit is None or person is None or option is None:
            continue
        if (unit.kind, unit.age) != (option.device, person[0].age):
            yield f"{unit.tag} is promised to {p.patient}; allowed: {option.device} {person[0].age}"
    rows = [k for k in plan.state.devices if not k.is_gone and k.tag not in promised]
    seats = [s for s in facts.seats(plan) if s.is_new]
    if not seats:
        return
    fits = np.zeros((len(seats), max(1, len(rows))), dtype=np.int8)
    for i, seat in enumerate(seats):
        for k, row in enumerate(rows):
            unit = units[row.tag]
            minute = facts.there_from(plan, where[row.tag], seat.now.place)
            fits[i, k] = (
                (unit.kind, unit.age) == (seat.line.device, seat.patient.age)
                and row.holder in {None, seat.patient.tag}
                and minute is not None and minute <= plan.state.at_min + NOISE
            )  # fmt: skip
    matched = maximum_bipartite_matching(csr_array(fits), perm_type="column")
    for seat, column in zip(seats, matched, strict=True):
        if column < 0:
            wanted = f"{seat.line.device} {seat.patient.age} at {seat.now.place}"
            yield f"{seat.patient.tag}: no {wanted} is left; allowed: one for each connection"


def sundries_suffice(plan: Plan) -> Findings:
    """Have washers for the new connections of a place, and a key where one is needed."""
    cylinders, table, names = facts.cylinders(plan), load_connections(), plan.incident.places
    place = {tag: s.now.place for s in facts.seats(plan) for tag in s.hookup.cylinders}
    ends = [(place[t], table[cylinders[t].connection]) for t in facts.put_on(plan)
            if t in cylinders]  # fmt: skip
    wet = Counter(place for place, end in ends if end.needs_washer)
    keyed = {place for place, end in ends if end.needs_key}
    for row, left in zip(names, plan.state.washers or (), strict=False):
        if wet[row.name] > left:
            yield f"{row.name}: {wet[row.name]} connections use a washer; allowed: {left}"
    for row, number in zip(names, keys(plan.incident) or (), strict=False):
        if row.name in keyed and number < 1:
            yield f"{row.name}: a connection needs a key; allowed: none, there is no key"


def cylinders_usable(plan: Plan) -> Findings:
    """Have every cylinder newly connected, promised or listed above the change pressure."""
    cylinders, policy = facts.cylinders(plan), plan.policy
    new = facts.put_on(plan)
    promised = [tag for p in policy.promises for tag in p.cylinders]
    for tag in dict.fromkeys((*new, *promised, *policy.order)):
        if tag in cylinders and facts.usable_l(plan, cylinders[tag]) <= 0:
            change = plan.incident.change_at.psi
            yield f"{tag} has nothing to give; allowed: above {change:g} psi at the air temperature"


# ----- people ----------------------------------------------------------------------------------


def options_allowed(plan: Plan) -> Findings:
    """Give an option that the patient may have and its age has a mask for, or what goes on."""
    people = facts.people(plan)
    going_on = {s.patient.tag: s for s in facts.seats(plan) if not s.is_new}
    for tag, option in plan.policy.options:
        if tag not in people or option in options_of(plan.incident, people[tag][0]):
            continue
        if tag not in going_on or not _is_what_runs(option, going_on[tag]):
            phases = "/".join(f"{phase.flow_lpm:g}" for phase in option.phases)
            given = f"{option.device} {phases} L/min, {option.level}"
            yield f"{tag} gets {given}; allowed: the patient's options, or what goes on"
    for tag, option in plan.policy.options:
        kind = load_devices().get(option.device)
        if kind is None or (tag in people and people[tag][0].age not in kind.ages):
            ages = "a known device" if kind is None else ", ".join(kind.ages)
            yield f"{tag} gets a {option.device}; allowed: {ages}"


def _is_what_runs(option: Option, seat: Seat) -> bool:
    """Say whether an option made up is the one flow that goes on."""
    runs = (seat.line.device, {seat.line.flow_lpm}, 1)
    made = (option.device, facts.flows(option), len(option.phases))
    return made == runs and option.level in LEVEL_ORDER


def options_carried_out(plan: Plan) -> Findings:
    """Connect everyone to the device and flow of its option."""
    options = dict(plan.policy.options)
    for seat in facts.seats(plan):
        option, line = options.get(seat.patient.tag), seat.line
        if option is None:
            continue
        allowed = {option.flow_lpm} if seat.is_new else facts.flows(option)
        if line.device != option.device or line.flow_lpm not in allowed:
            told = f"{seat.patient.tag} is on a {line.device} at {line.flow_lpm:g} L/min"
            yield f"{told}; allowed: {option.device} at {sorted(allowed)}"


def everyone_once(plan: Plan) -> Findings:
    """Have everyone stand once: connected, awaited or waiting with an option, or no oxygen."""
    policy = plan.policy
    lines = Counter(x.patient for h in policy.hookups for x in h.lines)
    options = Counter(tag for tag, _ in policy.options)
    promises = Counter(p.patient for p in policy.promises)
    kit = {p.patient for p in policy.promises if p.regulator or p.device}
    for tag, (patient, now) in facts.people(plan).items():
        for word, count in (("connected", lines), ("given an option", options),
                            ("promised kit", promises)):  # fmt: skip
            if count[tag] > 1:
                yield f"{tag} is {word} {count[tag]} times; allowed: once"
        if lines[tag] and (now.status == "unknown" or tag in kit):
            yield f"{tag} is connected and awaited or promised a regulator or mask; allowed: one"
        is_indicated = bool(options_of(plan.incident, patient)) and now.status not in AWAY
        if is_indicated and not options[tag]:
            yield f"{tag} has oxygen indicated and no option; allowed: connected, awaited, waiting"
        if not is_indicated and now.status not in AWAY and options[tag] + lines[tag]:
            yield f"{tag} has no oxygen indicated and gets some; allowed: none"
        if (lines[tag] or promises[tag]) and not options[tag]:
            yield f"{tag} has kit and no option; allowed: an option for everyone who has kit"


def nobody_away(plan: Plan) -> Findings:
    """Connect nobody who is gone or dead, and set nothing aside for them."""
    policy = plan.policy
    given = [(x.patient, "connected") for h in policy.hookups for x in h.lines]
    given += [(p.patient, "promised kit") for p in policy.promises]
    given += [(tag, "given an option") for tag, _ in policy.options]
    people = facts.people(plan)
    for tag, word in given:
        if tag in people and (people[tag][1].status in AWAY or people[tag][0].triage == "dead"):
            yield f"{tag} is {word} and gone or dead; allowed: nothing"


def what_runs_goes_on(plan: Plan) -> Findings:
    """Let everyone go on as connected in the state, save the gone, the dead, the not indicated.

    The dial may be turned to the one flow of an option; that it is the option's is held elsewhere.
    """
    people = facts.people(plan)
    goes_on = {key for hookup in plan.policy.hookups for key in _lines(hookup)}
    for hookup in plan.state.hookups:
        for (patient, now), key in zip(
            (people[x.patient] for x in hookup.lines), _lines(hookup), strict=True
        ):
            stays = now.status not in AWAY and options_of(plan.incident, patient)
            if stays and key not in goes_on:
                cylinder, what = ", ".join(hookup.cylinders), "does not go on as it is"
                yield f"{patient.tag} on {cylinder} {what}; allowed: connected as in the state"


def _lines(hookup: Hookup) -> list[tuple[object, ...]]:
    """Return what stays of each line when its dial is turned."""
    source = (hookup.cylinders, hookup.regulator)
    return [(*source, x.patient, x.device, hookup.begins_min(x)) for x in hookup.lines]


def places_agree(plan: Plan) -> Findings:
    """Put nobody on a source that stands elsewhere."""
    where = {p.tag: p.place for p in plan.state.patients}
    for hookup in plan.policy.hookups:
        places = sorted({where[x.patient] for x in hookup.lines if x.patient in where})
        if len(places) > 1:
            yield f"{hookup.regulator} feeds people at {', '.join(places)}; allowed: one place"


def carried_alone(plan: Plan) -> Findings:
    """Put whoever is to be carried on a source of its own that can go along."""
    machines = {c.tag for c in plan.incident.all_cylinders if c.power_min is not None}
    for seat in (s for s in facts.seats(plan) if len(s.patient.legs) > s.now.legs_done):
        if len(seat.hookup.lines) > 1 or machines & set(seat.hookup.cylinders):
            told = f"{seat.patient.tag} is to be carried and on {', '.join(seat.hookup.cylinders)}"
            yield f"{told}; allowed: a cylinder of its own that goes along"
    for seat in (s for s in facts.seats(plan) if s.is_new and s.now.arrives_min is not None):
        yield f"{seat.patient.tag} is connected on a leg; allowed: at a place"


def joined_sources_run(plan: Plan) -> Findings:
    """Put a new line only on a source whose oxygen runs and whose swap is not due."""
    people = {p.tag: p for p in plan.state.patients}
    before = {h.cylinders: h for h in plan.state.hookups}
    for seat in (s for s in facts.seats(plan) if s.is_new and s.hookup.cylinders in before):
        source = before[seat.hookup.cylinders]
        rows = [people[x.patient] for x in source.lines]
        is_due = any(r.is_out or r.waiting_since_min is not None for r in rows)
        if is_due or source.flow_from_min > plan.state.at_min + NOISE:
            told = f"{seat.patient.tag} joins {source.regulator}, which is due or under way"
            yield f"{told}; allowed: one whose oxygen runs"


def hands_suffice(plan: Plan) -> Findings:
    """Begin bagging only where the responders there by now are enough for all who are bagged."""
    state = plan.state
    there = Counter(r.place for r in state.responders if r.free_from_min <= state.at_min + NOISE)
    held: Counter[str] = Counter()
    begun = set()
    for seat in facts.seats(plan):
        hands = facts.hands(seat.patient, seat.line.device)
        held[seat.now.place] += hands
        if hands and seat.is_new:
            begun.add(seat.now.place)
    for place in sorted(begun):
        if held[place] > there[place]:
            yield f"{place}: bagging holds {held[place]} responders; allowed: {there[place]}"


def kept_for_is_there(plan: Plan) -> Findings:
    """Keep no more cylinders than the list holds of that connection, for a known category."""
    policy, cylinders = plan.policy, facts.cylinders(plan)
    promised = {tag for p in policy.promises for tag in p.cylinders}
    listed = Counter(cylinders[t].connection for t in policy.order
                     if t in cylinders and t not in promised)  # fmt: skip
    names = {row.name for row in plan.incident.places}
    for row in policy.kept_for:
        told = f"kept for {row.triage} at {row.place or 'any place'}"
        if row.triage not in TRIAGE_ORDER[:-1]:
            yield f"{told}; allowed: {', '.join(TRIAGE_ORDER[:-1])}"
        if row.place is not None and row.place not in names:
            yield f"{told}; allowed: a place of the incident"
        if not 1 <= row.num_cylinders <= listed[row.connection]:
            most = f"1 to {listed[row.connection]}, as many as are listed"
            yield f"{told}: {row.num_cylinders} {row.connection} cylinders; allowed: {most}"
    for key, number in Counter((k.place, k.connection, k.triage) for k in policy.kept_for).items():
        if number > 1:
            yield f"kept for {key[2]}: {number} rows for {key[1]}; allowed: one row each"


INVARIANTS: Final[tuple[tuple[str, Invariant], ...]] = (
    ("every tag exists", tags_exist),
    ("kit is in one place once", kit_once),
    ("kit is free", kit_free),
    ("regulators fit their cylinders", connections_fit),
    ("nobody shares an outlet", outlets_suffice),
    ("all on one source are at one place", places_agree),
    ("no concentrator fills a bag", concentrators_fill_no_bag),
    ("outlets are taken of sources that run", joined_sources_run),
    ("who is carried has a source of its own", carried_alone),
    ("flows are on the dial", flows_on_dial),
    ("first kit is there by now", kit_arrives),
    ("promised and listed kit is within reach", kit_reaches),
    ("masks suffice", masks_suffice),
    ("washers and keys suffice", sundries_suffice),
    ("cylinders are above the change pressure", cylinders_usable),
    ("options are allowed", options_allowed),
    ("options are carried out", options_carried_out),
    ("everyone stands once", everyone_once),
    ("nobody gone or dead gets oxygen", nobody_away),
    ("what runs goes on", what_runs_goes_on),
    ("hands suffice", hands_suffice),
    ("what is kept is on the list", kept_for_is_there),
    *figures.INVARIANTS,
)
