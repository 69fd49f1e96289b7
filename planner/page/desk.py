"""Work in progress: one set of jobs for the server, and which job plans which incident."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import streamlit as st

from planner.jobs import Jobs, Progress, UnknownJob
from planner.page.plans import keep_plan
from planner.store import Store


@dataclass
class Desk:
    """Jobs by what they are for, so that any tab, also one loaded anew, finds them."""

    jobs: Jobs = field(default_factory=Jobs)
    running: dict[str, str] = field(default_factory=dict)
    made_from: dict[str, int] = field(default_factory=dict)
    lock: Lock = field(default_factory=Lock)

    def start(
        self,
        about: str,
        task: str,
        payload: dict[str, Any],
        on_done: Callable[[dict[str, Any]], None] | None = None,
    ) -> None:
        """Start work about something, unless it is being done."""
        with self.lock:
            self.running[about] = self.jobs.start(task, payload, on_done, key=about)

    def look(self, about: str) -> Progress | None:
        """Return how the last work about something stands; None when there was none."""
        job = self.running.get(about)
        if job is None:
            return None
        try:
            return self.jobs.look(job)
        except UnknownJob:
            return None

    def stop(self, about: str) -> None:
        """Ask for the best so far."""
        self.jobs.stop(self.running[about])

    def cancel(self, about: str) -> None:
        """End the work at once."""
        self.jobs.cancel(self.running[about])

    def forget(self, about: str) -> None:
        """Show no more how it ended."""
        with self.lock:
            self.running.pop(about, None)


@st.cache_resource(show_spinner=False)
def desk() -> Desk:
    """Return the server's one desk."""
    return Desk()


def start_plan(
    store: Store, incident: str, seed: int, going_on: Mapping[str, Any] | None = None
) -> None:
    """Plan the current revision of an incident; the plan is kept also when no tab is open.

    ``going_on`` holds, where it is planned on from the middle, ``situation`` and ``in_force`` (see
    :func:`planner.tasks.plan`).
    """
    revision = store.revision(incident)
    about = f"plan {incident}"
    desk().made_from[about] = revision.number
    payload = {"incident": revision.tree, "request": {"seed": seed}, **(going_on or {})}
    desk().start(
        about, "plan", payload, lambda tree: keep_plan(store, incident, revision.number, tree)
    )
