"""After the exercise: the hot wash by objective, decisions beside planning on, the review.

About the system: nobody is scored or ranked.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final

import streamlit as st

from planner.errors import InputError
from planner.exercise.after import ObjectiveRow, hot_wash, journal_of
from planner.exercise.keeping import Seen
from planner.exercise.run import Run, run_state
from planner.exercise.setup import Exercise
from planner.page import exercise_parts as parts
from planner.page import exercise_plan, look, picks, session
from planner.page.desk import desk
from planner.page.hot_washes import FIELDS, Written, filled_in, write, written
from planner.page.prints import hot_wash_button, review_button
from planner.page.review_drawing import show_lines, show_review
from planner.page.waiting import tell_failure, wait_for
from planner.report.hot_wash import (
    ABOUT,
    Told,
    category_grid,
    fact_lines,
    hot_wash_html,
    inject_line,
    objective_title,
    swaps_grid,
)
from planner.report.words import TITLES
from planner.review.charts import review_charts
from planner.review.lines import review_lines
from planner.review.report import review_of
from planner.review.sheets import review_html
from planner.store import StoreError, new_command_id
from planner.tasks_exercise import payload_of
from planner.units import clock

#: As for the plan beside the running clock.
REQUEST: Final = exercise_plan.REQUEST
NOT_KEPT: Final = "wash_not_kept"  # objective, what it was written on, and the texts
LABELS: Final = {
    "strengths": "What went well, one a line", "gaps": "What was missing, one a line",
    "owner": "Who takes it on (a role)", "due": "Until when (2027-04-30)",
}  # fmt: skip


def show(run: str) -> None:
    """Draw what there is to look at afterwards; for controllers."""
    found = parts.seen_now("controller")
    if found is None or found[0].run != run:
        return
    seen = found[1]
    parts.told()
    look.line(ABOUT)
    if not seen.run.is_ended:
        look.line("The exercise is not over: this is how it stands now.", "small")
    played = _branch(run, seen)
    said = written(session.store(), run)
    wash = filled_in(hot_wash(seen.exercise, played), said)
    told = Told(seen.exercise, played, wash)
    left, right = st.columns(2)
    with left:
        _facts(told)
        hot_wash_button(seen.exercise.name, hot_wash_html(told))
        if played.branch == seen.run.branch:
            _beside(run, seen)
    with right:
        for number, row in enumerate(wash.objectives):
            _objective(run, told, number, row, said.get(row.name, Written()))
    st.divider()
    if st.toggle("After-action review: known at the time first, hindsight last", key="ex_review"):
        _review(seen.exercise, played)


def _branch(run: str, seen: Seen) -> Run:
    """Return the branch to look at, chosen where the exercise was rewound: the last one first."""
    last, start = seen.run.branches[-1].number, seen.exercise.incident.start
    if last == 0:
        return seen.run
    words = [
        f"branch {b.number + 1}, " + (f"from {clock(start, b.from_min)} of branch {b.parent + 1}"
                                      if b.parent is not None else "the first")
        for b in reversed(seen.run.branches)
    ]  # fmt: skip
    chosen = last - picks.pick_row("Branch to look back on", words, f"branch:{run}:{last}")
    if chosen == last:
        return seen.run
    look.line("What was written by objective stands for the whole evening.", "small")
    return run_state(seen.events, datetime.now(UTC), branch=chosen)


# ----- facts ------------------------------------------------------------------------------------


def _facts(told: Told) -> None:
    """Draw the facts, in the words of the printed hot wash."""
    show_lines(fact_lines(told))
    grids = [category_grid(told.wash)]
    if told.wash.swaps:
        grids.append(swaps_grid(told))
    for grid in grids:
        look.put(f"<h3>{look.escape(grid.title)}</h3>")
        parts.table(grid.heads, grid.rows, grid.numeric)


# ----- by objective -----------------------------------------------------------------------------


def _objective(run: str, told: Told, number: int, row: ObjectiveRow, was: Written) -> None:
    look.put(f"<h3>{look.escape(objective_title(row))}</h3>")
    for fact in row.injects:
        look.line(inject_line(told, fact))
        look.line(f"Expected: {fact.given.inject.expected}", "small")
    if not row.injects:
        look.line("No inject of it was given.", "small")
    texts = {
        "strengths": "\n".join(row.strengths), "gaps": "\n".join(row.gaps),
        "owner": row.owner, "due": row.due,
    }  # fmt: skip
    form = f"wash_{number}_{was.sequence}"
    with st.form(form, border=False):
        for name in FIELDS:
            draw = st.text_area if name in {"strengths", "gaps"} else st.text_input
            draw(LABELS[name], value=texts[name], key=f"{form}:{name}", max_chars=2000)
        st.form_submit_button(f"Keep {number + 1}", on_click=_keep,
                              args=(run, row.name, form, was.sequence,
                                    new_command_id()))  # fmt: skip
    if was.sequence:
        look.line("Kept.", "saved")
    _not_kept(row.name, was)


def _not_kept(objective: str, was: Written) -> None:
    """Say what could not be kept since somebody else wrote meanwhile, so that nothing is lost."""
    of, base, said = st.session_state.get(NOT_KEPT, ("", 0, {}))
    if of != objective or base == was.sequence or not any(said.values()):
        return
    look.line("Not kept, since somebody else wrote meanwhile. You wrote:")
    for name, text in said.items():
        if text:
            look.line(f"{LABELS[name]}: {text}")


def _keep(run: str, objective: str, form: str, base: int, command: str) -> None:
    st.session_state.pop(parts.FAULTS, None)
    access = parts.access_now()
    if access is None or access.run != run or access.role != "controller":
        st.session_state[parts.FAULTS] = parts.UNKNOWN
        return
    said = {name: str(st.session_state.get(f"{form}:{name}") or "") for name in FIELDS}
    st.session_state.pop(NOT_KEPT, None)
    try:
        write(session.store(), run, objective, said, base, command)
    except InputError as error:
        st.session_state[parts.FAULTS] = error.faults
        st.session_state[NOT_KEPT] = (objective, base, said)
    except StoreError as error:
        st.session_state[parts.FAULTS] = f"Nothing was written: {error}"


# ----- beside planning on -----------------------------------------------------------------------


def _beside(run: str, seen: Seen) -> None:
    look.put("<h3>Decisions beside planning on</h3>")
    until = min(seen.run.minute, seen.exercise.incident.horizon_min)
    about = f"beside {run}"
    progress = desk().look(about)
    is_busy = progress is not None and not progress.has_ended
    st.number_input("From minute", value=0.0, step=5.0, format="%g", key="beside_at")
    st.button("Set beside planning on from there: takes seconds", key="ex-beside", width="stretch",
              disabled=until <= 0 or is_busy, on_click=_start, args=(run, about))  # fmt: skip
    if progress is None:
        return
    if is_busy:
        wait_for(about, "Planning on: ")
    elif progress.result is None:
        tell_failure(progress)
    else:
        if seen.run.minute > progress.result["until_min"] + 0.01 and not seen.run.is_ended:
            look.line("The exercise has gone on since this was worked out.", "small")
        _show_beside(seen.exercise, progress.result)


def _start(run: str, about: str) -> None:
    found = parts.seen_now("controller")
    if found is None or found[0].run != run:
        return
    minute = float(st.session_state.get("beside_at") or 0.0)
    try:
        desk().start(about, "beside", payload_of(found[1], datetime.now(UTC), minute, REQUEST))
    except InputError as error:
        st.session_state[parts.FAULTS] = error.faults


def _show_beside(exercise: Exercise, beside: Mapping[str, Any]) -> None:
    start = exercise.incident.start
    look.line(
        f"Minutes without oxygen from {clock(start, beside['at_min'])} to "
        f"{clock(start, beside['until_min'])}:"
    )
    parts.table(("Patient", "As decided", "Planning on"), (
        (tag, f"{decided:.1f}", f"{planned:.1f}") for tag, decided, planned in beside["rows"]
    ), (1, 2))  # fmt: skip
    parts.table(("Category", "Planning on less as decided, min"), (
        (TITLES.get(triage, triage), f"{minutes:+.1f}")
        for triage, minutes in beside["by_category"].items()
    ), (1,))  # fmt: skip
    look.line(beside["caution"], "small")


# ----- the review -------------------------------------------------------------------------------


def _review(exercise: Exercise, run: Run) -> None:
    """Draw the review of the run's log, as the Log view draws one."""
    journal = journal_of(exercise, run)
    if not journal.entries:
        look.line("Nothing was written down yet.")
        return
    kept = st.session_state.get("ex_reviewed")
    if kept is None or kept[0] != journal:
        with st.spinner("Reviewing the log"):
            made = review_of(journal, exercise.incident)
            charts = review_charts(made.facts, made.start)
            kept = (journal, made, charts, review_html(made, (), charts))
            st.session_state["ex_reviewed"] = kept
    _, made, charts, html = kept
    review_button(exercise.name, html)
    show_review(review_lines(made), charts)
