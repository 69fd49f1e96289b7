"""After the exercise: the hot wash by objective, decisions beside planning on, the review.

About the system: nobody is scored or ranked.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import streamlit as st

from planner.errors import InputError
from planner.exercise.after import (
    Beside,
    HotWash,
    ObjectiveRow,
    RequestFact,
    beside_planning,
    hot_wash,
    journal_of,
)
from planner.exercise.keeping import Seen
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.page import exercise_parts as parts
from planner.page import look, session
from planner.page.charts_view import chart
from planner.page.hot_washes import FIELDS, Written, filled_in, write, written
from planner.page.prints import review_button
from planner.report.words import TITLES
from planner.review.charts import review_charts
from planner.review.decisions import HINDSIGHT
from planner.review.lines import review_lines
from planner.review.report import review_of
from planner.review.sheets import review_html
from planner.store import StoreError, new_command_id
from planner.units import clock
from planner.workflow import Request

#: Low effort, as for the plan beside the running clock.
REQUEST: Final = Request(samples=2_000, effort=30, deterministic_s=0.5)
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
    look.line(
        "About the system, not about people: nobody is scored or ranked here. Minutes and litres "
        "are in truth, as the exercise reckons it."
    )
    if not seen.run.is_ended:
        look.line("The exercise is not over: this is how it stands now.", "small")
    said = written(session.store(), run)
    wash = filled_in(hot_wash(seen.exercise, seen.run), said)
    left, right = st.columns(2)
    with left:
        _facts(seen.exercise, wash)
        _beside(run, seen)
    with right:
        for number, row in enumerate(wash.objectives):
            _objective(run, seen.exercise, number, row, said.get(row.name, Written()))
    st.divider()
    if st.toggle("After-action review: known at the time first, hindsight last", key="ex_review"):
        _review(seen.exercise, seen.run)


# ----- facts ------------------------------------------------------------------------------------


def _facts(exercise: Exercise, wash: HotWash) -> None:
    start = exercise.incident.start
    look.put(f"<h3>Up to {look.escape(clock(start, wash.until_min))}</h3>")
    parts.table(("Category", "People", "With a need", "Without, min", "Late swaps"), (
        (TITLES.get(c.triage, c.triage), c.people, c.with_need, f"{c.minutes_out:.1f}",
         c.late_swaps)
        for c in wash.by_category
    ), (1, 2, 3, 4))  # fmt: skip
    first = "Nobody who needed oxygen was without it."
    if wash.first_out_min is not None:
        first = (
            f"First without oxygen: {clock(start, wash.first_out_min)}; all who were would have "
            f"breathed about {wash.short_l:.0f} L."
        )
    look.line(first)
    look.put("<h3>Swaps</h3>")
    look.line(
        f"{len(wash.swaps)} made, {wash.late_swaps} late. Left in what came off: "
        f"{wash.left_at_swaps_l:.0f} L."
    )
    if wash.swaps:
        parts.table(("Time", "Patient", "Off", "On", "Left, psi", "Left, L", "Late, min"), (
            (clock(start, s.at_min), s.patient, s.off, s.on, f"{s.left_psi:.0f}", f"{s.left_l:.0f}",
             f"{s.late_min:.1f}")
            for s in wash.swaps
        ), (4, 5, 6))  # fmt: skip
    look.put("<h3>Requests</h3>")
    if not wash.requests:
        look.line("Nothing was asked for.")
    for request in wash.requests:
        count = "" if request.count is None else f"{request.count} "
        look.line(f"{clock(start, request.at_min)}: {count}{request.items}.{_against(request)}")


def _against(request: RequestFact) -> str:
    """Return how a request lies to when somebody first lacked oxygen."""
    first, at = request.first_out_min, request.at_min
    if first is None:
        return ""
    way = "before" if at <= first else "after"
    return f" {abs(first - at):.0f} min {way} anybody was without."


# ----- by objective -----------------------------------------------------------------------------


def _objective(run: str, exercise: Exercise, number: int, row: ObjectiveRow, was: Written) -> None:
    look.put(f"<h3>{look.escape(row.name or 'No objective')}</h3>")
    look.line(row.text)
    start = exercise.incident.start
    for fact in row.injects:
        after = fact.answered_after_min
        answer = "no decision followed" if after is None else f"decided on {after:.1f} min later"
        inject = fact.given.inject
        look.put(parts.inject_html(
            f"{inject.number}. {clock(start, fact.given.minute)}, {answer}", inject.text,
            (("Expected", inject.expected),),
        ))  # fmt: skip
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


def _keep(run: str, objective: str, form: str, base: int, command: str) -> None:
    st.session_state.pop(parts.FAULTS, None)
    access = parts.access_now()
    if access is None or access.run != run or access.role != "controller":
        st.session_state[parts.FAULTS] = parts.UNKNOWN
        return
    said = {name: str(st.session_state.get(f"{form}:{name}") or "") for name in FIELDS}
    try:
        write(session.store(), run, objective, said, base, command)
    except InputError as error:
        st.session_state[parts.FAULTS] = error.faults
    except StoreError as error:
        st.session_state[parts.FAULTS] = f"Nothing was written: {error}"


# ----- beside planning on -----------------------------------------------------------------------


def _beside(run: str, seen: Seen) -> None:
    look.put("<h3>Decisions beside planning on</h3>")
    until = min(seen.run.minute, seen.exercise.incident.horizon_min)
    minute = st.number_input("From minute", value=0.0, step=5.0, format="%g", key="beside_at")
    is_asked = st.button("Set beside planning on from there: takes seconds", key="ex-beside",
                         width="stretch", disabled=until <= 0)  # fmt: skip
    # What was worked out holds for the run as it stood; one more event and it is gone.
    key = (run, minute, seen.run.last, round(until, 2) if seen.run.clock.is_running else until)
    kept = st.session_state.get("ex_beside")
    if is_asked:
        try:
            with st.spinner("Planning on from there"):
                kept = (key, beside_planning(seen.exercise, seen.run, float(minute), REQUEST))
        except ValueError as error:
            look.line(str(error))
            return
        st.session_state["ex_beside"] = kept
    if kept is None or kept[0][:2] != key[:2]:
        return
    if kept[0] != key:
        look.line("The exercise has gone on since this was worked out.", "small")
    _show_beside(seen.exercise, kept[1])


def _show_beside(exercise: Exercise, beside: Beside) -> None:
    start = exercise.incident.start
    look.line(
        f"Minutes without oxygen from {clock(start, beside.at_min)} to "
        f"{clock(start, beside.until_min)}:"
    )
    parts.table(("Patient", "As decided", "Planning on"), (
        (tag, f"{minutes:.1f}", f"{beside.planned_min[tag]:.1f}")
        for tag, minutes in beside.decided_min.items()
    ), (1, 2))  # fmt: skip
    parts.table(("Category", "Planning on less as decided, min"), (
        (TITLES.get(triage, triage), f"{minutes:+.1f}")
        for triage, minutes in beside.by_category.items()
    ), (1,))  # fmt: skip
    look.line(beside.one_luck, "small")


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
    lines = review_lines(made)
    last = lines.index(HINDSIGHT)
    _lines(lines[1:last])
    named = {f"review_{number}": spec for number, spec in enumerate(charts)}
    for name in named:
        chart({"charts": named}, name)
    with st.expander(f"{HINDSIGHT}: open only after the rest has been read"):
        _lines(lines[last + 1 : -1])


def _lines(texts: Iterable[str]) -> None:
    html = "".join(f'<p class="op-line">{look.escape(text)}</p>' for text in texts)
    if html:
        look.put(html)
