"""Oxygen in a cylinder: agreement with CoolProp, laws, ranges, cost of the import."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from planner import gas
from planner.real_gas import MAX_GAUGE_PSI, compressibility
from planner.units import ATM_BAR, REFERENCE_C, psi_from_bar

LAWS = settings(derandomize=True, deadline=None, database=None, max_examples=200)
VOLUMES = st.floats(0.5, 60.0)
GAUGES = st.floats(0.0, 4000.0)
TEMPERATURES = st.floats(-50.0, 60.0)
FLOWS = st.floats(0.25, 60.0)


def coolprop(output: str, **state: np.ndarray | float) -> np.ndarray:
    """One CoolProp property on broadcast inputs."""
    (name_1, value_1), (name_2, value_2) = state.items()
    one, two = np.broadcast_arrays(value_1, value_2)
    flat = PropsSI(output, name_1, one.ravel().copy(), name_2, two.ravel().copy(), "Oxygen")
    return np.asarray(flat).reshape(one.shape)


# Agreement with CoolProp on a dense grid: 0-250 bar gauge, -40 to 50 C.

GAUGE_BAR = np.linspace(0.0, 250.0, 126)[:, None]
GRID_C = np.linspace(-40.0, 50.0, 46)[None, :]


def test_content_agrees_with_coolprop() -> None:
    """Asked for: 0.2 %. Asserted: 0.01 % (the fit has 0.0042 %)."""
    density = coolprop("D", P=(GAUGE_BAR + ATM_BAR) * 1e5, T=GRID_C + 273.15)
    expected = 10.0 * density / PropsSI("D", "P", 101325.0, "T", 294.26111, "Oxygen")
    held = gas.content_l(10.0, psi_from_bar(GAUGE_BAR) + 0.0 * GRID_C, GRID_C)
    assert np.abs(held / expected - 1.0).max() < 1e-4
    # The twin: an ideal gas is off by up to 21 % on this grid, so the check can fail.
    ideal = 10.0 * (GAUGE_BAR + ATM_BAR) / ATM_BAR * 294.26111 / (GRID_C + 273.15)
    assert np.abs(ideal / expected - 1.0).max() > 0.2


@pytest.mark.parametrize("from_c", [-40.0, -20.0, 0.0, 21.1, 50.0])
def test_temperature_change_agrees_with_coolprop(from_c: float) -> None:
    """Asked for: 0.2 %. Asserted, of the absolute pressure: 0.01 %."""
    density = coolprop("D", P=(GAUGE_BAR + ATM_BAR) * 1e5, T=from_c + 273.15)
    expected_psi = psi_from_bar(coolprop("P", D=density, T=GRID_C + 273.15) / 1e5 - ATM_BAR)
    gauges, grid_c = np.broadcast_arrays(psi_from_bar(GAUGE_BAR), GRID_C)
    covered = expected_psi < MAX_GAUGE_PSI - 2.0
    found = gas.gauge_after_temperature(gauges[covered], from_c, grid_c[covered])
    wanted = np.maximum(expected_psi[covered], 0.0)
    assert np.abs((found - wanted) / (wanted + 14.696)).max() < 1e-4
    # What CoolProp puts over the range of the fit must be refused, never extrapolated.
    beyond = expected_psi > MAX_GAUGE_PSI + 2.0
    # 250 bar read at 0 C or colder passes 310 bar on the way to 50 C; read warmer it does not.
    assert beyond.any() == (from_c <= 0.0)
    for gauge, to_c in zip(gauges[beyond], grid_c[beyond], strict=True):
        with pytest.raises(ValueError, match="would read over 4495 psi"):
            gas.gauge_after_temperature(float(gauge), from_c, float(to_c))


def test_compressibility_ends() -> None:
    assert compressibility(0.0, -50.0) == 1.0  # no gas, no departure from the ideal
    assert gas.content_l(3.0, 0.0, REFERENCE_C) == pytest.approx(3.0, rel=1e-15)


# Laws.


@LAWS
@given(VOLUMES, GAUGES, TEMPERATURES)
def test_gauge_for_content_inverts_content(volume: float, gauge: float, temperature: float) -> None:
    held = gas.content_l(volume, gauge, temperature)
    assert gas.gauge_for_content(volume, held, temperature) == pytest.approx(gauge, abs=1e-8)


@LAWS
@given(GAUGES, TEMPERATURES, TEMPERATURES)
def test_temperature_there_and_back(gauge: float, from_c: float, to_c: float) -> None:
    try:
        there = gas.gauge_after_temperature(gauge, from_c, to_c)
    except ValueError:
        assume(False)
    assume(there > 0.0)  # below 1 atm the gauge has lost what it held
    assert gas.gauge_after_temperature(there, to_c, from_c) == pytest.approx(gauge, abs=1e-7)
    assert gas.content_l(1.0, there, to_c) == pytest.approx(
        gas.content_l(1.0, gauge, from_c), rel=1e-11
    )


@LAWS
@given(VOLUMES, st.floats(0.0, 60.0), FLOWS, st.floats(0.0, 500.0), TEMPERATURES)
def test_least_gauge_lasts_exactly(
    volume: float, minutes: float, flow: float, residual: float, temperature: float
) -> None:
    try:
        gauge = gas.least_gauge_psi(volume, minutes, flow, residual, temperature)
    except ValueError:
        assume(False)
    litres = gas.litres_between(volume, gauge, residual, temperature)
    assert gas.minutes_at(litres, flow) == pytest.approx(minutes, abs=1e-6)


@LAWS
@given(st.floats(0.05, 4.0), st.floats(0.0, 60.0), FLOWS, st.floats(0.0, 500.0))
def test_handbook_least_gauge_lasts_exactly(
    factor: float, minutes: float, flow: float, residual: float
) -> None:
    assume(residual + minutes * flow / factor < MAX_GAUGE_PSI)
    gauge = gas.handbook_least_gauge_psi(factor, minutes, flow, residual)
    litres = gas.handbook_litres_between(factor, gauge, residual)
    assert gas.minutes_at(litres, flow) == pytest.approx(minutes, abs=1e-8)


@LAWS
@given(VOLUMES, GAUGES, TEMPERATURES, st.floats(0.01, 400.0))
def test_more_pressure_holds_more(
    volume: float, gauge: float, temperature: float, more: float
) -> None:
    held = gas.content_l(volume, gauge, temperature)
    assert gas.content_l(volume, gauge + more, temperature) > held


@LAWS
@given(VOLUMES, GAUGES, TEMPERATURES, st.floats(1.01, 3.0))
def test_more_volume_holds_in_proportion(
    volume: float, gauge: float, temperature: float, times: float
) -> None:
    held = gas.content_l(volume, gauge, temperature)
    assert gas.content_l(volume * times, gauge, temperature) == pytest.approx(held * times)


@LAWS
@given(VOLUMES, GAUGES, st.floats(-50.0, 59.0), st.floats(0.01, 1.0))
def test_warmer_at_equal_gauge_holds_less(
    volume: float, gauge: float, temperature: float, warmer: float
) -> None:
    held = gas.content_l(volume, gauge, temperature)
    assert gas.content_l(volume, gauge, temperature + warmer) < held


@LAWS
@given(st.floats(1.0, 2500.0), st.floats(-50.0, 59.0), st.floats(0.01, 1.0))
def test_warming_raises_the_gauge(gauge: float, temperature: float, warmer: float) -> None:
    assert gas.gauge_after_temperature(gauge, temperature, temperature + warmer) > gauge


@LAWS
@given(VOLUMES, st.lists(GAUGES, min_size=3, max_size=3), TEMPERATURES)
def test_litres_add_up(volume: float, gauges: list[float], temperature: float) -> None:
    low, middle, high = sorted(gauges)
    whole = gas.litres_between(volume, high, low, temperature)
    parts = gas.litres_between(volume, high, middle, temperature) + gas.litres_between(
        volume, middle, low, temperature
    )
    assert parts == pytest.approx(whole, rel=1e-9, abs=1e-9)


def test_nothing_is_left_below_the_limit() -> None:
    assert gas.litres_between(5.0, 400.0, 500.0, 0.0) == 0.0
    assert gas.handbook_litres_between(0.28, 400.0, 500.0) == 0.0
    assert gas.litres_between(5.0, 501.0, 500.0, 0.0) > 0.0


ARRAY_CASES: list[Callable[..., object]] = [
    lambda g, t, f: gas.content_l(2.38, g, t),
    lambda g, t, f: gas.content_l(f, g, -12.0),
    lambda g, t, f: gas.litres_between(2.38, g, 500.0, t),
    lambda g, t, f: gas.handbook_litres_between(0.16, g, 500.0),
    lambda g, t, f: gas.gauge_for_content(4.25, g / 5.0, t),
    lambda g, t, f: gas.gauge_after_temperature(g, t, -12.0),
    lambda g, t, f: gas.gauge_after_temperature(g, 15.0, -t),
    lambda g, t, f: gas.minutes_at(g, f),
    lambda g, t, f: compressibility(g / 14.5, t),
    lambda g, t, f: gas.boyle_factor_l_per_psi(f),
]


@pytest.mark.parametrize("case", ARRAY_CASES)
def test_arrays_equal_floats_bit_for_bit(case: Callable[..., object]) -> None:
    rng = np.random.default_rng(20270214)
    gauges, temperatures, flows = (
        rng.uniform(0.0, 2900.0, 1003),
        rng.uniform(-50.0, 50.0, 1003),
        rng.uniform(0.5, 60.0, 1003),
    )
    gauges[:3] = 0.0, 500.0, 2900.0
    whole = case(gauges, temperatures, flows)
    assert isinstance(whole, np.ndarray)
    singly = [
        case(*values)
        for values in zip(gauges.tolist(), temperatures.tolist(), flows.tolist(), strict=True)
    ]
    assert whole.tolist() == singly


def test_empty_arrays_pass_through() -> None:
    none = np.empty(0)
    assert gas.content_l(2.0, none, 15.0).shape == (0,)
    assert gas.gauge_after_temperature(none, 15.0, 0.0).shape == (0,)
    assert gas.minutes_at(none, 15.0).shape == (0,)


# Durations.


def test_durations_join_the_parts() -> None:
    """Read warm, used cold: the handbook does not know, the real gas does."""
    reading = gas.Reading(2.38, 0.16, 1850.0, 15.0, -12.0)
    found = gas.durations(reading, 15.0)
    assert found.handbook.to_change_min == pytest.approx((1850 - 500) * 0.16 / 15)
    assert found.handbook.to_residual_min == pytest.approx((1850 - 200) * 0.16 / 15)
    assert found.handbook.to_empty_min == pytest.approx(1850 * 0.16 / 15)
    cold = gas.gauge_after_temperature(1850.0, 15.0, -12.0)
    assert found.gauge_in_use_psi == cold < 1850.0
    for minutes, end_psi in (
        (found.real_gas.to_change_min, 500.0),
        (found.real_gas.to_residual_min, 200.0),
        (found.real_gas.to_empty_min, 0.0),
    ):
        assert minutes == gas.litres_between(2.38, cold, end_psi, -12.0) / 15.0
    # The twin: taking the warm reading for a cold one promises minutes that are not there.
    wrong = gas.durations(gas.Reading(2.38, 0.16, 1850.0, -12.0, -12.0), 15.0)
    assert wrong.real_gas.to_change_min > found.real_gas.to_change_min + 2.0


@pytest.mark.parametrize("gauge", [0.0, 150.0, 350.0, 500.0])
def test_durations_are_never_negative(gauge: float) -> None:
    found = gas.durations(gas.Reading(2.38, 0.16, gauge, 15.0, 15.0), 6.0)
    for duration in (found.handbook, found.real_gas):
        ends = (duration.to_change_min, duration.to_residual_min, duration.to_empty_min)
        assert min(ends) >= 0.0
        assert all(sooner <= later for sooner, later in pairwise(ends))
    assert found.handbook.to_change_min == 0.0


def test_limits_must_be_in_order() -> None:
    with pytest.raises(ValueError, match="allowed: 200 psi or more"):
        gas.Limits(150.0, 200.0)
    assert gas.Limits(200.0, 200.0).change_at_psi == 200.0
    assert gas.Limits() == gas.Limits(500.0, 200.0)


# Ranges.

BAD_CALLS: list[tuple[Callable[[float], object], float, str]] = [
    (lambda v: gas.content_l(v, 100.0, 0.0), 0.0, "water volume 0 L .* above 0 L"),
    (lambda v: gas.content_l(2.0, v, 0.0), -1.0, "gauge -1 psi .* allowed: 0 to 4495 psi"),
    (lambda v: gas.content_l(2.0, v, 0.0), 4496.0, "gauge 4496 psi .* 0 to 4495 psi"),
    (lambda v: gas.content_l(2.0, 100.0, v), -51.0, "temperature -51 C .* allowed: -50 to 60 C"),
    (lambda v: gas.content_l(2.0, 100.0, v), 61.0, "temperature 61 C .* -50 to 60 C"),
    (lambda v: gas.litres_between(2.0, 100.0, v, 0.0), -1.0, "gauge -1 psi"),
    (lambda v: gas.handbook_litres_between(v, 100.0, 0.0), -0.1, "factor -0.1 L/psi .* above 0"),
    (lambda v: gas.handbook_litres_between(0.16, v, 0.0), -5.0, "gauge -5 psi"),
    (lambda v: gas.handbook_litres_between(0.16, 100.0, v), -5.0, "gauge -5 psi"),
    (lambda v: gas.gauge_for_content(2.0, v, 0.0), -1.0, "content -1 L .* 0 or more"),
    (lambda v: gas.gauge_for_content(2.0, v, 0.0), 5e3, "would read over 4495 psi"),
    (lambda v: gas.gauge_after_temperature(v, 0.0, 60.0), 4000.0, "would read over 4495 psi"),
    (lambda v: gas.gauge_after_temperature(100.0, v, 0.0), 80.0, "temperature 80 C"),
    (lambda v: gas.gauge_after_temperature(100.0, 0.0, v), -80.0, "temperature -80 C"),
    (lambda v: gas.minutes_at(100.0, v), 0.0, "flow 0 L/min .* above 0 L/min"),
    (lambda v: gas.minutes_at(v, 15.0), -1.0, "litres -1 L"),
    (gas.boyle_factor_l_per_psi, -2.0, "water volume -2 L"),
    (lambda v: compressibility(v, 0.0), 312.0, "absolute pressure 312 bar .* 0 to 311 bar"),
]


@pytest.mark.parametrize(("call", "bad", "message"), BAD_CALLS)
def test_out_of_range(call: Callable[[object], object], bad: float, message: str) -> None:
    """A float out of range is told; so is one among good elements of an array; so is NaN."""
    with pytest.raises(ValueError, match=message):
        call(bad)
    good = 20.0
    call(good)
    call(np.array([good, good]))
    with pytest.raises(ValueError, match=message):
        call(np.array([good, bad, good]))
    for worst in (math.nan, math.inf, np.array([good, math.nan])):
        with pytest.raises(ValueError, match="allowed"):
            call(worst)


def test_out_of_range_scalars_only() -> None:
    reading = gas.Reading(2.0, 0.16, 1850.0, 15.0, 15.0)
    with pytest.raises(ValueError, match="flow 0 L/min"):
        gas.durations(reading, 0.0)
    with pytest.raises(ValueError, match="flow -1 L/min"):
        gas.least_gauge_psi(2.0, 10.0, -1.0, 200.0, 0.0)
    with pytest.raises(ValueError, match="duration -1 min"):
        gas.handbook_least_gauge_psi(0.16, -1.0, 10.0, 200.0)
    with pytest.raises(ValueError, match="duration nan min"):
        gas.least_gauge_psi(2.0, math.nan, 10.0, 200.0, 0.0)
    # 2 L cannot hold an hour at 15 L/min; a huge answer would be no answer.
    with pytest.raises(ValueError, match="would read over 4495 psi"):
        gas.least_gauge_psi(2.0, 60.0, 15.0, 200.0, 0.0)
    with pytest.raises(ValueError, match=r"least gauge .* allowed: 0 to 4495 psi"):
        gas.handbook_least_gauge_psi(0.16, 60.0, 15.0, 200.0)


def test_too_little_gas_reads_zero() -> None:
    """A gauge shows no vacuum: below what 1 atm fills it reads 0."""
    assert gas.gauge_for_content(2.0, 0.0, 0.0) == 0.0
    assert gas.gauge_for_content(2.0, 1.9, REFERENCE_C) == 0.0
    assert gas.gauge_for_content(2.0, 2.1, REFERENCE_C) > 0.5
    assert gas.gauge_after_temperature(0.0, 20.0, -20.0) == 0.0


def test_import_loads_no_numerical_library() -> None:
    code = (
        "import sys, planner.gas, planner.units;"
        "print(sorted({'numpy', 'scipy', 'CoolProp', 'pandas', 'ortools', 'numba', 'tomllib'}"
        " & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
