"""A policy as plain data and back, without loss, for keeping beside the plan it belongs to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.incident import Option, Phase
from planner.policy import KeptFor, Policy, Promise
from planner.state import Hookup, Line


def policy_document(policy: Policy) -> dict[str, Any]:
    """Return a policy as a tree of texts and numbers, ready for JSON."""
    return {
        "hookups": [
            {
                "cylinders": list(h.cylinders),
                "regulator": h.regulator,
                "lines": [
                    {"patient": x.patient, "device": x.device, "flow_lpm": x.flow_lpm}
                    | ({} if x.flow_from_min is None else {"flow_from_min": x.flow_from_min})
                    for x in h.lines
                ],
                "flow_from_min": h.flow_from_min,
            }
            for h in policy.hookups
        ],
        "options": [
            {"patient": tag, "device": o.device, "level": o.level, "phases": _phases(o)}
            for tag, o in policy.options
        ],
        "order": list(policy.order),
        "promises": [
            {
                "patient": p.patient,
                "regulator": p.regulator,
                "device": p.device,
                "cylinders": list(p.cylinders),
            }
            for p in policy.promises
        ],
        "kept_for": [
            {
                "place": k.place,
                "connection": k.connection,
                "triage": k.triage,
                "num_cylinders": k.num_cylinders,
            }
            for k in policy.kept_for
        ],
    }


def policy_from(tree: Mapping[str, Any]) -> Policy:
    """Return the policy of a tree made by :func:`policy_document`.

    Raises
    ------
    KeyError, TypeError
        For a tree that was not.
    """
    return Policy(
        hookups=tuple(
            Hookup(
                tuple(h["cylinders"]),
                h["regulator"],
                tuple(Line(**x) for x in h["lines"]),
                h["flow_from_min"],
            )
            for h in tree["hookups"]
        ),
        options=tuple(
            (o["patient"], Option(o["device"], o["level"], tuple(_phase(p) for p in o["phases"])))
            for o in tree["options"]
        ),
        order=tuple(tree["order"]),
        promises=tuple(
            Promise(p["patient"], p["regulator"], p["device"], tuple(p["cylinders"]))
            for p in tree["promises"]
        ),
        kept_for=tuple(KeptFor(**k) for k in tree["kept_for"]),
    )


def _phases(option: Option) -> list[dict[str, Any]]:
    return [
        {"flow_lpm": p.flow_lpm, "for_min": p.for_min, "chance": p.chance} for p in option.phases
    ]


def _phase(tree: Mapping[str, Any]) -> Phase:
    return Phase(tree["flow_lpm"], tree["for_min"], tree["chance"])
