"""Fields of an inject, drawn for the set-up and for one that is made up on the spot."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from itertools import count, takewhile
from typing import Any, Final

import streamlit as st

from planner.exercise.changes import MAY, NEEDS, ChangeKind
from planner.exercise.injects import WHENS
from planner.exercise.setup import Exercise
from planner.incident import TRIAGE_ORDER
from planner.journal.events import EVENTS

AT, NOTHING = "at a minute", "nothing"
TEXTS: Final = (
    ("from", "From (a role)"), ("to", "To (a role)"), ("by", "Said by (a role)"),
    ("text", "As it is spoken"), ("expected", "What players are expected to do"),
)  # fmt: skip


def fields(
    form: str, exercise: Exercise, kinds: Iterable[str], row: Mapping[str, Any] | None = None,
    *, is_timed: bool = True,
) -> None:  # fmt: skip
    """Draw the fields of an inject under keys that begin with the form's name."""
    was = dict(row or {})
    if is_timed:
        _timing(form, was)
    for name, title in TEXTS:
        draw = st.text_area if name in {"text", "expected"} else st.text_input
        draw(title, value=str(was.get(name, "")), key=f"{form}:{name}", max_chars=500)
    names = [o.name for o in exercise.objectives]
    at = names.index(was["objective"]) if was.get("objective") in names else None
    st.selectbox("Objective", names, index=at, key=f"{form}:objective", placeholder="none")
    changes = list(was.get("changes") or [])
    for number, change in enumerate([*changes, {}]):  # one more, empty
        _draw_change(f"{form}{_part(number)}", exercise, [NOTHING, *kinds], change)


def _part(number: int) -> str:
    """Return what stands in the keys of a change: each change of an inject has boxes of its own."""
    return f":also{number}" if number else ""


def _draw_change(
    form: str, exercise: Exercise, kinds: list[str], change: Mapping[str, Any]
) -> None:  # fmt: skip
    title = "What is otherwise in truth from then on"
    st.selectbox(title if ":also" not in form else f"{title}, besides", kinds,
                 index=kinds.index(change.get("kind", NOTHING)), key=f"{form}:kind")  # fmt: skip
    st.text_input("Of what or whom: a tag, a name of transport, a number of a delivery, a place",
                  value=str(change.get("tag", "")), key=f"{form}:tag", max_chars=60)  # fmt: skip
    is_bar = exercise.incident.change_at.unit == "bar"
    unit = "bar" if "gauge_bar" in change or (is_bar and "gauge_psi" not in change) else "psi"
    with st.container(horizontal=True):
        for name, title in (
            (f"gauge_{unit}", f"Gauge, {unit}"), ("minutes", "Minutes later, or for how long"),
            ("flow_lpm", "Stuck at, L/min"), ("spo2", "SpO2, %"),
        ):  # fmt: skip
            st.text_input(title, value=_plain(change.get(name)), key=f"{form}:change_{name}",
                          max_chars=20)  # fmt: skip
        triage = list(TRIAGE_ORDER)
        at = triage.index(change["triage"]) if "triage" in change else None
        st.selectbox("Category", triage, index=at, key=f"{form}:change_triage",
                     placeholder="as it was")  # fmt: skip
        st.text_input("Indication", value=str(change.get("indication", "")),
                      key=f"{form}:change_indication", max_chars=60)  # fmt: skip


def _timing(form: str, was: Mapping[str, Any]) -> None:
    with st.container(horizontal=True):
        st.text_input("Number", value=_plain(was.get("number")), key=f"{form}:number", max_chars=4)
        ways = [AT, *WHENS]
        st.selectbox("Due", ways, index=ways.index(was.get("when", AT)), key=f"{form}:when")
        minute = was.get("at_min", was.get("minutes"))
        st.text_input("Minute, or so many minutes", value=_plain(minute), key=f"{form}:minute",
                      max_chars=8)  # fmt: skip
        events = list(EVENTS)
        at = events.index(was["event"]) if was.get("event") in events else None
        st.selectbox("Entry of the log that it waits for", events, index=at, key=f"{form}:event",
                     placeholder="none")  # fmt: skip


def row_of(form: str) -> dict[str, Any]:
    """Return the fields as a row of an exercise file; what is no number stays for the reading."""
    state = st.session_state

    def said(name: str) -> Any:
        value = state.get(f"{form}:{name}")
        return value.strip() if isinstance(value, str) else value

    row: dict[str, Any] = {}
    for name, _ in TEXTS:
        if said(name):
            row[name] = said(name)
    if said("objective"):
        row["objective"] = said("objective")
    if said("number"):
        row["number"] = _number(said("number"))
    when = said("when")
    if when == AT:
        row["at_min"] = _number(said("minute"))
    elif when:
        row |= {"when": when, "minutes": _number(said("minute"))}
        row |= {"event": said("event")} if said("event") else {}
    drawn = takewhile(lambda part: f"{form}{part}:kind" in state, map(_part, count()))
    changes = [change for part in drawn for change in _change(said, part)]
    if changes:
        row["changes"] = changes
    return row


def _change(whole: Callable[[str], Any], part: str) -> Iterable[dict[str, Any]]:
    def said(name: str) -> Any:
        return whole(f"{part.removeprefix(':')}:{name}" if part else name)

    kind: ChangeKind = said("kind")
    if kind not in NEEDS:
        return
    row: dict[str, Any] = {"kind": kind, "tag": said("tag") or ""}
    for name in (*NEEDS[kind], *MAY.get(kind, ())):
        units = ("gauge_psi", "gauge_bar") if name == "gauge" else (name,)
        for each in units:
            value = said(f"change_{each}")
            if value:
                row[each] = value if name in {"triage", "indication"} else _number(value)
    yield row


def _number(text: object) -> object:
    """Return the number of a text; another text as it is, so that its fault quotes it."""
    plain = str(text or "").replace(",", ".")
    try:
        value = float(plain)
    except ValueError:
        return plain
    return int(value) if value.is_integer() and abs(value) < 1e9 else value


def _plain(value: object) -> str:
    return "" if value is None else str(value)
