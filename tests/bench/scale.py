"""How far it goes: plans of 10 to 100 patients, 40 to 400 cylinders, at six places.

``python -m tests.bench.scale [patients ...]``. Random incidents are joined: each brings its own
places, people, kit and transport, and kit is carried between neighbours. Printed for each size:
time of a whole plan, its step 1 with status and gap, J beside the best simple rule's.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from typing import Any, Final

from planner.incident import Incident, Place
from planner.workflow import Request, make_plan
from tests.generator import random_incident

SIZES: Final = (10, 20, 40, 80, 100)
NUM_JOINED: Final = 2  # of three places each
CYLINDERS_EACH: Final = 4
NEXT_MIN: Final = 25.0  # carrying between neighbours, invented
SEED: Final = 3


def joined(num_patients: int) -> Incident:
    """Return one incident out of several, tags and places numbered by where they came from."""
    parts = [
        _renamed(random_incident(SEED + k, num_patients=_share(num_patients, k),
                                 num_cylinders=CYLINDERS_EACH * _share(num_patients, k)), k)
        for k in range(NUM_JOINED)
    ]  # fmt: skip
    lists: dict[str, Any] = {
        name: tuple(row for part in parts for row in getattr(part, name))
        for name in ("patients", "cylinders", "regulators", "devices", "responders", "resupply",
                     "transfer_groups")
    }  # fmt: skip
    places = tuple(place for k, part in enumerate(parts) for place in _reached(part, parts, k))
    # Keys and washers that one part lists would be none at all for a part that lists none.
    return replace(parts[0], name=f"joined {num_patients}", places=places, sundries=(), **lists)


def _share(number: int, k: int) -> int:
    return number // NUM_JOINED + (k < number % NUM_JOINED)


def _renamed(incident: Incident, k: int) -> Incident:
    def at(name: str | None) -> str | None:
        return None if name is None else f"{k} {name}"

    def tagged(row: Any) -> Any:
        return replace(row, tag=at(row.tag), place=at(row.place))

    return replace(
        incident,
        places=tuple(Place(str(at(p.name)), tuple((str(at(n)), m) for n, m in p.carry_min))
                     for p in incident.places),
        patients=tuple(replace(tagged(p), transfer_group=at(p.transfer_group))
                       for p in incident.patients),
        transfer_groups=tuple(replace(g, name=at(g.name)) for g in incident.transfer_groups),
        cylinders=tuple(map(tagged, incident.cylinders)),
        regulators=tuple(map(tagged, incident.regulators)),
        responders=tuple(map(tagged, incident.responders)),
        devices=tuple(replace(d, place=at(d.place)) for d in incident.devices),
        sundries=tuple(replace(s, place=at(s.place)) for s in incident.sundries),
        resupply=tuple(
            replace(r, place=str(at(r.place)), cylinders=tuple(map(tagged, r.cylinders)),
                    regulators=tuple(map(tagged, r.regulators)))
            for r in incident.resupply
        ),
    )  # fmt: skip


def _reached(part: Incident, parts: list[Incident], k: int) -> list[Place]:
    """Return a part's places; its first one is reached from the next part's first one."""
    first, *others = part.places
    neighbour = parts[(k + 1) % NUM_JOINED].places[0].name
    return [replace(first, carry_min=(*first.carry_min, (neighbour, NEXT_MIN))), *others]


def main(sizes: tuple[int, ...]) -> None:
    print(
        "patients cylinders places | s | step 1: status, gap, s | J of the plan, of the best rule"
    )
    for size in sizes:
        incident = joined(size)
        begun = time.monotonic()
        plan = make_plan(incident, None, Request(seed=1))
        seconds = time.monotonic() - begun
        step = plan.solver[0]
        gap = "none" if step.gap is None else f"{100 * step.gap:.1f} %"
        best = min(rule.risk.objective.value for rule in plan.rules)
        print(f"{len(incident.patients)} {len(incident.all_cylinders)} {len(incident.places)} | "
              f"{seconds:.1f} | {step.status}, {gap}, {step.seconds:.1f} | "
              f"{plan.risk.objective.value:.3f}, {best:.3f}", flush=True)  # fmt: skip
        if plan.warnings:
            print("  ", *plan.warnings[:3])


if __name__ == "__main__":
    main(tuple(int(word) for word in sys.argv[1:]) or SIZES)
