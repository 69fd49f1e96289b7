"""How the page looks: style, banner, escaped texts and tables. No user text passes unescaped."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from html import escape as html_escape
from typing import Final

import streamlit as st

from planner.banner import BANNER
from planner.errors import Fault

WORD_JOINER: Final = "\u2060"
_PUNCTUATION: Final = re.compile(r"[!-/:-@\[-`{-~]")

# currentColor keeps every rule right in a light and in a dark theme; the banner has its own pair.
STYLE: Final = """<style>
[data-testid="stMainBlockContainer"] { padding: 4rem 1.2rem 2rem; max-width: 1280px; }
[data-testid="stMainBlockContainer"] [data-testid="stVerticalBlock"] { gap: .6rem; }
.op-banner { background: #ffd60a; color: #111; font-weight: 700; text-align: center;
  padding: .3rem .6rem; letter-spacing: .04em; border-radius: .3rem; }
.op-line { margin: .1rem 0; overflow-wrap: anywhere; line-height: 1.4; }
.op-item { padding-left: 1.1rem; }
.op-item:not(.op-on)::before { content: "\\2013"; margin-left: -1rem; display: inline-block;
  width: 1rem; }
.op-small { font-size: .9rem; opacity: .85; }
.op-saved { border-left: .3rem solid #2e9e5b; padding-left: .6rem; }
.op-fault, .op-warning { padding: .25rem .6rem; margin: .15rem 0; overflow-wrap: anywhere;
  background: color-mix(in srgb, currentColor 7%, transparent); border-radius: .2rem; }
.op-fault { border-left: .35rem solid #d92d20; }
.op-warning { border-left: .35rem solid #d98a00; }
.op-fault.op-small, .op-warning.op-small { opacity: 1; }
.op-fault b, .op-warning b { letter-spacing: .03em; }
.op-scroll { overflow-x: auto; }
.op-table { border-collapse: collapse; width: 100%; font-size: .92rem; }
.op-table th, .op-table td { text-align: left; vertical-align: top; padding: .28rem .6rem .28rem 0;
  border-bottom: 1px solid color-mix(in srgb, currentColor 22%, transparent);
  overflow-wrap: anywhere; }
.op-table.op-wide { min-width: 62rem; }
.op-table.op-wide th, .op-table.op-wide td { overflow-wrap: break-word; }
.op-table td.n, .op-table th.n { text-align: right; white-space: nowrap; }
.op-chart { margin: .2rem 0 0; font-size: 1rem; font-weight: 700; }
.op-chart span { display: block; font-weight: 400; font-size: .86rem; }
.op-title { margin: 0 !important; padding: .2rem 0 !important; overflow-wrap: anywhere; }
[data-testid="stButton"] button, [data-testid="stDownloadButton"] button,
[data-testid="stButtonGroup"] button, [data-testid="stTextInputRootElement"],
[data-testid="stSelectbox"] .react-aria-ComboBox > div { min-height: 2.75rem; }
@media (max-width: 640px) {
  [data-testid="stMainBlockContainer"] { padding: 4rem .7rem 2rem; }
  [data-testid="stColumn"]:not(:has([data-testid="stElementContainer"])) { display: none; }
  [class*="st-key-op-pick"] > :first-child { flex: 1 1 100%; }
}
</style>"""


def apply() -> None:
    """Put the style and the banner on the page, once a run."""
    st.html(STYLE)
    st.html(f'<div class="op-banner" role="note">{escape(BANNER)}</div>')


def put(html: str) -> None:
    """Put HTML on the page; whatever users wrote in it has been escaped."""
    st.html(html)


def scrolled(table: str) -> str:
    """Return a table that scrolls by itself where it is too wide, by keyboard too."""
    return f'<div class="op-scroll" tabindex="0">{table}</div>'


def escape(text: object) -> str:
    """Return a text for use inside HTML, quotes too."""
    return html_escape(str(text), quote=True)


def label(text: str) -> str:
    """Return user text for a widget's label, which renders Markdown, so that it shows literally.

    Each punctuation mark is escaped and stands between word joiners: the page also replaces plain
    runs such as ``:name:``, ``->`` or ``www.`` after Markdown has been read.
    """
    return _PUNCTUATION.sub(
        lambda mark: f"{WORD_JOINER}\\{mark[0]}{WORD_JOINER}", " ".join(text.split())
    )


def line(text: str, kind: str = "") -> None:
    """Show one line of plain text; ``kind`` is "", "small" or "saved"."""
    extra = f" op-{kind}" if kind else ""
    st.html(f'<p class="op-line{extra}">{escape(text)}</p>')


def table(
    heads: Sequence[str], rows: Iterable[Sequence[object]], numeric: Iterable[int] = ()
) -> None:
    """Show a table of plain texts; ``numeric`` columns are set to the right."""
    right = frozenset(numeric)

    def cells(values: Sequence[object], tag: str) -> str:
        return "".join(
            f"<{tag}{' class=n' if i in right else ''}>{escape(value)}</{tag}>"
            for i, value in enumerate(values)
        )

    wide = " op-wide" if len(heads) > 4 else ""  # scrolls sideways rather than break words
    body = "".join(f"<tr>{cells(row, 'td')}</tr>" for row in rows)
    put(
        scrolled(
            f'<table class="op-table{wide}"><thead><tr>{cells(heads, "th")}</tr></thead>'
            f"<tbody>{body}</tbody></table>"
        )
    )


def faults(found: Iterable[Fault], *, is_beside: bool = False) -> None:
    """Show faults and warnings with what is allowed and the mend; beside a field without where."""
    parts = [
        f'<div class="op-{fault.severity}{" op-small" if is_beside else ""}" role="note">'
        f"<b>{fault.severity.upper()}</b> "
        f"{escape(without_place(fault) if is_beside else fault)}</div>"
        for fault in found
    ]
    if parts:
        st.html("".join(parts))


def without_place(fault: Fault) -> str:
    """Return what a fault says, for where its place can be seen."""
    text = str(replace(fault, file="", table="", row="", field="")).removeprefix(":").strip()
    return f"{text[:1].upper()}{text[1:]}"
