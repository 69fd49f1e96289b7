"""The form of one row, made from the field tables; every committed edit is written at once.

A text box commits when it is left or on Enter, a choice when it is made. Keys hold the revision at
which the form was drawn: they stay through the form's own writes, so that the cursor does too, and
change with any other, so that what an old tab sends is not heard.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import streamlit as st

from planner.fields import Field, Kind
from planner.incident import BUILT_IN
from planner.page import cells, edits, look, session
from planner.page.edits import Path, Tree
from planner.page.field_words import UNITS, help_of, title, usual
from planner.page.review import Review, contents
from planner.reference import find_size, load_connections, load_cylinders, load_protocol
from planner.store import new_command_id
from planner.telling import plannable

THREE: Final = ("1 in 10 sooner than", "as likely as not by", "9 in 10 by")
WIDE: Final = frozenset({Kind.THREE_POINT, Kind.CARRY})
PER_LINE: Final = 3
OF_THE_SIZE: Final = frozenset({"connection", "water_volume_l", "factor_l_per_psi"})


@dataclass(frozen=True)
class Sheet:
    """The row that is open, in a revision of its document."""

    document: str
    tree: Tree
    review: Review
    path: Path

    @property
    def row(self) -> dict[str, Any]:
        """The raw row."""
        return edits.row_at(self.tree, self.path)

    def within(self, *steps: str | int) -> Sheet:
        """Return the sheet of a row within this one."""
        return Sheet(self.document, self.tree, self.review, (*self.path, *steps))


def draw_form(sheet: Sheet) -> None:
    """Draw the widgets of a row's plain fields, three on a line, with faults and litres beside."""
    waiting: list[Field] = []
    for field in edits.table_at(sheet.path).fields:
        if edits.is_nested(field.kind):
            continue
        if field.kind in WIDE:
            _draw_line(sheet, waiting)
            waiting = []
            with st.container():  # faults may come and go in it
                _draw_field(sheet, field)
            continue
        waiting.append(field)
        if len(waiting) == PER_LINE:
            _draw_line(sheet, waiting)
            waiting = []
    _draw_line(sheet, waiting)


def save_form(document: str, path: Path) -> None:
    """Write what the widgets of a row, and of the rows within it, hold; nothing when unchanged."""
    base = session.shown_revision(document)
    if base is None:
        return
    tree = new = session.store().revision(document, base).tree
    for at in _rows_within(tree, path):
        row = dict(edits.row_at(new, at))
        before = dict(row)
        for field in edits.table_at(at).fields:
            _collect(document, new, at, field, row)
        if row != before:
            new = edits.with_row(new, at, row)
    if new != tree:
        session.edit(document, new, "form")


def write_button(
    words: str,
    name: str,
    sheet: Sheet,
    change: Callable[[Tree], Tree],
    *,
    after: Callable[[], None] | None = None,
) -> None:
    """Draw a button that changes the tree once, however often it is pressed."""
    document, base = sheet.document, session.shown_revision(sheet.document) or 0
    where = ".".join(str(step) for step in sheet.path)
    key = f"b:{document}:{session.drawn('form')}:{where}:{name}"

    def press(base: int, command: str) -> None:
        session.press(document, base, command, change)
        if after is not None:
            after()

    st.button(words, key=key, on_click=press, args=(base, new_command_id()))


def _instead(sheet: Sheet, field: Field) -> str:
    """Return what this row's field is taken to be when left out, by default or by the tables."""
    if "cylinders" not in edits.table_at(sheet.path).name:
        return usual(field)
    if field.name == "read_at":
        return "air temperature"
    size = find_size(sheet.row["size"]) if isinstance(sheet.row.get("size"), str) else None
    value = getattr(size, field.name, None) if field.name in OF_THE_SIZE else None
    return f"{value:g}" if isinstance(value, float) else str(value or "")


def known_texts(tree: Tree, table: str, field: Field) -> tuple[str, ...]:  # noqa: PLR0911
    """Return the texts a field may take or usually takes; empty when any will do."""
    if field.choices:
        return field.choices
    if field.name == "place":
        return _names(tree, "places", "name")
    if field.name == "transfer_group":
        return _names(tree, "transfer_groups", "name")
    if field.name == "indication":
        return tuple(row.name for row in load_protocol().rows)
    if field.name == "size":
        return tuple(load_cylinders())
    if field.name == "connection":
        names = tuple(load_connections())
        return names if "cylinders" in table else tuple(n for n in names if n != BUILT_IN)
    if field.name in {"device", "kind"}:
        return tuple(plannable())
    if table == "connected" and field.name in {"cylinder", "regulator"}:
        return _names(tree, f"{field.name}s", "tag")
    return ()


def key_of(document: str, path: Path, field: Field, part: int = 0) -> str:
    """Return the key of a field's widget."""
    where = ".".join(str(step) for step in path)
    return f"f:{document}:{session.drawn('form')}:{where}:{field.name}:{part}"


def _draw_line(sheet: Sheet, fields: Sequence[Field]) -> None:
    if not fields:
        return
    for column, field in zip(st.columns(PER_LINE), fields, strict=False):
        with column:
            _draw_field(sheet, field)


def _draw_field(sheet: Sheet, field: Field) -> None:
    origins = _origins(sheet.tree, sheet.path) if field.kind is Kind.CARRY else ()
    parts = cells.parts_of(field, sheet.row, origins, edits.row_at(sheet.tree, ("incident",)))
    for number, part in enumerate(parts):
        key = key_of(sheet.document, sheet.path, field, number)
        st.session_state.setdefault(key, part)
    if field.kind in UNITS:
        _draw_measure(sheet, field)
    elif field.kind is Kind.THREE_POINT:
        _draw_parts(sheet, field, [f"{title(field)}: {words}" for words in THREE])
    elif field.kind is Kind.CARRY:
        _draw_parts(sheet, field, [f"{title(field)}, from {look.label(o)}" for o in origins])
    else:
        _draw_text(sheet, field, parts[0])
    if field.name == "connection" and not parts[0] and _instead(sheet, field):
        look.line(f"By the size: {_instead(sheet, field)}", "small")
    look.faults(sheet.review.at(sheet.path, field), is_beside=True)
    if field.name == "gauge" and "cylinders" in edits.table_at(sheet.path).name:
        found = contents(sheet.tree, sheet.row)
        for text in found.lines if found else ():
            look.line(text, "small")


def _draw_text(sheet: Sheet, field: Field, text: str) -> None:
    known = known_texts(sheet.tree, edits.table_at(sheet.path).name, field)
    if field.kind is Kind.FLAG:
        known = ("true", "false")
    if not known:
        _text_box(sheet, field, title(field), 0)
        return
    default = usual(field)  # the words of an option never change: they are its value in the tab
    empty = f"left out: {default}" if default else "left out"
    options = ("", *known, *((text,) if text and text not in known else ()))
    words = {"": empty} | ({"true": "yes", "false": "no"} if field.kind is Kind.FLAG else {})
    st.selectbox(
        title(field), options, key=key_of(sheet.document, sheet.path, field),
        format_func=lambda option: words.get(option, option), help=help_of(field),
        accept_new_options=field.kind is Kind.TEXT and not field.choices,
        on_change=save_form, args=(sheet.document, sheet.path[:2]),
    )  # fmt: skip


def _text_box(sheet: Sheet, field: Field, words: str, part: int) -> None:
    default = _instead(sheet, field)
    is_main = part == (1 if field.kind is Kind.THREE_POINT else 0)
    st.text_input(
        words, key=key_of(sheet.document, sheet.path, field, part), help=help_of(field),
        placeholder=f"left out: {default}" if default and is_main else None,
        on_change=save_form, args=(sheet.document, sheet.path[:2]),
    )  # fmt: skip


def _draw_measure(sheet: Sheet, field: Field) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom", gap="small"):
        _text_box(sheet, field, title(field), 0)
        st.selectbox(
            f"Unit of {title(field)}", UNITS[field.kind], width=92, label_visibility="collapsed",
            key=key_of(sheet.document, sheet.path, field, 1),
            format_func=lambda unit: unit.upper() if len(unit) == 1 else unit,
            on_change=save_form, args=(sheet.document, sheet.path[:2]),
        )  # fmt: skip


def _draw_parts(sheet: Sheet, field: Field, words: Sequence[str]) -> None:
    for first in range(0, len(words), PER_LINE):
        line = st.columns(PER_LINE, vertical_alignment="bottom")
        for number, column in enumerate(line, start=first):
            if number < len(words):
                with column:
                    _text_box(sheet, field, words[number], number)


def _collect(document: str, tree: Tree, path: Path, field: Field, row: dict[str, Any]) -> None:
    """Put into a row what the widgets of a field hold, when it differs from what stands there."""
    if edits.is_nested(field.kind):
        return
    origins = _origins(tree, path) if field.kind is Kind.CARRY else ()
    stored = cells.parts_of(field, row, origins, edits.row_at(tree, ("incident",)))
    state = st.session_state
    keys = [key_of(document, path, field, number) for number in range(len(stored))]
    if not keys or any(key not in state for key in keys):
        return
    parts = tuple("" if state[key] is None else str(state[key]) for key in keys)
    if parts != stored:
        cells.put_parts(row, field, parts, origins)


def _rows_within(tree: Tree, path: Path) -> Iterator[Path]:
    """Yield the path of a row and of every row within it, drawn or not."""
    yield path
    row = edits.row_at(tree, path)
    for field in edits.table_at(path).fields:
        if field.kind is Kind.ROW:
            yield (*path, field.name)
        elif field.kind is Kind.ROWS and isinstance(row.get(field.name), list):
            for number in range(len(row[field.name])):
                yield from _rows_within(tree, (*path, field.name, number))


def _origins(tree: Tree, path: Path) -> tuple[str, ...]:
    """Return from where kit may be carried to a place: the others, and what the row names."""
    row = edits.row_at(tree, path)
    given = row.get("carry_min")
    others = (name for name in _names(tree, "places", "name") if name != row.get("name"))
    return tuple(dict.fromkeys((*others, *(given if isinstance(given, dict) else ()))))


def _names(tree: Tree, table: str, key: str) -> tuple[str, ...]:
    found: dict[str, None] = {}
    for row in edits.rows_in(tree, table):
        values = row if isinstance(row, dict) else {}
        tags = values.get("tags")
        for name in (values.get(key), *(tags if isinstance(tags, list) else ())):
            if isinstance(name, str):
                found[name] = None
    return tuple(found)
