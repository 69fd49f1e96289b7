"""The page: which views there are. Run by ``oxygen-planner page``."""

from __future__ import annotations

import os

import streamlit as st

from planner.page import (
    cache_view,
    exercise_link,
    exercise_view,
    how_view,
    incident_view,
    log_view,
    look,
    plan_view,
    reference_view,
    start_view,
)
from planner.page.exercise_parts import LINK
from planner.page.launch import needs_link
from planner.page.session import GO_TO

st.set_page_config(
    page_title="Oxygen plan - EXERCISE - NOT FOR PATIENT CARE",
    layout="wide",
    initial_sidebar_state="collapsed",
)
look.apply()
if LINK in st.query_params:  # a link of an exercise opens its one screen; no other view is there
    st.navigation([st.Page(exercise_link.show, title="Exercise", default=True)],
                  position="hidden").run()  # fmt: skip
    st.stop()
if needs_link(os.environ, st.context.ip_address):
    look.line("Open the link that the controller gave you; nothing else is to be had from here.")
    st.stop()
pages = {
    "start": st.Page(start_view.show, title="Start", url_path="start", default=True),
    "incident": st.Page(incident_view.show, title="Incident", url_path="incident"),
    "plan": st.Page(plan_view.show, title="Plan", url_path="plan"),
    "log": st.Page(log_view.show, title="Log", url_path="log"),
    "exercise": st.Page(exercise_view.show, title="Exercise", url_path="exercise"),
    "cache": st.Page(cache_view.show, title="Cache", url_path="cache"),
    "reference": st.Page(reference_view.show, title="Reference", url_path="reference"),
    "how": st.Page(how_view.show, title="How this is computed", url_path="how"),
}
chosen = st.navigation(list(pages.values()), position="top")
wanted = st.session_state.pop(GO_TO, None)
if wanted in pages:
    st.switch_page(pages[wanted])
chosen.run()
