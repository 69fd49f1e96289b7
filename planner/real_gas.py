"""Real-gas oxygen: compressibility, density from a gauge, gauge from a density.

The polynomial of `planner.oxygen_compressibility` stands for the equation of state of
R. Schmidt and W. Wagner, Fluid Phase Equilibria 19 (1985) 175-200, within 0.0042 % from 0 to 311
bar absolute and -50 to 60 C. Only operators are used, so that Python floats and NumPy arrays
both work, with the same bits; NumPy is not imported.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from planner.oxygen_compressibility import (
    COEFFICIENTS,
    INVERSE_KELVIN_HALF,
    INVERSE_KELVIN_MID,
    MAX_BAR,
    MAX_C,
    MIN_C,
)
from planner.units import (
    ATM_BAR,
    REFERENCE_C,
    ZERO_C_KELVIN,
    Quantity,
    bar_from_psi,
    psi_from_bar,
)

#: Range of validity: 311 bar absolute, cut to a whole 5 psi of gauge (309.9 bar).
MAX_GAUGE_PSI: Final = 4495.0
MIN_TEMPERATURE_C: Final = MIN_C
MAX_TEMPERATURE_C: Final = MAX_C

#: Newton steps; from the ideal gas the last of them changes nothing but rounding.
_NEWTON_STEPS: Final = 5


def compressibility(absolute_bar: Quantity, temperature_c: float | Quantity) -> Quantity:
    """Return Z = p V / (n R T) of oxygen.

    Parameters
    ----------
    absolute_bar : float or ndarray
        Absolute pressure [bar], 0 to 311.
    temperature_c : float or ndarray
        Temperature [C], -50 to 60.

    Returns
    -------
    float or ndarray
        Z, dimensionless, within 0.0042 % of Schmidt and Wagner (1985).

    Raises
    ------
    ValueError
        A pressure or temperature outside the range.
    """
    require("absolute pressure", absolute_bar, (0.0, MAX_BAR), "bar")
    require_temperature(temperature_c)
    return _z_and_slope(absolute_bar, _pressure_series(temperature_c))[0]


def fill(gauge_psi: Quantity, temperature_c: float | Quantity) -> Quantity:
    """Return p / (Z T), which is proportional to the density.

    Parameters
    ----------
    gauge_psi : float or ndarray
        Gauge [psi]; 1 atm is added at any altitude. Not checked here.
    temperature_c : float or ndarray
        Temperature of the gas [C]. Not checked here.

    Returns
    -------
    float or ndarray
        Absolute pressure over Z and absolute temperature [bar/K].
    """
    absolute_bar = bar_from_psi(gauge_psi) + ATM_BAR
    z, _ = _z_and_slope(absolute_bar, _pressure_series(temperature_c))
    return absolute_bar / (z * (temperature_c + ZERO_C_KELVIN))


def gauge_for_fill(fill_bar_per_k: Quantity, temperature_c: float | Quantity) -> Quantity:
    """Return the gauge at which p / (Z T) has a value; the inverse of `fill`.

    Solves p = fill T Z(p) by a fixed number of Newton steps from the ideal gas (Z = 1), held to
    the range of the fit, so that an array follows the very path of its elements.

    Parameters
    ----------
    fill_bar_per_k : float or ndarray
        Absolute pressure over Z and absolute temperature [bar/K], not below 0.
    temperature_c : float or ndarray
        Temperature of the gas [C]. Not checked here.

    Returns
    -------
    float or ndarray
        Gauge [psi]; 0 where the absolute pressure is below 1 atm.

    Raises
    ------
    ValueError
        The gauge would be over 4495 psi.
    """
    series = _pressure_series(temperature_c)
    ideal_bar = fill_bar_per_k * (temperature_c + ZERO_C_KELVIN)
    most_bar = bar_from_psi(MAX_GAUGE_PSI) + ATM_BAR
    most_z, _ = _z_and_slope(ideal_bar * 0.0 + most_bar, series)
    # A share of the largest fill; a hair over 1 is rounding, not a fault.
    _require_room(ideal_bar * most_z / most_bar)
    absolute_bar = most_bar - not_below_zero(most_bar - ideal_bar)
    for _ in range(_NEWTON_STEPS):
        z, slope = _z_and_slope(absolute_bar, series)
        absolute_bar = absolute_bar - (absolute_bar - ideal_bar * z) / (1.0 - ideal_bar * slope)
    return psi_from_bar(not_below_zero(absolute_bar - ATM_BAR))


def not_below_zero(value: Quantity) -> Quantity:
    """Return the larger of the value and 0, for a float or an array, without importing NumPy."""
    return (value + abs(value)) / 2.0


def require(what: str, value: float | Quantity, allowed: tuple[float, float], unit: str) -> None:
    """Raise `ValueError` unless a float, or every element, lies in a closed range."""
    least, most = _extent(value)
    low, high = allowed
    if low <= least and most <= high and most < math.inf:
        return
    wrong = most if low <= least else least
    span = f"{low:g} to {high:g}" if high < math.inf else f"{low:g} or more, finite"
    raise ValueError(f"{what} {wrong:g} {unit} is out of range; allowed: {span} {unit}")


def require_positive(what: str, value: float | Quantity, unit: str) -> None:
    """Raise `ValueError` unless a float, or every element, is above 0 and finite."""
    least, most = _extent(value)
    if least > 0.0 and most < math.inf:
        return
    wrong = most if least > 0.0 else least
    raise ValueError(f"{what} {wrong:g} {unit} is out of range; allowed: above 0 {unit}, finite")


def require_gauge(what: str, gauge_psi: float | Quantity) -> None:
    """Raise `ValueError` for a gauge below 0 or over 4495 psi."""
    require(what, gauge_psi, (0.0, MAX_GAUGE_PSI), "psi")


def require_temperature(temperature_c: float | Quantity) -> None:
    """Raise `ValueError` for a temperature outside -50 to 60 C."""
    require("temperature", temperature_c, (MIN_TEMPERATURE_C, MAX_TEMPERATURE_C), "C")


def _require_room(share: float | Quantity) -> None:
    _, most = _extent(share)
    if not most <= 1.0 + 1e-9:
        raise ValueError(
            f"the gas would read over {MAX_GAUGE_PSI:g} psi at that temperature"
            f" ({most:.3g} times the most that the gas data cover);"
            f" allowed: {MAX_GAUGE_PSI:g} psi or less"
        )


def _extent(value: Any) -> tuple[float, float]:
    """Least and largest of a float or an array; NaN if any is NaN (NumPy's min passes it on).

    An empty array has nothing to fault, and 1 lies in every range here.
    """
    if not hasattr(value, "min"):
        return value, value
    return (value.min(), value.max()) if value.size else (1.0, 1.0)


def _pressure_series(temperature_c: float | Quantity) -> list[float | Quantity]:
    """Coefficients of (Z - 1)/p in the scaled pressure, at a temperature."""
    y = (1.0 / (temperature_c + ZERO_C_KELVIN) - INVERSE_KELVIN_MID) / INVERSE_KELVIN_HALF
    return [_horner(row, y) for row in COEFFICIENTS]


def _horner(row: Sequence[float], y: float | Quantity) -> float | Quantity:
    total: float | Quantity = row[-1]
    for coefficient in row[-2::-1]:
        total = total * y + coefficient
    return total


def _z_and_slope(
    absolute_bar: Quantity, series: Sequence[float | Quantity]
) -> tuple[Quantity, Quantity]:
    """Z, and its slope by absolute pressure [1/bar], by Horner's scheme.

    Only + - x / on purpose: each is rounded alike for a float and for an array's element.
    """
    scale = 2.0 / MAX_BAR
    x = absolute_bar * scale - 1.0
    total = x * 0.0 + series[-1]
    slope = x * 0.0
    for coefficient in series[-2::-1]:
        slope = slope * x + total
        total = total * x + coefficient
    return 1.0 + absolute_bar * total, total + absolute_bar * slope * scale


#: `fill` at 70 F and 1 atm, by the same fit, so that one litre there is one litre.
REFERENCE_FILL: Final = fill(0.0, REFERENCE_C)
