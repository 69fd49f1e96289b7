"""Estimates as plain data, and paired differences of chances in words."""

from __future__ import annotations

from planner.estimate import Estimate
from planner.report.words import share


def chance_result(estimate: Estimate) -> dict[str, float]:
    """Return a chance and its interval."""
    return {"chance": estimate.value, "low": estimate.low, "high": estimate.high}


def value_result(estimate: Estimate) -> dict[str, float]:
    """Return any other number and its interval."""
    return {"value": estimate.value, "low": estimate.low, "high": estimate.high}


def is_clear(by: Estimate) -> bool:
    """Say whether the interval of a difference does not hold 0."""
    return not by.low <= 0 <= by.high


def points(by: Estimate) -> str:
    """Return a difference of chances: ``7.0 points fewer``."""
    return f"{share(abs(by.value))} points {'fewer' if by.value < 0 else 'more'}"


def between(by: Estimate) -> str:
    """Return the interval of a difference whose direction was said: ``(5.0 to 9.1)``."""
    low, high = sorted((abs(by.low), abs(by.high)))
    return f"({share(low)} to {share(high)})"


def difference_words(by: Estimate) -> str:
    """Return both, ``7.0 points fewer (5.0 to 9.1)``; or that no difference is clear."""
    return f"{points(by)} {between(by)}" if is_clear(by) else "no clear difference"
