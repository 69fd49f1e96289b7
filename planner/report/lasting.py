"""How long one cylinder lasts, in words a patroller reads at a glance, and as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from planner.banner import BANNER
from planner.gas import Duration, Limits, Reading, durations, gauge_after_temperature
from planner.reference import CylinderSize
from planner.units import Pressure, Temperature

WIDTH = 100


@dataclass(frozen=True, slots=True)
class Question:
    """One cylinder, read once, used at a flow."""

    size: CylinderSize
    gauge: Pressure
    flow_lpm: float
    change_at: Pressure
    safe_residual: Pressure
    read_at: Temperature
    used_at: Temperature


def lasting_result(asked: Question) -> dict[str, Any]:
    """Return minutes by both methods, gauges in both units, raw.

    Raises
    ------
    ValueError
        A value outside the range of the gas arithmetic.
    """
    found = durations(_reading(asked), asked.flow_lpm, _limits(asked))
    return {
        "schema": 1,
        "kind": "last",
        "banner": BANNER,
        "size": asked.size.name,
        "water_volume_l": asked.size.water_volume_l,
        "gauge": _both(asked.gauge.psi),
        "read_at_c": asked.read_at.c,
        "used_at_c": asked.used_at.c,
        "gauge_in_use": _both(found.gauge_in_use_psi),
        "flow_lpm": asked.flow_lpm,
        "change_at": _both(asked.change_at.psi),
        "safe_residual": _both(asked.safe_residual.psi),
        "handbook_min": _minutes(found.handbook),
        "real_gas_min": _minutes(found.real_gas),
        "note": asked.size.note,
    }


def lasting_text(asked: Question) -> str:
    """Return the same in words; minutes are cut, never rounded up.

    Raises
    ------
    ValueError
        A value outside the range of the gas arithmetic.
    """
    found = durations(_reading(asked), asked.flow_lpm, _limits(asked))
    real, handbook = found.real_gas, found.handbook
    is_bar = asked.gauge.unit == "bar"
    rows = (
        (f"change at {_shown(asked.change_at.psi, is_bar)}", real.to_change_min,
         handbook.to_change_min),
        (f"safe residual, {_shown(asked.safe_residual.psi, is_bar)}", real.to_residual_min,
         handbook.to_residual_min),
        ("empty", real.to_empty_min, handbook.to_empty_min),
    )  # fmt: skip
    lines = [
        BANNER,
        "",
        f"{asked.size.name} at {_shown(asked.gauge.psi, is_bar)}, "
        f"{asked.flow_lpm:g} L/min: {_headline(asked, real, is_bar)}",
        "",
        f"  {'Minutes until':<34}{'real gas':>10}{'handbook':>10}",
        *(f"  {name:<34}{int(a):>10}{int(b):>10}" for name, a, b in rows),
        "",
        *_cold(asked, found.gauge_in_use_psi, is_bar),
        f"Real gas: {asked.size.water_volume_l:g} L of water volume at {asked.used_at.c:.0f} C. "
        f"Handbook: {asked.size.factor_l_per_psi:g} L/psi, any temperature.",
    ]
    if asked.size.note:
        lines.append(f"Note: {asked.size.note}")
    wrapped = (part for line in lines for part in wrap(line, WIDTH) or [""])
    return "\n".join([*wrapped, "", BANNER, ""])


def _headline(asked: Question, real: Duration, is_bar: bool) -> str:
    if real.to_change_min <= 0:
        return f"change it now, it is not above {_shown(asked.change_at.psi, is_bar)}."
    return f"change it after {int(real.to_change_min)} min."


def _cold(asked: Question, in_use_psi: float, is_bar: bool) -> list[str]:
    if asked.read_at.c == asked.used_at.c:
        minus_20 = gauge_after_temperature(asked.gauge.psi, asked.read_at.c, -20.0)
        plus_20 = gauge_after_temperature(asked.gauge.psi, asked.read_at.c, 20.0)
        return [
            f"Read at {asked.read_at.c:.0f} C. With nothing lost the same cylinder would read "
            f"{_shown(minus_20, is_bar)} at -20 C and {_shown(plus_20, is_bar)} at 20 C."
        ]
    return [
        f"Read at {asked.read_at.c:.0f} C; at {asked.used_at.c:.0f} C it will read "
        f"{_shown(in_use_psi, is_bar)} with nothing lost."
    ]


def _shown(gauge_psi: float, is_bar: bool) -> str:
    both = f"{gauge_psi:.0f} psi", f"{Pressure(gauge_psi, 'psi').bar:.0f} bar"
    first, second = both[::-1] if is_bar else both
    return f"{first} ({second})"


def _both(gauge_psi: float) -> dict[str, float]:
    return {"psi": gauge_psi, "bar": Pressure(gauge_psi, "psi").bar}


def _minutes(found: Duration) -> dict[str, float]:
    return {
        "to_change": found.to_change_min,
        "to_residual": found.to_residual_min,
        "to_empty": found.to_empty_min,
    }


def _reading(asked: Question) -> Reading:
    return Reading(
        asked.size.water_volume_l,
        asked.size.factor_l_per_psi,
        asked.gauge.psi,
        asked.read_at.c,
        asked.used_at.c,
    )


def _limits(asked: Question) -> Limits:
    return Limits(asked.change_at.psi, asked.safe_residual.psi)
