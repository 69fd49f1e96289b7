"""The folder for a spreadsheet: complete, harmless, right in either locale, whole or not at all."""

from __future__ import annotations

import csv
import json
import os
from functools import cache
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.banner import BANNER
from planner.cli import main
from planner.cli_output import give_folder
from planner.errors import InputError
from planner.files import read_incident
from planner.report.csv_folder import MARK, README, csv_files
from planner.report.plan_document import plan_document
from planner.spreadsheet import harmless
from planner.workflow import Request, make_plan

BOWL = Path(__file__).parents[1] / "scenarios" / "ulvaren-bowl.toml"
TABLES = ("now.csv", "swaps.csv", "list.csv", "chances.csv")
STARTS = "=+-@"


@cache
def bowl() -> dict[str, Any]:
    plan = make_plan(read_incident(BOWL).incident, request=Request(seed=3, samples=400, effort=2))
    tree: dict[str, Any] = json.loads(json.dumps(plan_document(plan)))
    return tree


def rows(text: str, separator: str = ",") -> list[dict[str, str]]:
    assert text.startswith(MARK)
    return list(csv.DictReader(StringIO(text[1:], newline=""), delimiter=separator))


def test_tables_hold_the_result() -> None:
    result = bowl()["result"]
    files = csv_files(bowl())
    assert set(files) == {*TABLES, README}
    now = rows(files["now.csv"])
    everyone = [*result["now"], *result["waiting"], *result["no_oxygen"]]
    assert [row["patient"] for row in now] == [row["patient"] for row in everyone]
    assert {row["state"] for row in now} == {"on oxygen", "not found yet", "no oxygen indicated"}
    swaps = rows(files["swaps.csv"])
    assert len(swaps) == len(result["swaps"]) > 5
    for row, swap in zip(swaps, result["swaps"], strict=True):
        assert row["patient"] == swap["patient"]
        assert row["off"] == (swap["off"] or "")
        assert float(row["expected_min"]) == pytest.approx(swap["expected_min"], rel=1e-5)
    listed = rows(files["list.csv"])
    assert [row["cylinder"] for row in listed] == [row["cylinder"] for row in result["list"]]
    assert [int(row["rank"]) for row in listed] == list(range(1, len(listed) + 1))
    chances = rows(files["chances.csv"])
    mine = {row["who"]: row for row in chances if row["plan"] == "this plan"}
    assert float(mine["anyone"]["chance"]) == pytest.approx(result["risk"]["anyone"]["chance"])
    for person in result["risk"]["by_patient"]:
        assert float(mine[person["patient"]]["high"]) == pytest.approx(person["high"], rel=1e-5)
    assert len({row["plan"] for row in chances}) == 1 + len(result["rules"]) + 2


def test_every_row_says_what_it_is_for() -> None:
    files = csv_files(bowl(), revision="revision 4")
    for name in TABLES:
        assert all(row["notice"] == BANNER for row in rows(files[name]))
    assert files[README].startswith(BANNER)
    assert "revision 4" in files[README]
    assert bowl()["result"]["incident"]["digest"][:12] in files[README]


def test_semicolons_and_decimal_commas_hold_the_same() -> None:
    commas, semicolons = csv_files(bowl()), csv_files(bowl(), is_semicolon=True)
    for name in TABLES:
        one, other = rows(commas[name]), rows(semicolons[name], ";")
        assert len(one) == len(other) > 0
        for row, twin in zip(one, other, strict=True):
            for column, cell in row.items():
                is_number = column in {"chance", "low", "high", "minutes_out", "litres",
                                       "handbook_litres", "expected_min"}  # fmt: skip
                assert twin[column] == (cell.replace(".", ",") if is_number else cell) or (
                    cell.replace(".", ",") == twin[column]
                )
    assert "0,0" in semicolons["chances.csv"]
    assert "--semicolon" in commas[README]


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@x", " =1", "\t=1", "a;=1", "a,=1", 'a;"=1', "\uff1d1", "a\n=1"]
)
def test_what_would_be_run_is_made_harmless(text: str) -> None:
    made = harmless(text)
    assert made != text
    assert made.replace("'", "") == text.replace("'", "")
    for separator in ",;\t|\n":
        for cell in made.split(separator):
            assert not cell.strip(" \"'").startswith(tuple(STARTS)) or "'" in cell


@pytest.mark.parametrize(
    "text", ["D-04", "a = b", "2 + 2", "x@y", "simple mask", "collection point"]
)
def test_plain_text_is_left_alone(text: str) -> None:
    """Twin of the test above."""
    assert harmless(text) == text


@settings(derandomize=True, max_examples=400, deadline=None)
@given(st.text(alphabet="a1 =+-@,;\t\"'|\uff1d", max_size=12))
def test_no_split_of_the_line_gives_a_formula(text: str) -> None:
    """Written as either file and read with any separator, no cell begins as a formula does."""
    tree = json.loads(json.dumps(bowl()))
    tree["result"]["swaps"][0]["patient"] = text
    for is_semicolon in (False, True):
        line = csv_files(tree, is_semicolon=is_semicolon)["swaps.csv"].split("\r\n", 1)[1]
        for separator in ",;\t|":
            for cells in csv.reader(StringIO(line, newline=""), delimiter=separator):
                for cell in cells:
                    assert not cell.lstrip(' "').startswith((*STARTS, "\uff1d")), (text, cell)


# ----- written ----------------------------------------------------------------------------------


def test_command_writes_both(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheets, tables = tmp_path / "sheets.html", tmp_path / "tables"
    words = ["plan", str(BOWL), "--samples", "300", "--effort", "0", "--html", str(sheets),
             "--csv", str(tables), "--semicolon"]  # fmt: skip
    assert main(words) == 0
    first_line = capsys.readouterr().out.splitlines()[3]
    assert first_line.split(";")[0] in sheets.read_text(encoding="utf-8")
    assert sorted(p.name for p in tables.iterdir()) == sorted([*TABLES, README])
    assert rows((tables / "list.csv").read_bytes().decode(), ";")[0]["rank"] == "1"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["sheets.html", "tables"]


def test_every_target_that_cannot_be_written_is_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("mine")
    words = ["plan", str(BOWL), "--html", str(tmp_path), "--csv", str(tmp_path / "file"),
             "--json", str(tmp_path / "no" / "x.json")]  # fmt: skip
    assert main(words) == 2
    told = capsys.readouterr().err
    assert told.startswith("3 faults, nothing was written")
    assert all(name in told for name in ("--html", "--csv", "--json"))
    assert (tmp_path / "file").read_text() == "mine"


def test_semicolon_without_a_folder_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", str(BOWL), "--semicolon"]) == 2
    assert "Give --csv FOLDER too" in capsys.readouterr().err


def test_a_folder_keeps_what_else_is_in_it(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine")
    (folder / "now.csv").write_text("old")
    give_folder(str(folder), {"now.csv": "new", "list.csv": "new"})
    assert {p.name: p.read_text() for p in folder.iterdir()} == {
        "notes.txt": "mine", "now.csv": "new", "list.csv": "new",
    }  # fmt: skip


@pytest.mark.parametrize("is_new", [True, False])
def test_a_folder_that_breaks_off_is_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_new: bool
) -> None:
    """The disk is full at the second file: nothing of the first is left."""
    folder = tmp_path / "tables"
    if not is_new:
        folder.mkdir()
        (folder / "now.csv").write_text("old")
    synced = os.fsync
    calls: list[int] = []

    def full(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")
        synced(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        give_folder(str(folder), {"now.csv": "new", "list.csv": "new"})
    found = {
        str(p.relative_to(tmp_path)): p.read_text() for p in tmp_path.rglob("*") if p.is_file()
    }
    assert found == ({} if is_new else {"tables/now.csv": "old"})
    assert [p.name for p in tmp_path.iterdir()] == ([] if is_new else ["tables"])
