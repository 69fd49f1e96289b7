"""What a link opens: one screen of one run, and nothing else of the page."""

from __future__ import annotations

from planner.page import exercise_control, exercise_parts, exercise_player, look


def show() -> None:
    """Show the screen that the link in the address opens; the store says which, before all else."""
    access = exercise_parts.access_now()
    if access is None:
        look.line(exercise_parts.UNKNOWN)
    elif access.role == "players":
        exercise_player.show()
    else:
        exercise_control.show()
