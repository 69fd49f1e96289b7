"""The controller's screen: clock, what is due, the truth beside what players know, the plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import streamlit as st

from planner.exercise.changes import KINDS
from planner.exercise.clock import SPEEDS
from planner.exercise.injects import Inject
from planner.exercise.keeping import Seen
from planner.exercise.known import known_to_players
from planner.exercise.run import STARTED, due_now, held_until, next_inject
from planner.exercise.setup import Exercise
from planner.exercise.truth import without_min
from planner.exercise.truth_rows import TruePatient, Truth
from planner.page import exercise_after, exercise_plan, look, picks
from planner.page import exercise_parts as parts
from planner.page.exercise_deciding import show_form
from planner.page.exercise_injects import fields, row_of
from planner.page.exercise_player import show_known
from planner.page.exercise_prints import show_sheets_now
from planner.report.exercise_words import when_words
from planner.report.words import TITLES
from planner.store import new_command_id
from planner.units import Pressure, clock

VIEWS: Final = ("Run", "After")
ENDLESS: Final = "held until it is given"


def show() -> None:
    """Show the controller's screen of the run that the link opens."""
    found = parts.seen_now("controller")
    if found is None:
        return
    access, seen = found
    look.put(parts.STYLE)
    look.put(f"<h2>{look.escape(seen.exercise.name)}: controller</h2>")
    _stopped()
    if picks.pick_part("What to show", VIEWS, VIEWS, "control_view") == "After":
        exercise_after.show(access.run)
        return
    parts.stop_button(access.run, "said by the controller")
    left, right = st.columns(2)
    with left:
        _live()
        _any_time(access.run, seen)
    with right:
        _truth()
        exercise_plan.show(access.run)
    with st.expander("On paper, in case the power fails"):
        show_sheets_now(access.run, seen.exercise.name)
    with st.expander("Type in a decision for players, as when an evening goes on by paper"):
        show_form(access.run, known_to_players(seen.exercise, seen.run), "controller")
    with st.expander("What players know"):
        _known()


# ----- the clock and what is due ----------------------------------------------------------------


@st.fragment(run_every=parts.HEARTBEAT_S)
def _stopped() -> None:
    """Say on either view that it is stopped for a real emergency, with the button that lifts it."""
    found = parts.seen_now("controller")
    if found is None or not found[1].run.is_stopped:
        return
    parts.show_stop()
    if found[1].run.stop_reason:
        look.line(found[1].run.stop_reason)
    parts.button("Lift the stop", found[0].run, "stop lifted")


@st.fragment(run_every=parts.HEARTBEAT_S)
def _live() -> None:
    """Draw the clock with its buttons, what is due, what comes next."""
    found = parts.seen_now("controller")
    if found is None:
        return
    access, seen = found
    run = seen.run
    parts.told()
    parts.show_clock(known_to_players(seen.exercise, run)["clock"], has_slept=run.has_slept)
    if run.branch:
        look.line(f"Branch {run.branch + 1}, from minute {run.branches[-1].from_min:.1f}; "
                  "what was before is kept.", "small")  # fmt: skip
    _clock_buttons(access.run, seen)
    _due(access.run, seen)
    _one_of_all(access.run, seen)


def _clock_buttons(run: str, seen: Seen) -> None:
    state = seen.run
    go, end = st.columns(2)
    with go:
        if state.clock.is_running:
            parts.button("Pause", run, "paused", type="primary")
        else:
            words = "Go on" if any(e.kind == STARTED for e in seen.events) else "Start"
            parts.button(words, run, "started", type="primary",
                         disabled=state.is_stopped or state.is_ended)  # fmt: skip
    with end:
        parts.button("End the exercise", run, "ended", disabled=state.is_ended)
    with st.container(horizontal=True):
        for speed in SPEEDS:
            parts.button(f"{speed:g}x", run, "speed", {"speed": speed},
                         disabled=state.clock.speed == speed or state.is_stopped)  # fmt: skip


def _due(run: str, seen: Seen) -> None:
    """Draw what is due with what to do about it, and the next that the clock brings."""
    due = due_now(seen.exercise, seen.run, without_min(seen.truth))
    look.put(f"<h3>Due now: {len(due)}</h3>")
    for inject in due:
        look.put(_card(seen.exercise, inject, is_due=True))
        _inject_buttons(run, seen, inject)
    following = next_inject(seen.exercise, seen.run)
    look.put("<h3>Next by the clock</h3>")
    if following is None:
        look.line("None is left that the clock alone brings.")
    elif following not in due:
        look.put(_card(seen.exercise, following))
        _inject_buttons(run, seen, following)


def _inject_buttons(run: str, seen: Seen, inject: Inject) -> None:
    data: dict[str, Any] = {"number": inject.number}
    is_off = seen.run.is_stopped
    later = round(seen.run.minute + 5, 1)
    with st.container(horizontal=True):
        parts.button(f"Give {inject.number}", run, "given", data, type="primary", disabled=is_off)
        parts.button(f"Hold {inject.number} for 5 min", run, "held",
                     data | {"until_min": later}, disabled=is_off)  # fmt: skip
        parts.button(f"Hold {inject.number}", run, "held", data, disabled=is_off)
        parts.button(f"Skip {inject.number}", run, "skipped", data, disabled=is_off)


def _card(exercise: Exercise, inject: Inject, *, is_due: bool = False) -> str:
    return parts.inject_html(
        f"{inject.number}. {when_words(inject, exercise.incident.start)}. "
        f"{inject.sender} to {inject.receiver}",
        inject.text,
        (("Expected", inject.expected), ("Objective", inject.objective),
         ("Said by", inject.deliverer)),
        is_due=is_due,
    )  # fmt: skip


def _standing(seen: Seen) -> Iterator[tuple[object, ...]]:
    """Yield each inject with how it stands."""
    given = {g.inject.number: g.minute for g in seen.run.given}
    skipped = {m.number for m in seen.run.skipped}
    held, start = held_until(seen.run), seen.exercise.incident.start
    rows = [*seen.exercise.injects, *(g.inject for g in seen.run.given if g.is_improvised)]
    for inject in rows:
        number = inject.number
        words = ""
        if number in given:
            words = f"given {clock(start, given[number])}"
        elif number in skipped:
            words = "skipped"
        elif number in held:
            until = held[number]
            words = ENDLESS if until == float("inf") else f"held until {clock(start, until)}"
        yield number, when_words(inject, start), inject.text, words


def _one_of_all(run: str, seen: Seen) -> None:
    """Draw all injects with how they stand; any that is open can be given, held or skipped."""
    with st.expander("All injects"):
        parts.table(("No.", "Due", "Text", "Now"), _standing(seen), (0,))
        due = {i.number for i in due_now(seen.exercise, seen.run, without_min(seen.truth))}
        following = next_inject(seen.exercise, seen.run)
        due |= {following.number} if following is not None else set()
        rest = [
            i for i in seen.exercise.injects if i.number not in seen.run.done | due
        ]  # fmt: skip
        if not rest:
            return
        words = [f"{i.number}: {i.text[:60]}" for i in rest]
        which = picks.pick_row("Give another early", words, f"early:{run}")
        _inject_buttons(run, seen, rest[which])


# ----- improvised, rewound ----------------------------------------------------------------------


def _any_time(run: str, seen: Seen) -> None:
    with st.expander("An inject made up now"):
        form = f"improvised_{st.session_state.get('improvised_n', 0)}"
        with st.form(form, border=False):
            fields(form, seen.exercise, KINDS, is_timed=False)
            st.form_submit_button("Give it now", type="primary", on_click=_improvise,
                                  args=(run, form, new_command_id()))  # fmt: skip
    with (
        st.expander("Rewind: begins a branch, nothing is deleted"),
        st.form("rewind", border=False),
    ):
        st.number_input("To minute", value=0.0, step=1.0, format="%g", key="rewind_to")
        st.form_submit_button("Rewind", on_click=_rewind, args=(run, new_command_id()))
    with (
        st.expander("Put the clock forward, where the evening went on by paper"),
        st.form("put_forward", border=False),
    ):
        look.line("Then type in below what was decided, with its clock time, in order.", "small")
        st.number_input("To minute", value=None, step=1.0, format="%g", key="forward_to")
        st.form_submit_button("Put it forward", on_click=_forward, args=(run, new_command_id()))


def _improvise(run: str, form: str, command: str) -> None:
    if parts.do(run, "improvised", command, {"inject": row_of(form)}):
        st.session_state["improvised_n"] = st.session_state.get("improvised_n", 0) + 1


def _rewind(run: str, command: str) -> None:
    parts.do(run, "rewound", command, {"minute": st.session_state.get("rewind_to")})


def _forward(run: str, command: str) -> None:
    parts.do(run, "put forward", command, {"minute": st.session_state.get("forward_to")})


# ----- the truth --------------------------------------------------------------------------------


@st.fragment(run_every=parts.HEARTBEAT_S)
def _truth() -> None:
    """Draw what is so; for controllers."""
    found = parts.seen_now("controller")
    if found is None:
        return
    seen = found[1]
    look.put("<h3>Truth (players do not see this)</h3>")
    out = without_min(seen.truth)
    look.line(
        "Without oxygen now: " + "; ".join(f"{tag} for {m:.1f} min" for tag, m in out) + "."
        if out else "Nobody who needs oxygen is without it now."
    )  # fmt: skip
    show_truth(seen.exercise, seen.truth)


def show_truth(exercise: Exercise, truth: Truth) -> None:
    """Draw people and cylinders as they are."""
    parts.table(("Tag", "Category", "Now", "On", "L/min", "Without, min"), (
        (p.tag, TITLES[p.triage], p.status, p.cylinder or "nothing", _flow(p),
         f"{p.minutes_out:.1f}")
        for p in truth.patients
    ), (4, 5))  # fmt: skip
    units = {c.tag: c.gauge.unit for c in exercise.incident.all_cylinders}
    parts.table(("Cylinder", "Gauge in truth", "Now", "At", "On"), (
        (c.tag, _gauge(c.gauge_psi, units[c.tag]), c.status, c.place, ", ".join(c.users))
        for c in truth.cylinders
    ), (1,))  # fmt: skip
    bad = [
        (r.tag, "broken" if r.is_broken else "gone" if r.is_gone else f"stuck at {r.stuck_lpm:g}")
        for r in truth.regulators if r.is_broken or r.is_gone or r.stuck_lpm is not None
    ]  # fmt: skip
    if bad:
        look.line("Regulators: " + "; ".join(f"{tag} {how}" for tag, how in bad) + ".")
    for place, until in truth.silent:
        look.line(f"No radio at {place} until {clock(exercise.incident.start, until)}.")


def _flow(person: TruePatient) -> str:
    if person.cylinder is None:
        return ""
    is_as_set = abs(person.true_lpm - person.flow_lpm) < 0.05
    return f"{person.flow_lpm:g}" + ("" if is_as_set else f" (really {person.true_lpm:.1f})")


def _gauge(psi: float, unit: str) -> str:
    pressure = Pressure(psi, "psi")
    return f"{pressure.bar:.0f} bar" if unit == "bar" else f"{psi:.0f} psi"


@st.fragment(run_every=parts.HEARTBEAT_S)
def _known() -> None:
    found = parts.seen_now("controller")
    if found is not None:
        known: Mapping[str, Any] = known_to_players(found[1].exercise, found[1].run)
        show_known(known)
