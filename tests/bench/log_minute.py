"""Seconds until the page shows the state at another minute of a log of 5,000 entries.

``python -m tests.bench.log_minute``: a real server and a real browser, the slider moved by keys.
EXERCISE - NOT FOR PATIENT CARE.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from time import perf_counter

from planner.files import read_incident
from planner.journal.events import Connected, GaugeRead, LogEntry
from planner.page.logs import keep_log
from planner.store import Store, new_command_id
from planner.store.exchange import import_incident_file
from planner.units import Pressure
from tests.browser import PATIENCE_MS, Server, browser, settled

SCENARIO = Path(__file__).parents[2] / "scenarios" / "drommick-chair.toml"
ENTRIES, MOVES = 5_000, 24
SHOWN = "() => (document.body.innerText.match(/At [0-9:]+[^\\n]*, by the record/) || [''])[0]"


def entries() -> list[LogEntry]:
    """Everyone on a cylinder of their own, and a gauge read every few seconds."""
    incident = read_incident(SCENARIO).incident
    pairs = list(zip(incident.patients, incident.cylinders, strict=False))
    made = [
        LogEntry(f"c{k}", 0.0, Connected(p.tag, c.tag, None, None, 2.0))
        for k, (p, c) in enumerate(pairs)
    ]
    for k in range(ENTRIES - len(made)):
        patient = pairs[k % len(pairs)][0].tag
        gauge = Pressure(1900.0 - k % 7, "psi")
        made.append(LogEntry(f"g{k}", 0.02 * k, GaugeRead(gauge, patient=patient)))
    return made


def main() -> None:
    """Time one move after another, each by one key."""
    with TemporaryDirectory() as folder, browser() as opened:
        path = Path(folder) / "log.store"
        store = Store(path)
        document = import_incident_file(store, SCENARIO, new_command_id()).revision.document
        keep_log(store, document, entries(), new_command_id())
        server = Server(path)
        server.start()
        page = opened.new_page()
        page.goto(f"{server.address}/log?incident={document}")
        settled(page)
        slider = page.get_by_role("slider").first
        slider.wait_for(timeout=PATIENCE_MS)
        slider.press("ArrowLeft")  # the first only goes to a whole minute
        page.wait_for_timeout(2_000)
        took = []
        for _ in range(MOVES):
            before = page.evaluate(SHOWN)
            begun = perf_counter()
            slider.press("ArrowLeft")
            page.wait_for_function(f"old => ({SHOWN})() !== old", arg=before, timeout=PATIENCE_MS,
                                   polling=10)  # fmt: skip
            took.append(perf_counter() - begun)
            settled(page)
        server.kill()
    took.sort()
    print(f"{ENTRIES} entries, {MOVES} moves, load {os.getloadavg()[0]:.1f}: median "
          f"{median(took):.2f} s, least {took[0]:.2f}, most {took[-1]:.2f}")  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
