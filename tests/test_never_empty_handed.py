"""Whatever befalls the solver, or whoever is impatient, there is a plan and it says what it is."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from planner.cli import main
from planner.errors import SolverError
from planner.files import read_incident
from planner.plan import Plan
from planner.report.result import STOPPED
from planner.report.view import view_of
from planner.rules import RULES
from planner.workflow import Request, make_plan

SCENARIOS = Path(__file__).parents[1] / "scenarios"
FORTY = SCENARIOS / "harrow-col-forty.toml"
QUICK = Request(samples=500, effort=3)


def raising(error: BaseException) -> Callable[..., None]:
    def broken(*_: object, **__: object) -> None:
        raise error

    return broken


def planned() -> Plan:
    return make_plan(read_incident(SCENARIOS / "ulvaren-bowl.toml").incident, None, QUICK)


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (SolverError("the solver gave no plan: INFEASIBLE"), "INFEASIBLE"),
        (SolverError("the model is invalid: x"), "invalid"),
        (RuntimeError("internal"), "broken: RuntimeError"),
        (MemoryError(), "broken: MemoryError"),
    ],
)
def test_infeasible_invalid_or_broken(
    error: BaseException, status: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("planner.allocation.propose.allocate", raising(error))
    plan = planned()
    assert plan.is_fallback
    assert status in plan.solver[0].status
    assert plan.solver[0].bound is None
    best = min((r for r in plan.rules), key=lambda r: r.risk.objective.value)
    assert plan.policy in [r.policy for r in plan.rules]
    assert plan.risk.objective.value <= best.risk.objective.value + 0.02  # chosen on other samples
    assert plan.source in {name for name, _ in RULES}
    assert f"this is the simple rule '{plan.source}'" in view_of(plan).label
    # Twin: left alone the solver has a plan.
    monkeypatch.undo()
    assert not planned().is_fallback


@pytest.mark.parametrize("seconds", ["0.05", "0.0001"])
def test_starved(seconds: str, capsys: pytest.CaptureFixture[str]) -> None:
    # Drawing the samples of forty people alone takes longer than either.
    words = ["plan", str(FORTY), "--samples", "300", "--effort", "2", "--time-limit", seconds]
    assert main(words) == 3
    out = capsys.readouterr().out
    assert "No solver plan within the limits: this is the simple rule" in out
    assert "not repeatable" in out


def test_interrupted_by_hand_gives_the_best_so_far_labelled(tmp_path: Path) -> None:
    out = tmp_path / "plan.json"
    words = ["plan", str(FORTY), "--samples", "300", "--effort", "100000", "--json", str(out)]
    environment = os.environ | {"PYTHONUNBUFFERED": "1"}
    child = subprocess.Popen(
        [sys.executable, "-m", "planner", *words],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment,
    )  # fmt: skip
    # It says nothing while it works (no terminal), so it is given time to be in the search; a
    # slower machine is still before it, which must end alike.
    time.sleep(6)
    assert child.poll() is None
    child.send_signal(signal.SIGINT)
    text, _ = child.communicate(timeout=120)
    assert child.returncode == 130
    assert STOPPED[1:] in text
    result = json.loads(out.read_text())
    assert STOPPED in result["notes"]
    assert len(result["now"]) + len(result["no_oxygen"]) + len(result["waiting"]) == 40


def test_not_interrupted_is_not_labelled() -> None:
    assert view_of(planned()).label == ""
