"""The command ``exercise``: in words, on paper, an evening typed in, and what is refused."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable
from pathlib import Path

import pytest

from planner.banner import BANNER
from planner.cli import main
from planner.exercise.by_paper import named_inject, typed_in
from planner.exercise.setup import read_exercise
from planner.journal.columns import LOG_COLUMNS
from planner.journal.events import Found, GaugeRead, LogEntry, Note, Swapped
from planner.report.exercise_sheets import KEEP_FROM_PLAYERS
from planner.units import Pressure

SCENARIOS = Path(__file__).parents[1] / "scenarios"
FILE = str(SCENARIOS / "corvenna-traverse-exercise.toml")
INCIDENT = str(SCENARIOS / "corvenna-traverse.toml")
CORVENNA = read_exercise(FILE)

LEADER = (
    {"clock": "16:44", "event": "gauge read", "cylinder": "D-01", "gauge": "1900 psi"},
    {"clock": "16:46", "event": "connected", "patient": "C1", "cylinder": "D-01",
     "regulator": "R-1", "device": "non-rebreather", "flow_lpm": "15"},
    {"clock": "16:58", "event": "requested", "note": "four E cylinders, to the hut"},
    {"clock": "17:05", "event": "swapped", "patient": "C1", "cylinder": "D-02",
     "regulator": "R-1", "flow_lpm": "15"},
    {"clock": "17:25", "event": "transferred", "patient": "C1"},
)  # fmt: skip
CONTROLLER = (
    {"clock": "16:45", "event": "note", "role": "controller", "note": "inject 1"},
    {"clock": "16:53", "event": "note", "role": "controller", "note": "inject 2"},
    {"clock": "17:01", "event": "note", "role": "controller", "note": "inject 9"},
    {"clock": "17:10", "event": "note", "role": "controller", "note": "inject 4 not given"},
    {"clock": "17:50", "event": "note", "role": "controller", "note": "end"},
)


def log(folder: Path, name: str, rows: Iterable[dict[str, str]]) -> str:
    """A log filled in by hand and typed in with the columns of the blank one."""
    out = io.StringIO()
    writer = csv.DictWriter(out, [column.name for column in LOG_COLUMNS], restval="")
    writer.writeheader()
    writer.writerows(rows)
    file = folder / name
    file.write_text(out.getvalue(), encoding="utf-8")
    return str(file)


@pytest.fixture
def logs(tmp_path: Path) -> list[str]:
    return [log(tmp_path, "leader.csv", LEADER), log(tmp_path, "controller.csv", CONTROLLER)]


def test_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["exercise", FILE]) == 0
    text = capsys.readouterr().out
    assert text.startswith(BANNER)
    assert text.rstrip().endswith(BANNER)
    parts = ("read before use: ", " - 1. 16:44 (minute 4)", " - 4. 17:00", " - 3. 17:10",
             "WHAT PLAYERS KNOW AT THE START", "Patients", "Cylinders", "Regulators")  # fmt: skip
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    known = text[places[4] :]
    assert "C1 " in known
    assert "C5" not in known
    assert "E-01" not in known
    assert main(["exercise", FILE, "--json", "-"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["banner"] == BANNER
    assert [row["number"] for row in result["injects"]][:4] == [1, 2, 4, 3]
    assert result["exercise"]["exercise"]["seed"] == 7


def test_paper_and_another_luck(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = []
    for seed in ("7", "8"):
        book, sheets = tmp_path / f"c{seed}.html", tmp_path / f"p{seed}.html"
        words = ["--controller", str(book), "--players", str(sheets), "--seed", seed]
        assert main(["exercise", FILE, *words]) == 0
        out = capsys.readouterr().out
        assert "c7.html" in out or "c8.html" in out
        assert CORVENNA.injects[0].text not in out  # not on a screen that players may see
        made.append((book.read_text(encoding="utf-8"), sheets.read_text(encoding="utf-8")))
    (book, sheets), (other, same) = made
    assert KEEP_FROM_PLAYERS in book
    assert KEEP_FROM_PLAYERS not in sheets
    assert CORVENNA.injects[0].text in book
    assert CORVENNA.injects[0].text not in sheets
    assert book.replace("number 7", "number 8") != other
    assert sheets == same


def test_an_evening_typed_in(
    logs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    html = tmp_path / "after.html"
    assert main(["exercise", FILE, "--log", *logs, "--html", str(html)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Up to 17:50, minute 70." in text
    assert "Asked for at 16:58: four E cylinders, to the hut" in text
    # Named at 16:45 and 16:53; the first line after each that is a decision, and one on its tag.
    assert "Inject 1, given 16:45: 'Three cylinders stand here. Which one first?'" in text
    assert "First decision after 1 min: connected, C1, D-01, R-1." in text
    assert "Inject 2, given 16:53" in text
    assert "First decision after 12 min: swapped, C1, D-02, R-1." in text
    assert "Injects 3, 4, 5, 6, 7, 8, 10: in no log, so counted as not given." in text
    page = html.read_text(encoding="utf-8")
    assert page.count(">Strengths</th>") == len(CORVENNA.objectives)
    assert main(["exercise", FILE, "--log", *logs, "--json", "-"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert [s["at_min"] for s in result["swaps"]] == [25.0]
    # Inject 2 made D-02 read 300: at 15 L/min it is at the safe residual within minutes.
    immediate = next(c for c in result["by_category"] if c["triage"] == "immediate")
    assert immediate["minutes_out"] > 20
    given = [f["number"] for row in result["objectives"] for f in row["injects"]]
    assert given == [1, 2, 9]


def test_the_same_logs_are_reviewed(logs: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", INCIDENT, *logs]) == 0
    text = capsys.readouterr().out
    assert "KNOWN AT THE TIME" in text
    assert "C1" in text


def test_a_note_names_an_inject() -> None:
    def note(words: str | None) -> int | None:
        return named_inject(LogEntry("a", 1.0, Note(), note=words))

    assert [note(w) for w in ("inject 3", "Inject no. 12 given", "INJECT #4")] == [3, 12, 4]
    assert [note(w) for w in ("inject 3 not given", "skipped inject 3", "injection 3", None)] == [
        None] * 4  # fmt: skip
    read = GaugeRead(Pressure(900.0, "psi"), "D-01")
    assert named_inject(LogEntry("a", 1.0, read, note="inject 3")) is None


def test_a_run_from_entries() -> None:
    entries = [
        LogEntry("a", 5.0, Note(), note="inject 2"),
        LogEntry("b", 9.0, Note(), note="inject 2"),
        LogEntry("c", 7.0, Note(), note="inject 1"),
        LogEntry("d", 3.0, Note(), note="inject 1", replaces="c"),
        LogEntry("e", 6.0, Note(), note="inject 99"),
        LogEntry("f", -4.0, Found("C1")),
        LogEntry("g", 30.0, Swapped("C1", "D-02"), role="Controller at hut"),
        LogEntry("h", 31.0, Swapped("C2", "D-03"), role="leader"),
    ]
    typed = typed_in(CORVENNA, entries)
    assert [(g.inject.number, g.minute) for g in typed.run.given] == [(1, 3.0), (2, 5.0)]
    assert 1 not in typed.not_named
    assert 3 in typed.not_named
    by = {t.entry.id: (t.by, t.minute) for t in typed.run.told}
    assert by["f"] == ("controller", 0.0)
    assert by["g"] == ("controller", 30.0)
    assert by["h"] == ("players", 31.0)
    assert by["e"] == ("players", 6.0)  # no such inject: a note like any other
    assert typed.run.minute == 31.0
    assert typed_in(CORVENNA, []).run.minute == 0.0


# ----- bad input --------------------------------------------------------------------------------


def refused(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["exercise", *words]) == 2
    out = capsys.readouterr()
    assert out.out == ""
    return out.err


def test_bad_input_all_at_once_and_nothing_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = tmp_path / "book.html"
    words = ["--controller", str(book), "--players", str(book), "--seed", "-3"]
    told = refused([FILE, *words, "--html", str(tmp_path / "x.html")], capsys)
    assert told.startswith("3 faults")
    assert all(name in told for name in ("--players", "--seed", "--html"))
    told = refused([FILE, "--players", str(tmp_path / "no" / "p.html")], capsys)
    assert "--players" in told
    assert list(tmp_path.iterdir()) == []


def test_no_file_is_written_over_what_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    evening = log(tmp_path, "leader.csv", LEADER)
    before = Path(evening).read_bytes()
    told = refused([FILE, "--log", evening, "--controller", evening], capsys)
    assert "the same file as a log" in told
    assert Path(evening).read_bytes() == before


def test_other_files_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = refused([INCIDENT], capsys)
    assert re.search(r"1 fault.*an incident file.*an exercise file", told, flags=re.DOTALL)
    assert "nope.toml" in refused([str(tmp_path / "nope.toml")], capsys)
    words = [FILE, "--players", str(tmp_path / "p.html"), "--log", str(tmp_path / "no.csv")]
    assert "no.csv" in refused(words, capsys)
    junk = tmp_path / "junk.csv"
    junk.write_text("a,b\n1,2\n", encoding="utf-8")
    assert "junk" in refused([FILE, "--log", str(junk)], capsys)
    assert not (tmp_path / "p.html").exists()
