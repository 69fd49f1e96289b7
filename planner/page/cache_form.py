"""The forms of a study: what is mostly changed, and each row with all that its table has.

A form is sent as a whole, also by the buttons that add or remove a row, so that nothing typed is
lost and shares that sum to 1 can be changed together. What cannot be kept is told, and stays typed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Final

import streamlit as st

from planner.cache.study_fields import LIMITS, NUM_PATIENTS, STUDY
from planner.fields import MAX_TEXT, Field, Kind
from planner.fields.settings import UNCERTAINTY
from planner.page import caches, edits, look, picks, study_edits
from planner.page.edits import Path, Tree
from planner.page.field_words import UNITS, help_of, title, usual
from planner.page.rows import THREE
from planner.page.study_edits import WITHIN, fields_at, known_texts, names_by, texts_of
from planner.store import Revision, new_command_id

OnChange = Callable[[Revision, Callable[[Tree], Tree], str], None]
PARTS: Final = ("target", "incidents", "items", "caches", "more")
PER_LINE: Final = 4
IN_HEAD: Final = {
    "study": ("name", "target_chance"), "limits": ("load_kg", "pack_kg", "budget", "shelf_l"),
    "uncertainty": (),
}  # fmt: skip
MORE_HELP: Final = {
    NUM_PATIENTS: " Each number with its chance, 1: 0.6, 2: 0.4, or one number, or "
                  "Poisson 2.5, at most 7.",
}  # fmt: skip
SHORT: Final = ("mass_kg", "price", "most", "held")  # of every item in one form


def show_forms(revision: Revision, on_change: OnChange) -> None:
    """Draw a form for the part that is chosen; ``on_change`` takes what to change when sent."""
    tree = revision.tree
    incidents = [*tree.get("families", ()), *tree.get("incidents", ())]
    words = (
        "Target and limits", f"Incidents: {len(incidents)}", f"Items: {len(tree['items'])}",
        f"Caches: {len(tree['caches'])}", "More settings",
    )  # fmt: skip
    with st.expander("Change the study"):
        part = picks.pick_part("Part of the study", PARTS, words, "cache_part")
        sheet = _Sheet(revision, on_change)
        if part == "incidents":
            _incidents(sheet)
        elif part == "items":
            _items(sheet)
        elif part == "caches":
            _caches(sheet)
        else:
            _head(sheet, is_more=part == "more")


class _Sheet:
    """One form of a study's revision: the boxes that it drew, and how it is sent."""

    def __init__(self, revision: Revision, on_change: OnChange, name: str = "") -> None:
        self.revision, self.on_change, self.name = revision, on_change, name
        self.tree: Tree = dict(revision.tree)
        self.boxes: dict[tuple[Path, str], list[str]] = {}
        self.drawn: dict[str, Field] = {}

    def named(self, name: str) -> _Sheet:
        """Return the sheet of a form of its own."""
        return _Sheet(self.revision, self.on_change, name)

    def send(self, words: str, change: Callable[[Tree], Tree] | None = None) -> None:
        """Draw a button that keeps what was typed and then does what it says."""
        boxes = self.boxes  # filled up to the end of the form

        def make(tree: Tree) -> Tree:
            texts = {
                at: ["" if (text := st.session_state.get(key)) is None else str(text)
                     for key in keys] for at, keys in boxes.items()
            }  # fmt: skip
            new = study_edits.with_texts(tree, texts)
            return new if change is None else change(new)

        args = (self.revision, make, new_command_id())
        key = self.key("send", words)
        st.form_submit_button(look.label(words), key=key, on_click=self.on_change, args=args)

    def key(self, *steps: object) -> str:
        """Return the key of a widget; another revision, another widget."""
        at = f"{self.revision.document}:{self.revision.number}"
        return ":".join(["cache", at, self.name, *map(str, steps)])


# ----- parts --------------------------------------------------------------------------------------


def _head(sheet: _Sheet, *, is_more: bool) -> None:
    sheet = sheet.named("more" if is_more else "head")
    with st.form(sheet.key(), border=False):
        for table in (STUDY, LIMITS, UNCERTAINTY):
            path, shown = (table.name,), IN_HEAD[table.name]
            _fields(sheet, path, [f for f in table.fields if (f.name in shown) != is_more])
        sheet.send("Keep these")
        _helps(sheet)


def _incidents(sheet: _Sheet) -> None:
    tree = sheet.tree
    families, known = tree.get("families", ()), tree.get("incidents", ())
    if families or known:
        names = [str(row.get("name") or row.get("file")) for row in (*families, *known)]
        number = picks.pick_row("Incident to change", names, "cache_incident")
        is_family = number < len(families)
        path: Path = ("families", number) if is_family else ("incidents", number - len(families))
        sheet = sheet.named(f"{path[0]} {path[1]}")
        with st.form(sheet.key(), border=False):
            _fields(sheet, path, fields_at(tree, path))
            for name in WITHIN if is_family else ():
                _within(sheet, path, name)
            with st.container(horizontal=True):
                sheet.send("Keep these")
                if is_family:
                    sheet.send("Add a family like the last", _added(("families",)))
                sheet.send("Remove this one", partial(study_edits.without, path=path))
            _helps(sheet)
    _add_known(sheet.named("known"))


def _within(sheet: _Sheet, path: Path, name: str) -> None:
    heading, words, summed = WITHIN[name]
    rows = edits.row_at(sheet.tree, path).get(name, [])
    told = f" ({summed}s sum to 1)" if summed else ""
    look.put(f"<h4 class='op-title'>{heading}: {len(rows)}{told}</h4>")
    for number in range(len(rows)):
        at = (*path, name, number)
        with st.container(border=True):
            _fields(sheet, at, fields_at(sheet.tree, at))
            sheet.send(f"Remove {words} {number + 1}", partial(study_edits.without, path=at))
    sheet.send(f"Add a {words}", _added((*path, name)))


def _added(table_path: Path, like: str = "") -> Callable[[Tree], Tree]:
    return partial(study_edits.with_added, table_path=table_path, like=like)


def _add_known(sheet: _Sheet) -> None:
    known = caches.known_incidents()
    if not known:
        return
    with st.form(sheet.key(), border=False):
        left, right = st.columns([3, 1], vertical_alignment="bottom")
        with left:
            key = sheet.key("file")
            st.selectbox("A known incident, by its file", list(known), key=key)

        def added(tree: Tree) -> Tree:
            file = str(st.session_state[key])
            return study_edits.with_incident(tree, file, known[file])

        with right:
            sheet.send("Add the known incident", added)


def _items(sheet: _Sheet) -> None:
    rows = sheet.tree["items"]
    short = sheet.named("items")
    with st.form(short.key(), border=False):
        for number, item in enumerate(rows):
            path = ("items", number)
            look.line(f"{item['name']} ({item['kind']})")
            _fields(short, path, [study_edits.table_at(path).field(name) for name in SHORT])
        short.send("Keep these")
    number = picks.pick_row("Item to change", [item["name"] for item in rows], "cache_item")
    path = ("items", number)
    sheet = sheet.named(f"item {number}")
    with st.form(sheet.key(), border=False):
        _fields(sheet, path, fields_at(sheet.tree, path))
        with st.container(horizontal=True):
            sheet.send("Keep this item")
            sheet.send("Remove this item", partial(study_edits.without, path=path))
        look.line("One more, taken from the tables where they have it:", "small")
        with st.container(horizontal=True):
            for kind in study_edits.table_at(path).field("kind").choices:
                sheet.send(f"Add a {kind}", _added(("items",), kind))
        _helps(sheet)


def _caches(sheet: _Sheet) -> None:
    sheet = sheet.named("caches")
    with st.form(sheet.key(), border=False):
        for number in range(len(sheet.tree["caches"])):
            path = ("caches", number)
            with st.container(border=True):
                _fields(sheet, path, fields_at(sheet.tree, path))
                sheet.send(f"Remove cache {number + 1}", partial(study_edits.without, path=path))
        with st.container(horizontal=True):
            sheet.send("Keep these")
            sheet.send("Add a cache", _added(("caches",)))
        look.line("How long each cache takes stands with the spots of each incident.", "small")


# ----- boxes --------------------------------------------------------------------------------------


def _fields(sheet: _Sheet, path: Path, fields: Iterable[Field]) -> None:
    """Draw the boxes of a row's fields, a few on a line; those of one value stay together."""
    line: list[tuple[Field, int, str]] = []
    for field in fields:
        sheet.drawn[field.name] = field
        texts = texts_of(sheet.tree, path, field)
        keys = [sheet.key(*path, field.name, part) for part in range(len(texts))]
        sheet.boxes[path, field.name] = keys
        for key, text in zip(keys, texts, strict=True):
            st.session_state.setdefault(key, text)
        labels = _labels(sheet.tree, field, len(texts))
        boxes = [(field, number, words) for number, words in enumerate(labels)]
        if line and len(line) + len(boxes) > PER_LINE:
            _line(sheet, path, line)
            line = []
        line += boxes
    _line(sheet, path, line)


def _line(sheet: _Sheet, path: Path, boxes: Sequence[tuple[Field, int, str]]) -> None:
    for start in range(0, len(boxes), PER_LINE):
        part = boxes[start : start + PER_LINE]
        for column, (field, number, label) in zip(st.columns(PER_LINE), part, strict=False):
            with column:
                _box(sheet, path, field, number, label)


def _labels(tree: Tree, field: Field, count: int) -> list[str]:
    words = title(field)
    if field.kind in UNITS:
        return [words, f"Unit of {words.lower()}"]
    if field.kind is Kind.THREE_POINT:
        return [f"{words}: {one}" for one in THREE]
    names = names_by(tree, field)
    if names:
        return [look.label(f"{words}, {name}") for name in names]
    if field.kind is Kind.ROW:
        words = "Patients, such as 1: 0.6, 2: 0.4"
    return [words] * count


def _box(sheet: _Sheet, path: Path, field: Field, part: int, label: str) -> None:
    key = sheet.boxes[path, field.name][part]
    known: tuple[str, ...] = known_texts(sheet.tree, path, field)
    if field.kind in UNITS and part == 1:
        st.selectbox(label, UNITS[field.kind], key=key, format_func=_unit)
        return
    if field.kind is Kind.FLAG:
        known = ("true", "false")
    default = usual(field)
    if not known:
        empty = f"left out: {default}" if default else "left out"
        st.text_input(label, key=key, max_chars=MAX_TEXT, placeholder=empty)
        return
    text = st.session_state[key]
    options = ("", *known, *((text,) if text and text not in known else ()))
    words = {"": f"left out: {default}" if default else "left out", "true": "yes", "false": "no"}
    st.selectbox(label, options, key=key, format_func=partial(_called, words),
                 accept_new_options=field.kind is Kind.TEXT and not field.choices)  # fmt: skip


def _unit(name: str) -> str:
    return name.upper() if len(name) == 1 else name


def _called(words: Mapping[str, str], option: str) -> str:
    return words.get(option, option)


def _helps(sheet: _Sheet) -> None:
    """Say what each field of a form means, once, folded away."""
    with st.expander("What these mean"):
        for field in sheet.drawn.values():
            look.line(f"{title(field)}: {help_of(field)}{MORE_HELP.get(field.name, '')}", "small")
