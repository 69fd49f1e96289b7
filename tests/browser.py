"""A real browser and a real server for tests of the page."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PATIENCE_MS = 60_000
PAUSE_S = 0.05


def browser_path() -> str:
    """Return where the browser is; without one skip, but fail where CI is set."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None and os.environ.get("CI"):
        pytest.fail("no browser; the page is not tested")
    if path is None:
        pytest.skip("no browser on this machine")
    return path


@contextmanager
def browser() -> Iterator[Browser]:
    path = browser_path()
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield opened
        opened.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def children(pid: int) -> dict[int, str]:
    """Return the processes that a process has started, with their command lines."""
    found = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            if int(stat.read_text().rpartition(")")[2].split()[1]) == pid:
                line = stat.with_name("cmdline").read_bytes().replace(b"\0", b" ").decode()
                found[int(stat.parent.name)] = line
    return found


@dataclass
class Server:
    """The page as its command starts it."""

    store: Path
    port: int = field(default_factory=free_port)
    child: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self, stderr: IO[bytes] | int = subprocess.DEVNULL) -> None:
        words = ["page", "--port", str(self.port), "--store", str(self.store)]
        self.child = subprocess.Popen(
            [sys.executable, "-m", "planner", *words], cwd=self.store.parent,
            start_new_session=True, stdout=subprocess.DEVNULL, stderr=stderr,
        )  # fmt: skip
        limit = time.monotonic() + 60
        while True:
            with suppress(OSError), urllib.request.urlopen(f"{self.address}/_stcore/health"):
                return
            assert self.child.poll() is None, "the command ended instead of starting the page"
            assert time.monotonic() < limit, "the page did not start"
            time.sleep(PAUSE_S)

    def streamlit(self) -> int:
        """Return the process that serves the page: the one child of the command."""
        assert self.child is not None
        ((pid, line),) = children(self.child.pid).items()
        assert " streamlit run " in line
        return pid

    def workers(self) -> list[int]:
        found = children(self.streamlit())
        return [pid for pid, line in found.items() if "planner.worker" in line]

    def kill_streamlit(self) -> None:
        """kill -9 of the process that serves the page; its command then ends by itself."""
        assert self.child is not None
        os.kill(self.streamlit(), signal.SIGKILL)
        self.child.wait(timeout=60)
        self.child = None

    def kill(self) -> None:
        """Kill the command with everything that it started."""
        if self.child is None:
            return
        for pid in (*self.workers(), self.streamlit()) if self.child.poll() is None else ():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        with suppress(ProcessLookupError):
            os.killpg(self.child.pid, signal.SIGKILL)
        self.child.wait()
        self.child = None


def settled(page: Page) -> Page:
    """Wait until the page is connected and its script has run."""
    page.wait_for_selector(
        "[data-testid=stApp][data-test-connection-state=CONNECTED]", timeout=PATIENCE_MS
    )
    page.wait_for_selector(
        "[data-testid=stApp][data-test-script-state=notRunning]", timeout=PATIENCE_MS
    )
    return page
