"""The chance of anyone running out against the minute at which a delivery arrives."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from planner.advice.effects import Stop
from planner.advice.setting import Setting
from planner.estimate import Estimate

NUM_POINTS: Final = 10
ROUND_MIN: Final = 15.0


def grid_from(after_min: float, horizon_min: float, step_min: float) -> Iterator[float]:
    """Yield the minutes a step, two steps, ... after a minute, before the horizon."""
    number = 1
    while after_min + number * step_min < horizon_min:
        yield after_min + number * step_min
        number += 1


def curve_of(
    chance_at: Callable[[float | None], Estimate], setting: Setting, is_stopped: Stop
) -> tuple[tuple[float, Estimate], ...]:
    """Return the chance by arrival: there now, then about ten steps of quarter hours.

    Parameters
    ----------
    chance_at : callable
        From the minute of arrival (None: there now) to the chance.
    setting : Setting
    is_stopped : callable
        True ends the curve there.
    """
    at, horizon = setting.state.at_min, setting.incident.horizon_min
    step = ROUND_MIN * max(1, round((horizon - at) / NUM_POINTS / ROUND_MIN))
    points = [(at, chance_at(None))]
    for minute in grid_from(at, horizon, step):
        if is_stopped():
            break
        points.append((minute, chance_at(minute)))
    return tuple(points)
