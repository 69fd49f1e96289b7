"""The plan: what to do now, how likely it is that anyone runs out, who swaps what when.

Drawn from the kept tree only, so that a page loaded anew shows the same plan.
"""

from __future__ import annotations

from html import escape
from typing import Any, Final

import streamlit as st

from planner.errors import InputError
from planner.page import look, session
from planner.page.advice_view import show_advice, show_ways
from planner.page.charts_view import chart
from planner.page.desk import desk, start_plan
from planner.page.plan_on_view import show_plan_on
from planner.page.plan_style import STYLE
from planner.page.plans import KeptPlan, latest_plan
from planner.page.prints import sheets_button, show_prints
from planner.page.what_if_view import show_what_if
from planner.report.board import board_html, grid_html
from planner.report.plan_document import view_from
from planner.report.view import View
from planner.store import Revision, StoreError

POLL_S: Final = 0.5
TABS: Final = (
    "Swaps", "Gauges", "Chances", "Need and supply", "What if", "What helps", "Three ways",
    "Plan on", "On paper", "Notes",
)  # fmt: skip
SEED: Final = 1  # as the command line takes it


def show() -> None:
    """Show the plan of the incident that is open."""
    incident = session.current()
    if incident is not None:
        session.note_plan(incident.document)
    with st.container():
        session.show_state()  # a page left open says when the incident was edited elsewhere
    if incident is None:
        st.text("No incident is open. Choose one under Start.")
        return
    try:
        kept = latest_plan(session.store(), incident.document)
    except StoreError as error:
        st.text(f"The plan cannot be read: {error}")
        return
    look.put(STYLE)
    view = None if kept is None else view_from(kept.tree["view"])
    words, buttons = st.columns([4, 1])
    with words:
        look.put(_front(view))
    with buttons:
        _work(incident, kept)
        if kept is not None:
            sheets_button(session.store(), incident, kept)
    if kept is None or view is None:
        return
    board = look.scrolled(board_html(kept.tree["board"]))
    look.put(f'<div class="op-two">{board}{_beside(view)}</div>')
    _tabs(incident, kept, view)
    look.line(view.footer, "small")


def _front(view: View | None) -> str:
    """Return the first lines: until when, the chance, who is likely to run out."""
    if view is None:
        return '<div class="op-front"><p class="first">Not planned yet.</p></div>'
    texts = [("title", view.title), ("label", view.label), ("first", view.first_line),
             ("chance", view.chance_line), ("who", view.who_line),
             *(("change", line) for line in view.changes)]  # fmt: skip
    lines = "".join(f'<p class="{kind}">{escape(text)}</p>' for kind, text in texts if text)
    return f'<div class="op-front">{lines}</div>'


def _beside(view: View) -> str:
    """Return the list, what is kept, who waits or needs none, and what others would give."""
    texts = [view.the_list, view.kept_for, *view.moves]
    if view.no_oxygen:
        texts.append("No oxygen indicated: " + "; ".join(view.no_oxygen) + ".")
    lines = "".join(f"<p>{escape(text)}</p>" for text in texts)
    return f'<div class="op-beside">{lines}{look.scrolled(grid_html(view.beside))}</div>'


def _tabs(incident: Revision, kept: KeptPlan, view: View) -> None:
    swaps, gauges, chances, need, what_if, helps, ways, on, paper, notes = st.tabs(TABS)
    with swaps:
        chart(kept.tree, "swap_timeline")
        look.put(look.scrolled(grid_html(view.swaps)))
    with gauges:
        chart(kept.tree, "gauges")
    with chances:
        chart(kept.tree, "chance_by_minute")
        chart(kept.tree, "chance_by_patient")
    with need:
        chart(kept.tree, "need_against_supply")
    with what_if:
        show_what_if(incident.document, kept)
    with helps:
        show_advice(session.store(), incident, kept)
    with ways:
        show_ways(session.store(), incident, kept)
    with on:
        show_plan_on(session.store(), incident, kept, SEED)
    with paper:
        show_prints(incident, kept)
    with notes:
        for title, texts in (
            ("Notes", view.notes),
            ("Assumptions and sources", view.assumptions),
            ("Cautions", view.cautions),
        ):
            if texts:
                look.put(_list_html(title, texts))


def _list_html(title: str, texts: tuple[str, ...]) -> str:
    items = "".join(f"<li>{escape(text)}</li>" for text in texts)
    return f"<h3>{escape(title)}</h3><ul>{items}</ul>"


def _work(incident: Revision, kept: KeptPlan | None) -> None:
    """Put how the work stands, or the button, or that there is nothing to plan anew."""
    about = f"plan {incident.document}"
    progress = desk().look(about)
    if progress is not None and not progress.has_ended:
        _progress(about)
        return
    if progress is not None and progress.state != "done":
        if desk().made_from.get(about) == incident.number:
            _ending(progress)
        else:  # what was wrong then may have been mended
            desk().forget(about)
    is_old = kept is not None and not kept.is_current
    if is_old:
        look.put('<p class="op-old" role="status">OUT OF DATE: the incident has changed since this '
                 "plan was made.</p>")  # fmt: skip
    elif kept is not None and kept.tree["result"]["run"]["repeatable"]:
        # The same incident, seed and effort give the same plan: a button would do nothing.
        look.line(f"Up to date with revision {incident.number}.", "small")
        return
    if st.button("Plan" if kept is None else "Plan again", type="primary", key="plan_now",
                 width="stretch"):  # fmt: skip
        try:
            start_plan(session.store(), incident.document, SEED)
        except (InputError, StoreError) as error:
            st.text(f"Planning did not begin: {error}")
            return
        st.rerun()


@st.fragment(run_every=POLL_S)
def _progress(about: str) -> None:
    """Show how the work stands, with two ways to end it; the whole page when it has ended."""
    progress = desk().look(about)
    if progress is None or progress.has_ended:
        st.rerun()
        return
    st.text(f"Planning: {progress.message} ({progress.elapsed_s:.0f} s)")
    if st.button("Best so far", key="plan_stop", disabled=progress.is_stopped, width="stretch"):
        desk().stop(about)
    if st.button("Cancel", key="plan_cancel", width="stretch"):
        desk().cancel(about)
        st.rerun()


def _ending(progress: Any) -> None:
    if progress.state == "cancelled":
        st.text("Planning was cancelled; nothing was changed.")
        return
    st.text(f"No new plan: {progress.message}")
    for fault in progress.faults:
        st.text(f"- {fault}")
