"""The plan of a cache's stock in each incident of its study, made when it is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any, Final
from zlib import crc32

import streamlit as st

from planner.errors import InputError
from planner.page import caches, look, session
from planner.page.caches import KeptAnswer
from planner.page.desk import desk
from planner.page.waiting import tell_failure, wait_for
from planner.report.board import grid_html
from planner.report.plan_document import view_from
from planner.report.sheets import sheets_html
from planner.report.words import counted
from planner.store import Revision

SAMPLES: Final = 2000  # behind each plan's chances; our own
TOLD: Final = (
    "Each incident with its median number of patients. Clock times run from the alarm as 00:00."
)


def show_plans(revision: Revision, kept: KeptAnswer, stock: Sequence[dict[str, Any]]) -> None:
    """Draw the button, how the work stands, and the plans."""
    rows = [{n: row[n] for n in ("cache", "item", "count")} for row in stock]
    mark = crc32(repr(rows).encode(errors="replace"))
    about = f"cache plans {revision.document} {kept.study_revision} {mark:08x}"
    progress = desk().look(about)
    is_busy = progress is not None and not progress.has_ended
    st.button("Plan this stock in each incident", key="cache_plans", disabled=is_busy,
              on_click=_start, args=(revision, kept, about, rows))  # fmt: skip
    if progress is None:
        return
    if not progress.has_ended:
        wait_for(about, "Planning: ")
    elif progress.result is None:
        tell_failure(progress)
    else:
        look.line(TOLD, "small")
        for number, plan in enumerate(progress.result["plans"]):
            _plan(plan, number)


def _start(revision: Revision, kept: KeptAnswer, about: str, rows: list[dict[str, Any]]) -> None:
    made_from = session.store().revision(revision.document, kept.study_revision)
    payload = {"study": dict(made_from.tree), "folder": str(caches.folder()), "stock": rows,
               "seed": kept.tree["run"]["seed"], "samples": SAMPLES}  # fmt: skip
    try:
        desk().start(about, "cache_plans", payload)
    except InputError as error:
        session.tell(f"Planning did not begin: {error}")


def _plan(plan: dict[str, Any], number: int) -> None:
    view = view_from(plan["document"]["view"])
    people = counted(plan["patients"], "patient")
    with st.expander(look.label(f"{plan['case']}: {people}")):
        look.line(view.first_line)
        look.line(view.chance_line)
        for content in (view.now, view.waiting, view.awaited, view.swaps):
            if content.rows:
                look.put(look.scrolled(grid_html(content)))
        st.download_button(
            "Sheets to print", partial(_sheets, plan["document"]), f"plan-{number + 1}.html",
            "text/html", on_click="ignore", key=f"cache_plan_{number}",
        )  # fmt: skip


def _sheets(document: dict[str, Any]) -> bytes:
    return sheets_html(document).encode()
