"""One steady flow through all gauges of a cylinder, by weighted least squares.

Two gauges give an average; five or more give the flow more closely, where it was one flow all
along. Where the gauges do not lie on one line within their errors, there is no such flow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from planner.journal.gauges import Z_95, Anchor

MOST_OFF: Final = 3.0  # standard deviations from the line; our own
FEWEST: Final = 3


@dataclass(frozen=True, slots=True)
class Point:
    """A gauge in litres: by then so many were to flow as written, so many were in it."""

    written_l: float
    held_l: float
    sd_l: float


@dataclass(slots=True)
class Series:
    """The gauges of one cylinder from one on, with what was written to flow between them.

    ``begin`` is the first; readings count from whichever anchor the books count from then.
    """

    begin: Anchor
    points: list[Point] = field(default_factory=list)
    flowed_min: float = 0.0
    timing_l2: float = 0.0
    _anchor: Anchor | None = None
    _before: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def take(self, anchor: Anchor, reading: Point) -> bool:
        """Add a reading; False where the gauge rose: then it belongs to no series before it.

        Parameters
        ----------
        anchor : Anchor
            What the books count from until this reading.
        reading : Point
            Its litres; what was written to flow by then is the anchor's.
        """
        if not self.points:
            self.points.append(Point(0.0, self.begin.held_l, self.begin.gauge_sd_l))
            self._anchor = anchor
        if anchor is not self._anchor:  # the books count from the reading before this one
            self._anchor = anchor
            self._before = (self.points[-1].written_l, self.flowed_min, self.timing_l2)
        written_l, flowed_min, timing_l2 = self._before
        written_l += anchor.used_l
        self.flowed_min = flowed_min + anchor.flowed_min
        self.timing_l2 = timing_l2 + anchor.timing_l2
        last = self.points[-1]
        if reading.held_l - last.held_l > MOST_OFF * math.hypot(reading.sd_l, last.sd_l):
            return False
        if written_l <= 0.0:  # the list's gauge and the one at connection may be one reading
            self.points.clear()
        self.points.append(Point(written_l, reading.held_l, reading.sd_l))
        return True


def steady_flow(
    points: Sequence[Point], timing_l2: float = 0.0
) -> tuple[float, float, float] | None:  # fmt: skip
    """Return which share of the flow written did flow, and its 95 % interval.

    Parameters
    ----------
    points : sequence of Point
        Errors independent of each other.
    timing_l2 : float
        Variance in litres squared from minutes that may be off, for the whole span.

    Returns
    -------
    tuple of float or None
        None with fewer than three gauges, nothing written to flow, or no one line through them.
    """
    if len(points) < FEWEST or any(p.sd_l <= 0.0 for p in points):
        return None
    weights = [1.0 / p.sd_l**2 for p in points]
    total = sum(weights)
    at = sum(w * p.written_l for w, p in zip(weights, points, strict=True)) / total
    held = sum(w * p.held_l for w, p in zip(weights, points, strict=True)) / total
    spread = sum(w * (p.written_l - at) ** 2 for w, p in zip(weights, points, strict=True))
    span = points[-1].written_l - points[0].written_l
    if spread <= 0.0 or span <= 0.0:
        return None
    both = zip(weights, points, strict=True)
    share = -sum(w * (p.written_l - at) * (p.held_l - held) for w, p in both) / spread
    for p in points:
        line = held - share * (p.written_l - at)
        if abs(p.held_l - line) > MOST_OFF * math.hypot(p.sd_l, math.sqrt(timing_l2)):
            return None
    off = Z_95 * math.sqrt(1.0 / spread + timing_l2 / span**2)
    return share, share - off, share + off
