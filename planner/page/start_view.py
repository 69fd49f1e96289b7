"""The start: open an incident, begin one, look after the one that is open."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final, Literal

import streamlit as st

from planner.errors import InputError
from planner.fields import CSV_TABLES, MAX_TAG
from planner.files import csv_text
from planner.page import edits, look, picks, session, starts
from planner.page.review import review
from planner.store import Document, Revision, StoreError, new_command_id
from planner.store.exchange import FORMS, exported

TOLD: Final = (
    "Who gets which cylinder on which mask at which flow, who swaps what and when, until when the "
    "oxygen lasts, and how likely it is that anyone runs out. Begin with a shipped incident, then "
    "press Plan under Plan."
)


def show() -> None:
    """Show what is stored, ways to begin, and the tools for the incident that is open."""
    current = session.current()
    with st.container():
        session.show_state()
    if current is None:
        look.line(TOLD)
    left, right = st.columns(2)
    with left:
        _stored(current)
        _begin(current)
    with right:
        if current is None:
            look.line("No incident is open: choose or begin one.")
        else:
            _open_one(current)
        _backup()


def _stored(current: Revision | None) -> None:
    words = {d.id: _words(d) for d in session.store().documents("incident")}
    opened = None if current is None else current.document
    picks.pick_stored("incident", words, opened, _open, "open")


def _words(document: Document) -> str:
    changed = document.changed_at[:16].replace("T", " ")
    return f"{document.name} | revision {document.revision} | {changed} UTC | {document.id[:4]}"


def _open(document: str | None) -> None:
    if document:
        session.open_document(document)


def _begin(current: Revision | None) -> None:
    look.put('<h3 class="op-title">Begin one</h3>')
    with st.container():  # always there, so that the tabs below stay as they are
        _show_file_faults()
    shipped, files, nothing = st.tabs(["Shipped", "From files", "From nothing"])
    with shipped:
        known = starts.shipped()
        name = st.selectbox("Shipped incident", list(known), key="shipped")
        if name:
            look.line(starts.note_of(known[name]), "small")
            kind: Literal["primary", "secondary"] = "secondary" if current else "primary"
            st.button("Begin from it", key="begin_shipped", type=kind, on_click=_made,
                      args=(_from_shipped, new_command_id()))  # fmt: skip
    with files:
        _begin_files(current)
    with nothing:
        name = st.text_input("Name of the new incident", max_chars=MAX_TAG, key="new_name")
        st.button("Begin with nothing", key="begin_nothing", on_click=_made_blank,
                  args=(new_command_id(),), disabled=not name)  # fmt: skip


def _from_shipped(command: str) -> Revision:
    """Begin from the one chosen now: the choice may be newer than the drawing of the button."""
    path = starts.shipped()[st.session_state["shipped"]]
    return starts.start_shipped(session.store(), path, command)


def _begin_files(current: Revision | None) -> None:
    sent = st.file_uploader(
        "TOML or JSON (with the CSV files it names), or a CSV of patients or cylinders for the "
        "incident that is open; at most 5 MB", type=list(starts.ENDINGS),
        accept_multiple_files=True, key="files", max_upload_size=5,
    )  # fmt: skip
    files = {file.name: file.getvalue() for file in sent}
    if not files:
        return
    if not starts.is_table_only(files):
        st.button("Begin from the files", key="begin_files", on_click=_made, args=(
            lambda command: starts.start_from_files(session.store(), files, command).revision,
            new_command_id()))  # fmt: skip
    elif current is None:
        look.line("Open the incident first into which these rows go.")
    else:
        table = st.selectbox("They are the", CSV_TABLES, key="csv_table")
        name, data = next(iter(files.items()))
        st.button("Replace those rows", key="replace_rows", on_click=_replace_rows, args=(
            current, table, name, data, new_command_id()))  # fmt: skip


def _made(make: Callable[[str], Revision], command: str) -> None:
    """Begin an incident and open it; faults wait for the drawing that follows."""
    st.session_state.pop("file_faults", None)
    try:
        made = make(command)
    except InputError as error:
        st.session_state["file_faults"] = error.faults
    except StoreError as error:
        session.tell(f"Nothing was written: {error}")
    else:
        session.open_document(made.document)


def _made_blank(command: str) -> None:
    name = str(st.session_state.get("new_name", "")).strip()
    tree = starts.blank(name, datetime.now())
    _made(lambda c: session.store().create("incident", name, tree, c, note="begun"), command)
    if "file_faults" not in st.session_state:  # there is nothing else to do with an empty one
        st.session_state[session.GO_TO] = "incident"


def _replace_rows(current: Revision, table: str, name: str, data: bytes, command: str) -> None:
    st.session_state.pop("file_faults", None)
    try:
        tree = starts.with_table(current.tree, table, name, data)
    except InputError as error:
        st.session_state["file_faults"] = error.faults
        return
    note = f"{table} read from a CSV file"
    session.commit(current.document, current.number, command, tree, note)


def _show_file_faults() -> None:
    found = st.session_state.pop("file_faults", None)
    if found:
        look.line(f"Nothing was written. {len(found)} to mend in the file:")
        look.faults(found)


def _open_one(current: Revision) -> None:
    look.put(f'<h3 class="op-title">{look.escape(current.name)}</h3>')
    faults = len(review(current.content).faults)
    ready = "Ready: change it under Incident, plan it under Plan."
    said = f"{faults} to mend before a plan: go on under Incident." if faults else ready
    look.line(f"Revision {current.number}. {said}")
    _rename(current)
    _steps(current)
    _export(current, faults)
    with st.expander("History"):
        _history(current)


def _rename(current: Revision) -> None:
    key = f"rename:{current.document}:{current.number}"
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.text_input("Name", value=current.name, max_chars=MAX_TAG, key=key)
        st.button("Rename", key=f"do_{key}", on_click=_renamed,
                  args=(current, key, new_command_id()))  # fmt: skip


def _renamed(current: Revision, key: str, command: str) -> None:
    name = str(st.session_state.get(key, "")).strip()
    head = edits.row_at(current.tree, ("incident",))
    if name and name != head.get("name"):
        tree = edits.with_row(current.tree, ("incident",), {**head, "name": name})
        session.commit(current.document, current.number, command, tree, "renamed")


def _steps(current: Revision) -> None:
    there = session.store().steps(current.document)
    with st.container(horizontal=True):
        for way, target in (("undo", there.undo), ("redo", there.redo)):
            st.button(
                way.capitalize(), key=f"{way}:{current.document}:{current.number}",
                disabled=target is None, on_click=session.step,
                args=(current.document, way, current.number, new_command_id()),
            )  # fmt: skip


def _export(current: Revision, faults: int) -> None:
    look.line("Take it along" + (
        f" as a draft: {faults} to mend, so only the raw tree can be written." if faults else ""
    ), "small")  # fmt: skip
    with st.container(horizontal=True):
        for form in FORMS:
            try:
                data = exported(current, form, is_draft=bool(faults))
            except InputError as error:
                look.faults(error.faults)
                continue
            st.download_button(form.upper(), data, f"incident-{current.document}.{form}",
                               key=f"export_{form}", on_click="ignore")  # fmt: skip
        incident = review(current.content).incident
        for table in CSV_TABLES if incident is not None else ():
            if incident is not None:
                st.download_button(f"CSV of {table}", csv_text(incident, table),
                                   f"{table}-{current.document}.csv", "text/csv",
                                   key=f"export_{table}", on_click="ignore")  # fmt: skip


def _history(current: Revision) -> None:
    entries = session.store().history(current.document)[::-1]
    look.table(
        ("Revision", "UTC", "Name", "What"),
        [(e.number, e.at[:19].replace("T", " "), e.name, e.note) for e in entries[:50]],
        (0,),
    )
    if len(entries) < 2:
        return
    numbers = [entry.number for entry in entries if entry.number != current.number]
    with st.container(horizontal=True, vertical_alignment="bottom"):
        number = st.selectbox("Revision", numbers, key=f"back:{current.document}")
        st.button("Put it back", key=f"do_back:{current.document}:{current.number}",
                  on_click=_put_back, args=(current, number, new_command_id()))  # fmt: skip


def _put_back(current: Revision, number: int, command: str) -> None:
    tree = session.store().revision(current.document, number).tree
    session.commit(current.document, current.number, command, tree, f"as revision {number}")


def _backup() -> None:
    look.put('<h3 class="op-title">Backup</h3>')
    look.line("One file with every incident, plan and revision, checked while it is made.", "small")
    st.download_button("Download a backup", _copy, "oxygen-planner-backup.store",
                       "application/octet-stream", key="backup", on_click="ignore")  # fmt: skip


def _copy() -> bytes:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "backup.store"
        session.store().backup(path)
        return path.read_bytes()
