"""What the charts of a review share: their clock, hatching, and words that fit where they stand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from planner.report.chart_parts import (
    INK,
    PAPER,
    PRINT_WIDTH,
    ClockAxis,
    Spec,
    Values,
    layer,
)

HATCH_PX: Final = 9.0
LETTER_PX: Final = 7.0  # of the charts' text of 11 px, about
DARK: Final = "#2b2b2b"

ON: Final = "on oxygen, by the record"
WITHOUT: Final = "WITHOUT OXYGEN, by the record"
SILENT: Final = "gap in the record (hatched): not known"
KINDS: Final = (ON, WITHOUT, SILENT)
FILLS: Final = ("#cfe0f1", DARK, PAPER)
DASHES: Final = ([1, 0], [1, 0], [4, 3])
WORDS: Final = {"on oxygen": ON, "without by the record": WITHOUT, "record silent": SILENT}


class LogAxis(ClockAxis):
    """The clock of a log: from its start, or its first entry, to its last."""

    def __init__(self, start: datetime, from_min: float, to_min: float) -> None:
        self.start, self.from_min = start, from_min
        self.to_min = max(to_min, from_min + 1.0)

    def px(self, minutes: float) -> float:
        """Return about how wide so many minutes are in print."""
        return minutes * PRINT_WIDTH / (self.to_min - self.from_min)

    def fitting(self, text: str, minutes: float) -> str:
        """Return as much of a text as fits over so many minutes; under three letters nothing."""
        room = int(self.px(minutes) / LETTER_PX)
        if len(text) <= room:
            return text
        return f"{text[: room - 1]}\u2026" if room >= 4 else ""

    def grid(self, most: int = 90) -> list[float]:
        """Return minutes from first to last, both in it."""
        step = (self.to_min - self.from_min) / most
        return [self.from_min + k * step for k in range(most)] + [self.to_min]


@dataclass(frozen=True, slots=True)
class Box:
    """A stretch of a row: minutes, and its lower and upper edge."""

    from_min: float
    to_min: float
    low: float
    high: float


def hatched(clock: LogAxis, box: Box) -> Iterator[dict[str, Any]]:
    """Yield the slanted lines that fill a box; they show in black and white, too."""
    step = HATCH_PX / clock.px(1.0)
    at = box.from_min - step
    while at < box.to_min:
        left, right = max(at, box.from_min), min(at + step, box.to_min)
        rise = (box.high - box.low) / step
        yield {
            "at": clock.at(left), "to": clock.at(right),
            "low": box.low + (left - at) * rise, "high": box.low + (right - at) * rise,
        }  # fmt: skip
        at += step


def hatching(clock: LogAxis, lines: Values, y: Spec) -> Spec:
    """Return slanted lines as one layer."""
    return layer(
        {"type": "rule", "color": INK, "strokeWidth": 0.8}, lines,
        {"x": clock.x(), "x2": {"field": "to"}, "y": {"field": "low", **y},
         "y2": {"field": "high"}},
    )  # fmt: skip


def words_at(clock: LogAxis, values: Values, y: Spec, **mark: Any) -> list[Spec]:
    """Return texts with a white rim, so that they can be read on whatever lies under them."""
    text = {"type": "text", "fontSize": 11, "baseline": "middle", **mark}
    at = {"x": clock.x(), "y": {"field": "y", **y}, "text": {"field": "word"}}
    rim = {**text, "stroke": PAPER, "strokeWidth": 4, "strokeJoin": "round"}
    return [layer(rim, values, at), layer(text, values, at)]
