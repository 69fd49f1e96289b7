"""What a log is read against: the cylinders and kit there were, and how far readings may be off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from planner.incident import Connected, Cylinder, Incident, Regulator, Uncertainty
from planner.oxygen_options import is_indicated
from planner.units import Pressure, Temperature

SILENCE_MIN: Final = 30.0  # our own, no source: longer without a word is a gap in the record


@dataclass(frozen=True, slots=True)
class Stock:
    """What was there, and what readings are judged by.

    Parameters
    ----------
    cylinders, regulators : tuple
        With their gauges at the start; those with ``place`` None come with a resupply.
    patients : tuple of str
        Tags that may appear; empty: any.
    connected : tuple of (str, Connected)
        Who is on oxygen at minute 0, by tag.
    needs_oxygen : frozenset of str
        Who counts as without oxygen from being found on.
    uncertainty : Uncertainty
        Standard deviations of gauge and flow, as operation draws them.
    air_temperature : Temperature
        Of the gas in use, and of readings that name none.
    change_at, safe_residual : Pressure
        A change is due, and nobody breathes below it.
    silence_min : float
        Minutes without an entry about somebody on oxygen that count as a gap in the record.
    """

    cylinders: tuple[Cylinder, ...] = ()
    regulators: tuple[Regulator, ...] = ()
    patients: tuple[str, ...] = ()
    connected: tuple[tuple[str, Connected], ...] = ()
    needs_oxygen: frozenset[str] = frozenset()
    uncertainty: Uncertainty = Uncertainty()
    air_temperature: Temperature = Temperature(10.0, "C")
    change_at: Pressure = Pressure(500.0, "psi")
    safe_residual: Pressure = Pressure(200.0, "psi")
    silence_min: float = SILENCE_MIN


def stock_of(incident: Incident) -> Stock:
    """Return what an incident had; the log's minute 0 is the incident's."""
    return Stock(
        cylinders=incident.all_cylinders,
        regulators=incident.all_regulators,
        patients=tuple(p.tag for p in incident.patients),
        connected=tuple((p.tag, p.connected) for p in incident.patients if p.connected is not None),
        needs_oxygen=frozenset(p.tag for p in incident.patients if is_indicated(incident, p)),
        uncertainty=incident.uncertainty,
        air_temperature=incident.air_temperature,
        change_at=incident.change_at,
        safe_residual=incident.safe_residual,
    )
