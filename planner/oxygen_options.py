"""Which oxygen options a patient may be given: its own, or those of the protocol's row."""

from __future__ import annotations

from dataclasses import replace

from planner.incident import Cylinder, Incident, Option, Patient, Phase
from planner.reference import NEEDS, Indication, load_devices, load_protocol, options_for


def protocol_row(incident: Incident, patient: Patient) -> Indication | None:
    """Return the protocol's row for a patient; None when it names none."""
    if patient.indication is None:
        return None
    return load_protocol(incident.protocol).indication(patient.indication)


def options_of(incident: Incident, patient: Patient) -> tuple[Option, ...]:
    """Return the oxygen options of a patient, best level first.

    Own options win over the protocol's. Dead patients have none, expectant ones only their own
    (job.md rule 12: an explicit row, from surplus). Empty: no oxygen indicated.
    """
    if patient.triage == "dead":
        return ()
    if patient.options is not None:
        return patient.options
    row = protocol_row(incident, patient)
    if row is None or row.need == "none" or patient.triage == "expectant":
        return ()
    if incident.step_down_floor is not None:
        row = replace(row, step_down_floor=incident.step_down_floor)
    found = options_for(
        row, patient.age, spo2=patient.spo2, is_reading_trusted=patient.spo2_reliable
    )
    return tuple(
        Option(
            option.device,
            option.level,
            tuple(Phase(p.flow_lpm, p.for_min, p.chance) for p in option.phases)
            or (Phase(option.flow_lpm),),
        )
        for option in found
    )


def valve_has(cylinder: Cylinder, option: Option) -> bool:
    """Say whether a cylinder's own valve, or a concentrator, can feed an option."""
    has_flows = {phase.flow_lpm for phase in option.phases} <= set(cylinder.settings_lpm)
    fills_no_bag = cylinder.power_min is not None
    return has_flows and not (fills_no_bag and load_devices()[option.device].has_reservoir)


def is_indicated(incident: Incident, patient: Patient) -> bool:
    """Say whether oxygen is indicated, so that lacking it counts as out of oxygen."""
    return bool(options_of(incident, patient))


def need_of(incident: Incident, patient: Patient) -> str:
    """Return how much a patient needs oxygen: a word of the protocol table.

    A patient with own options and no row counts as protective.
    """
    row = protocol_row(incident, patient)
    if row is not None and row.need != "none":
        return row.need
    return "protective" if is_indicated(incident, patient) else "none"


def need_rank(need: str) -> int:
    """Return the place of a need in the queue, 0 first."""
    return NEEDS.index(need)
