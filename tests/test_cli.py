"""The command line beyond what ``test_commands`` shows: streams, units, faults, files, texts.

Everything runs in this process, except where the process itself is what is asked about.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from planner.cli import main

ROOT = Path(__file__).parents[1]
BANNER = "EXERCISE - NOT FOR PATIENT CARE"
QUICK = ["--samples", "100", "--effort", "0"]
SMALL = """
schema = 1
[incident]
name = "Small"
start = 2027-02-14T13:20:00
[[places]]
name = "hut"
[[patients]]
tag = "U1"
triage = "immediate"
indication = "major trauma"
transfer_min = 20
[[cylinders]]
tag = "D-03"
size = "D"
gauge_psi = 2000
[[cylinders]]
tag = "D-04"
size = "D"
gauge_psi = 2000
[[regulators]]
tag = "R-1"
connection = "CGA 870"
[[devices]]
kind = "non-rebreather"
count = 2
[[responders]]
tag = "R1"
"""
# At 15 L/min a full D is good for about 17 min: two hold 20 min almost surely, one half full none.
SCARCE = SMALL.replace("gauge_psi = 2000", "gauge_psi = 600")


@pytest.fixture
def small(tmp_path: Path) -> Path:
    return written(tmp_path, SMALL)


def written(folder: Path, text: str, name: str = "small.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    """Exit code, standard output and error stream, however the parser ends."""
    try:
        code = main([str(a) for a in arguments])
    except SystemExit as end:
        code = int(str(end.code or 0))
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return code, captured.out, captured.err


def last(capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str, str]:
    return run(capsys, "last", "D", "--gauge", "1850psi", "--flow", "15", *more)


# ----- plan ------------------------------------------------------------------------------------


def test_plan_of_a_small_file(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "plan", small, *QUICK)
    assert (code, err) == (0, "")
    assert "U1" in out
    assert out.startswith(BANNER)
    assert out.endswith(f"{BANNER}\n")


def test_require_target_by_supply(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plenty = written(tmp_path, SMALL)
    scarce = written(tmp_path, SCARCE, "scarce.toml")
    assert run(capsys, "plan", plenty, *QUICK, "--require-target")[0] == 0
    # Two cylinders of 600 psi hold 100 psi above the change pressure each: minutes, not 20.
    code, out, err = run(capsys, "plan", scarce, *QUICK, "--require-target")
    assert (code, err) == (1, "")
    assert "certain (in all 100 samples)" in out.lower()  # the plan is given all the same
    assert run(capsys, "plan", scarce, *QUICK)[0] == 0


def test_samples_and_seed_are_those_asked_for(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(
        capsys, "plan", small, "--samples", "123", "--seed", "9", "--effort", "0", "--json", "-"
    )
    result = json.loads(out)
    assert code == 0
    assert (result["run"]["samples"], result["run"]["seed"]) == (123, 9)
    assert result["risk"]["samples"] == 123


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--seed", "one"], "allowed: 0 to"),
        (["--seed", "2147483648"], "allowed: 0 to"),
        (["--samples", "99"], "allowed: 100 to"),
        (["--samples", "1e4"], "allowed: 100 to"),
        (["--samples", "1000001"], "allowed: 100 to"),
        (["--effort", "-1"], "allowed: 0 to"),
        (["--time-limit", "nan"], "allowed"),
        (["--time-limit", "inf"], "allowed"),
        (["--sample", "500", "--seed"], "expected one argument"),
        (["--colour"], "unrecognized arguments"),
    ],
)
def test_bad_options_are_told(
    more: list[str], words: str, small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "plan", small, *more)
    assert (code, out) == (2, "")
    assert words in err


def test_no_command_and_an_unknown_one(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in ([], ["treat"], ["plan"], ["last", "D"]):
        code, out, err = run(capsys, *arguments)
        assert (code, out) == (2, "")
        assert err
    assert "examples:" in run(capsys)[2]  # nothing said: all there is to say


@pytest.mark.parametrize("arguments", [["--help"], ["plan", "--help"], ["last", "--help"]])
def test_help_carries_the_banner(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *arguments)
    assert (code, err) == (0, "")
    assert BANNER in " ".join(out.split())


# ----- faults ----------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["plan", "check", "compare"])
def test_every_fault_is_told_at_once_and_how_to_mend_it(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (
        SMALL.replace('"immediate"', '"imediate"')
        .replace("gauge_psi = 2000", "gauge_psi = 18500", 1)
        .replace('kind = "non-rebreather"\n', "")
        .replace('size = "D"', 'sise = "D"', 1)
    )
    code, out, err = run(capsys, command, written(tmp_path, text), "--json", tmp_path / "j.json")
    assert (code, out) == (2, "")
    lines = err.splitlines()
    assert lines[0].endswith("faults, nothing was written:")
    assert int(lines[0].split()[0]) == len(lines) - 1 >= 4
    for words in ("imediate", "18500", "Did you mean size?", "Add it. Say what it is: a mask"):
        assert words in err
    assert not (tmp_path / "j.json").exists()
    assert str(tmp_path) not in err  # file names, never the machine's folders


@pytest.mark.parametrize(
    "bad", ["\x1b[31mU1", "U\u202e1", "a\u0007b", "\u009b31m"], ids=["ansi", "rtl", "bell", "csi"]
)
def test_texts_that_could_drive_a_terminal_are_refused_and_not_repeated(
    bad: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = SMALL.replace('"U1"', json.dumps(bad))
    code, out, err = run(capsys, "plan", written(tmp_path, text), *QUICK)
    assert (code, out) == (2, "")
    assert not set(bad) & set(err) - set("[31mU1ab")
    # Twin: the same words without them are taken.
    text = SMALL.replace('"U1"', '"[31mU1"')
    code, out, _ = run(capsys, "plan", written(tmp_path, text), *QUICK)
    assert code == 0
    assert "[31mU1" in out


def test_folders_and_odd_files_are_faults(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "binary.toml").write_bytes(bytes(range(256)))
    for path in (tmp_path, tmp_path / "none.toml", tmp_path / "binary.toml"):
        code, out, err = run(capsys, "check", path)
        assert (code, out) == (2, "")
        assert err.startswith("1 fault, nothing was written:\n- ")


# ----- JSON files ------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["check", "last"])
def test_json_on_the_screen_is_only_json(
    command: str, small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = {
        "check": ["check", str(small)],
        "last": ["last", "D", "--gauge", "1850psi", "--flow", "15"],
    }[command]
    code, out, err = run(capsys, *arguments, "--json", "-")
    assert (code, err) == (0, "")
    result = json.loads(out)
    assert (result["schema"], result["kind"], result["banner"]) == (1, command, BANNER)


def test_json_replaces_a_file_whole_or_leaves_it(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    target = tmp_path / "out.json"
    target.write_text("x" * 100_000)
    assert run(capsys, "check", small, "--json", target)[0] == 0
    assert json.loads(target.read_text())["kind"] == "check"
    before = target.read_text()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    code, out, err = run(capsys, "check", small, "--json", target)
    assert (code, out) == (2, "")
    assert "out.json: received No space left on device" in err
    assert target.read_text() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out.json", "small.toml"]


def test_json_where_nothing_can_be_written_is_one_fault(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "a file").write_text("")
    for target in (tmp_path / "none" / "o.json", tmp_path / "a file" / "o.json", tmp_path):
        code, out, err = run(capsys, "plan", small, *QUICK, "--json", target)
        assert (code, out) == (2, "")
        assert err.startswith("1 fault, nothing was written:\n- ")
        assert err.count("\n") == 2
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a file", "small.toml"]


# ----- last ------------------------------------------------------------------------------------


def test_temperatures_below_zero_are_values_and_no_options(
    capsys: pytest.CaptureFixture[str],
) -> None:
    apart = last(capsys, "--used-at", "-12C", "--read-at", "-4F")
    joined = last(capsys, "--used-at=-12C", "--read-at=-4F")
    assert apart == joined
    assert apart[0] == 0
    assert "Read at -20 C; at -12 C" in apart[1]
    # Twin: what is no number is still an option.
    assert last(capsys, "--used-at", "-C")[0] == 2


def test_a_warm_reading_used_cold_says_what_the_gauge_will_read(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # 15 C and 1850 psi; ideally the gauge falls to 1864.7 x 261.15/288.15 - 14.7 = 1675 at -12 C,
    # and real oxygen falls a little further.
    _, out, _ = last(capsys, "--read-at", "15C", "--used-at", "-12C", "--json", "-")
    result = json.loads(out)
    assert 1560 < result["gauge_in_use"]["psi"] < 1675
    _, cold, _ = last(capsys, "--used-at", "-12C", "--json", "-")
    # The same reading taken in the cold is more oxygen: a warm one promises too much.
    assert json.loads(cold)["real_gas_min"]["to_change"] > result["real_gas_min"]["to_change"]


def test_last_is_one_page_of_a_hundred_columns(capsys: pytest.CaptureFixture[str]) -> None:
    for more in ([], ["--read-at", "15C", "--used-at", "-12C"]):
        _, out, _ = last(capsys, *more)
        assert max(map(len, out.splitlines())) <= 100
        assert "Note: The letter D may also mean" in out


def test_units_agree(capsys: pytest.CaptureFixture[str]) -> None:
    def minutes(*arguments: str) -> dict[str, float]:
        code, out, _ = run(capsys, "last", "D", "--flow", "15", *arguments, "--json", "-")
        assert code == 0
        found = json.loads(out)["real_gas_min"]
        assert isinstance(found, dict)
        return found

    bar = 1850 / 14.503773773
    psi = minutes("--gauge", "1850psi", "--used-at", "-4F")
    assert minutes("--gauge", f"{bar:.9f}bar", "--used-at", "-20C") == pytest.approx(psi, rel=1e-6)


@pytest.mark.parametrize(
    ("size", "near"),
    [("jumbo", "jumbo D"), ("Ee", "E"), ("alumnium E", "aluminium E"), ("UK CDD", "UK CD")],
)
def test_a_size_nearly_right_is_proposed(
    size: str, near: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "last", size, "--gauge", "1850psi", "--flow", "15")
    assert (code, out) == (2, "")
    assert f"Did you mean {near}?" in err
    assert "jumbo D, E," in err  # and all that there are


@pytest.mark.parametrize("size", ["m-60", "aluminum D", "JUMBO  D"])
def test_a_size_in_another_spelling_is_taken(size: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "last", size, "--gauge", "1850psi", "--flow", "15")[0] == 0


def test_all_that_is_wrong_with_last_is_told_at_once(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, err = run(
        capsys, "last", "Q9", "--gauge", "1850", "--flow", "15", "--used-at", "warm",
        "--change-at", "30", "--read-at", "300K",
    )  # fmt: skip
    assert (code, out) == (2, "")
    assert err.startswith("5 faults, nothing was written:")
    for name in ("SIZE", "--gauge", "--used-at", "--change-at", "--read-at"):
        assert err.count(f"last {name}: ") == 1


@pytest.mark.parametrize(
    "more",
    [
        ["--change-at", "100psi"],  # below the safe residual
        ["--used-at", "-300C"],
        ["--used-at", "1e400C"],
        ["--gauge", "1e999psi"],
        ["--flow", "0"],
        ["--flow", "inf"],
        ["--flow", "fifteen"],
    ],
)
def test_last_beyond_the_arithmetic(more: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = last(capsys, *more)
    assert (code, out) == (2, "")
    assert err


# ----- the process itself ----------------------------------------------------------------------


def test_module_and_console_command_are_one_program() -> None:
    arguments = ["last", "D", "--gauge", "1850psi", "--flow", "15", "--used-at", "-12C"]
    script = Path(sys.executable).with_name("oxygen-planner")
    results = [
        subprocess.run([*start, *arguments], capture_output=True, text=True, check=False, cwd=ROOT)
        for start in ([sys.executable, "-m", "planner"], [str(script)])
    ]
    assert results[0].stdout == results[1].stdout
    assert results[0].stdout.startswith(BANNER)
    assert [r.returncode for r in results] == [0, 0]
    assert [r.stderr for r in results] == ["", ""]


def test_text_needs_nothing_beyond_ascii(small: Path) -> None:
    # A console of another age, or a redirect under a code page: no letter may be in its way.
    done = subprocess.run(
        [sys.executable, "-m", "planner", "check", str(small)], capture_output=True, check=False,
        cwd=ROOT, env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.startswith(BANNER.encode())


def test_faults_of_a_process_go_to_the_error_stream_alone(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "planner", "plan", str(tmp_path / "none.toml")],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.splitlines()[0] == "1 fault, nothing was written:"
    assert len(done.stderr.splitlines()) == 2
