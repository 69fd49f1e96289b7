"""The command ``stock``: inspect a stock of cylinders, and say what to restock."""

from __future__ import annotations

import argparse
import sys
from datetime import date
from pathlib import Path
from typing import Any, Final

from planner.cli_output import give_json, give_text
from planner.errors import Fault, InputError

HELP: Final = "Inspect a stock of cylinders: what each should read, what is low, due or missing."
DONE: Final = 0
MOST_YEARS: Final = 15  # more is a slip (our own)


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument(
        "stock", metavar="STOCK",
        help="CSV: tag, size, gauge_psi or gauge_bar, read_at_c, status, place, seal, washer, key, "
        "requalified_on, note",
    )  # fmt: skip
    parser.add_argument("--wanted", metavar="CSV", help="what is wanted: size, count, place")
    parser.add_argument("--on", metavar="DATE", help="day of the inspection (default: today)")
    parser.add_argument("--ready-gauge", default="1000psi", metavar="P", help="default 1000psi")
    parser.add_argument(
        "--years", type=int, default=5, metavar="N", help="between requalifications (default 5)"
    )
    parser.add_argument("--html", metavar="FILE", help="write the sheet for paper")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Inspect and tell.

    Raises
    ------
    InputError
        With the faults of the files or of what was asked.
    """
    from planner.inspection import inspect, stock_rows, wanted_from
    from planner.report.inspection_words import (
        inspection_html,
        inspection_result,
        inspection_text,
    )

    rules = _rules(arguments)
    rows = stock_rows(*_text(arguments.stock))
    wanted = () if arguments.wanted is None else wanted_from(*_text(arguments.wanted))
    found = inspect(rows, wanted, rules)
    if arguments.html is not None:
        give_text(arguments.html, inspection_html(found))
    if not give_json(arguments.json, lambda: inspection_result(found, rules)):
        sys.stdout.write(inspection_text(found))
    return DONE


def _text(name: str) -> tuple[str, str]:
    from planner.files import text_of
    from planner.intake import printable

    shown = printable(Path(name).name)
    return text_of(Path(name), shown), shown


def _rules(arguments: argparse.Namespace) -> Any:
    from planner.inspection import Rules
    from planner.intake import shown
    from planner.units import parse_pressure

    faults = []
    on, ready = date.today(), None
    if arguments.on is not None:
        try:
            on = date.fromisoformat(arguments.on)
        except ValueError:
            words = (shown(arguments.on), "a date such as 2027-02-14", "")
            faults.append(Fault("stock", "", "", "--on", *words))
    try:
        ready = parse_pressure(arguments.ready_gauge)
    except ValueError as error:
        words = (shown(arguments.ready_gauge), "", str(error))
        faults.append(Fault("stock", "", "", "--ready-gauge", *words))
    if not 1 <= arguments.years <= MOST_YEARS:
        words = (str(arguments.years), f"1 to {MOST_YEARS}", "")
        faults.append(Fault("stock", "", "", "--years", *words))
    if faults or ready is None:
        raise InputError(faults)
    return Rules(on=on, ready=ready, years=arguments.years)
