"""The commands ``plan`` and ``compare``: read, plan, print, and where else the result goes."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from planner.cli_output import give_folder, give_json, give_text
from planner.errors import Fault, InputError

if TYPE_CHECKING:
    from planner.incident import Incident
    from planner.plan import Plan
    from planner.state import State

DONE, TARGET_MISSED, NO_SOLVER_PLAN, INTERRUPTED = 0, 1, 3, 130

PLAN_HELP: Final = "Plan an incident: now, swaps, chances."
COMPARE_HELP: Final = "Plan, simple rules and the best any plan could do, side by side."


def add_compare(parser: argparse.ArgumentParser) -> None:
    """Say what the command ``compare`` takes."""
    add_planning(parser)
    parser.set_defaults(run=_run_compare)


def add_plan(parser: argparse.ArgumentParser) -> None:
    """Say what the command ``plan`` takes."""
    add_planning(parser)
    add_outputs(parser)
    parser.add_argument(
        "--from",
        dest="in_force",
        metavar="PLAN",
        help="the plan in force, a file that plan --json wrote: change as little in it as needed",
    )
    parser.add_argument(
        "--require-target",
        action="store_true",
        help="exit with 1 when the chance of anyone running out is above the file's target",
    )
    parser.set_defaults(run=_run_plan)


def add_planning(parser: argparse.ArgumentParser) -> None:
    """Say what every command that plans an incident takes."""
    parser.add_argument("incident", metavar="INCIDENT", help="incident file, .toml or .json")
    parser.add_argument(
        "--state",
        metavar="FILE",
        help="plan on from a later minute: a file that says what is so then (see README)",
    )
    parser.add_argument("--seed", type=_seed, default=1, help="same seed, same plan (default 1)")
    parser.add_argument(
        "--samples",
        type=_samples,
        default=20_000,
        metavar="N",
        help="fresh samples behind every chance reported (default 20000)",
    )
    parser.add_argument(
        "--effort",
        type=_effort,
        default=None,
        metavar="N",
        help="how often the search may judge (default 20 a person, 150 to 300)",
    )
    parser.add_argument(
        "--time-limit",
        type=_seconds,
        metavar="S",
        help="outer guard for the solver, in seconds; such a plan is not repeatable",
    )


def add_outputs(parser: argparse.ArgumentParser) -> None:
    """Say where else a plan can go."""
    parser.add_argument(
        "--html",
        metavar="FILE",
        help="write the sheets to print: wall sheet, swap list, cards, charts, blank log, sources",
    )
    parser.add_argument(
        "--csv",
        metavar="FOLDER",
        help="write now, swaps, list and chances for a spreadsheet, and how to open them",
    )
    parser.add_argument(
        "--semicolon",
        action="store_true",
        help="with --csv: semicolons and decimal commas, as spreadsheets of many countries want",
    )


@dataclass(frozen=True, slots=True)
class Case:
    """What a command is about: incident and state as known, warnings of the file."""

    incident: Incident
    state: State | None
    warnings: tuple[str, ...]


def read_case(arguments: argparse.Namespace) -> Case:
    """Read the incident, and the situation where one is given.

    Raises
    ------
    InputError
        With every fault of the file that is read first.
    """
    from planner.files import read_incident

    reading = read_incident(arguments.incident)
    told = tuple(f"warning: {w}" for w in reading.warnings)
    if arguments.state is None:
        return Case(reading.incident, None, told)
    from planner.situation import read_situation

    found = read_situation(arguments.state, reading.incident)
    return Case(found.incident, found.state, told)


def require_folder(arguments: argparse.Namespace) -> None:
    """Refuse a separator without tables.

    Raises
    ------
    InputError
    """
    if arguments.semicolon and arguments.csv is None:
        mend = "Give --csv FOLDER too, or leave --semicolon out."
        raise InputError([Fault("plan", "", "", "--semicolon", "", "--semicolon with --csv", mend)])


def _plan(arguments: argparse.Namespace) -> Plan:
    case = read_case(arguments)
    in_force = None
    if getattr(arguments, "in_force", None) is not None:
        from planner.policy_files import read_policy

        in_force = read_policy(arguments.in_force, case.incident)
    from planner.workflow import Request, make_plan

    with stopped_by_hand() as is_interrupted:
        request = Request(
            arguments.seed,
            arguments.samples,
            arguments.effort,
            wall_s=arguments.time_limit,
            is_interrupted=is_interrupted,
            in_force=in_force,
        )
        plan = make_plan(case.incident, case.state, request, progress())
    return replace(plan, warnings=(*case.warnings, *plan.warnings))


def _run_compare(arguments: argparse.Namespace) -> int:
    plan = _plan(arguments)
    from planner.report.comparison import comparison_result

    if not give_json(arguments.json, lambda: comparison_result(plan)):
        from planner.report.comparison_text import comparison_text

        sys.stdout.write(comparison_text(plan))
    if plan.is_interrupted:
        return INTERRUPTED
    return NO_SOLVER_PLAN if plan.is_fallback else DONE


def _run_plan(arguments: argparse.Namespace) -> int:
    require_folder(arguments)
    plan = _plan(arguments)
    give_sheets(arguments, plan)
    from planner.report.plan_json import plan_json

    if not give_json(arguments.json, lambda: plan_json(plan)):
        from planner.report.text import view_text
        from planner.report.view import view_of

        sys.stdout.write(view_text(view_of(plan)))
    if plan.is_interrupted:
        return INTERRUPTED
    if plan.is_fallback:
        return NO_SOLVER_PLAN
    is_missed = plan.risk.anyone.value > plan.incident.target_chance
    return TARGET_MISSED if arguments.require_target and is_missed else DONE


def give_sheets(
    arguments: argparse.Namespace, plan: Plan, beside: Mapping[str, Any] | None = None
) -> None:
    """Write the print and the folder for a spreadsheet where they are asked for."""
    if arguments.html is None and arguments.csv is None:
        return
    from planner.report.csv_folder import csv_files
    from planner.report.plan_document import plan_document
    from planner.report.sheets import sheets_html

    document = plan_document(plan) | dict(beside or {})
    # Both are made before either is written: nothing is left half done when one cannot be made.
    html = None if arguments.html is None else sheets_html(document)
    tables = csv_files(document, is_semicolon=arguments.semicolon) if arguments.csv else None
    if html is not None:
        give_text(arguments.html, html)
    if tables is not None:
        give_folder(arguments.csv, tables)


@contextmanager
def stopped_by_hand() -> Iterator[Callable[[], bool]]:
    """Turn the first Ctrl-C into "give the best so far"; the second one ends the program."""
    asked: list[bool] = []

    def ask(number: int, frame: object) -> None:
        del number, frame
        asked.append(True)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        print("stopping; what is done so far follows", file=sys.stderr)

    before = signal.getsignal(signal.SIGINT)
    try:
        signal.signal(signal.SIGINT, ask)
    except ValueError:  # not in the main thread: nobody presses Ctrl-C there
        yield lambda: False
        return
    try:
        yield lambda: bool(asked)
    finally:
        signal.signal(signal.SIGINT, before)


def progress() -> Callable[[str], None]:
    """Return where progress goes: the error stream when it is a terminal, else nowhere."""
    if not sys.stderr.isatty():
        return lambda _: None
    return lambda text: print(f"... {text}", file=sys.stderr)


def _whole(text: str, low: int, high: int) -> int:
    try:
        value = int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}; allowed: {low} to {high}") from None
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(f"{value}; allowed: {low} to {high}")
    return value


def _seed(text: str) -> int:
    return _whole(text, 0, 2**31 - 1)


def _samples(text: str) -> int:
    return _whole(text, 100, 1_000_000)


def _effort(text: str) -> int:
    return _whole(text, 0, 1_000_000)


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}; allowed: seconds above 0") from None
    if not 0 < value < 86_400:
        raise argparse.ArgumentTypeError(f"{text}; allowed: above 0, below 86400")
    return value
