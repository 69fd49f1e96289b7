"""Plans in the store: one plan document per incident, a revision for each time it was planned.

An event on the incident says which plan was made from which revision. Nothing here knows
Streamlit, so a job's thread may keep a plan while no tab is open.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from planner.store import Command, Store, new_command_id

PLANNED: Final = "planned"


@dataclass(frozen=True, slots=True)
class KeptPlan:
    """A plan as it is kept.

    Parameters
    ----------
    document : str
        Id of the plan document.
    revision : int
        Which time it was planned.
    incident_revision : int
        Revision of the incident it was made from.
    is_current : bool
        The incident still has that content.
    tree : mapping
        See :func:`planner.report.plan_document.plan_document`.
    """

    document: str
    revision: int
    incident_revision: int
    is_current: bool
    tree: Mapping[str, Any]

    @property
    def asked(self) -> Mapping[str, Any]:
        """What was asked for beside the incident: request, situation, the plan in force."""
        asked = self.tree.get("asked")
        return asked if isinstance(asked, Mapping) else {}


def keep_plan(store: Store, incident: str, incident_revision: int, tree: Mapping[str, Any]) -> None:
    """Keep a plan that was made from a revision of an incident.

    Raises
    ------
    StoreError
        When the store cannot be written.
    """
    name = store.revision(incident, incident_revision).name
    before = _last_event(store, incident)
    if before is None:
        made = store.create("plan", name, tree, new_command_id())
    else:
        base = store.revision(before["plan"]).number
        made = store.write(before["plan"], tree, Command(new_command_id(), base), name=name)
    event = {
        "kind": PLANNED,
        "plan": made.document,
        "plan_revision": made.number,
        "incident_revision": incident_revision,
    }
    store.append(incident, event, Command(new_command_id(), 0), is_anywhere=True)


def latest_plan(store: Store, incident: str) -> KeptPlan | None:
    """Return the last plan made for an incident; None when there is none yet."""
    event = _last_event(store, incident)
    if event is None:
        return None
    kept = store.revision(event["plan"], event["plan_revision"])
    made_from = store.revision(incident, event["incident_revision"])
    return KeptPlan(
        kept.document,
        kept.number,
        made_from.number,
        made_from.digest == store.revision(incident).digest,
        kept.tree,
    )


def latest_mark(store: Store, incident: str) -> tuple[str, int] | None:
    """Return document and revision of the last plan made for an incident, without reading it."""
    event = _last_event(store, incident)
    return None if event is None else (event["plan"], event["plan_revision"])


def _last_event(store: Store, incident: str) -> dict[str, Any] | None:
    found = [e.tree for e in store.events(incident)]
    return next((tree for tree in reversed(found) if tree.get("kind") == PLANNED), None)
