"""Oxygen options of a patient: the protocol's, level by level, or the patient's own."""

from __future__ import annotations

from typing import Any

import streamlit as st

from planner.incident import Option
from planner.page import edits, look
from planner.page.review import bare_incident, option_words, protocol_options, typed_row
from planner.page.rows import Sheet, draw_form, write_button
from planner.reference import LEVELS, Indication, load_protocol


def draw_options(sheet: Sheet) -> None:
    """Draw the options of the patient that is open, and what the protocol says beside them."""
    row = _indication(sheet)
    _draw_protocol(sheet, row)
    own = sheet.row.get("options")
    given = protocol_options(sheet.tree, sheet.row)
    if own is None:
        _draw_given(given, row)
        with st.container(horizontal=True):
            _button("Edit level by level for this patient", "own", sheet,
                    {"options": [_raw(option) for option in given] or [_first()]})  # fmt: skip
            if given:
                _button("No oxygen for this patient", "none", sheet, {"options": []})
        return
    rows = own if isinstance(own, list) else []
    look.line(
        "Own options of this patient, in place of the protocol's."
        + ("" if rows else " There is none: no oxygen for this patient.")
    )
    for number in range(len(rows)):
        _draw_own(sheet.within("options", number), number)
    with st.container(horizontal=True):
        _button("Add an option", "add option", sheet, {"options": [*rows, _first()]})
        _button("Back to the protocol's", "back", sheet, {"options": None})


def approval(tree: edits.Tree) -> str:
    """Return who approved the protocol and when, or that nobody has."""
    incident = bare_incident(tree)
    if incident.approved_by and incident.approved_on:
        return f"protocol approved by {incident.approved_by} on {incident.approved_on}"
    return "example protocol, not approved"


def _indication(sheet: Sheet) -> Indication | None:
    values = typed_row("patients", sheet.row)
    name, triage = values.get("indication"), values.get("triage")
    protocol = load_protocol()
    if triage in {"expectant", "dead"}:
        return protocol.row_for(name or "", triage)
    return protocol.indication(name) if isinstance(name, str) else None


def _draw_protocol(sheet: Sheet, row: Indication | None) -> None:
    look.line(f"By the {approval(sheet.tree)}.", "small")
    if row is None:
        look.line("Choose an indication to fill in the protocol's options.")
        return
    need = "No oxygen indicated" if row.need == "none" else f"Need: {row.need}"
    told = [need]
    if row.target_text:
        told.append(f"target SpO2: {row.target_text}")
    if not row.is_titratable:
        told.append("no reduction on a reading")
    if row.recheck_min is not None:
        told.append(f"look again after {row.recheck_min:g} min")
    look.line("; ".join(told) + "." + (f" {row.notes}" if row.notes else ""))
    triage = typed_row("patients", sheet.row).get("triage")
    concern = load_protocol().triage_concern(row.name, triage) if triage else ""
    if concern:
        look.put(f'<div class="op-warning"><b>WARNING</b> {look.escape(concern)}</div>')
    marks = (f"{name.removeprefix('options.')}: {mark}" if name != "*" else str(mark)
             for name, mark in row.sources.items())  # fmt: skip
    look.line("Source: " + "; ".join(marks), "small")


def _draw_given(given: tuple[Option, ...], row: Indication | None) -> None:
    if not given:
        if row is not None and row.need == "comfort":
            look.line("None planned; only by own options here, from surplus.")
        return
    levels = {option.level for option in given}
    look.table(("Level", "Device and flow"), [(o.level, option_words(o)) for o in given])
    missing = [level for level in LEVELS if level not in levels]
    if missing and row is not None and {o.level for o in row.options} & set(missing):
        look.line(f"Not allowed for this patient: {' and '.join(missing)} (SpO2 under the "
                  "step-down floor, or no such mask for the age).", "small")  # fmt: skip


def _draw_own(sheet: Sheet, number: int) -> None:
    with st.container(border=True):
        draw_form(sheet)
        phases = sheet.row.get("phases")
        count = len(phases) if isinstance(phases, list) else 0
        for index in range(count):
            phase, words = sheet.within("phases", index), f"phase {index + 1}"
            look.line(f"{words.capitalize()} of option {number + 1}", "small")
            draw_form(phase)
            _remove(phase, f"Remove {words} of option {number + 1}")
        with st.container(horizontal=True):
            _add(sheet, "phases", {"flow_lpm": 6}, f"Add a phase to option {number + 1}")
            _remove(sheet, f"Remove option {number + 1}")


def _add(sheet: Sheet, field: str, row: dict[str, Any], words: str) -> None:
    write_button(words, words, sheet, lambda tree: edits.with_added(
        tree, (*sheet.path, field), row))  # fmt: skip


def _remove(sheet: Sheet, words: str) -> None:
    write_button(words, words, sheet, lambda tree: edits.without(tree, sheet.path))


def _raw(option: Option) -> dict[str, Any]:
    """Return an option as a file writes it."""
    raw: dict[str, Any] = {"level": option.level, "device": option.device}
    if len(option.phases) == 1 and option.phases[0].for_min is None:
        return {**raw, "flow_lpm": option.flow_lpm}
    phases: list[dict[str, Any]] = []
    for phase in option.phases:
        item: dict[str, Any] = {"flow_lpm": phase.flow_lpm}
        if phase.for_min is not None:
            item["for_min"] = phase.for_min
        if phase.chance < 1:
            item["chance"] = phase.chance
        phases.append(item)
    return {**raw, "phases": phases}


def _first() -> dict[str, Any]:
    return {"level": "first choice", "device": "non-rebreather", "flow_lpm": 15}


def _button(words: str, name: str, sheet: Sheet, change: dict[str, Any]) -> None:
    def changed(tree: edits.Tree) -> edits.Tree:
        row = {**edits.row_at(tree, sheet.path), **change}
        kept = {field: value for field, value in row.items() if value is not None}
        return edits.with_row(tree, sheet.path, kept)

    write_button(words, name, sheet, changed)
