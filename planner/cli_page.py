"""The command ``page``: start the page on this machine."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

HELP: Final = (
    "Start the page in the browser: incident, plan, log and review, exercise, cache, reference."
)
DEFAULT_STORE: Final = "oxygen-planner.sqlite"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument(
        "--store",
        metavar="FILE",
        default=DEFAULT_STORE,
        help=f"where everything is kept (default {DEFAULT_STORE} in this folder)",
    )
    parser.add_argument("--port", type=_port, metavar="N", help="default 8501 or the next free one")
    parser.add_argument(
        "--lan",
        action="store_true",
        help="share it on the network: no login, anyone who can reach it can change everything",
    )
    parser.add_argument(
        "--host",
        action="append",
        default=[],
        metavar="NAME",
        help="with --lan: a name or address by which others call this machine; may be repeated",
    )
    parser.add_argument(
        "--links-only",
        action="store_true",
        help="with --lan: other machines open an exercise's links and nothing else (for players)",
    )
    parser.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    from planner.errors import Fault, InputError
    from planner.page.launch import Wanted, free_port, run

    if arguments.lan != bool(arguments.host):
        mend = "Give --lan together with --host and the name or address others will use."
        raise InputError([Fault("page", "", "", "--lan", "", "--lan and --host together", mend)])
    if arguments.links_only and not arguments.lan:
        mend = "Give --lan and --host too, or leave it out."
        raise InputError([Fault("page", "", "", "--links-only", "", "only with --lan", mend)])
    port = free_port(arguments.port)
    store = Path(arguments.store).resolve()
    from planner.store import Store

    Store(store)  # refuses a file that is no store before a browser sees it
    hosts = tuple(arguments.host)
    return run(Wanted(store, port, arguments.lan, hosts, arguments.links_only))


def _port(text: str) -> int:
    try:
        port = int(text)
    except ValueError:
        port = 0
    if not 1024 <= port <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r}; allowed: 1024 to 65535")
    return port
