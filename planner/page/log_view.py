"""The log: what was written down in an incident, every doubt, and the state at a minute."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from hashlib import sha256
from typing import Any, Final

import streamlit as st

from planner.document import incident_document
from planner.errors import InputError
from planner.incident import Incident
from planner.intake import printable
from planner.journal.checkpoints import Checkpoints, checkpoints, replay_on
from planner.journal.events import Journal, LogEntry
from planner.journal.files import journal_tree, json_text
from planner.journal.reading_log import LogReading, raw_log, read_logs
from planner.journal.stock import stock_of
from planner.page import look, session
from planner.page.desk import desk
from planner.page.logs import keep_log, kept_log
from planner.page.prints import review_button
from planner.page.review import review
from planner.page.review_drawing import show_lines, show_review
from planner.page.starts import shipped_log
from planner.page.waiting import tell_failure, wait_for
from planner.report.journal_words import (
    NOTE,
    cylinders_grid,
    patients_grid,
    reading_lines,
    state_lines,
)
from planner.report.words import counted, when
from planner.review.charts import review_charts
from planner.review.lines import review_lines
from planner.review.report import review_of
from planner.review.sheets import review_html
from planner.store import StoreError, new_command_id

Files = Mapping[str, bytes]
SEED = 1  # of what is planned on; the command's own default
LONG: Final = 1000  # entries; 5,000 with a doubt at every gauge took 90 s
MOST_LINES: Final = 25  # of a kind at a minute; the review has all


def show() -> None:
    """Show the logs of the incident that is open, once they are given."""
    look.put("<h2>Log</h2>")
    revision = session.current()
    incident = None if revision is None else review(revision.content).incident
    if incident is None:
        look.line("Open an incident that is ready to plan under Start: a log is read against it.")
        return
    assert revision is not None  # noqa: S101 - there is an incident
    look.line(
        "Oxygen logs of this incident as CSV, in the columns of the blank log that Plan prints. "
        "What is not plain is read all the same, and told."
    )
    files = _sent() or _shipped(revision.name)
    if not files:
        _show_kept(revision.document, incident)
        return
    fast = {
        name: st.number_input(f"The clock of {look.label(name)} is fast by, min", value=0.0,
                              step=1.0, format="%g", key=f"log_fast_{name}")
        for name in files
    }  # fmt: skip
    try:
        reading = _read(files, fast, incident)
    except InputError as error:
        look.faults(error.faults)
        return
    first, *doubts = reading_lines(reading)
    look.line(first)
    if doubts:
        with st.expander("Doubts, with the reading taken", expanded=True):
            for text in doubts:
                look.line(text, "small")
    st.button("Keep these entries with the incident", key="log_keep", type="primary",
              on_click=_keep, args=(revision.document, reading, new_command_id()))  # fmt: skip
    _told()
    _draw(reading.entries, incident, tuple(doubts))


def _keep(document: str, reading: LogReading, command: str) -> None:
    try:
        count = keep_log(session.store(), document, reading.entries, command)
    except InputError as error:
        st.session_state["log_told"] = [str(fault) for fault in error.faults]
    except StoreError as error:
        st.session_state["log_told"] = [f"Nothing was written: {error}"]
    else:
        st.session_state["log_told"] = [
            f"{counted(count, 'entry', 'entries')} kept." if count else "All of them were kept."
        ]


def _told() -> None:
    for text in st.session_state.pop("log_told", ()):
        look.line(text, "saved")


def _show_kept(document: str, incident: Incident) -> None:
    kept = kept_log(session.store(), document)
    if kept is None:
        look.line("No log is kept with this incident yet.")
        return
    look.line(f"{counted(len(kept.entries), 'entry', 'entries')} kept with this incident.")
    _draw(kept.entries, incident)


def _sent() -> Files:
    sent = st.file_uploader("Logs, CSV, at most 5 MB", type=["csv"], accept_multiple_files=True,
                            key="logs", max_upload_size=5)  # fmt: skip
    return {file.name: file.getvalue() for file in sent}


def _shipped(name: str) -> Files:
    """Offer the log that is shipped with a shipped incident, told by its name."""
    log = shipped_log(name)
    if log is None or not st.checkbox(f"Take the shipped log, {log.name}", key=f"log_of_{name}"):
        return {}
    return {log.name: log.read_bytes()}


def _read(files: Files, fast: Mapping[str, float], incident: Incident) -> LogReading:
    """Return the logs as read; read again only when something in them has changed."""
    told = repr([(name, sha256(data).hexdigest(), fast[name]) for name, data in files.items()])
    key = sha256(f"{told}{incident!r}".encode()).hexdigest()
    kept: dict[str, Any] = st.session_state.setdefault("log_read", {})
    if key not in kept:
        kept.clear()
        logs = [
            raw_log(data.decode("utf-8-sig", errors="replace").replace("\r\n", "\n"),
                    printable(name).removesuffix(".csv"), fast[name])
            for name, data in files.items()
        ]  # fmt: skip
        kept[key] = read_logs(logs, incident.start, stock_of(incident))
    found: LogReading = kept[key]
    return found


def _draw(entries: tuple[LogEntry, ...], incident: Incident, doubts: tuple[str, ...] = ()) -> None:
    st.download_button(
        "The log as read, with a checksum",
        partial(json_text, Journal(incident.name, incident.start, entries)),
        file_name="log.json", mime="application/json", on_click="ignore",
    )  # fmt: skip
    if not entries:
        return
    _state_at(_followed(entries, incident), incident)
    if st.toggle("After-action review: known at the time first, hindsight last", key="log_review"):
        _review(entries, incident, doubts)


def _followed(entries: tuple[LogEntry, ...], incident: Incident) -> Checkpoints:
    """Return the log followed to its end; again only when it, or the incident, is another."""
    kept = st.session_state.get("log_followed")
    if kept is None or kept[0] != entries or kept[1] != incident:
        kept = (entries, incident, checkpoints(entries, stock_of(incident)))
        st.session_state["log_followed"] = kept
    found: Checkpoints = kept[2]
    return found


@st.fragment
def _state_at(points: Checkpoints, incident: Incident) -> None:
    """Show what was so at a minute; another minute draws this part alone."""
    low, high = min(0.0, *points.minutes), max(points.minutes)
    at_min = float(high)
    if high > low:
        at_min = float(
            st.slider("State at minute", low, high, high, step=1.0, format="%g", key="log_at")
        )
    state = replay_on(points, at_min)
    look.line(f"At {when(incident.start, at_min)}, by the record.")
    show_lines(state_lines(state, incident.start, MOST_LINES))
    is_bar = incident.change_at.unit == "bar"
    for grid in (patients_grid(state, incident.start), cylinders_grid(state, is_bar=is_bar)):
        look.put(f"<h3>{look.escape(grid.title)}</h3>")
        look.table(grid.heads, grid.rows, grid.numeric)
    look.line(NOTE, "small")


def _review(entries: tuple[LogEntry, ...], incident: Incident, doubts: tuple[str, ...]) -> None:
    kept = st.session_state.get("log_reviewed")
    if kept is None or kept[:3] != (entries, incident, doubts):
        wait = ": so long a log takes a minute or more" if len(entries) > LONG else ""
        with st.spinner(f"Reviewing the log{wait}"):
            made = review_of(Journal(incident.name, incident.start, entries), incident)
            charts = review_charts(made.facts, made.start)
            kept = (entries, incident, doubts, made, charts, review_html(made, doubts, charts))
            st.session_state["log_reviewed"] = kept
    *_, made, charts, html = kept
    planned = _planned_on(entries, incident, doubts)
    review_button(incident.name, html if planned is None else planned["html"])
    lines = tuple(review_lines(made) if planned is None else planned["lines"])
    show_review(lines, charts)


def _planned_on(
    entries: tuple[LogEntry, ...], incident: Incident, doubts: tuple[str, ...]
) -> dict[str, Any] | None:
    """Offer to plan on from each decision point, in a worker; the review with that once done."""
    tree = journal_tree(Journal(incident.name, incident.start, entries))
    about = f"review {sha256(f'{tree}{incident!r}'.encode()).hexdigest()[:16]}"
    progress = desk().look(about)
    is_busy = progress is not None and not progress.has_ended
    payload = {"incident": incident_document(incident, with_assumed=True), "journal": tree,
               "doubts": list(doubts), "seed": SEED}  # fmt: skip
    st.button("Plan on from each decision point (seconds each)", key="log_plan_on",
              disabled=is_busy, on_click=_start, args=(about, payload))  # fmt: skip
    if progress is None:
        return None
    if not progress.has_ended:
        wait_for(about, "Planning on: ")
        return None
    if progress.result is None:
        tell_failure(progress)
        return None
    found: dict[str, Any] = progress.result
    points = counted(found["points"], "decision point")
    more = "" if found["is_complete"] else "; stopped before the rest"
    look.line(f"Planned on from {points}{more}: the differences stand below and in the print.")
    return found


def _start(about: str, payload: dict[str, Any]) -> None:
    try:
        desk().start(about, "review", payload)
    except InputError as error:
        session.tell(f"Planning on did not begin: {error}")
