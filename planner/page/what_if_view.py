"""What if one thing were different: before and after on common samples, the plan kept."""

from __future__ import annotations

from html import escape
from typing import Any, Final

import streamlit as st

from planner.errors import InputError
from planner.page import look, session
from planner.page.desk import desk
from planner.page.plans import KeptPlan
from planner.page.waiting import tell_failure, wait_for
from planner.report.what_if_words import what_if_lines
from planner.units import Pressure, PressureUnit

SAMPLES: Final = 20_000
STEP: Final[dict[PressureUnit, float]] = {"psi": 50.0, "bar": 5.0}


def show_what_if(incident: str, kept: KeptPlan) -> None:
    """Ask what is different, and show what it would do to this plan."""
    about = f"what if {incident} {kept.revision}"  # an answer about an earlier plan is not shown
    before = desk().look(about)
    is_busy = before is not None and not before.has_ended
    tree = session.store().revision(incident, kept.incident_revision).tree
    unit: PressureUnit = "bar" if "change_at_bar" in tree["incident"] else "psi"
    with st.form("what_if", border=False):
        first, second, third, fourth = st.columns(4)
        later = first.number_input("Transport later by, min", value=0.0, step=5.0,
                                   format="%g", key="wi_later")  # fmt: skip
        flow = second.number_input("Flows higher by, %", value=0.0, step=5.0,
                                   format="%g", key="wi_flow")  # fmt: skip
        fewer = third.number_input("Cylinders fewer (last of the list)", value=0, step=1,
                                   key="wi_fewer")  # fmt: skip
        change = fourth.number_input(
            f"Change at, {unit} (empty: as it is)", value=None, step=STEP[unit], format="%g",
            key=f"wi_change_{unit}",
        )  # fmt: skip
        is_asked = st.form_submit_button("Compare", disabled=is_busy)
    if is_asked:
        at_psi = None if change is None else Pressure(change, unit).psi
        wanted = {"later_min": later, "flow_percent": flow, "num_fewer": fewer,
                  "change_at_psi": at_psi}  # fmt: skip
        payload = {"incident": tree, "policy": kept.tree["policy"], "change": wanted,
                   "samples": SAMPLES, "seed": 1}  # fmt: skip
        try:
            desk().start(about, "what_if", payload)
        except InputError as error:
            st.text(str(error))
        else:
            st.rerun()  # so that the button is off while it runs
    progress = desk().look(about)
    if progress is None:
        look.put("<p>The plan stays as it is; transport, flows, supply or change pressure differ. "
                 "Both run on the same samples.</p>")  # fmt: skip
    elif not progress.has_ended:
        wait_for(about, "Comparing: ")
    elif progress.result is not None:
        _answer(progress.result)
    else:
        tell_failure(progress)


def _answer(result: dict[str, Any]) -> None:
    look.put("".join(f"<p>{escape(line)}</p>" for line in what_if_lines(result)))
