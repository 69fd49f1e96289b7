"""Fit the compressibility of oxygen and write planner/oxygen_compressibility.py whole.

Run by hand: ``python tests/published/generate_oxygen_compressibility.py``. The fit interpolates
(Z - 1)/p of CoolProp's oxygen (R. Schmidt and W. Wagner, Fluid Phase Equilibria 19 (1985)
175-200) at Chebyshev nodes in pressure and in 1/T, so it needs no solver and no starting value.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from CoolProp.CoolProp import PropsSI
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

MAX_BAR = 311.0
MIN_C, MAX_C = -50.0, 60.0
PRESSURE_DEGREE, TEMPERATURE_DEGREE = 10, 5
DECIMALS = 12
TARGET = Path(__file__).resolve().parents[2] / "planner" / "oxygen_compressibility.py"

Array = NDArray[np.float64]
INVERSE_MAX, INVERSE_MIN = 1.0 / (MIN_C + 273.15), 1.0 / (MAX_C + 273.15)
MID, HALF = (INVERSE_MAX + INVERSE_MIN) / 2.0, (INVERSE_MAX - INVERSE_MIN) / 2.0


def compressibility(bar: Array, kelvin: Array) -> Array:
    """Z of CoolProp for equal-shaped absolute pressures [bar] and temperatures [K]."""
    flat = PropsSI("Z", "P", bar.ravel() * 1e5, "T", kelvin.ravel(), "Oxygen")
    return np.asarray(flat, dtype=np.float64).reshape(bar.shape)


def fit() -> Array:
    """Power-series coefficients of (Z - 1)/p, rows by pressure power, columns by 1/T power."""
    x = chebyshev.chebpts1(PRESSURE_DEGREE + 1)
    y = chebyshev.chebpts1(TEMPERATURE_DEGREE + 1)
    bar, kelvin = np.meshgrid((x + 1.0) / 2.0 * MAX_BAR, 1.0 / (MID + HALF * y), indexing="ij")
    values = (compressibility(bar, kelvin) - 1.0) / bar
    half = np.linalg.solve(chebyshev.chebvander(x, PRESSURE_DEGREE), values)
    series = np.linalg.solve(chebyshev.chebvander(y, TEMPERATURE_DEGREE), half.T).T
    in_x = np.apply_along_axis(chebyshev.cheb2poly, 0, series)
    return np.round(np.apply_along_axis(chebyshev.cheb2poly, 1, in_x), DECIMALS)


def largest_error(power: Array) -> float:
    """Largest relative error of Z on a grid much denser than the nodes."""
    bar, kelvin = np.meshgrid(
        np.linspace(1e-3, MAX_BAR, 400), np.linspace(MIN_C, MAX_C, 111) + 273.15, indexing="ij"
    )
    x, y = 2.0 * bar / MAX_BAR - 1.0, (1.0 / kelvin - MID) / HALF
    fitted = 1.0 + bar * np.polynomial.polynomial.polyval2d(x, y, power)
    return float(np.max(np.abs(fitted / compressibility(bar, kelvin) - 1.0)))


def text(power: Array, error: float) -> str:
    """Source text of the coefficient module."""
    rows = "\n".join(
        "    (\n" + "".join(f"        {value:.{DECIMALS}f},\n" for value in row) + "    ),"
        for row in power + 0.0
    )
    return f'''"""Coefficients of the compressibility of oxygen; written by a script, not by hand.

``tests/published/generate_oxygen_compressibility.py`` fits them to CoolProp's oxygen
(R. Schmidt and W. Wagner, Fluid Phase Equilibria 19 (1985) 175-200):

    Z = 1 + p sum_ij COEFFICIENTS[i][j] x^i y^j,  x = 2 p / MAX_BAR - 1,
    y = (1/T - INVERSE_KELVIN_MID) / INVERSE_KELVIN_HALF

with p the absolute pressure [bar], 0 to {MAX_BAR:g}, and T in kelvin, {MIN_C:g} to {MAX_C:g} C.
Largest relative error of Z there: {error * 100:.4f} %.
"""

from __future__ import annotations

from typing import Final

MAX_BAR: Final = {MAX_BAR!r}
MIN_C: Final = {MIN_C!r}
MAX_C: Final = {MAX_C!r}
INVERSE_KELVIN_MID: Final = {MID!r}
INVERSE_KELVIN_HALF: Final = {HALF!r}
COEFFICIENTS: Final[tuple[tuple[float, ...], ...]] = (
{rows}
)
'''


def main() -> None:
    """Fit, write the module whole, say the largest error."""
    power = fit()
    error = largest_error(power)
    draft = TARGET.with_suffix(".new")
    draft.write_text(text(power, error), encoding="utf-8")
    draft.replace(TARGET)
    sys.stdout.write(f"{TARGET.name}: largest relative error of Z {error * 100:.4f} %\n")


if __name__ == "__main__":
    main()
