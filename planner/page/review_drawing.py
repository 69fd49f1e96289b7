"""A review on the page, wherever its log comes from: lines, charts, hindsight closed and last."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import streamlit as st

from planner.page import look
from planner.page.charts_view import chart
from planner.review.decisions import HINDSIGHT


def show_review(lines: Sequence[str], charts: Sequence[dict[str, Any]]) -> None:
    """Draw the lines of a review with its charts; the banner, first and last, stands above."""
    last = list(lines).index(HINDSIGHT)
    show_lines(lines[1:last])
    named = {f"review_{number}": spec for number, spec in enumerate(charts)}
    for name in named:
        chart({"charts": named}, name)
    with st.expander(f"{HINDSIGHT}: open only after the rest has been read"):
        show_lines(lines[last + 1 : -1])


def show_lines(texts: Iterable[str]) -> None:
    """Show many lines as one block: each block of its own takes the browser a while."""
    html = "".join(f'<p class="op-line">{look.escape(text)}</p>' for text in texts)
    if html:
        look.put(html)
