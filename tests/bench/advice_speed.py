"""How long advice takes on shipped scenarios: ``python -m tests.bench.advice_speed [NAME ...]``.

The aim is 25 s for the ranking of 12 patients on two cores, the resource request apart. The plan
itself is not counted.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from planner.advice.candidates import measures_of
from planner.advice.ranking import Options, advise
from planner.advice.request import Wanted, request_for
from planner.advice.setting import Setting
from planner.files import read_incident
from planner.workflow import Request, make_plan
from tests.generator import random_incident

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NAMES = ("ulvaren-bowl", "drommick-chair", "ostrenga-pass", "quessel-hut", "random")


def main(names: list[str]) -> None:
    """Print, for each scenario, people, measures, seconds and how the request ended."""
    print("scenario, patients, cylinders, measures, seconds of ranking, of request, request")
    for name in names or NAMES:
        incident = (
            random_incident(1000, num_patients=12, num_cylinders=36)
            if name == "random"
            else read_incident(SCENARIOS / f"{name}.toml").incident
        )
        plan = make_plan(incident, None, Request())
        setting = Setting(plan.incident, plan.state, plan.policy)
        begun = time.monotonic()
        advice = advise(setting, Options())
        ranked = time.monotonic()
        answer = request_for(setting, Wanted())
        done = time.monotonic()
        found = f"{answer.status}, {sum(n for _, n in answer.items)} cylinders"
        print(
            f"{name}, {len(incident.patients)}, {len(incident.all_cylinders)}, "
            f"{len(measures_of(setting))}, {ranked - begun:.1f}, {done - ranked:.1f}, {found}; "
            f"{sum(row.is_clear for row in advice.rows)} of {len(advice.rows)} rows help clearly"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
