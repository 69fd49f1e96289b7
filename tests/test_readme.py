"""The README's worked example is what the command prints, and its commands exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from planner.cli import main

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


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
