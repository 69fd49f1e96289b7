"""What planning on again and again buys: every 10 and 20 minutes against keeping the first plan.

``python -m tests.bench.replanning_study [paths [random incidents]]``. Each path is one drawn
course of an incident, operated by the judge from one planning to the next: what is so then is read
off (gauges exactly, as if each were read), the plan is made again with the one in force among its
starts and a price on every change, and operation goes on. First connections that a new plan names
for people who wait are not taken for nothing: their cylinders go to the front of the list and hands
are waited for, as without a new plan. J counts the lowest level that each patient was ever given.

With ``news`` as a third word every course brings one message: at a minute drawn from 15 to 45 it
is told that all transport will be 20, 30 or 45 minutes later than thought, and so it is. The first
plan kept (it never hears of it) stands beside planning on once, when it is told.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from planner.demand import Floats, Needs, sample
from planner.estimate import difference
from planner.files import read_incident
from planner.incident import Incident
from planner.operation.judge import Bench
from planner.operation.reading import reading_after, rest_of
from planner.policy import Policy
from planner.risk import OUT_MIN, objective_samples, weights_of
from planner.state import State, initial_state
from planner.what_if import Change, changed
from planner.workflow import Request, make_plan
from tests.generator import random_incident

SCENARIOS: Final = Path(__file__).parents[2] / "scenarios"
SHIPPED: Final = ("ulvaren-bowl", "quessel-hut", "drommick-chair", "pelvarra-camp", "ostrenga-pass")
EVERY: Final = (10.0, 20.0)
FIRST_RANDOM: Final = 5000
SEED: Final = 77
FIRST: Final = Request(seed=1, samples=200)
AT_NEWS: Final = Request(seed=1, samples=1000)
NEWS_MIN: Final = (15.0, 45.0)
LATER_MIN: Final = (20.0, 30.0, 45.0)
AGAIN: Final = Request(seed=1, samples=600, effort=25, deterministic_s=0.1)


@dataclass
class Course:
    """One course while it is operated from planning to planning."""

    incident: Incident
    state: State
    policy: Policy
    needs: Needs
    sample: int

    def until(self, minute: float) -> Floats:
        """Operate to a minute and return minutes out by patient since the last stop."""
        found = reading_after(
            self.incident, self.state, self.policy, self.needs, self.sample, minute
        )
        self.needs = rest_of(self.needs, self.sample, self.incident, found.state)
        self.state, self.sample = found.state, 0
        return np.array([minutes for _, minutes in found.minutes_out])

    @property
    def is_over(self) -> bool:
        return all(p.status in {"gone", "dead"} for p in self.state.patients) or not bool(
            self.needs.is_needed.any()
        )


def served_by_hand(policy: Policy, state: State) -> Policy:
    """Return a policy that connects nobody for nothing: new first cylinders lead the list."""
    running = {h.cylinders for h in state.hookups}
    new = [h.cylinders[0] for h in policy.hookups if h.cylinders not in running]
    rest = [tag for tag in policy.order if tag not in new]
    return replace(policy, hookups=state.hookups, order=(*new, *rest))


def steps_of(incident: Incident, policy: Policy) -> Floats:
    return np.array([
        0.0 if (option := policy.option_of(p.tag)) is None else float(option.steps)
        for p in incident.patients
    ])  # fmt: skip


def planned_on(incident: Incident, policy: Policy, needs: Needs, s: int, every: float) -> Floats:
    """Return minutes out by patient and, below them, the most steps each was ever taken down."""
    path = Course(incident, initial_state(incident), policy, needs, s)
    steps = steps_of(incident, policy)
    minutes = np.zeros(len(incident.patients))
    while path.state.at_min < incident.horizon_min - 1e-6:
        minutes += path.until(min(path.state.at_min + every, incident.horizon_min))
        if path.is_over or path.state.at_min >= incident.horizon_min - 1e-6:
            break
        again = make_plan(incident, path.state, replace(AGAIN, in_force=path.policy))
        path.policy = served_by_hand(again.policy, path.state)
        steps = np.maximum(steps, steps_of(incident, again.policy))
    return np.vstack([minutes, steps])


def news_study(name: str, incident: Incident, num_paths: int) -> dict[float, tuple[Floats, Floats]]:
    """Return J and anyone out by course: first plan kept (0) and planned on at the news (1)."""
    begun = time.monotonic()
    plan = make_plan(incident, None, AT_NEWS)
    needs = sample(incident, initial_state(incident), num_paths, SEED)
    random = np.random.default_rng(SEED)
    told = random.uniform(*NEWS_MIN, num_paths)
    later = random.choice(LATER_MIN, num_paths)
    needs = replace(
        needs, transfer_min=np.where(needs.transfer_min > told, needs.transfer_min + later,
                                     needs.transfer_min),
    )  # fmt: skip
    kept = Bench.of(incident, plan.state, needs).operate(plan.policy).minutes_out
    steps = np.repeat(steps_of(incident, plan.policy)[:, None], num_paths, axis=1)
    rows = []
    for s in range(num_paths):
        path = Course(incident, initial_state(incident), plan.policy, needs, s)
        minutes = path.until(float(told[s]))
        taken = steps[:, s]
        if not path.is_over:
            known = changed(incident, Change(later_min=float(later[s])))
            again = make_plan(known, path.state, replace(AT_NEWS, in_force=path.policy))
            path.policy = served_by_hand(again.policy, path.state)
            taken = np.maximum(taken, steps_of(incident, again.policy))
            minutes = minutes + path.until(incident.horizon_min)
        rows.append((minutes, taken))
    on, levels = (np.stack([row[k] for row in rows], axis=1) for k in (0, 1))
    tier = weights_of(incident).tier <= 2
    found = {
        0.0: (objective(incident, kept, steps), (kept[tier] > OUT_MIN).any(axis=0) * 1.0),
        1.0: (objective(incident, on, levels), (on[tier] > OUT_MIN).any(axis=0) * 1.0),
    }
    told_words = ", ".join(
        f"{what}: J {np.mean(j):.3f}, anyone {np.mean(out):.2f}"
        for what, (j, out) in zip(("kept", "planned on"), found.values(), strict=True)
    )
    print(f"{name}, news: {told_words}; {time.monotonic() - begun:.0f} s", flush=True)
    return found


def objective(incident: Incident, minutes: Floats, steps: Floats) -> Floats:
    weights = weights_of(incident)
    price = (weights.step[:, None] * steps).sum(axis=0)
    return np.asarray(objective_samples(minutes, weights, 0.0) + price)


def study(name: str, incident: Incident, num_paths: int) -> dict[float, tuple[Floats, Floats]]:
    begun = time.monotonic()
    plan = make_plan(incident, None, FIRST)
    needs = sample(incident, initial_state(incident), num_paths, SEED)
    kept = Bench.of(incident, plan.state, needs).operate(plan.policy).minutes_out
    steps = np.repeat(steps_of(incident, plan.policy)[:, None], num_paths, axis=1)
    tier = weights_of(incident).tier <= 2
    found = {0.0: (objective(incident, kept, steps), (kept[tier] > OUT_MIN).any(axis=0) * 1.0)}
    for every in EVERY:
        each = [planned_on(incident, plan.policy, needs, s, every) for s in range(num_paths)]
        count = len(incident.patients)
        minutes = np.stack([path[0] for path in each], axis=1)
        taken = np.stack([path[1] for path in each], axis=1)
        assert minutes.shape == (count, num_paths)
        found[every] = (
            objective(incident, minutes, taken), (minutes[tier] > OUT_MIN).any(axis=0) * 1.0,
        )  # fmt: skip
    words = ", ".join(
        f"{every:g} min: J {np.mean(j):.3f}, anyone {np.mean(out):.2f}"
        for every, (j, out) in found.items()
    )
    print(f"{name} (0: first plan kept): {words}; {time.monotonic() - begun:.0f} s", flush=True)
    return found


def main(num_paths: int, num_random: int, *, has_news: bool) -> None:
    incidents = [(name, read_incident(SCENARIOS / f"{name}.toml").incident) for name in SHIPPED]
    incidents += [
        (f"random {FIRST_RANDOM + k}",
         random_incident(FIRST_RANDOM + k, num_patients=8, num_cylinders=24))
        for k in range(num_random)
    ]  # fmt: skip
    run = news_study if has_news else study
    found = [run(name, incident, num_paths) for name, incident in incidents]
    stops = (1.0,) if has_news else EVERY
    for label, part in (("shipped", found[: len(SHIPPED)]), ("random", found[len(SHIPPED) :])):
        for every in stops if part else ():
            for what, k in (("J", 0), ("anyone", 1)):
                now, was = (np.concatenate([each[e][k] for each in part]) for e in (every, 0.0))
                by = difference(now, was)
                told = f"{np.mean(was):.3f} kept, {np.mean(now):.3f}; {by.value:+.3f}"
                print(f"{label}, every {every:g} min, {what}: {told} "
                      f"({by.low:+.3f} to {by.high:+.3f})")  # fmt: skip


if __name__ == "__main__":
    words = [int(word) for word in sys.argv[1:3]]
    main(words[0] if words else 10, words[1] if len(words) > 1 else 20,
         has_news="news" in sys.argv[3:])  # fmt: skip
