"""A review on the page, wherever its log comes from: lines, charts, hindsight closed and last."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import zip_longest
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
    """Show many lines as one block: each block of its own takes the browser a while.

    A line in front of a listed one is its title; what is set in goes on in the item above it.
    """
    lines = [text for text in texts if text]
    html = "".join(_drawn(text, after) for text, after in zip_longest(lines, lines[1:]))
    if html:
        look.put(html)


def _drawn(text: str, after: str | None) -> str:
    said = look.escape(text.strip().removeprefix("- "))
    if text.startswith(" - "):
        return f'<p class="op-line op-item">{said}</p>'
    if text.startswith("   "):
        return f'<p class="op-line op-item op-on op-small">{said}</p>'
    if after is not None and after.startswith(" - "):
        return f'<h3 class="op-title">{said}</h3>'
    return f'<p class="op-line">{said}</p>'
