"""The best any plan could do with this stock: litres pooled per connection, hands never late.

In a sample in which nobody of some tiers ever runs out, what they have breathed by any minute
cannot be more than what their connections had to give by then. Where it would be more, somebody
runs out whatever the plan. The share of such samples is a lower bound on the chance.

What it bounds: every policy under the rules of operation at the given options (or, at the lowest,
at any allowed options) whose swaps start when they are due.

What it leaves out, and so may be far below any plan: half-full cylinders that leave with their
patients or come off at a swap, carrying, reach, regulators, masks, hands, keys, washers, kept
reserve, and not knowing the future. What it does not bound: a plan whose swaps are late breathes
part of the buffers under the change pressure, which are not counted here.

Two allowances keep it a bound. A connection has a gap without flow that counts as no time out, so
each cylinder is taken to give ``swap_gap_min`` more of the largest flow. And somebody whose
connection is not settled may be on any that could reach it: for every set of connections, those
who can only be on these are weighed against what these hold (Hall's condition).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from planner.demand import Flags, Floats
from planner.estimate import Estimate, chance
from planner.incident import BUILT_IN, Incident, Option, Patient
from planner.operation.arrays import GONE, TAKEN_OFF
from planner.operation.judge import Bench
from planner.oxygen_options import options_of
from planner.policy import Policy
from planner.risk import weights_of

SLACK_L = 1e-6  # float noise in sums of litres


@dataclass(frozen=True, slots=True)
class Limit:
    """Lower bounds on the chances that no plan can undercut, with their sampling intervals."""

    anyone: Estimate
    immediate: Estimate
    immediate_or_delayed: Estimate


def best_possible(bench: Bench, policy: Policy | None = None) -> Limit:
    """Return the best any plan could do with this stock.

    Parameters
    ----------
    bench : Bench
        Incident, state and samples.
    policy : Policy or None
        At this policy's options and connections; None: at the lowest allowed options, on any
        connection that could be used.

    Returns
    -------
    Limit
    """
    short = shortages(bench, policy)
    return Limit(chance(short[2]), chance(short[0]), chance(short[1]))


def shortages(bench: Bench, policy: Policy | None = None) -> list[Flags]:
    """Return, by tier (Immediate; and Delayed; everyone), the samples that are short for sure."""
    minutes = _checkpoints(bench)
    tier = weights_of(bench.incident).tier
    litres: dict[int, Floats] = {}
    allowed: dict[int, frozenset[str]] = {}
    for row, patient in enumerate(bench.incident.patients):
        options = _options(bench, patient, policy)
        if tier[row] <= 2 and options:
            allowed[row] = _connections(bench, patient, options, policy)
            litres[row] = _needed(bench, row, options, policy, minutes)
    found = []
    for level in range(3):
        rows = [row for row in litres if tier[row] <= level]
        short = np.zeros(bench.needs.num_samples, dtype=np.bool_)
        for row in rows:
            if not allowed[row]:
                short |= litres[row][-1] > SLACK_L
        for names in _subsets({name for row in rows for name in allowed[row]}):
            inside = [row for row in rows if allowed[row] and allowed[row] <= names]
            if inside:
                needed = sum((litres[row] for row in inside), np.zeros_like(minutes))
                short |= (needed > _supplied(bench, names, minutes) + SLACK_L).any(axis=0)
        found.append(short)
    return found


def _checkpoints(bench: Bench) -> Floats:
    """Return the minutes to look at: just before each arrival, and the horizon; (K, samples)."""
    horizon = np.full((1, bench.needs.num_samples), bench.incident.horizon_min)
    return np.vstack([np.minimum(bench.needs.resupply_min, horizon), horizon])


def _options(bench: Bench, patient: Patient, policy: Policy | None) -> tuple[Option, ...]:
    if policy is None:
        return options_of(bench.incident, patient)
    option = policy.option_of(patient.tag)
    return () if option is None else (option,)


def _connections(
    bench: Bench, patient: Patient, options: tuple[Option, ...], policy: Policy | None
) -> frozenset[str]:
    """Return the connections a patient could be on; one when the policy or the state says which."""
    incident = bench.incident
    regulators = {r.tag: r for r in incident.all_regulators}
    cylinders = {c.tag: c for c in incident.all_cylinders}
    settled = [h for h in bench.state.hookups if any(x.patient == patient.tag for x in h.lines)]
    held = [k.tag for k in bench.state.regulators if k.holder == patient.tag]
    if policy is not None:
        settled += [h for h in policy.hookups if any(x.patient == patient.tag for x in h.lines)]
        held += [
            p.regulator for p in policy.promises
            if p.patient == patient.tag and p.regulator is not None and p.regulator in regulators
            and bench.state.patient(patient.tag).status != "unknown"
        ]  # fmt: skip
    with_regulator = [h for h in settled if h.regulator is not None]
    if with_regulator:
        return frozenset({cylinders[with_regulator[0].cylinders[0]].connection})
    if held:
        return frozenset({regulators[held[0]].connection})
    flows = [{phase.flow_lpm for phase in option.phases} for option in options]
    names = {
        r.connection for r in incident.all_regulators
        if any(f <= set(r.settings_lpm) for f in flows)
    }  # fmt: skip
    names |= {
        BUILT_IN for c in incident.all_cylinders
        if c.connection == BUILT_IN and any(f <= set(c.settings_lpm) for f in flows)
    }  # fmt: skip
    return frozenset(names & {c.connection for c in incident.all_cylinders})


def _needed(
    bench: Bench, row: int, options: tuple[Option, ...], policy: Policy | None, minutes: Floats
) -> Floats:
    """Return the least litres a patient breathes by each minute, (K, samples)."""
    needs = bench.needs
    end = np.minimum(minutes, needs.transfer_min[row])
    length = np.maximum(end - needs.start_min[row], 0.0) * needs.is_needed[row]
    length = np.minimum(length, np.maximum(end - bench.state.at_min, 0.0))
    before = max(bench.state.at_min - float(needs.start_min[row].min()), 0.0)
    litres = [
        breathed_l(option, length + before, needs.phase_score[row])
        - breathed_l(option, np.full_like(length, before), needs.phase_score[row])
        for option in options
    ]
    factor = _least_factor(bench, bench.incident.patients[row].tag, policy)
    return np.asarray(np.min(litres, axis=0) * factor)


def breathed_l(option: Option, length: Floats, score: Floats) -> Floats:
    """Return the litres of an option over lengths of time; a phase that fails drops the later."""
    total = option.phases[0].flow_lpm * length
    begin = option.phases[0].for_min or 0.0
    goes_on = np.ones(length.shape[1], dtype=np.bool_)
    for k, phase in enumerate(option.phases[1:]):
        goes_on &= score[k] < phase.chance
        step = phase.flow_lpm - option.phases[k].flow_lpm
        total = total + goes_on * step * np.maximum(length - begin, 0.0)
        begin += phase.for_min or 0.0
    return np.asarray(total)


def _least_factor(bench: Bench, tag: str, policy: Policy | None) -> Floats:
    """Return the flow factor of a patient's regulator; the least of all where it is not settled."""
    rows = {r.tag: row for row, r in enumerate(bench.incident.all_regulators)}
    hookups = (*bench.state.hookups, *(policy.hookups if policy is not None else ()))
    for hookup in hookups:
        if hookup.regulator is not None and any(x.patient == tag for x in hookup.lines):
            return np.asarray(bench.needs.regulator_factor[rows[hookup.regulator]])
    built_in = [
        row for row, c in enumerate(bench.incident.all_cylinders) if c.connection == BUILT_IN
    ]
    every = np.vstack([bench.needs.regulator_factor, bench.needs.valve_factor[built_in]])
    if every.shape[0] == 0:
        return np.ones(bench.needs.num_samples)
    return np.asarray(every.min(axis=0))


def _supplied(bench: Bench, names: frozenset[str], minutes: Floats) -> Floats:
    """Return the litres that a set of connections can have given by each minute, (K, samples)."""
    incident, scene, draws = bench.incident, bench.scene, bench.draws
    numbers = {bench.names.connections[name] for name in names}
    rows = [
        c for c in range(scene.connection.size)
        if int(scene.connection[c]) in numbers
        and int(scene.cylinder_status[c]) not in (TAKEN_OFF, GONE)
    ]  # fmt: skip
    lines = {name: _most_lines(incident, name) for name in names}
    connection = {bench.names.connections[name]: lines[name] for name in names}
    gap_l = incident.swap_gap_min * _largest_flow(bench)
    # Who joins a source has a gap of its own, and on a leg the buffer is breathed.
    joining_l = gap_l * len(incident.patients) if max(lines.values(), default=1) > 1 else 0.0
    here = np.full(bench.needs.num_samples, joining_l) + _buffers_on_legs(bench, rows)
    later: dict[int, Floats] = {}
    for c in rows:
        usable = np.maximum(draws.content[c] - scene.change_l[c], 0.0)
        saved_l = gap_l * connection[int(scene.connection[c])]
        gives = np.where(usable > 0, usable + saved_l, 0.0)
        supply = int(scene.cylinder_supply[c])
        if supply < 0:
            here = here + gives
        else:
            later[supply] = later.get(supply, np.zeros_like(here)) + gives
    total = np.broadcast_to(here, minutes.shape).copy()
    last = minutes.shape[0] - 1
    for number, litres in later.items():
        arrival = bench.needs.resupply_min[number]
        is_there = arrival < minutes
        is_there[last] = arrival <= minutes[last]
        total += is_there * litres
    return total


def _most_lines(incident: Incident, connection: str) -> int:
    """Return how many people one swap may serve: each of them breathes nothing for its gap."""
    outlets = (r.outlets for r in incident.all_regulators if r.connection == connection)
    return max(outlets, default=1)


def _buffers_on_legs(bench: Bench, rows: list[int]) -> float:
    """Return the most that lies between change pressure and safe residual, one cylinder a leg."""
    people = zip(bench.incident.patients, bench.state.patients, strict=True)
    num_legs = sum(
        len(patient.legs) - now.legs_done + (now.arrives_min is not None) for patient, now in people
    )
    scene = bench.scene
    buffers = sorted((float(scene.change_l[c] - scene.residual_l[c]) for c in rows), reverse=True)
    return sum(buffers[:num_legs])


def _largest_flow(bench: Bench) -> float:
    flows = [
        phase.flow_lpm for patient in bench.incident.patients
        for option in options_of(bench.incident, patient) for phase in option.phases
    ]  # fmt: skip
    flows += [line.flow_lpm for hookup in bench.state.hookups for line in hookup.lines]
    most = float(bench.needs.regulator_factor.max(initial=1.0))
    return max(flows, default=0.0) * max(most, float(bench.needs.valve_factor.max(initial=1.0)))


def _subsets(names: set[str]) -> Iterator[frozenset[str]]:
    ordered = sorted(names)
    for size in range(1, len(ordered) + 1):
        for chosen in combinations(ordered, size):
            yield frozenset(chosen)
