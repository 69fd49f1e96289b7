"""A plan in force, read back from what ``plan --json`` wrote."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from planner.errors import Fault, InputError
from planner.files import parse_file
from planner.incident import Incident
from planner.intake import listed, nearest, printable
from planner.policy import Policy
from planner.policy_document import policy_from
from planner.state import device_units

MEND = "Use a file that plan --json wrote for this incident."


def read_policy(path: str | Path, incident: Incident) -> Policy:
    """Read the policy of a plan that was written as JSON.

    Raises
    ------
    InputError
        When the file is no such plan, or names what the incident does not have: all at once.
    """
    tree, file = parse_file(path)
    return policy_of_tree(tree.get("policy"), incident, file)


def policy_of_tree(tree: Any, incident: Incident, file: str = "") -> Policy:
    """Return the policy of a plain tree, checked against an incident.

    Raises
    ------
    InputError
        As :func:`read_policy`.
    """
    try:
        policy = policy_from(tree)
        faults = list(_unknown(policy, incident, file))
    except (KeyError, TypeError, AttributeError, ValueError):
        allowed = "the policy of a plan"
        raise InputError([Fault(file, "", "", "policy", "something else", allowed, MEND)]) from None
    if faults:
        raise InputError(dict.fromkeys(faults))
    return policy


def _unknown(policy: Policy, incident: Incident, file: str) -> Iterator[Fault]:
    """Tell every name that the incident does not have."""
    cylinders = {c.tag for c in incident.all_cylinders}
    regulators = {r.tag for r in incident.all_regulators}
    people = {p.tag for p in incident.patients}
    masks = {u.tag for u in device_units(incident)}
    lines = [line for h in policy.hookups for line in h.lines]
    named = (
        ("cylinder", cylinders, [*policy.order, *(t for h in policy.hookups for t in h.cylinders),
                                 *(t for p in policy.promises for t in p.cylinders)]),
        ("regulator", regulators, [*(h.regulator for h in policy.hookups),
                                   *(p.regulator for p in policy.promises)]),
        ("device", masks, [p.device for p in policy.promises]),
        ("patient", people, [*(line.patient for line in lines), *(t for t, _ in policy.options),
                             *(p.patient for p in policy.promises)]),
        ("place", {p.name for p in incident.places}, [k.place for k in policy.kept_for]),
    )  # fmt: skip
    for field, known, names in named:
        for name in names:
            if name is not None and name not in known:
                mend = nearest(str(name), known) or MEND
                allowed = f"one of {listed(sorted(known))}" if known else "none"
                yield Fault(file, "policy", "", field, printable(str(name)), allowed, mend)
