"""Numbers in a user's words: chances, pressures, lists; rounding is done here and nowhere else."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from planner.units import CLOCK_NOISE_MIN, Pressure, clock

if TYPE_CHECKING:
    from planner.estimate import Estimate

TITLES: Final = {
    "immediate": "Immediate", "delayed": "Delayed", "minimal": "Minimal",
    "expectant": "Expectant", "dead": "Dead",
}  # fmt: skip
_FRACTIONS: Final = (
    (0.25, "1 in 4"), (0.3, "3 in 10"), (1 / 3, "1 in 3"), (0.4, "2 in 5"), (0.5, "1 in 2"),
    (0.6, "3 in 5"), (2 / 3, "2 in 3"), (0.7, "7 in 10"), (0.75, "3 in 4"), (0.8, "4 in 5"),
    (0.9, "9 in 10"),
)  # fmt: skip


def chance_in_words(chance: Estimate) -> str:
    """Return a chance as ``about 1 in 14``; honest about what so many samples can show."""
    share, samples = chance.value, chance.samples
    if share <= 0.0:
        return f"less than {_one_in(chance.high, is_bound=True)} (never in {samples:,} samples)"
    if share >= 1.0:
        return f"certain (in all {samples:,} samples)"
    if share > 0.95:
        return "almost certain (more than 19 in 20)"
    if share < 0.225:
        return f"about {_one_in(share)}"
    return "about " + min(_FRACTIONS, key=lambda f: abs(f[0] - share))[1]


def _one_in(share: float, *, is_bound: bool = False) -> str:
    """Return two digits of 1 in so many; a bound is cut, so that less than it stays true."""
    number = 1 / share
    step = 10 ** max(0, len(str(int(number))) - 2)
    steps = int(number / step) if is_bound else round(number / step)
    return f"1 in {steps * step:,}"


def percent(chance: Estimate) -> str:
    """Return a chance with its 95 % interval, such as ``7.1 % (6.8-7.5)``."""
    return f"{share(chance.value)} % ({share(chance.low)}-{share(chance.high)})"


def share(value: float) -> str:
    """Return a share in per cent with as many digits as are worth showing.

    Only what is 0 or 1 reads 0 or 100: ``<0.1`` and ``>99.9`` stand for what is nearly so.
    """
    points = 100 * value
    if points in {0, 100}:
        return f"{points:.0f}"
    if points < 0.05:
        return "<0.1"
    if points >= 99.95:
        return ">99.9"
    return f"{points:.0f}" if 9.95 <= points < 99 else f"{points:.1f}"


def minutes(value: float) -> str:
    """Return a length of time in whole minutes; ``<1 min`` where there is some."""
    return "<1 min" if 0 < value < 0.5 else f"{value:,.0f} min"


def pressure(value: Pressure, *, is_bar: bool) -> str:
    """Return a gauge in the incident's unit, whole psi or bar."""
    return f"{value.bar:.0f} bar" if is_bar else f"{value.psi:.0f} psi"


def when(start: datetime, minutes: float) -> str:
    """Return a clock time cut to the minute; another day is said: ``02:10 (+1 day)``."""
    later = (start + timedelta(minutes=minutes + CLOCK_NOISE_MIN)).date() - start.date()
    text = clock(start, minutes)
    if later.days == 0:
        return text
    return f"{text} (+{counted(later.days, 'day')})"


def joined(words: Iterable[str]) -> str:
    """Return ``a, b and c``."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def source_words(row: Mapping[str, Any]) -> str:
    """Return what somebody breathes from: cylinder, regulator, and who else is on it."""
    beside = f", with {joined(row['together'])}" if row["together"] else ""
    return f"{row['cylinder']} on {row['regulator'] or 'its own valve'}{beside}"


def counted(number: int, singular: str, plural: str = "") -> str:
    """Return ``1 cylinder`` or ``3 cylinders``."""
    return f"{number} {singular if number == 1 else plural or singular + 's'}"


def runs(tags: Iterable[str]) -> Iterator[str]:
    """Yield tags, three or more that count up by one as ``D-04 to D-09``."""
    group: list[str] = []
    for tag in tags:
        if group and tag != _following(group[-1]):
            yield from _run(group)
            group = []
        group.append(tag)
    yield from _run(group)


def _run(group: list[str]) -> list[str]:
    return group if len(group) < 3 else [f"{group[0]} to {group[-1]}"]


def _following(tag: str) -> str | None:
    """Return the tag that counts one further, with as many digits; None when it has no number."""
    found = re.fullmatch(r"(.*?)([0-9]+)", tag, flags=re.DOTALL)
    if found is None:
        return None
    head, number = found.groups()
    return f"{head}{int(number) + 1:0{len(number)}d}"
