"""What is kept beside a plan: advice, the three ways, and which way was chosen by whom.

Each is a document of its own with an event on the incident that names the plan's revision, so that
it is found again with that plan and with no other. Nothing here knows Streamlit.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from planner.page.plans import KeptPlan
from planner.store import Command, Store, new_command_id

ADVISED, WAYS, CHOSEN = "advised", "ways", "chosen"
KINDS: Final = (ADVISED, WAYS, CHOSEN)


def keep_beside(
    store: Store, incident: str, kept: KeptPlan, kind: str, tree: Mapping[str, Any]
) -> None:
    """Keep something beside a plan's revision; what was kept before of that kind is covered by it.

    Raises
    ------
    StoreError
        When the store cannot be written.
    """
    name = store.revision(incident, kept.incident_revision).name
    made = store.create("plan", name, tree, new_command_id(), note=kind)
    event = {"kind": kind, "plan": kept.document, "plan_revision": kept.revision,
             "beside": made.document}  # fmt: skip
    store.append(incident, event, Command(new_command_id(), 0), is_anywhere=True)


def kept_beside(store: Store, incident: str, kept: KeptPlan) -> dict[str, Mapping[str, Any]]:
    """Return what is kept beside a plan's revision, the latest of each kind."""
    found: dict[str, str] = {}
    for event in store.events(incident):
        tree = event.tree
        is_about = (tree.get("plan"), tree.get("plan_revision")) == (kept.document, kept.revision)
        if tree.get("kind") in KINDS and is_about:
            found[tree["kind"]] = tree["beside"]
    return {kind: store.revision(document).tree for kind, document in found.items()}


def document_with(kept: KeptPlan, beside: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Return a plan's document with what is kept beside it, for the print."""
    return {**kept.tree, **beside}
