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

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PATIENCE_MS = 60_000


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


@dataclass
class Server:
    """The page as its command starts it, in a process group of its own."""

    store: Path
    port: int = field(default_factory=free_port)
    child: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        words = ["page", "--port", str(self.port), "--store", str(self.store)]
        self.child = subprocess.Popen(
            [sys.executable, "-m", "planner", *words], start_new_session=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        for _ in range(600):
            with suppress(OSError), urllib.request.urlopen(f"{self.address}/_stcore/health"):
                return
            time.sleep(0.1)
        raise TimeoutError("the page did not start")

    def kill(self) -> None:
        """Kill the command and the server, as a power cut would."""
        if self.child is not None:
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
