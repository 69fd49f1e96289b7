"""The command ``advise``: plan, then say what would help most and what to ask for."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from planner.cli_output import give_json
from planner.cli_plan import (
    add_outputs,
    add_planning,
    give_sheets,
    progress,
    read_case,
    require_folder,
    stopped_by_hand,
)
from planner.errors import Fault, InputError

if TYPE_CHECKING:
    from planner.incident import Incident

HELP: Final = "What would help most, and what to ask for by when."
DONE, INTERRUPTED = 0, 130
MOST_TRAVEL_MIN: Final = 2880.0  # two days: more is a slip (our own)


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    add_planning(parser)
    add_outputs(parser)
    parser.add_argument(
        "--travel-min",
        type=float,
        default=60.0,
        metavar="MIN",
        help="minutes from asking to arrival (default 60: common practice, no source)",
    )
    parser.add_argument("--place", metavar="PLACE", help="where it is to arrive (default: best)")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Plan and advise; the first Ctrl-C gives what is done by then.

    Raises
    ------
    InputError
        With the faults of the files or of what was asked.
    """
    require_folder(arguments)
    case = read_case(arguments)
    _require_allowed(arguments, case.incident)
    from planner.advice.ranking import Options, advise
    from planner.advice.request import Wanted, request_for
    from planner.advice.setting import Setting
    from planner.report.advice_result import advice_result
    from planner.report.advice_text import advice_text
    from planner.report.ways_words import ways_document
    from planner.ways import three_ways
    from planner.workflow import Request, make_plan

    tell = progress()
    seed, samples = arguments.seed, arguments.samples
    with stopped_by_hand() as stop:
        request = Request(
            seed, samples, arguments.effort, wall_s=arguments.time_limit, is_interrupted=stop
        )
        plan = make_plan(case.incident, case.state, request, tell)
        setting = Setting(plan.incident, plan.state, plan.policy)
        wanted = Wanted(
            arguments.place, arguments.travel_min, seed, samples, progress=tell, is_interrupted=stop
        )
        answer = request_for(setting, wanted)
        options = Options(seed, samples, progress=tell, is_interrupted=stop)
        advice = advise(setting, options)
        ways = None if stop() else ways_document(three_ways(plan, request, tell))
        is_stopped = stop()
    result = advice_result(plan.incident, advice, answer, arguments.travel_min)
    result["notes"] = [*result["notes"], *case.warnings, *plan.warnings]
    beside = {"advised": result} | ({} if ways is None else {"ways": ways})
    give_sheets(arguments, replace(plan, warnings=(*case.warnings, *plan.warnings)), beside)
    if not give_json(arguments.json, lambda: result | {"ways": ways}):
        sys.stdout.write(advice_text(result, ways))
    return INTERRUPTED if is_stopped else DONE


def _require_allowed(arguments: argparse.Namespace, incident: Incident) -> None:
    from planner.intake import nearest, shown

    faults = []
    if not 0 <= arguments.travel_min <= MOST_TRAVEL_MIN:
        allowed = f"0 to {MOST_TRAVEL_MIN:g} minutes"
        faults.append(
            Fault("advise", "", "", "--travel-min", str(arguments.travel_min), allowed, "")
        )
    places = [p.name for p in incident.places]
    if arguments.place is not None and arguments.place not in places:
        mend = nearest(arguments.place, places)
        allowed = "one of " + ", ".join(places)
        faults.append(Fault("advise", "", "", "--place", shown(arguments.place), allowed, mend))
    if faults:
        raise InputError(faults)
