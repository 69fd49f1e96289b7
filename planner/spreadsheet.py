"""Texts made harmless for spreadsheets, which would run what begins like a formula; and back."""

from __future__ import annotations

import re
from typing import Final

#: Signs with which a formula begins, where a sheet may begin a cell, full-width ones included.
_BEGINS: Final = r"(\A[\s\"']*|[,;\t|\r\n][\s\"']*)"
_SIGNS: Final = r"([=+\-@\uff1d\uff0b\uff0d\uff20])"
_RUN: Final = re.compile(_BEGINS + _SIGNS)
_HARMLESS: Final = re.compile(_BEGINS + "'" + _SIGNS)


def harmless(text: str) -> str:
    """Return a text that no spreadsheet runs, wherever it splits the line into cells."""
    return _RUN.sub(r"\1'\2", text)


def plain(text: str) -> str:
    """Return the text that :func:`harmless` was given."""
    return _HARMLESS.sub(r"\1\2", text)
