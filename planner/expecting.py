"""What a plan expects to be so at a later minute: a situation to correct by what is seen.

One run of operation in which nothing is uncertain: everyone is found and taken at the median, and
deliveries that come more likely than not come at the median.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np

from planner.demand import certain, fetched_points
from planner.incident import Incident, Patient
from planner.operation.reading import state_after
from planner.policy import Policy
from planner.situation import situation_document
from planner.state import State
from planner.units import Pressure, PressureUnit

GAUGE_STEP: Final = {"psi": 10.0, "bar": 1.0}  # nobody reads a gauge more finely


def expected_state(incident: Incident, state: State, policy: Policy, at_min: float) -> State:
    """Return everything as the plan expects it at a minute, gauges as somebody would read them.

    Raises
    ------
    ValueError
        When the minute lies outside the state's minute to the horizon.
    """
    needs = certain(incident, state)
    fetched = fetched_points(incident, state, 0.5)
    gone = [
        fetched.get(patient.tag, _gone_min(patient, float(start)))
        for patient, start in zip(incident.patients, needs.start_min[:, 0], strict=True)
    ]
    later = [max(minute, state.at_min) for minute in gone]
    expected = replace(needs, transfer_min=np.array(later).reshape(-1, 1))
    then = state_after(incident, state, policy, expected, 0, at_min)
    is_bar = incident.change_at.unit == "bar"
    cylinders = tuple(
        replace(c, gauge=_as_read(c.gauge, is_bar=is_bar), is_exact=False) for c in then.cylinders
    )
    return replace(then, cylinders=cylinders)


def expected_situation(
    incident: Incident, state: State, policy: Policy, at_min: float
) -> dict[str, Any]:
    """Return the same as the tree of a situation file."""
    return situation_document(expected_state(incident, state, policy, at_min), incident)


def _gone_min(patient: Patient, start_min: float) -> float:
    if patient.transfer is not None:
        return patient.transfer.p50_min
    if patient.transfer_after_found is not None:
        return start_min + patient.transfer_after_found.p50_min
    return float(np.inf)


def _as_read(gauge: Pressure, *, is_bar: bool) -> Pressure:
    unit: PressureUnit = "bar" if is_bar else "psi"
    step = GAUGE_STEP[unit]
    return Pressure(round(gauge.in_unit(unit) / step) * step, unit)
