"""Faults found in the command line after it was first called done; each failed before its mend."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from planner.cli import main

ROOT = Path(__file__).parents[1]


def test_a_name_that_the_terminal_cannot_show_is_no_traceback(tmp_path: Path) -> None:
    text = (ROOT / "scenarios" / "pelvarra-camp.toml").read_text(encoding="utf-8")
    copy = tmp_path / "name.toml"
    copy.write_text(text.replace('"P4"', '"P4 \u0416\u5c71"'), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "planner", "check", str(copy)],
        capture_output=True, check=False, cwd=ROOT,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
    )  # fmt: skip
    assert b"Traceback" not in done.stderr
    assert done.returncode == 0
    plan = subprocess.run(
        [sys.executable, "-m", "planner", "plan", str(copy), "--samples", "100", "--effort", "1"],
        capture_output=True, check=False, cwd=ROOT,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
    )  # fmt: skip
    assert b"Traceback" not in plan.stderr
    assert plan.returncode == 0
    assert b"\\u0416" in plan.stdout


def test_last_tells_every_range_fault_at_once_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["last", "D", "--gauge", "99999psi", "--flow", "0", "--change-at", "100psi"]
    assert main([*arguments, "--used-at", "300C"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("4 faults")
    for name in ("--gauge", "--flow", "--change-at", "--used-at"):
        assert name in captured.err
    # Twin: the same command with values in range has no fault.
    assert main(["last", "D", "--gauge", "1900psi", "--flow", "6", "--used-at", "-5C"]) == 0


def test_an_unwritable_target_is_found_before_the_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import planner.workflow

    worked: list[int] = []
    monkeypatch.setattr(planner.workflow, "make_plan", lambda *_: worked.append(1))
    incident = str(ROOT / "scenarios" / "ulvaren-bowl.toml")
    target = tmp_path / "missing" / "plan.json"
    assert main(["plan", incident, "--json", str(target)]) == 2
    assert not worked
    assert "plan.json" in capsys.readouterr().err
