"""Views of the page through AppTest."""

from __future__ import annotations

from typing import Any

from streamlit.testing.v1 import AppTest


def script_of(view: str) -> str:
    """The script that shows one view alone."""
    return f"from planner.page import look, {view}\nlook.apply()\n{view}.show()\n"


def app_of(view: str) -> AppTest:
    """One view alone, not yet run."""
    return AppTest.from_string(script_of(view), default_timeout=30)


def opened(document: str | None, view: str) -> AppTest:
    """A view with an incident open, or none."""
    app = app_of(view)
    if document is not None:
        app.query_params["incident"] = document
    return fine(app.run())


def fine(app: AppTest) -> AppTest:
    assert not app.exception, app.exception[0].message
    return app


def html(app: Any) -> str:
    """All HTML in a page or a block of it."""
    return "\n".join(str(element.proto.body) for element in app.get("html"))
