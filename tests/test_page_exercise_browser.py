"""An exercise in a real browser, from its set-up to the review: two links, nothing told too much.

The controller and the players each have a browser context of their own; everything that the
players' one receives is gathered and searched for what it must not hold.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, Response, WebSocket, expect
from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import TimeoutError as PlaywrightTimeout

from planner.exercise import keeping
from planner.exercise.setup import read_exercise
from planner.exercise.truth_rows import Truth
from planner.page.exercise_parts import STOP
from planner.store import Store
from tests import browser as real
from tests.browser import PATIENCE_MS, Server, settled
from tests.test_page_browser import TOO_WIDE, Traffic, choose, context_of

CORVENNA = read_exercise(
    Path(__file__).parents[1] / "scenarios" / "corvenna-traverse-exercise.toml"
)  # fmt: skip
FIRST = "Three cylinders stand here"
expect.set_options(timeout=PATIENCE_MS)


@dataclass
class Heard:
    """What a tab received: frames of its sockets whole, and answers."""

    parts: list[bytes] = field(default_factory=list)
    answers: list[Response] = field(default_factory=list)

    def watch(self, page: Page) -> Page:
        page.on("websocket", self._socket)
        page.on("response", self._answer)
        return page

    def _socket(self, socket: WebSocket) -> None:
        socket.on("framereceived", self._frame)

    def _frame(self, payload: str | bytes) -> None:
        self.parts.append(payload.encode() if isinstance(payload, str) else payload)

    def _answer(self, response: Response) -> None:
        self.parts.append(f"{response.url} {response.headers}".encode())
        self.answers.append(response)

    def read_bodies(self) -> int:
        """Read what came besides the page's own scripts, since it was loaded last; count it."""
        count = 0
        for response in self.answers:
            if "/static/" in response.url or response.status != 200:
                continue
            with suppress(PlaywrightError):  # the browser keeps none of a page that was left
                self.parts.append(response.body())
                count += 1
        return count

    def holds(self, text: str) -> bool:
        """Say whether a text was received, as it is or escaped for HTML or JSON."""
        plain = (text, html.escape(text), html.escape(text, quote=False))
        forms = {form.encode() for each in plain for form in (each, json.dumps(each)[1:-1])}
        return any(form in part for part in self.parts for form in forms)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with real.browser() as opened:
        yield opened


def on_the_controllers_screen(truth: Truth) -> list[str]:
    """Secrets that the controller's screen has whole, so that a search for them must find them."""
    texts = [i.text for i in CORVENNA.injects]
    reserve = [c for c in truth.cylinders if c.status == "reserve"]
    return [*texts, *(f"{c.gauge_psi:.0f} psi" for c in reserve)]


def secrets(truth: Truth) -> list[str]:
    """What no player may be told: texts of injects and objectives, true gauges, what is to come."""
    given = {1}
    texts = [i.text for i in CORVENNA.injects if i.number not in given]
    texts += [i.expected for i in CORVENNA.injects if i.expected]
    texts += [o.text for o in CORVENNA.objectives]
    for cylinder in truth.cylinders:
        if cylinder.status == "reserve":  # never on anybody: its gauge has not changed
            texts += [f"{cylinder.gauge_psi:.0f} psi", f"{cylinder.gauge_psi:.4f}"[:8]]
    return [*texts, "E-01"]


def press(page: Page, name: str) -> None:
    """Press a button, once it is there and drawn to its end."""
    page.get_by_role("button", name=name, exact=True).first.click()


def press_until(page: Page, name: str, done: Locator) -> None:
    """Press a form's button until it has done what it is for.

    On a busy machine a click that meets a heartbeat's redraw may be lost; a person would see that
    nothing has happened and press once more.
    """
    for _ in range(5):
        press(page, name)
        with suppress(PlaywrightTimeout):
            done.wait_for(timeout=8_000)
            return
    expect(done).to_be_visible()


def heard_in(context: BrowserContext, heard: Heard) -> Page:
    return heard.watch(context.new_page())


def opened(server: Server, *pairs: tuple[Page, str]) -> None:
    """Open links in tabs, both at once."""
    for page, link in pairs:
        page.goto(f"{server.address}/?link={link}", wait_until="commit")
    for page, _ in pairs:
        settled(page)


def test_an_evening_from_set_up_to_the_review(chromium: Browser, tmp_path: Path) -> None:
    server = Server(tmp_path / "page.sqlite")
    traffic, heard, overheard = Traffic(server.port), Heard(), Heard()
    try:
        server.start()
        with context_of(chromium, traffic) as context:
            links = begun(context.new_page(), server)
            control, player = heard_in(context, overheard), heard_in(context, heard)
            player.set_viewport_size({"width": 390, "height": 800})
            opened(server, (control, links[0]), (player, links[1]))
            run_it(server, control, player, links)
            assert player.evaluate(TOO_WIDE) == []
            forward_and_back(control, player)
            hostile(Store(server.store), access_of(server, links[1]).run, control, player)
            stopped(control, player)
            looked_at_afterwards(control)
            assert heard.read_bodies() > 0
    finally:
        server.kill()
    seen = keeping.look(Store(server.store), access_of(server, links[1]).run)
    for secret in secrets(seen.truth):
        assert not heard.holds(secret), secret
    # Twin: what players were told was heard, and the controller's own screen has the secrets.
    assert heard.holds(FIRST)
    for secret in on_the_controllers_screen(seen.truth):
        assert overheard.holds(secret), secret
    assert sum(overheard.holds(secret) for secret in secrets(seen.truth)) > 10
    assert traffic.away() == []
    assert any(url.startswith("ws://") for url in traffic.asked)


def access_of(server: Server, link: str) -> keeping.Access:
    access = keeping.role_of(Store(server.store), link)
    assert access is not None
    return access


def begun(page: Page, server: Server) -> tuple[str, str]:
    """Set the shipped exercise up and begin a run of it; return its two links."""
    page.goto(f"{server.address}/exercise")
    settled(page)
    choose(page, "Shipped exercise", CORVENNA.name)
    press(page, "Begin from it")
    press(page, "Begin a run")
    anchors = page.locator("a.op-link")
    expect(anchors).to_have_count(2)
    hrefs = [str(anchors.nth(k).get_attribute("href")) for k in range(2)]
    page.close()
    return hrefs[0].split("=")[1], hrefs[1].split("=")[1]


def run_it(server: Server, control: Page, player: Page, links: tuple[str, str]) -> None:
    """Play: an inject given, a decision, F5 on both, and the server killed in the middle."""
    expect(player.get_by_role("navigation")).to_have_count(0)
    press(control, "Start")
    expect(control.get_by_role("button", name="Pause")).to_be_visible()
    press(control, "Give 1")
    expect(player.get_by_text(FIRST)).to_be_visible()  # by its heartbeat alone
    expect(player.get_by_text(re.compile("running"))).to_be_visible()
    choose(player, "What is done", "read gauge")
    expect(player.get_by_role("combobox", name="Cylinder")).to_have_count(1)  # the old form is gone
    expect(player.get_by_role("combobox", name="Mask or cannula")).to_have_count(0)
    choose(player, "Cylinder", "D-04")
    press(player, "Decide")
    expect(player.get_by_text(re.compile("Written down: gauge read D-04, reads"))).to_be_visible()
    run = access_of(server, links[1]).run
    kept = keeping.events_of(Store(server.store), run)
    server.kill_streamlit()
    server.start()
    now = keeping.events_of(Store(server.store), run)
    assert now[: len(kept)] == kept
    assert {"started", "given", "decided"} <= {event.kind for event in kept}
    # F5 on the controller's tab; the players' comes back by itself, and F5 changes nothing in it.
    control.reload()
    settled(control)
    press(control, "Pause")
    expect(player.get_by_text(re.compile("paused"))).to_be_visible()
    player.reload()
    settled(player)
    expect(player.get_by_text(FIRST)).to_be_visible()
    expect(player.get_by_text(re.compile(r"read \d+ at")).first).to_be_visible()


def forward_and_back(control: Page, player: Page) -> None:
    """Put the clock forward as after paper, hold one and skip one, rewind: all is open again."""
    control.get_by_text("Put the clock forward").click()
    control.get_by_label("To minute").last.fill("20")
    press_until(control, "Put it forward", control.get_by_text("minute 20.0, paused"))
    for page in (control, player):
        expect(page.get_by_text("minute 20.0, paused")).to_be_visible()
    press(control, "Hold 2")
    expect(control.get_by_role("button", name="Hold 2", exact=True)).to_have_count(0)
    press(control, "Skip 4")
    expect(control.get_by_role("button", name="Skip 4", exact=True)).to_have_count(0)
    control.get_by_text("Rewind: begins a branch").click()
    control.get_by_label("To minute").first.fill("10")
    press_until(control, "Rewind", control.get_by_text("minute 10.0, paused"))
    for page in (control, player):
        expect(page.get_by_text("minute 10.0, paused")).to_be_visible()
    expect(control.get_by_text(re.compile(r"Branch \d, from minute 10\.0"))).to_be_visible()
    expect(control.get_by_role("button", name="Give 2", exact=True)).to_be_visible()


def hostile(store: Store, run: str, control: Page, player: Page) -> None:
    """Text that would act if it were no text is shown as it is, and nothing of it has run."""
    text = "<img src=x onerror='window.hit=1'> <script>window.hit=1</script> $x$ :red[x]"
    row = {"from": "<b>dispatch</b>", "to": "leader", "text": text}
    keeping.command(store, run, "improvised", "hostile", {"inject": row})
    for page in (control, player):
        expect(page.get_by_text(text).first).to_be_attached()
        assert page.evaluate("window.hit === undefined")


def stopped(control: Page, player: Page) -> None:
    press(player, "STOP: real emergency")
    for page in (player, control):
        expect(page.get_by_role("alert").filter(has_text=STOP)).to_be_visible()
    press(control, "Lift the stop")
    for page in (player, control):
        expect(page.get_by_role("alert").filter(has_text=STOP)).to_have_count(0)


def looked_at_afterwards(control: Page) -> None:
    press(control, "End the exercise")
    expect(control.get_by_text(re.compile("minute .*, over"))).to_be_visible()
    control.get_by_role("radio", name="After").or_(
        control.get_by_role("button", name="After", exact=True)
    ).first.click()
    expect(control.get_by_text("no score, no ranking")).to_be_visible()
    control.get_by_label("What went well, one a line").first.fill("a gauge was read first")
    press(control, "Keep 1")
    expect(control.get_by_text("Kept.")).to_be_visible()
    control.get_by_text("After-action review: known at the time first").click()
    expect(control.get_by_text("KNOWN AT THE TIME").first).to_be_visible()
    expect(control.get_by_role("button", name="Review to print")).to_be_visible()
