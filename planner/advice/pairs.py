"""Which two measures to try together: the best few, and things that are useless apart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Final

from planner.advice.measures import COUNTED, Measure, applied
from planner.advice.setting import Setting, people_of
from planner.policy import Policy

MOST_PAIRS: Final = 40
Pair = tuple[Measure, Measure]


def pairs_of(
    setting: Setting, best: Sequence[Measure], every: Sequence[Measure]
) -> tuple[Pair, ...]:
    """Return the pairs worth trying, at most 40.

    Parameters
    ----------
    setting : Setting
    best : sequence of Measure
        The best few alone, best first; two of a thing count as a pair.
    every : sequence of Measure
        All that were tried. Of them come the things that somebody without a first connection
        lacks: a regulator and a mask may each do nothing without the other.
    """
    twice = [(m, m) for m in best if m.kind in COUNTED]
    together = list(combinations(best, 2))
    lacking = list(combinations(_lacking(setting, every), 2))
    found: dict[Pair, None] = {}
    for one, other in (*together, *twice, *lacking):
        pair = (one, other) if one.key <= other.key else (other, one)
        if pair not in found and _go_together(pair, setting):
            found[pair] = None
    return tuple(found)[:MOST_PAIRS]


def _lacking(setting: Setting, every: Sequence[Measure]) -> Iterator[Measure]:
    """Yield the things of a first connection at the places of those who have none."""
    policy = setting.policy
    wanted: set[tuple[str, str, str]] = set()
    places: set[str] = set()
    for patient in people_of(setting):
        option = policy.option_of(patient.tag)
        if option is None or _has_kit(policy, patient.tag):
            continue
        place = setting.state.patient(patient.tag).place
        places.add(place)
        wanted.add((option.device, patient.age, place))
    for measure in every:
        if measure.kind == "device":
            if (measure.name, measure.age, measure.place) in wanted:
                yield measure
        elif measure.kind in COUNTED and measure.place in places:
            yield measure


def _has_kit(policy: Policy, tag: str) -> bool:
    if any(x.patient == tag for h in policy.hookups for x in h.lines):
        return True
    promise = next((p for p in policy.promises if p.patient == tag), None)
    return promise is not None and promise.regulator is not None and promise.device is not None


def _go_together(pair: Pair, setting: Setting) -> bool:
    first, second = pair
    is_same = first.kind == second.kind and first.name == second.name
    if is_same and first.kind not in COUNTED:
        return False
    if {first.kind, second.kind} == {"step down", "step up"} and first.name == second.name:
        return False
    try:
        applied(second, applied(first, setting))
    except ValueError:
        return False
    return True
