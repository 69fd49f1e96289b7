"""The command ``review``: known at the time first, doubts told, JSON, bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from planner.banner import BANNER
from planner.call import Call
from planner.cli import main
from planner.document import incident_document
from planner.errors import InputError
from planner.files import read_incident
from planner.journal.events import Journal
from planner.journal.files import journal_tree
from planner.journal.reading_log import raw_log, read_logs
from planner.journal.stock import stock_of
from planner.review.lines import review_lines
from planner.review.report import review_of
from planner.tasks import TASKS

FOLDER = Path(__file__).parents[1] / "scenarios"
CASE = [str(FOLDER / "hallimoor-rib.toml"), str(FOLDER / "hallimoor-rib-log.csv")]


def test_parts_in_their_order(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", *CASE]) == 0
    text = capsys.readouterr().out
    assert text.startswith(BANNER)
    parts = ("KNOWN AT THE TIME", "FACTS", "INFERENCE", "RECOMMENDATIONS", "IMPROVEMENT LIST",
             "HINDSIGHT", "DOUBTS")  # fmt: skip
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    assert "planning on" not in text.lower()


def test_json_and_modelled(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # The first rows only, up to A1 on oxygen: one decision point (two: the page's task, below).
    rows = Path(CASE[1]).read_bytes().split(b"\n")[:4]
    log = tmp_path / "rib.csv"
    log.write_bytes(b"\n".join(rows))
    assert main(["review", CASE[0], str(log), "--model", "--json", "-"]) == 0
    out = capsys.readouterr()
    result = json.loads(out.out)
    assert result["banner"] == BANNER
    assert out.err.count("planning on from minute") == 1
    made = result["known_at_the_time"]["modelled"]
    assert [row["at_min"] for row in made] == [6.0]
    assert all(row["harm_by"]["low"] <= row["harm_by"]["value"] <= row["harm_by"]["high"]
               for row in made)  # fmt: skip


def test_json_has_the_doubts(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", *CASE, "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["doubts"]


def test_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", CASE[0], str(tmp_path / "none.csv")]) == 2
    assert "none.csv" in capsys.readouterr().err


def test_the_pages_task_gives_the_same_review_and_can_be_stopped() -> None:
    """Asked to stop after the first of two decision points, it tells of one."""
    incident = read_incident(Path(CASE[0])).incident
    text = b"\n".join(Path(CASE[1]).read_bytes().split(b"\n")[:6]).decode()
    reading = read_logs([raw_log(text, "rib", 0.0)], incident.start, stock_of(incident))
    journal = Journal(incident.name, incident.start, reading.entries)
    payload = {"incident": incident_document(incident, with_assumed=True),
               "journal": journal_tree(journal), "doubts": ["one <doubt>"]}  # fmt: skip
    payload = json.loads(json.dumps(payload, default=lambda value: value.isoformat()))  # as sent
    asked: list[bool] = []

    def is_stopped() -> bool:
        asked.append(True)
        return len(asked) > 1

    told: list[str] = []
    found = TASKS["review"](Call(payload, told.append, is_stopped))
    assert told == ["decision point 1 of 2, minute 6"]
    assert (found["points"], found["is_complete"]) == (1, False)
    bare = review_lines(review_of(journal, incident))
    assert len(found["lines"]) > len(bare)
    assert "one &lt;doubt&gt;" in found["html"]
    with pytest.raises(InputError, match="journal"):
        TASKS["review"](Call({**payload, "journal": 3}, told.append, is_stopped))
