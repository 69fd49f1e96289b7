"""Planning on from the middle: what the plan expects by then, corrected by what is seen."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from typing import Any, Final

import streamlit as st

from planner.errors import InputError
from planner.page import look
from planner.page.desk import desk, start_plan
from planner.page.plans import KeptPlan
from planner.page.situation_rows import Row, corrected, rows_of, sources_of
from planner.page.waiting import tell_failure, wait_for
from planner.report.words import TITLES
from planner.situation_fields import ON_OXYGEN, STATUSES
from planner.store import Revision, Store, StoreError

TOLD: Final = (
    "When something has changed: give the minute, look at what the plan expects by then, correct "
    "what is different (who has gone, who was found, what each gauge reads, which cylinder is on), "
    "and plan on. The new plan changes as little in this one as is worth it, and says what."
)


def show_plan_on(store: Store, incident: Revision, kept: KeptPlan, seed: int) -> None:
    """Ask for the minute, show what is expected then, and plan on from what is so."""
    look.line(TOLD)
    if not kept.is_current:
        look.line("The incident has changed since this plan was made: plan again first.")
        return
    result = kept.tree["result"]
    about = f"expect {incident.document} {kept.revision}"
    minute, _ = st.columns([1, 3])
    at_min = minute.number_input(
        "Minute since the incident's start", value=float(result["at_min"]) + 30.0, step=5.0,
        format="%g", key="on_at",
    )  # fmt: skip
    progress = desk().look(about)
    is_busy = progress is not None and not progress.has_ended
    if st.button("What is expected then", key="on_expect", disabled=is_busy):
        payload = {"incident": incident.tree, "policy": kept.tree["policy"],
                   "situation": kept.asked.get("situation"), "at_min": at_min}  # fmt: skip
        desk().start(about, "expect", payload)
        st.rerun()
    if progress is None:
        return
    if not progress.has_ended:
        wait_for(about)
    elif progress.result is None:
        tell_failure(progress)
    else:
        _correct(store, incident, kept, progress.result, seed)


def _correct(
    store: Store, incident: Revision, kept: KeptPlan, expected: Mapping[str, Any], seed: int
) -> None:
    """Draw a row for everyone, and for transport and deliveries; the button plans on."""
    at_min = expected["situation"]["at_min"]
    people, sources = rows_of(incident.tree, expected), sources_of(incident.tree, expected)
    with st.form(f"on_{kept.revision}_{at_min:g}", border=False):
        given = [_row(row, sources, f"{kept.revision}_{at_min:g}_{n}")
                 for n, row in enumerate(people)]  # fmt: skip
        gone = st.multiselect("Cylinders that are gone, empty or of no use", sources.reserve,
                              key=f"on_gone_{at_min:g}")  # fmt: skip
        later = {
            way: st.number_input(f"{look.label(way[1])}: later by, min", value=0.0, step=5.0,
                                 format="%g", key=f"on_later_{n}_{at_min:g}")
            for n, way in enumerate(sources.transports)
        }  # fmt: skip
        arrived = [
            n for n, words in enumerate(sources.deliveries, 1)
            if st.checkbox(look.label(words), value=n in sources.arrived,
                           key=f"on_came_{n}_{at_min:g}")
        ]  # fmt: skip
        is_asked = st.form_submit_button("Plan on from here", type="primary")
    if not is_asked:
        return
    total = _added(kept.asked.get("situation") or {}, later)
    situation = corrected(
        deepcopy(dict(expected)), given, tuple(gone), total, tuple(arrived), sources
    )
    try:
        start_plan(store, incident.document, seed,
                   {"situation": situation, "in_force": kept.tree["policy"]})  # fmt: skip
    except (InputError, StoreError) as error:
        st.text(f"Planning did not begin: {error}")
        return
    st.rerun()


def _added(
    situation: Mapping[str, Any], later: Mapping[tuple[str, str], float]
) -> dict[tuple[str, str], float]:
    """Return by how much each transport is late in all: what was announced before still holds."""
    return {
        (table, name): by + sum(
            float(row["later_min"]) for row in situation.get(table, ()) if row["name"] == name
        )
        for (table, name), by in later.items()
    }  # fmt: skip


def _row(row: Row, sources: Any, key: str) -> Row:
    """Draw one patient's row and return it as given."""
    name, how, cylinder, regulator, flow, gauge = st.columns([3, 3, 3, 3, 2, 3])
    name.text(f"{row.tag}\n{TITLES.get(row.triage, row.triage)}")
    now = how.selectbox("Now", STATUSES, index=STATUSES.index(row.now), key=f"on_now_{key}")
    on = cylinder.selectbox(
        "Cylinder on", sources.cylinders, index=_index(sources.cylinders, row.cylinder),
        key=f"on_cyl_{key}", placeholder="none",
    )  # fmt: skip
    valve = regulator.selectbox(
        "Regulator", sources.regulators, index=_index(sources.regulators, row.regulator),
        key=f"on_reg_{key}", placeholder="none, or built in",
    )  # fmt: skip
    dial = flow.number_input(
        "L/min", value=row.flow_lpm, step=1.0, format="%g", key=f"on_flow_{key}"
    )
    reads = gauge.number_input(
        f"Gauge, {sources.unit}", value=sources.gauges.get(row.cylinder or ""),
        step=10.0 if sources.unit == "psi" else 1.0, format="%g", key=f"on_gauge_{key}",
    )  # fmt: skip
    is_on = now == ON_OXYGEN
    return Row(row.tag, row.triage, now, on if is_on else None, valve if is_on else None,
               row.device, dial if is_on else None, reads if is_on else None)  # fmt: skip


def _index(names: tuple[str, ...], name: str | None) -> int | None:
    return names.index(name) if name in names else None
