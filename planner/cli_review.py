"""The command ``review``: an after-action review of a finished incident from its logs."""

from __future__ import annotations

import argparse
import sys
from typing import Final

from planner.cli_journal import read_all
from planner.cli_output import give_json, give_text

HELP: Final = "Review a finished incident from its logs: what was known then, facts, what may help."
DONE: Final = 0


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument("incident", metavar="INCIDENT", help="incident file: what there was")
    parser.add_argument(
        "logs", metavar="LOG", nargs="+", help="log as CSV, in the columns of the printed one"
    )
    parser.add_argument(
        "--model", action="store_true",
        help="plan on from every decision point, and say what that would have changed",
    )  # fmt: skip
    parser.add_argument(
        "--html", metavar="FILE",
        help="write the review for paper: two pages to act on, then the whole; hindsight last",
    )  # fmt: skip
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="default 1")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Review and tell.

    Raises
    ------
    InputError
        With the faults of the files.
    """
    incident, reading = read_all(arguments)
    from planner.journal.events import Journal
    from planner.journal.stock import stock_of
    from planner.report.journal_words import doubt_line
    from planner.report.text import wrapped
    from planner.review.decisions import decision_points, modelled
    from planner.review.lines import review_lines
    from planner.review.report import review_of, review_result
    from planner.workflow import Request

    stock = stock_of(incident)
    made = []
    if arguments.model:
        for point in decision_points(reading.entries, incident):
            print(f"planning on from minute {point.at_min:g}", file=sys.stderr)
            made.append(modelled(point, Request(seed=arguments.seed)))
    journal = Journal(incident.name, incident.start, reading.entries)
    found = review_of(journal, incident, stock, modelled=made)
    doubts = [doubt_line(doubt) for doubt in reading.doubts]
    if arguments.html is not None:
        from planner.review.sheets import review_html

        give_text(arguments.html, review_html(found, doubts))
    if not give_json(arguments.json, lambda: {**review_result(found), "doubts": doubts}):
        told = ["DOUBTS in the logs, with the reading taken", *(f" - {d}" for d in doubts), ""]
        lines = list(review_lines(found))
        sys.stdout.write(wrapped([*lines[:-1], *(told if doubts else []), lines[-1]]))
    return DONE
