"""The resource request: the least that brings the chance of anyone running out under the target.

Asked for are full cylinders of sizes the file knows, with a connection that somebody has a
regulator for, in one delivery that arrives for certain at one minute at one place. The lightest is
sought (then the fewest), at the earliest arrival there can be; then the latest arrival at which
that is still enough. Nothing lighter is enough as far as was looked: a delivery that is not enough
is taken to be not enough with something left out, which mostly holds and is no law of operation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from planner.advice.curve import curve_of, grid_from
from planner.advice.effects import Progress, Stop
from planner.advice.least import Counts, Least, least
from planner.advice.replanning import Again, planned_again
from planner.advice.setting import (
    Delivery,
    Setting,
    fresh_tags,
    judged,
    mass_kg,
    models_of,
    people_of,
    reaching,
    with_delivery,
)
from planner.demand import sample
from planner.estimate import Estimate, chance
from planner.incident import Cylinder
from planner.limits import best_possible
from planner.operation.judge import Bench
from planner.shelf import usable_l
from planner.workflow import CHOOSING_SAMPLES, FRESH

ASKING: Final = 3 * FRESH  # added to the seed for the samples that choose a request
TRAVEL_MIN: Final = 60.0  # between asking and arrival: common practice, no source
STEP_MIN: Final = 15.0  # the latest arrival is told in steps of it
LOOK: Final = 1_000
CHOSEN: Final = 4_000
CONFIRMED: Final = 16_000
MOST_PLENTY: Final = 100  # cylinders of a connection that stand for unlimited litres
ROUNDS: Final = 4  # of asking for a little more when fresh samples do not agree
LEAST_LESS: Final = 0.001  # by which the goal is lowered at least
Status = Literal["none needed", "found", "out of reach"]


def _never() -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked.

    Parameters
    ----------
    place : str or None
        Where it is to arrive; None: where plenty would bring the chance down most.
    travel_min : float
        Minutes between asking and arrival; 60 is common practice, no source.
    seed, samples : int
        The plan's; fresh samples behind every number reported.
    effort : float
        Evaluations for planning with plenty, where the kept plan does not reach the target.
    progress, is_interrupted : callable
    """

    place: str | None = None
    travel_min: float = TRAVEL_MIN
    seed: int = 1
    samples: int = 20_000
    effort: float = 100.0
    progress: Progress = lambda _: None
    is_interrupted: Stop = _never


@dataclass(frozen=True, slots=True)
class Answer:
    """What to ask for, or how far it goes when nothing is enough.

    Parameters
    ----------
    status : {"none needed", "found", "out of reach"}
    target : float
    before : Estimate
        The chance of anyone running out without any request.
    setting : Setting
        With the policy that the numbers hold for: the kept one, or one planned for plenty.
    is_replanned : bool
        Whether it is the latter: the plan has to change for the request to be enough.
    place : str
    items : tuple of (Cylinder, int)
        Full cylinders and how many; when out of reach, the plenty that was tried.
    arrive_by_min, request_by_min : float
        When out of reach: the earliest arrival, and the state's minute.
    chance_after : Estimate
        On fresh samples. When out of reach, the best found.
    at_once : Estimate or None
        When out of reach: the chance if that plenty stood there now.
    limit : Estimate or None
        When out of reach: what no plan can undercut with that plenty, by litres alone.
    mass_kg : float or None
        Of all items, rough; None: a size without a mass, the order was by litres then.
    curve : tuple of (float, Estimate)
        Chance against arrival; the first point is "there now". At each minute that of the plan
        kept or of the one planned for plenty, whichever is lower: what comes too late for the
        second leaves the first.
    is_complete : bool
        Everything lighter was looked at (False: stopped, or too many to look at).
    kept : Setting or None
        The kept policy, where another one was planned for plenty.
    """

    status: Status
    target: float
    before: Estimate
    setting: Setting
    is_replanned: bool = False
    place: str = ""
    items: tuple[tuple[Cylinder, int], ...] = ()
    arrive_by_min: float = math.nan
    request_by_min: float = math.nan
    chance_after: Estimate | None = None
    at_once: Estimate | None = None
    limit: Estimate | None = None
    mass_kg: float | None = None
    curve: tuple[tuple[float, Estimate], ...] = ()
    is_complete: bool = True
    kept: Setting | None = None

    @property
    def is_plenty(self) -> bool:
        """Whether the plenty that was tried is more than could be used."""
        return all(count < MOST_PLENTY for _, count in self.items)


def delivered(
    setting: Setting, items: tuple[tuple[Cylinder, int], ...], place: str,
    arrive_min: float | None,
) -> Setting:  # fmt: skip
    """Return the setting with so many full cylinders arriving; None: they are there now."""
    cylinders = []
    for model, count in items:
        name = f"{model.size} {model.connection}"
        cylinders += [replace(model, tag=tag) for tag in fresh_tags(setting, name, count)]
    if not cylinders:
        return setting
    return with_delivery(setting, Delivery(place, cylinders=tuple(cylinders)), arrive_min)


def request_for(setting: Setting, wanted: Wanted | None = None) -> Answer:
    """Say what to ask for so that the chance of anyone running out comes under the target.

    Parameters
    ----------
    setting : Setting
        With the plan's policy.
    wanted : Wanted or None

    Returns
    -------
    Answer
    """
    wanted = wanted if wanted is not None else Wanted()
    target = setting.incident.target_chance
    before = fresh_chance(setting, wanted)
    if before.value <= target:
        return Answer("none needed", target, before, setting)
    models = models_of(setting.incident)
    first_min = setting.state.at_min + wanted.travel_min
    places = [p.name for p in setting.incident.places if reaching(setting, p.name)]
    if wanted.place is not None:
        places = [wanted.place]
    if not models or not places or first_min >= setting.incident.horizon_min:
        return Answer("out of reach", target, before, setting, chance_after=before)
    wanted.progress("what to ask for: is plenty enough")
    items = plenty_of(setting, models)
    place = min(places, key=lambda p: _chosen(delivered(setting, items, p, first_min), wanted))
    based, is_replanned = _base(setting, items, place, wanted)
    if _chosen(delivered(based, items, place, first_min), wanted) > target:
        answer = Answer("out of reach", target, before, based, is_replanned, place, items,
                        first_min, setting.state.at_min,
                        kept=setting if is_replanned else None)  # fmt: skip
        return _how_far(answer, wanted)
    answer = Answer("found", target, before, based, is_replanned, place,
                    kept=setting if is_replanned else None)  # fmt: skip
    return _least_and_latest(answer, models, wanted)


def fresh_chance(setting: Setting, wanted: Wanted) -> Estimate:
    """Return the chance of anyone running out on the samples that no choice has seen."""
    return chance(judged(setting, wanted.samples, wanted.seed + FRESH).anyone)


def _chosen(setting: Setting, wanted: Wanted, num_samples: int = CHOSEN) -> float:
    return float(np.mean(judged(setting, num_samples, wanted.seed + ASKING).anyone))


def plenty_of(setting: Setting, models: tuple[Cylinder, ...]) -> tuple[tuple[Cylinder, int], ...]:
    """Return so many of the largest size of each connection that litres cannot be short.

    As many as everyone's flow to the horizon would empty, and one more each, at most 100;
    :attr:`Answer.is_plenty` says whether that cut it short.
    """
    people = people_of(setting)
    options = [setting.policy.option_of(p.tag) for p in people]
    lpm = sum(max(ph.flow_lpm for ph in o.phases) for o in options if o is not None)
    litres = lpm * (setting.incident.horizon_min - setting.state.at_min)
    largest: dict[str, Cylinder] = {}
    for model in models:
        held = largest.get(model.connection)
        if held is None or _full_l(setting, model) > _full_l(setting, held):
            largest[model.connection] = model
    return tuple(
        (m, min(MOST_PLENTY, len(people) + math.ceil(litres / _full_l(setting, m))))
        for m in largest.values()
    )


def _full_l(setting: Setting, model: Cylinder) -> float:
    """Return what a full cylinder has to give, as the incident counts; never quite nothing."""
    return max(1.0, usable_l(setting.incident, setting.state, model))


def _base(
    setting: Setting, items: tuple[tuple[Cylinder, int], ...], place: str, wanted: Wanted
) -> tuple[Setting, bool]:
    """Return the kept policy where plenty is enough with it, else one planned for plenty."""
    first_min = setting.state.at_min + wanted.travel_min
    full = delivered(setting, items, place, first_min)
    kept = _chosen(full, wanted)
    if kept <= setting.incident.target_chance or wanted.is_interrupted():
        return setting, False
    wanted.progress("what to ask for: planning with plenty")
    again = Again(wanted.effort, CHOOSING_SAMPLES, wanted.seed + ASKING, wanted.is_interrupted)
    found = planned_again(full, (), again).policy
    known = {c.tag for c in setting.incident.all_cylinders}
    order = tuple(tag for tag in found.order if tag in known)
    other = replace(setting, policy=replace(found, order=order))
    if _chosen(delivered(other, items, place, first_min), wanted) < kept:
        return other, True
    return setting, False


def _how_far(answer: Answer, wanted: Wanted) -> Answer:
    """Tell how far plenty goes, if it stood there now, and what litres alone would allow."""
    after = delivered(answer.setting, answer.items, answer.place, answer.arrive_by_min)
    needs = sample(after.incident, after.state, wanted.samples, wanted.seed + FRESH)
    bench = Bench.of(after.incident, after.state, needs)
    now = delivered(answer.setting, answer.items, answer.place, None)
    return replace(
        answer,
        chance_after=fresh_chance(after, wanted),
        at_once=fresh_chance(now, wanted),
        limit=best_possible(bench).anyone,
        curve=_curve(answer, wanted),
    )


def _curve(answer: Answer, wanted: Wanted) -> tuple[tuple[float, Estimate], ...]:
    settings = [answer.setting] if answer.kept is None else [answer.setting, answer.kept]

    def chance_at(minute: float | None) -> Estimate:
        found = [
            fresh_chance(delivered(each, answer.items, answer.place, minute), wanted)
            for each in settings
        ]
        return min(found, key=lambda estimate: estimate.value)

    return curve_of(chance_at, answer.setting, wanted.is_interrupted)


def _least_and_latest(answer: Answer, models: tuple[Cylinder, ...], wanted: Wanted) -> Answer:
    """Seek the lightest at the earliest arrival, then the latest arrival, until fresh ones agree.

    The goal on the choosing samples is lowered by what the fresh ones lie above the target: the
    choice of the very least has picked a delivery whose number is good partly by luck.
    """
    goal = answer.target
    first_min = answer.setting.state.at_min + wanted.travel_min
    for number in range(ROUNDS):
        wanted.progress(f"what to ask for: the least that is enough ({number + 1})")
        trial = _Trial(answer, models, wanted, (goal, first_min))
        found = least(trial, _masses(answer.setting, models), wanted.is_interrupted)
        if found is None:
            break
        answer = _with_items(answer, models, found)
        latest = _latest(answer, goal, wanted)
        answer = replace(answer, arrive_by_min=latest, request_by_min=latest - wanted.travel_min)
        after = delivered(answer.setting, answer.items, answer.place, latest)
        answer = replace(answer, chance_after=fresh_chance(after, wanted))
        over = answer.chance_after.value - answer.target if answer.chance_after else 0.0
        if over <= 0 or wanted.is_interrupted():
            break
        goal -= max(over, LEAST_LESS)
    return replace(answer, curve=_curve(answer, wanted))


def _masses(setting: Setting, models: tuple[Cylinder, ...]) -> tuple[float, ...]:
    """Return what is least: kilograms, or litres where a size has no mass."""
    masses = [mass_kg(m) for m in models]
    known = [m for m in masses if m is not None]
    return tuple(known) if len(known) == len(models) else tuple(_full_l(setting, m) for m in models)


def _with_items(answer: Answer, models: tuple[Cylinder, ...], found: Least) -> Answer:
    items = tuple((m, n) for m, n in zip(models, found.counts, strict=True) if n)
    masses = [mass_kg(m) for m, _ in items]
    total = sum(m * n for m, (_, n) in zip(masses, items, strict=True) if m is not None)
    return replace(answer, items=items, is_complete=found.is_complete,
                   mass_kg=None if None in masses else total)  # fmt: skip


class _Trial:
    """Whether a delivery is enough on the choosing samples; remembers, and gives up early."""

    def __init__(
        self, answer: Answer, models: tuple[Cylinder, ...], wanted: Wanted,
        aim: tuple[float, float],
    ) -> None:  # fmt: skip
        self.answer, self.models, self.wanted = answer, models, wanted
        self.goal, self.arrive_min = aim
        self.seen: dict[Counts, bool] = {}

    def __call__(self, counts: Counts) -> bool:
        if counts not in self.seen:
            items = tuple(zip(self.models, counts, strict=True))
            after = delivered(self.answer.setting, items, self.answer.place, self.arrive_min)
            self.seen[counts] = is_enough(after, self.goal, self.wanted)
        return self.seen[counts]


def is_enough(setting: Setting, goal: float, wanted: Wanted) -> bool:
    """Say whether a chance is at or under a goal; what is far over gets a short look only.

    What is enough on 4,000 samples has to be on 16,000 too: of many that are tried near the goal
    some always are by luck.
    """
    look = chance(judged(setting, LOOK, wanted.seed + ASKING).anyone)
    if look.low > 1.2 * goal:
        return False
    if _chosen(setting, wanted) > goal:
        return False
    return _chosen(setting, wanted, CONFIRMED) <= goal


def _latest(answer: Answer, goal: float, wanted: Wanted) -> float:
    """Return the latest arrival, in steps of 15 min, up to which every one is early enough."""
    latest = answer.setting.state.at_min + wanted.travel_min
    for minute in grid_from(latest, answer.setting.incident.horizon_min, STEP_MIN):
        after = delivered(answer.setting, answer.items, answer.place, minute)
        if wanted.is_interrupted() or not is_enough(after, goal, wanted):
            break
        latest = minute
    return latest
