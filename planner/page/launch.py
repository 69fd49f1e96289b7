"""Starting the page: Streamlit as a child with every setting given, so that no file changes them.

With usage statistics off and no file watcher no request leaves the machine (measured); the
default address listens everywhere, so ours is given.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from planner.errors import Fault, InputError

APP: Final = Path(__file__).with_name("app.py")
HERE: Final = "127.0.0.1"
EVERYWHERE: Final = "0.0.0.0"  # noqa: S104 - only with --lan, which says so
MAX_UPLOAD_MB: Final = 5
STORE: Final = "OXYGEN_PLANNER_STORE"
LINKS_ONLY: Final = "OXYGEN_PLANNER_LINKS_ONLY"

LAN_WARNING: Final = """\
SHARED ON THE NETWORK: everyone who can reach this machine can read and change everything.
There is no login and nothing is encrypted. Use it on a network of your own, and stop it after."""

LINKS_WARNING: Final = """\
SHARED ON THE NETWORK, LINKS ONLY: from other machines nothing opens but an exercise's links.
There is no login and nothing is encrypted: whoever has a link may use it."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """How the page is to be started; ``hosts`` are names it may be called by on the network.

    ``is_links_only``: from other machines only the links of an exercise open anything.
    """

    store: Path
    port: int
    is_shared: bool = False
    hosts: tuple[str, ...] = ()
    is_links_only: bool = False


def command(wanted: Wanted) -> list[str]:
    """Return the command line that starts the page."""
    address = EVERYWHERE if wanted.is_shared else HERE
    settings = {
        "server.address": address,
        "server.port": str(wanted.port),
        "server.headless": "true",
        "server.fileWatcherType": "none",
        "server.runOnSave": "false",
        "server.maxUploadSize": str(MAX_UPLOAD_MB),
        "server.enableXsrfProtection": "true",
        "server.enableCORS": "true",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "viewer",
        "client.showErrorDetails": "type",
        "client.showErrorLinks": "false",
    }
    words = [f"--{name}={value}" for name, value in settings.items()]
    hosts = ("127.0.0.1", "localhost", *(wanted.hosts if wanted.is_shared else ()))
    words += [f"--server.allowedHosts={host}" for host in hosts]
    return [sys.executable, "-m", "streamlit", "run", str(APP), *words]


def needs_link(settings: Mapping[str, str], address: str | None) -> bool:
    """Say whether a tab may open an exercise's link only.

    Parameters
    ----------
    settings : mapping
        The server's environment.
    address : str or None
        Where the tab is; None: on this machine.
    """
    return settings.get(LINKS_ONLY) == "1" and address is not None


def free_port(wanted: int | None) -> int:
    """Return the wanted port when it is free, or, with None, 8501 or the next free one.

    Raises
    ------
    InputError
        When the wanted port is taken.
    """
    for port in (wanted,) if wanted is not None else range(8501, 8600):
        with socket.socket() as probe:
            # A page that has just ended leaves its port waiting; that is no reason to refuse it.
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((HERE, port))
            except OSError:
                continue
            return port
    raise InputError(
        [
            Fault(
                "page",
                "",
                "",
                "--port",
                str(wanted or "8501 to 8599"),
                "a free port",
                "Name another.",
            )
        ]
    )


def run(wanted: Wanted) -> int:
    """Start the page and stay until it ends; return its exit code."""
    only = {LINKS_ONLY: "1"} if wanted.is_links_only else {}
    environment = os.environ | {STORE: str(wanted.store)} | only
    print(f"http://{HERE}:{wanted.port}", flush=True)
    print("Stop with Ctrl-C. Every edit is saved in", wanted.store, flush=True)
    if wanted.is_shared:
        warning = LINKS_WARNING if wanted.is_links_only else LAN_WARNING
        print(warning, file=sys.stderr, flush=True)
    child = subprocess.Popen(command(wanted), env=environment, stdout=subprocess.DEVNULL)  # noqa: S603 - our own words
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ends the server with the command
    try:
        return child.wait()
    except KeyboardInterrupt:
        child.terminate()
        child.wait()
        return 0
