"""Bulk edits of patients and cylinders in a grid, for a laptop; the same path as the row forms.

The grid is fed the revision at which it was drawn and never its own result: its edits are laid on
the current tree cell by cell, so that it keeps its place while they are written. Bad values reach
the fields' own readers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
import streamlit as st

from planner.fields import TABLES, Field, Kind
from planner.page import cells, edits, look, session
from planner.page.edits import Tree
from planner.page.field_words import title
from planner.page.review import contents, row_words

HEAVY = frozenset({Kind.ROW, Kind.ROWS, Kind.CARRY})


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
