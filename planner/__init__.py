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
    from planner.plan import Plan
    from planner.policy import Policy
    from planner.report.plan_document import plan_document
    from planner.report.sheets import sheets_html
    from planner.situation import Situation, read_situation
    from planner.state import State, initial_state
    from planner.ways import Way, three_ways
    from planner.workflow import Request, make_plan

_HOMES: Final = {
    "Fault": "errors",
    "Incident": "incident",
    "InputError": "errors",
    "Needs": "demand",
    "Outcome": "operation.judge",
    "Plan": "plan",
    "PlannerError": "errors",
    "Policy": "policy",
    "Reading": "files",
    "Request": "workflow",
    "Situation": "situation",
    "State": "state",
    "Way": "ways",
    "initial_state": "state",
    "make_plan": "workflow",
    "operate": "operation.judge",
    "plan_document": "report.plan_document",
    "read_incident": "files",
    "read_situation": "situation",
    "sample": "demand",
    "sheets_html": "report.sheets",
    "three_ways": "ways",
    "write_incident": "files",
}

__version__ = "0.1.0"
__all__ = [
    "Fault",
    "Incident",
    "InputError",
    "Needs",
    "Outcome",
    "Plan",
    "PlannerError",
    "Policy",
    "Reading",
    "Request",
    "Situation",
    "State",
    "Way",
    "initial_state",
    "make_plan",
    "operate",
    "plan_document",
    "read_incident",
    "read_situation",
    "sample",
    "sheets_html",
    "three_ways",
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
