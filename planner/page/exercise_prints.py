"""An exercise on paper, from the page: the controller's book and the players' sheets."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

import streamlit as st

from planner.exercise.keeping import look as look_at
from planner.exercise.known import known_to_players
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.page import look, session
from planner.page.prints import file_name
from planner.report.exercise_sheets import controller_html, players_html

TOLD: Final = (
    "One file each, to print from any browser. Keep them apart: the controller's book holds the "
    "truth, with the slips to cut and hand out; the players' sheets hold what they know, blank "
    "logs and requests."
)
Made = Callable[[], tuple[Exercise, Run]]


def show_sheets(exercise: Exercise) -> None:
    """Give both as at the start."""
    look.line(TOLD, "small")
    _buttons(exercise.name, lambda: (exercise, Run()))


def show_sheets_now(run: str, name: str) -> None:
    """Give both as a run stands when the button is pressed, to go on by paper from there."""
    look.line(f"As it stands when you press. {TOLD}", "small")
    _buttons(name, partial(_standing, run))


def _standing(run: str) -> tuple[Exercise, Run]:
    seen = look_at(session.store(), run)
    return seen.exercise, seen.run


def _buttons(name: str, made: Made) -> None:
    kinds = (("Controller's book", "controller", _book), ("Players' sheets", "players", _sheets))
    with st.container(horizontal=True):
        for words, who, make in kinds:
            st.download_button(
                words, partial(make, made), f"{file_name(name)}-{who}.html", "text/html",
                on_click="ignore", key=f"exercise_sheets_{who}",
            )  # fmt: skip


def _book(made: Made) -> bytes:
    return controller_html(*made()).encode()


def _sheets(made: Made) -> bytes:
    return players_html(known_to_players(*made())).encode()
