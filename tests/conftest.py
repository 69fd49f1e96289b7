"""The order in which files are handed to two workers, so that neither waits for the other.

The files that take longest come first, so that the last ones, which are short, fill both workers
to the end. The first four differ: one worker runs the type checker and two files that need no
judge, while the other compiles the judge, which the first then finds on disk.
"""

from __future__ import annotations

from pathlib import Path

import pytest

FIRST = (
    "test_house.py",
    "test_judge_against_simpy.py",
    "test_broken_files.py",
    "test_simpy_model.py",
    "test_operation_state.py",
    "test_search_enumerated.py",
    "test_step_one.py",
    "test_plan_sixty.py",
    "test_operation.py",
    "test_planning_on.py",
    "test_calibration.py",
    "test_advice_ranking.py",
    "test_advice_request.py",
    "test_page_plan.py",
    "test_page_exercise_browser.py",
    "test_page_exercise.py",
    "test_cache_core.py",
    "test_commands.py",
    "test_review_command.py",
    "test_never_empty_handed.py",
    "test_readme.py",
    "test_shared_against_promised.py",
    "test_csv_folder.py",
    "test_advice_words.py",
    "test_page_advice.py",
    "test_files.py",
)


def pytest_configure(config: pytest.Config) -> None:
    # The order below is the order wanted, not the one by number of tests.
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    rank = {name: k for k, name in enumerate(FIRST)}
    # Stable: within a file, and among the other files, nothing changes its place.
    items.sort(key=lambda item: rank.get(item.path.name, len(rank)))


def pytest_sessionstart() -> None:
    here = Path(__file__).parent
    missing = [name for name in FIRST if not (here / name).is_file()]
    assert not missing, f"tests/conftest.py names files that are gone: {missing}"
