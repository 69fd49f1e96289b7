"""Charts on the page: the spec that print uses too, and the same numbers as a text table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from planner.page import look
from planner.report.board import grid_html
from planner.report.chart_parts import as_table


def chart(tree: Mapping[str, Any], name: str) -> None:
    """Draw one chart of a kept plan, with its table behind it."""
    spec = tree.get("charts", {}).get(name)
    if spec is None:
        return
    title = spec.get("title", {})
    told = title.get("subtitle", "")
    lines = told if isinstance(told, list) else [told]
    below = "".join(f"<span>{look.escape(line)}</span>" for line in lines if line)
    look.put(f'<p class="op-chart">{look.escape(title.get("text", ""))}{below}</p>')
    bare = {key: value for key, value in spec.items() if key != "title"}
    st.vega_lite_chart(spec=bare, width="stretch", theme=None, key=f"chart_{name}")
    with st.expander("The same as a table"):
        look.put(grid_html(as_table(spec)))
