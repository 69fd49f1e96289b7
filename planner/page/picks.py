"""Choosing among things whose words change, such as rows with their faults.

The tab holds a choice by its words, so a choice would be lost, or taken for another, when the words
change or are the same twice. The choice is kept here by number; the widget is a new one whenever
the words change.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from zlib import crc32

import streamlit as st

from planner.page import look


def widget_key(name: str, words: Sequence[str]) -> str:
    """Return the key of a widget that offers these words; other words, another widget."""
    return f"{name}:{crc32(chr(10).join(words).encode(errors='replace')):08x}"


def pick_row(title: str, words: Sequence[str], name: str) -> int:
    """Draw a list to choose a row from; ``name`` is where its number is kept."""
    chosen = kept(name, len(words))
    numbered = [f"{number}: {text}" for number, text in enumerate(words, start=1)]
    key = widget_key(name, numbered)
    st.session_state[key] = chosen
    st.selectbox(title, range(len(words)), format_func=numbered.__getitem__, key=key,
                 on_change=_keep, args=(name, key))  # fmt: skip
    return chosen


def pick_part(title: str, options: Sequence[str], words: Sequence[str], name: str) -> str:
    """Draw buttons to choose one of a few parts, kept under ``name``."""
    chosen = st.session_state.get(name)
    chosen = chosen if chosen in options else options[0]
    key = widget_key(name, words)
    st.session_state[key] = chosen
    texts = dict(zip(options, words, strict=True))
    st.pills(title, options, format_func=texts.__getitem__, key=key, required=True,
             label_visibility="collapsed", on_change=_keep, args=(name, key))  # fmt: skip
    return str(chosen)


def pick_stored(
    kind: str, words: Mapping[str, str], opened: str | None, go: Callable[[str], None], key: str
) -> None:
    """Draw what is stored of one kind, by document, with the button that opens one.

    Parameters
    ----------
    kind : str
        Such as ``incident``.
    words : mapping
        What to call each document.
    opened : str or None
        The one that is open.
    go : callable
        Opens a document.
    key : str
        Of the button.
    """
    look.put(f'<h3 class="op-title">Open a stored {look.escape(kind)}</h3>')
    if not words:
        look.line("None is stored yet.")
        return
    ids = list(words)
    chosen = st.selectbox(
        f"Stored {kind}", ids, index=ids.index(opened) if opened in ids else 0,
        format_func=words.__getitem__, key=widget_key(f"stored {kind}", list(words.values())),
    )  # fmt: skip
    st.button("It is open" if chosen == opened else "Open it", key=key, type="primary",
              disabled=chosen == opened, on_click=go, args=(chosen,))  # fmt: skip


def kept(name: str, count: int) -> int:
    """Return the number kept under a name, within so many."""
    number = st.session_state.get(name)
    return min(number, count - 1) if isinstance(number, int) and number >= 0 else 0


def _keep(name: str, key: str) -> None:
    chosen = st.session_state.get(key)
    if chosen is not None:
        st.session_state[name] = chosen
