"""Where results go: refused before work is done when they cannot, written whole or not at all."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from planner.errors import Fault, InputError


def require_writable(target: str | None) -> None:
    """Refuse a target that cannot be written before any work is done for it."""
    if target is None or target == "-":
        return
    path = Path(target)
    if path.is_dir():
        reason = "it is a folder"
    elif not path.parent.is_dir():
        reason = "its folder is not there"
    elif not os.access(path.parent, os.W_OK):
        reason = "its folder cannot be written"
    else:
        return
    raise InputError(
        [Fault(path.name, "", "", "--json", reason, "a file that can be written", "Name another.")]
    )


def give_json(target: str | None, make: Callable[[], dict[str, Any]]) -> bool:
    """Write the result as JSON where it is asked for; say whether it went to the screen."""
    if target is None:
        return False
    import json

    text = json.dumps(make(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    if target == "-":
        sys.stdout.write(text)
        return True
    from planner.files import write_text

    try:
        write_text(Path(target), text)
    except OSError as error:
        reason = error.strerror or "cannot be written"
        raise InputError(
            [Fault(Path(target).name, "", "", "", reason, "a file that can be written", "")]
        ) from None
    return False
