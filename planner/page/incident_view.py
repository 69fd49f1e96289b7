"""The incident: one row open at a time, as a form; patients and cylinders also as a grid."""

from __future__ import annotations

import json
from functools import partial
from typing import Final

import streamlit as st

from planner.fields import CSV_TABLES, TABLES, TOP, Field, Kind, Table
from planner.page import edits, grids, look, picks, session
from planner.page.edits import Path, Tree
from planner.page.options_form import approval, draw_options
from planner.page.review import Review, review, row_words
from planner.page.rows import (
    Sheet,
    ask_cursor,
    draw_form,
    draw_more,
    put_cursor,
    save_form,
    write_button,
)
from planner.report.words import counted
from planner.store import Revision

ORDER: Final = (
    "patients", "cylinders", "concentrators", "regulators", "devices", "sundries", "responders",
    "places",
    "transfer_groups", "vehicles", "resupply", "incident", "uncertainty", "priorities",
)  # fmt: skip
STYLE: Final = """<style>
.op-help { margin: -.45rem 0 .15rem; font-size: .85rem; line-height: 1.3; }
[data-testid="stButtonGroup"] button { padding: .2rem .55rem; }
[data-testid="stButtonGroup"] button[aria-checked="true"] p { font-weight: 700; }
[data-testid="stButtonGroup"] button[aria-checked="true"], [data-testid="stButtonGroup"]
  button[aria-checked="true"] * { color: inherit !important; }
[class*="st-key-op-unit"] { flex-wrap: nowrap !important; }
[class*="st-key-op-unit"] > :first-child { flex: 1 1 0 !important; min-width: 0 !important; }
[class*="st-key-op-row"] [data-testid="stColumn"] [data-testid="stVerticalBlock"] { gap: .5rem; }
</style>"""
SINGULAR: Final = {
    "patients": "patient", "cylinders": "cylinder", "regulators": "regulator",
    "concentrators": "concentrator", "devices": "mask or cannula",
    "sundries": "key or washer", "responders": "responder", "places": "place",
    "transfer_groups": "transfer group", "vehicles": "vehicle", "resupply": "delivery",
    "legs": "leg",
}  # fmt: skip


def show() -> None:
    """Show the incident that is open."""
    revision = session.current()
    # What comes and goes stands in a container: what is below it keeps its place and its cursor.
    with st.container():
        session.show_state()
    if revision is None:
        look.line("No incident is open. Choose one under Start.")
        return
    look.put(STYLE)
    tree, found = revision.tree, review(revision.content)
    with st.container():
        _head(revision, found)
    table = _choose_table(revision.document, tree, found)
    if table.is_single:
        _show_single(Sheet(revision.document, tree, found, (table.name,)), table)
    else:
        _show_rows(revision.document, tree, found, table)


def _head(revision: Revision, found: Review) -> None:
    faults = len(found.faults)
    warnings = len(found.found) - faults
    state = "ready to plan" if not faults else f"{counted(faults, 'fault')} to mend before a plan"
    if warnings:
        state += f", {counted(warnings, 'warning')}"
    look.put(f'<h2 class="op-title">{look.escape(revision.name)}</h2>')
    told = (f"revision {revision.number} saved at {revision.at[11:16]} UTC", state,
            approval(revision.tree))  # fmt: skip
    look.line(" ".join(f"{text[0].upper()}{text[1:]}." for text in told))
    if revision.note:
        look.line(f"Last: {revision.note}"[:400], "saved")
    if found.found:
        with st.expander(f"Everything to mend or look at ({len(found.found)})"):
            look.faults(found.found)


def _choose_table(document: str, tree: Tree, found: Review) -> Table:
    def words(name: str) -> str:
        text = TABLES[name].title
        if not TABLES[name].is_single:
            text += f" {len(edits.rows_in(tree, name))}"
        number = sum(1 for f in found.in_table(name) if f.severity == "fault")
        return f"{text} \u2013 {counted(number, 'fault')}" if number else text

    name = picks.pick_part("Part of the incident", ORDER, [words(n) for n in ORDER],
                           f"table:{document}")  # fmt: skip
    return TABLES[name]


def _show_single(sheet: Sheet, table: Table) -> None:
    if table.name == "incident":
        words = f"The {approval(sheet.tree)}. Give both fields of the approval, or none."
        look.line(words, "small")
    draw_form(sheet)
    _save_button(sheet)
    draw_more(sheet)
    _rest(sheet, table, sheet.review.in_table(table.name))


def _show_rows(document: str, tree: Tree, found: Review, table: Table) -> None:
    count = len(edits.rows_in(tree, table.name))
    key = f"row:{document}:{table.name}"
    if count == 0:
        look.faults(found.in_table(table.name))
        look.line("None yet.")
        empty = Sheet(document, tree, found, (table.name, 0))
        _add_button(empty)
        grids.draw_several(empty, is_open=True)
        return
    number = _choose_row(tree, found, table, key)
    sheet = Sheet(document, tree, found, (table.name, number))
    with st.container(border=True, key=f"op-row-{table.name}"):
        _row_form(sheet, table)
    with st.container():  # last, when its boxes are there; empty most of the time
        put_cursor(sheet)
    grids.draw_several(sheet)
    if table.name in CSV_TABLES:
        with st.expander(f"All {table.title.lower()} in a grid, for a laptop"):
            grids.draw_grid(document, table.name)
    if table.name == "cylinders":
        with st.expander("What each cylinder holds"):
            grids.draw_contents(tree)


def _choose_row(tree: Tree, found: Review, table: Table, key: str) -> int:
    count = len(edits.rows_in(tree, table.name))

    def words(number: int) -> str:
        wrong = found.in_row(table.name, number)
        faults = sum(1 for fault in wrong if fault.severity == "fault")
        marks = [counted(faults, "fault")] if faults else []
        marks += [counted(len(wrong) - faults, "warning")] if len(wrong) > faults else []
        return " | ".join([row_words(tree, table.name, number), *marks])

    with st.container(horizontal=True, vertical_alignment="bottom", key=f"op-pick-{table.name}"):
        chosen = picks.pick_row(f"Open row of {count}", [words(n) for n in range(count)], key)
        st.button("Previous", key=f"{key}:previous", on_click=_go, args=(key, -1, count))
        st.button("Next", key=f"{key}:next", on_click=_go, args=(key, 1, count))
    return chosen


def _go(key: str, step: int, count: int) -> None:
    st.session_state[key] = (picks.kept(key, count) + step) % count


def _row_form(sheet: Sheet, table: Table) -> None:
    draw_form(sheet)
    with st.container():
        _rest(sheet, table, sheet.review.in_row(table.name, int(sheet.path[1])))
    _row_buttons(sheet)
    draw_more(sheet)
    for field in table.fields:
        if field.kind is Kind.ROW:
            is_given = bool(sheet.row.get(field.name))
            with st.expander(TABLES[field.table].title, expanded=is_given):
                look.line(field.help, "small")
                draw_form(sheet.within(field.name))
        elif field.name == "options":
            with st.expander(TABLES[field.table].title, expanded=True):
                draw_options(sheet)
        elif field.kind is Kind.ROWS:
            is_open = table.name != "patients" or bool(sheet.row.get(field.name))
            with st.expander(TABLES[field.table].title, expanded=is_open):
                look.line(field.help, "small")
                _draw_within(sheet, field)


def _draw_within(sheet: Sheet, field: Field) -> None:
    """Draw the rows that a field holds, each a form of its own."""
    rows, words = sheet.row.get(field.name), SINGULAR[field.name]
    for number in range(len(rows) if isinstance(rows, list) else 0):
        one = sheet.within(field.name, number)
        with st.container(border=True):
            draw_form(one)
            draw_more(one)
            write_button(f"Remove {words} {number + 1}", "remove", one,
                         partial(edits.without, path=one.path))  # fmt: skip
    first = {} if field.name == "legs" else {"count": 1}
    added = partial(edits.with_added, table_path=(*sheet.path, field.name), row=first)
    write_button(f"Add {words}", f"add {field.name}", sheet, added)


def _rest(sheet: Sheet, table: Table, found: tuple[object, ...]) -> None:
    """Show what was found in this row and stands beside none of its fields."""
    told: set[object] = set()
    for at in _paths(sheet, table, sheet.path):
        for field in edits.table_at(at).fields:
            if not edits.is_nested(field.kind):
                told.update(sheet.review.at(at, field))
    look.faults(fault for fault in sheet.review.found if fault in found and fault not in told)


def _paths(sheet: Sheet, table: Table, path: Path) -> list[Path]:
    """Return the paths of a row and of all rows within it whose fields are drawn."""
    found = [path]
    row = edits.row_at(sheet.tree, path)
    for field in table.fields:
        if field.kind is Kind.ROW:
            found.append((*path, field.name))
        elif field.kind is Kind.ROWS and isinstance(row.get(field.name), list):
            for number in range(len(row[field.name])):
                found += _paths(sheet, TABLES[field.table], (*path, field.name, number))
    return found


def _row_buttons(sheet: Sheet) -> None:
    table, number = str(sheet.path[0]), int(sheet.path[1])
    count = len(edits.rows_in(sheet.tree, table))
    with st.container(horizontal=True):
        _add_button(sheet)
        write_button("Copy row", "copy", sheet, lambda tree: edits.with_copy(tree, sheet.path),
                     after=partial(_open, sheet.document, table, count))  # fmt: skip
        gaps = edits.same_as_above(sheet.tree, sheet.path)
        if number and table in edits.SAME:
            write_button("Same as above", "same", sheet,
                         lambda tree: edits.with_same_as_above(tree, sheet.path),
                         after=partial(ask_cursor, sheet.document, sheet.path),
                         is_off=not gaps)  # fmt: skip
        _save_button(sheet)
        write_button("Remove row", "remove", sheet,
                     lambda tree: edits.without(tree, (table, number)))  # fmt: skip
    if number and table in edits.SAME:
        words = "Same as above fills in: " + "; ".join(_given(gaps)) if gaps else (
            "Same as above has nothing left to fill in")  # fmt: skip
        look.line(f"{words}. Each field is saved when you leave it; Undo is under Start.", "small")
    else:
        look.line("Each field is saved when you leave it; Undo is under Start.", "small")


def _given(values: dict[str, object]) -> list[str]:
    return [f"{name.replace('_', ' ')} {json.dumps(value, ensure_ascii=False)}".replace('"', "")
            for name, value in values.items()]  # fmt: skip


def _open(document: str, table: str, number: int) -> None:
    """Open a row and put the cursor into its first gap."""
    st.session_state[f"row:{document}:{table}"] = number
    ask_cursor(document, (table, number))


def _save_button(sheet: Sheet) -> None:
    where = ".".join(str(step) for step in sheet.path)
    st.button(
        "Save", type="primary", key=f"save:{sheet.document}:{where}", on_click=save_form,
        args=(sheet.document, sheet.path[:2]),
    )  # fmt: skip


def _add_button(sheet: Sheet) -> None:
    table = str(sheet.path[0])
    count = len(edits.rows_in(sheet.tree, table))
    write_button(
        f"Add a {SINGULAR[table]}", "add", sheet,
        lambda tree: edits.with_added(tree, (table,), edits.first_row(tree, table)),
        after=partial(_open, sheet.document, table, count),
    )  # fmt: skip


assert set(ORDER) == {table.name for table in TOP}  # noqa: S101 - a table without a form
