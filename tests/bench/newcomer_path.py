"""The newcomer's path by keyboard alone: from an empty store to the sheets of an own incident.

``python -m tests.bench.newcomer_path [add|copy|short]``. A real server, a real browser, nothing but
Tab, Shift+Tab, arrows, Enter, Space, Escape and typing. Six patients at two places, ten cylinders
of two sizes, regulators, masks, cannulas, key, washers and two responders are typed in and planned,
and the sheets are fetched; what is stored then is held against what was meant. Printed: fields
touched, buttons pressed, keys, and seconds of the machine: a thinking time of 0.3 s before each
field is not counted.

``add`` adds every row and types what differs from what stands there; ``copy`` copies the row above
instead; ``short`` takes every short way the page has. A field that already holds what is meant is
not touched.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from playwright.sync_api import Locator, Page, expect

from planner.files import incident_from
from planner.incident import Incident
from planner.store import Store
from tests.browser import PATIENCE_MS, Server, browser, settled

THINK_S: Final = 0.3
NAME: Final = "Own incident"
T_FAST, T_ROAD, T_LAST = (40, 60, 90), (70, 100, 150), (120, 180, 240)
# triage, indication, place, when transport takes over: minutes, 1 in 10 / middle / 9 in 10
PATIENTS: Final = (
    ("immediate", "chest injury", "slope", T_FAST),
    ("immediate", "shock, bleeding", "slope", T_FAST),
    ("delayed", "major trauma", "hut", T_ROAD),
    ("delayed", "major trauma", "hut", T_ROAD),
    ("delayed", "trauma, reading below 94", "hut", T_ROAD),
    ("minimal", "limb injury", "hut", T_LAST),
)  # fmt: skip
CYLINDERS: Final = (
    ("D", (2000, 2000, 2000, 2000, 1800, 1500, 1000)), ("E", (2000, 2000, 1600)),
)  # fmt: skip
CARRY_MIN: Final = 10
NUM_KITS: Final = 5  # as many as get oxygen
DEVICES: Final = (("non-rebreather", NUM_KITS), ("cannula", NUM_KITS))
SUNDRIES: Final = (("key", 1), ("washer", 2 * NUM_KITS))
HERE: Final = "e => e === document.activeElement"
IS_AHEAD: Final = """e => { const at = document.activeElement;
  return !at || at === document.body
    || !!(at.compareDocumentPosition(e) & Node.DOCUMENT_POSITION_FOLLOWING); }"""
TIMES: Final = ("1 in 10 sooner than", "as likely as not by", "9 in 10 by")


@dataclass
class Walk:
    """One person at the keyboard, and what it costs."""

    page: Page
    fields: int = 0
    buttons: int = 0
    keys: Counter[str] = field(default_factory=Counter)
    thought_s: float = 0.0
    begun: float = field(default_factory=time.monotonic)

    @property
    def seconds(self) -> float:
        return time.monotonic() - self.begun - self.thought_s

    def key(self, name: str) -> None:
        self.page.keyboard.press(name)
        kind = name if name in {"Tab", "Shift+Tab", "Enter"} else "other"
        self.keys[kind] += 1

    def write(self, text: str) -> None:
        self.page.keyboard.type(text)
        self.keys["typed"] += len(text)

    def to(self, wanted: Locator) -> None:
        """Go to something by Tab, the way it lies."""
        expect(wanted).to_be_visible(timeout=PATIENCE_MS)
        way = "Tab" if wanted.evaluate(IS_AHEAD) else "Shift+Tab"
        for _ in range(200):
            if wanted.evaluate(HERE):
                return
            self.key(way)
        raise AssertionError(f"200 times {way} did not reach {wanted}")

    @contextmanager
    def touched(self) -> Iterator[None]:
        self.fields += 1
        begun = time.monotonic()
        self.page.wait_for_timeout(THINK_S * 1000)
        self.thought_s += time.monotonic() - begun
        yield

    def press(self, name: str, *, writes: bool = False) -> None:
        """Press a button; of one that writes, wait until the page tells the new revision."""
        before = self.revision() if writes else ""
        self.to(self.page.get_by_role("button", name=name, exact=True))
        self.key("Enter")
        self.buttons += 1
        if writes:
            self.stand(lambda: self.revision() != before, f"{name} was written")
        self.page.wait_for_timeout(50)
        settled(self.page)

    def revision(self) -> str:
        return self.page.get_by_text(re.compile("^Revision [0-9]+ saved at")).first.inner_text()

    def box(self, label: str) -> Locator:
        return self.page.get_by_role("textbox", name=label, exact=True)

    def fill(self, label: str, text: str) -> None:
        """Type into a box and leave it, unless that stands there."""
        box = self.box(label)
        if box.input_value() == text:
            return
        with self.touched():
            self.to(box)
            if box.input_value():
                self.key("Control+a")
            if text:
                self.write(text)
            else:
                self.key("Delete")
            self.key("Tab")
        self.stand(lambda: self.box(label).input_value() == text, f"{label}: {text}")

    def choose(self, label: str, text: str) -> None:
        """Choose from a list by typing, unless that stands there."""
        box = self.page.get_by_role("combobox", name=label, exact=True)
        if box.input_value() == text:
            return
        with self.touched():
            self.to(box)
            if box.input_value():
                self.key("Control+a")
            self.write(text)
            self.page.get_by_role("option", name=text, exact=True).first.wait_for()
            if self.page.get_by_role("option").first.inner_text().strip() != text:
                self.find_option(text)
            self.key("Enter")
        self.stand(lambda: box.input_value() == text, f"{label}: {text}")

    def find_option(self, text: str) -> None:
        for _ in range(40):
            marked = self.page.locator(
                "[role=option][data-focused=true], [role=option][aria-selected=true]"
            )
            if marked.count() and marked.first.inner_text().strip() == text:
                return
            self.key("ArrowDown")
        raise AssertionError(f"no option {text}")

    def stand(self, is_so: Callable[[], bool], what: str) -> None:
        """See that what was typed stands there once the page has run."""
        limit = time.monotonic() + 10
        settled(self.page)
        while not is_so():
            assert time.monotonic() < limit, f"it does not stand there: {what}"
            self.page.wait_for_timeout(20)

    def part(self, name: str) -> None:
        """Open a part of the incident: Tab into the list of parts, arrows, Space."""
        parts = self.page.get_by_role("radio")
        choice = self.page.get_by_role("radio", name=re.compile(rf"^{name}\b"))
        if choice.is_checked():
            return
        with self.touched():
            way = "Tab" if parts.first.evaluate(IS_AHEAD) else "Shift+Tab"
            while self.page.locator("[role=radio]:focus").count() == 0:
                self.key(way)
            order = [one.inner_text() for one in parts.all()]
            at = order.index(self.page.locator("[role=radio]:focus").inner_text())
            steps = order.index(choice.inner_text()) - at
            for _ in range(abs(steps)):
                self.key("ArrowRight" if steps > 0 else "ArrowLeft")
            self.key("Space")
        self.stand(choice.is_checked, name)

    def view(self, name: str) -> None:
        self.to(self.page.get_by_role("navigation").get_by_role("link", name=name, exact=True))
        self.key("Enter")
        self.buttons += 1
        self.page.wait_for_timeout(300)
        settled(self.page)


def begin(walk: Walk) -> None:
    walk.to(walk.page.get_by_role("tab", selected=True))
    while walk.page.get_by_role("tab", selected=True).inner_text() != "From nothing":
        walk.key("ArrowRight")
        walk.page.wait_for_timeout(50)
    with walk.touched():
        walk.to(walk.box("Name of the new incident"))
        walk.write(NAME)
        walk.key("Enter")
    expect(walk.page.get_by_role("button", name="Begin with nothing")).to_be_enabled()
    walk.press("Begin with nothing")
    walk.page.wait_for_url(re.compile("incident="))
    settled(walk.page)


def next_row(walk: Walk, singular: str, count: int, way: str) -> None:
    walk.press("Copy row" if way != "add" and count else f"Add a {singular}", writes=True)


def times(walk: Walk, minutes: tuple[int, int, int], way: str) -> None:
    first = walk.box(f"Transfer, min: {TIMES[0]}")
    if way == "short" and first.input_value() != str(minutes[0]):
        with walk.touched():  # all three in one box
            walk.to(first)
            if first.input_value():
                walk.key("Control+a")
            walk.write("/".join(map(str, minutes)))
            walk.key("Tab")
        walk.stand(lambda: first.input_value() == str(minutes[0]), "three times")
    for words, text in zip(TIMES, minutes, strict=True):
        walk.fill(f"Transfer, min: {words}", str(text))


def type_in(walk: Walk, way: str) -> None:
    """Type in every row, each from the one before."""
    walk.part("Places")
    for count, place in enumerate(("hut", "slope")):
        next_row(walk, "place", count, way)
        walk.fill("Name (required)", place)
    walk.fill("Carry, min, from hut", str(CARRY_MIN))
    walk.part("Patients")
    for count, (triage, indication, place, minutes) in enumerate(PATIENTS):
        next_row(walk, "patient", count, way)
        walk.choose("Triage (required)", triage)
        walk.choose("Indication", indication)
        walk.choose("Place", place)
        times(walk, minutes, way)
    (type_in_kit if way != "short" else type_in_kit_shortly)(walk, way)
    walk.part("Responders")
    for count, place in enumerate(("hut", "slope")):
        next_row(walk, "responder", count, way)
        walk.choose("Place", place)


def type_in_kit_shortly(walk: Walk, way: str) -> None:
    """Several cylinders by their gauges, and an ordinary set of kit: the short forms."""
    walk.part("Cylinders")
    for size, gauges in CYLINDERS:
        walk.fill("Gauges, one for each cylinder", " ".join(map(str, gauges)))
        walk.choose("All of the size", size)
        walk.choose("All at the place", "hut")
        walk.press("Add these", writes=True)
    walk.part("Regulators")
    walk.fill("For how many", str(NUM_KITS))
    walk.choose("Regulators for the connection", "CGA 870")
    walk.choose("All at the place", "hut")
    walk.press("Add these", writes=True)


def type_in_kit(walk: Walk, way: str) -> None:
    """Cylinders, regulators, masks, keys and washers, row by row."""
    walk.part("Cylinders")
    rows = [(size, gauge, n) for size, gauges in CYLINDERS for gauge, n in Counter(gauges).items()]
    for count, (size, gauge, number) in enumerate(rows):
        next_row(walk, "cylinder", count, way)
        if number > 1 or walk.box("Count").input_value():
            walk.fill("Tag", "")  # a row of several has no tag of its own
            walk.fill("Count", str(number))
        walk.choose("Size (required)", size)
        walk.fill("Gauge (required)", str(gauge))
        walk.choose("Place", "hut")
    walk.part("Regulators")
    next_row(walk, "regulator", 0, way)
    walk.fill("Tag", "")
    walk.fill("Count", str(NUM_KITS))
    walk.choose("Connection (required)", "CGA 870")
    walk.choose("Place", "hut")
    for name, singular, kinds in (("Masks", "mask or cannula", DEVICES),
                                  ("Keys", "key or washer", SUNDRIES)):  # fmt: skip
        walk.part(name)
        for count, (kind, number) in enumerate(kinds):
            next_row(walk, singular, count, way)
            walk.choose("Kind (required)", kind)
            walk.fill("Count", str(number))
            walk.choose("Place", "hut")


def plan(walk: Walk) -> None:
    walk.view("Plan")
    walk.press("Plan")
    expect(walk.page.locator(".op-front .chance")).to_be_visible(timeout=PATIENCE_MS)
    with walk.page.expect_download(timeout=PATIENCE_MS) as waited:
        walk.press("Sheets to print")
    html = Path(waited.value.path()).read_text(encoding="utf-8")
    assert html.count('<article class="card') == len(PATIENTS)


def meant() -> dict[str, Counter[Any]]:
    return {
        "patients": Counter(PATIENTS),
        "cylinders": Counter((size, float(g), "hut") for size, many in CYLINDERS for g in many),
        "regulators": Counter({("CGA 870", "hut"): NUM_KITS}),
        "devices": Counter({(kind, "hut"): number for kind, number in DEVICES}),
        "sundries": Counter({(kind, "hut"): number for kind, number in SUNDRIES}),
        "responders": Counter(("hut", "slope")),
    }


def stored(incident: Incident) -> dict[str, Counter[Any]]:
    def minutes(one: Any) -> tuple[int, ...]:
        return tuple(int(n) for n in (one.p10_min, one.p50_min, one.p90_min))

    devices: Counter[Any] = Counter()
    for one in incident.devices:
        devices[one.kind, one.place] += one.count
    sundries: Counter[Any] = Counter()
    for item in incident.sundries:
        sundries[item.kind, item.place] += item.count
    return {
        "patients": Counter((p.triage, p.indication, p.place, minutes(p.transfer))
                            for p in incident.patients),
        "cylinders": Counter((c.size, c.gauge.psi, c.place) for c in incident.cylinders),
        "regulators": Counter((r.connection, r.place) for r in incident.regulators),
        "devices": devices,
        "sundries": sundries,
        "responders": Counter(r.place for r in incident.responders),
    }  # fmt: skip


def run(way: str, size: tuple[int, int] = (1280, 800)) -> Walk:
    """Walk the whole path and print what it cost."""
    with tempfile.TemporaryDirectory() as folder, browser() as opened:
        server = Server(Path(folder) / "page.sqlite")
        try:
            server.start()
            page = opened.new_page(viewport={"width": size[0], "height": size[1]})
            page.set_default_timeout(15_000)
            page.goto(server.address)
            expect(page.get_by_text("None is stored yet.")).to_be_visible(timeout=PATIENCE_MS)
            settled(page)
            walk = Walk(page)
            begin(walk)
            expect(page.get_by_role("radio", name=re.compile("^Patients"))).to_be_visible()
            type_in(walk, way)
            typed_s = walk.seconds
            plan(walk)
            (document,) = Store(server.store).documents("incident")
            made = incident_from(Store(server.store).revision(document.id).tree).incident
            assert stored(made) == meant(), (stored(made), meant())
        finally:
            server.kill()
    keys = walk.keys
    print(
        f"{way}: {walk.fields} fields, {walk.buttons} buttons and links, {keys.total()} keys "
        f"({keys['Tab'] + keys['Shift+Tab']} Tab, {keys['typed']} typed), {typed_s:.1f} s to type "
        f"in, {walk.seconds:.1f} s with planning; thinking of {walk.thought_s:.0f} s not counted",
        flush=True,
    )
    return walk


if __name__ == "__main__":
    for chosen in sys.argv[1:] or ["add", "copy"]:
        run(chosen)
