"""The command line: parse, call, print, exit code. Nothing heavy is imported before it is needed.

Exit codes: 0 done; 1 target chance not met (with ``--require-target``); 2 bad input; 3 no solver
plan within the limits; 130 interrupted.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from io import TextIOWrapper
from typing import Any, Final

from planner import (
    __version__,
    cli_advise,
    cli_cache,
    cli_exercise,
    cli_journal,
    cli_last,
    cli_page,
    cli_plan,
    cli_review,
    cli_stock,
)
from planner.cli_output import give_json, require_writable
from planner.errors import Fault, InputError

DONE, BAD_INPUT, INTERRUPTED = 0, 2, 130

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
  oxygen-planner plan my-incident.toml --state at-1420.toml --from first-plan.json
  oxygen-planner advise my-incident.toml --travel-min 45 --html sheets.html
  oxygen-planner cache my-study.toml --html cache.html
  oxygen-planner check my-incident.toml
  oxygen-planner review my-incident.toml radio-log.csv hut-log.csv --html review.html
  oxygen-planner stock my-stock.csv --wanted wanted.csv
  oxygen-planner exercise my-exercise.toml --controller book.html --players sheets.html
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
    parser = _parser()
    if not words:
        parser.print_help(sys.stderr)
        return BAD_INPUT
    arguments = parser.parse_args(_with_minus_signs(words))
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
    cli_plan.add_plan(_command(commands, "plan", cli_plan.PLAN_HELP))
    cli_plan.add_compare(_command(commands, "compare", cli_plan.COMPARE_HELP))
    cli_advise.add(_command(commands, "advise", cli_advise.HELP))
    cli_cache.add(_command(commands, "cache", cli_cache.HELP))
    _add_check(commands)
    cli_exercise.add(_command(commands, "exercise", cli_exercise.HELP))
    cli_journal.add(_command(commands, "journal", cli_journal.HELP))
    cli_last.add(_command(commands, "last", cli_last.HELP))
    cli_review.add(_command(commands, "review", cli_review.HELP))
    cli_stock.add(_command(commands, "stock", cli_stock.HELP))
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


def _add_check(commands: Any) -> None:
    parser = _command(commands, "check", "Check an incident file and say what it holds.")
    parser.add_argument("incident", metavar="INCIDENT", help="incident file, .toml or .json")
    parser.set_defaults(run=_run_check)


def _run_check(arguments: argparse.Namespace) -> int:
    from planner.files import read_incident

    reading = read_incident(arguments.incident)
    from planner.report.holdings import holdings, holdings_grids

    result = holdings(reading.incident, reading.warnings)
    if not give_json(arguments.json, lambda: result):
        from planner.report.text import holdings_text

        sys.stdout.write(holdings_text(result, holdings_grids(result)))
    return DONE


def _tell_faults(faults: Sequence[Fault]) -> None:
    count = len(faults)
    print(f"{count} {'fault' if count == 1 else 'faults'}, nothing was written:", file=sys.stderr)
    for fault in faults:
        print(f"- {fault}", file=sys.stderr)
