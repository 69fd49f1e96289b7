"""Each command once: a repeated one gets the first answer, a reused id is refused."""

from __future__ import annotations

import sqlite3

from planner.store.errors import RepeatedCommand


def answered(link: sqlite3.Connection, command: str, asked: str) -> tuple[str, int] | None:
    """Return document and number that a command has written already, or None.

    Parameters
    ----------
    link : sqlite3.Connection
        Within a writing transaction.
    command : str
        Command id.
    asked : str
        Fingerprint of what it asks for, without its base: a second click may come from a page
        that has been drawn anew.

    Raises
    ------
    RepeatedCommand
        When the id was used for something else.
    """
    row = link.execute(
        "SELECT asked, document, number FROM commands WHERE id = ?", (command,)
    ).fetchone()
    if row is None:
        return None
    before, document, number = row
    if before != asked:
        raise RepeatedCommand(command, document, number)
    return document, number


def note(link: sqlite3.Connection, command: str, asked: str, answer: tuple[str, int]) -> None:
    """Write down what a command asked for and which document and number it wrote."""
    link.execute("INSERT INTO commands VALUES (?, ?, ?, ?)", (command, asked, *answer))
