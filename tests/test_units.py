"""Units: conversions, values that round-trip, parsing, clock times."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import units
from planner.units import Pressure, Temperature, clock, parse_pressure, parse_temperature

LAWS = settings(derandomize=True, deadline=None, database=None)
START = datetime(2027, 2, 14, 13, 20)


def test_constants() -> None:
    # NIST SP 811: 1 psi = 6.894 757 E+03 Pa; 14.69595 psi is 1 atm.
    assert pytest.approx(6894.757, abs=5e-4) == 1e5 / units.PSI_PER_BAR
    assert pytest.approx(14.69595, abs=5e-6) == units.ATM_PSI
    assert pytest.approx(294.261, abs=5e-4) == units.REFERENCE_KELVIN
    assert units.f_from_c(units.REFERENCE_C) == pytest.approx(70.0, abs=1e-12)


@pytest.mark.parametrize(("c", "f"), [(-40.0, -40.0), (0.0, 32.0), (100.0, 212.0), (-12.0, 10.4)])
def test_fahrenheit(c: float, f: float) -> None:
    assert units.c_from_f(f) == pytest.approx(c, abs=1e-12)
    assert Temperature(c, "C").f == pytest.approx(f, abs=1e-12)
    assert Temperature(f, "F").c == pytest.approx(c, abs=1e-12)


@LAWS
@given(st.floats(-1e4, 1e4))
def test_inverses(value: float) -> None:
    assert units.bar_from_psi(units.psi_from_bar(value)) == pytest.approx(value, rel=1e-14, abs=0)
    assert units.c_from_f(units.f_from_c(value)) == pytest.approx(value, rel=1e-12, abs=1e-12)
    litres = units.convert_litres(value, "15 C, 1 atm")
    back = units.convert_litres(litres, "70 F, 1 atm", given="15 C, 1 atm")
    assert back == pytest.approx(value, rel=1e-14, abs=0)


def test_arrays_equal_floats() -> None:
    values = np.linspace(-50.0, 3000.0, 37)
    for convert in (
        units.psi_from_bar,
        units.bar_from_psi,
        units.c_from_f,
        units.f_from_c,
        units.kelvin_from_c,
        lambda litres: units.convert_litres(litres, "0 C, 1 atm"),
    ):
        assert convert(values).tolist() == [convert(value) for value in values.tolist()]


def test_colder_reference_means_fewer_litres() -> None:
    # The same mass is denser at 0 C than at 15 C than at 70 F.
    at_15, at_0 = (
        units.convert_litres(100.0, "15 C, 1 atm"),
        units.convert_litres(100.0, "0 C, 1 atm"),
    )
    assert 100.0 > at_15 > at_0
    # 1 atm is so thin that the ratio of temperatures is right to 0.03 % (checked, not assumed).
    assert at_15 == pytest.approx(100.0 * 288.15 / 294.261, rel=3e-4)
    assert at_0 == pytest.approx(100.0 * 273.15 / 294.261, rel=3e-4)


def test_unknown_reference() -> None:
    with pytest.raises(ValueError, match="allowed: 70 F, 1 atm, 15 C"):
        units.convert_litres(1.0, "20 C, 1 atm")  # type: ignore[arg-type]


@pytest.mark.parametrize("value", [1850, 1850.0, 0.1, 1 / 3, 127.3])
def test_value_and_unit_are_kept(value: float) -> None:
    """A file must give back the very number and type it had."""
    for pressure in (Pressure(value, "psi"), Pressure(value, "bar")):
        assert pressure.value is value
        assert pressure.in_unit(pressure.unit) is value
    for temperature in (Temperature(value, "C"), Temperature(value, "F")):
        assert temperature.in_unit(temperature.unit) is value


def test_conversion_of_values() -> None:
    assert Pressure(200.0, "bar").psi == pytest.approx(2900.755, abs=5e-4)
    assert Pressure(2900.7547546, "psi").bar == pytest.approx(200.0, abs=1e-8)
    assert Pressure(200.0, "bar").in_unit("psi") == Pressure(200.0, "bar").psi
    assert Temperature(70.0, "F").kelvin == pytest.approx(294.261, abs=5e-4)
    assert Temperature(70.0, "F").in_unit("C") == Temperature(70.0, "F").c


def test_values_are_frozen() -> None:
    with pytest.raises(FrozenInstanceError):
        Pressure(1.0, "psi").value = 2.0  # type: ignore[misc]
    assert not hasattr(Pressure(1.0, "psi"), "__dict__")
    assert not hasattr(Temperature(1.0, "C"), "__dict__")


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_values_must_be_finite(bad: float) -> None:
    with pytest.raises(ValueError, match="not a finite number"):
        Pressure(bad, "psi")
    with pytest.raises(ValueError, match="not a finite number"):
        Temperature(bad, "C")


def test_units_must_be_known() -> None:
    with pytest.raises(ValueError, match="allowed: psi, bar"):
        Pressure(1.0, "kPa")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="allowed: psi, bar"):
        Pressure(1.0, "psi").in_unit("C")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="allowed: C, F"):
        Temperature(1.0, "K")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="allowed: C, F"):
        Temperature(1.0, "C").in_unit("psi")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="absolute zero"):
        Temperature(-460.0, "F")


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("1850psi", 1850.0, "psi"),
        ("127bar", 127.0, "bar"),
        ("127 bar", 127.0, "bar"),
        (" 1.85e3 PSI ", 1850.0, "psi"),
        ("0.5Bar", 0.5, "bar"),
    ],
)
def test_parse_pressure(text: str, value: float, unit: str) -> None:
    assert (parse_pressure(text).value, parse_pressure(text).unit) == (value, unit)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [("-12C", -12.0, "C"), ("10F", 10.0, "F"), ("10 f", 10.0, "F"), ("+1.5 c", 1.5, "C")],
)
def test_parse_temperature(text: str, value: float, unit: str) -> None:
    assert (parse_temperature(text).value, parse_temperature(text).unit) == (value, unit)


@pytest.mark.parametrize("text", ["1850", " 1850.0 ", "-3"])
def test_bare_number_names_the_units(text: str) -> None:
    with pytest.raises(ValueError, match="has no unit; write psi or bar"):
        parse_pressure(text)
    with pytest.raises(ValueError, match="has no unit; write C or F"):
        parse_temperature(text)


@pytest.mark.parametrize(
    "number",
    ["", "nan", "inf", "-inf", "1e999", "1,850", "1_850", "18 50", "one", "--1", "١٢", "−12"],
)
def test_only_finite_plain_numbers(number: str) -> None:
    with pytest.raises(ValueError, match="such as 1850psi or 127bar"):
        parse_pressure(number + "psi")
    with pytest.raises(ValueError, match="such as -12C or 10F"):
        parse_temperature(number + "C")


@pytest.mark.parametrize("text", ["12kPa", "psi", "", "12psig", "12 C"])
def test_wrong_pressure_unit(text: str) -> None:
    with pytest.raises(ValueError, match="psi or bar"):
        parse_pressure(text)


@LAWS
@given(st.floats(-1e5, 1e5))
def test_parse_inverts_repr(value: float) -> None:
    assert parse_pressure(f"{value!r}psi") == Pressure(value, "psi")
    assert parse_temperature(f"{abs(value)!r} F") == Temperature(abs(value), "F")


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [
        (0.0, "13:20"),
        (0.999, "13:20"),  # cut, never rounded up
        (59.999, "14:19"),
        (60.0, "14:20"),
        (0.1 + 0.2 + 0.7, "13:21"),
        (60.0 - 1e-9, "14:20"),  # float noise does not cost a minute
        (640.0, "00:00"),
        (-1.0, "13:19"),
    ],
)
def test_clock(minutes: float, expected: str) -> None:
    assert clock(START, minutes) == expected


def test_clock_cuts_the_instant_not_the_minutes() -> None:
    # 13:20:45 and 0.5 min is 13:21:15.
    assert clock(datetime(2027, 2, 14, 13, 20, 45), 0.5) == "13:21"
    assert clock(datetime(2027, 2, 14, 13, 20, 45), 0.2) == "13:20"


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_clock_needs_a_finite_time(bad: float) -> None:
    with pytest.raises(ValueError, match="not a finite number"):
        clock(START, bad)
    with pytest.raises(ValueError, match="beyond the calendar"):
        clock(START, 1e12)
