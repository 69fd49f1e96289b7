"""A request checked on many samples: at the answer, one cylinder less, a quarter hour later."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from planner.advice.request import STEP_MIN, Answer, delivered
from planner.advice.setting import judged
from planner.estimate import Estimate, chance
from planner.incident import Cylinder

Verdict = Literal["under", "over", "undecided"]
VERIFYING: Final = 5_000_015  # added to the seed: samples that nothing else has seen
MANY: Final = 200_000
Items = tuple[tuple[Cylinder, int], ...]


@dataclass(frozen=True, slots=True)
class Checked:
    """A chance, and whether its 95 % interval lies under the target, over it or around it."""

    items: Items
    arrive_min: float
    chance: Estimate
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Verification:
    """The answer, every delivery of one cylinder less, and the answer a quarter hour later."""

    answer: Checked
    one_less: tuple[Checked, ...]
    later: Checked


def verified(answer: Answer, seed: int, num_samples: int = MANY) -> Verification:
    """Check a found request on samples of its own.

    Raises
    ------
    ValueError
        When there is no request to check.
    """
    if answer.status != "found":
        raise ValueError(f"there is no request to check: {answer.status}")

    def check(items: Items, minute: float) -> Checked:
        after = delivered(answer.setting, items, answer.place, minute)
        found = chance(judged(after, num_samples, seed + VERIFYING).anyone)
        return Checked(items, minute, found, verdict(found, answer.target))

    at = answer.arrive_by_min
    return Verification(
        check(answer.items, at),
        tuple(check(items, at) for items in one_less(answer.items)),
        check(answer.items, at + STEP_MIN),
    )


def verdict(found: Estimate, target: float) -> Verdict:
    """Say on which side of the target an interval lies."""
    if found.high <= target:
        return "under"
    return "over" if found.low > target else "undecided"


def one_less(items: Items) -> Iterator[Items]:
    """Yield the items with one cylinder of each size left out in turn."""
    for k in range(len(items)):
        model, count = items[k]
        fewer = ((model, count - 1),) if count > 1 else ()
        yield (*items[:k], *fewer, *items[k + 1 :])
