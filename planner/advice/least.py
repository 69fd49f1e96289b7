"""The lightest delivery that is enough, then the fewest cylinders, among whole counts of sizes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from planner.advice.effects import Stop

Counts = tuple[int, ...]
Enough = Callable[[Counts], bool]
MOST_OF_ONE: Final = 64
MOST_LISTED: Final = 20_000
MOST_LOOKS: Final = 150


@dataclass(frozen=True, slots=True)
class Least:
    """Counts by size, and whether everything lighter was looked at."""

    counts: Counts
    is_complete: bool


def least(is_enough: Enough, masses: Sequence[float], is_stopped: Stop) -> Least | None:
    """Return the lightest counts that are enough; of equally light ones the fewest cylinders.

    Parameters
    ----------
    is_enough : callable
        Taken to be monotone: what is not enough is not with something left out.
    masses : sequence of float
        Of one of each, above 0.
    is_stopped : callable
        True ends the looking with the lightest so far.

    Returns
    -------
    Least or None
        None when 64 of no size are enough.
    """
    size = len(masses)
    alone = [_alone(is_enough, k, size, is_stopped) for k in range(size)]
    found = [counts for counts in alone if counts is not None]
    if not found:
        together = _halved(is_enough, size)
        if together is None:
            return None
        found = [together]
    best = _trimmed(is_enough, min(found, key=lambda c: weight(c, masses)), masses, is_stopped)
    listed = list(_lighter(best, masses))
    is_complete = len(listed) <= MOST_LISTED
    listed = sorted(listed[:MOST_LISTED], key=lambda c: weight(c, masses), reverse=True)
    short: list[Counts] = []
    looks = 0
    # From the heaviest down: one that is not enough rules out all that it holds.
    for counts in listed:
        if weight(counts, masses) >= weight(best, masses) or _is_within_any(counts, short):
            continue
        if looks >= MOST_LOOKS or is_stopped():
            return Least(_trimmed(is_enough, best, masses, is_stopped), False)
        looks += 1
        if is_enough(counts):
            best = counts
        else:
            short.append(counts)
    # What was listed may have been cut off: at least nothing single can be left out or be lighter.
    return Least(
        best if is_complete else _trimmed(is_enough, best, masses, is_stopped), is_complete
    )


def _trimmed(is_enough: Enough, best: Counts, masses: Sequence[float], is_stopped: Stop) -> Counts:
    """Leave single cylinders out, or take lighter ones for them, while that is enough."""
    is_improving = True
    while is_improving and not is_stopped():
        is_improving = False
        for counts in sorted(_one_lighter(best, masses), key=lambda c: weight(c, masses)):
            if is_stopped():
                break
            if is_enough(counts):
                best, is_improving = counts, True
                break
    return best


def _one_lighter(best: Counts, masses: Sequence[float]) -> Iterator[Counts]:
    """Yield what is lighter by one cylinder less, or by one or two others in its stead."""
    for k in (k for k, n in enumerate(best) if n):
        for others in _stand_ins(k, len(masses)):
            counts = list(best)
            counts[k] -= 1
            for j in others:
                counts[j] += 1
            found = tuple(counts)
            if any(found) and weight(found, masses) < weight(best, masses):
                yield found


def _stand_ins(k: int, size: int) -> Iterator[tuple[int, ...]]:
    rest = [j for j in range(size) if j != k]
    yield ()
    yield from ((j,) for j in rest)
    yield from ((j, i) for j in rest for i in rest if j <= i)


def weight(counts: Counts, masses: Sequence[float]) -> tuple[float, int, Counts]:
    """Return what is least first: mass (to the gram, so that float noise ties), count, counts."""
    mass = sum(n * m for n, m in zip(counts, masses, strict=True))
    return (round(mass, 3), sum(counts), counts)


def _alone(is_enough: Enough, k: int, size: int, is_stopped: Stop) -> Counts | None:
    """Return the fewest of one size that are enough, by doubling and halving."""

    def counts(number: int) -> Counts:
        return tuple(number if j == k else 0 for j in range(size))

    high = 1
    while not is_enough(counts(high)):
        high *= 2
        if high > MOST_OF_ONE or is_stopped():
            return None
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(counts(middle)) else (middle, high)
    return counts(high)


def _halved(is_enough: Enough, size: int) -> Counts | None:
    """Return equal counts of all sizes that are enough; each connection may want its own."""
    number = 1
    while number <= MOST_OF_ONE:
        if is_enough((number,) * size):
            return (number,) * size
        number *= 2
    return None


def _lighter(best: Counts, masses: Sequence[float]) -> Iterator[Counts]:
    """Yield all counts lighter than the best, or as light and fewer; one over the most listed."""
    limit = weight(best, masses)
    listed = 0

    def grown(k: int, before: Counts, mass: float) -> Iterator[Counts]:
        if k == len(masses):
            yield before
            return
        number = 0
        while round(mass + number * masses[k], 3) <= limit[0]:
            yield from grown(k + 1, (*before, number), mass + number * masses[k])
            number += 1

    for counts in grown(0, (), 0.0):
        if any(counts) and weight(counts, masses) < limit:
            listed += 1
            yield counts
            if listed > MOST_LISTED:
                return


def _is_within_any(counts: Counts, others: Sequence[Counts]) -> bool:
    return any(all(a <= b for a, b in zip(counts, other, strict=True)) for other in others)
