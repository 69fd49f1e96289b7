"""The session: which document is open, which revision its page shows, and writing to the store.

``session_state`` holds ids and revision numbers only, with one exception that says so on screen:
a refused write, which is in no database. After a restart of the server all of it is gone, every
key is new, and what an old tab sends is not heard.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import streamlit as st

from planner.errors import InputError
from planner.fields import MAX_TAG
from planner.intake import text_fault
from planner.page import look, versions
from planner.page.plans import latest_mark
from planner.store import (
    Command,
    RepeatedCommand,
    Revision,
    StaleWrite,
    Store,
    StoreError,
    new_command_id,
)

STORE: Final = "OXYGEN_PLANNER_STORE"
DEFAULT: Final = "oxygen-planner.sqlite"
QUERY: Final = "incident"
OPEN: Final = "open_incident"  # no widget has this key
GO_TO: Final = "go_to"  # the view that the next drawing goes to by itself
HEARTBEAT_S: Final = 4
PARTS: Final = ("form", "grid")  # what keeps its widgets through its own writes


@st.cache_resource(show_spinner=False)
def _store(path: str) -> Store:
    return Store(path)


def store() -> Store:
    """Return the one store of the server, by the path in the environment."""
    return _store(str(Path(os.environ.get(STORE, DEFAULT)).resolve()))


def document_id() -> str | None:
    """Return the id of the open incident, from the address of the page.

    Going to another view drops it from the address; it is put back there from the session.
    """
    document = st.query_params.get(QUERY) or None
    if document is None and OPEN in st.session_state:
        document = str(st.session_state[OPEN])
        st.query_params[QUERY] = document
    elif document is not None:
        st.session_state[OPEN] = document
    return document


def open_document(document: str) -> None:
    """Open an incident: put its id into the address."""
    st.query_params[QUERY] = document
    st.session_state[OPEN] = document  # going on to another view drops the address's query
    _forget()


def current() -> Revision | None:
    """Return the current revision of the open incident and note that the page shows it.

    None when none is open, or none of that id can be read; the page then says why.
    """
    st.session_state.pop("plan_shown", None)
    document = document_id()
    if document is None:
        return None
    try:
        revision = store().revision(document)
    except StoreError as error:
        look.line(f"The incident in the address cannot be opened: {error}.")
        return None
    if revision.kind != "incident":
        look.line("The address names a document that is no incident. Choose one under Start.")
        return None
    _show(revision.document, revision.number)
    return revision


def shown_revision(document: str) -> int | None:
    """Return the revision on which this page's next edit is based; None before it was drawn."""
    state = st.session_state
    return state.get("shown") if state.get("document") == document else None


def drawn(part: str) -> int:
    """Return the revision at which a part of the page drew its widgets, for their keys."""
    return int(st.session_state.get(f"drawn_{part}", 0))


def edit(document: str, tree: Mapping[str, Any], part: str, note: str = "") -> Revision | None:
    """Write an edit made in a part of the page, based on the revision that the page shows.

    The part keeps its widgets, so that the cursor stays where it is; the other parts are drawn
    anew. The command id is that of this page until something was written.
    """
    base = shown_revision(document)
    if base is None:
        return None
    command = str(st.session_state.setdefault("command", new_command_id()))
    if note == "":
        note = versions.note_of(store().revision(document, base).tree, tree)
    return commit(document, base, command, tree, note, part=part)


def press(
    document: str, base: int, command_id: str, change: Callable[[dict[str, Any]], dict[str, Any]]
) -> None:
    """Write what a button changes, once, however often it is pressed.

    A text box that was left for the button has been written just before; edits of this page
    since the button was drawn count as seen, edits from elsewhere do not.
    """
    shown, own_from = shown_revision(document), st.session_state.get("own_from", 0)
    if shown is not None and own_from <= base <= shown:
        base = shown
    before = store().revision(document, base).tree
    after = change(before)
    commit(document, base, command_id, after, versions.note_of(before, after))


def commit(
    document: str,
    base_revision: int,
    command_id: str,
    tree: Mapping[str, Any],
    note: str,
    *,
    part: str = "",
) -> Revision | None:
    """Write a revision; None when it was refused, and the page then shows why.

    A stale write is kept in the session with its base, until the user chooses between the two
    versions; a repeated command gets its first answer.
    """
    st.session_state.pop("told", None)
    try:
        written = store().write(
            document, tree, Command(command_id, base_revision), name=_name(tree), note=note
        )
    except StaleWrite as stale:
        sent = stale.sent.tree or {}
        st.session_state["refused"] = {"document": document, "base": stale.base, "tree": sent}
        return None
    except RepeatedCommand:  # a second click on one drawn button
        st.session_state["told"] = "That was done already; nothing was done twice."
        return None
    except (StoreError, InputError) as error:
        st.session_state["told"] = f"Nothing was written: {error}"
        return None
    finally:
        st.session_state["command"] = new_command_id()
    _wrote(written, part)
    return written


def step(document: str, way: str, base_revision: int, command_id: str) -> None:
    """Undo or redo the last edit."""
    st.session_state.pop("told", None)
    take = store().undo if way == "undo" else store().redo
    try:
        _wrote(take(document, Command(command_id, base_revision)), "")
    except StaleWrite:
        st.session_state["told"] = (
            f"Nothing was changed: the incident was edited elsewhere. Look, then {way} again."
        )
        _forget()
    except StoreError as error:
        st.session_state["told"] = f"Nothing was changed: {error}."


def show_state() -> None:
    """Show what was refused or could not be done, and watch for edits made elsewhere."""
    document = document_id()
    told = st.session_state.pop("told", None)
    if told:
        look.put(f'<div class="op-warning" role="alert">{look.escape(told)}</div>')
    refused = st.session_state.get("refused")
    if refused and refused["document"] == document:
        _show_refused(refused)
    if document is not None:
        _heartbeat(document)


def tell(text: str) -> None:
    """Leave a sentence for the next drawing of the page."""
    st.session_state["told"] = text


def _show(document: str, number: int) -> None:
    state = st.session_state
    if state.get("document") == document and state.get("shown") == number:
        return
    if state.get("document") == document:
        state["told"] = f"Revision {number} was written elsewhere; it is shown now."
    state["document"], state["shown"], state["own_from"] = document, number, number
    for part in PARTS:
        state[f"drawn_{part}"] = number


def _wrote(written: Revision, part: str) -> None:
    state = st.session_state
    if state.get("document") != written.document:
        return
    state["shown"] = written.number
    for other in PARTS:
        if other != part:
            state[f"drawn_{other}"] = written.number


def _forget() -> None:
    for name in ("document", "shown", "told", "refused", "plan_shown"):
        st.session_state.pop(name, None)


def _name(tree: Mapping[str, Any]) -> str | None:
    """Return the incident's name where it can be a document's, else None: it stays."""
    head = tree.get("incident")
    name = head.get("name") if isinstance(head, dict) else None
    return name if isinstance(name, str) and text_fault(name, MAX_TAG) is None else None


def _show_refused(refused: Mapping[str, Any]) -> None:
    """Show both versions of a refused write, side by side, and let the user choose."""
    document = refused["document"]
    now = store().revision(document)
    mine, theirs = refused["tree"], now.tree
    look.put(
        '<div class="op-warning" role="alert"><b>NOT SAVED</b> '
        f"Your edit was based on revision {int(refused['base'])}, but revision {now.number} "
        "stands now. Nothing was overwritten. Choose which version stays; loading the page anew "
        "drops yours.</div>"
    )
    look.table(
        ("Where", "Yours", f"There now (revision {now.number})"),
        ((d.where, d.first, d.second) for d in versions.differences(mine, theirs)),
    )
    base = store().revision(document, refused["base"]).tree
    try:
        merged, words = versions.on_top(base, mine, theirs), "Put only my edit on top"
    except versions.Clash:
        merged, words = mine, "Put my whole version in its place"
    command = new_command_id()
    with st.container(horizontal=True):
        st.button(words, key=f"mine:{document}:{now.number}", type="primary", on_click=_put_mine,
                  args=(document, now.number, command, merged))  # fmt: skip
        st.button("Keep what is there now", key=f"theirs:{document}:{now.number}",
                  on_click=_drop_mine)  # fmt: skip


def _put_mine(document: str, base: int, command: str, tree: Mapping[str, Any]) -> None:
    st.session_state.pop("refused", None)
    commit(document, base, command, tree, "edit put on top of one made elsewhere")


def _drop_mine() -> None:
    _forget()


@st.fragment(run_every=HEARTBEAT_S)
def _heartbeat(document: str) -> None:
    """Say when another tab or person has written; what is being typed here is left alone."""
    try:
        number = store().revision(document).number
    except StoreError as error:
        look.line(f"The store cannot be read: {error}")
        return
    shown = shown_revision(document)
    if shown is None:
        st.rerun()
    if shown != number:
        look.put(
            f'<div class="op-warning" role="status">Revision {number} was written elsewhere; '
            f"this page shows {shown}.</div>"
        )
        if st.button("Show the newer one", key=f"newer:{document}:{number}"):
            st.rerun()
    _newer_plan(document)


def note_plan(document: str) -> None:
    """Note which plan this page is about to show, so that a newer one is told of."""
    try:
        st.session_state["plan_shown"] = latest_mark(store(), document)
    except StoreError:  # the view itself says what cannot be read
        st.session_state.pop("plan_shown", None)


def _newer_plan(document: str) -> None:
    """Say when another tab has made a plan since this page showed one."""
    if "plan_shown" not in st.session_state:
        return
    mark = latest_mark(store(), document)
    if mark is None or mark == st.session_state["plan_shown"]:
        return
    look.put('<div class="op-warning" role="status">A newer plan was made elsewhere.</div>')
    if st.button("Show the newer plan", key=f"newer_plan:{document}:{mark[1]}"):
        st.rerun()
