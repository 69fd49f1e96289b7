"""The luck of an exercise: one course of everything uncertain, drawn once from its seed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from planner.demand import Needs, sample
from planner.incident import Incident
from planner.state import initial_state


@dataclass(frozen=True, slots=True)
class Luck:
    """One course, by tag; infinite is never.

    Parameters
    ----------
    found_min, transfer_min : mapping
        When somebody is there, and when transport takes over.
    resupply_min : tuple of float
        When each delivery is there.
    gauge_error_psi : mapping
        True gauge less reading, the same for a cylinder all along.
    flow_factor : mapping
        True flow over dial setting, of regulators and of cylinders with a valve of their own.
    """

    found_min: Mapping[str, float]
    transfer_min: Mapping[str, float]
    resupply_min: tuple[float, ...]
    gauge_error_psi: Mapping[str, float]
    flow_factor: Mapping[str, float]


@lru_cache(maxsize=16)
def needs_of(incident: Incident, seed: int) -> Needs:
    """Return the one sample, as the judge takes it."""
    return sample(incident, initial_state(incident), 1, seed)


@lru_cache(maxsize=16)
def luck_of(incident: Incident, seed: int) -> Luck:
    """Return the luck of an incident by its seed; the same at every call."""
    needs = needs_of(incident, seed)
    people = [p.tag for p in incident.patients]
    found = {
        p.tag: float(start) if is_needed or p.triage == "dead" else float("inf")
        for p, start, is_needed in zip(
            incident.patients, needs.start_min[:, 0], needs.is_needed[:, 0], strict=True
        )
    }
    cylinders, regulators = incident.all_cylinders, incident.all_regulators
    factors = {
        c.tag: float(f) for c, f in zip(cylinders, needs.valve_factor[:, 0], strict=True)
    }  # fmt: skip
    factors |= {
        r.tag: float(f) for r, f in zip(regulators, needs.regulator_factor[:, 0], strict=True)
    }
    return Luck(
        found,
        dict(zip(people, needs.transfer_min[:, 0].tolist(), strict=True)),
        tuple(needs.resupply_min[:, 0].tolist()),
        {c.tag: float(e) for c, e in zip(cylinders, needs.gauge_error_psi[:, 0], strict=True)},
        factors,
    )
