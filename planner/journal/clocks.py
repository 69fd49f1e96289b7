"""Times of rows that were written by hand: several clocks, no dates, late entries, no time at all.

Each log's rows are taken in the order written. What a row does not say (the day, or the time)
follows from the rows above it, and the time says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from planner.journal.wording import OPEN_MIN, WRITTEN_OFF_MIN, ClockText, clock_shift, read_clock
from planner.units import clock

DAY_MIN: Final = 1440.0
BACK_MIN: Final = 360.0  # a drop of more is another day, of less a late entry; our own
NO_TIME: Final = "no time written"
BEFORE_START_MIN: Final = 120.0  # a first row may be so long before the start; our own


@dataclass(frozen=True, slots=True)
class RowTime:
    """When a row happened: minutes from the start, plus-minus, and why it was taken so."""

    at_min: float
    off_min: float
    why: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Shift:
    """How fast a source's clock is [min], and where that is said."""

    fast_min: float
    told_by: str


def shift_of(text: str, own_source: str) -> tuple[str, float] | None:
    """Return whose clock a row calls fast (its own unless it says whose), and by how much."""
    found = clock_shift(text)
    if found is None:
        return None
    return found[0] or own_source, found[1]


def row_times(
    cells: Sequence[str], sources: Sequence[str], shifts: Mapping[str, Shift], start: datetime
) -> list[RowTime]:
    """Return the times of one log's rows.

    Parameters
    ----------
    cells : sequence of str
        The clock cell of each row in the order written; empty where there is none.
    sources : sequence of str
        Whose clock each was read from.
    shifts : mapping
        By source, how fast its clock is.
    start : datetime
        Clock time of minute 0.
    """
    reads = [read_clock(c) if c.strip() else ClockText(None, 0.0, NO_TIME) for c in cells]
    times: list[RowTime | None] = []
    above: float | None = None
    for read, source in zip(reads, sources, strict=True):
        time = _in_time(read, above, start, shifts.get(source.lower()))
        if time is not None:
            above = time.at_min if above is None else max(time.at_min, above)
        times.append(time)
    return [
        time if time is not None else _between(times, index, reads[index].why, start)
        for index, time in enumerate(times)
    ]


def _in_time(
    read: ClockText, above: float | None, start: datetime, shift: Shift | None
) -> RowTime | None:
    """Return when a time of day was, by the last row above that has one."""
    why = (read.why,) if read.why else ()
    if read.later_min is not None:
        return RowTime((above or 0.0) + read.later_min, read.off_min, why)
    if read.minute is None:
        return None
    fast_min = shift.fast_min if shift is not None else 0.0
    if shift is not None and fast_min:
        way = "fast" if fast_min > 0 else "slow"
        why = (*why, f"that clock is {abs(fast_min):g} min {way} by {shift.told_by}")
    begun = start.hour * 60.0 + start.minute + start.second / 60.0
    base = read.minute - fast_min - begun
    if read.day is not None:
        days = (read.day - start.date()).days
        return RowTime(base + DAY_MIN * days, read.off_min, why)
    low = -BEFORE_START_MIN if above is None else above - BACK_MIN
    at_min = base + DAY_MIN * _steps_to(base, low, DAY_MIN)
    if read.days_on:
        days_above = (begun + (above or 0.0)) // DAY_MIN
        at_min = base + DAY_MIN * (days_above + read.days_on)
    elif read.is_half_day:
        # "2:30" after a row at 14:10 is the afternoon's.
        sooner = base + 720.0 * _steps_to(base, low, 720.0)
        if sooner != at_min:
            at_min, why = sooner, (*why, "no am or pm: the first such time")
    return RowTime(at_min, read.off_min, (*why, *_oddities(at_min, above, begun, start)))


def _oddities(at_min: float, above: float | None, begun: float, start: datetime) -> tuple[str, ...]:
    day = (begun + at_min) // DAY_MIN
    day_above = (begun + (above or 0.0)) // DAY_MIN
    why = []
    if day > day_above:
        told = f"after {clock(start, above)}" if above is not None else f"after {start:%H:%M}"
        why.append(f"no date: taken as past midnight, {told}")
    if above is not None and at_min < above:
        why.append(f"a late entry: before {clock(start, above)}, which stands above it")
    if above is None and at_min < 0.0:
        why.append("before the log's start")
    return tuple(why)


def _steps_to(base: float, low: float, step: float) -> float:
    """Return the fewest whole steps that bring a time to a minute or after it."""
    return -((base - low) // step)


def _between(times: Sequence[RowTime | None], index: int, why: str, start: datetime) -> RowTime:
    """Return a time for a row without one: between the rows around it that have one."""
    before = next((t.at_min for t in reversed(times[:index]) if t is not None), None)
    after = next((t.at_min for t in times[index + 1 :] if t is not None), None)
    if before is not None and after is not None and after >= before:
        half = (after - before) / 2.0
        told = f"between {clock(start, before)} and {clock(start, after)}, as it stands there"
        return RowTime(before + half, max(half, WRITTEN_OFF_MIN), (why, told))
    known = before if before is not None else after
    if known is None:
        return RowTime(0.0, OPEN_MIN, (why, "taken as the start: no row has a time"))
    where = "above" if before is not None else "below"
    told = f"as the row {where}, {clock(start, known)}"
    return RowTime(known, OPEN_MIN, (why, told))
