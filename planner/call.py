"""What a task is given, and what a task is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Call:
    """What a task is given.

    Parameters
    ----------
    payload : dict
    tell : callable
        Takes a few words on what is being done.
    is_stopped : callable
        True once the best so far is asked for.
    """

    payload: dict[str, Any]
    tell: Callable[[str], None]
    is_stopped: Callable[[], bool]


Task = Callable[[Call], dict[str, Any]]
