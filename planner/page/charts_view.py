"""Charts on the page: the spec that print uses too, and the same numbers as a text table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import streamlit as st

from planner.page import look
from planner.report.board import grid_html
from planner.report.chart_parts import as_table

#: As wide as its place; the height is the plot's own, and axes and legends come on top of it.
FIT: Final = {"type": "fit-x", "contains": "padding"}
COLUMN_PX: Final = 230  # the widest entry of a legend, 186 px measured, with room for more


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
    bare = {key: _narrowed(value) for key, value in spec.items() if key != "title"}
    bare["autosize"] = FIT
    st.vega_lite_chart(spec=bare, width="stretch", theme=None, key=f"chart_{name}")
    with st.expander("The same as a table"):
        look.put(look.scrolled(grid_html(as_table(spec))))


def _narrowed(part: Any) -> Any:
    """Return a part of a spec with legends that take fewer columns where they would be cut off."""
    if isinstance(part, list):
        return [_narrowed(each) for each in part]
    if not isinstance(part, Mapping):
        return part
    new = {name: value if name == "values" else _narrowed(value) for name, value in part.items()}
    legend = new.get("legend")
    if isinstance(legend, dict) and isinstance(legend.get("columns"), int):
        most = f"min({legend['columns']}, floor(width / {COLUMN_PX}))"
        new["legend"] = {**legend, "columns": {"expr": f"max(1, {most})"}}
    return new
