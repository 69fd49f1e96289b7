"""The command ``journal``: read the logs of an incident, tell every doubt, say what was so when."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

from planner.cli_output import give_json, give_text
from planner.errors import Fault, InputError

if TYPE_CHECKING:
    from datetime import datetime

    from planner.incident import Incident
    from planner.journal.reading_log import LogReading, RawLog

HELP: Final = "Read oxygen logs of an incident: every doubt told, and what was so at a minute."
DONE: Final = 0


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument("incident", metavar="INCIDENT", help="incident file: what there was")
    parser.add_argument(
        "logs", metavar="LOG", nargs="+", help="log as CSV, in the columns of the printed one"
    )
    parser.add_argument(
        "--at", metavar="HH:MM", help="clock time, or minute from the start (default: the last)"
    )
    parser.add_argument(
        "--clean", metavar="FILE", help="write the log as read, as JSON with a checksum"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Read the logs, say what they say.

    Raises
    ------
    InputError
        With the faults of the files or of what was asked.
    """
    incident, reading = read_all(arguments)
    from planner.journal.events import Journal
    from planner.journal.files import json_text
    from planner.journal.replaying import replay
    from planner.journal.stock import stock_of
    from planner.report.journal_words import journal_result

    stock = stock_of(incident)
    last = max((entry.at_min for entry in reading.entries), default=0.0)
    at_min = last if arguments.at is None else _minute(arguments.at, incident.start)
    state = replay(reading.entries, stock, at_min)
    if arguments.clean is not None:
        give_text(arguments.clean, json_text(Journal(incident.name, incident.start,
                                                     reading.entries)))  # fmt: skip
    result = journal_result(incident.name, reading, state, incident.start)
    if not give_json(arguments.json, lambda: result):
        from planner.report.journal_text import journal_text

        sys.stdout.write(journal_text(incident, reading, state))
    return DONE


def read_all(arguments: argparse.Namespace) -> tuple[Incident, LogReading]:
    """Return the incident and its logs as read.

    Raises
    ------
    InputError
        With the faults of the files.
    """
    from planner.files import read_incident

    incident = read_incident(arguments.incident).incident
    logs = [_log(Path(name)) for name in arguments.logs]
    from planner.journal.reading_log import read_logs
    from planner.journal.stock import stock_of

    return incident, read_logs(logs, incident.start, stock_of(incident))


def _log(path: Path) -> RawLog:
    from planner.files import text_of
    from planner.intake import printable
    from planner.journal.reading_log import raw_log

    name = printable(path.name)
    return raw_log(text_of(path, name), path.stem)


def _minute(text: str, start: datetime) -> float:
    """Return a minute from the start: typed as such, or as the first such clock time after it."""
    hours, colon, minutes = text.partition(":")
    try:
        if not colon:
            return float(text)
        asked, begun = 60 * int(hours) + int(minutes), 60 * start.hour + start.minute
    except ValueError:
        words = ("a clock time such as 14:30, or a minute", "")
        raise InputError([Fault("journal", "", "", "--at", repr(text), *words)]) from None
    return float((asked - begun) % 1440)
