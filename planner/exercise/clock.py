"""The exercise's clock: an anchor, a minute and a speed, so that nothing has to tick.

A clock is data: what minute it shows follows from the time of day. So a restart of the server, a
second screen or a page drawn late all see the same minute. After a sleep of the machine it stands
where it was last seen, since nobody played meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

SLEEP_S: Final = 90.0  # our own: longer unseen is a sleep or a crash, not a slow page
SPEEDS: Final = (0.5, 1.0, 2.0, 5.0, 10.0)  # our own


@dataclass(frozen=True, slots=True)
class Clock:
    """A clock that shows ``minute`` at ``anchor`` and runs on from there; without one it stands.

    Parameters
    ----------
    minute : float
        Minutes from the incident's start.
    anchor : datetime or None
        Time of day, with its zone.
    speed : float
        Minutes of the exercise in a minute.
    """

    minute: float = 0.0
    anchor: datetime | None = None
    speed: float = 1.0

    @property
    def is_running(self) -> bool:
        """Whether it runs."""
        return self.anchor is not None


def minute_at(clock: Clock, now: datetime) -> float:
    """Return the minute it shows; a time of day before the anchor shows the anchor's."""
    if clock.anchor is None:
        return clock.minute
    passed_s = max(0.0, (now - clock.anchor).total_seconds())
    return clock.minute + clock.speed * passed_s / 60


def started(clock: Clock, now: datetime) -> Clock:
    """Return it running from where it stands; one that runs goes on."""
    return clock if clock.is_running else replace(clock, anchor=now)


def paused(clock: Clock, now: datetime) -> Clock:
    """Return it standing at the minute it shows."""
    return replace(clock, minute=minute_at(clock, now), anchor=None)


def at_speed(clock: Clock, now: datetime, speed: float) -> Clock:
    """Return it at another speed from now on.

    Raises
    ------
    ValueError
        For a speed that is not offered.
    """
    if speed not in SPEEDS:
        raise ValueError(f"speed is {speed:g}; allowed: {', '.join(f'{s:g}' for s in SPEEDS)}")
    anchor = now if clock.is_running else None
    return Clock(minute_at(clock, now), anchor, speed)


def rewound(clock: Clock, now: datetime, minute: float) -> Clock:
    """Return it standing at an earlier minute, from which the exercise goes on as a branch.

    Raises
    ------
    ValueError
        For a minute before 0 or after the one it shows.
    """
    shown = minute_at(clock, now)
    if not 0 <= minute <= shown:
        raise ValueError(f"minute is {minute:g}; allowed: 0 to {shown:.1f}, what the clock shows")
    return replace(clock, minute=minute, anchor=None)


def put_forward(clock: Clock, now: datetime, minute: float) -> Clock:
    """Return it at a later minute, running as before: an evening went on by paper up to there.

    Raises
    ------
    ValueError
        For a minute before the one it shows.
    """
    shown = minute_at(clock, now)
    if minute < shown:
        raise ValueError(f"minute is {minute:g}; allowed: {shown:.1f}, what it shows, or later")
    return replace(clock, minute=minute, anchor=now if clock.is_running else None)


def seen(clock: Clock, last_seen: datetime, now: datetime) -> Clock:
    """Return it as it is when somebody looks: standing where it was last seen after a sleep."""
    if clock.is_running and (now - last_seen).total_seconds() > SLEEP_S:
        return paused(clock, last_seen)
    return clock
