"""The form of one row, made from the field tables; every committed edit is written at once.

A text box commits when it is left or on Enter, a choice when it is made. Keys hold the revision at
which the form was drawn: they stay through the form's own writes, so that the cursor does too, and
change with any other, so that what an old tab sends is not heard.
"""

from __future__ import annotations

import re
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
# What the form shows at once; the rest of a table is folded away. All of a table not named here.
MAIN: Final[dict[str, tuple[str, ...]]] = {
    "incident": ("name", "start", "horizon_min", "altitude_m", "air_temperature", "note"),
    "patients": ("triage", "indication", "place", "tag", "age", "spo2", "transfer_min"),
    "cylinders": ("size", "gauge", "place", "tag", "count", "connection"),
    "resupply cylinders": ("size", "gauge", "connection", "tag", "count"),
    "concentrators": ("power_min", "place", "tag", "count"),
    "regulators": ("connection", "count", "place", "tag"),
    "resupply regulators": ("connection", "count", "tag"),
    "responders": ("place", "count", "tag", "from_min"),
}  # fmt: skip
CURSOR: Final = """(() => { const until = Date.now() + 3000;
const look = () => { const at = document.querySelector('NAME');
  if (at) { at.focus(); at.scrollIntoView({block: 'nearest'}); }
  else if (Date.now() < until) setTimeout(look, 30); };
look(); })()"""
SETTLED: Final = frozenset({"tag", "tags", "count"})  # fields that the page lays out anew
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
    """Draw the fields of a row that are mostly needed, three on a line, each with its help."""
    _draw_fields(sheet, [edits.table_at(sheet.path).field(name) for name in main_fields(sheet)])


def draw_more(sheet: Sheet) -> None:
    """Draw a row's rarer fields, folded away until one of them is given or has a fault."""
    table, main = edits.table_at(sheet.path), main_fields(sheet)
    fields = [f for f in table.fields if f.name not in main and not edits.is_nested(f.kind)]
    if not fields:
        return
    fields.sort(key=lambda field: field.kind in WIDE)  # those of a third of a line first
    is_used = any(cells.spelling(f, sheet.row) or sheet.review.at(sheet.path, f) for f in fields)
    key = f"more:{key_of(sheet.document, sheet.path, fields[0])}"
    st.session_state[key] = st.session_state.get(key, False) or is_used  # stays open once it was
    with st.expander(f"More: {_listing(fields)}", expanded=st.session_state[key]):
        _draw_fields(sheet, fields)


def main_fields(sheet: Sheet) -> tuple[str, ...]:
    """Return the names of the fields that a row's form shows at once, in the order of work."""
    table = edits.table_at(sheet.path)
    plain = tuple(field.name for field in table.fields if not edits.is_nested(field.kind))
    return MAIN.get(table.name, plain)


def _listing(fields: Sequence[Field]) -> str:
    names = (title(field).split(",")[0] for field in fields)
    return ", ".join(n if n.startswith("SpO2") else n[:1].lower() + n[1:] for n in names)


def _draw_fields(sheet: Sheet, fields: Sequence[Field]) -> None:
    waiting: list[Field] = []
    for field in fields:
        if field.kind in WIDE or field.name == "note":
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


def ask_cursor(document: str, path: Path) -> None:
    """Have the cursor put into a row's first gap when the page is next drawn."""
    st.session_state["cursor"] = (document, path)


def put_cursor(sheet: Sheet) -> None:
    """Put the cursor where it was asked for: the library has no call for it, hence a script.

    It holds nothing of a user's but the id and row number in a key, and stays until the next run.
    """
    asked = st.session_state.pop("cursor", None)
    if asked != (sheet.document, sheet.path):
        return
    field = edits.table_at(sheet.path).field(
        edits.first_gap(sheet.tree, sheet.path, main_fields(sheet))
    )
    name = re.sub(r"[^A-Za-z0-9_-]", "-", key_of(sheet.document, sheet.path, field))
    script = CURSOR.replace("NAME", f".st-key-{name} input")
    st.html(f"<script>{script}</script>", unsafe_allow_javascript=True)


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
        if row.get("count") != before.get("count"):
            row = edits.counted_up(new, edits.table_at(at).name, row)
        if row != before:
            new = edits.with_row(new, at, row)
    if new != tree and session.edit(document, new, "form") is not None:
        for at in _rows_within(new, path):
            _echo(document, new, at)


def _echo(document: str, tree: Tree, path: Path) -> None:
    """Show in the boxes what was saved, where the page has laid it out anew."""
    head = edits.row_at(tree, ("incident",))
    for field in edits.table_at(path).fields:
        if field.name not in SETTLED and field.kind is not Kind.THREE_POINT:
            continue
        parts = cells.parts_of(field, edits.row_at(tree, path), (), head)
        for number, part in enumerate(parts):
            key = key_of(document, path, field, number)
            if key in st.session_state and st.session_state[key] != part:
                st.session_state[key] = part


def write_button(
    words: str,
    name: str,
    sheet: Sheet,
    change: Callable[[Tree], Tree],
    *,
    after: Callable[[], None] | None = None,
    is_off: bool = False,
) -> None:
    """Draw a button that changes the tree once, however often it is pressed."""
    document, base = sheet.document, session.shown_revision(sheet.document) or 0
    where = ".".join(str(step) for step in sheet.path)
    key = f"b:{document}:{session.drawn('form')}:{where}:{name}"

    def press(base: int, command: str) -> None:
        session.press(document, base, command, change)
        if after is not None:
            after()

    st.button(words, key=key, on_click=press, args=(base, new_command_id()), disabled=is_off)


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
    if field.name == "place" or (table, field.name) == ("legs", "to"):
        return _names(tree, "places", "name")
    if field.name in {"transfer_group", "vehicle"}:
        return _names(tree, f"{field.name}s", "name")
    if field.name == "indication":
        return tuple(row.name for row in load_protocol().rows)
    if field.name == "size":
        return tuple(load_cylinders())
    if field.name == "connection":
        names = tuple(load_connections())
        return names if "cylinders" in table else tuple(n for n in names if n != BUILT_IN)
    if field.name in {"device", "kind"}:
        return tuple(plannable())
    if (table, field.name) == ("connected", "cylinder"):
        return (*_names(tree, "cylinders", "tag"), *_names(tree, "concentrators", "tag"))
    if (table, field.name) == ("connected", "regulator"):
        return _names(tree, "regulators", "tag")
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
    is_cylinder = "cylinders" in edits.table_at(sheet.path).name
    if is_cylinder and any(field.name == "gauge" for field in fields):
        with st.container():  # what it holds comes and goes with its gauge
            found = contents(sheet.tree, sheet.row)
            for text in found.lines if found else ():
                look.line(text, "small")


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
    text = help_of(field)
    if field.name == "connection" and not parts[0] and _instead(sheet, field):
        text = f"By the size: {_instead(sheet, field)}. {text}"
    look.put(f'<p class="op-line op-small op-help">{look.escape(text)}</p>')
    look.faults(sheet.review.at(sheet.path, field), is_beside=True)


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
        format_func=lambda option: words.get(option, option),
        accept_new_options=field.kind is Kind.TEXT and not field.choices,
        on_change=save_form, args=(sheet.document, sheet.path[:2]),
    )  # fmt: skip


def _text_box(sheet: Sheet, field: Field, words: str, part: int) -> None:
    default = _instead(sheet, field)
    is_main = part == (1 if field.kind is Kind.THREE_POINT else 0)
    st.text_input(
        words, key=key_of(sheet.document, sheet.path, field, part),
        placeholder=f"left out: {default}" if default and is_main else None,
        on_change=save_form, args=(sheet.document, sheet.path[:2]),
    )  # fmt: skip


def _draw_measure(sheet: Sheet, field: Field) -> None:
    name = f"op-unit-{key_of(sheet.document, sheet.path, field)}"
    with st.container(horizontal=True, vertical_alignment="bottom", gap="small", key=name):
        _text_box(sheet, field, title(field), 0)
        st.selectbox(
            f"Unit of {title(field)}", UNITS[field.kind], width=84, label_visibility="collapsed",
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
