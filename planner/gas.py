"""What a cylinder holds and how long it lasts, by real gas and by the handbook.

Litres are reference litres: oxygen at 70 F and 1 atm. Pressures are gauge pressures [psi]; the
absolute pressure is gauge plus 1 atm at any altitude. Temperatures are degrees Celsius, -50 to
60. Real gas means the compressibility Z of `planner.real_gas` (Schmidt and Wagner, 1985).

Every function takes Python floats or NumPy arrays that broadcast, and gives the same bits for
both; NumPy is not imported. For the type checker an array belongs in the argument that carries
the reading (gauge, litres or content); the others may then be floats or arrays.
A scalar or an array with a value outside its range, or not a number, raises `ValueError`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from planner.real_gas import (
    REFERENCE_FILL,
    fill,
    gauge_for_fill,
    not_below_zero,
    require,
    require_gauge,
    require_positive,
    require_temperature,
)
from planner.units import PSI_PER_BAR, Quantity


@dataclass(frozen=True, slots=True)
class Reading:
    """A cylinder as it was read, and the temperature it will be used at.

    Parameters
    ----------
    water_volume_l : float
        Water volume [L].
    factor_l_per_psi : float
        Handbook factor [L/psi].
    gauge_psi : float
        Gauge as read [psi].
    read_at_c, used_at_c : float
        Temperature of the gas at the reading and in use [C].
    """

    water_volume_l: float
    factor_l_per_psi: float
    gauge_psi: float
    read_at_c: float
    used_at_c: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Gauges at which use ends.

    Parameters
    ----------
    change_at_psi : float
        A swap is due [psi]; 500 is common practice, no source.
    safe_residual_psi : float
        Nobody breathes below it [psi]; 200 by US Army course MD0542.

    Raises
    ------
    ValueError
        A change pressure below the safe residual, or either outside the range of a gauge.
    """

    change_at_psi: float = 500.0
    safe_residual_psi: float = 200.0

    def __post_init__(self) -> None:
        require_gauge("change pressure", self.change_at_psi)
        require_gauge("safe residual", self.safe_residual_psi)
        if self.change_at_psi < self.safe_residual_psi:
            raise ValueError(
                f"change pressure {self.change_at_psi:g} psi is below the safe residual;"
                f" allowed: {self.safe_residual_psi:g} psi or more"
            )


@dataclass(frozen=True, slots=True)
class Duration:
    """Minutes at a flow until three gauges, by one method.

    Parameters
    ----------
    to_change_min, to_residual_min, to_empty_min : float
        Until the change pressure, the safe residual, gauge 0 [min]; 0 when already below.
    """

    to_change_min: float
    to_residual_min: float
    to_empty_min: float


@dataclass(frozen=True, slots=True)
class Durations:
    """How long a cylinder lasts, by both methods.

    Parameters
    ----------
    handbook : Duration
        (gauge as read - limit) x factor / flow; knows no temperature.
    real_gas : Duration
        Real gas at the temperature of use.
    gauge_in_use_psi : float
        What the gauge shows at the temperature of use, before any is breathed [psi].
    """

    handbook: Duration
    real_gas: Duration
    gauge_in_use_psi: float


def content_l(
    water_volume_l: float | Quantity, gauge_psi: Quantity, temperature_c: float | Quantity
) -> Quantity:
    """Return the litres of oxygen in a cylinder, counted from vacuum.

    Parameters
    ----------
    water_volume_l : float or ndarray
        Water volume [L], above 0.
    gauge_psi : float or ndarray
        Gauge pressure [psi], 0 to 4495; 1 atm is added at any altitude.
    temperature_c : float or ndarray
        Temperature of the gas [C], -50 to 60.

    Returns
    -------
    float or ndarray
        Reference litres [L at 70 F, 1 atm]: volume x p / (Z T) over the same at the reference.

    Raises
    ------
    ValueError
        A value outside its range.
    """
    if type(water_volume_l) is type(gauge_psi) is type(temperature_c) is float:
        return _content_of(water_volume_l, gauge_psi, temperature_c)
    return _content(water_volume_l, gauge_psi, temperature_c)


def _content(
    water_volume_l: float | Quantity, gauge_psi: Quantity, temperature_c: float | Quantity
) -> Quantity:
    require_positive("water volume", water_volume_l, "L")
    require_gauge("gauge", gauge_psi)
    require_temperature(temperature_c)
    return water_volume_l * (fill(gauge_psi, temperature_c) / REFERENCE_FILL)


@lru_cache(maxsize=65_536)
def _content_of(water_volume_l: float, gauge_psi: float, temperature_c: float) -> float:
    """Of single numbers: the same few cylinders are asked for again and again while planning."""
    return _content(water_volume_l, gauge_psi, temperature_c)


def litres_between(
    water_volume_l: float | Quantity,
    from_psi: Quantity,
    to_psi: float | Quantity,
    temperature_c: float | Quantity,
) -> Quantity:
    """Return the litres a cylinder gives from one gauge down to another, real gas.

    Parameters
    ----------
    water_volume_l : float or ndarray
        Water volume [L], above 0.
    from_psi, to_psi : float or ndarray
        Gauge before and after [psi], 0 to 4495, both at `temperature_c`.
    temperature_c : float or ndarray
        Temperature of the gas [C], -50 to 60.

    Returns
    -------
    float or ndarray
        Reference litres [L]; 0 where `from_psi` is already at or below `to_psi`.

    Raises
    ------
    ValueError
        A value outside its range.
    """
    before_l: Quantity = content_l(water_volume_l, from_psi, temperature_c)
    after_l: Quantity = content_l(water_volume_l, to_psi + from_psi * 0.0, temperature_c)
    return not_below_zero(before_l - after_l)


def handbook_litres_between(
    factor_l_per_psi: float | Quantity, from_psi: Quantity, to_psi: float | Quantity
) -> Quantity:
    """Return the litres from one gauge down to another by the handbook factor.

    Parameters
    ----------
    factor_l_per_psi : float or ndarray
        Handbook factor [L/psi], above 0 (D 0.16, E 0.28: US Army course MD0542).
    from_psi, to_psi : float or ndarray
        Gauge before and after [psi], 0 to 4495.

    Returns
    -------
    float or ndarray
        Litres [L], as the handbook means them; 0 where `from_psi` is at or below `to_psi`.

    Raises
    ------
    ValueError
        A value outside its range.
    """
    require_positive("factor", factor_l_per_psi, "L/psi")
    require_gauge("gauge", from_psi)
    require_gauge("gauge", to_psi)
    return not_below_zero(from_psi - to_psi) * factor_l_per_psi


def boyle_factor_l_per_psi(water_volume_l: Quantity) -> Quantity:
    """Return the factor of the rule "litres = water volume x bar" [L/psi].

    The pocket rule for cylinders named by litres (German and Swiss EMS notes); an ideal gas
    whose litres are those of 1 bar at the temperature of the cylinder.

    Parameters
    ----------
    water_volume_l : float or ndarray
        Water volume [L], above 0.

    Returns
    -------
    float or ndarray
        Factor [L/psi].

    Raises
    ------
    ValueError
        A volume that is not above 0.
    """
    require_positive("water volume", water_volume_l, "L")
    return water_volume_l / PSI_PER_BAR


def gauge_for_content(
    water_volume_l: float | Quantity, content_l: Quantity, temperature_c: float | Quantity
) -> Quantity:
    """Return the gauge of a cylinder that holds some litres; the inverse of `content_l`.

    Parameters
    ----------
    water_volume_l : float or ndarray
        Water volume [L], above 0.
    content_l : float or ndarray
        Reference litres counted from vacuum [L], 0 or more.
    temperature_c : float or ndarray
        Temperature of the gas [C], -50 to 60.

    Returns
    -------
    float or ndarray
        Gauge [psi]. A content below what 1 atm fills reads 0: a gauge shows no vacuum.

    Raises
    ------
    ValueError
        A value outside its range, or a content that would read over 4495 psi.
    """
    require_positive("water volume", water_volume_l, "L")
    require("content", content_l, (0.0, math.inf), "L")
    require_temperature(temperature_c)
    return gauge_for_fill(content_l / water_volume_l * REFERENCE_FILL, temperature_c)


def gauge_after_temperature(
    gauge_psi: Quantity, from_c: float | Quantity, to_c: float | Quantity
) -> Quantity:
    """Return what the gauge of a closed cylinder reads after its gas has changed temperature.

    Parameters
    ----------
    gauge_psi : float or ndarray
        Gauge [psi] at `from_c`, 0 to 4495.
    from_c, to_c : float or ndarray
        Temperature of the gas before and after [C], -50 to 60.

    Returns
    -------
    float or ndarray
        Gauge [psi] at the same density; 0 where the absolute pressure falls below 1 atm.

    Raises
    ------
    ValueError
        A value outside its range, or a gauge that would rise over 4495 psi.
    """
    require_gauge("gauge", gauge_psi)
    require_temperature(from_c)
    require_temperature(to_c)
    return gauge_for_fill(fill(gauge_psi, from_c), to_c)


def minutes_at(litres: Quantity, flow_lpm: float | Quantity) -> Quantity:
    """Return how long some litres last at a flow.

    Parameters
    ----------
    litres : float or ndarray
        Reference litres [L], 0 or more.
    flow_lpm : float or ndarray
        Flow in reference litres [L/min], above 0.

    Returns
    -------
    float or ndarray
        Minutes [min].

    Raises
    ------
    ValueError
        Negative litres, a flow that is not above 0, or not a number.
    """
    require("litres", litres, (0.0, math.inf), "L")
    require_positive("flow", flow_lpm, "L/min")
    return litres / flow_lpm


def durations(reading: Reading, flow_lpm: float, limits: Limits | None = None) -> Durations:
    """Return the minutes to change pressure, safe residual and empty, by both methods.

    Parameters
    ----------
    reading : Reading
        The cylinder.
    flow_lpm : float
        Flow in reference litres [L/min], above 0.
    limits : Limits, optional
        Change pressure and safe residual; 500 and 200 psi when left out.

    Returns
    -------
    Durations
        By handbook and by real gas.

    Raises
    ------
    ValueError
        A value outside its range.
    """
    limits = Limits() if limits is None else limits
    ends_psi = (limits.change_at_psi, limits.safe_residual_psi, 0.0)
    in_use_psi = gauge_after_temperature(reading.gauge_psi, reading.read_at_c, reading.used_at_c)
    handbook = (
        handbook_litres_between(reading.factor_l_per_psi, reading.gauge_psi, end_psi)
        for end_psi in ends_psi
    )
    real_gas = (
        litres_between(reading.water_volume_l, in_use_psi, end_psi, reading.used_at_c)
        for end_psi in ends_psi
    )
    return Durations(
        handbook=Duration(*(minutes_at(litres, flow_lpm) for litres in handbook)),
        real_gas=Duration(*(minutes_at(litres, flow_lpm) for litres in real_gas)),
        gauge_in_use_psi=in_use_psi,
    )


def least_gauge_psi(
    water_volume_l: float,
    minutes: float,
    flow_lpm: float,
    residual_psi: float,
    temperature_c: float,
) -> float:
    """Return the least gauge that lasts some minutes at a flow above a residual, real gas.

    Parameters
    ----------
    water_volume_l : float
        Water volume [L], above 0.
    minutes : float
        How long it must last [min], 0 or more.
    flow_lpm : float
        Flow in reference litres [L/min], above 0.
    residual_psi : float
        Gauge that must be left [psi].
    temperature_c : float
        Temperature of the gas at the reading and in use [C].

    Returns
    -------
    float
        Gauge [psi], not rounded.

    Raises
    ------
    ValueError
        A value outside its range, or no gauge up to 4495 psi is enough.
    """
    require("duration", minutes, (0.0, math.inf), "min")
    require_positive("flow", flow_lpm, "L/min")
    left_l = content_l(water_volume_l, residual_psi, temperature_c)
    return gauge_for_content(water_volume_l, left_l + minutes * flow_lpm, temperature_c)


def handbook_least_gauge_psi(
    factor_l_per_psi: float, minutes: float, flow_lpm: float, residual_psi: float
) -> float:
    """Return the least gauge that lasts some minutes at a flow above a residual, handbook.

    Parameters
    ----------
    factor_l_per_psi : float
        Handbook factor [L/psi], above 0.
    minutes : float
        How long it must last [min], 0 or more.
    flow_lpm : float
        Flow [L/min], above 0.
    residual_psi : float
        Gauge that must be left [psi].

    Returns
    -------
    float
        Gauge [psi], not rounded.

    Raises
    ------
    ValueError
        A value outside its range, or no gauge up to 4495 psi is enough.
    """
    require_positive("factor", factor_l_per_psi, "L/psi")
    require("duration", minutes, (0.0, math.inf), "min")
    require_positive("flow", flow_lpm, "L/min")
    require_gauge("residual", residual_psi)
    gauge_psi = residual_psi + minutes * flow_lpm / factor_l_per_psi
    require_gauge("least gauge", gauge_psi)
    return gauge_psi
