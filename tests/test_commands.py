"""The commands as a newcomer runs them: output, exit codes, files, nothing half done."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from planner.cli import main

ROOT = Path(__file__).parents[1]
SCENARIOS = ROOT / "scenarios"
BANNER = "EXERCISE - NOT FOR PATIENT CARE"
QUICK = ["--samples", "400", "--effort", "5"]
TEXTS = ["ulvaren-bowl", "quessel-hut", "drommick-chair", "pelvarra-camp", "ostrenga-pass"]
# contract.md, "Result": the keys that stay.
CONTRACT = {
    "schema", "kind", "run", "incident", "lasts", "risk", "best_possible", "rules", "now",
    "no_oxygen", "waiting", "swaps", "list", "kept_for", "request", "solver", "cylinders",
    "series", "assumptions", "sources", "notes",
}  # fmt: skip


def path(name: str) -> str:
    return str(SCENARIOS / f"{name}.toml")


def planned(name: str, capsys: pytest.CaptureFixture[str], *more: str) -> dict[str, object]:
    assert main(["plan", path(name), *QUICK, "--json", "-", *more]) == 0
    found = json.loads(capsys.readouterr().out)
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize("name", TEXTS)
def test_plan_text_is_banner_to_banner_and_fits_the_width(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", path(name), *QUICK]) == 0
    captured = capsys.readouterr()
    lines = captured.out.rstrip("\n").split("\n")
    assert lines[0] == lines[-1] == BANNER
    assert max(len(line) for line in lines) <= 100
    assert captured.out.isprintable() or set(captured.out) - {"\n"} == {
        c for c in captured.out if c.isprintable()
    }
    assert "that anyone runs out" in captured.out


@pytest.mark.parametrize("name", TEXTS)
def test_plan_json_keeps_the_contract(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    result = planned(name, capsys)
    assert set(result) >= CONTRACT
    assert result["kind"] == "plan"
    everyone = [
        row["patient"]
        for key in ("now", "no_oxygen", "waiting")
        for row in result[key]  # type: ignore[attr-defined]
    ]
    incident = (SCENARIOS / f"{name}.toml").read_text()
    assert len(everyone) == len(set(everyone)) == incident.count("\n[[patients]]")
    risk = result["risk"]
    for tier in ("anyone", "immediate", "immediate_or_delayed"):
        row = risk[tier]  # type: ignore[index]
        assert 0 <= row["low"] <= row["chance"] <= row["high"] <= 1
    assert risk["anyone"]["chance"] >= risk["immediate"]["chance"]  # type: ignore[index]
    on = [row["on"] for row in result["swaps"] if row["on"]]  # type: ignore[attr-defined]
    assert len(on) == len(set(on))
    for row in result["swaps"]:  # type: ignore[attr-defined]
        assert row["early_min"] <= row["expected_min"] <= row["late_min"]
        assert re.fullmatch(r"\d\d:\d\d", row["clock"])


def test_nobody_is_in_two_places_in_the_printed_schedule(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for name in TEXTS:
        busy: dict[str, list[float]] = {}
        for row in planned(name, capsys)["swaps"]:  # type: ignore[attr-defined]
            if row["responder"] is not None:
                busy.setdefault(row["responder"], []).append(row["expected_min"])
        assert busy or name == "pelvarra-camp"
        for minutes in busy.values():
            gaps = [b - a for a, b in zip(sorted(minutes), sorted(minutes)[1:], strict=False)]
            assert min(gaps, default=3.0) >= 3.0 - 1e-9  # swap_min of the shipped incidents


def test_same_seed_same_bytes_in_two_processes_and_another_seed_differs() -> None:
    texts = []
    for seed, hashing in (("1", "1"), ("1", "2"), ("2", "1")):
        done = subprocess.run(
            [sys.executable, "-m", "planner", "plan", path("ulvaren-bowl"), *QUICK, "--seed", seed,
             "--json", "-"],
            capture_output=True, text=True, check=True, cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": hashing},
        )  # fmt: skip
        assert done.stderr == ""
        result = json.loads(done.stdout)
        del result["run"]
        texts.append(json.dumps(result))
    assert texts[0] == texts[1]
    assert texts[0] != texts[2]


def test_json_file_is_written_whole_and_the_text_still_comes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "plan.json"
    target.write_text("old")
    assert main(["plan", path("pelvarra-camp"), *QUICK, "--json", str(target)]) == 0
    assert json.loads(target.read_text())["kind"] == "plan"
    assert BANNER in capsys.readouterr().out
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]


def test_json_into_a_missing_folder_is_one_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "no such folder" / "plan.json"
    assert main(["last", "D", "--gauge", "1850psi", "--flow", "15", "--json", str(target)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 2


def test_require_target(capsys: pytest.CaptureFixture[str]) -> None:
    # Quessel is hopeless by chance: whatever is done somebody runs out, in almost every sample.
    assert main(["plan", path("quessel-hut"), *QUICK, "--require-target"]) == 1
    # Its twin asks for nothing.
    assert main(["plan", path("quessel-hut"), *QUICK]) == 0
    capsys.readouterr()


def test_a_starved_solver_falls_back_to_the_best_rule_and_says_so(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code = main(["plan", path("harrow-col-forty"), *QUICK, "--time-limit", "0.0001"])
    out = capsys.readouterr().out
    assert code == 3
    assert "No solver plan within the limits" in out
    assert "not repeatable" in out


def test_compare_puts_rules_and_limits_side_by_side(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", path("ulvaren-bowl"), *QUICK]) == 0
    text = capsys.readouterr().out
    for word in ("(a)", "(b)", "(c)", "lowest", "Any least", BANNER):
        assert word in text
    assert max(map(len, text.splitlines())) <= 100
    assert main(["compare", path("ulvaren-bowl"), *QUICK, "--json", "-"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert next(row["name"] for row in result["rows"]) == "plan"
    for row in result["rows"]:
        # A lower bound stays under what is given (these swaps are not late).
        assert (
            row["best_possible_at_its_options"]["anyone"]["chance"]
            <= row["risk"]["anyone"]["chance"]
        )


@pytest.mark.parametrize("name", [*TEXTS, "harrow-col-forty"])
def test_check_says_what_an_incident_holds(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", path(name)]) == 0
    text = capsys.readouterr().out
    assert text.startswith(BANNER)
    assert max(map(len, text.splitlines())) <= 100
    assert main(["check", path(name), "--json", "-"]) == 0
    result = json.loads(capsys.readouterr().out)
    patients = sum(sum(row.values()) for row in result["patients"].values())
    assert patients == {"harrow-col-forty": 40}.get(name) or patients == (
        SCENARIOS / f"{name}.toml"
    ).read_text().count("\n[[patients]]")
    assert sum(row["litres"] for row in result["oxygen"]) > 0


@pytest.mark.parametrize("command", ["plan", "check", "compare"])
def test_faults_are_told_all_at_once_and_nothing_else(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = Path(path("ulvaren-bowl")).read_text()
    text = re.sub(r'(triage\s*= )"immediate"', r'\1"imediate"', text, count=1)
    text = re.sub(r"(altitude_m\s*=) 2150", r"\1 215000", text)
    broken = tmp_path / "broken.toml"
    broken.write_text(text)
    target = tmp_path / "out.json"
    assert main([command, str(broken), "--json", str(target)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("2 faults, nothing was written:")
    assert "immediate" in captured.err
    assert "Traceback" not in captured.err
    assert not target.exists()
    assert str(tmp_path) not in captured.err


def test_a_missing_file_is_one_fault(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "no-such-file.toml"]) == 2
    assert "no-such-file.toml" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["last", "D", "--gauge", "1850psi", "--flow", "15", "--used-at", "-12C"], "psi"),
        (["last", "jumbo D", "--gauge", "2000psi", "--flow", "15"], "change it after"),
        (["last", "5 L", "--gauge", "200bar", "--flow", "12", "--change-at", "30bar"], "bar"),
        (["last", "D", "--gauge", "400psi", "--flow", "15"], "change it now"),
    ],
)
def test_last_in_words(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 0
    text = capsys.readouterr().out
    assert text.splitlines()[0] == text.splitlines()[-1] == BANNER
    assert words in text


def test_last_agrees_with_the_handbook_and_with_real_gas(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # D, 2000 psi, residual 200, 10 L/min: 28.8 min (first-aid course table).
    assert main(["last", "D", "--gauge", "2000psi", "--flow", "10", "--json", "-"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["handbook_min"]["to_residual"] == pytest.approx(28.8, abs=0.05)
    # Cold gas at an equal reading holds more: real gas at 10 C gives longer than the factor.
    assert result["real_gas_min"]["to_residual"] > result["handbook_min"]["to_residual"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["last", "Q", "--gauge", "1850", "--flow", "15", "--used-at", "warm"],
        ["last", "D", "--gauge", "1850psi", "--flow", "-3"],
        ["last", "D", "--gauge", "99999psi", "--flow", "15"],
        ["last", "D", "--gauge", "1850psi", "--flow", "nan"],
    ],
)
def test_last_refuses_nonsense(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with_exit = 0
    try:
        with_exit = main(arguments)
    except SystemExit as end:
        with_exit = int(str(end.code))
    captured = capsys.readouterr()
    assert with_exit == 2
    assert captured.out == ""
    assert "Traceback" not in captured.err


@pytest.mark.parametrize(
    "more", [["--seed", "x"], ["--seed", "-1"], ["--samples", "5"], ["--time-limit", "0"]]
)
def test_bad_options_exit_with_2(more: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["plan", path("ulvaren-bowl"), *more])
    assert end.value.code == 2
    assert "allowed" in capsys.readouterr().err


def test_user_text_that_looks_like_markup_stays_text(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = Path(path("pelvarra-camp")).read_text().replace('"P4"', '"[red]P4[/red] :fire:"')
    copy = tmp_path / "markup.toml"
    copy.write_text(text)
    assert main(["plan", str(copy), *QUICK]) == 0
    assert "[red]P4[/red] :fire:" in capsys.readouterr().out
