"""Work that was asked for on the page: how it stands, the best so far, why it failed."""

from __future__ import annotations

from typing import Final

import streamlit as st

from planner.jobs import Progress
from planner.page.desk import desk

POLL_S: Final = 0.5


@st.fragment(run_every=POLL_S)
def wait_for(about: str, words: str = "", stop: str = "") -> None:
    """Show how some work stands until it has ended; then the whole page is drawn anew.

    ``words`` stand before what is being done; ``stop`` names a button that asks for the best so
    far, empty: none.
    """
    progress = desk().look(about)
    if progress is None or progress.has_ended:
        st.rerun()
        return
    st.text(f"{words}{progress.message} ({progress.elapsed_s:.0f} s)")
    if stop and st.button(stop, key=f"stop_{about}", disabled=progress.is_stopped):
        desk().stop(about)


def tell_failure(progress: Progress) -> None:
    """Show why some work gave nothing, one line a fault."""
    for text in (progress.message, *progress.faults):
        st.text(text)
