"""House rules that a machine can check; one test command is everything."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TOOLS = {
    "ruff check": ["ruff", "check", "planner", "tests"],
    "ruff format": ["ruff", "format", "--check", "planner", "tests"],
    "mypy": ["mypy"],
    "import-linter": ["lint-imports", "--no-cache"],
}


@pytest.mark.parametrize("name", TOOLS)
def test_tool_is_content(name: str) -> None:
    command = TOOLS[name]
    tool = Path(sys.executable).with_name(command[0])
    done = subprocess.run(
        [str(tool), *command[1:]], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_top_level_holds_nothing_else() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
    allowed = {
        ".ci", ".gitignore", "DEVELOPERS.md", "README.md", "planner", "pyproject.toml",
        "scenarios", "tests",
    }  # fmt: skip
    assert {name.split("/")[0] for name in listed} <= allowed


def test_every_package_is_installed() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    packages = set(settings["tool"]["setuptools"]["packages"])
    found = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for path in (ROOT / "planner").rglob("__init__.py")
    }
    assert found | {"planner.scenarios"} == packages


def readme_lines() -> list[str]:
    text = (ROOT / "README.md").read_text()
    return [line.strip() for line in text.splitlines() if line.startswith("    python3 -m venv")]


def test_ci_runs_the_readmes_test_line() -> None:
    _, test_line = readme_lines()
    assert test_line in (ROOT / ".ci" / "run").read_text().splitlines()


def test_readmes_first_line_runs_the_main_job() -> None:
    first, _ = readme_lines()
    found = re.search(r"oxygen-planner plan (scenarios/\S+\.toml)$", first)
    assert found is not None
    assert (ROOT / found[1]).is_file()


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    names = {re.split(r"[<>=~! ]", line)[0] for line in project["dependencies"]}
    table = (ROOT / "DEVELOPERS.md").read_text()
    reasons = set(re.findall(r"^\| ([\w-]+) \| .{10,}", table, flags=re.MULTILINE)) - {"package"}
    assert names == reasons


def loaded_after(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(' '.join(sys.modules))"],
        capture_output=True, text=True, check=True, cwd=ROOT,
        env={**os.environ, "PYTHONWARNINGS": "error"},
    )  # fmt: skip
    return {name.split(".")[0] for name in done.stdout.split()}


HEAVY = {"ortools", "pandas", "streamlit", "numba", "scipy", "numpy"}


def test_importing_the_package_loads_nothing_heavy() -> None:
    assert not HEAVY & loaded_after("import planner; import planner.cli")


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"], ["plan", "--help"], ["check", "--help"], ["last", "--help"],
        ["last", "D", "--gauge", "1850psi", "--flow", "15"],
    ],
)  # fmt: skip
def test_help_and_last_load_nothing_heavy(arguments: list[str]) -> None:
    code = f"""
import io, contextlib
from planner.cli import main
with contextlib.redirect_stdout(io.StringIO()):
    try:
        main({arguments!r})
    except SystemExit as end:
        assert not end.code
"""
    assert not HEAVY & loaded_after(code)


def test_public_names_exist() -> None:
    import planner

    for name in planner.__all__:
        assert getattr(planner, name) is not None
    assert set(planner.__all__) <= set(dir(planner))
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        planner.nonsense  # noqa: B018


def test_exercise_banner_is_in_readme() -> None:
    assert "EXERCISE - NOT FOR PATIENT CARE" in (ROOT / "README.md").read_text()
