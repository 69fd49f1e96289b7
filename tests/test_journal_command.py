"""The command that reads logs: doubts told, a state at a minute, the log as read in a file."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from planner.banner import BANNER
from planner.cli import main
from planner.journal.files import journal_from_json

GULLY = str(Path(__file__).parents[1] / "scenarios" / "tamsel-gully.toml")
LOG = """\
clock,event,patient,cylinder,regulator,device,flow_lpm,gauge,temperature,place,role,note
11:42,connected,T1,D-01,R-1,non-rebreather,12,1700 psi,-9 C,debris,patroller,
11:50,gauge read,T1,,,,,about 1000,,debris,patroller,hissing at the yoke
11:56,swapped,T1,D-02,R-1,,12,1700 psi,-9 C,debris,patroller,old washer torn
12:20,connected,T4,M60-1,Twin-1,simple mask,8,2000 psi,,collection point,medic,<b>&amp;
"""


@pytest.fixture
def log(tmp_path: Path) -> str:
    path = tmp_path / "line.csv"
    path.write_text(LOG)
    return str(path)


def test_doubts_and_state(log: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["journal", GULLY, log, "--at", "12:00"]) == 0
    text = capsys.readouterr().out
    assert text.startswith(BANNER)
    assert "4 entries read" in text
    assert "gauge 'about 1000'" in text
    assert "D-02 on R-1, non-rebreather 12 L/min" in text
    assert "D-01 at 11:50: read 1000 psi, lower than expected" in text
    assert "T4" not in text.split("Patients by the record")[1]  # only from 12:20 on
    # Twin: later it is there, and the tag was read as the nearest.
    assert main(["journal", GULLY, log, "--at", "45"]) == 0
    text = capsys.readouterr().out
    assert "M60-01 on Twin-1, simple mask 8 L/min" in text.split("Patients by the record")[1]


def test_json_and_the_log_as_read(
    log: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clean = tmp_path / "clean.json"
    assert main(["journal", GULLY, log, "--json", "-", "--clean", str(clean)]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["banner"] == BANNER
    assert result["at_min"] == 40.0  # the last entry
    assert len(result["entries"]) == 4
    assert {d["field"] for d in result["doubts"]} >= {"gauge", "cylinder"}
    journal = journal_from_json(clean.read_text())
    assert [entry.at_min for entry in journal.entries] == [2.0, 10.0, 16.0, 40.0]


def test_bad_input_is_told_and_nothing_written(
    log: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clean = tmp_path / "clean.json"
    assert main(["journal", GULLY, log, "--at", "noon", "--clean", str(clean)]) == 2
    assert "--at" in capsys.readouterr().err
    assert main(["journal", GULLY, str(tmp_path / "none.csv"), "--clean", str(clean)]) == 2
    assert "none.csv" in capsys.readouterr().err
    words = tmp_path / "words.csv"
    words.write_text("a,b\n1,2\n")
    assert main(["journal", GULLY, str(words), "--clean", str(clean)]) == 2
    assert not clean.exists()
    assert main(["journal", GULLY, log, "--clean", str(tmp_path / "no" / "folder.json")]) == 2


def test_a_log_in_bar_is_told_in_bar(capsys: pytest.CaptureFixture[str]) -> None:
    scenarios = Path(__file__).parents[1] / "scenarios"
    files = [str(scenarios / f"brennick-saddle{end}") for end in (".toml", "-log.csv")]
    assert main(["journal", *files, "--at", "14:00"]) == 0
    text = capsys.readouterr().out
    assert "read 48 bar, lower than expected" in text
    assert "psi" not in text
