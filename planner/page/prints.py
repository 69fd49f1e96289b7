"""On paper and in a spreadsheet: what the page gives to take away, made when it is asked for."""

from __future__ import annotations

import io
import re
import zipfile
from functools import partial
from typing import Final

import streamlit as st

from planner.page import look
from planner.page.beside import document_with, kept_beside
from planner.page.plans import KeptPlan
from planner.report.csv_folder import csv_files
from planner.report.sheets import OUT_OF_DATE, sheets_html
from planner.store import Revision, Store

_EPOCH: Final = (1980, 1, 1, 0, 0, 0)  # one plan, one archive: no time of making in it
TOLD: Final = (
    "Sheets to print: wall sheet, swap list with boxes to tick, a card for each patient, charts, "
    "blank oxygen log, sources. One file that needs nothing else: open it in any browser and print "
    "it, on A4 or Letter, black and white is enough.",
    "Tables: now, swaps, list and chances, as a folder packed in one file, with a note on how to "
    "open them. A spreadsheet set to decimal commas wants the one with semicolons.",
)


def sheets_button(store: Store, incident: Revision, kept: KeptPlan) -> None:
    """Put the button that gives the sheets to print."""
    st.download_button(
        "Sheets to print",
        data=partial(_sheets, store, incident, kept),
        file_name=f"{file_name(incident.name)}-sheets.html",
        mime="text/html",
        on_click="ignore",
        key="print_sheets",
        width="stretch",
    )


def review_button(name: str, html: str) -> None:
    """Put the button that gives the review to print, the same file as the command's."""
    _to_print("Review to print", f"{file_name(name)}-review.html", html)


def hot_wash_button(name: str, html: str) -> None:
    """Put the button that gives the hot wash to print, with what was written in it by then."""
    _to_print("Hot wash to print", f"{file_name(name)}-hot-wash.html", html)


def _to_print(words: str, file: str, html: str) -> None:
    st.download_button(words, html.encode(), file, "text/html", on_click="ignore",
                       key=words.lower().replace(" ", "_"), width="stretch")  # fmt: skip


def show_prints(incident: Revision, kept: KeptPlan) -> None:
    """Say what there is to take away, and give the tables."""
    for text in TOLD:
        look.line(text)
    for words, is_semicolon in (("Tables, commas", False), ("Tables, semicolons", True)):
        st.download_button(
            words,
            data=partial(_tables, incident, kept, is_semicolon),
            file_name=f"{file_name(incident.name)}-tables.zip",
            mime="application/zip",
            on_click="ignore",
            key=f"print_tables_{is_semicolon}",
        )


def _standing(incident: Revision, kept: KeptPlan) -> str:
    """Say which revision a plan was made from, and whether the incident has changed since."""
    text = f"revision {kept.incident_revision}"
    return text if kept.is_current else f"{text}, {OUT_OF_DATE}: now revision {incident.number}"


def _sheets(store: Store, incident: Revision, kept: KeptPlan) -> bytes:
    """Return the sheets, with what is kept beside the plan by then."""
    document = document_with(kept, kept_beside(store, incident.document, kept))
    return sheets_html(document, _standing(incident, kept)).encode()


def _tables(incident: Revision, kept: KeptPlan, is_semicolon: bool) -> bytes:
    files = csv_files(kept.tree, is_semicolon=is_semicolon, revision=_standing(incident, kept))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(zipfile.ZipInfo(name, _EPOCH), text, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def file_name(name: str) -> str:
    """Return a name that every file system takes."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:60] or "incident"
