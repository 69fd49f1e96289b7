"""The page in a real browser: nothing lost, nothing overwritten, nothing leaves, nothing cut off.

One server for the file, started by the product's own command in a temporary folder; every test has
an incident and a browser context of its own. Whatever any context asks the network for, and every
error it tells, is gathered and judged at the end of its test. Waits have generous limits; no test
asserts a time.
"""

from __future__ import annotations

import json
import re
import shutil
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect
from playwright.sync_api import TimeoutError as PlaywrightTimeout

from planner.files import incident_from, write_incident
from planner.page.plans import keep_plan, latest_plan
from planner.report.plan_document import plan_document
from planner.store import Command, Store, new_command_id
from planner.store.exchange import import_incident_file
from planner.workflow import Request, make_plan
from tests import browser as real
from tests.browser import PATIENCE_MS, Server, settled
from tests.generator import random_incident

SCENARIOS = Path(__file__).parents[1] / "scenarios"
QUICK = Request(samples=2_000, effort=10, deterministic_s=0.2)  # what the views show, not how good
BANNER = "EXERCISE - NOT FOR PATIENT CARE"
ALOUD = re.compile("that anyone runs out of oxygen")
HOSTILE = (
    "<script>window.hit=1</script>", "![x](http://127.0.0.1:9/y.png)", "$x$ :red[x]", "<b>x</b>",
)  # fmt: skip
# What stands on a view once it is drawn, so that a change of view has an end to wait for.
VIEWS = {
    "Start": "text=Open a stored incident",
    "Incident": "role=radiogroup",
    "Plan": ".op-front",
    "Log": "role=heading[name='Log']",
    "Exercise": "role=heading[name='Exercise']",
    "Cache": "role=heading[name='Cache']",
    "Reference": "role=tab[name='How long it lasts']",
    "How this is computed": "role=heading[name='How this is computed']",
}
PATHS = dict(
    zip(
        VIEWS, ("", "incident", "plan", "log", "exercise", "cache", "reference", "how"), strict=True
    )
)
# All that can be read on the page: text, what stands in boxes; word joiners of labels left out.
ALL_SHOWN = """texts => {
  const boxes = [...document.querySelectorAll('input, textarea')].map(e => e.value);
  const shown = [document.body.innerText, ...boxes].join('\\n').replaceAll('\\u2060', '');
  return texts.every(text => shown.includes(text));
}"""
# What reaches over an edge: the page itself, what scrolls in it, and every text that stands outside
# and that nothing scrolls into view.
TOO_WIDE = """() => {
  const over = [], wide = document.documentElement.clientWidth;
  const boxes = ['html', 'body', ...['stApp', 'stAppViewContainer', 'stMain',
    'stMainBlockContainer'].map(name => `[data-testid=${name}]`)];
  for (const box of boxes.flatMap(b => [...document.querySelectorAll(b)]))
    if (box.scrollWidth > box.clientWidth) over.push([box.dataset.testid || box.tagName,
      box.scrollWidth, box.clientWidth]);
  const scrolls = e => ['auto', 'scroll'].includes(getComputedStyle(e).overflowX)
    && e.dataset.testid !== 'stMain';
  for (const e of document.querySelectorAll('[data-testid=stMain] *')) {
    if (![...e.childNodes].some(n => n.nodeType === 3 && n.data.trim())) continue;
    const range = document.createRange();
    range.selectNodeContents(e);
    const at = range.getBoundingClientRect();
    if (!at.width || (at.left >= -1 && at.right <= wide + 1)
      || !e.checkVisibility({visibilityProperty: true}))
      continue;
    let up = e;
    while (up && !scrolls(up)) up = up.parentElement;
    if (!up) over.push([e.textContent.slice(0, 60), at.left, at.right]);
  }
  return over;
}"""
# Contrast by WCAG 2.1 (relative luminance, ratio) of the colours as they are painted: through
# every half-transparent ground and every opacity above the text.
CONTRAST = """selector => {
  const parse = text => {
    const n = (text.match(/-?[\\d.]+(e-?\\d+)?/g) || []).map(Number);
    if (text.startsWith('rgb')) return [n[0], n[1], n[2], n[3] ?? 1];
    if (text.startsWith('color(srgb ')) return [255*n[0], 255*n[1], 255*n[2], n[3] ?? 1];
    throw new Error('unknown colour ' + text);
  };
  const over = (top, low, alpha) => [0, 1, 2].map(k => alpha*top[k] + (1 - alpha)*low[k]);
  const light = c => { const [r, g, b] = c.map(v => v/255).map(
    v => v <= .03928 ? v/12.92 : ((v + .055)/1.055)**2.4);
    return .2126*r + .7152*g + .0722*b; };
  const all = [];
  for (const e of document.querySelectorAll(selector)) {
    if (!e.innerText.trim() || !e.checkVisibility({visibilityProperty: true})) continue;
    const chain = [];
    for (let up = e; up; up = up.parentElement) chain.unshift(up);
    let ground = [255, 255, 255];
    const groups = [];
    for (const at of chain) {
      const style = getComputedStyle(at), back = parse(style.backgroundColor);
      if (style.opacity !== '1') groups.push([ground, Number(style.opacity)]);
      ground = over(back, ground, back[3]);
    }
    const ink = parse(getComputedStyle(e).color);
    let text = over(ink, ground, ink[3]);
    for (const [low, alpha] of groups.reverse())
      [text, ground] = [over(text, low, alpha), over(ground, low, alpha)];
    const [a, b] = [light(text), light(ground)].sort((x, y) => y - x);
    all.push([(a + .05)/(b + .05), e.innerText.slice(0, 40), light(ground)]);
  }
  return all.sort((x, y) => x[0] - y[0]);
}"""
expect.set_options(timeout=PATIENCE_MS)


@dataclass
class Traffic:
    """What a browser context asked the network for and what went wrong in it."""

    port: int
    asked: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def watch(self, context: BrowserContext) -> None:
        context.on("request", lambda request: self.asked.append(request.url))
        context.on("page", self._watch_page)
        context.on("console", self._hear)
        context.on("weberror", lambda error: self.errors.append(str(error.error)))

    def away(self) -> list[str]:
        """Return what was asked of anything but the page's own server."""
        home = f"127.0.0.1:{self.port}"
        return [
            url for url in self.asked
            if urlsplit(url).scheme not in {"data", "blob"} and urlsplit(url).netloc != home
        ]  # fmt: skip

    def _watch_page(self, page: Page) -> None:
        page.on("websocket", lambda socket: self.asked.append(socket.url))

    def _hear(self, message: Any) -> None:
        # Streamlit asks below the address of a view for its server first, then at the root.
        url = str(message.location.get("url", ""))
        is_search = "404" in message.text and re.search(r"/\w+/_stcore/(health|host-config)$", url)
        if message.type == "error" and not is_search:
            self.errors.append(f"{message.text} {url}")


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with real.browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def server(chromium: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    running = Server(tmp_path_factory.mktemp("page") / "page.sqlite")
    try:
        running.start()
        yield running
    finally:
        running.kill()


@pytest.fixture(scope="module")
def all_traffic(server: Server) -> Traffic:
    return Traffic(server.port)


@pytest.fixture(scope="module")
def laptop(chromium: Browser, all_traffic: Traffic) -> Iterator[BrowserContext]:
    """One context for most tests, so that the browser keeps what it has loaded."""
    with context_of(chromium, all_traffic) as made:
        yield made


@contextmanager
def context_of(
    chromium: Browser, traffic: Traffic, width: int = 1280, height: int = 800, **options: Any
) -> Iterator[BrowserContext]:
    made = chromium.new_context(viewport={"width": width, "height": height}, **options)
    made.set_default_timeout(PATIENCE_MS)
    traffic.watch(made)
    yield made
    made.close()


@pytest.fixture
def traffic(all_traffic: Traffic) -> Iterator[Traffic]:
    """What the test's pages ask for and tell; judged once they are closed."""
    all_traffic.asked.clear()
    all_traffic.errors.clear()
    yield all_traffic
    assert all_traffic.away() == []
    assert all_traffic.errors == []


@pytest.fixture
def new_page(laptop: BrowserContext, traffic: Traffic) -> Iterator[Callable[[], Page]]:
    yield laptop.new_page
    for page in laptop.pages:
        page.close()


@pytest.fixture
def page(new_page: Callable[[], Page]) -> Page:
    return new_page()


@pytest.fixture
def store(server: Server) -> Store:
    return Store(server.store)


@pytest.fixture
def hut(store: Store) -> str:
    """An incident that is stored already."""
    path = SCENARIOS / "drommick-chair.toml"
    return import_incident_file(store, path, new_command_id()).revision.document


def planned(store: Store, document: str) -> None:
    """Plan an incident here and keep the plan as the page does."""
    now = store.revision(document)
    keep_plan(store, document, now.number, plan_tree(now.content))


@cache
def plan_tree(text: str) -> dict[str, Any]:
    """Return the plan of an incident, made once."""
    return plan_document(make_plan(incident_from(json.loads(text)).incident, None, QUICK))


def load(page: Page, server: Server, document: str = "", view: str = "Start") -> Page:
    query = f"?incident={document}" if document else ""
    page.goto(f"{server.address}/{PATHS[view]}{query}")
    return drawn(page, view)


def go(page: Page, view: str) -> Page:
    """Go to a view by its link, as a person does."""
    page.get_by_role("navigation").get_by_role("link", name=view, exact=True).click()
    return drawn(page, view)


def drawn(page: Page, view: str) -> Page:
    expect(page.locator(VIEWS[view]).first).to_be_visible()
    return settled(page)


def part(page: Page, name: str) -> None:
    """Open a part of the incident."""
    choice = page.get_by_role("radio", name=re.compile(rf"^{name}\b"))
    choice.click()
    expect(choice).to_be_checked()
    settled(page)


def box(page: Page, label: str) -> Locator:
    return page.get_by_role("textbox", name=label, exact=True)


def typed(page: Page, label: str, text: str) -> None:
    """Type into a box and leave it, as a person does."""
    box(page, label).click()
    page.keyboard.press("Control+A")
    page.keyboard.type(text)
    page.keyboard.press("Tab")


def saved(page: Page, number: int) -> None:
    expect(page.get_by_text(re.compile(f"^Revision {number} saved at"))).to_be_visible()


def opened_list(page: Page, chosen: Locator) -> Locator:
    """Open a list and return its entries.

    On a busy machine the page may be drawn anew just after the click, which closes the list again;
    a person would click once more.
    """
    options = page.get_by_role("option")
    for _ in range(10):
        settled(page)
        chosen.click()
        with suppress(PlaywrightTimeout):
            options.first.wait_for(timeout=3_000)
            return options
        page.keyboard.press("Escape")
    return options  # what is expected of it then tells


def listed(page: Page, chosen: Locator) -> list[str]:
    """Return the texts of a list's entries, all read in one go while it is open."""
    found: list[str] = []
    for _ in range(10):
        found = opened_list(page, chosen).all_inner_texts()
        if found:
            break
    return found


def choose(page: Page, label: str, text: str) -> None:
    """Choose from a list by typing, as a person with a keyboard does."""
    chosen = page.get_by_role("combobox", name=label)
    opened_list(page, chosen)
    page.keyboard.press("Control+A")
    page.keyboard.type(text)
    page.get_by_role("option", name=text).first.click()
    expect(chosen).to_have_value(text)
    settled(page)


def gauge_psi(store: Store, document: str) -> object:
    return store.revision(document).tree["cylinders"][0]["gauge_psi"]


GAUGE = "Gauge (required)"
NO_CHART = {"What if", "What helps", "Three ways", "Plan on", "On paper", "Notes"}


# --- nothing leaves, nothing lost ----------------------------------------------------------------


def test_every_view_loads_with_the_banner_and_nothing_leaves(
    page: Page, chromium: Browser, server: Server, hut: str, traffic: Traffic
) -> None:
    load(page, server, hut)
    for view in VIEWS:
        go(page, view)
        banner = page.get_by_role("note").filter(has_text=BANNER).first
        expect(banner).to_be_in_viewport()
        assert page.get_by_test_id("stException").count() == 0
    # What is judged at the end of this and every other test was seen at all, socket included.
    assert any(url.startswith("ws://") for url in traffic.asked)
    assert any(url.startswith("http://") for url in traffic.asked)
    assert traffic.away() == []
    # Twin: requests elsewhere, even to this machine, and errors would have been seen.
    seen = Traffic(server.port)
    with context_of(chromium, seen) as context:
        other = load(context.new_page(), server)
        with (
            other.expect_request("http://127.0.0.1:9/x"),
            other.expect_websocket(),
            other.expect_console_message(lambda message: message.text == "an error"),
        ):
            other.evaluate("""() => {
                fetch('http://127.0.0.1:9/x').catch(() => 0);
                new WebSocket('ws://127.0.0.1:9/y');
                console.error('an error');
            }""")
    assert set(seen.away()) == {"http://127.0.0.1:9/x", "ws://127.0.0.1:9/y"}
    assert any(text.startswith("an error") for text in seen.errors)


def test_begin_edit_and_f5(page: Page, server: Server, store: Store) -> None:
    known = {document.id for document in store.documents("incident")}
    load(page, server)
    choose(page, "Shipped incident", "Quessel Hut")
    page.get_by_role("button", name="Begin from it").click()
    page.wait_for_url(re.compile("incident="))
    (document,) = {d.id for d in store.documents("incident")} - known
    assert store.revision(document).name == "Quessel Hut"
    go(page, "Incident")
    part(page, "Cylinders")
    before = gauge_psi(store, document)
    assert before != 1234
    typed(page, GAUGE, "1234")
    saved(page, 2)
    now = Store(server.store).revision(document)  # opened anew: it is in the file
    assert now.number == 2
    assert now.tree["cylinders"][0]["gauge_psi"] == 1234
    page.reload()
    drawn(page, "Incident")
    expect(page.get_by_role("heading", name="Quessel Hut")).to_be_visible()
    part(page, "Cylinders")
    expect(box(page, GAUGE)).to_have_value("1234")
    assert store.revision(document).number == 2  # loading anew writes nothing


def test_a_stale_edit_is_refused_and_both_versions_are_shown(
    new_page: Callable[[], Page], server: Server, store: Store, hut: str
) -> None:
    one, two = (load(new_page(), server, hut, "Incident") for _ in range(2))
    for tab in (one, two):
        part(tab, "Cylinders")
    typed(one, GAUGE, "1111")
    saved(one, 2)
    typed(two, GAUGE, "999")
    expect(two.get_by_role("alert").filter(has_text="NOT SAVED")).to_be_visible()
    row = two.locator("table.op-table tbody tr").first
    expect(row.locator("td")).to_have_text(["cylinders AD-01 gauge_psi", "999", "1111"])
    assert gauge_psi(store, hut) == 1111
    assert store.revision(hut).number == 2
    # Both were shown to be chosen from: the second tab's edit is not lost.
    two.get_by_role("button", name="Put only my edit on top").click()
    saved(two, 3)
    assert gauge_psi(store, hut) == 999


def test_what_an_old_tab_sends_after_a_restart_overwrites_nothing(
    page: Page, server: Server, store: Store, hut: str, traffic: Traffic
) -> None:
    load(page, server, hut, "Incident")
    part(page, "Cylinders")
    typed(page, GAUGE, "1500")
    saved(page, 2)
    # Typed and not yet left, so not yet sent, when the server dies.
    box(page, GAUGE).click()
    page.keyboard.press("Control+A")
    page.keyboard.type("666")
    server.kill_streamlit()
    base = store.revision(hut)
    tree = base.tree
    tree["cylinders"][0]["gauge_psi"] = 1400
    store.write(hut, tree, Command(new_command_id(), base.number))
    server.start()
    page.keyboard.press("Tab")  # leaving the box sends what is in it
    # The first moment at which the tab can be used again: its old values go with the click.
    page.get_by_role("button", name="Save", exact=True).click()
    settled(page)
    # The old tab comes back by itself with what is stored.
    expect(page.get_by_text(re.compile("^Revision 3 saved at"))).to_be_visible()
    assert gauge_psi(store, hut) == 1400
    assert store.revision(hut).number == 3
    # After it the page works, without loading it anew.
    part(page, "Cylinders")
    expect(box(page, GAUGE)).to_have_value("1400")
    typed(page, GAUGE, "1300")
    saved(page, 4)
    assert gauge_psi(store, hut) == 1300
    assert store.check() == ()
    # While the server was away the browser says so; nothing else may have gone wrong.
    gone = "ERR_CONNECTION|WebSocket|Failed to fetch|Network Error|No response received"
    lost = re.compile(gone, re.I)
    traffic.errors = [text for text in traffic.errors if not lost.search(text)]


# --- plan ----------------------------------------------------------------------------------------


def test_plan_cancel_plan_again_f5_and_out_of_date(
    page: Page, server: Server, store: Store, hut: str
) -> None:
    load(page, server, hut, "Plan")
    expect(page.get_by_text("Not planned yet.")).to_be_visible()
    plans = store.documents("plan")
    page.get_by_role("button", name="Plan", exact=True).click()
    expect(page.get_by_text(re.compile(r"^Planning: .+ \(\d+ s\)$"))).to_be_visible()
    assert len(server.workers()) == 1
    page.get_by_role("button", name="Cancel").click()
    expect(page.get_by_text("Planning was cancelled; nothing was changed.")).to_be_visible()
    assert server.workers() == []
    assert latest_plan(store, hut) is None
    assert store.documents("plan") == plans
    page.get_by_role("button", name="Plan", exact=True).click()
    board = page.locator("table.board tbody tr")
    expect(board).to_have_count(14)
    expect(page.locator(".op-front .chance")).to_have_text(ALOUD)
    settled(page)
    kept = latest_plan(store, hut)
    assert kept is not None
    assert kept.is_current
    told = page.locator(".op-front").inner_text(), board.all_inner_texts()
    assert [row["patient"] for row in kept.tree["board"]] == [
        text.split()[0] for text in told[1]
    ]  # fmt: skip
    page.reload()
    expect(board).to_have_count(14)
    assert (page.locator(".op-front").inner_text(), board.all_inner_texts()) == told
    assert page.get_by_text("OUT OF DATE").count() == 0
    go(page, "Incident")
    part(page, "Cylinders")
    typed(page, GAUGE, "1900")
    saved(page, 2)
    go(page, "Plan")
    expect(page.get_by_text("OUT OF DATE")).to_be_visible()
    expect(page.get_by_role("button", name="Plan again")).to_be_enabled()
    assert (page.locator(".op-front").inner_text(), board.all_inner_texts()) == told


def test_what_if_tells_before_and_after(page: Page, server: Server, store: Store, hut: str) -> None:
    planned(store, hut)
    before = latest_plan(store, hut)
    load(page, server, hut, "Plan")
    page.get_by_role("tab", name="What if").click()
    later = page.get_by_role("spinbutton", name="Transport later by, min")
    later.click()
    page.keyboard.press("Control+A")
    page.keyboard.type("30")
    page.keyboard.press("Tab")
    page.get_by_role("button", name="Compare").click()
    answer = page.get_by_role("tabpanel", name="What if")
    expect(answer).to_contain_text("With transport 30 min later, the plan kept")
    expect(answer).to_contain_text(re.compile(r"that anyone runs out, .+ %.*; before .+ %"))
    assert latest_plan(store, hut) == before


# --- hostile text --------------------------------------------------------------------------------


def hostile_tree(name: str) -> dict[str, Any]:
    """An incident that can be planned, in which whatever has a name has a hostile one."""
    places = [f"{text} p{k}" for k, text in enumerate(HOSTILE)]
    return {
        "schema": 1,
        "incident": {"name": name, "start": "2027-01-01T10:00:00", "note": " ".join(HOSTILE)},
        "places": [
            {"name": place, "carry_min": {other: 5 for other in places if other != place}}
            for place in places
        ],
        "patients": [
            {"tag": f"{text} t{k}", "triage": "immediate", "place": places[k], "note": text,
             "indication": "chest injury", "transfer_min": [30, 40, 60]}
            for k, text in enumerate(HOSTILE)
        ],
        "cylinders": [
            {"tag": f"{text} c{k}", "size": "D", "gauge_psi": 1800, "place": places[k]}
            for k, text in enumerate(HOSTILE)
        ],
        "regulators": [{"tag": f"{text} r{k}", "connection": "CGA 870", "place": places[k]}
                       for k, text in enumerate(HOSTILE)],
        "devices": [{"kind": "non-rebreather", "count": 1, "place": place} for place in places],
        "responders": [{"count": 2, "place": place} for place in places],
    }  # fmt: skip


def test_hostile_labels_are_shown_literally_and_do_nothing(
    page: Page, server: Server, store: Store, traffic: Traffic
) -> None:
    for name in (f"{HOSTILE[1]} {HOSTILE[2]}", f"{HOSTILE[0]} {HOSTILE[3]}"):
        document = store.create("incident", name, hostile_tree(name), new_command_id()).document
        load(page, server, document)
        expect(page.get_by_role("heading", name=name, exact=True)).to_be_visible()
        page.get_by_text("History", exact=True).click()
        _nothing_ran(page)
        go(page, "Incident")
        expect(page.get_by_role("heading", name=name, exact=True)).to_be_visible()
        _nothing_ran(page)
    planned(store, document)
    for table, mark in (("Patients", "t"), ("Cylinders", "c"), ("Places", "p")):
        part(page, table)
        _nothing_ran(page)
        rows = listed(page, page.get_by_role("combobox", name=re.compile("^Open row of")))
        assert len(rows) == len(HOSTILE)
        for k, text in enumerate(HOSTILE):
            assert f"{text} {mark}{k}" in rows[k]
        page.keyboard.press("Escape")
        label = "Name (required)" if table == "Places" else re.compile(r"^Tag( \(|$)")
        for k, text in enumerate(HOSTILE):
            expect(page.get_by_role("textbox", name=label)).to_have_value(f"{text} {mark}{k}")
            if table == "Places":  # the others' names are labels of the carrying times
                others = [f"from {other} p{n}" for n, other in enumerate(HOSTILE) if n != k]
                page.wait_for_function(ALL_SHOWN, arg=others)
            _nothing_ran(page)
            page.get_by_role("button", name="Next").click()
    go(page, "Plan")
    board = page.locator("table.board")
    for k, text in enumerate(HOSTILE):
        expect(board).to_contain_text(f"{text} t{k}")
        expect(board).to_contain_text(f"{text} p{k}")
        expect(board).to_contain_text(f"{text} c{k}")
    tabs = page.get_by_role("tab").all()
    assert len(tabs) == 10
    for tab in tabs:
        tab.click()
        _charts_drawn(page, tab.inner_text())
        _nothing_ran(page)
    for view in ("Reference", "How this is computed", "Start"):
        go(page, view)
        _nothing_ran(page)
    assert not any(":9/" in url for url in traffic.asked)


def _nothing_ran(page: Page) -> None:
    assert page.evaluate("() => window.hit === undefined")
    made = ("img[src*=':9/']", "[data-testid=stMain] script", "b:text-is('x')", ".katex",
            "[style*='color: red']")  # fmt: skip
    assert page.locator(", ".join(made)).count() == 0
    assert page.get_by_test_id("stException").count() == 0


# --- people: keyboard, telephone, one screen, eyes -----------------------------------------------


def test_the_main_path_by_keyboard_only(page: Page, server: Server, store: Store) -> None:
    load(page, server)
    _tab_to(page, page.get_by_role("combobox", name="Shipped incident"))
    before = {document.id for document in store.documents("incident")}
    _tab_to(page, page.get_by_role("button", name="Begin from it"))
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("incident="))
    settled(page)
    assert len(store.documents("incident")) == len(before) + 1
    _tab_to(page, page.get_by_role("navigation").get_by_role("link", name="Plan", exact=True))
    page.keyboard.press("Enter")
    drawn(page, "Plan")
    _tab_to(page, page.get_by_role("button", name="Plan", exact=True))
    page.keyboard.press("Enter")
    expect(page.locator(".op-front .chance")).to_have_text(ALOUD)
    settled(page)
    _tab_to(page, page.get_by_role("tab", name="Swaps"))
    what_if = page.get_by_role("tab", name="What if")
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    expect(what_if).to_have_attribute("aria-selected", "true")
    _tab_to(page, page.get_by_role("button", name="Compare"))


def _tab_to(page: Page, wanted: Locator) -> None:
    expect(wanted).to_be_visible()
    for _ in range(120):
        if wanted.evaluate("e => e === document.activeElement"):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"120 times Tab did not reach {wanted}")


@pytest.fixture
def phone(chromium: Browser, traffic: Traffic) -> Iterator[Page]:
    with context_of(chromium, traffic, 390, 844) as context:
        yield context.new_page()


def test_a_telephone_shows_every_view_without_cutting(
    phone: Page, server: Server, store: Store, hut: str
) -> None:
    planned(store, hut)
    for view in VIEWS:
        load(phone, server, hut, view)
        expect(phone.get_by_role("note").filter(has_text=BANNER).first).to_be_in_viewport()
        assert phone.evaluate(TOO_WIDE) == [], view
        inner = "radio" if view == "Incident" else "tab"
        for choice in phone.get_by_role(inner).all() if view != "Start" else ():
            choice.click()
            settled(phone)
            if view == "Plan":
                _charts_drawn(phone, choice.inner_text())
            assert phone.evaluate(TOO_WIDE) == [], (view, choice.inner_text())
    # Twin: something too wide would be found, whether the page scrolls to it or hides it.
    phone.get_by_test_id("stMainBlockContainer").evaluate(
        """at => at.insertAdjacentHTML('afterbegin',
        '<div style="white-space: nowrap">' + 'too wide '.repeat(20) + '</div>')"""
    )
    assert len(phone.evaluate(TOO_WIDE)) >= 2


def _charts_drawn(page: Page, tab: str) -> None:
    panel = page.get_by_role("tabpanel", name=tab)
    number = panel.locator(".op-chart").count()
    assert number > 0 or tab in NO_CHART
    for k in range(number):
        expect(panel.locator("svg.marks").nth(k)).to_be_visible()


def test_twelve_patients_are_on_one_screen(
    page: Page, server: Server, store: Store, tmp_path: Path
) -> None:
    file = tmp_path / "twelve.toml"
    write_incident(random_incident(3), file)
    load(page, server)
    page.get_by_role("tab", name="From files").click()
    page.locator("input[type=file]").set_input_files(file)
    page.get_by_role("button", name="Begin from the files").click()
    page.wait_for_url(re.compile("incident="))
    settled(page)
    document = page.url.partition("incident=")[2]
    assert len(store.revision(document).tree["patients"]) == 12
    planned(store, document)
    go(page, "Plan")
    rows = page.locator("table.board tbody tr")
    expect(rows).to_have_count(12)
    for row in rows.all():
        box_ = row.bounding_box()
        assert box_ is not None
        assert box_["y"] >= 0
        assert box_["y"] + box_["height"] <= 800
        assert box_["x"] + box_["width"] <= 1280
    assert page.get_by_test_id("stMain").evaluate("e => e.scrollTop") == 0
    for text in (BANNER, store.revision(document).tree["patients"][0]["tag"]):
        expect(page.get_by_text(text).first).to_be_in_viewport()


@pytest.fixture(params=["light", "dark"])
def lit(request: pytest.FixtureRequest, chromium: Browser, traffic: Traffic) -> Iterator[Page]:
    with context_of(chromium, traffic, color_scheme=request.param) as context:
        yield context.new_page()


def test_contrast(
    lit: Page, server: Server, store: Store, hut: str, request: pytest.FixtureRequest
) -> None:
    planned(store, hut)
    page = lit
    load(page, server, hut, "Plan")
    wanted = {
        ".op-banner": 1, ".op-front .first": 1, ".op-front p": 2, ".board th, .board td": 14 * 5,
        ".board span": 14, "a": 5, ".op-beside p, .grid th, .grid td": 5,
    }  # fmt: skip
    for selector, least in wanted.items():
        found = page.evaluate(CONTRAST, selector)
        assert len(found) >= least, selector
        assert found[0][0] >= 4.5, found[:3]
    ground = page.evaluate(CONTRAST, ".op-front .first")[0][2]
    is_light = "[light]" in request.node.name
    assert ground > 0.8 if is_light else ground < 0.2  # the scheme was taken up
    for view in VIEWS:
        go(page, view)
        for selector in (".op-line", ".op-table th, .op-table td", "a", "h2, h3"):
            found = page.evaluate(CONTRAST, selector)
            assert not found or found[0][0] >= 4.5, (view, selector, found[:3])
    # Twin: the chart labels of the library as it comes, grey on white, would fail (3.7 to 1).
    page.evaluate("""() => document.body.insertAdjacentHTML('beforeend',
        '<div style="background: #fff"><i style="color: #808495">x</i></div>')""")
    assert 3.6 < page.evaluate(CONTRAST, "i")[0][0] < 3.8


def test_without_a_browser_ci_fails_and_others_skip(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda _: None)
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception):
        real.browser_path()
    monkeypatch.delenv("CI")
    with pytest.raises(pytest.skip.Exception):
        real.browser_path()


def test_ending_the_command_ends_the_server(tmp_path: Path) -> None:
    running = Server(tmp_path / "page.sqlite")
    running.start()
    assert running.child is not None
    running.child.terminate()
    running.child.wait(timeout=30)
    with socket.socket() as probe, pytest.raises(ConnectionRefusedError):
        probe.connect(("127.0.0.1", running.port))
