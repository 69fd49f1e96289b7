"""What if: a plan kept as it is while one thing is different, on common samples.

Streams are keyed by purpose and tag, so a change leaves every draw it does not touch alone, and
before and after are compared sample by sample.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planner.demand import Flags, Floats, Needs, sample
from planner.estimate import Estimate, chance, difference, mean
from planner.incident import Incident, Patient, ThreePoint
from planner.operation.judge import Bench
from planner.policy import Policy
from planner.risk import runs_out, weights_of
from planner.state import State
from planner.units import Pressure


@dataclass(frozen=True, slots=True)
class Change:
    """What is different; the default changes nothing.

    Parameters
    ----------
    later_min : float
        Every transport comes so many minutes later (earlier below 0).
    flow_factor : float
        What really flows over what is expected at a setting.
    num_fewer : int
        So many cylinders fewer, from the end of the printed list.
    change_at : Pressure or None
        Gauge at which a swap is due; None: the incident's.
    """

    later_min: float = 0.0
    flow_factor: float = 1.0
    num_fewer: int = 0
    change_at: Pressure | None = None


@dataclass(frozen=True, slots=True)
class Compared:
    """A chance before and after, and the paired difference (after less before)."""

    before: Estimate
    after: Estimate
    by: Estimate


@dataclass(frozen=True, slots=True)
class Difference:
    """What a change does to a plan that is kept."""

    anyone: Compared
    immediate: Compared
    minutes_out: Compared


def what_if(
    incident: Incident, state: State, policy: Policy, change: Change, samples: tuple[int, int]
) -> Difference:
    """Compare a policy before and after a change on common samples.

    Parameters
    ----------
    incident : Incident
    state : State
    policy : Policy
    change : Change
    samples : (int, int)
        How many samples, and their seed.

    Returns
    -------
    Difference
    """
    before = _minutes_out(incident, state, policy, sample(incident, state, *samples))
    other = changed(incident, change)
    needs = sample(other, state, *samples)
    needs = replace(
        needs,
        regulator_factor=needs.regulator_factor * change.flow_factor,
        valve_factor=needs.valve_factor * change.flow_factor,
    )
    after = _minutes_out(other, *without_last(state, policy, change.num_fewer), needs)
    weights = weights_of(incident)
    total = [minutes[weights.tier <= 2].sum(axis=0) for minutes in (before, after)]
    return Difference(
        anyone=_compared(*(runs_out(weights, m) for m in (before, after))),
        immediate=_compared(*(runs_out(weights, m, 0) for m in (before, after))),
        minutes_out=Compared(mean(total[0]), mean(total[1]), difference(total[1], total[0])),
    )


def changed(incident: Incident, change: Change) -> Incident:
    """Return the incident with its transports and change pressure as changed."""
    people = tuple(_later(patient, change.later_min) for patient in incident.patients)
    groups = tuple(
        replace(g, fallback=_moved(g.fallback, change.later_min)) for g in incident.transfer_groups
    )
    vehicles = tuple(
        replace(v, first_arrival=v.first_arrival.later(change.later_min)) for v in incident.vehicles
    )
    at = change.change_at or incident.change_at
    return replace(
        incident, patients=people, transfer_groups=groups, vehicles=vehicles, change_at=at
    )


def without_last(state: State, policy: Policy, num_fewer: int) -> tuple[State, Policy]:
    """Return state and policy without the last cylinders of the list that are there by now."""
    there = {row.tag for row in state.cylinders if row.status == "reserve"}
    listed = [tag for tag in policy.order if tag in there]
    lost = set(listed[len(listed) - min(num_fewer, len(listed)) :]) if num_fewer > 0 else set()
    left = tuple(replace(row, status="gone") if row.tag in lost else row for row in state.cylinders)
    order = tuple(tag for tag in policy.order if tag not in lost)
    return replace(state, cylinders=left), replace(policy, order=order)


def _minutes_out(incident: Incident, state: State, policy: Policy, needs: Needs) -> Floats:
    return Bench.of(incident, state, needs).operate(policy).minutes_out


def _later(patient: Patient, minutes: float) -> Patient:
    return replace(
        patient,
        transfer=_moved(patient.transfer, minutes),
        transfer_after_found=_moved(patient.transfer_after_found, minutes),
    )


def _moved(time: ThreePoint | None, minutes: float) -> ThreePoint | None:
    return None if time is None else time.later(minutes)


def _compared(before: Flags, after: Flags) -> Compared:
    by = difference(after.astype(np.float64), before.astype(np.float64))
    return Compared(chance(before), chance(after), by)
