"""What gauges show, on paper: a controller without power answers from it when one is read.

Flows and minutes of the tables are our own choice. A gauge falls a little unevenly (real gas); the
table gives the mean fall from the highest gauge there is to the safe residual, and says how far it
is off at worst.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.exercise.truth import reading_of, truth_at
from planner.exercise.truth_rows import Truth
from planner.gas import gauge_for_content
from planner.incident import Cylinder, Incident
from planner.operation.arrays import litres_at, residual_l
from planner.report.view import Grid
from planner.report.words import pressure
from planner.units import PSI_PER_BAR, Pressure

FLOWS_LPM: Final = (6.0, 10.0, 15.0)
MINUTES: Final = (5.0, 10.0, 15.0)
STEP_PSI: Final = 10.0  # as a gauge is read in an exercise
_USUAL_PSI: Final = 2000.0  # for a size of which none is above the residual


def gauges_grid(exercise: Exercise, run: Run) -> Grid:
    """Return a row a cylinder: its true gauge, what it shows when asked, and how long it lasts."""
    truth, incident = truth_at(exercise, run), exercise.incident
    flows = " / ".join(f"{flow:g}" for flow in FLOWS_LPM)
    residual = _in_unit(incident.safe_residual.psi, is_bar=incident.safe_residual.unit == "bar")
    heads = ("Tag", "Size", "Place", "True gauge", "Shows when asked",
             f"Minutes to {residual} at {flows} L/min")  # fmt: skip
    rows = tuple(_row(exercise, truth, c) for c in incident.all_cylinders)
    return Grid("Gauges", heads, rows)


def _row(exercise: Exercise, truth: Truth, cylinder: Cylinder) -> tuple[str, ...]:
    row, incident = truth.cylinder(cylinder.tag), exercise.incident
    place = "to arrive" if row.status == "to arrive" else row.place
    size = f"{cylinder.size}, {cylinder.connection}"
    if cylinder.power_min is not None:
        left = row.litres / cylinder.power_rate if cylinder.power_rate else 0.0
        return cylinder.tag, size, place, "no gauge", "no gauge", f"{left:.0f} at any setting"
    is_bar = cylinder.gauge.unit == "bar"
    shown = reading_of(exercise, truth, cylinder.tag)
    lasts = (int(m) for m in lasting_min(incident, cylinder, row.gauge_psi))
    return (
        cylinder.tag, size, place, _in_unit(row.gauge_psi, is_bar=is_bar),
        _in_unit(shown.psi, is_bar=is_bar), " / ".join(str(m) for m in lasts),
    )  # fmt: skip


def lasting_min(incident: Incident, cylinder: Cylinder, gauge_psi: float) -> tuple[float, ...]:
    """Return the minutes from a true gauge to the safe residual, for each of ``FLOWS_LPM``."""
    litres = litres_at(cylinder, gauge_psi, incident) - residual_l(cylinder, incident)
    return tuple(max(0.0, litres) / flow for flow in FLOWS_LPM)


def falls_grid(exercise: Exercise, run: Run) -> Grid:
    """Return how far a gauge falls, by size and flow, in ``MINUTES``."""
    truth = truth_at(exercise, run)
    heads = ("Size", "Flow", *(f"in {m:g} min" for m in MINUTES), "Off by at most")
    return Grid(
        "A gauge falls by so much", heads, tuple(_falls(exercise.incident, truth)),
        frozenset({2, 3, 4, 5}),
    )  # fmt: skip


def _falls(incident: Incident, truth: Truth) -> Iterator[tuple[str, ...]]:
    kinds: dict[tuple[str, float, float, str], list[Cylinder]] = {}
    for cylinder in incident.all_cylinders:
        if cylinder.power_min is None:
            key = (cylinder.size, cylinder.water_volume_l, cylinder.factor_l_per_psi,
                   cylinder.gauge.unit)  # fmt: skip
            kinds.setdefault(key, []).append(cylinder)
    for same in kinds.values():
        one, is_bar = same[0], same[0].gauge.unit == "bar"
        top = max(truth.cylinder(c.tag).gauge_psi for c in same)
        if top <= incident.safe_residual.psi + STEP_PSI:
            top = _USUAL_PSI
        for flow in FLOWS_LPM:
            falls = [fall_psi(incident, one, top, flow * m) for m in MINUTES]
            worst = max(_off(incident, one, top, flow * m) for m in MINUTES)
            cells = ("-" if fall > top else f"-{_in_unit(fall, is_bar=is_bar)}" for fall in falls)
            yield one.size, f"{flow:g} L/min", *cells, _in_unit(worst, is_bar=is_bar, is_up=True)


def fall_psi(incident: Incident, cylinder: Cylinder, top_psi: float, litres: float) -> float:
    """Return how far the gauge falls for some litres: the mean from ``top_psi`` to the residual."""
    low = incident.safe_residual.psi
    held = litres_at(cylinder, top_psi, incident) - residual_l(cylinder, incident)
    return (top_psi - low) / held * litres


def _off(incident: Incident, cylinder: Cylinder, top_psi: float, litres: float) -> float:
    """Return how far the mean is off at worst, from any gauge that holds so much."""
    mean, worst, start = fall_psi(incident, cylinder, top_psi, litres), 0.0, top_psi
    while start > 0:
        left = litres_at(cylinder, start, incident) - litres
        if left < litres_at(cylinder, 0.0, incident):
            break
        worst = max(worst, abs(start - _gauge(incident, cylinder, left) - mean))
        start -= 50.0
    return worst


def _gauge(incident: Incident, cylinder: Cylinder, litres: float) -> float:
    if incident.contents == "handbook":
        return litres / cylinder.factor_l_per_psi
    return gauge_for_content(cylinder.water_volume_l, litres, incident.air_temperature.c)


def _in_unit(psi: float, *, is_bar: bool, is_up: bool = False) -> str:
    """Return a pressure as a gauge is read: to 10 psi, or to 1 bar."""
    step = PSI_PER_BAR if is_bar else STEP_PSI
    steps = -(-psi // step) if is_up else round(psi / step)
    return pressure(Pressure(steps * step, "psi"), is_bar=is_bar)
