"""The wrong kind of file gets one fault that says what it is and what reads it."""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.cli import main

SCENARIOS = Path(__file__).parents[1] / "scenarios"
FILES = {
    "incident": "ulvaren-bowl.toml", "study": "serrin-hut-study.toml",
    "region": "ondrel-region-study.toml", "exercise": "corvenna-traverse-exercise.toml",
    "stock": "serrin-hut-stock.csv", "log": "hallimoor-rib-log.csv",
    "wanted": "serrin-hut-wanted.csv",
}  # fmt: skip


def told(capsys: pytest.CaptureFixture[str], *words: str) -> list[str]:
    named = [str(SCENARIOS / FILES[word]) if word in FILES else word for word in words[1:]]
    assert main([words[0], *named]) == 2
    first, *faults = capsys.readouterr().err.splitlines()
    assert first.startswith(f"{len(faults)} fault")
    return faults


@pytest.mark.parametrize(
    ("command", "given", "is_called", "wanted", "reads"),
    [
        ("plan", "exercise", "an exercise", "an incident", "exercise EXERCISE"),
        ("check", "study", "a study of a cache", "an incident", "cache STUDY"),
        ("advise", "region", "a region's study", "an incident", "cache STUDY"),
        ("cache", "incident", "an incident", "a study of a cache", "plan INCIDENT"),
        ("cache", "exercise", "an exercise", "a study of a cache", "exercise EXERCISE"),
        ("exercise", "incident", "an incident", "an exercise", "plan INCIDENT"),
        ("exercise", "study", "a study of a cache", "an exercise", "cache STUDY"),
    ],
)
def test_one_fault_says_what_it_is(
    command: str, given: str, is_called: str, wanted: str, reads: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    assert told(capsys, command, given) == [
        f"- {FILES[given]}: received {is_called} file; allowed: {wanted} file. "
        f"Such a file is read by: oxygen-planner {reads}"
    ]


def test_a_situation_and_an_incident_are_told_apart(capsys: pytest.CaptureFixture[str]) -> None:
    (fault,) = told(capsys, "plan", "incident", "--state", str(SCENARIOS / FILES["incident"]))
    assert "received an incident file; allowed: a situation file" in fault


@pytest.mark.parametrize(
    ("words", "begin"),
    [
        (("stock", "incident"), "tag, size, gauge_psi"),
        (("stock", "log"), "tag, size, gauge_psi"),
        (("stock", "wanted"), "tag, size, gauge_psi"),
        (("stock", "stock", "--wanted", "stock"), "size, count, place"),
        (("journal", "incident", "stock"), "clock, plus_minus_min"),
        (("review", "incident", "study"), "clock, plus_minus_min"),
    ],
)
def test_a_table_of_something_else(
    words: tuple[str, ...], begin: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (fault,) = told(capsys, *words)
    assert "line 1: received " in fault
    assert "allowed: a header line" in fault
    assert begin in fault


def test_a_region_is_no_study() -> None:
    from planner.cache.reading import read_study
    from planner.errors import InputError

    with pytest.raises(InputError) as told:
        read_study(SCENARIOS / FILES["region"])
    assert [f.received for f in told.value.faults] == ["a region's study file"]


def test_a_log_with_misspelt_columns_keeps_its_hints(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log.csv").write_text("clock,evnt,patiant,cylindr,notes\n14:05,found,A1,,\n")
    faults = told(
        capsys, "journal", str(SCENARIOS / "hallimoor-rib.toml"), str(tmp_path / "log.csv")
    )
    assert any("Did you mean event?" in fault for fault in faults)


def test_a_file_without_any_head_is_told_what_it_lacks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "x.toml").write_text('[places]\nname = "hut"\n')
    faults = told(capsys, "plan", str(tmp_path / "x.toml"))
    assert any("[incident] name: received nothing" in fault for fault in faults)
