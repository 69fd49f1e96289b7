"""The one quick form for decisions, made from what players know and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, Literal

import streamlit as st

from planner.errors import Fault
from planner.exercise import keeping
from planner.exercise.deciding import DEEDS
from planner.incident import TRIAGE_ORDER
from planner.journal.events import WORDS, LogEntry
from planner.page import exercise_parts as parts
from planner.page import look, session
from planner.reference import load_devices
from planner.store import StoreError, new_command_id

By = Literal["players", "controller"]
#: What is asked for each deed; whatever is left empty is as it was, or told.
ASKED: Final[Mapping[str, tuple[str, ...]]] = {
    "connect": ("patient", "cylinder", "device", "flow_lpm", "regulator"),
    "swap": ("patient", "cylinder", "flow_lpm", "regulator", "device"),
    "set flow": ("patient", "flow_lpm", "device"), "take off": ("patient",),
    "read gauge": ("cylinder",), "move": ("patient", "cylinder", "regulator", "place"),
    "change triage": ("patient", "triage"), "stop treatment": ("patient", "reason"),
    "request": ("items", "count"), "note": ("patient",),
}  # fmt: skip
LATER: Final = ("note", "role", "clock")
LABELS: Final = {
    "patient": "Patient", "cylinder": "Cylinder", "regulator": "Regulator",
    "device": "Mask or cannula", "flow_lpm": "Flow, L/min", "place": "To", "triage": "Category",
    "items": "What is asked for", "count": "How many", "reason": "Why", "note": "Words",
    "role": "Who decides", "clock": "At, if written down later (17:04)",
}  # fmt: skip
COMMAND, FORM, TOLD = "decision_command", "decision_form", "decision_told"


def choices(known: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    """Return what each field offers, from what players know."""

    def tags(table: str) -> tuple[str, ...]:
        return tuple(row["tag"] for row in known[table])

    return {
        "patient": tags("patients"), "cylinder": tags("cylinders"), "regulator": tags("regulators"),
        "device": tuple(load_devices()), "place": tuple(known["places"]),
        "triage": tuple(TRIAGE_ORDER),
    }  # fmt: skip


@st.fragment
def show_form(run: str, known: Mapping[str, Any], by: By) -> None:
    """Draw the form; a redrawing of it alone leaves the rest of the screen as it is."""
    state = st.session_state
    state.setdefault(COMMAND, new_command_id())
    state.setdefault(FORM, 0)
    look.put("<h3>Decide</h3>")
    told = state.get(TOLD)
    if isinstance(told, str):
        look.line(told, "saved")
    elif told:
        look.faults(told)
    deed = st.selectbox("What is done", tuple(DEEDS), key="decision_do")
    offered = choices(known)
    with st.form(f"decision_{deed}_{state[FORM]}", border=False):
        for name in (*ASKED[deed], *LATER):
            _field(name, offered.get(name), f"{name}_{deed}_{state[FORM]}")
        st.form_submit_button("Decide", type="primary", width="stretch", on_click=_decide,
                              args=(run, deed, by, state[COMMAND], state[FORM]))  # fmt: skip


def _field(name: str, options: tuple[str, ...] | None, key: str) -> None:
    if options is None:
        st.text_input(LABELS[name], key=f"decision_{key}", max_chars=500)
    else:
        st.selectbox(LABELS[name], options, index=None, key=f"decision_{key}",
                     placeholder="as it is, or none")  # fmt: skip


def _decide(run: str, deed: str, by: By, command: str, form: int) -> None:
    """Keep what the form says; what is impossible is told and the form stays filled in."""
    state = st.session_state
    # The link may have been taken away since the form was drawn.
    access = parts.access_now()
    if access is None or access.run != run or access.role != by:
        state[TOLD] = parts.UNKNOWN
        return
    said = {
        name: state.get(f"decision_{name}_{deed}_{form}") for name in (*ASKED[deed], *LATER)
    } | {"do": deed}  # fmt: skip
    try:
        found = keeping.keep_decision(session.store(), run, said, command, by)
    except StoreError as error:
        state[TOLD] = f"Nothing was written: {error}"
        return
    if isinstance(found, LogEntry):
        state[TOLD] = kept_words(found)
        state[COMMAND], state[FORM] = new_command_id(), form + 1
    else:
        state[TOLD] = found or (Fault("", "decision", "", "", "this", "a decision", "Again."),)


def kept_words(entry: LogEntry) -> str:
    """Return what was kept, in one line; a gauge that was read stands in it."""
    event = entry.event
    names = ("patient", "cylinder", "items", "count", "triage")
    words = [str(v) for n in names if (v := getattr(event, n, None)) is not None]
    gauge = getattr(event, "gauge", None)
    reads = f", reads {gauge.value:g} {gauge.unit}" if gauge is not None else ""
    return f"Written down: {WORDS[type(event)]} {', '.join(words)}{reads}."
