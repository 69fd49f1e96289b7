"""The paper of an exercise: players' sheets hold nothing hidden, gauges by hand, hostile text."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from playwright.sync_api import Browser

from planner.banner import BANNER
from planner.exercise.after import hot_wash
from planner.exercise.changes import Change
from planner.exercise.injects import Inject
from planner.exercise.known import known_to_players
from planner.exercise.luck import luck_of
from planner.exercise.run import Given, Run, Told
from planner.exercise.setup import Exercise, Objective, read_exercise
from planner.exercise.truth import truth_at
from planner.gas import Limits, Reading, content_l, durations, gauge_for_content, litres_between
from planner.incident import ThreePoint
from planner.journal.columns import LOG_COLUMNS
from planner.journal.events import Connected, GaugeRead, LogEntry, Requested, Swapped
from planner.journal.reading_log import raw_log
from planner.report import hot_wash as washing
from planner.report.exercise_sheets import (
    KEEP_FROM_PLAYERS,
    TYPE_IN,
    controller_html,
    players_html,
    type_in_words,
)
from planner.report.exercise_words import change_words, inject_rows, news_rows
from planner.report.gauge_answers import FLOWS_LPM, MINUTES, falls_grid, gauges_grid
from planner.units import Pressure
from tests.browser import browser as opened_browser
from tests.test_sheets import FORMATS, HOSTILE, LONG, MARGINS_MM, MM, Tags

SCENARIOS = Path(__file__).parents[1] / "scenarios"
CORVENNA = read_exercise(SCENARIOS / "corvenna-traverse-exercise.toml")
DROMMICK = read_exercise(SCENARIOS / "drommick-chair-exercise.toml")
BOTH = pytest.mark.parametrize("exercise", [CORVENNA, DROMMICK], ids=["corvenna", "drommick"])
LAW = settings(derandomize=True, deadline=None, max_examples=25)


def players_of(exercise: Exercise, run: Run | None = None) -> str:
    return players_html(known_to_players(exercise, run or Run()))


def text_of(html: str) -> str:
    return " ".join(Tags(html).text.split())


def begun(exercise: Exercise) -> Run:
    """A run after twenty minutes with one inject given and two things done."""
    events = (
        GaugeRead(Pressure(1830.0, "psi"), "D-01"),
        Connected("C1", "D-01", regulator="R-1", flow_lpm=15.0),
    )
    entries = [LogEntry(f"e{k}", 4.0 + k, event, role="leader") for k, event in enumerate(events)]
    told = tuple(Told(e, "players", e.at_min) for e in entries)
    return Run(minute=20.0, told=told, given=(Given(exercise.injects[0], 4.0),))


# ----- players know nothing else ----------------------------------------------------------------


def hidden_otherwise(exercise: Exercise, seed: int, psi: float, late: float) -> Exercise:
    """The same to players; luck, unread gauges, who is to be found, and injects are others."""
    incident, known = exercise.incident, exercise.known
    cylinders = tuple(
        c if c.tag in known.gauges_read else replace(c, gauge=Pressure(psi, "psi"))
        for c in incident.cylinders
    )
    patients = tuple(
        replace(p, transfer=ThreePoint(late, late + 1, late + 2), transfer_group=None)
        if p.tag in known.patients
        else replace(p, triage="delayed", indication="chest injury", spo2=70.0, note="hidden")
        for p in incident.patients
    )
    supplies = tuple(replace(s, arrive=ThreePoint(late, late, late)) for s in incident.resupply)
    inject = Inject(77, f"text {seed}", "a", "b", at_min=late, expected="hidden")
    return replace(
        exercise, seed=seed, note=f"note {seed}", injects=(inject,),
        objectives=(Objective("hidden", "hidden"),), deliveries_on_request=seed % 2 == 0,
        incident=replace(incident, cylinders=cylinders, patients=patients, resupply=supplies),
    )  # fmt: skip


@BOTH
@LAW
@given(seed=st.integers(0, 10_000), psi=st.floats(250, 2000), late=st.floats(20, 300))
def test_players_file_does_not_depend_on_what_is_hidden(
    exercise: Exercise, seed: int, psi: float, late: float
) -> None:
    assert players_of(hidden_otherwise(exercise, seed, psi, late)) == players_of(exercise)


@BOTH
def test_nothing_hidden_stands_in_the_players_file_and_all_of_it_in_the_controllers(
    exercise: Exercise,
) -> None:
    players, controllers = text_of(players_of(exercise)), text_of(controller_html(exercise))
    incident, known = exercise.incident, exercise.known
    words = [t for i in exercise.injects for t in (i.text, i.expected) if t]
    words += [o.text for o in exercise.objectives]
    words += [change_words(c) for i in exercise.injects for c in i.changes]
    words += [row.when for row in news_rows(exercise, Run()) if row.when != at_start(exercise)]
    words += [p.tag for p in incident.patients if p.tag not in known.patients]
    words += [c.tag for s in incident.resupply for c in s.cylinders]
    words += [exercise.note, KEEP_FROM_PLAYERS]
    assert len(words) > 30
    for word in words:
        found = re.compile(rf"(?<![\w-]){re.escape(word)}(?![\w-])")
        assert found.search(controllers), word
        assert not found.search(players), word
    read = {f"{c.gauge.value:g}" for c in incident.cylinders if c.tag in known.gauges_read}
    for row in truth_at(exercise, Run()).cylinders:
        gauge = next(c.gauge.value for c in incident.all_cylinders if c.tag == row.tag)
        for number in {f"{gauge:g}", f"{row.gauge_psi:.0f}"} - read - {"0"}:
            assert not re.search(rf"\b{number}\b", players), row.tag


def at_start(exercise: Exercise) -> str:
    return f"{exercise.incident.start:%H:%M}"


def test_players_file_of_a_run_that_has_begun() -> None:
    """So the evening can go on by paper from where it stands."""
    text = text_of(players_of(CORVENNA, begun(CORVENNA)))
    assert "what you know at 17:00" in text
    assert CORVENNA.injects[0].text in text
    assert CORVENNA.injects[0].expected not in text
    assert CORVENNA.injects[1].text not in text
    assert "read 1830 at 16:44" in text
    assert "D-01 at 15 L/min" in text
    assert "16:45 connected: C1, D-01, R-1, 15 L/min, leader" in text
    book = text_of(controller_html(CORVENNA, begun(CORVENNA)))
    assert "Truth, as at 17:00" in book
    assert "slip 1 " not in f"{book} "  # given already
    assert "slip 2" in book


@BOTH
def test_blank_log_has_the_columns_that_are_read(exercise: Exercise) -> None:
    for html in (players_of(exercise), controller_html(exercise)):
        heads = "".join(f'<th scope="col">{column.head}</th>' for column in LOG_COLUMNS)
        assert heads in html
    header = type_in_words().removeprefix(TYPE_IN)
    row = ["16:44", "", "note", *[""] * 8, "controller", "inject 1"]
    log = raw_log(f"{header}\n{','.join(row)}\n", "log")
    assert log.rows[0].cells["note"] == "inject 1"
    assert log.rows[0].cells["clock"] == "16:44"


# ----- the controller's book --------------------------------------------------------------------


def test_injects_in_their_order_and_a_slip_for_each() -> None:
    rows = inject_rows(CORVENNA, Run())
    assert [row.number for row in rows] == [1, 2, 4, 3, 5, 7, 8, 10, 6, 9]
    assert rows[0].when == "16:44 (minute 4)"
    assert rows[3].when == "17:10 (minute 30), if no 'requested' is written by then"
    assert rows[8].when == "when somebody has been without oxygen for 4 min"
    assert rows[9].when == "3 min after 'requested' is written"
    html = controller_html(CORVENNA)
    slips = re.findall(r'<article class="slip">(.*?)</article>', html, flags=re.DOTALL)
    assert len(slips) == len(CORVENNA.injects)
    for slip, inject in zip(slips, CORVENNA.injects, strict=True):
        text = text_of(slip)
        assert inject.text in text
        assert f"slip {inject.number}" in text
        assert inject.expected not in text  # handed to players
    assert html.count(KEEP_FROM_PLAYERS) == html.count('<section class="sheet')


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (Change("gauge is", "D-02", gauge=Pressure(30, "bar")), "D-02: true gauge is 30 bar"),
        (Change("patient is", "C4", triage="immediate", spo2=84), "C4 is Immediate, SpO2 84 %"),
        (Change("patient dies", "C4"), "C4 dies"),
        (Change("patient found", "C5"), "C5 is there"),
        (Change("transport later", "snowcat", minutes=-5), "snowcat 5 min sooner"),
        (Change("delivery later", "1", minutes=10), "delivery 1 10 min later"),
        (Change("regulator gone", "R-1"), "R-1 is gone: whoever is on it gets nothing"),
        (Change("dial stuck", "R-2", flow_lpm=10), "R-2 gives 10 L/min whatever is set"),
        (Change("responder out", "R1"), "R1 is out: two hands fewer"),
        (Change("key gone", "hut"), "one key fewer at hut"),
        (Change("radio silent", "slope", minutes=15), "no radio at slope for 15 min"),
    ],
)
def test_changes_in_words(change: Change, words: str) -> None:
    assert change_words(change) == words


def test_news_is_as_drawn_and_deliveries_wait_for_a_request() -> None:
    luck = luck_of(CORVENNA.incident, CORVENNA.seed)
    rows = {row.text: row.when for row in news_rows(CORVENNA, Run())}
    hours, minute = divmod(16 * 60 + 40 + int(luck.found_min["C5"]), 60)
    assert rows["C5 is there, at slope: Immediate, major trauma"] == f"{hours}:{minute:02d}"
    assert rows["C1, C3, C4 and C6 are there from the start"] == "16:40"
    brought = "delivery 1 is at hut: E-01 to E-04"
    assert rows[brought] == f"{luck.resupply_min[0]:.0f} min after the first request"
    entry = LogEntry("e1", 10.0, Requested("four E"))
    asked = Run(minute=20.0, told=(Told(entry, "players", 10.0),))
    later = {row.text: row.when for row in news_rows(CORVENNA, asked)}
    hours, minute = divmod(16 * 60 + 40 + int(10.0 + luck.resupply_min[0]), 60)
    assert later[brought] == f"{hours}:{minute:02d}"


# ----- gauges to read out -----------------------------------------------------------------------


def number(cell: str) -> float:
    return float(cell.split(maxsplit=1)[0])


@LAW
@given(flow=st.sampled_from(range(3)), minutes=st.sampled_from(range(3)), share=st.floats(0.0, 1.0))
def test_a_gauge_falls_as_the_table_says(flow: int, minutes: int, share: float) -> None:
    """From any gauge that holds so much, within what the row says and the rounding of both."""
    litres = FLOWS_LPM[flow] * MINUTES[minutes]
    row = next(r for r in corvenna_falls() if r[:2] == ("D", f"{FLOWS_LPM[flow]:g} L/min"))
    incident = CORVENNA.incident
    one = next(c for c in incident.cylinders if c.size == "D")
    truth = truth_at(CORVENNA, Run())
    top = max(truth.cylinder(c.tag).gauge_psi for c in incident.cylinders if c.size == "D")
    air = incident.air_temperature.c
    held_to_start = litres_between(one.water_volume_l, top, 0.0, air) - litres
    start = gauge_for_content(
        one.water_volume_l, share * held_to_start + litres + of_empty(one.water_volume_l, air), air
    )
    low = gauge_for_content(
        one.water_volume_l, share * held_to_start + of_empty(one.water_volume_l, air), air
    )
    fall = number(row[2 + minutes])
    assert fall < 0
    assert abs((start - low) + fall) <= number(row[5]) + 5.0 + 1e-6


@cache
def corvenna_falls() -> tuple[tuple[str, ...], ...]:
    return falls_grid(CORVENNA, Run()).rows


def of_empty(volume_l: float, air_c: float) -> float:
    return content_l(volume_l, 0.0, air_c)


def test_falls_by_the_handbook_are_flow_over_factor() -> None:
    incident = replace(CORVENNA.incident, contents="handbook")
    rows = falls_grid(replace(CORVENNA, incident=incident), Run()).rows
    row = next(r for r in rows if r[:2] == ("D", "10 L/min"))
    # D 0.16 L/psi (US Army course MD0542): 50 L is 312.5 psi, 100 L 625, 150 L 937.5; to 10 psi.
    assert [number(c) for c in row[2:5]] == [-310, -620, -940]
    assert number(row[5]) <= 10


def test_how_long_a_cylinder_lasts_and_what_it_shows() -> None:
    grid = gauges_grid(CORVENNA, Run())
    assert grid.heads[-1] == "Minutes to 200 psi at 6 / 10 / 15 L/min"
    incident, truth = CORVENNA.incident, truth_at(CORVENNA, Run())
    luck, air = luck_of(incident, CORVENNA.seed), incident.air_temperature.c
    assert len(grid.rows) == len(incident.all_cylinders)
    for cells, cylinder in zip(grid.rows, incident.all_cylinders, strict=True):
        true = truth.cylinder(cylinder.tag).gauge_psi
        reading = Reading(cylinder.water_volume_l, cylinder.factor_l_per_psi, true, air, air)
        lasts = [int(durations(reading, f, Limits()).real_gas.to_residual_min) for f in FLOWS_LPM]
        assert cells[5] == " / ".join(str(m) for m in lasts)
        assert number(cells[3]) == pytest.approx(true, abs=5.0)
        error = luck.gauge_error_psi[cylinder.tag]
        assert number(cells[4]) == pytest.approx(true - error, abs=5.0 + 1e-9)


def test_gauges_in_bar_and_a_concentrator() -> None:
    incident = CORVENNA.incident
    first = replace(incident.cylinders[0], gauge=Pressure(130.0, "bar"))
    runs = replace(incident.cylinders[1], power_min=60.0, settings_lpm=(2.0, 5.0))
    other = replace(CORVENNA, injects=(), incident=replace(
        incident, cylinders=(first, runs, *incident.cylinders[2:])))  # fmt: skip
    rows = {row[0]: row for row in gauges_grid(other, Run()).rows}
    assert rows[first.tag][3].endswith(" bar")
    assert rows[runs.tag][3:] == ("no gauge", "no gauge", "60 at any setting")
    falls = falls_grid(other, Run()).rows
    assert falls[0][2].endswith(" bar")
    assert {row[0] for row in falls} == {"D", "jumbo D", "E"}


# ----- hostile text, and the hot wash -----------------------------------------------------------


def with_texts(exercise: Exercise, texts: tuple[str, ...]) -> Exercise:
    """The exercise with these for every text in people's own words."""

    def text(k: int) -> str:
        return texts[k % len(texts)]

    injects = tuple(
        replace(i, text=text(k), sender=text(k + 1), receiver=text(k + 2), expected=text(k + 3),
                deliverer=text(k + 4), objective="o")
        for k, i in enumerate(exercise.injects)
    )  # fmt: skip
    return replace(
        exercise, name=text(0), note=text(1), injects=injects,
        objectives=(Objective("o", text(2)), Objective(text(3), text(4))),
        known=replace(exercise.known, told=text(5)),
    )  # fmt: skip


def told_of(exercise: Exercise) -> washing.Told:
    entries = [
        LogEntry("a", 2.0, Connected("C1", "D-01", regulator="R-1", device="non-rebreather",
                                     flow_lpm=15.0)),
        LogEntry("b", 18.0, Requested(exercise.name[:60], count=4)),
        LogEntry("c", 24.0, Swapped("C1", "D-03", regulator="R-1")),
    ]  # fmt: skip
    told = tuple(Told(e, "players", e.at_min) for e in entries)
    given = tuple(Given(inject, 5.0 + k) for k, inject in enumerate(exercise.injects))
    run = Run(minute=90.0, told=told, given=given)
    wash = hot_wash(exercise, run)
    rows = (replace(wash.objectives[0], strengths=(exercise.note,), gaps=(exercise.name,)),)
    wash = replace(wash, objectives=(*rows, *wash.objectives[1:]))
    return washing.Told(exercise, run, wash, (exercise.name,), (exercise.note,))


def documents(exercise: Exercise) -> tuple[str, str, str]:
    run = Run(minute=60.0, given=tuple(Given(i, 5.0) for i in exercise.injects))
    return (controller_html(exercise), players_of(exercise, run),
            washing.hot_wash_html(told_of(exercise)))  # fmt: skip


@pytest.mark.parametrize("texts", [HOSTILE, HOSTILE[:1]], ids=["each", "a script everywhere"])
def test_hostile_text_is_text_and_nothing_is_fetched(texts: tuple[str, ...]) -> None:
    plain = documents(CORVENNA)
    for html, other in zip(documents(with_texts(CORVENNA, texts)), plain, strict=True):
        found = Tags(html)
        assert set(found.names) <= set(Tags(other).names)
        assert not {"script", "img", "link", "iframe", "form"} & set(found.names)
        assert not [n for n, _ in found.attributes if n.startswith("on") or n in {"src", "href"}]
        assert HOSTILE[0] in found.text
        assert all(text in found.text for text in texts[:5])  # nor reckoned as a template
        assert html.count(BANNER) >= html.count('<section class="sheet')


def test_hot_wash_by_objective_without_score_or_rank() -> None:
    told = told_of(CORVENNA)
    html = washing.hot_wash_html(told)
    places = [html.index(f"<h3>{o.name}: ") for o in CORVENNA.objectives]
    assert places == sorted(places)
    for head in washing.BLANKS:
        assert html.count(f">{head}</th>") == len(told.wash.objectives)
    text = text_of(html)
    assert re.search(r"Asked for at 16:58: 4 Corvenna Traverse, exercise, \d+ min after", text)
    # Given at minute 6 on D-02, which nobody ever touched; minute 5 answered by the request at 18.
    assert "Inject 1, given 16:45:" in text
    assert "First decision after 13 min: requested" in text
    plain = text.replace(washing.ABOUT, "").lower()
    assert not re.search(r"\bscore|\brank|\bpoints\b|\bgrade|\bbest\b|\bworst\b", plain)
    swap = next(row for row in washing.swaps_grid(told).rows)
    assert swap[:4] == ("17:04", "C1", "D-01", "D-03")
    assert [row[0] for row in washing.category_grid(told.wash).rows] == [
        "Immediate", "Delayed", "Minimal"]  # fmt: skip


# ----- on paper ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with opened_browser() as opened:
        yield opened


@pytest.mark.parametrize(
    ("name", "size", "most"),
    [
        ("drommick controller", "Letter", 8),
        ("long hot wash", "A4", 8),
    ],
)
def test_pdf(name: str, size: str, most: int, browser: Browser, tmp_path: Path) -> None:
    whose, _, what = name.partition(" ")
    exercise = DROMMICK if whose == "drommick" else with_texts(CORVENNA, LONG)
    html = make_at_start(exercise, what)
    pages = printed(browser, html, size, tmp_path)
    assert 2 <= len(pages) <= most
    wide, high = FORMATS[size]
    for k, page in enumerate(pages, 1):
        assert page["outside"] == [], f"page {k}"
        assert BANNER in page["text"]
        assert len(page["text"]) > 250, f"page {k} is as good as empty"
        assert (KEEP_FROM_PLAYERS in page["text"]) == (what == "controller")
        assert page["size"] in (pytest.approx((wide, high), abs=0.5),
                                pytest.approx((high, wide), abs=0.5))  # fmt: skip
    if what == "controller":  # no slip is cut by the edge of a page
        text = [" ".join(page["text"].split()) for page in pages]
        whole = [f"slip {i.number}" for i in exercise.injects]
        assert all(sum(mark in one for one in text) == 1 for mark in whole[1:9])


def make_at_start(exercise: Exercise, what: str) -> str:
    if what == "controller":
        return controller_html(exercise)
    return players_of(exercise) if what == "players" else washing.hot_wash_html(told_of(exercise))


def printed(browser: Browser, html: str, size: str, tmp_path: Path) -> list[dict[str, Any]]:
    """Print with a browser; return each page's size in mm, its text, and what is in its margins."""
    file = tmp_path / "sheets.html"
    file.write_text(html, encoding="utf-8")
    page = browser.new_page()
    page.goto(file.as_uri())
    data = page.pdf(format=size)
    page.close()
    with pypdfium2.PdfDocument(data) as pdf:
        return [_printed(pdf[k]) for k in range(len(pdf))]


def _printed(page: Any) -> dict[str, Any]:
    """Boxes are of runs of text, so a word that stands out of the margins is in one of them."""
    wide, high = (v / MM for v in page.get_size())
    left, right, top, bottom = MARGINS_MM
    text = page.get_textpage()
    outside = []
    for k in range(text.count_rects()):
        x0, y0, x1, y1 = (v / MM for v in text.get_rect(k))
        is_in = x0 >= left and x1 <= wide - right and y1 <= high - top and y0 >= bottom
        if not is_in and y1 >= 10.5:  # below is the strip of the page's number
            outside.append(text.get_text_bounded(*(v * MM for v in (x0, y0, x1, y1))))
    return {"size": (wide, high), "text": text.get_text_range(), "outside": outside}
