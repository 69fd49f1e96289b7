"""The command ``exercise``: an exercise in words, on paper, and an evening by paper typed in."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from planner.cli_output import give_json, give_text, require_writable
from planner.errors import Fault, InputError

if TYPE_CHECKING:
    from planner.exercise.setup import Exercise
    from planner.report.hot_wash import Told

HELP: Final = "Tell an exercise, print it for an evening by paper, or type such an evening in."
DONE: Final = 0
#: Options that name a file to write, as :mod:`argparse` names them.
WRITTEN: Final = ("controller", "players", "html", "json")


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument("exercise", metavar="EXERCISE", help="exercise file, .toml or .json")
    parser.add_argument(
        "--controller", metavar="FILE",
        help="write the controller's book as HTML: injects, slips, the truth, gauges to read out",
    )  # fmt: skip
    parser.add_argument(
        "--players", metavar="FILE",
        help="write the players' sheets as HTML: what they know at the start, blank logs, requests",
    )  # fmt: skip
    parser.add_argument(
        "--log", metavar="CSV", nargs="+", default=[],
        help="type an evening in: logs in the columns of the printed one; gives the hot wash",
    )  # fmt: skip
    parser.add_argument("--html", metavar="FILE", help="with --log: write the hot wash for paper")
    parser.add_argument(
        "--seed", type=int, metavar="N", help="another luck than the exercise's own"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Tell, print or type in.

    Raises
    ------
    InputError
        With the faults of the files or of what was asked.
    """
    _check(arguments)
    exercise = _exercise(arguments)
    told = _typed_in(exercise, arguments.log) if arguments.log else None
    wrote = list(_write(arguments, exercise, told))
    if give_json(arguments.json, lambda: _result(exercise, told)):
        return DONE
    if told is not None:
        from planner.report.hot_wash import hot_wash_text

        sys.stdout.write(hot_wash_text(told))
    elif wrote:  # the truth is not put on a screen that players may see
        from planner.report.text import wrapped

        sys.stdout.write(wrapped(wrote))
    else:
        from planner.report.exercise_sheets import exercise_text

        sys.stdout.write(exercise_text(exercise))
    return DONE


def _result(exercise: Exercise, told: Told | None) -> dict[str, object]:
    if told is not None:
        from planner.report.hot_wash import hot_wash_result

        return hot_wash_result(told)
    from planner.report.exercise_sheets import exercise_result

    return exercise_result(exercise)


def _write(arguments: argparse.Namespace, exercise: Exercise, told: Told | None) -> list[str]:
    """Write the files asked for once all of them are made; return what was written."""
    files: list[tuple[str, str, str]] = []
    if arguments.controller is not None:
        from planner.report.exercise_sheets import controller_html

        files.append(("controller's book", arguments.controller, controller_html(exercise)))
    if arguments.players is not None:
        from planner.exercise.known import known_to_players
        from planner.exercise.run import Run
        from planner.report.exercise_sheets import players_html

        sheets = players_html(known_to_players(exercise, Run()))
        files.append(("players' sheets", arguments.players, sheets))
    if told is not None and arguments.html is not None:
        from planner.report.hot_wash import hot_wash_html

        files.append(("hot wash", arguments.html, hot_wash_html(told)))
    for _, target, text in files:
        give_text(target, text)
    return [f"{name}: {target}" for name, target, _ in files]


def _exercise(arguments: argparse.Namespace) -> Exercise:
    from planner.exercise.setup import read_exercise

    exercise = read_exercise(arguments.exercise)
    return exercise if arguments.seed is None else replace(exercise, seed=arguments.seed)


def _typed_in(exercise: Exercise, names: list[str]) -> Told:
    from planner.exercise.after import hot_wash
    from planner.exercise.by_paper import typed_in
    from planner.files import text_of
    from planner.intake import printable
    from planner.journal.reading_log import raw_log, read_logs
    from planner.journal.stock import stock_of
    from planner.report.hot_wash import Told, not_named_lines
    from planner.report.journal_words import doubt_line

    incident = exercise.incident
    logs = [
        raw_log(text_of(path, printable(path.name)), path.stem) for path in map(Path, names)
    ]  # fmt: skip
    reading = read_logs(logs, incident.start, stock_of(incident))
    typed = typed_in(exercise, reading.entries)
    return Told(
        exercise, typed.run, hot_wash(exercise, typed.run), not_named_lines(typed.not_named),
        tuple(doubt_line(doubt) for doubt in reading.doubts),
    )  # fmt: skip


# ----- what is asked ----------------------------------------------------------------------------


def _check(arguments: argparse.Namespace) -> None:
    """Refuse what cannot be done before anything is read or written."""
    from planner.exercise.setup_fields import MAX_SEED

    faults = _unwritable(arguments)
    if arguments.html is not None and not arguments.log:
        words = ("no log", "a log of the evening with it", "Add --log LOG.csv, or leave it out.")
        faults.append(Fault("exercise", "", "", "--html", *words))
    if arguments.seed is not None and not 0 <= arguments.seed <= MAX_SEED:
        words = (str(arguments.seed), f"a whole number, 0 to {MAX_SEED}", "Choose another.")
        faults.append(Fault("exercise", "", "", "--seed", *words))
    faults += _written_twice(arguments)
    if faults:
        raise InputError(faults)


def _unwritable(arguments: argparse.Namespace) -> list[Fault]:
    faults = []
    for name in ("controller", "players"):
        try:
            require_writable(argparse.Namespace(html=getattr(arguments, name)))
        except InputError as error:
            faults += [replace(fault, field=f"--{name}") for fault in error.faults]
    return faults


def _written_twice(arguments: argparse.Namespace) -> list[Fault]:
    """Tell two options that name one file: players must not get the controller's."""
    seen = {Path(name).resolve(): "a log" for name in arguments.log}
    seen[Path(arguments.exercise).resolve()] = "the exercise"
    faults = []
    for name in WRITTEN:
        target = getattr(arguments, name)
        if target is None or (name == "json" and target == "-"):
            continue
        path = Path(target).resolve()
        if path in seen:
            words = (f"the same file as {seen[path]}", "a file of its own", "Name another.")
            faults.append(Fault(path.name, "", "", f"--{name}", *words))
        seen.setdefault(path, f"--{name}")
    return faults
