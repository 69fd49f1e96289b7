"""A cache: build a study, see what it holds, its frontier, a stock by load and its plans; print."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Final

import streamlit as st
import tomli_w

from planner.errors import InputError
from planner.fields import MAX_TAG
from planner.page import caches, look, picks, session
from planner.page.cache_form import show_forms
from planner.page.cache_plans import show_plans
from planner.page.caches import KeptAnswer
from planner.page.charts_view import FIT
from planner.page.desk import desk
from planner.page.plan_style import STYLE
from planner.page.waiting import tell_failure, wait_for
from planner.report import cache_words as words
from planner.report.board import grid_html
from planner.report.cache_chart import POINT, frontier_chart
from planner.report.cache_sheets import cache_html
from planner.report.chart_parts import as_table
from planner.report.view import Grid
from planner.store import Revision, StoreError, new_command_id

QUERY, OPEN, FAULTS = "cache", "open_cache", "cache_faults"
SAMPLES: Final = 1000  # fewer than the command's: the page is for looking around
CHOSEN: Final = "cache_stock"
TOLD: Final = (
    "What to keep in a cache so that it holds for the incidents one plans for, and what it cannot "
    "hold. Times run from the alarm."
)


def show() -> None:
    """Show the studies, the one that is open, and what was worked out for it."""
    look.put(STYLE)
    look.put("<h2>Cache</h2>")
    look.line(TOLD)
    _tell_faults()
    document = _document()
    left, right = st.columns(2)
    with left:
        _stored(document)
    with right:
        _begin()
    if document is None:
        look.line("No study is open: choose or begin one.")
        return
    try:
        revision = session.store().revision(document)
        if revision.kind != "study":
            look.line("The address names a document that is no study of a cache.")
            return
        _open_one(revision)
    except (StoreError, InputError) as error:
        look.line(f"The study in the address cannot be opened: {error}")


def _document() -> str | None:
    document = st.query_params.get(QUERY) or st.session_state.get(OPEN)
    if document is None:
        return None
    _go(str(document))
    return str(document)


def _go(document: str) -> None:
    st.session_state[OPEN] = st.query_params[QUERY] = document


def _tell_faults() -> None:
    found = st.session_state.pop(FAULTS, None)
    if isinstance(found, str):
        look.put(f'<div class="op-warning" role="alert">{look.escape(found)}</div>')
    elif found:
        look.line(f"Nothing was written. {len(found)} to mend:")
        look.faults(found)


def _tried(do: Callable[[], Any]) -> None:
    """Do something; what is wrong with it is said at the next drawing, and nothing was written."""
    st.session_state.pop(FAULTS, None)
    try:
        do()
    except InputError as error:
        st.session_state[FAULTS] = error.faults
    except StoreError as error:
        st.session_state[FAULTS] = f"Nothing was written: {error}"


# ----- begin --------------------------------------------------------------------------------------


def _stored(document: str | None) -> None:
    found = session.store().documents("study")
    words = {d.id: f"{d.name} | revision {d.revision} | {d.id[:4]}" for d in found}
    picks.pick_stored("study", words, document, _go, "open_study")


def _begin() -> None:
    look.put('<h3 class="op-title">Begin one</h3>')
    shipped, files, nothing = st.tabs(["Shipped", "From a file", "Nearly empty"])
    with shipped:
        known = caches.shipped()
        name = st.selectbox("Shipped study", list(known), key="shipped_study")
        if name:
            _make("Begin from it", "begin_shipped_study", _from_shipped)
    with files:
        sent = st.file_uploader("A study, TOML or JSON, at most 5 MB", type=["toml", "json"],
                                key="study_file", max_upload_size=5)  # fmt: skip
        if sent is not None:
            begin = partial(caches.begin_from_file, session.store(), sent.name, sent.getvalue())
            _make("Begin from the file", "begin_study_file", begin)
    with nothing:
        name = st.text_input("Name of the new study", max_chars=MAX_TAG, key="new_study")
        look.line("One family, one size, one of all else: placeholders to be changed.", "small")
        bare = partial(caches.begin, session.store(), caches.bare(name))
        _make("Begin nearly empty", "begin_bare_study", bare, is_off=not name)


def _from_shipped(command: str) -> Revision:
    """Begin from the one chosen now: the choice may be newer than the drawing of the button."""
    path = caches.shipped()[st.session_state["shipped_study"]]
    return caches.begin_from_file(session.store(), path.name, path.read_bytes(), command)


def _make(text: str, key: str, make: Callable[[str], Revision], *, is_off: bool = False) -> None:
    def made(command: str) -> None:
        _tried(lambda: _go(make(command).document))

    st.button(text, key=key, on_click=made, args=(new_command_id(),), disabled=is_off)


# ----- the one that is open -----------------------------------------------------------------------


def _open_one(revision: Revision) -> None:
    look.put(f'<h3 class="op-title">{look.escape(revision.name)}</h3>')
    note = revision.tree["study"].get("note")
    look.line(f"Revision {revision.number}. {note or ''}")
    show_forms(revision, _changed)
    st.download_button(
        "The whole study as TOML",
        tomli_w.dumps(dict(revision.tree)), f"study-{revision.document}.toml", on_click="ignore",
        key="study_toml",
    )  # fmt: skip
    is_busy = _work(revision)
    kept = caches.latest_answer(session.store(), revision.document)
    if kept is None:
        if not is_busy:
            look.line("Nothing was worked out for it yet.")
        return
    _show_answer(revision, kept)


def _changed(
    revision: Revision, make: Callable[[dict[str, Any]], dict[str, Any]], command: str
) -> None:
    store, document = session.store(), revision.document
    _tried(lambda: caches.change(store, document, revision.number, command, make))


def _work(revision: Revision) -> bool:
    """Draw what starts the work, or how it stands; say whether it is being done."""
    about = f"cache {revision.document}"
    progress = desk().look(about)
    if progress is not None and not progress.has_ended:
        wait_for(about, "Working it out: ", "Stop with what there is")
        st.button("Cancel", key="cancel_cache", on_click=desk().cancel, args=(about,))
        return True
    left, middle, right = st.columns([1, 1, 2], vertical_alignment="bottom")
    seed = left.number_input("Seed", 0, 2**31 - 1, 1, key="cache_seed")
    samples = middle.number_input("Samples", 100, 100_000, SAMPLES, step=100, key="cache_samples")
    right.button("Work it out: minutes", key="work_cache", type="primary",
                 on_click=_start, args=(revision, about, int(seed), int(samples)))  # fmt: skip
    if progress is not None and progress.state in {"failed", "cancelled"}:
        tell_failure(progress)
    return False


def _start(revision: Revision, about: str, seed: int, samples: int) -> None:
    store, document, number = session.store(), revision.document, revision.number
    payload = {"study": dict(revision.tree), "folder": str(caches.folder()), "seed": seed,
               "samples": samples}  # fmt: skip
    _tried(lambda: desk().start(
        about, "cache", payload, lambda tree: caches.keep_answer(store, document, number, tree)
    ))  # fmt: skip


# ----- what was worked out ------------------------------------------------------------------------


def _show_answer(revision: Revision, kept: KeptAnswer) -> None:
    tree = kept.tree
    if not kept.is_current:
        look.put('<div class="op-warning" role="status">The study has changed since this was '
                 "worked out: work it out again.</div>")  # fmt: skip
    look.put(f'<p class="op-first"><b>{look.escape(words.first_line(tree))}</b></p>')
    look.line(words.target_line(tree))
    look.line(words.cost_line(tree))
    _grid(words.offers_grid(tree))
    st.download_button(
        "Cache to print", partial(_print, kept), f"cache-{revision.document}.html", "text/html",
        on_click="ignore", key="print_cache",
    )  # fmt: skip
    stocks = _stocks(tree)
    clicked = _chart(tree)
    number = _pick(stocks, clicked)
    name, offer = stocks[number]
    look.put(f'<h3 class="op-title">{look.escape(name)}</h3>')
    if "loads" in offer:
        _grid(words.loads_grid(tree, offer))
        _grid(words.stock_grid(tree, offer))
        _grid(words.cases_grid(tree, offer))
    else:
        heads = ("Cache", "Item", "Number")
        rows = tuple((r["cache"], r["item"], str(r["count"])) for r in offer["stock"])
        _grid(Grid("Stock of this point", heads, rows, frozenset({2})))
    show_plans(revision, kept, offer["stock"])
    look.line(words.binds_line(tree))
    look.line(words.next_line(tree))
    with st.expander("Beside simple rules, what binds, what if, sizes"):
        for content in words.beside_grids(tree):
            _grid(content)
    for text in words.notes(tree):
        look.line(text, "small")
    look.line(words.run_line(tree), "small")


def _grid(content: Grid) -> None:
    if content.rows:
        look.put(look.scrolled(grid_html(content)))


def _print(kept: KeptAnswer) -> bytes:
    now = "" if kept.is_current else ", OUT OF DATE: the study has changed since"
    return cache_html(kept.tree, f"revision {kept.study_revision}{now}").encode()


def _stocks(tree: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    """Return what can be chosen: the offers, then the frontier's points."""
    found = [(words.called(tree, o["name"]), o) for o in words.shown_offers(tree)]
    points = [
        (f"Point {n}: {p['mass_kg']:.1f} kg, {words.money(tree, p['price'])}", p)
        for n, p in enumerate(tree["frontier"], start=1)
    ]
    return found + points


def _chart(tree: Mapping[str, Any]) -> int | None:
    """Draw the frontier; return the number of the point that was clicked."""
    spec = frontier_chart(tree)
    if spec is None:
        return None
    title = spec["title"]
    below = "".join(f"<span>{look.escape(line)}</span>" for line in title["subtitle"])
    look.put(f'<p class="op-chart">{look.escape(title["text"])}{below}</p>')
    bare = {key: value for key, value in spec.items() if key != "title"} | {"autosize": FIT}
    picked: Any = st.vega_lite_chart(spec=bare, width="stretch", theme=None, key="chart_cache",
                                on_select="rerun", selection_mode=POINT)  # fmt: skip
    with st.expander("The same as a table"):
        _grid(as_table(spec))
    rows = (picked or {}).get("selection", {}).get(POINT) or []
    return int(rows[0]["number"]) if rows and "number" in rows[0] else None


def _pick(stocks: list[tuple[str, Mapping[str, Any]]], clicked: int | None) -> int:
    """Return the number of the stock to show: the one clicked last, or chosen in the list."""
    if clicked is not None and clicked != st.session_state.get("cache_clicked"):
        num_offers = sum("loads" in offer for _, offer in stocks)
        st.session_state[CHOSEN] = num_offers + clicked
    st.session_state["cache_clicked"] = clicked
    return picks.pick_row("Stock to look at, or click a point", [n for n, _ in stocks], CHOSEN)
