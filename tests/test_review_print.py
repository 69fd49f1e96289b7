"""The printed review: columns apart, two pages to act on, hindsight last; hostile text; the PDF."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from planner.banner import BANNER
from planner.cli import main
from planner.estimate import Estimate
from planner.journal.events import Journal, LogEntry, Note
from planner.review.columns import MOST_POINTS, MOST_WELL, rows_of
from planner.review.decisions import HINDSIGHT, Modelled
from planner.review.findings import WentWell
from planner.review.inferring import MOST_RECOMMENDED
from planner.review.report import CONFIDENTIAL, Review, review_of
from planner.review.sheets import review_html
from planner.review.telling import harm_words
from tests.browser import browser as opened_browser
from tests.test_review_command import CASE
from tests.test_review_report import shipped
from tests.test_sheets import HOSTILE, Tags, outside, pages_of, squeezed

SOME = Estimate(0.5432, 0.5398, 0.5466, 20_000)


def estimate(value: float) -> Estimate:
    return Estimate(value, value - 0.01, value + 0.01, 20_000)


def made_at(at_min: float, by: float = -0.3) -> Modelled:
    """A point as modelled, with the longest words there are."""
    return Modelled(at_min, SOME, SOME, estimate(by), SOME, SOME, estimate(123.0), estimate(45.0),
                    estimate(1.2), estimate(0.9), estimate(by), 14, 1, ())  # fmt: skip


@pytest.fixture(scope="module")
def rib() -> Review:
    incident, journal = shipped("hallimoor-rib")
    bare = review_of(journal, incident)
    made = [made_at(p.at_min) for p in bare.known.points]
    return replace(bare, known=replace(bare.known, modelled=tuple(made)))


@pytest.fixture(scope="module")
def full(rib: Review) -> Review:
    """As much on the summary as there can be, each text far too long."""
    long = "a washer that was worn and a dial that stuck in the cold " * 8
    first = rib.recommendations[0]
    points = tuple(replace(p, at_min=p.at_min + 200.0 * k) for k in range(3)
                   for p in rib.known.points)  # fmt: skip
    return replace(
        rib,
        title="The north-eastern rib above the upper landing zone, second slide",
        recommendations=(replace(first, because=long),) * MOST_RECOMMENDED,
        facts=replace(rib.facts, went_well=(WentWell("swaps in time", long, ()),) * 9),
        known=replace(rib.known, points=points,
                      modelled=tuple(made_at(p.at_min) for p in points)),
    )  # fmt: skip


def test_facts_inference_and_recommendation_in_columns_apart(rib: Review) -> None:
    rows = {row.topic: row for row in rows_of(rib)}
    gauges = rows["gauges and flow"]
    assert all("true flow" not in text and "could be" not in text for text in gauges.facts)
    assert all("could be" in text or "by its gauges" in text for text in gauges.inference)
    assert not any("by its gauges" in text for text in gauges.facts)
    assert gauges.recommendations[0].startswith("Check washers")
    # Every recommendation stands once, beside what it rests on.
    stood = [text.partition(" (")[0] for row in rows.values() for text in row.recommendations]
    assert sorted(stood) == sorted(r.words for r in rib.recommendations)
    assert rows["without oxygen, by the record"].facts == (
        "A2: 15:20 to 15:26, the cylinder was found empty",
    )
    assert sum("gap in the record" in text for text in rows["the record"].facts) == 2
    html = review_html(rib, charts=())
    heads = [html.index(f">{head}") for head in ("Facts: ", "Inference: ", "Recommendation<")]
    assert heads == sorted(heads)


def test_order_and_hindsight_closed(rib: Review) -> None:
    html = review_html(rib, ["a doubt <b>"])
    places = [html.index(f"<h2>{head}") for head in (
        "After-action review: Hallimoor Rib: for whoever must act", "Known at the time",
        "Facts, inference", "Charts", "Hindsight")]  # fmt: skip
    assert places == sorted(places)
    assert html.index(HINDSIGHT) > places[-1]
    assert re.search(r"<details>", html)  # closed: no "open"
    assert html.count("<details") == 1
    for text in ("without oxygen by the record came after it", "gave about 15 L/min (15-16)"):
        assert html.index(text) > places[-1]
    assert "a doubt &lt;b&gt;" in html
    assert html.count(CONFIDENTIAL) == html.count('class="sheet')
    # The two pages have room for so many.
    summary = html[: places[1]]
    assert summary.count("<td><b>") == len(rib.recommendations) <= MOST_RECOMMENDED
    assert "modelled" in summary


def test_summary_keeps_to_its_room(full: Review) -> None:
    html = review_html(full, charts=())
    summary = html[: html.index("<h2>Known at the time")]
    assert summary.count("<td><b>") == MOST_RECOMMENDED
    assert summary.count("<li>") == MOST_WELL
    assert f"{len(full.known.points) - MOST_POINTS} more in the full review" in summary


def test_harm_in_words() -> None:
    assert harm_words(made_at(0.0)) == "0.30 less planning on here (0.29 to 0.31), of 1.20 going on"
    assert harm_words(made_at(0.0, 0.3)).startswith("0.30 more planning on here (0.29 to 0.31)")
    assert harm_words(made_at(0.0, 0.005)).startswith("none that is clear (-0.01 to +0.01")
    assert harm_words(replace(made_at(0.0), num_changes=0)).startswith("none, nothing is changed")


def test_hostile_text_is_text(rib: Review) -> None:
    incident, journal = shipped("hallimoor-rib")
    more = [LogEntry(f"Z-{k}", 150.0, Note(bad), note=bad, role=bad, place=bad)
            for k, bad in enumerate(HOSTILE)]  # fmt: skip
    noted = [replace(e, note=HOSTILE[k % len(HOSTILE)]) for k, e in enumerate(journal.entries)]
    review = review_of(Journal(HOSTILE[0], journal.start, (*noted, *more)), incident)
    html = review_html(review, HOSTILE, charts=())  # of the charts see test_review_charts
    harmless = set(Tags(review_html(rib, charts=())).names)
    found = Tags(html)
    assert set(found.names) <= harmless
    assert not {"script", "img", "link", "iframe", "form"} & set(found.names)
    assert not [n for n, _ in found.attributes if n.startswith("on") or n in {"src", "href"}]
    assert "&lt;script&gt;" in html


def test_command_writes_it_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "review.html"
    assert main(["review", *CASE, "--html", str(file)]) == 0
    html = file.read_text(encoding="utf-8")
    assert html.startswith("\n\n<!DOCTYPE html>") or html.lstrip().startswith("<!DOCTYPE html>")
    assert "have not been modelled" in html
    assert "KNOWN AT THE TIME" in capsys.readouterr().out
    assert main(["review", *CASE, "--html", str(tmp_path / "no" / "r.html")]) == 2


# ----- on paper ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with opened_browser() as opened:
        yield opened


@pytest.mark.parametrize(("name", "size"), [("rib", "A4"), ("full", "Letter")])
def test_pdf(
    name: str, size: str, browser: Browser, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    review: Review = request.getfixturevalue(name)
    charts = None if name == "full" else ()
    pages = pages_of(browser, review_html(review, charts=charts), size, tmp_path)
    texts = [squeezed(page["text"]) for page in pages]
    for number, page in enumerate(pages, 1):
        assert outside(page) == "", f"page {number}"
        assert BANNER in page["text"]
        assert squeezed(CONFIDENTIAL) in texts[number - 1]
    known = next(k for k, text in enumerate(texts) if "Whatwasknownateachdecisionpoint" in text)
    assert 1 <= known <= 2  # the summary
    last = [k for k, text in enumerate(texts) if squeezed(HINDSIGHT) in text]
    assert last[0] > known
    assert last == [len(pages) - 1]  # printed though closed on the screen, on a page of its own
    assert "Whatonlythelaterlogshows" in texts[-1]
