"""The command ``review``: known at the time first, doubts told, JSON, bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from planner.banner import BANNER
from planner.cli import main

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
    # The first rows only, up to A2 on oxygen: two decision points, each a plan of its own.
    rows = Path(CASE[1]).read_bytes().split(b"\n")[:6]
    log = tmp_path / "rib.csv"
    log.write_bytes(b"\n".join(rows))
    assert main(["review", CASE[0], str(log), "--model", "--json", "-"]) == 0
    out = capsys.readouterr()
    result = json.loads(out.out)
    assert result["banner"] == BANNER
    assert out.err.count("planning on from minute") == 2
    made = result["known_at_the_time"]["modelled"]
    assert [row["at_min"] for row in made] == [6.0, 10.0]
    assert all(row["harm_by"]["low"] <= row["harm_by"]["value"] <= row["harm_by"]["high"]
               for row in made)  # fmt: skip


def test_json_has_the_doubts(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", *CASE, "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["doubts"]


def test_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", CASE[0], str(tmp_path / "none.csv")]) == 2
    assert "none.csv" in capsys.readouterr().err
