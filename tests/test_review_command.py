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


def test_json_and_modelled(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", *CASE, "--model", "--json", "-"]) == 0
    out = capsys.readouterr()
    result = json.loads(out.out)
    assert result["banner"] == BANNER
    assert result["doubts"]
    assert "planning on from minute" in out.err


def test_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", CASE[0], str(tmp_path / "none.csv")]) == 2
    assert "none.csv" in capsys.readouterr().err
