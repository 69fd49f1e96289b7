"""From an outcome to chances: who runs out, how likely, for how long, and the objective J."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.demand import Flags, Floats, certain
from planner.estimate import Estimate, chance, mean
from planner.incident import Incident, Patient, tier_of
from planner.operation.judge import Bench, Outcome
from planner.oxygen_options import is_indicated
from planner.policy import Policy
from planner.state import State

OUT_MIN = 1e-9  # job.md rule 12: any minute counts; this is only float noise


@dataclass(frozen=True, slots=True)
class PatientRisk:
    """One patient's chance of running out, minutes out and late swaps, over all samples."""

    patient: str
    chance: Estimate
    minutes_out: Estimate
    late_swaps: Estimate


@dataclass(frozen=True, slots=True)
class Risk:
    """Chances of running out of oxygen, with 95 % intervals.

    ``objective`` is J of job.md. ``expectant`` is the chance that an expectant patient with own
    options runs out, reported apart; None when there is none. ``still_here`` is the chance that
    somebody is still there at the horizon.
    """

    anyone: Estimate
    immediate: Estimate
    immediate_or_delayed: Estimate
    by_patient: tuple[PatientRisk, ...]
    minutes_out: Estimate
    objective: Estimate
    expectant: Estimate | None
    still_here: Estimate
    samples: int


@dataclass(frozen=True, slots=True)
class Weights:
    """The objective's numbers by patient row, ready for arrays.

    ``tier`` is 0, 1, 2, or 3 for who does not count.
    """

    tier: npt.NDArray[np.int64]
    minute: Floats
    step: Floats
    tiers: Floats


def weights_of(incident: Incident) -> Weights:
    """Return the objective's weights: tier weights over their sum, minutes and steps by tier."""
    priorities = incident.priorities
    tier = np.array([_tier(incident, p) for p in incident.patients], dtype=np.int64)
    by_row = np.minimum(tier, 2)
    counts = tier < 3
    total = sum(priorities.tier_weights)
    return Weights(
        tier=tier,
        minute=np.array(priorities.minute_weights)[by_row] * counts,
        step=np.array(priorities.step_prices)[by_row] * counts,
        tiers=np.array(priorities.tier_weights) / total,
    )


def _tier(incident: Incident, patient: Patient) -> int:
    if not is_indicated(incident, patient):
        return 3
    if patient.triage == "expectant" and not incident.priorities.expectant_counts:
        return 3
    return tier_of(patient.triage)


def price_of(incident: Incident, policy: Policy, weights: Weights) -> float:
    """Return the price of all levels below first choice in a policy."""
    rows = {p.tag: row for row, p in enumerate(incident.patients)}
    return sum(float(weights.step[rows[tag]]) * o.steps for tag, o in policy.options)


def objective_samples(minutes_out: Floats, weights: Weights, price: float) -> Floats:
    """Return J by sample: tiers that run out, weighted minutes, and the price of lower levels.

    Parameters
    ----------
    minutes_out : array (patients, samples)
    weights : Weights
    price : float
        Of the policy's lower levels.
    """
    out = minutes_out > OUT_MIN
    total = price + weights.minute @ minutes_out
    for tier, weight in enumerate(weights.tiers):
        total = total + weight * out[weights.tier <= tier].any(axis=0)
    return np.asarray(total, dtype=np.float64)


def runs_out(weights: Weights, minutes_out: Floats, lowest: int = 2) -> Flags:
    """Return in which samples anyone of a tier up to ``lowest`` runs out.

    Parameters
    ----------
    weights : Weights
    minutes_out : array (patients, samples)
    lowest : int
        0: an Immediate, 1: an Immediate or Delayed, 2: anyone.
    """
    return np.asarray((minutes_out[weights.tier <= lowest] > OUT_MIN).any(axis=0))


def risk_of(incident: Incident, policy: Policy, outcome: Outcome) -> Risk:
    """Turn an outcome into chances with intervals.

    Parameters
    ----------
    incident : Incident
    policy : Policy
        The policy that was operated; its lower levels have a price.
    outcome : Outcome
        From samples that the policy was not chosen on, or the intervals say too little.
    """
    weights = weights_of(incident)
    out = outcome.minutes_out > OUT_MIN
    price = price_of(incident, policy, weights)
    is_apart = np.array(
        [weights.tier[row] == 3 and is_indicated(incident, p)
         for row, p in enumerate(incident.patients)], dtype=np.bool_,
    )  # fmt: skip
    shown = (weights.tier < 3) | is_apart
    return Risk(
        anyone=chance(_any(out, weights.tier <= 2)),
        immediate=chance(_any(out, weights.tier == 0)),
        immediate_or_delayed=chance(_any(out, weights.tier <= 1)),
        by_patient=tuple(
            PatientRisk(
                patient.tag,
                chance(out[row]),
                mean(outcome.minutes_out[row]),
                mean(outcome.late_swaps[row].astype(np.float64)),
            )
            for row, patient in enumerate(incident.patients)
            if shown[row]
        ),
        minutes_out=mean(outcome.minutes_out[weights.tier <= 2].sum(axis=0)),
        objective=mean(objective_samples(outcome.minutes_out, weights, price)),
        expectant=chance(_any(out, is_apart)) if is_apart.any() else None,
        still_here=chance(_any(outcome.still_here, weights.tier <= 2)),
        samples=out.shape[1],
    )


def _any(flags: Flags, rows: Flags) -> Flags:
    """Return, by sample, whether any of some rows is true."""
    return np.asarray(flags[rows].any(axis=0))


def chance_out_by(incident: Incident, outcome: Outcome, minutes: Floats) -> Floats:
    """Return, for each minute, the share of samples in which anyone has run out by then."""
    rows = weights_of(incident).tier <= 2
    if not rows.any():
        return np.zeros(minutes.size)
    first = np.sort(outcome.first_out_min[rows].min(axis=0))
    return np.searchsorted(first, minutes, side="right") / first.size


@dataclass(frozen=True, slots=True)
class Lasts:
    """Until which minute oxygen lasts when nobody is taken away; None: beyond the horizon."""

    everyone_min: float | None
    immediates_min: float | None


def lasts_until(incident: Incident, state: State, policy: Policy) -> Lasts:
    """Return until when oxygen lasts at the plan's flows.

    One run of operation in which nobody is transferred, everyone expected is found at the median
    and nothing is uncertain (job.md): the minute at which the first patient, and the first
    Immediate, is out.
    """
    needs = certain(incident, state)
    outcome = Bench.of(incident, state, needs).operate(policy, num_threads=1)
    tier = weights_of(incident).tier
    return Lasts(
        _first(outcome.first_out_min[tier <= 2, 0]), _first(outcome.first_out_min[tier == 0, 0])
    )


def _first(minutes: Floats) -> float | None:
    soonest = float(minutes.min()) if minutes.size else np.inf
    return soonest if np.isfinite(soonest) else None
