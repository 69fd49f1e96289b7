"""The command ``last``: how long one cylinder lasts. Loads no array library."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from typing import Any, Final

from planner.cli_output import give_json
from planner.errors import Fault, InputError

HELP: Final = "How long one cylinder lasts, by real gas and handbook."
MAX_FLOW_LPM: Final = 60.0  # as in the incident file: more is a slip (no source, our own)
DONE: Final = 0


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument("size", metavar="SIZE", help='cylinder size, such as D, "jumbo D", "5 L"')
    parser.add_argument("--gauge", required=True, metavar="P", help="as read: 1850psi or 128bar")
    parser.add_argument("--flow", required=True, type=float, metavar="L/MIN", help="dial setting")
    parser.add_argument("--change-at", default="500psi", metavar="P", help="default 500psi")
    parser.add_argument("--safe-residual", default="200psi", metavar="P", help="default 200psi")
    parser.add_argument("--read-at", metavar="T", help="15C or 59F (default: as used)")
    parser.add_argument("--used-at", default="10C", metavar="T", help="-12C or 10F (default 10C)")
    parser.set_defaults(run=_run_last)


def _run_last(arguments: argparse.Namespace) -> int:
    from planner.report.lasting import lasting_result, lasting_text

    asked = _question(arguments)
    try:
        text, result = lasting_text(asked), lasting_result(asked)
    except ValueError as error:  # warmed beyond the range of the gas arithmetic
        raise InputError(
            [Fault("last", "", "", "--used-at", arguments.used_at, "", str(error))]
        ) from None
    if not give_json(arguments.json, lambda: result):
        sys.stdout.write(text)
    return DONE


def _question(arguments: argparse.Namespace) -> Any:
    """Read the arguments of ``last``, telling all that is wrong at once."""
    from planner.intake import nearest, shown
    from planner.reference import find_size, load_cylinders
    from planner.report.lasting import Question
    from planner.units import parse_pressure, parse_temperature

    faults: list[Fault] = []

    def read(name: str, text: str, parse: Callable[[str], Any]) -> Any:
        try:
            return parse(text)
        except ValueError as error:
            faults.append(Fault("last", "", "", name, shown(text), "", str(error)))
            return None

    size = find_size(arguments.size)
    if size is None:
        names = list(load_cylinders())
        mend = nearest(arguments.size, names)
        allowed = "one of " + ", ".join(names)
        faults.append(Fault("last", "", "", "SIZE", shown(arguments.size), allowed, mend))
    used_at = read("--used-at", arguments.used_at, parse_temperature)
    asked = {
        "gauge": read("--gauge", arguments.gauge, parse_pressure),
        "change_at": read("--change-at", arguments.change_at, parse_pressure),
        "safe_residual": read("--safe-residual", arguments.safe_residual, parse_pressure),
        "read_at": read("--read-at", arguments.read_at, parse_temperature)
        if arguments.read_at is not None
        else used_at,
    }
    faults += _range_faults(arguments, {**asked, "used_at": used_at})
    if faults or size is None:
        raise InputError(faults)
    return Question(size=size, flow_lpm=arguments.flow, used_at=used_at, **asked)


def _range_faults(arguments: argparse.Namespace, asked: dict[str, Any]) -> Iterator[Fault]:
    """Yield what lies outside its range in the arguments of ``last``, each by its name."""
    from planner.real_gas import MAX_GAUGE_PSI, MAX_TEMPERATURE_C, MIN_TEMPERATURE_C

    def fault(name: str, allowed: str) -> Fault:
        given = getattr(arguments, name)
        mend = "Check the digits and the unit."
        return Fault("last", "", "", f"--{name.replace('_', '-')}", str(given), allowed, mend)

    if not 0 < arguments.flow <= MAX_FLOW_LPM:
        yield fault("flow", f"above 0, at most {MAX_FLOW_LPM:g} L/min")
    for name in ("gauge", "change_at", "safe_residual"):
        if asked[name] is not None and not 0 <= asked[name].psi <= MAX_GAUGE_PSI:
            yield fault(name, f"0 to {MAX_GAUGE_PSI:.0f} psi (0 to 310 bar)")
    change, residual = asked["change_at"], asked["safe_residual"]
    if change is not None and residual is not None and change.psi < residual.psi:
        yield fault("change_at", f"at least the safe residual, {residual.psi:.0f} psi")
    for name in ("read_at", "used_at") if arguments.read_at is not None else ("used_at",):
        if asked[name] is not None and not MIN_TEMPERATURE_C <= asked[name].c <= MAX_TEMPERATURE_C:
            yield fault(name, f"{MIN_TEMPERATURE_C:.0f} to {MAX_TEMPERATURE_C:.0f} C")
