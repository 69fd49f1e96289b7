"""The exercise: begin one, set it up, begin a run of it and say its two links."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, Final

import streamlit as st
import tomli_w

from planner.errors import InputError
from planner.exercise import keeping
from planner.exercise.changes import KINDS
from planner.exercise.keeping import Links
from planner.exercise.library import load_library
from planner.exercise.setup import Exercise, is_exercise, read_exercise
from planner.exercise.writing import exercise_document, inject_document
from planner.fields import MAX_TAG
from planner.page import exercise_parts as parts
from planner.page import exercise_sets as sets
from planner.page import look, picks, session
from planner.page.exercise_injects import fields, row_of
from planner.page.exercise_prints import show_sheets
from planner.report.exercise_words import when_words
from planner.store import Revision, StoreError, new_command_id

QUERY, OPEN, LINKS = "exercise", "open_exercise", "exercise_links"
NEW: Final = "a new one"
TOLD: Final = (
    "An evening with players: set up what happens and what they know, begin a run, give them their "
    "link, and look back at the end."
)


def show() -> None:
    """Show the exercises, the one that is open, and its runs."""
    look.put(parts.STYLE)
    look.put("<h2>Exercise</h2>")
    look.line(TOLD)
    parts.told()
    document = _document()
    left, right = st.columns(2)
    with left:
        _stored(document)
        _begin()
    with right:
        _runs()
    if document is None:
        look.line("No exercise is open: choose or begin one.")
        return
    try:
        revision = session.store().revision(document)
        if revision.kind != "exercise" or not is_exercise(revision.tree) or "what" in revision.tree:
            look.line("The address names a document that is no exercise to set up.")
            return
        _open_one(revision, keeping.open_exercise(session.store(), document))
    except (StoreError, InputError) as error:
        look.line(f"The exercise in the address cannot be opened: {error}")


def _document() -> str | None:
    """Return the id of the open exercise, from the address or, after another view, the session."""
    document = st.query_params.get(QUERY) or st.session_state.get(OPEN)
    if document is not None:
        st.session_state[OPEN] = st.query_params[QUERY] = str(document)
    return None if document is None else str(document)


def _go(document: str) -> None:
    st.session_state[OPEN] = st.query_params[QUERY] = document


# ----- begin ------------------------------------------------------------------------------------


def _stored(document: str | None) -> None:
    found = dict(keeping.exercises(session.store()))
    words = {each: f"{name} | {each[:4]}" for each, name in found.items()}
    picks.pick_stored("exercise", words, document, _go, "open_exercise_now")


def _begin() -> None:
    look.put('<h3 class="op-title">Begin one</h3>')
    shipped, files, incident = st.tabs(["Shipped", "From files", "From the open incident"])
    with shipped:
        known = sets.shipped()
        name = st.selectbox("Shipped exercise", list(known), key="shipped_exercise")
        if name:
            _make("Begin from it", "ex-begin_shipped", _shipped_now)
    with files:
        sent = _sent()
        if sent:
            _make("Begin from the files", "ex-begin_files", partial(sets.from_files, sent))
    with incident:
        _begin_from_incident()


def _shipped_now() -> Exercise:
    """Return the one chosen now: the choice may be newer than the drawing of the button."""
    return read_exercise(sets.shipped()[st.session_state["shipped_exercise"]])


def _sent() -> dict[str, bytes]:
    sent = st.file_uploader(
        "An exercise, TOML or JSON, with the incident that it names; at most 5 MB",
        type=["toml", "json", "csv"], accept_multiple_files=True, key="exercise_files",
        max_upload_size=5,
    )  # fmt: skip
    return {file.name: file.getvalue() for file in sent}


def _begin_from_incident() -> None:
    opened = st.session_state.get(session.OPEN)
    if opened is None:
        look.line("Open an incident under Start first.")
        return
    try:
        revision = session.store().revision(str(opened))
    except StoreError as error:
        look.line(f"The open incident cannot be read: {error}")
        return
    look.line(f"{revision.name}, revision {revision.number}")
    name = st.text_input("Name of the exercise", value=f"{revision.name}, exercise"[:MAX_TAG],
                         max_chars=MAX_TAG, key="exercise_name")  # fmt: skip
    _make("Set one up from it", "ex-begin_incident",
          partial(sets.from_incident, revision.tree, name))  # fmt: skip


def _make(words: str, key: str, make: Callable[[], Exercise]) -> None:
    st.button(words, key=key, type="primary", on_click=_made, args=(make, new_command_id()))


def _made(make: Callable[[], Exercise], command: str) -> None:
    def run() -> None:
        _go(keeping.save_exercise(session.store(), make(), command))

    _tried(run)


def _tried(do: Callable[[], None]) -> bool:
    """Do something; what is wrong with it is said at the next drawing, and nothing was written."""
    st.session_state.pop(parts.FAULTS, None)
    try:
        do()
    except InputError as error:
        st.session_state[parts.FAULTS] = error.faults
    except StoreError as error:
        st.session_state[parts.FAULTS] = f"Nothing was written: {error}"
    else:
        return True
    return False


# ----- the one that is open ---------------------------------------------------------------------


def _open_one(revision: Revision, exercise: Exercise) -> None:
    look.put(f'<h3 class="op-title">{look.escape(exercise.name)}</h3>')
    asked = "on request" if exercise.deliveries_on_request else "by themselves"
    look.line(
        f"Revision {revision.number}. Incident: {exercise.incident.name}, "
        f"{len(exercise.incident.patients)} people. Luck {exercise.seed}; deliveries {asked}."
    )
    if exercise.note:
        look.line(exercise.note, "small")
    left, right = st.columns(2)
    with left:
        st.button("Begin a run", key="ex-begin_run", type="primary", width="stretch",
                  on_click=_begin_run, args=(revision.document, new_command_id()))  # fmt: skip
    with right:
        whole = tomli_w.dumps(exercise_document(exercise, is_embedded=True))
        st.download_button("TOML, with its incident", whole, f"exercise-{revision.document}.toml",
                           on_click="ignore", key="exercise_toml")  # fmt: skip
    with st.expander("On paper"):
        show_sheets(exercise)
    with st.expander("Head"):
        _head(revision, exercise)
    with st.expander(f"Objectives: {len(exercise.objectives)}"):
        _objectives(revision, exercise)
    with st.expander("What players know at the start"):
        _known(revision, exercise)
    with st.expander(f"Injects: {len(exercise.injects)}"):
        parts.table(("No.", "Due", "From", "To", "Text", "Objective"), (
            (i.number, when_words(i, exercise.incident.start), i.sender, i.receiver, i.text,
             i.objective)
            for i in exercise.injects
        ), (0,))  # fmt: skip
        _inject(revision, exercise)


def _change(revision: Revision, make: Callable[[], Callable[[Any], Any]], command: str) -> None:
    """Keep a change; what the form says is read only when the button is pressed."""
    _tried(lambda: _keep(revision, make(), command))


def _keep(revision: Revision, change: Callable[[Any], Any], command: str) -> None:
    sets.changed(session.store(), revision.document, revision.number, command, change)


def _submit(
    words: str, revision: Revision, make: Callable[[], Callable[[Any], Any]], **more: Any
) -> None:
    st.form_submit_button(words, on_click=_change, args=(revision, make, new_command_id()), **more)


def _said(key: str) -> Any:
    value = st.session_state.get(key)
    return value.strip() if isinstance(value, str) else value


def _head(revision: Revision, exercise: Exercise) -> None:
    form = f"head_{revision.document}_{revision.number}"
    with st.form(form, border=False):
        st.text_input("Name", value=exercise.name, max_chars=MAX_TAG, key=f"{form}:name")
        st.number_input("Which luck is drawn", value=exercise.seed, step=1, key=f"{form}:seed")
        st.checkbox("Deliveries come only after a request", key=f"{form}:deliveries_on_request",
                    value=exercise.deliveries_on_request)  # fmt: skip
        st.text_area("Note, for controllers", value=exercise.note, key=f"{form}:note")

        def make() -> Callable[[Any], Any]:
            names = ("name", "seed", "deliveries_on_request", "note")
            return partial(sets.with_head, head={n: _said(f"{form}:{n}") for n in names})

        _submit("Keep the head", revision, make)


def _objectives(revision: Revision, exercise: Exercise) -> None:
    parts.table(("Name", "What players are to show"),
               ((o.name, o.text) for o in exercise.objectives))  # fmt: skip
    names = [o.name for o in exercise.objectives]
    words = [NEW, *names]
    which = picks.pick_row("Change", words, f"objective:{revision.document}")
    was = exercise.objectives[which - 1] if which else None
    form = f"objective_{revision.document}_{revision.number}_{which}"
    with st.form(form, border=False):
        st.text_input("Short name", value=was.name if was else "", max_chars=MAX_TAG,
                      key=f"{form}:name")  # fmt: skip
        st.text_area("What players are to show", value=was.text if was else "", key=f"{form}:text")

        def make() -> Callable[[Any], Any]:
            row = {n: value for n in ("name", "text") if (value := _said(f"{form}:{n}"))}
            return partial(sets.with_objective, was=was.name if was else None, row=row)

        with st.container(horizontal=True):
            _submit("Keep the objective", revision, make)
            if was is not None:
                name = was.name
                _submit("Take it out", revision,
                        lambda: partial(sets.without_objective, name=name))  # fmt: skip


def _known(revision: Revision, exercise: Exercise) -> None:
    incident, known = exercise.incident, exercise.known
    offered = {
        "patients": ("People known of", [p.tag for p in incident.patients]),
        "cylinders": ("Cylinders known of", [c.tag for c in incident.all_cylinders]),
        "regulators": ("Regulators known of", [r.tag for r in incident.all_regulators]),
        "gauges_read": ("Gauges read already", [c.tag for c in incident.all_cylinders]),
    }
    form = f"known_{revision.document}_{revision.number}"
    with st.form(form, border=False):
        for name, (title, tags) in offered.items():
            st.multiselect(title, tags, default=list(getattr(known, name)), key=f"{form}:{name}")
        st.text_area("Told in words", value=known.told, key=f"{form}:told")

        def make() -> Callable[[Any], Any]:
            row = {name: list(_said(f"{form}:{name}") or ()) for name in offered}
            return partial(sets.with_known, known=row | {"told": _said(f"{form}:told") or ""})

        _submit("Keep what is known", revision, make)


def _inject(revision: Revision, exercise: Exercise) -> None:
    words = [NEW, *(f"{i.number}: {i.text[:50]}" for i in exercise.injects)]
    which = picks.pick_row("Change", words, f"inject:{revision.document}")
    was = exercise.injects[which - 1] if which else None
    row: dict[str, Any] = {} if was is None else inject_document(was)
    about = str(which)
    if was is None:
        row, about = _from_library(exercise)
        row["number"] = sets.next_number(exercise)
    form = f"inject_{revision.document}_{revision.number}_{about}"
    with st.form(form, border=False):
        fields(form, exercise, KINDS, row)
        number = was.number if was else None

        def make() -> Callable[[Any], Any]:
            return partial(sets.with_inject, was=number, row=row_of(form))

        with st.container(horizontal=True):
            _submit("Keep the inject", revision, make, type="primary")
            if number is not None:
                _submit("Take it out", revision,
                        lambda: partial(sets.without_inject, number=number))  # fmt: skip


def _from_library(exercise: Exercise) -> tuple[dict[str, Any], str]:
    """Return a row from the library to begin from, and what it was made from."""
    library = load_library()
    name = st.selectbox("From the library", list(library), index=None, key="library",
                        placeholder="none: in your own words")  # fmt: skip
    if name is None:
        return {}, "new"
    offered = sets.tags_of(exercise)
    tags: dict[str, str] = {}
    for blank in (b for b in sets.BLANKS if b in library[name].blanks):
        tags[blank] = str(st.selectbox(blank.capitalize(), offered[blank], key=f"blank_{blank}"))
    return sets.row_of_sample(library[name], tags), f"{name}_{'_'.join(tags.values())}"


# ----- runs -------------------------------------------------------------------------------------


def _begin_run(document: str, command: str) -> None:
    def run() -> None:
        exercise = keeping.open_exercise(session.store(), document)
        st.session_state[LINKS] = keeping.begin_run(session.store(), exercise, command)

    _tried(run)


def _new_links(run: str) -> None:
    def do() -> None:
        st.session_state[LINKS] = keeping.new_links(session.store(), run)

    _tried(do)


def _runs() -> None:
    links = st.session_state.get(LINKS)
    look.put('<h3 class="op-title">Runs</h3>')
    if links is not None:
        _show_links(links)
    found = dict(keeping.runs(session.store()))
    if not found:
        look.line("No run was begun yet.")
        return
    ids = list(found)
    words = [f"{found[each]} | {each[:4]}" for each in ids]
    run = st.selectbox("Run", ids, format_func=dict(zip(ids, words, strict=True)).__getitem__,
                       key=picks.widget_key("run", words))  # fmt: skip
    look.line("Links lost, or seen by others? New ones make the old ones open nothing.", "small")
    st.button("New links for this run", key="ex-new_links", on_click=_new_links, args=(run,))


def _show_links(links: Links) -> None:
    """Show both links; they are said this once, only their digests are stored."""
    look.line("Two links, said this once: only what they are checked with is stored. Keep them.")
    for who, link in (("Controller", links.controller), ("Players", links.players)):
        address = f"/?{parts.LINK}={link}"
        look.put(
            f'<p class="op-line"><a class="op-link" target="_blank" rel="noopener" '
            f'href="{look.escape(address)}">{who}: open in a tab of its own</a></p>'
        )
        host = str(st.context.headers.get("Host", "") if st.context.headers else "")
        st.code(f"http://{host}{address}" if host else address, language=None)
