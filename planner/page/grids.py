"""Bulk edits: several rows at once from a few numbers; patients and cylinders in a grid.

Both take the same path as the row forms. The numbers make rows, which are then rows like others.

The grid is fed the revision at which it was drawn and never its own result: its edits are laid on
the current tree cell by cell, so that it keeps its place while they are written. Bad values reach
the fields' own readers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd
import streamlit as st

from planner.errors import Fault, InputError
from planner.fields import TABLES, TRIAGE, Field, Kind
from planner.intake import Intake
from planner.page import cells, edits, look, session
from planner.page.edits import Tree
from planner.page.field_words import title
from planner.page.review import contents, row_words
from planner.page.rows import Sheet, ask_cursor, known_texts
from planner.store import new_command_id

HEAVY = frozenset({Kind.ROW, Kind.ROWS, Kind.CARRY})
KIT_TABLES: Final = ("regulators", "devices", "sundries")
# One ordinary set for one patient, and one key for all: common practice, no source.
KIT_WORDS: Final = (
    "For each patient 1 regulator, 1 non-rebreather and 1 cannula for adults and 2 washers; 1 key "
    "for all. An ordinary set made up here: common practice, no source. Change the rows after."
)


@dataclass(frozen=True, slots=True)
class Ask:
    """One box of a short form: its name, its words, and the field whose texts may be chosen."""

    name: str
    words: str
    field: tuple[str, str] | None = None


PLACE: Final = Ask("place", "All at the place", ("devices", "place"))
ASKS: Final[Mapping[str, tuple[Ask, ...]]] = {
    "patients": (*(Ask(name, f"How many {name}") for name in TRIAGE),
                 Ask("place", "All at the place", ("patients", "place"))),
    "cylinders": (
        Ask("size", "All of the size", ("cylinders", "size")),
        Ask("gauges", "Gauges, one for each cylinder"),
        Ask("unit", "Gauges are in"),
        Ask("place", "All at the place", ("cylinders", "place")),
        Ask("connection", "All with the connection", ("cylinders", "connection")),
    ),
    **dict.fromkeys(KIT_TABLES, (
        Ask("number", "For how many"),
        Ask("connection", "Regulators for the connection", ("regulators", "connection")), PLACE)),
}  # fmt: skip
HELPS: Final = {
    "patients": "Makes a row for each, with tags counted on; the rest is filled in row by row.",
    "cylinders": "Makes a row for each gauge, with tags counted on. Part them by commas or blanks: "
                 "2000, 1800, 650.",
    **dict.fromkeys(KIT_TABLES, KIT_WORDS),
}  # fmt: skip
TITLES: Final = {
    "patients": "Several patients at once", "cylinders": "Several cylinders at once",
    **dict.fromkeys(KIT_TABLES, "An ordinary set of kit for so many patients"),
}  # fmt: skip


def draw_several(sheet: Sheet, *, is_open: bool = False) -> None:
    """Draw the short form that makes several rows of a table, where it has one."""
    table = str(sheet.path[0])
    if table not in ASKS:
        return
    group = "kit" if table in KIT_TABLES else table
    was_used = f"several_used:{sheet.document}:{group}" in st.session_state
    with st.expander(TITLES[table], expanded=is_open or was_used):
        look.put(f'<p class="op-line op-small">{look.escape(HELPS[table])}</p>')
        with st.container(horizontal=True, vertical_alignment="bottom", gap="small"):
            for ask in ASKS[table]:
                if ask.name == "place" and len(edits.rows_in(sheet.tree, "places")) < 2:
                    continue
                _draw_ask(sheet, ask, _several_key(sheet.document, group, ask.name))
        look.faults(st.session_state.pop(f"several_told:{sheet.document}:{group}", ()))
        base = session.shown_revision(sheet.document) or 0
        st.button("Add these", key=f"b:{sheet.document}:{session.drawn('form')}:{group}:several",
                  on_click=_add_several, args=(sheet.document, table, base, new_command_id()),
                  )  # fmt: skip


def with_several(
    tree: Tree, table: str, given: Mapping[str, str]
) -> tuple[Tree, tuple[Fault, ...]]:
    """Return a tree with the rows that a short form asks for; the same tree with faults if any."""
    make = {"patients": _patients, "cylinders": _cylinders}.get(table, _kit)
    given = {name: text.strip() for name, text in given.items()}
    rows, found = make(given)
    if not rows and not found:
        words = ("nothing", "at least one", "Fill in how many.")
        found = (Fault("", table, "", "", *words),)
    if found:
        return tree, found
    new = tree
    for name, row in rows:
        first = edits.first_row(new, name)
        own = {"place": given.get("place", first.get("place"))}  # not asked for: as in the last
        key = TABLES[name].key
        if key and "count" not in row:
            own[key] = first[key]
        kept = {field: value for field, value in own.items() if value}
        new = edits.with_added(new, (name,), kept | row)
    return new, ()


Rows = list[tuple[str, dict[str, Any]]]


def _patients(given: Mapping[str, str]) -> tuple[Rows, tuple[Fault, ...]]:
    rows: Rows = []
    found: list[Fault] = []
    for triage in TRIAGE:
        if given.get(triage):
            number, told = _number(given[triage], 0, f"how many {triage}")
            found += told
            rows += [("patients", {"triage": triage})] * number
    return rows, tuple(found)


def _cylinders(given: Mapping[str, str]) -> tuple[Rows, tuple[Fault, ...]]:
    gauges = cells.raw_of(Field("gauges", Kind.NUMBERS, ""), given.get("gauges", ""))
    many = gauges if isinstance(gauges, list) else []
    same = {name: given[name] for name in ("size", "connection") if given.get(name)}
    unit = given.get("unit") or "psi"
    # A gauge that is no number makes a row all the same, and is told beside it.
    return [("cylinders", {**same, f"gauge_{unit}": gauge}) for gauge in many], ()


def _kit(given: Mapping[str, str]) -> tuple[Rows, tuple[Fault, ...]]:
    if not given.get("number"):
        return [], ()
    number, found = _number(given["number"], 1, "kit for how many patients")
    connection = {"connection": given["connection"]} if given.get("connection") else {}
    rows: Rows = [
        ("regulators", {"count": number, **connection}),
        *(("devices", {"kind": kind, "count": number}) for kind in ("non-rebreather", "cannula")),
        ("sundries", {"kind": "key", "count": 1}),
        ("sundries", {"kind": "washer", "count": 2 * number}),
    ]
    return rows, found


def _number(text: str, low: int, words: str) -> tuple[int, tuple[Fault, ...]]:
    """Read a number by the field of a count: 0 of keys may be, 0 of masks may not."""
    table = TABLES["devices" if low else "sundries"]
    raw = cells.raw_of(table.field("count"), text)
    intake = Intake("")
    try:
        intake.row(table, {"kind": "key", "count": raw}, "")
    except InputError as error:
        intake.faults.extend(error.faults)
    found = tuple(
        Fault("", "", "", words, fault.received, fault.allowed, fault.mend)
        for fault in intake.faults if fault.field == "count"
    )  # fmt: skip
    return (raw if isinstance(raw, int) and not found else 0), found


def _draw_ask(sheet: Sheet, ask: Ask, key: str) -> None:
    if ask.name == "unit":
        head = edits.row_at(sheet.tree, ("incident",))
        units = ("bar", "psi") if "change_at_bar" in head else ("psi", "bar")
        st.selectbox(ask.words, units, key=key, width=100)
    elif ask.field is None:
        st.text_input(ask.words, key=key, width=300 if ask.name == "gauges" else 148)
    else:
        field = TABLES[ask.field[0]].field(ask.field[1])
        texts = known_texts(sheet.tree, ask.field[0], field)
        st.selectbox(ask.words, ("", *texts), key=key, width=230,
                     format_func=lambda text: text or "left out")  # fmt: skip


def _several_key(document: str, group: str, name: str) -> str:
    return f"several:{document}:{group}:{name}"


def _add_several(document: str, table: str, base: int, command: str) -> None:
    """Write the rows that the short form asks for, or leave its faults for the next drawing."""
    group = "kit" if table in KIT_TABLES else table
    state = st.session_state
    keys = {ask.name: _several_key(document, group, ask.name) for ask in ASKS[table]}
    given = {name: str(state[key] or "") for name, key in keys.items() if key in state}
    tree = session.store().revision(document, session.shown_revision(document) or base).tree
    _, found = with_several(tree, table, given)
    if found:
        state[f"several_told:{document}:{group}"] = found
        return
    state[f"several_used:{document}:{group}"] = True  # it stays open for the next
    first = len(edits.rows_in(tree, table))
    session.press(document, base, command, lambda now: with_several(now, table, given)[0])
    for name in ("gauges", "number", *TRIAGE):
        if name in keys and keys[name] in state:
            state[keys[name]] = ""
    state[f"row:{document}:{table}"] = first
    ask_cursor(document, (table, first))


def draw_grid(document: str, table: str) -> None:
    """Draw the grid of a table, as it stood when it was drawn, with the edits made in it since."""
    drawn = session.drawn("grid")
    tree = session.store().revision(document, drawn).tree
    rows = edits.rows_in(tree, table)
    if not rows:
        look.line("No rows yet: add one in the form.")
        return
    look.line("A cell is saved when it is left. Add and remove rows in the form.", "small")
    columns = {field.name: st.column_config.TextColumn(title(field), help=field.help)
               for field in grid_fields(table)}  # fmt: skip
    st.data_editor(
        grid_frame(tree, table), key=f"grid:{document}:{drawn}:{table}", num_rows="fixed",
        hide_index=True, column_config=columns, on_change=_save_grid, args=(document, table),
        width="stretch", row_height=38, alt=f"Grid of {TABLES[table].title.lower()}",
    )  # fmt: skip


def grid_fields(table: str) -> tuple[Field, ...]:
    """Return the fields that a grid shows: those that fit one cell."""
    return tuple(field for field in TABLES[table].fields if field.kind not in HEAVY)


def grid_frame(tree: Tree, table: str) -> pd.DataFrame:
    """Return a table as texts, one row each, in file order."""
    fields = grid_fields(table)
    rows = [row if isinstance(row, dict) else {} for row in edits.rows_in(tree, table)]
    return pd.DataFrame(
        [[cells.cell_of(field, row) for field in fields] for row in rows],
        columns=[field.name for field in fields],
        dtype="object",
    )


def with_cells(tree: Tree, table: str, changed: Mapping[int, Mapping[str, object]]) -> Tree:
    """Return a tree with the cells that were changed, by row number and field; others stay."""
    new = tree
    for number, values in changed.items():
        if not 0 <= int(number) < len(edits.rows_in(tree, table)):
            continue
        path = (table, int(number))
        row = dict(edits.row_at(new, path))
        for name, value in values.items():
            field = TABLES[table].field(name)
            text = "" if value is None else str(value)
            if text != cells.cell_of(field, row):
                cells.put_cell(row, field, text, edits.row_at(tree, ("incident",)))
        if row != edits.row_at(new, path):
            new = edits.with_row(new, path, row)
    return new


def draw_contents(tree: Tree) -> None:
    """Draw what each cylinder holds and how long it lasts, a table of texts."""
    rows = []
    for number, raw in enumerate(edits.rows_in(tree, "cylinders")):
        found = contents(tree, raw)
        if found is not None:
            words = row_words(tree, "cylinders", number)
            rows.append((words, found.litres, found.handbook, *found.minutes, *found.to_change))
    if not rows:
        return
    heads = ("Cylinder", "L real gas", "L handbook", "min at 15", "min at 6",
             "to change, 15", "to change, 6")  # fmt: skip
    look.table(heads, rows, range(1, len(heads)))
    look.line(
        "One cylinder of each row. Litres and minutes above the safe residual, at the air "
        "temperature of the incident; minutes are cut.", "small",
    )  # fmt: skip


def _save_grid(document: str, table: str) -> None:
    base = session.shown_revision(document)
    if base is None:
        return
    key = f"grid:{document}:{session.drawn('grid')}:{table}"
    state: Any = st.session_state.get(key) or {}
    tree = session.store().revision(document, base).tree
    new = with_cells(tree, table, state.get("edited_rows", {}))
    if new != tree:
        session.edit(document, new, "grid")
