"""What the page gives to take away: the same sheets as the command's, from a kept plan."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from planner.banner import BANNER
from planner.document import incident_document
from planner.files import read_incident
from planner.page import prints
from planner.page.plans import keep_plan, latest_plan
from planner.report.plan_document import plan_document
from planner.report.sheets import OUT_OF_DATE, sheets_html
from planner.store import Command, Store, new_command_id
from planner.workflow import Request, make_plan
from tests.browser import Server, browser, settled

HUT = Path(__file__).parents[1] / "scenarios" / "quessel-hut.toml"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Store, str, dict[str, Any]]:
    """A store with one incident, named to make trouble for a file system, and its plan."""
    store = Store(tmp_path_factory.mktemp("prints") / "store.sqlite")
    incident = read_incident(HUT).incident
    tree = incident_document(incident) | {}
    tree["incident"] = {**tree["incident"], "name": "Hut / east: 1?"}
    made = store.create("incident", "Hut / east: 1?", tree, new_command_id())
    plan = make_plan(incident, request=Request(seed=3, samples=300, effort=0))
    keep_plan(store, made.document, made.number, plan_document(plan))
    return store, made.document, plan_document(plan)


def test_sheets_are_those_of_the_command(kept: tuple[Store, str, dict[str, Any]]) -> None:
    store, document, tree = kept
    plan = latest_plan(store, document)
    assert plan is not None
    given = prints._sheets(store, store.revision(document), plan).decode()
    assert given == sheets_html(plan.tree, "revision 1")
    # The run's seconds differ between two plans; nothing on paper does.
    assert given == sheets_html(tree, "revision 1")


def test_tables_are_one_archive_that_is_the_same_each_time(
    kept: tuple[Store, str, dict[str, Any]],
) -> None:
    store, document, _ = kept
    plan = latest_plan(store, document)
    assert plan is not None
    incident = store.revision(document)
    one, other = (prints._tables(incident, plan, False) for _ in range(2))
    assert one == other
    assert one != prints._tables(incident, plan, True)
    with zipfile.ZipFile(io.BytesIO(one)) as archive:
        assert archive.testzip() is None
        assert len(archive.namelist()) == 5
        assert BANNER in archive.read("READ-ME.txt").decode()


def test_what_is_printed_of_an_old_plan_says_so(
    kept: tuple[Store, str, dict[str, Any]],
) -> None:
    store, document, _ = kept
    now = store.revision(document)
    changed = {**now.tree, "incident": {**now.tree["incident"], "swap_min": 4.0}}
    store.write(document, changed, Command(new_command_id(), now.number))
    try:
        plan = latest_plan(store, document)
        assert plan is not None
        text = f"revision 1, {OUT_OF_DATE}: now revision 2"
        assert text in prints._sheets(store, store.revision(document), plan).decode()
    finally:
        store.write(document, now.tree, Command(new_command_id(), now.number + 1))


@pytest.fixture(scope="module")
def page(kept: tuple[Store, str, dict[str, Any]]) -> Iterator[Page]:
    store, document, _ = kept
    server = Server(store.path)
    server.start()
    try:
        with browser() as opened:
            page = opened.new_page()
            page.goto(f"{server.address}/?incident={document}")
            yield settled(page)
    finally:
        server.kill()


def test_a_click_gives_the_sheets(page: Page, tmp_path: Path) -> None:
    page.get_by_role("link", name="Plan", exact=True).click()
    button = page.get_by_role("button", name="Sheets to print")
    expect(button).to_be_visible(timeout=30_000)
    with page.expect_download(timeout=30_000) as waited:
        button.click()
    assert waited.value.suggested_filename == "hut-east-1-sheets.html"
    file = tmp_path / "sheets.html"
    waited.value.save_as(file)
    html = file.read_text(encoding="utf-8")
    assert html.startswith("<!DOCTYPE html>")
    assert len(re.findall(r'<section class="sheet', html)) == 6
    assert "revision 1" in html  # what it was made from, and the incident reads so again
