"""How this is computed: formulas, the rules of operation, what the chance means and does not."""

from __future__ import annotations

import streamlit as st

from planner.page import look
from planner.report.how import SECTIONS


def show() -> None:
    """Show every section, each under its title."""
    look.put("<h2>How this is computed</h2>")
    for title, lines in SECTIONS:
        with st.expander(title, expanded=title == SECTIONS[0][0]):
            for line in lines:
                st.text(line)
