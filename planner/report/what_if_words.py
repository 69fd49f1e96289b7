"""A what-if as plain data and in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.estimate import Estimate
from planner.report.words import chance_in_words, percent, pressure
from planner.units import Pressure
from planner.what_if import Change, Compared, Difference


def what_if_result(change: Change, found: Difference) -> dict[str, Any]:
    """Return a what-if as plain data, ready for JSON."""
    return {
        "change": {
            "later_min": change.later_min,
            "flow_percent": 100 * (change.flow_factor - 1),
            "num_fewer": change.num_fewer,
            "change_at_psi": None if change.change_at is None else change.change_at.psi,
            "is_bar": change.change_at is not None and change.change_at.unit == "bar",
        },
        "anyone": _pair(found.anyone),
        "immediate": _pair(found.immediate),
        "minutes_out": _pair(found.minutes_out),
    }


def what_if_lines(result: Mapping[str, Any]) -> list[str]:
    """Return a what-if in words, the change first."""
    lines = [f"With {_changes(result['change'])}, the plan kept as it is:"]
    for name, who in (("anyone", "anyone runs out"), ("immediate", "an Immediate runs out")):
        before, after, by = (_estimate(result[name][k]) for k in ("before", "after", "by"))
        lines.append(
            f"{chance_in_words(after).capitalize()} that {who}, {percent(after)}; before "
            f"{percent(before)}. {_points(by)}"
        )
    before, after, by = (_estimate(result["minutes_out"][k]) for k in ("before", "after", "by"))
    lines.append(
        f"Minutes without oxygen, all people together: {after.value:.1f}, before "
        f"{before.value:.1f} ({by.value:+.1f}, {by.low:+.1f} to {by.high:+.1f})."
    )
    return lines


def _points(by: Estimate) -> str:
    """Return a paired difference of chances in points, and whether it is one."""
    if by.low <= 0 <= by.high:
        return f"No difference that {by.samples:,} samples can show."
    word = "more" if by.value > 0 else "fewer"
    low, high = sorted((abs(100 * by.low), abs(100 * by.high)))
    return f"{abs(100 * by.value):.1f} points {word} ({low:.1f}-{high:.1f})."


def _changes(change: Mapping[str, Any]) -> str:
    parts = []
    if change["later_min"]:
        word = "later" if change["later_min"] > 0 else "earlier"
        parts.append(f"transport {abs(change['later_min']):g} min {word}")
    if abs(change["flow_percent"]) > 1e-9:
        parts.append(f"flows {change['flow_percent']:+.0f} %")
    if change["num_fewer"]:
        parts.append(f"{change['num_fewer']} of the list's last cylinders gone")
    if change["change_at_psi"] is not None:
        at = Pressure(change["change_at_psi"], "psi")
        parts.append(f"swaps due at {pressure(at, is_bar=change.get('is_bar', False))}")
    return ", ".join(parts) or "nothing changed"


def _pair(compared: Compared) -> dict[str, Any]:
    return {
        name: {"value": e.value, "low": e.low, "high": e.high, "samples": e.samples}
        for name, e in (("before", compared.before), ("after", compared.after), ("by", compared.by))
    }


def _estimate(tree: Mapping[str, Any]) -> Estimate:
    return Estimate(tree["value"], tree["low"], tree["high"], tree["samples"])
