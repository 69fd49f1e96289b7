"""The view of an oxygen log: doubts shown, the state at a minute, hostile words as text."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from planner.errors import InputError
from planner.files import read_incident
from planner.journal.checkpoints import checkpoints, replay_on
from planner.journal.events import Connected, GaugeRead, LogEntry, Note
from planner.journal.stock import Stock, stock_of
from planner.page import log_view, session
from planner.page.logs import keep_log, kept_log
from planner.page.starts import start_shipped
from planner.report.journal_words import cylinders_grid, patients_grid, state_lines
from planner.store import Store, new_command_id
from planner.units import Pressure
from tests.journal_logs import START
from tests.page_app import fine, html, opened
from tests.test_journal_command import LOG

GULLY = Path(__file__).parents[1] / "scenarios" / "tamsel-gully.toml"
MEANT = "<script>window.hit=1</script>"


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    path = tmp_path / "page.store"
    monkeypatch.setenv(session.STORE, str(path))
    return Store(path)


@pytest.fixture
def document(store: Store) -> str:
    return start_shipped(store, GULLY, new_command_id()).document


def shown(document: str, files: dict[str, bytes], monkeypatch: pytest.MonkeyPatch) -> AppTest:
    monkeypatch.setattr(log_view, "_sent", lambda: files)
    return opened(document, "log_view")


def test_without_an_incident_or_a_log(store: Store, document: str) -> None:
    assert "Open an incident" in html(opened(None, "log_view"))
    text = html(opened(document, "log_view"))
    assert "Oxygen logs of this incident" in text
    assert "entries read" not in text


def test_a_shipped_incident_takes_its_shipped_log(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(log_view, "_sent", dict)
    path = GULLY.with_name("hallimoor-rib.toml")
    app = opened(start_shipped(store, path, new_command_id()).document, "log_view")
    (box,) = app.checkbox
    assert box.label == "Take the shipped log, hallimoor-rib-log.csv"
    assert "No log is kept" in html(app)
    fine(box.check().run())
    assert "32 entries read" in html(app)
    other = opened(start_shipped(store, GULLY, new_command_id()).document, "log_view")
    assert not other.checkbox  # this one has none


def test_doubts_and_state(document: str, monkeypatch: pytest.MonkeyPatch) -> None:
    app = shown(document, {"line.csv": LOG.encode()}, monkeypatch)
    text = html(app)
    assert "4 entries read" in text
    assert "about 1000" in text
    assert "M60-01 on Twin-1" in text
    (slider,) = app.slider
    assert (slider.min, slider.max, slider.value) == (0.0, 40.0, 40.0)
    fine(slider.set_value(18.0).run())
    text = html(app)
    assert "M60-01 on Twin-1" not in text
    assert "D-02 on R-1" in text
    # Review on request: charts, the print, hindsight closed and last.
    assert "KNOWN AT THE TIME" not in text
    fine(app.toggle(key="log_review").set_value(True).run())
    assert not app.button(key="log_plan_on").disabled
    text = html(app)
    assert "Oxygen of each person" in text
    closed = next(e for e in app.expander if e.label.startswith("HINDSIGHT"))
    assert not closed.proto.expanded
    assert text.index("KNOWN AT THE TIME") < text.index("FACTS") < text.index("Oxygen of each")
    assert "without oxygen by the record came after" not in text.split("Oxygen of each")[0]
    labels = [each.proto.label for each in app.get("download_button")]
    assert "Review to print" in labels
    # Titles are headings, what is listed is set in, and no legend is taken off a plot's height.
    assert '<h3 class="op-title">FACTS: what the record says</h3>' in text
    assert '<p class="op-line op-item">' in text
    assert '<p class="op-line"> - ' not in text
    specs = [json.loads(each.proto.spec) for each in app.get("vega_lite_chart")]
    assert len(specs) >= 2
    assert {spec["autosize"]["type"] for spec in specs} == {"fit-x"}


def test_a_fast_clock_moves_the_entries(document: str, monkeypatch: pytest.MonkeyPatch) -> None:
    app = shown(document, {"line.csv": LOG.encode()}, monkeypatch)
    fine(app.number_input[0].set_value(4.0).run())
    assert app.slider[0].max == 36.0


def test_what_is_no_log_is_told(document: str, monkeypatch: pytest.MonkeyPatch) -> None:
    app = shown(document, {"words.csv": b"a,b\n1,2\n"}, monkeypatch)
    assert "FAULT" in html(app)
    assert not app.slider


def test_a_log_is_kept_once_and_shown_again(
    store: Store, document: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "No log is kept" in html(opened(document, "log_view"))
    app = shown(document, {"line.csv": LOG.encode()}, monkeypatch)
    keep = next(button for button in app.button if button.label.startswith("Keep"))
    fine(keep.click().run())
    assert "4 entries kept." in html(app)
    kept = kept_log(store, document)
    assert kept is not None
    assert [entry.at_min for entry in kept.entries] == [2.0, 10.0, 16.0, 40.0]
    fine(next(button for button in app.button if button.label.startswith("Keep")).click().run())
    assert "All of them were kept." in html(app)
    assert kept_log(store, document) == kept
    monkeypatch.setattr(log_view, "_sent", dict)
    text = html(opened(document, "log_view"))
    assert "4 entries kept with this incident." in text
    assert "M60-01 on Twin-1" in text


def test_an_id_is_never_taken_anew(store: Store, document: str) -> None:
    first = LogEntry("a", 0.0, Note(), note="as it was")
    assert keep_log(store, document, [first], new_command_id()) == 1
    other = LogEntry("a", 1.0, Note(), note="otherwise")
    with pytest.raises(InputError, match="an id of its own"):
        keep_log(store, document, [other], new_command_id())
    # Twin: a correction has an id of its own, and both are kept.
    mended = LogEntry("b", 1.0, Note(), note="otherwise", replaces="a")
    assert keep_log(store, document, [mended], new_command_id()) == 1
    kept = kept_log(store, document)
    assert kept is not None
    assert {entry.id for entry in kept.entries} == {"a", "b"}
    with pytest.raises(InputError):
        keep_log(store, document, [LogEntry("c", 2.0, Note(), replaces="z")], new_command_id())


def test_a_second_click_writes_nothing(store: Store, document: str) -> None:
    command = new_command_id()
    entries = [LogEntry("a", 0.0, Note(), note="x")]
    assert keep_log(store, document, entries, command) == 1
    assert keep_log(store, document, entries, command) == 0
    kept = kept_log(store, document)
    assert kept is not None
    assert len(kept.entries) == 1


def test_hostile_words_are_text(document: str, monkeypatch: pytest.MonkeyPatch) -> None:
    log = LOG.replace("<b>&amp;", MEANT).replace("T4", MEANT)
    text = html(shown(document, {f"{MEANT}.csv": log.encode()}, monkeypatch))
    assert MEANT not in text
    assert "&lt;script&gt;" in text


def test_five_thousand_entries_at_a_minute_in_time() -> None:
    """Reach: a state at a minute in at most .3 s on the page; what it takes there, in all.

    Processor time. Forty people, 400 cylinders, 5,000 entries; what follows the log once is apart.
    """
    bottle = stock_of(read_incident(GULLY).incident).cylinders[0]
    stock = Stock(cylinders=tuple(replace(bottle, tag=f"C-{k}") for k in range(400)))
    entries = [LogEntry(f"c{k}", 0.0, Connected(f"P{k}", f"C-{k}", None, None, 0.5))
               for k in range(40)]  # fmt: skip
    entries += [
        LogEntry(
            f"g{k}", 0.02 * k, GaugeRead(Pressure(1700.0 - k % 7, "psi"), patient=f"P{k % 40}")
        )
        for k in range(1, 4961)
    ]
    points = checkpoints(entries, stock)
    begun = time.process_time()
    state = replay_on(points, 97.0)
    lines = list(state_lines(state, START, log_view.MOST_LINES))
    rows = [*patients_grid(state, START).rows, *cylinders_grid(state, is_bar=False).rows]
    took_s = time.process_time() - begun
    assert len(rows) == 440
    assert lines
    assert took_s < 0.3  # measured .05 s
