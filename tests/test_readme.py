"""The README's worked example is what the command prints, and its commands exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from planner.cli import main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SCENARIOS = ROOT / "scenarios"


def blocks(text: str) -> list[str]:
    """Indented blocks, without their indent."""
    found = re.findall(r"(?:^ {4}.*\n(?:\n(?= {4}))?)+", text, flags=re.MULTILINE)
    return [re.sub(r"^ {4}", "", block, flags=re.MULTILINE) for block in found]


def test_worked_example_is_what_is_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    part = README[README.index("## A worked example") : README.index("## Your own incident")]
    file, printed, asked = blocks(part)
    (tmp_path / "slope.toml").write_text(file, encoding="utf-8")
    assert main(["plan", str(tmp_path / "slope.toml")]) == 0
    assert capsys.readouterr().out.startswith(printed)
    assert len(printed.splitlines()) > 30
    assert main(["advise", str(tmp_path / "slope.toml")]) == 0
    assert asked in capsys.readouterr().out


def test_every_command_in_the_synopsis_has_help(capsys: pytest.CaptureFixture[str]) -> None:
    part = README[README.index("## What it says") : README.index("## A worked example")]
    named = re.findall(r"oxygen-planner (\w+)", "\n".join(blocks(part)))
    assert {"plan", "advise", "compare", "page", "check", "last"} <= set(named)
    for name in named:
        with pytest.raises(SystemExit) as end:
            main([name, "--help"])
        assert end.value.code == 0
        told = capsys.readouterr().out
        for option in set(re.findall(rf"oxygen-planner {name}[^\n]*(?:\n {{20,}}\[[^\n]*)*", part)):
            for flag in re.findall(r"--[\w-]+", option):
                assert flag in told, (name, flag)


def test_situation_of_the_readme_is_read(tmp_path: Path) -> None:
    from planner.files import read_incident
    from planner.situation import read_situation

    example = README[README.index("## A worked example") : README.index("## Your own incident")]
    part = README[README.index("## Planning on") : README.index("## What the chance means")]
    incident, now = tmp_path / "slope.toml", tmp_path / "now.toml"
    incident.write_text(blocks(example)[0], encoding="utf-8")
    now.write_text(blocks(part)[0].split("oxygen-planner")[0], encoding="utf-8")
    found = read_situation(now, read_incident(incident).incident)
    assert found.state.at_min == 40.0
    assert [c.status for c in found.state.cylinders][:2] == ["taken off", "connected"]


def test_the_tables_name_every_shipped_file() -> None:
    part = README[README.index("Shipped incidents") : README.index("## Planning on")]
    named = set(re.findall(r"`([\w-]+\.(?:toml|csv))`", part))
    assert named == {path.name for path in SCENARIOS.iterdir() if path.suffix in {".toml", ".csv"}}


def test_the_shipped_stock_is_inspected(capsys: pytest.CaptureFixture[str]) -> None:
    stock, wanted = (str(SCENARIOS / f"serrin-hut-{name}.csv") for name in ("stock", "wanted"))
    assert main(["stock", stock, "--wanted", wanted, "--on", "2026-11-25"]) == 0
    told = capsys.readouterr().out
    assert "3 of 8 cylinders ready on 25 Nov 2026." in told
    assert "Bring 2 full D to hut, of 5 wanted" in told
    for word in ("SHORT", "LOW", "DUE", "MISSING", "ODD"):
        assert word in told
