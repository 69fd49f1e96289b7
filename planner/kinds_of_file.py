"""What a TOML or JSON file is, told by its head table, so that a wrong one gets one fault."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from planner.errors import Fault, InputError

#: Head table, what such a file is called, and what reads it; the first head that is there tells.
KINDS: Final = {
    "exercise": ("an exercise", "oxygen-planner exercise EXERCISE"),
    "region": ("a region's study", "oxygen-planner cache STUDY"),
    "study": ("a study of a cache", "oxygen-planner cache STUDY"),
    "situation": ("a situation", "oxygen-planner plan INCIDENT --state SITUATION"),
    "incident": ("an incident", "oxygen-planner plan INCIDENT"),
}


def require_kind(raw: Mapping[str, object], head: str, file: str) -> None:
    """Refuse a tree whose head table says that it is another kind of file.

    Parameters
    ----------
    raw : mapping
        The plain tree of a file.
    head : str
        The head table that it should have, a key of :data:`KINDS`. One that has it first, or no
        head table at all, passes: what is missing in it is told by whoever reads it.
    file : str
        Its name, as faults show it.

    Raises
    ------
    InputError
        With one fault that says what it is and what reads such a file.
    """
    other = next((name for name in KINDS if name in raw), head)
    if other == head:
        return
    is_called, command = KINDS[other]
    words = (f"{is_called} file", f"{KINDS[head][0]} file", f"Such a file is read by: {command}")
    raise InputError([Fault(file, "", "", "", *words)])


__all__ = ["KINDS", "require_kind"]
