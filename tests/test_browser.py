"""The page in a real browser, started by its own command: nothing lost, nothing leaves, no script.

No test here waits for a fixed time or asserts one; all share one server, each has its incident.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from planner.files import incident_text
from planner.page.plans import latest_plan
from planner.store import Command, Store, new_command_id
from planner.store.exchange import import_incident, import_incident_file
from tests.browser import PATIENCE_MS, Server, browser, browser_path, settled
from tests.generator import random_incident

SCENARIOS = Path(__file__).parents[1] / "scenarios"
expect.set_options(timeout=PATIENCE_MS)
VIEWS = ("", "incident", "plan", "reference", "how")
HOSTILE = "<script>window.hit=1</script>![x](http://127.0.0.1:9/y.png) :red[x] $x$"


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    running = Server(tmp_path_factory.mktemp("page") / "page.sqlite")
    running.start()
    yield running
    running.kill()


@pytest.fixture
def store(server: Server) -> Store:
    return Store(server.store)


@pytest.fixture
def context(chromium: Browser) -> Iterator[BrowserContext]:
    made = chromium.new_context(viewport={"width": 1280, "height": 800})
    made.set_default_timeout(PATIENCE_MS)
    yield made
    made.close()


def shipped(store: Store, name: str = "drommick-chair") -> str:
    path = SCENARIOS / f"{name}.toml"
    return import_incident_file(store, path, new_command_id()).revision.document


def opened(context: BrowserContext, server: Server, view: str, document: str) -> Page:
    page = context.new_page()
    page.goto(f"{server.address}/{view}?incident={document}")
    return settled(page)


def box(page: Page, label: str) -> Locator:
    return page.locator(f'input[aria-label="{label}"]').first


def typed(page: Page, label: str, text: str) -> None:
    """Type into a box and leave it, as a person does."""
    box(page, label).click()
    page.keyboard.press("Control+A")
    page.keyboard.type(text)
    page.keyboard.press("Tab")


def test_every_view_loads_and_nothing_leaves_the_machine(
    context: BrowserContext, server: Server, store: Store
) -> None:
    asked: list[str] = []
    context.on("request", lambda request: asked.append(request.url))
    document = shipped(store)
    for view in VIEWS:
        page = opened(context, server, view, document)
        page.on("websocket", lambda socket: asked.append(socket.url))
        expect(page.get_by_text("EXERCISE - NOT FOR PATIENT CARE").first).to_be_visible()
        assert page.get_by_text("Traceback").count() == 0
        page.close()
    assert asked
    away = [url for url in asked if not re.match(r"(http|ws)://127\.0\.0\.1:|data:|blob:", url)]
    assert away == []


def test_an_edit_reaches_the_database_and_survives_f5(
    context: BrowserContext, server: Server, store: Store
) -> None:
    document = shipped(store)
    page = opened(context, server, "incident", document)
    typed(page, "Tag (required)", "D1-new")
    expect(page.get_by_text(re.compile("Revision 2 saved"))).to_be_visible()
    now = store.revision(document)
    assert now.number == 2
    assert now.tree["patients"][0]["tag"] == "D1-new"
    page.reload()
    settled(page)
    expect(box(page, "Tag (required)")).to_have_value("D1-new")


def test_a_stale_edit_of_a_second_tab_is_refused_with_both_versions(
    context: BrowserContext, server: Server, store: Store
) -> None:
    document = shipped(store)
    one = opened(context, server, "incident", document)
    two = opened(context, server, "incident", document)
    typed(one, "Tag (required)", "first")
    expect(one.get_by_text(re.compile("Revision 2 saved"))).to_be_visible()
    typed(two, "Tag (required)", "second")
    expect(two.get_by_text("NOT SAVED")).to_be_visible()
    table = two.locator("table").first
    expect(table).to_contain_text("first")
    expect(table).to_contain_text("second")
    assert store.revision(document).tree["patients"][0]["tag"] == "first"


def test_a_killed_server_loses_nothing_and_an_old_tab_overwrites_nothing(
    context: BrowserContext, server: Server, store: Store
) -> None:
    document = shipped(store)
    page = opened(context, server, "incident", document)
    typed(page, "Tag (required)", "kept")
    expect(page.get_by_text(re.compile("Revision 2 saved"))).to_be_visible()
    server.kill()
    base = store.revision(document)
    tree = base.tree
    tree["patients"][0]["tag"] = "meanwhile"
    store.write(document, tree, Command(new_command_id(), base.number))
    expect(box(page, "Tag (required)")).to_be_disabled()  # nothing can be typed into the void
    server.start()
    settled(page)
    expect(box(page, "Tag (required)")).to_have_value("meanwhile")
    page.reload()
    settled(page)
    expect(box(page, "Tag (required)")).to_have_value("meanwhile")
    assert store.revision(document).tree["patients"][0]["tag"] == "meanwhile"
    typed(page, "Tag (required)", "after it")
    expect(page.get_by_text(re.compile("Revision 4 saved"))).to_be_visible()
    assert store.check() == ()


def test_plan_with_progress_cancel_and_to_the_end(
    context: BrowserContext, server: Server, store: Store
) -> None:
    document = shipped(store)
    page = opened(context, server, "plan", document)
    expect(page.get_by_text("Not planned yet.")).to_be_visible()
    page.get_by_role("button", name="Plan", exact=True).click()
    expect(page.get_by_text(re.compile("Planning:"))).to_be_visible()
    page.get_by_role("button", name="Cancel").click()
    expect(page.get_by_text("Planning was cancelled; nothing was changed.")).to_be_visible()
    assert latest_plan(store, document) is None
    page.get_by_role("button", name="Plan", exact=True).click()
    expect(page.locator("table.board tbody tr")).to_have_count(14)
    expect(page.locator(".op-front .chance")).to_contain_text("that anyone runs out of oxygen")
    first = page.locator(".op-front .first").inner_text()
    page.reload()
    settled(page)
    expect(page.locator(".op-front .first")).to_have_text(first)
    # An edit puts it out of date; what it says stays.
    other = opened(context, server, "incident", document)
    typed(other, "Tag (required)", "D1-new")
    expect(other.get_by_text(re.compile("Revision 2 saved"))).to_be_visible()
    page.reload()
    settled(page)
    expect(page.get_by_text("OUT OF DATE")).to_be_visible()
    page.get_by_role("tab", name="What if").click()
    typed(page, "Transport later by, min", "30")
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_text("With transport 30 min later, the plan kept")).to_be_visible()


def test_twelve_patients_are_on_one_screen(
    context: BrowserContext, server: Server, store: Store
) -> None:
    data = incident_text(random_incident(3)).encode()
    document = import_incident(store, data, "twelve.toml", new_command_id()).revision.document
    page = opened(context, server, "plan", document)
    page.get_by_role("button", name="Plan", exact=True).click()
    rows = page.locator("table.board tbody tr")
    expect(rows).to_have_count(12)
    settled(page)
    boxes = [rows.nth(k).bounding_box() for k in range(12)]
    assert all(box is not None and box["y"] + box["height"] <= 800 for box in boxes)
    # On a telephone nothing is cut off sideways.
    page.set_viewport_size({"width": 390, "height": 844})
    settled(page)
    wide = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wide) <= 0


def test_hostile_names_are_shown_and_never_run(
    context: BrowserContext, server: Server, store: Store
) -> None:
    asked: list[str] = []
    context.on("request", lambda request: asked.append(request.url))
    tag = HOSTILE[:58]
    base = store.revision(shipped(store))
    tree = base.tree
    tree["incident"]["name"] = tag
    tree["patients"][0] |= {"tag": tag, "note": HOSTILE}
    tree["places"][0]["name"] = f"{tag}!"
    document = store.create("incident", "hostile", tree, new_command_id()).document
    for view in VIEWS:
        page = opened(context, server, view, document)
        assert page.evaluate("() => window.hit === undefined")
        assert page.locator("img[src*='127.0.0.1:9']").count() == 0
        if view == "incident":
            literal = page.locator("text=<script>window.hit=1 >> visible=true")
            expect(literal.first).to_be_visible()
        page.close()
    assert not [url for url in asked if ":9/" in url]


def test_ending_the_command_ends_the_server(tmp_path: Path) -> None:
    browser_path()
    running = Server(tmp_path / "page.sqlite")
    running.start()
    assert running.child is not None
    running.child.terminate()
    running.child.wait(timeout=30)
    with socket.socket() as probe, pytest.raises(ConnectionRefusedError):
        probe.connect(("127.0.0.1", running.port))
