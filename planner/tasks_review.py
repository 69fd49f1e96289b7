"""The task of a review with planning on from every decision point, for a worker."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.call import Call
from planner.errors import Fault, InputError
from planner.intake import shown


def review(call: Call) -> dict[str, Any]:
    """Review a journal, planning on from each decision point.

    The payload holds ``incident``, the tree of an incident file, ``journal``, that of a journal,
    ``doubts``, lines told of its reading, and ``seed``.

    Returns
    -------
    dict
        ``lines`` and ``html`` of the review, ``points`` planned on from, ``is_complete``.

    Raises
    ------
    InputError
        With the faults of the incident or of the journal.
    """
    from planner.files import incident_from
    from planner.journal.files import journal_from
    from planner.review.decisions import decision_points, modelled
    from planner.review.lines import review_lines
    from planner.review.report import review_of
    from planner.review.sheets import review_html
    from planner.workflow import Request

    incident = incident_from(_tree(call.payload, "incident")).incident
    journal = journal_from(_tree(call.payload, "journal"))
    points = decision_points(journal.entries, incident)
    made = []
    for number, point in enumerate(points, start=1):
        if call.is_stopped():
            break
        call.tell(f"decision point {number} of {len(points)}, minute {point.at_min:g}")
        request = Request(seed=int(call.payload.get("seed", 1)), is_interrupted=call.is_stopped)
        made.append(modelled(point, request))
    found = review_of(journal, incident, modelled=made)
    doubts = tuple(str(text) for text in call.payload.get("doubts", ()))
    return {
        "lines": list(review_lines(found)),
        "html": review_html(found, doubts),
        "points": len(made),
        "is_complete": len(made) == len(points),
    }


def _tree(payload: Mapping[str, Any], name: str) -> dict[str, Any]:
    tree = payload.get(name)
    if not isinstance(tree, dict):
        raise InputError([Fault("", name, "", "", shown(tree), f"the tables of a {name}", "")])
    return tree
