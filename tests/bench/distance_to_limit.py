"""What parts the plan from the pooled limit: ``python -m tests.bench.distance_to_limit [count]``.

Random incidents at supply 1.0 of mean need, 12 patients and 36 cylinders. One thing at a time is
made easier, at the plan's own options:

- *known*: in every sample in which the plan runs out, a policy of the same form is looked for with
  that sample's future known. What still runs out does so for want of litres, kit or hands, or
  because such policies cannot do better.
- *nothing leaves*: kit comes back at once when its patient goes; planned again.
- *hands*: ten more responders at each place and a swap of no time; planned again.
- *carried*: everything is within reach at once; planned again.
- *all of it*: the three together, planned again, and then known as well.

The limit is the same sample's litres pooled per connection. Chances of anyone running out.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from planner.allocation.search import Effort, Search
from planner.allocation.sketch import Board, sketch_of
from planner.demand import sample
from planner.incident import Incident, Place, Responder
from planner.operation.judge import Bench
from planner.plan import Plan
from planner.policy import Policy
from planner.risk import OUT_MIN, objective_samples, weights_of
from planner.state import initial_state
from planner.workflow import FRESH, Request, make_plan
from tests.generator import random_incident

FEW = 400  # fresh samples in which the future is made known
TRIES = 250.0  # evaluations for each of them


def nothing_leaves(incident: Incident) -> Incident:
    """Return the incident with kit coming back at once."""
    groups = tuple(replace(g, kit_return_min=0.0) for g in incident.transfer_groups)
    return replace(incident, transfer_groups=groups)


def many_hands(incident: Incident) -> Incident:
    """Return the incident with hands that are never late."""
    more = [Responder(f"more {p.name} {k}", p.name) for p in incident.places for k in range(10)]
    return replace(incident, responders=(*incident.responders, *more), swap_min=0.01)


def all_at_hand(incident: Incident) -> Incident:
    """Return the incident with everything within reach at once."""
    names = [p.name for p in incident.places]
    places = tuple(
        Place(name, tuple((other, 0.0) for other in names if other != name)) for name in names
    )
    return replace(incident, places=places)


def chance_known(incident: Incident, policy: Policy) -> tuple[float, float]:
    """Return the chance in the first few fresh samples, and with each one's future known."""
    state = initial_state(incident)
    bench = Bench.of(incident, state, sample(incident, state, FEW, 1 + FRESH))
    weights = weights_of(incident)
    board = Board.of(incident, state)
    fixed = dict(policy.options)
    board = replace(
        board, options={t: (fixed[t],) if t in fixed else o for t, o in board.options.items()}
    )
    counted = weights.tier <= 2

    def is_out(minutes: np.ndarray) -> np.ndarray:
        return (minutes[counted] > OUT_MIN).any(axis=0)

    out = is_out(bench.operate(policy).minutes_out)
    still = 0
    for s in np.flatnonzero(out):

        def judge(tried: Policy, first: int, last: int, s: int = int(s)) -> np.ndarray:
            # One sample stands for all: the search gives up and goes on alike.
            value = objective_samples(bench.minutes_out(tried, s, s + 1), weights, 0.0)
            return np.repeat(value, last - first)

        found = Search(board, judge, Effort(TRIES, 10, int(s))).run([sketch_of(board, policy)])
        still += bool(is_out(bench.minutes_out(found.policy, int(s), int(s) + 1))[0])
    return float(out.mean()), still / FEW


def planned(incident: Incident, old: Plan) -> Plan:
    """Plan again at the old plan's options, the old policy among the starts."""
    options = dict(old.policy.options)
    people = tuple(
        replace(p, options=(options[p.tag],)) if p.tag in options else p for p in incident.patients
    )
    return make_plan(
        replace(incident, patients=people), None, Request(starts=(old.policy,), samples=20_000)
    )


def study(seed: int) -> list[float]:
    """Return chances: plan, limit, few, known, nothing leaves, hands, carried, all, all known."""
    incident = random_incident(seed)
    plan = make_plan(incident, None, Request())
    found = [plan.risk.anyone.value, plan.best_possible.at_plan_options.anyone.value]
    found += chance_known(incident, plan.policy)
    for easier in (nothing_leaves, many_hands, all_at_hand):
        found.append(planned(easier(incident), plan).risk.anyone.value)
    best = planned(all_at_hand(many_hands(nothing_leaves(incident))), plan)
    return [*found, best.risk.anyone.value, chance_known(best.incident, best.policy)[1]]


def main(count: int) -> None:
    """Print a line an incident, and the means."""
    names = ["plan", "limit", "few", "known", "leaves", "hands", "carried", "all", "all-known"]
    print("seed " + " ".join(f"{name:>9}" for name in names))
    rows = []
    for seed in range(1000, 1000 + count):
        rows.append(study(seed))
        print(seed, " ".join(f"{x:9.3f}" for x in rows[-1]), flush=True)
    print("mean", " ".join(f"{x:9.3f}" for x in np.mean(rows, axis=0)))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
