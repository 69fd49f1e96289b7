"""The command line: parse, call, print, exit code. Nothing heavy is imported before it is needed.

Exit codes: 0 done; 1 target chance not met (with ``--require-target``); 2 bad input; 3 no solver
plan within the limits; 130 interrupted.
"""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from io import TextIOWrapper
from typing import TYPE_CHECKING, Any, Final

from planner import __version__, cli_last, cli_page
from planner.cli_output import give_folder, give_json, give_text, require_writable
from planner.errors import Fault, InputError

if TYPE_CHECKING:
    from planner.plan import Plan

DONE, TARGET_MISSED, BAD_INPUT, NO_SOLVER_PLAN, INTERRUPTED = 0, 1, 2, 3, 130

DESCRIPTION: Final = """\
EXERCISE - NOT FOR PATIENT CARE

Who gets which oxygen cylinder when several patients share too few cylinders, regulators, masks
and hands; who swaps what when; and how likely it is that anyone runs out of oxygen before
transport takes over. For tabletop exercises, cache planning and after-action review. Treatment
follows local protocol and medical direction."""

EPILOG: Final = """\
examples:
  oxygen-planner plan scenarios/ulvaren-bowl.toml
  oxygen-planner plan my-incident.toml --html sheets.html --csv tables
  oxygen-planner check my-incident.toml
  oxygen-planner last D --gauge 1850psi --flow 15 --read-at 15C --used-at -12C
  oxygen-planner page

exit codes: 0 done, 1 target chance not met (--require-target), 2 bad input,
3 no solver plan within the limits (the best simple rule's plan is given), 130 interrupted"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str or None
        Arguments without the program's name; None: those of the process.

    Returns
    -------
    int
        The exit code.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a terminal that cannot show a letter shows its code
            stream.reconfigure(errors="backslashreplace")
    words = list(sys.argv[1:] if argv is None else argv)
    arguments = _parser().parse_args(_with_minus_signs(words))
    run: Callable[[argparse.Namespace], int] = arguments.run
    try:
        require_writable(arguments)
        return run(arguments)
    except InputError as error:
        _tell_faults(error.faults)
        return BAD_INPUT
    except BrokenPipeError:
        sys.stderr.close()
        return DONE
    except KeyboardInterrupt:
        print("interrupted; nothing was written", file=sys.stderr)
        return INTERRUPTED


def _with_minus_signs(words: list[str]) -> list[str]:
    """Join ``--used-at -12C`` to one word, or the parser takes -12C for an option."""
    joined: list[str] = []
    for word in words:
        is_below_zero = len(word) > 1 and word[0] == "-" and (word[1].isdigit() or word[1] == ".")
        if is_below_zero and joined and joined[-1].startswith("--") and "=" not in joined[-1]:
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="oxygen-planner",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_plan(commands)
    _add_compare(commands)
    _add_check(commands)
    cli_last.add(_command(commands, "last", cli_last.HELP))
    cli_page.add(_plain(commands, "page", cli_page.HELP))
    return parser


def _plain(commands: Any, name: str, text: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=text, description=f"EXERCISE - NOT FOR PATIENT CARE. {text}"
    )
    return parser


def _command(commands: Any, name: str, text: str) -> argparse.ArgumentParser:
    parser = _plain(commands, name, text)
    parser.add_argument("--json", metavar="FILE", help="write the result as JSON; - is the screen")
    return parser


def _planning(commands: Any, name: str, text: str) -> argparse.ArgumentParser:
    """Add a command that plans an incident."""
    parser = _command(commands, name, text)
    parser.add_argument("incident", metavar="INCIDENT", help="incident file, .toml or .json")
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
    return parser


def _add_compare(commands: Any) -> None:
    parser = _planning(
        commands, "compare", "Plan, simple rules and the best any plan could do, side by side."
    )
    parser.set_defaults(run=_run_compare)


def _add_plan(commands: Any) -> None:
    parser = _planning(commands, "plan", "Plan an incident: now, swaps, chances.")
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
    parser.add_argument(
        "--require-target",
        action="store_true",
        help="exit with 1 when the chance of anyone running out is above the file's target",
    )
    parser.set_defaults(run=_run_plan)


def _add_check(commands: Any) -> None:
    parser = _command(commands, "check", "Check an incident file and say what it holds.")
    parser.add_argument("incident", metavar="INCIDENT", help="incident file, .toml or .json")
    parser.set_defaults(run=_run_check)


def _plan(arguments: argparse.Namespace) -> Plan:
    from dataclasses import replace

    from planner.files import read_incident

    reading = read_incident(arguments.incident)
    from planner.workflow import Request, make_plan

    with _stopped_by_hand() as is_interrupted:
        request = Request(
            arguments.seed,
            arguments.samples,
            arguments.effort,
            wall_s=arguments.time_limit,
            is_interrupted=is_interrupted,
        )
        plan = make_plan(reading.incident, None, request, _progress())
    told = tuple(f"warning: {w}" for w in reading.warnings)
    return replace(plan, warnings=(*told, *plan.warnings))


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
    if arguments.semicolon and arguments.csv is None:
        mend = "Give --csv FOLDER too, or leave --semicolon out."
        raise InputError([Fault("plan", "", "", "--semicolon", "", "--semicolon with --csv", mend)])
    plan = _plan(arguments)
    _give_sheets(arguments, plan)
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


def _give_sheets(arguments: argparse.Namespace, plan: Plan) -> None:
    """Write the print and the folder for a spreadsheet where they are asked for."""
    if arguments.html is None and arguments.csv is None:
        return
    from planner.report.csv_folder import csv_files
    from planner.report.plan_document import plan_document
    from planner.report.sheets import sheets_html

    document = plan_document(plan)
    # Both are made before either is written: nothing is left half done when one cannot be made.
    html = None if arguments.html is None else sheets_html(document)
    tables = csv_files(document, is_semicolon=arguments.semicolon) if arguments.csv else None
    if html is not None:
        give_text(arguments.html, html)
    if tables is not None:
        give_folder(arguments.csv, tables)


def _run_check(arguments: argparse.Namespace) -> int:
    from planner.files import read_incident

    reading = read_incident(arguments.incident)
    from planner.report.holdings import holdings, holdings_grids

    result = holdings(reading.incident, reading.warnings)
    if not give_json(arguments.json, lambda: result):
        from planner.report.text import holdings_text

        sys.stdout.write(holdings_text(result, holdings_grids(result)))
    return DONE


@contextmanager
def _stopped_by_hand() -> Iterator[Callable[[], bool]]:
    """Turn the first Ctrl-C into "give the best so far"; the second one ends the program."""
    asked: list[bool] = []

    def ask(number: int, frame: object) -> None:
        del number, frame
        asked.append(True)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        print("stopping; the best plan so far follows", file=sys.stderr)

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


def _progress() -> Callable[[str], None]:
    """Return where progress goes: the error stream when it is a terminal, else nowhere."""
    if not sys.stderr.isatty():
        return lambda _: None
    return lambda text: print(f"... {text}", file=sys.stderr)


def _tell_faults(faults: Sequence[Fault]) -> None:
    count = len(faults)
    print(f"{count} {'fault' if count == 1 else 'faults'}, nothing was written:", file=sys.stderr)
    for fault in faults:
        print(f"- {fault}", file=sys.stderr)


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
