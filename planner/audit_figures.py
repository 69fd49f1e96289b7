"""Audit of what a plan tells: the printed swaps, chances, minutes, limits and clocks."""

from __future__ import annotations

import math
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from planner import audit_facts as facts
from planner.audit_facts import NOISE, Findings, Invariant
from planner.demand import fetched_points
from planner.incident import BUILT_IN, Patient
from planner.oxygen_options import options_of
from planner.state import Hookup, PatientNow

if TYPE_CHECKING:
    from planner.estimate import Estimate
    from planner.limits import Limit
    from planner.plan import Plan
    from planner.risk import Risk
    from planner.swaps import Swap

LEAST_CHANCE: Final = 0.05  # less likely swaps are not printed; our own, no source
LIKELY: Final = 0.5  # who is less likely needed is not counted on to hold hands; our own
FAR: Final = 5.0  # standard deviations; a normal is beyond it 3 times in ten million
SUM_NOISE: Final = 1e-6  # of sums over samples, relative
TIERS: Final = ("immediate", "immediate_or_delayed", "anyone")


# ----- swaps -----------------------------------------------------------------------------------


def swaps_exist(plan: Plan) -> Findings:
    """Swap only people on oxygen, at their place, between cylinders that exist and fit."""
    cylinders, people = facts.cylinders(plan), facts.people(plan)
    options = dict(plan.policy.options)
    for swap in plan.swaps:
        if swap.patient not in people or swap.patient not in options:
            yield f"{swap.patient} swaps and has no option; allowed: somebody on oxygen"
            continue
        places = facts.places_of(plan, swap.patient)
        if swap.place not in places:
            at = " or ".join(places)
            yield f"{swap.patient} swaps at {swap.place}; allowed: {at}, where it is"
        for tag in (swap.off, swap.on):
            if tag is not None and tag not in cylinders:
                yield f"{swap.patient} swaps {tag}; allowed: a cylinder of the incident"
        if swap.on in cylinders:
            allowed = _connections_of(plan, swap.patient)
            end = cylinders[swap.on].connection
            if end not in allowed:
                yield f"{swap.patient} goes onto {swap.on}, {end}; allowed: {sorted(allowed)}"


def _connections_of(plan: Plan, patient: str) -> set[str]:
    """Return the connections a patient may be on: its regulator's, or any that fit."""
    ends = {r.tag: r.connection for r in plan.incident.all_regulators}
    held = [s.hookup.regulator for s in facts.seats(plan) if s.patient.tag == patient]
    held += [k.tag for k in plan.state.regulators if k.holder == patient]
    known = {ends[tag] for tag in held if tag in ends}
    if known:
        return known
    flows = facts.flows(dict(plan.policy.options).get(patient))
    found = {r.connection for r in plan.incident.all_regulators if flows <= set(r.settings_lpm)}
    own_valve = (c for c in plan.incident.all_cylinders if c.connection == BUILT_IN)
    return found | {BUILT_IN for c in own_valve if flows <= set(c.settings_lpm)}


def swaps_once(plan: Plan) -> Findings:
    """Put each cylinder on once: free for it, within reach, and never the one that comes off."""
    swaps = [s for s in plan.swaps if not s.is_joining]
    for tag in facts.repeated(s.on for s in swaps if s.on is not None):
        yield f"{tag} goes on in more than one swap; allowed: one"
    where, state = facts.where(plan), {c.tag: c.status for c in plan.state.cylinders}
    owner = {tag: p.patient for p in plan.policy.promises for tag in p.cylinders}
    kept = {tag for s in facts.seats(plan) if not _returns(plan, s.patient)
            for tag in s.hookup.cylinders}  # fmt: skip
    for swap in (s for s in swaps if s.on is not None):
        tag = swap.on or ""
        if tag == swap.off:
            yield f"{swap.patient} swaps {tag} for itself; allowed: another cylinder"
        if tag in kept or state.get(tag) in {"taken off", "gone"}:
            yield f"{swap.patient} goes onto {tag}, which is in use or used; allowed: a free one"
        if owner.get(tag, swap.patient) != swap.patient:
            yield f"{swap.patient} goes onto {tag}, promised to {owner[tag]}; allowed: its own"
        if tag in where and swap.place not in _reached(plan, where[tag][0], swap.place):
            yield f"{tag} cannot be carried to {swap.place}; allowed: within reach"


def _reached(plan: Plan, origin: str, place: str) -> set[str]:
    """Return the places a cylinder can come to on its way to one, put on and returned between."""
    people = facts.people(plan)
    on_oxygen = [people[tag] for tag, _ in plan.policy.options if tag in people]
    stops = {place, *(now.place for patient, now in on_oxygen if _returns(plan, patient))}
    stops |= {leg.to for patient, _ in on_oxygen for leg in patient.legs}
    reached, new = {origin}, {origin}
    while new:
        new = {stop for stop in stops - reached
               if any(facts.there_from(plan, (at, 0.0), stop) is not None for at in reached)
               }  # fmt: skip
        reached |= new
    return reached


def _returns(plan: Plan, patient: Patient) -> bool:
    """Say whether a patient's kit comes back from its transfer."""
    return plan.incident.kit_return_of(patient) is not None


def swaps_follow(plan: Plan) -> Findings:
    """Count a patient's swaps from 1 on; each takes off what the one before put on.

    The one before is the last of anybody on the same source.
    """
    on: dict[str, str | None] = {s.patient.tag: s.hookup.cylinders[0] for s in facts.seats(plan)}
    last: dict[str, Swap] = {}
    for swap in plan.swaps:
        before = last.get(swap.patient)
        number = 1 if before is None else before.number + 1
        off = on.get(swap.patient)
        if swap.number != number:
            yield f"{swap.patient}'s swap {swap.number} stands there; allowed: {number}"
        if swap.off != off:
            yield f"{swap.patient} takes {swap.off} off; allowed: {off}, which it is on"
        if before is not None and swap.chance_needed > before.chance_needed + NOISE:
            most = f"{before.chance_needed:g}, that of the one before"
            yield f"{swap.patient}'s swap {swap.number} is more likely; allowed: up to {most}"
        last[swap.patient] = swap
        on |= dict.fromkeys((swap.patient, *swap.together), swap.on)


def swap_times(plan: Plan) -> Findings:
    """Print early, expected and late in this order, from now to the horizon."""
    now, end = plan.state.at_min, plan.incident.horizon_min
    for swap in plan.swaps:
        times = (now, swap.early_min, swap.expected_min, swap.late_min, end)
        if not all(a <= b + NOISE for a, b in pairwise(times)):
            told = "/".join(f"{minute:g}" for minute in times[1:4])
            yield f"{swap.patient} swaps at {told}; allowed: in order, {now:g} to {end:g}"
        if not LEAST_CHANCE <= swap.chance_needed <= 1:
            chance = f"{swap.chance_needed:g}"
            yield f"{swap.patient}'s swap has chance {chance}; allowed: {LEAST_CHANCE:g} to 1"


def swaps_in_time(plan: Plan) -> Findings:
    """Take no first cylinder off before what is in it could be breathed, five deviations off."""
    sure, cylinders = plan.incident.uncertainty, facts.cylinders(plan)
    seats = {s.patient.tag: s for s in facts.seats(plan)}
    for swap in (s for s in plan.swaps if s.number == 1 and s.patient in seats):
        seat = seats[swap.patient]
        cylinder = cylinders.get(seat.hookup.cylinders[0])
        if cylinder is None or not seat.is_new:
            continue
        most = sure.cold_flow_factor * (1 + FAR * sure.flow_setting)
        fastest = most * _most_flow(plan, seat.hookup)
        least_l = facts.usable_l(plan, cylinder, -FAR * sure.gauge.psi)
        soonest = seat.hookup.flow_from_min + max(0.0, least_l) / fastest
        if swap.early_min < soonest - NOISE:
            told = f"{swap.patient} swaps {swap.off} from {swap.early_min:g} on"
            yield f"{told}; allowed: not before {soonest:.1f}, by its litres"


def _most_flow(plan: Plan, hookup: Hookup) -> float:
    """Return the most that may flow from a source: of all its lines, and of whoever joins it."""
    options = dict(plan.policy.options)
    flows = [max(x.flow_lpm, *facts.flows(options.get(x.patient)), 0.0) for x in hookup.lines]
    outlets = {r.tag: r.outlets for r in plan.incident.all_regulators}
    spare = outlets.get(hookup.regulator or "", 1) - len(hookup.lines)
    others = [flow for option in options.values() for flow in facts.flows(option)]
    return sum(flows) + max(0, spare) * max(others, default=0.0)


def responders_free(plan: Plan) -> Findings:
    """Ask only responders of that place, there by then, one swap at a time, not bagging then."""
    rows = {r.tag: r for r in plan.state.responders}
    asked = [s for s in plan.swaps if s.responder is not None]
    for swap in asked:
        row = rows.get(swap.responder or "")
        if row is None or row.place != swap.place or row.free_from_min > swap.expected_min + NOISE:
            told = f"{swap.responder} swaps for {swap.patient} at {swap.expected_min:g}"
            yield f"{told}; allowed: a responder who is at {swap.place} by then"
    for a, b in combinations(asked, 2):
        apart = abs(a.expected_min - b.expected_min)
        if a.responder == b.responder and apart < plan.incident.swap_min - NOISE:
            told = f"{a.responder} is asked by {a.patient} and {b.patient} {apart:.1f} min apart"
            yield f"{told}; allowed: {plan.incident.swap_min:g} or more"
    for swap in asked:
        free, busy = _free(plan, swap), _busy(plan, swap)
        if busy > free:
            told = f"{busy} swap at {swap.place} at {swap.expected_min:.1f}"
            yield f"{told}; allowed: {free} who are not bagging by the median times"


def _busy(plan: Plan, swap: Swap) -> int:
    """Return how many responders are swapping at the place of a swap, it included."""
    lasts, at = plan.incident.swap_min - NOISE, swap.expected_min
    names = {s.responder for s in plan.swaps
             if s.place == swap.place and 0 <= at - s.expected_min < lasts}  # fmt: skip
    return len(names - {None})


def _free(plan: Plan, swap: Swap) -> int:
    """Return how many responders are there at a swap and not bagging."""
    there = [r for r in plan.state.responders
             if r.place == swap.place and r.free_from_min <= swap.expected_min + NOISE]  # fmt: skip
    return max(0, len(there) - _bagging(plan, swap))


def _bagging(plan: Plan, swap: Swap) -> int:
    """Return how many responders are bagging at a swap, by the median times."""
    options, seats = dict(plan.policy.options), {s.patient.tag for s in facts.seats(plan)}
    held = 0
    for tag, (patient, now) in facts.people(plan).items():
        is_there = tag in seats or (now.status == "unknown" and patient.chance_needed >= LIKELY)
        at = facts.place_at(plan, tag, swap.expected_min)
        if tag not in options or at != swap.place or not is_there:
            continue
        hands = facts.hands(patient, options[tag].device)
        begin, end = _stay(plan, patient, now) if hands else (0.0, 0.0)
        if begin < swap.expected_min < end:
            held += hands
    return held


def _stay(plan: Plan, patient: Patient, now: PatientNow) -> tuple[float, float]:
    """Return from when to when somebody is there, by the median times."""
    found = patient.oxygen_from.p50_min
    begin = found if now.status == "unknown" else plan.state.at_min
    fetched = fetched_points(plan.incident, plan.state, 0.5)
    if patient.tag in fetched:
        return begin, min(fetched[patient.tag], plan.incident.horizon_min)
    if patient.transfer is not None:
        return begin, patient.transfer.p50_min
    if patient.transfer_after_found is not None:
        return begin, found + patient.transfer_after_found.p50_min
    return begin, plan.incident.horizon_min


# ----- chances ---------------------------------------------------------------------------------


def _risks(plan: Plan) -> list[tuple[str, Risk, Limit]]:
    """Return the plan's own and the rules' chances, with the limits at their options."""
    own = ("the plan", plan.risk, plan.best_possible.at_plan_options)
    return [own, *((row.rule, row.risk, row.limit) for row in plan.rules)]


def _chances(risk: Risk | Limit) -> list[tuple[str, Estimate]]:
    return [(tier.replace("_", " "), getattr(risk, tier)) for tier in TIERS]


def chances_in_intervals(plan: Plan) -> Findings:
    """Have low, value and high in this order; chances from 0 to 1, means from 0 on."""
    lowest = plan.best_possible.at_lowest_options
    for name, risk, limit in _risks(plan):
        shares = [*_chances(risk), *_chances(limit), *_chances(lowest)]
        shares += [("still here", risk.still_here)]
        shares += [("expectant", risk.expectant)] if risk.expectant is not None else []
        shares += [(row.patient, row.chance) for row in risk.by_patient]
        means = [("minutes out", risk.minutes_out), ("objective", risk.objective)]
        means += [(f"{row.patient}'s minutes out", row.minutes_out) for row in risk.by_patient]
        means += [(f"{row.patient}'s late swaps", row.late_swaps) for row in risk.by_patient]
        for what, of in shares:
            if not 0 <= of.low <= of.value <= of.high <= 1:
                told = f"{name}, {what}: {of.value:g} in {of.low:g} to {of.high:g}"
                yield f"{told}; allowed: inside, from 0 to 1"
        for what, of in means:
            if not (of.low <= of.value <= of.high and of.value >= 0):
                told = f"{name}, {what}: {of.value:g} in {of.low:g} to {of.high:g}"
                yield f"{told}; allowed: inside, 0 or more"


def tiers_are_nested(plan: Plan) -> Findings:
    """Have Immediate at most Immediate or delayed, and that at most anyone."""
    for name, risk, limit in _risks(plan):
        for of in (risk, limit, plan.best_possible.at_lowest_options):
            for (a, low), (b, high) in pairwise(_chances(of)):
                if low.value > high.value + NOISE:
                    yield f"{name}: {a} {low.value:g} over {b}; allowed: up to {high.value:g}"


def patients_add_up(plan: Plan) -> Findings:
    """Have everyone with an indication once, chances and minutes that agree with the tiers'."""
    counted = facts.counted(plan)
    indicated = [p.tag for p in plan.incident.patients if options_of(plan.incident, p)]
    for name, risk, _ in _risks(plan):
        if [row.patient for row in risk.by_patient] != indicated:
            yield f"{name}: by patient is not everyone once; allowed: {', '.join(indicated)}"
        for tier, (word, of) in enumerate(_chances(risk)):
            rows = [r.chance.value for r in risk.by_patient if counted.get(r.patient, 3) <= tier]
            low, high = max(rows, default=0.0), min(1.0, sum(rows))
            if not low - NOISE <= of.value <= high + NOISE:
                yield f"{name}, {word}: {of.value:g}; allowed: {low:g} to {high:g}, by patient"
        minutes = sum(r.minutes_out.value for r in risk.by_patient if r.patient in counted)
        if not math.isclose(minutes, risk.minutes_out.value, rel_tol=SUM_NOISE, abs_tol=NOISE):
            yield f"{name}: {risk.minutes_out.value:g} minutes out; allowed: their sum {minutes:g}"
        yield from _minutes_agree(plan, name, risk)


def _minutes_agree(plan: Plan, name: str, risk: Risk) -> Findings:
    """Have minutes out where there is a chance and only there, no more than the chance allows."""
    most = plan.incident.horizon_min - plan.state.at_min
    for row in risk.by_patient:
        minutes, share = row.minutes_out.value, row.chance.value
        is_sound = minutes <= share * most + NOISE and (minutes > 0 or share == 0)
        if not is_sound:
            told = f"{name}, {row.patient}: {minutes:g} minutes out at chance {share:g}"
            yield f"{told}; allowed: up to {share * most:g}, none without a chance"


def objective_adds_up(plan: Plan) -> Findings:
    """Have J the sum of its parts: weighted chances, weighted minutes, price of lower levels."""
    counted, weigh = facts.counted(plan), plan.incident.priorities
    policies = [plan.policy, *(row.policy for row in plan.rules)]
    for policy, (name, risk, _) in zip(policies, _risks(plan), strict=True):
        weights = [weight / sum(weigh.tier_weights) for weight in weigh.tier_weights]
        total = sum(w * of.value for w, (_, of) in zip(weights, _chances(risk), strict=True))
        for row in (r for r in risk.by_patient if r.patient in counted):
            total += weigh.minute_weights[counted[row.patient]] * row.minutes_out.value
        for tag, option in policy.options:
            if tag in counted:
                total += weigh.step_prices[counted[tag]] * option.steps
        if not math.isclose(total, risk.objective.value, rel_tol=SUM_NOISE, abs_tol=NOISE):
            yield f"{name}: J is {risk.objective.value:g}; allowed: {total:g}, the sum of its parts"


def out_by_rises(plan: Plan) -> Findings:
    """Have the chance out by a minute rise from now on to the chance of anyone."""
    minutes, chances = plan.chance_out_by
    anyone = plan.risk.anyone.value
    if len(minutes) != len(chances) or not len(minutes) or minutes[0] != plan.state.at_min:
        yield f"chance out by begins elsewhere; allowed: minute {plan.state.at_min:g}"
        return
    if (np.diff(minutes) <= 0).any() or (np.diff(chances) < -NOISE).any() or chances[0] < 0:
        yield "chance out by falls or goes back in time; allowed: never decreasing"
    end = plan.incident.horizon_min
    if minutes[-1] > end + NOISE:
        yield f"chance out by is told to minute {minutes[-1]:g}; allowed: {end:g}, the horizon"
    least = anyone if minutes[-1] >= end else 0.0
    if not least - NOISE <= chances[-1] <= anyone + NOISE:
        yield f"chance out by ends at {chances[-1]:g}; allowed: {least:g} to {anyone:g} (anyone)"


def limits_are_limits(plan: Plan) -> Findings:
    """Have no limit above the chance it is a limit of, beyond the interval."""
    best = plan.best_possible
    pairs: list[tuple[str, Limit, Risk | Limit]]
    pairs = [(name, limit, risk) for name, risk, limit in _risks(plan)]
    pairs += [("the lowest options", best.at_lowest_options, best.at_plan_options)]
    for name, limit, above in pairs:
        for (word, low), (_, high) in zip(_chances(limit), _chances(above), strict=True):
            if low.value > high.high + NOISE:
                told = f"best possible of {name}, {word}: {low.value:g}"
                yield f"{told}; allowed: up to {high.high:g}, what it is a limit of"


# ----- clocks and where it comes from ----------------------------------------------------------


def clocks_run(plan: Plan) -> Findings:
    """Have every minute between the state's and the horizon, Immediates not before everyone."""
    now, end = plan.state.at_min, plan.incident.horizon_min
    if not 0 <= now <= end:
        yield f"the state's minute is {now:g}; allowed: 0 to {end:g}"
    for seat in facts.seats(plan):
        begin = seat.hookup.flow_from_min
        if seat.is_new and begin != now:
            yield f"{seat.patient.tag}'s flow begins at {begin:g}; allowed: now, {now:g}"
    for name, lasts in (("the plan", plan.lasts), *((r.rule, r.lasts) for r in plan.rules)):
        everyone = math.inf if lasts.everyone_min is None else lasts.everyone_min
        immediates = math.inf if lasts.immediates_min is None else lasts.immediates_min
        if not now - NOISE <= everyone <= immediates:
            told = f"{name} lasts until {everyone:g}, Immediates {immediates:g}"
            yield f"{told}; allowed: from {now:g}, Immediates not before everyone"
        if any(end < minute < math.inf for minute in (everyone, immediates)):
            yield f"{name} lasts beyond the horizon; allowed: up to {end:g} or none"
    if not 0 <= plan.capped_share <= 1:
        yield f"{plan.capped_share:g} of the transfers are capped; allowed: 0 to 1"


def source_is_told(plan: Plan) -> Findings:
    """Say where the policy comes from as it is, with all chances on the run's samples."""
    rules = {row.rule: row for row in plan.rules}
    if plan.source != "plan" and plan.source not in rules:
        yield f"the source is {plan.source!r}; allowed: plan, {', '.join(rules)}"
    if plan.source in rules and rules[plan.source].policy != plan.policy:
        yield f"the policy is not that of {plan.source}; allowed: the rule's own"
    if plan.is_fallback and plan.source == "plan":
        yield "the policy is a fallback and its source the plan; allowed: the name of a rule"
    for name, risk, limit in _risks(plan):
        if {risk.samples, risk.anyone.samples, limit.anyone.samples} != {plan.run.samples}:
            yield f"{name} rests on {risk.samples} samples; allowed: {plan.run.samples}, the run's"
    for step in plan.solver:
        if step.bound is None or step.objective is None:
            continue
        if step.bound > step.objective + SUM_NOISE * max(1.0, abs(step.objective)):
            yield f"{step.step}: bound {step.bound:g}; allowed: up to {step.objective:g}"


INVARIANTS: Final[tuple[tuple[str, Invariant], ...]] = (
    ("swaps exist and fit", swaps_exist),
    ("a cylinder goes on once", swaps_once),
    ("swaps of one patient follow each other", swaps_follow),
    ("swap times are in order and likely enough", swap_times),
    ("nobody swaps before the litres allow", swaps_in_time),
    ("printed responders are there and free", responders_free),
    ("chances lie in their intervals", chances_in_intervals),
    ("tiers are nested", tiers_are_nested),
    ("patients add up to the tiers", patients_add_up),
    ("the objective is the sum of its parts", objective_adds_up),
    ("the chance out by a minute rises to anyone's", out_by_rises),
    ("limits are limits", limits_are_limits),
    ("clocks run from now to the horizon", clocks_run),
    ("source and samples are as told", source_is_told),
)
