"""The one place that converts: pressure, temperature, reference litres, clock times.

Pressures are gauge pressures unless a name says otherwise. The functions take Python floats
and NumPy arrays alike; NumPy itself is not imported here.

Sources of the constants: NIST Special Publication 811 (2008), appendix B (pound-force per square
inch, standard atmosphere, degree Fahrenheit); CoolProp 8 with the equation of state of
R. Schmidt and W. Wagner, Fluid Phase Equilibria 19 (1985) 175-200 (densities of oxygen).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final, Literal, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PressureUnit = Literal["psi", "bar"]
TemperatureUnit = Literal["C", "F"]
LitreReference = Literal["70 F, 1 atm", "15 C, 1 atm", "0 C, 1 atm"]

#: A float in, a float out; an array in, an array out.
Quantity = TypeVar("Quantity", float, "NDArray[np.float64]")

#: 1e5 Pa over 0.45359237 kg x 9.80665 m/s2 / (0.0254 m)2, all exact (NIST SP 811).
PSI_PER_BAR: Final = 1e5 * 0.0254**2 / (0.45359237 * 9.80665)
#: Standard atmosphere, 101 325 Pa exactly (NIST SP 811).
ATM_BAR: Final = 1.01325
ATM_PSI: Final = ATM_BAR * PSI_PER_BAR
#: 0 C in kelvin, exact (NIST SP 811).
ZERO_C_KELVIN: Final = 273.15
#: 70 F, the reference of US gas tables: 294.261 K.
REFERENCE_C: Final = (70.0 - 32.0) / 1.8
REFERENCE_KELVIN: Final = REFERENCE_C + ZERO_C_KELVIN
#: Grams of oxygen in one litre at each reference condition (CoolProp 8, Schmidt and Wagner 1985).
#: US tables mean 70 F, collars of UK cylinders 15 C, "normal litres" 0 C; all at 1 atm.
OXYGEN_G_PER_L: Final[dict[LitreReference, float]] = {
    "70 F, 1 atm": 1.326140,
    "15 C, 1 atm": 1.354364,
    "0 C, 1 atm": 1.429033,
}

#: Minutes added before a clock time is cut, so that float noise does not cost a whole minute.
CLOCK_NOISE_MIN: Final = 1e-6


def psi_from_bar(pressure_bar: Quantity) -> Quantity:
    """Return psi for bar."""
    return pressure_bar * PSI_PER_BAR


def bar_from_psi(pressure_psi: Quantity) -> Quantity:
    """Return bar for psi."""
    return pressure_psi / PSI_PER_BAR


def c_from_f(temperature_f: Quantity) -> Quantity:
    """Return degrees Celsius for degrees Fahrenheit."""
    return (temperature_f - 32.0) / 1.8


def f_from_c(temperature_c: Quantity) -> Quantity:
    """Return degrees Fahrenheit for degrees Celsius."""
    return temperature_c * 1.8 + 32.0


def kelvin_from_c(temperature_c: Quantity) -> Quantity:
    """Return kelvin for degrees Celsius."""
    return temperature_c + ZERO_C_KELVIN


def convert_litres(
    litres: Quantity,
    to: LitreReference,
    given: LitreReference = "70 F, 1 atm",
) -> Quantity:
    """Convert litres of oxygen from one reference condition to another.

    Parameters
    ----------
    litres : float or ndarray
        Litres at the reference `given`.
    to, given : {"70 F, 1 atm", "15 C, 1 atm", "0 C, 1 atm"}
        Reference conditions.

    Returns
    -------
    float or ndarray
        Litres of the same mass at the reference `to` (ratio of the densities in `OXYGEN_G_PER_L`).

    Raises
    ------
    ValueError
        A reference condition that is not in the table.
    """
    for name in (to, given):
        if name not in OXYGEN_G_PER_L:
            raise ValueError(
                f"reference condition {name!r} is not known; allowed: {', '.join(OXYGEN_G_PER_L)}"
            )
    return litres * (OXYGEN_G_PER_L[given] / OXYGEN_G_PER_L[to])


@dataclass(frozen=True, slots=True)
class Pressure:
    """A gauge pressure that remembers the unit it was given in, so that files round-trip.

    Parameters
    ----------
    value : float
        Number as given; finite.
    unit : {"psi", "bar"}
        Unit as given.

    Raises
    ------
    ValueError
        An unknown unit, or a number that is not finite.
    """

    value: float
    unit: PressureUnit

    def __post_init__(self) -> None:
        if self.unit not in ("psi", "bar"):
            raise ValueError(f"pressure unit {self.unit!r} is not known; allowed: psi, bar")
        _require_finite("pressure", self.value, self.unit)

    @property
    def psi(self) -> float:
        """Gauge pressure [psi]; the very number given when that was psi."""
        return self.value if self.unit == "psi" else psi_from_bar(self.value)

    @property
    def bar(self) -> float:
        """Gauge pressure [bar]; the very number given when that was bar."""
        return self.value if self.unit == "bar" else bar_from_psi(self.value)

    def in_unit(self, unit: PressureUnit) -> float:
        """Return the gauge pressure in `unit`; `ValueError` for an unknown unit."""
        if unit not in ("psi", "bar"):
            raise ValueError(f"pressure unit {unit!r} is not known; allowed: psi, bar")
        return self.psi if unit == "psi" else self.bar


@dataclass(frozen=True, slots=True)
class Temperature:
    """A temperature that remembers the unit it was given in, so that files round-trip.

    Parameters
    ----------
    value : float
        Number as given; finite and not below absolute zero.
    unit : {"C", "F"}
        Unit as given.

    Raises
    ------
    ValueError
        An unknown unit, a number that is not finite, or one below absolute zero.
    """

    value: float
    unit: TemperatureUnit

    def __post_init__(self) -> None:
        if self.unit not in ("C", "F"):
            raise ValueError(f"temperature unit {self.unit!r} is not known; allowed: C, F")
        _require_finite("temperature", self.value, self.unit)
        if self.kelvin < 0.0:
            raise ValueError(f"temperature {self.value} {self.unit} is below absolute zero")

    @property
    def c(self) -> float:
        """Degrees Celsius; the very number given when that was Celsius."""
        return self.value if self.unit == "C" else c_from_f(self.value)

    @property
    def f(self) -> float:
        """Degrees Fahrenheit; the very number given when that was Fahrenheit."""
        return self.value if self.unit == "F" else f_from_c(self.value)

    @property
    def kelvin(self) -> float:
        """Kelvin."""
        return kelvin_from_c(self.c)

    def in_unit(self, unit: TemperatureUnit) -> float:
        """Return the temperature in `unit`; `ValueError` for an unknown unit."""
        if unit not in ("C", "F"):
            raise ValueError(f"temperature unit {unit!r} is not known; allowed: C, F")
        return self.c if unit == "C" else self.f


def parse_pressure(text: str) -> Pressure:
    """Read a gauge pressure such as ``1850psi`` or ``127 bar``.

    Parameters
    ----------
    text : str
        A finite decimal number followed by psi or bar (capitals do not matter).

    Returns
    -------
    Pressure
        In the unit given.

    Raises
    ------
    ValueError
        No unit, an unknown unit, or no finite number; the text says what is allowed.
    """
    number, unit = _split(text, ("psi", "bar"), "gauge pressure", "1850psi or 127bar")
    return Pressure(number, "psi" if unit == "psi" else "bar")


def parse_temperature(text: str) -> Temperature:
    """Read a temperature such as ``-12C`` or ``10 F``.

    Parameters
    ----------
    text : str
        A finite decimal number followed by C or F (capitals do not matter).

    Returns
    -------
    Temperature
        In the unit given.

    Raises
    ------
    ValueError
        No unit, an unknown unit, or no finite number; the text says what is allowed.
    """
    number, unit = _split(text, ("C", "F"), "temperature", "-12C or 10F")
    return Temperature(number, "C" if unit == "C" else "F")


def clock(start: datetime, minutes: float) -> str:
    """Return the clock time some minutes after a start, cut to the minute (the safe side).

    Parameters
    ----------
    start : datetime
        Start of the incident.
    minutes : float
        Minutes after it [min].

    Returns
    -------
    str
        ``HH:MM``, never later than the true time by more than `CLOCK_NOISE_MIN`.

    Raises
    ------
    ValueError
        Minutes that are not finite, or beyond what a calendar holds.
    """
    _require_finite("time", minutes, "min")
    try:
        instant = start + timedelta(minutes=minutes + CLOCK_NOISE_MIN)
    except OverflowError:
        raise ValueError(f"time {minutes} min after {start} is beyond the calendar") from None
    return instant.strftime("%H:%M")


def _require_finite(what: str, value: float, unit: str) -> None:
    if not math.isfinite(value):
        raise ValueError(f"{what} {value} {unit} is not a finite number")


def _split(text: str, units: tuple[str, ...], what: str, example: str) -> tuple[float, str]:
    """Split a number from its unit; one wording for every way of being wrong."""
    fault = (
        f"{what} {text[:40]!r} is not understood; allowed: a number and its unit"
        f" ({' or '.join(units)}), such as {example}"
    )
    stripped = text.strip()
    for unit in units:
        if stripped.lower().endswith(unit.lower()):
            digits = stripped[: -len(unit)].strip()
            # float() would also take "1_850", "nan", "infinity" and digits of other scripts.
            if not digits or not set(digits) <= set("0123456789.+-eE"):
                raise ValueError(fault)
            try:
                number = float(digits)
            except ValueError:
                raise ValueError(fault) from None
            if not math.isfinite(number):
                raise ValueError(f"{fault}; the number must be finite")
            return number, unit
    try:
        float(stripped)
    except ValueError:
        raise ValueError(fault) from None
    raise ValueError(f"{what} {text[:40]!r} has no unit; write {' or '.join(units)}: {example}")
