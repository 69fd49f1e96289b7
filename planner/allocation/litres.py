"""Litres somebody needs on an option by some minute, sample by sample."""

from __future__ import annotations

import numpy as np

from planner.demand import Floats, Needs
from planner.incident import Incident, Option
from planner.state import State


def litres_until(
    incident: Incident, state: State, needs: Needs, row: int, option: Option, until_min: Floats
) -> Floats:
    """Return the litres that a patient breathes on an option from now on.

    With L[s] the minutes from max(start, now) to min(until, transfer, horizon), b[k] the minutes
    after first flow at which phase k begins, f[k] its flow and g[k, s] whether it does begin (its
    score and those of the earlier phases are below their chances):

        litres[s] = factor x sum over k of g[k, s] (f[k] - f[k-1]) max(0, L[s] - max(0, b[k] - e))

    where e are the minutes since first flow of somebody connected: phases behind it have begun,
    and none follows where one has failed. The factor is the cold flow factor; that dials and
    gauges are off is left to the judge.

    Parameters
    ----------
    row : int
        The patient's, in the incident.
    until_min : array (samples,)

    Returns
    -------
    array (samples,)
    """
    now = state.patients[row]
    begin = np.maximum(needs.start_min[row], state.at_min)
    end = np.minimum(np.minimum(until_min, needs.transfer_min[row]), incident.horizon_min)
    length: Floats = np.maximum(end - begin, 0.0) * needs.is_needed[row]
    if now.phases_stopped:
        set_lpm = next(x.flow_lpm for h in state.hookups for x in h.lines if x.patient == now.tag)
        return np.asarray(length * set_lpm * incident.uncertainty.cold_flow_factor)
    elapsed = 0.0 if now.first_flow_min is None else state.at_min - now.first_flow_min
    begins = np.ones(needs.num_samples, dtype=np.bool_)
    litres = np.zeros(needs.num_samples)
    passed, flow = 0.0, np.zeros(needs.num_samples)
    for k, phase in enumerate(option.phases):
        if k > 0 and passed > elapsed:
            begins &= needs.phase_score[row, k - 1] < phase.chance
        change = np.where(begins, phase.flow_lpm - flow, 0.0)
        litres += change * np.maximum(length - max(0.0, passed - elapsed), 0.0)
        flow = flow + change
        passed += phase.for_min if phase.for_min is not None else np.inf
    return np.maximum(litres, 0.0) * incident.uncertainty.cold_flow_factor
