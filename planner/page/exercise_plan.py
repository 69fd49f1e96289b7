"""What the planner would do now: worked out beside the page, for controllers until it is shown."""

from __future__ import annotations

from typing import Any, Final

import streamlit as st

from planner.document import incident_document
from planner.errors import InputError
from planner.exercise.what_now import situation_at
from planner.page import exercise_parts as parts
from planner.page import look, picks
from planner.page.desk import desk
from planner.page.waiting import POLL_S, tell_failure
from planner.report.board import grid_html
from planner.report.plan_document import view_from
from planner.report.view import View
from planner.situation import situation_document
from planner.store import new_command_id

#: Low effort: an answer within seconds beside a running clock (our own, no source).
REQUEST: Final = {"seed": 1, "samples": 2_000, "effort": 30, "deterministic_s": 0.5}


def about(run: str) -> str:
    """Return what the work is called."""
    return f"exercise plan {run}"


def payload_now(run: str) -> dict[str, Any] | None:
    """Return what a worker plans on from: the truth now; None where the link is no controller's."""
    found = parts.seen_now("controller")
    if found is None or found[0].run != run:
        return None
    situation = situation_at(found[1].exercise, found[1].run)
    return {
        "incident": incident_document(situation.incident),
        "situation": situation_document(situation.state, situation.incident),
        "request": REQUEST,
    }


def lines_of(view: View) -> list[str]:
    """Return a plan in the lines that players may be shown."""
    texts = (view.first_line, view.chance_line, *view.changes, view.the_list, view.kept_for)
    swaps = [" ".join(cell for cell in row if cell) for row in view.swaps.rows[:8]]
    return [text for text in (*texts, *swaps) if text]


@st.fragment
def show(run: str) -> None:
    """Draw the button, how the work stands, and the plan with the button that shows it."""
    look.put("<h3>What the planner would do now</h3>")
    progress = desk().look(about(run))
    is_busy = progress is not None and not progress.has_ended
    st.button("Plan on from the truth", key="ex-plan", disabled=is_busy, width="stretch",
              on_click=_start, args=(run,))  # fmt: skip
    if progress is None:
        look.line("Not asked yet. Players see nothing of it until you show it.", "small")
    elif is_busy:
        _wait(run)
    elif progress.result is None:
        tell_failure(progress)
    else:
        _shown(run, view_from(progress.result["view"]), progress.result)


def _start(run: str) -> None:
    payload = payload_now(run)
    if payload is None:
        return
    try:
        desk().start(about(run), "plan", payload)
    except InputError as error:
        st.session_state[parts.FAULTS] = error.faults


@st.fragment(run_every=POLL_S)
def _wait(run: str) -> None:
    progress = desk().look(about(run))
    if progress is None or progress.has_ended:
        st.rerun()
        return
    look.line(f"Planning: {progress.message} ({progress.elapsed_s:.0f} s)")


def _shown(run: str, view: View, tree: Any) -> None:
    at_min = float(tree["result"]["at_min"])
    look.line(f"Planned from minute {at_min:.1f}, from the truth at a low effort.", "small")
    lines = lines_of(view)
    for text in lines[:2]:
        look.line(text)
    with st.expander("Swaps"):
        look.put(look.scrolled(grid_html(view.swaps)))
    # Other words, another box: a newer plan must not stand under what was edited of an older.
    key = picks.widget_key("revealed", lines)
    st.text_area(
        "What players are shown; it may name people and deliveries that they do not know of yet",
        value="\n".join(lines), key=key, height=200,
    )  # fmt: skip
    st.button("Show this to the players", key="ex-reveal", width="stretch", on_click=_reveal,
              args=(run, key, new_command_id()))  # fmt: skip


def _reveal(run: str, key: str, command: str) -> None:
    lines = [text for text in str(st.session_state.get(key, "")).splitlines() if text.strip()]
    parts.do(run, "plan revealed", command, {"lines": lines})
