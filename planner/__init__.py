"""Who gets which oxygen cylinder when several patients share too few: an exercise and planning aid.

EXERCISE - NOT FOR PATIENT CARE. Importing the package loads nothing heavy; names come on first use.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from planner.demand import Needs, sample
    from planner.errors import Fault, InputError, PlannerError
    from planner.files import Reading, read_incident, write_incident
    from planner.incident import Incident
    from planner.operation.judge import Outcome, operate
    from planner.policy import Policy
    from planner.state import State, initial_state

_HOMES: Final = {
    "Fault": "errors",
    "Incident": "incident",
    "InputError": "errors",
    "Needs": "demand",
    "Outcome": "operation.judge",
    "PlannerError": "errors",
    "Policy": "policy",
    "Reading": "files",
    "State": "state",
    "initial_state": "state",
    "operate": "operation.judge",
    "read_incident": "files",
    "sample": "demand",
    "write_incident": "files",
}

__version__ = "0.1.0"
__all__ = [
    "Fault",
    "Incident",
    "InputError",
    "Needs",
    "Outcome",
    "PlannerError",
    "Policy",
    "Reading",
    "State",
    "initial_state",
    "operate",
    "read_incident",
    "sample",
    "write_incident",
]


def __getattr__(name: str) -> object:
    """Import a public name from its module on first use."""
    if name not in _HOMES:
        raise AttributeError(f"module 'planner' has no attribute {name!r}")
    return getattr(import_module(f"planner.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    """List public names."""
    return sorted([*__all__, "__version__"])
