"""The print: what stands on which sheet, hostile text, and the PDF that a browser makes of it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from playwright.sync_api import Browser

from planner.banner import BANNER
from planner.files import read_incident
from planner.journal.columns import LOG_COLUMNS
from planner.plan import Plan
from planner.report.plan_document import plan_document
from planner.report.sheets import OUT_OF_DATE, sheets_html
from planner.workflow import Request, make_plan
from tests.browser import browser as opened_browser
from tests.rule_incidents import cyl, hand, masks, pat, reg, world

FOLDER = Path(__file__).parents[1] / "scenarios"
QUICK = Request(seed=3, samples=400, effort=2)
MM = 72 / 25.4
#: Left, right, top and bottom of the style's page, less half a millimetre for rounding.
MARGINS_MM = (11.5, 11.5, 10.5, 11.5)
FORMATS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

HOSTILE = (
    "<script>alert(1)</script>", "<img src=http://x.test/a.png>", "'\"><b onclick=x()>",
    "{{ 7 * 7 }}", "</style><style>*{display:none}", "&lt;i&gt;", "javascript:alert(1)",
)  # fmt: skip
LONG = (
    "W" * 60, "i" * 59 + "Z", "山田太郎" * 15, "שלום" * 15, "Überwächtenlängsspalte" * 2 + "x" * 16,
    "मानवता" * 10,
)  # fmt: skip


def small(tags: tuple[str, ...], note: str = "ski") -> Plan:
    """So many people with a cylinder and a half each; the last third not yet found."""
    late = len(tags) - len(tags) // 3
    people = [
        replace(pat(tag, "immediate" if k % 3 == 0 else "delayed", gone=60.0 + 5 * k,
                    found=0.0 if k < late else 12.0), place="A")
        for k, tag in enumerate(tags)
    ]  # fmt: skip
    bottles = [cyl(f"T{k}", 300.0) for k in range(len(tags) * 3 // 2 + 1)]
    kit = [reg(f"{note} {k}") for k in range(len(tags))]
    incident = world(people, bottles, kit, [hand("R1"), hand("R2")], devices=(masks(len(tags)),))
    return make_plan(incident, request=QUICK)


@cache
def document(name: str) -> dict[str, Any]:
    """A plan's document as the store gives it back."""
    if name == "one":
        plan = small(("P1",))
    elif name == "six":
        plan = small(tuple(f"P{k}" for k in range(1, 7)))
    elif name == "hostile":
        plan = small(HOSTILE, HOSTILE[0])
    elif name == "long":
        plan = small(LONG, "山" * 55)
    else:
        plan = make_plan(read_incident(FOLDER / f"{name}.toml").incident, request=QUICK)
    tree: dict[str, Any] = json.loads(json.dumps(plan_document(plan)))
    return tree


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with opened_browser() as found:
        yield found


class Tags(HTMLParser):
    """Element names, attributes, and the text outside style."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.names: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.texts: list[str] = []
        self.is_style = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.attributes += attrs
        self.is_style = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self.is_style = False

    def handle_data(self, data: str) -> None:
        if not self.is_style:
            self.texts.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.texts))


# ----- what stands there -----------------------------------------------------------------------


def test_sheets_hold_what_the_terminal_says() -> None:
    """One view-model: every line and every cell of the tables of the plan stands on paper."""
    tree = document("drommick-chair")
    view = tree["view"]
    view["notes"].append("a note to whoever reads it")
    shown = Tags(sheets_html(tree)).text
    for name in ("first_line", "chance_line", "who_line", "the_list", "kept_for", "footer"):
        assert view[name] in shown, name
    for name in ("cautions", "assumptions", "notes"):
        assert view[name]
        for text in view[name]:
            assert text in shown
    for name in ("swaps", "awaited", "beside"):
        for row in view[name]["rows"]:
            assert all(cell in shown for cell in row), row
    for row in tree["board"]:
        assert row["patient"] in shown
        assert row["source"] in shown


def test_a_text_that_is_not_in_the_plan_is_not_found() -> None:
    """Twin of the test above: its search can fail."""
    assert "M60-99" not in Tags(sheets_html(document("drommick-chair"))).text


def test_every_sheet_carries_the_banner_and_the_stamp() -> None:
    html = sheets_html(document("six"), "revision 4")
    sheets = html.count('<section class="sheet')
    assert sheets == 6
    assert html.count(f'<div class="banner">{BANNER}</div>') == sheets
    digest = document("six")["result"]["incident"]["digest"]
    stamps = re.findall(r'<div class="stamp">(.*?)</div>', html)
    assert len(stamps) == sheets
    assert all("revision 4" in stamp and digest[:12] in stamp for stamp in stamps)
    assert OUT_OF_DATE not in html


def test_a_plan_from_an_older_revision_says_so_at_the_top() -> None:
    html = sheets_html(document("six"), f"revision 4, {OUT_OF_DATE}: now revision 6")
    wall = html[html.index("wall") : html.index("swaps")]
    assert f'<p class="label">revision 4, {OUT_OF_DATE}: now revision 6</p>' in wall


def test_every_card_says_device_flow_cylinder_times_and_what_is_next() -> None:
    """P1 breathes from minute 0 on; its swap stands in the swap list too."""
    tree = document("one")
    card = tree["cards"][0]
    now, swap = tree["result"]["now"][0], tree["result"]["swaps"][0]
    assert card["patient"] == "P1"
    assert now["device"] in card["gets"]
    assert f"{now['flow_lpm']:g} L/min" in card["gets"]
    assert now["cylinder"] in card["source"]
    assert card["time_on"] == "12:00"
    assert card["change_by"] == now["change_by_clock"]
    assert card["next_line"].startswith(swap["clock"])
    assert swap["on"] in card["next_line"]
    shown = Tags(sheets_html(tree)).text
    for name in ("gets", "source", "time_on", "change_by", "next_line"):
        assert card[name] in shown


def test_who_is_dead_has_no_card_and_everyone_else_one() -> None:
    tree = document("harrow-col-forty")
    dead = [row["patient"] for row in tree["board"] if row["triage"] == "dead"]
    assert dead
    carded = [card["patient"] for card in tree["cards"]]
    assert sorted(carded + dead) == sorted(row["patient"] for row in tree["board"])


def test_the_log_has_the_columns_of_the_review() -> None:
    html = sheets_html(document("one"))
    log = html[html.index('class="sheet log"') : html.index('class="sheet sources"')]
    heads = re.findall(r'<th scope="col">(.*?)</th>', log)
    assert heads == [column.head for column in LOG_COLUMNS]
    assert sum(column.share for column in LOG_COLUMNS) == 100


def test_an_approved_protocol_is_named_and_an_example_called_one() -> None:
    tree = json.loads(json.dumps(document("one")))
    assert "an example that nobody has approved" in sheets_html(tree)
    tree["result"]["incident"] |= {"approved_by": "the <director>", "approved_on": "2027-01-02"}
    html = sheets_html(tree)
    assert "approved by the &lt;director&gt; on 2027-01-02" in html
    assert "nobody has approved" not in html


def test_a_plan_without_oxygen_has_its_sheets() -> None:
    plan = make_plan(world([pat("P1", options=())], [cyl("T1", 100.0)]), request=QUICK)
    shown = Tags(sheets_html(plan_document(plan))).text
    assert "Nobody has oxygen indicated." in shown
    assert "No swap is expected." in shown


# ----- hostile text ----------------------------------------------------------------------------


def test_hostile_text_stays_text() -> None:
    found = Tags(sheets_html(document("hostile"), HOSTILE[0]))
    for text in HOSTILE:
        assert text in found.text
    assert "49" not in re.findall(r"\b49\b", found.text)
    harmless = set(Tags(sheets_html(document("six"))).names)
    assert set(found.names) <= harmless
    assert "script" not in harmless
    assert not [name for name, _ in found.attributes if name.startswith("on")]


@pytest.mark.parametrize("name", ["hostile", "harrow-col-forty"])
def test_nothing_outside_is_referred_to(name: str) -> None:
    found = Tags(sheets_html(document(name)))
    allowed = {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    for attribute, value in found.attributes:
        assert attribute not in {"src", "href", "xlink:href", "action", "srcset", "data"}
        if attribute != "aria-label":
            assert not re.search(r"https?://|//\w", value or "") or value in allowed
    assert not {"link", "script", "iframe", "object", "img", "base", "form"} & set(found.names)


def test_a_browser_loads_the_file_and_nothing_else(browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "sheets.html"
    file.write_text(sheets_html(document("hostile")), encoding="utf-8")
    page = browser.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("dialog", lambda dialog: pytest.fail(dialog.message))
    page.goto(file.as_uri(), wait_until="load")
    assert asked == [file.as_uri()]
    assert page.locator(".card").count() == len(HOSTILE)
    page.close()


# ----- on paper --------------------------------------------------------------------------------


def pages_of(browser: Browser, html: str, size: str, tmp_path: Path) -> list[dict[str, Any]]:
    """Print with a browser; return each page's size in mm, text, and letters with their boxes."""
    file = tmp_path / "sheets.html"
    file.write_text(html, encoding="utf-8")
    page = browser.new_page()
    page.goto(file.as_uri())
    data = page.pdf(format=size)
    page.close()
    with pypdfium2.PdfDocument(data) as pdf:
        return [_page(pdf[k]) for k in range(len(pdf))]


def _page(page: Any) -> dict[str, Any]:
    width, height = page.get_size()
    text = page.get_textpage()
    letters = []
    for k in range(text.count_chars()):
        letter = text.get_text_range(k, 1)
        if letter.strip():
            left, bottom, right, top = (v / MM for v in text.get_charbox(k))
            if right > left:  # combining marks have no width of their own
                letters.append((letter, left, bottom, right, top))
    return {
        "size": (width / MM, height / MM), "text": text.get_text_range(), "letters": letters,
    }  # fmt: skip


def outside(page: dict[str, Any]) -> str:
    """Return the letters that stand in the margins; the page's number stands there on purpose."""
    left, right, top, bottom = MARGINS_MM
    width, height = page["size"]
    found = [
        letter for letter, x0, y0, x1, y1 in page["letters"]
        if (x0 < left or x1 > width - right or y1 > height - top or y0 < bottom)
        and y1 >= 10.5  # the number's strip
    ]  # fmt: skip
    return "".join(found)


def squeezed(text: str) -> str:
    return re.sub(r"\s|\u2060|\ufffe|-", "", text)


@pytest.mark.parametrize("size", FORMATS)
@pytest.mark.parametrize(
    ("name", "fewest"),
    [  # wall, swaps, cards (6 with lines a page, more without), charts, log, sources
        ("one", 1 + 1 + 1 + 2 + 1 + 1),
        ("six", 1 + 1 + 1 + 2 + 1 + 1),
        ("drommick-chair", 1 + 1 + 2 + 2 + 1 + 1),
        ("harrow-col-forty", 2 + 4 + 6 + 3 + 1 + 1),
        ("long", 1 + 1 + 1 + 2 + 1 + 1),
    ],
)
def test_pdf(name: str, fewest: int, size: str, browser: Browser, tmp_path: Path) -> None:
    tree = document(name)
    pages = pages_of(browser, sheets_html(tree, "revision 3"), size, tmp_path)
    slack = 6 if name == "harrow-col-forty" else 2  # a Letter page is 18 mm shorter
    assert fewest <= len(pages) <= fewest + slack
    wide, high = FORMATS[size]
    for number, page in enumerate(pages, 1):
        assert outside(page) == "", f"page {number}"
        assert BANNER in page["text"]
        assert "revision 3" in page["text"]
        assert f"page {number} of {len(pages)}" in page["text"].replace("\r\n", " ")
        upright = "Oxygen log" not in page["text"]
        assert page["size"] == pytest.approx((wide, high) if upright else (high, wide), abs=0.5)
    assert sum("Oxygen log: one line" in page["text"] for page in pages) == 1
    cards = [whole_card(pages, card, k, len(tree["cards"])) for k, card in enumerate(tree["cards"])]
    assert all(cards)


def whole_card(pages: list[dict[str, Any]], card: dict[str, Any], k: int, number: int) -> bool:
    """Whether the foot of a card stands on one page with its place in front of it.

    The text of a page comes in the order of the file, so what lies between the foot of the card
    before (or the top of the page) and this foot is this card, when it is whole: its tag, its
    category and all its lines.
    """
    foot = f"card{k + 1}of{number}"
    found = [text for page in pages if foot in (text := squeezed(page["text"]))]
    assert len(found) == 1, foot
    part = found[0][: found[0].index(foot)].rpartition(f"card{k}of{number}")[2]
    if name_of(card) not in part:
        return False
    return squeezed(card["category"]) in part and squeezed(card["next_line"]) in part


def name_of(card: dict[str, Any]) -> str:
    """The tag; what is not written from left to right is only counted on."""
    tag = squeezed(card["patient"])
    return tag if tag.isascii() else ""


def test_a_card_that_is_torn_is_seen(browser: Browser, tmp_path: Path) -> None:
    """Twin of the check above: without the rule that keeps a card together some are torn."""
    tree = document("harrow-col-forty")
    html = sheets_html(tree).replace(".card { break-inside: avoid;", ".card {")
    pages = pages_of(browser, html, "A4", tmp_path)
    cards = [whole_card(pages, card, k, len(tree["cards"])) for k, card in enumerate(tree["cards"])]
    assert not all(cards)


def test_letters_in_the_margin_are_seen(browser: Browser, tmp_path: Path) -> None:
    """Twin of the check above: a line that does not wrap runs over the edge."""
    html = sheets_html(document("long")).replace("overflow-wrap: anywhere", "white-space: nowrap")
    pages = pages_of(browser, html, "A4", tmp_path)
    assert any(outside(page) for page in pages)


@pytest.mark.parametrize("name", ["six", "harrow-col-forty", "long", "hostile"])
@pytest.mark.parametrize("width", [703, 728])  # px between the margins of A4 and Letter
def test_nothing_is_clipped_or_wider_than_the_paper(
    name: str, width: int, browser: Browser, tmp_path: Path
) -> None:
    file = tmp_path / "sheets.html"
    file.write_text(sheets_html(document(name)), encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 1000})
    page.emulate_media(media="print")
    page.goto(file.as_uri())
    wide = page.evaluate(
        """() => [...document.querySelectorAll('html, section:not(.log), section:not(.log) *')]
            .filter(e => !(e instanceof SVGElement) && e.clientWidth
                && e.scrollWidth > e.clientWidth + 1)
            .map(e => e.className || e.tagName)"""
    )
    assert wide == []
    page.close()
