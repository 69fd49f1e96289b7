"""What would help most, what to ask for, and three ways to run it; worked out when asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final

import streamlit as st

from planner.errors import InputError
from planner.intake import text_fault
from planner.page import look
from planner.page.beside import ADVISED, CHOSEN, WAYS, keep_beside, kept_beside
from planner.page.charts_view import chart
from planner.page.desk import desk
from planner.page.plans import KeptPlan
from planner.page.waiting import tell_failure, wait_for
from planner.report.board import grid_html
from planner.report.ways_words import TITLES, grid_of
from planner.store import Revision, Store, StoreError

SAMPLES: Final = 20_000
WORDS: Final[Mapping[str, tuple[str, str]]] = {
    "advise": ("Work out what would help", "Each thing alone, then pairs: about 20 seconds."),
    "ways": ("Plan three ways", "First choice for all, as priced, reduced for all."),
}
MOST_ROLE: Final = 60


def show_advice(store: Store, incident: Revision, kept: KeptPlan) -> None:
    """Show advice that was worked out for this plan, or offer to work it out."""
    beside = kept_beside(store, incident.document, kept)
    if ADVISED in beside:
        _advice(beside[ADVISED])
    else:
        minute, _ = st.columns([1, 3])
        travel = minute.number_input(
            "Minutes from asking to arrival (60: common practice, no source)", value=60.0,
            step=5.0, format="%g", key="advice_travel",
        )  # fmt: skip
        more = {"policy": kept.tree["policy"], "seed": 1, "samples": SAMPLES, "travel_min": travel}
        _work(store, incident, kept, "advise", (ADVISED, more))


def show_ways(store: Store, incident: Revision, kept: KeptPlan) -> None:
    """Show the three ways and which one was chosen, or offer to plan them."""
    beside = kept_beside(store, incident.document, kept)
    if WAYS not in beside:
        _work(store, incident, kept, "ways", (WAYS, {}))
        return
    tree = beside[WAYS]
    look.put(look.scrolled(grid_html(grid_of(tree))))
    for line in tree["lines"]:
        look.line(line)
    chosen = beside.get(CHOSEN)
    if chosen is not None:
        look.line(chosen["words"], "saved")
    _choose(store, incident, kept)


def _choose(store: Store, incident: Revision, kept: KeptPlan) -> None:
    """Record which way is run, by which role and when; the plan itself stays as it is."""
    with st.form(f"choose_{kept.revision}", border=False):
        way, role = st.columns(2)
        name = way.selectbox("Way that is run", list(TITLES), format_func=TITLES.__getitem__,
                             index=1, key="way_chosen")  # fmt: skip
        by = role.text_input("Chosen by (role, not name)", key="way_role", max_chars=MOST_ROLE)
        is_asked = st.form_submit_button("Record the choice")
    if not is_asked:
        return
    bad = text_fault(by, MOST_ROLE)
    if bad is not None:
        st.text(f"Nothing was recorded: chosen by must be {bad[0]}. {bad[1]}")
        return
    when = datetime.now().replace(microsecond=0)
    tree = {
        "way": name, "by": by, "at": when.isoformat(),
        "words": f"Chosen: {TITLES[name]}, by {by}, {when:%d %b %Y %H:%M}.",
    }  # fmt: skip
    try:
        keep_beside(store, incident.document, kept, CHOSEN, tree)
    except (InputError, StoreError) as error:
        st.text(f"Nothing was recorded: {error}")
        return
    st.rerun()


def _work(
    store: Store, incident: Revision, kept: KeptPlan, task: str, wanted: tuple[str, dict[str, Any]]
) -> None:
    """Offer some work, show how it stands, or why it failed; its result is kept by the job."""
    kind, more = wanted
    about = f"{task} {incident.document} {kept.revision}"
    progress = desk().look(about)
    words, told = WORDS[task]
    if progress is not None and not progress.has_ended:
        wait_for(about, stop="What is done so far")
        return
    if progress is not None and progress.state != "done":
        tell_failure(progress)
    look.line(told)
    if not st.button(words, key=f"{task}_now"):
        return
    document = incident.document
    payload = {"incident": store.revision(document, kept.incident_revision).tree, **kept.asked,
               **more}  # fmt: skip
    desk().start(about, task, payload, lambda tree: keep_beside(store, document, kept, kind, tree))
    st.rerun()


def _advice(tree: Mapping[str, Any]) -> None:
    lines = tree["lines"]
    _section("What to ask for", lines["request"])
    chart(tree, "request_curve")
    for title, texts in (
        ("What would help most, each alone", lines["helps"]),
        ("The best two together", lines["pairs"]),
        ("No difference at all", [row["words"] for row in tree["no_effect"]]),
        ("Notes", tree["notes"]),
    ):
        _section(title, texts)


def _section(title: str, texts: Sequence[str]) -> None:
    if texts:
        items = "".join(f'<p class="op-line">{look.escape(text)}</p>' for text in texts)
        look.put(f"<h3>{look.escape(title)}</h3>{items}")
