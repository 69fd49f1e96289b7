"""Soak of the page: ten tabs, random clicks for some minutes, memory and errors watched.

``python -m tests.bench.soak_page [minutes]``. One server on a store of its own, one browser with
ten tabs on three incidents that have a plan. What is clicked is drawn with a fixed seed: another
view, a tab of the plan, F5, an edit, undo, plan again, what if. Every ten seconds the resident
memory of the server and of its workers is read. Printed at the end: clicks, most memory, its slope
over the second half, errors on pages and in the server's log, requests that left the machine.
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Browser, Error, Page

from planner.document import incident_document
from planner.files import read_incident
from planner.page.plans import keep_plan
from planner.report.plan_document import plan_document
from planner.store import Store, new_command_id
from planner.workflow import Request, make_plan
from tests.browser import Server, browser, children, settled

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NAMES = ("quessel-hut", "pelvarra-camp", "ulvaren-bowl")
NUM_TABS = 10
SEED = 7
VIEWS = ("Start", "Incident", "Plan", "Reference", "How this is computed")
TABS = ("Swaps", "Gauges", "Chances", "Need and supply", "What helps", "Three ways", "Notes")
PATIENCE_MS = 15_000
WORDS_OF_ERROR = ("Traceback", "Error in", "This app has encountered an error", "Uncaught")


@dataclass
class Seen:
    clicks: int = 0
    missed: int = 0
    errors: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)
    server_mb: list[tuple[float, float]] = field(default_factory=list)
    workers_mb: float = 0.0


def resident_mb(pid: int) -> float:
    with suppress(OSError, ValueError):
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1]) / 1024
    return 0.0


def filled_store(path: Path) -> list[str]:
    store = Store(path)
    documents = []
    for name in NAMES:
        incident = read_incident(SCENARIOS / f"{name}.toml").incident
        made = store.create("incident", name, incident_document(incident), new_command_id())
        plan = make_plan(incident, None, Request(samples=2000, effort=5))
        keep_plan(store, made.document, made.number, json.loads(json.dumps(plan_document(plan))))
        documents.append(made.document)
    return documents


class Soak:
    def __init__(self, server: Server, opened: Browser, documents: list[str]) -> None:
        self.server, self.documents, self.seen = server, documents, Seen()
        self.random = random.Random(SEED)
        self.pages = [self._tab(opened, k) for k in range(NUM_TABS)]
        self.begun = time.monotonic()
        self.read_s = 0.0

    def _tab(self, opened: Browser, k: int) -> Page:
        page = opened.new_page(viewport={"width": 1280, "height": 800})
        page.on("request", lambda request: self._outside(request.url))
        page.on("pageerror", lambda error: self.seen.errors.append(f"page: {error}"))
        page.goto(f"{self.server.address}/plan?incident={self.documents[k % len(self.documents)]}")
        return settled(page)

    def _outside(self, url: str) -> None:
        if not url.startswith((self.server.address, "data:", "blob:", "ws://127.0.0.1")):
            self.seen.outside.append(url)

    def step(self) -> None:
        page = self.random.choice(self.pages)
        act = self.random.choice(
            (self.view, self.view, self.tab, self.tab, self.tab, self.reload, self.edit, self.undo,
             self.plan, self.what_if)
        )  # fmt: skip
        try:
            act(page)
            settled(page)
            self.seen.clicks += 1
        except Error as error:
            self.seen.missed += 1
            if "closed" in str(error):
                raise
        text = page.locator("body").inner_text(timeout=PATIENCE_MS)
        self.seen.errors += [f"{act.__name__}: {w}" for w in WORDS_OF_ERROR if w in text]
        self.read()

    def view(self, page: Page) -> None:
        name = self.random.choice(VIEWS)
        page.get_by_role("link", name=name, exact=True).first.click(timeout=PATIENCE_MS)

    def tab(self, page: Page) -> None:
        if page.get_by_role("tab", name="Swaps", exact=True).count() == 0:
            page.get_by_role("link", name="Plan", exact=True).first.click(timeout=PATIENCE_MS)
            settled(page)
        name = self.random.choice(TABS)
        page.get_by_role("tab", name=name, exact=True).click(timeout=PATIENCE_MS)

    def reload(self, page: Page) -> None:
        page.reload(timeout=60_000)

    def edit(self, page: Page) -> None:
        page.get_by_role("link", name="Incident", exact=True).first.click(timeout=PATIENCE_MS)
        settled(page)
        boxes = page.get_by_role("textbox")
        box = boxes.nth(self.random.randrange(max(1, boxes.count())))
        box.click(timeout=PATIENCE_MS)
        page.keyboard.press("End")
        page.keyboard.type(self.random.choice("abc123 "))
        page.keyboard.press("Tab")

    def undo(self, page: Page) -> None:
        page.get_by_role("link", name="Start", exact=True).first.click(timeout=PATIENCE_MS)
        settled(page)
        page.get_by_role("button", name="Undo").first.click(timeout=3_000)

    def plan(self, page: Page) -> None:
        page.get_by_role("link", name="Plan", exact=True).first.click(timeout=PATIENCE_MS)
        settled(page)
        button = page.get_by_role("button", name="Plan again")
        if button.count():
            button.first.click(timeout=3_000)

    def what_if(self, page: Page) -> None:
        if page.get_by_role("tab", name="What if", exact=True).count():
            page.get_by_role("tab", name="What if", exact=True).click(timeout=PATIENCE_MS)
            page.get_by_role("button", name="Compare").click(timeout=3_000)

    def read(self) -> None:
        now = time.monotonic() - self.begun
        if now - self.read_s < 10 and self.seen.server_mb:
            return
        self.read_s = now
        pid = self.server.streamlit()
        self.seen.server_mb.append((now, resident_mb(pid)))
        workers = sum(resident_mb(child) for child in children(pid))
        self.seen.workers_mb = max(self.seen.workers_mb, workers)


def slope_mb_per_h(points: list[tuple[float, float]]) -> float:
    late = points[len(points) // 2 :]
    if len(late) < 3:
        return 0.0
    mean_t, mean_v = (sum(p[k] for p in late) / len(late) for k in (0, 1))
    over = sum((t - mean_t) ** 2 for t, _ in late)
    return 3600 * sum((t - mean_t) * (v - mean_v) for t, v in late) / over if over else 0.0


def main(minutes: float) -> None:
    folder = Path(tempfile.mkdtemp())
    documents = filled_store(folder / "soak.sqlite")
    log = folder / "server.log"
    server = Server(folder / "soak.sqlite")
    with log.open("wb") as stream:
        server.start(stderr=stream)
        try:
            with browser() as opened:
                soak = Soak(server, opened, documents)
                while time.monotonic() - soak.begun < 60 * minutes:
                    soak.step()
        finally:
            server.kill()
    seen = soak.seen
    errors = [line for line in log.read_text(errors="replace").splitlines() if "Error" in line]
    most = max(mb for _, mb in seen.server_mb)
    print(f"{minutes:g} min, {NUM_TABS} tabs: {seen.clicks} clicks, {seen.missed} not to be had")
    print(f"server: {seen.server_mb[0][1]:.0f} MB at first, {most:.0f} MB at most, "
          f"{slope_mb_per_h(seen.server_mb):+.0f} MB an hour in the second half")  # fmt: skip
    print(f"workers: {seen.workers_mb:.0f} MB at most")
    print(f"errors on pages: {len(seen.errors)} {sorted(set(seen.errors))[:5]}")
    print(f"errors in the server's log: {len(errors)} {sorted(set(errors))[:5]}")
    print(f"requests off this machine: {len(seen.outside)} {sorted(set(seen.outside))[:5]}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0)
