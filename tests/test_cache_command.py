"""The command ``cache``: results whole or not at all, faults told, an impossible target said."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from planner.banner import BANNER
from planner.cache.answer import Effort
from planner.cache.study import Limits, Study
from planner.cache.study_document import write_study
from planner.cache.whole import Whole
from planner.cli import main
from tests.test_cache_words import EFFORT, small, small_content, small_whole


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    def little(seed: int, samples: int) -> Effort:
        assert samples == 100
        return replace(EFFORT, seed=seed)

    monkeypatch.setattr(Effort, "of", staticmethod(little))


def run(folder: Path, *words: str) -> int:
    study = str(folder / "study.toml")
    return main(["cache", study, "--samples", "100", "--workers", "1", *words])


def test_it_is_printed_and_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def known(study: Study, effort: Effort, *_: object, **__: object) -> Whole:
        asked.append((study, effort.seed))
        return small_whole()

    monkeypatch.setattr("planner.cache.whole.whole_answer", known)
    write_study(small(), tmp_path / "study.toml")
    targets = {name: str(tmp_path / name) for name in ("out.html", "tables", "out.json")}
    assert run(tmp_path, "--html", targets["out.html"], "--csv", targets["tables"], "--json",
               targets["out.json"], "--seed", "2") == 0  # fmt: skip
    text = capsys.readouterr().out
    assert text.startswith(BANNER)
    assert "Holds " in text
    tree = json.loads((tmp_path / "out.json").read_text("utf-8"))
    assert tree == json.loads(small_content())
    assert asked == [(small(), 2)]
    assert BANNER in (tmp_path / "out.html").read_text("utf-8")
    assert {p.name for p in (tmp_path / "tables").iterdir()} == {
        "stocks.csv", "loads.csv", "beside.csv", "frontier.csv", "changes.csv", "holds.csv",
        "READ-ME.txt",
    }  # fmt: skip


def test_a_target_out_of_reach_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    poor = small(limits=Limits(load_kg=18.0, pack_kg=1.8, budget=300.0), target_chance=0.01)
    write_study(poor, tmp_path / "study.toml")
    assert run(tmp_path, "--require-target", "--seed", "2", "--json", "-") == 1
    tree = json.loads(capsys.readouterr().out)
    assert tree["run"]["seed"] == 2
    assert not tree["is_reachable"]
    assert [offer["name"] for offer in tree["offers"]] == ["best reachable"]
    assert tree["offers"][0]["price"] <= 300.0
    assert tree["offers"][0]["anyone"]["chance"] > 0.01


def test_a_bad_study_is_told_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_study(small(), tmp_path / "study.toml")
    text = (tmp_path / "study.toml").read_text("utf-8")
    (tmp_path / "study.toml").write_text(text.replace('size = "jumbo D"', 'size = "jumbo Q"'))
    assert (
        run(tmp_path, "--html", str(tmp_path / "o.html"), "--json", str(tmp_path / "o.json")) == 2
    )
    assert "jumbo Q" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["study.toml"]


def test_a_target_that_cannot_be_written_is_refused_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_study(small(), tmp_path / "study.toml")
    assert run(tmp_path, "--html", str(tmp_path / "none" / "o.html")) == 2
    assert "--html" in capsys.readouterr().err


def test_ctrl_c_ends_it_with_130_and_nothing_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    write_study(small(), tmp_path / "study.toml")
    monkeypatch.setattr("planner.cache.whole.whole_answer", interrupted)
    assert run(tmp_path, "--html", str(tmp_path / "o.html")) == 130
    assert "nothing was written" in capsys.readouterr().err
    assert not (tmp_path / "o.html").exists()
