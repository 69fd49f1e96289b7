"""The players' screen: what they know, from `known_to_players` alone, and one form to decide.

Nothing of the truth is handed to any function here that draws: only the plain tree of what players
know, and the choices made from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import streamlit as st

from planner.exercise.keeping import Access
from planner.exercise.known import known_to_players
from planner.page import exercise_parts as parts
from planner.page import look
from planner.page.exercise_deciding import choices, show_form
from planner.report.words import TITLES

Tree = Mapping[str, Any]
DRAWN: Final = "player_choices"  # what the form on screen offers


def show() -> None:
    """Show the players' screen of the run that the link opens."""
    found = _known()
    if found is None:
        return
    access, known = found
    look.put(parts.STYLE)
    look.put(f"<h2>{look.escape(known['exercise'])}</h2>")
    parts.stop_button(access.run, "said on the players' screen")
    st.session_state[DRAWN] = choices(known)
    _news()
    left, right = st.columns(2)
    with left:
        show_form(access.run, known, "players")
    with right:
        _things()


def _known() -> tuple[Access, Tree] | None:
    """Return what players know by now; the truth goes no further than here."""
    found = parts.seen_now("players")
    if found is None:
        return None
    return found[0], known_to_players(found[1].exercise, found[1].run)


@st.fragment(run_every=parts.HEARTBEAT_S)
def _news() -> None:
    """Draw the clock, what was said, and what the controller has shown of a plan."""
    found = _known()
    if found is None:
        return
    _, known = found
    if known["clock"]["is_stopped"]:
        parts.show_stop()
    parts.told()
    parts.show_clock(known["clock"])
    if known["told_at_start"]:
        look.line(known["told_at_start"])
    said = known["injects"][::-1]
    for inject in said[:3]:
        look.put(_card(inject))
    if said[3:]:
        with st.expander("Said before"):
            for inject in said[3:]:
                look.put(_card(inject))
    for shown in known["revealed"]:
        look.line(f"Shown by the controller at {shown['time']}:")
        for text in shown["lines"]:
            look.line(text)
    if st.session_state.get(DRAWN) != choices(known) and st.button(
        "More is known now: put it into the form", key="ex-more", width="stretch"
    ):
        st.rerun()


def _card(inject: Tree) -> str:
    return parts.inject_html(
        f"{inject['time']} {inject['from']} to {inject['to']}", str(inject["text"])
    )


@st.fragment(run_every=parts.HEARTBEAT_S)
def _things() -> None:
    found = _known()
    if found is None:
        return
    show_known(found[1])


def show_known(known: Tree) -> None:
    """Draw people, cylinders, regulators and the log as players know them."""
    look.put("<h3>People</h3>")
    parts.table(("Tag", "Category", "Seen at first", "Now", "At", "On"), (
        (p["tag"], TITLES.get(p.get("triage", ""), ""), _seen(p), p["status"], p["place"],
         _on(p["on"]))
        for p in known["patients"]
    ))  # fmt: skip
    look.put("<h3>Cylinders</h3>")
    parts.table(("Tag", "Size", "Gauge", "At", "Now"), (
        (c["tag"], c.get("size", ""), c["gauge"], c["place"], c["status"])
        for c in known["cylinders"]
    ))  # fmt: skip
    look.put("<h3>Regulators</h3>")
    parts.table(("Tag", "Fits", "At", "On"), (
        (r["tag"], r["connection"], r["place"], ", ".join(r["on"])) for r in known["regulators"]
    ))  # fmt: skip
    look.put("<h3>Written down</h3>")
    show_log(known)


def show_log(known: Tree) -> None:
    """Draw the log as players know it, the last first."""
    skipped = {"id", "time", "event", "by", "role"}

    def about(row: Tree) -> str:
        return ", ".join(_plain(v) for k, v in row.items() if k not in skipped)

    def by(row: Tree) -> str:
        return "what happens" if row["by"] == "world" else str(row.get("role", row["by"]))

    rows = known["log"][::-1]
    parts.table(("Time", "What", "About", "By"),
                ((r["time"], r["event"], about(r), by(r)) for r in rows))  # fmt: skip


def _seen(person: Tree) -> str:
    """Return what anybody could see of somebody: age, indication, saturation."""
    age = "" if person.get("age", "adult") == "adult" else str(person["age"])
    reads = "" if person.get("spo2") is None else f"SpO2 {person['spo2']:g} %"
    return "; ".join(text for text in (age, person.get("indication", ""), reads) if text)


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _on(on: Tree | None) -> str:
    if not on:
        return "nothing"
    flow = "" if on["flow_lpm"] is None else f"{on['flow_lpm']:g} L/min"
    return ", ".join(str(v) for v in (on["cylinder"], on["regulator"], on["device"], flow) if v)
