"""The exception tree and the one shape in which a fault is told.

::

    PlannerError
    |-- InputError           faults in what a user gave; the command line exits 2
    |-- ReferenceTableError  a shipped table is broken (our fault, never the user's)
    |-- SolverError          no usable answer from the solver; the caller falls back to a rule
    `-- StoreError           what the store could not do, or refused (planner.store.errors)
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["fault", "warning"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong (or odd) in an input, and how to mend it.

    Parameters
    ----------
    file : str
        Name of the file as the user gave it; empty when there is none.
    table : str
        Table of the file, such as ``"patients"``; empty for the file itself.
    row : str
        Tag or name of the row, or ``"#3"`` for the third row when it has none.
    field : str
        Field name, empty when the row or file as a whole is meant.
    received : str
        The value as received, cut to a readable length.
    allowed : str
        What is allowed there.
    mend : str
        What to do about it.
    severity : {"fault", "warning"}
        A fault stops the work; a warning is shown and the work goes on.
    """

    file: str
    table: str
    row: str
    field: str
    received: str
    allowed: str
    mend: str
    severity: Severity = "fault"

    @property
    def place(self) -> str:
        """Where it is, in the order file, table, row, field."""
        parts = [self.file, f"[{self.table}]" if self.table else "", self.row, self.field]
        return " ".join(part for part in parts if part)

    def __str__(self) -> str:
        text = f"{self.place}: received {self.received}" if self.received else self.place
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.mend:
            text += f". {self.mend}"
        return text


class PlannerError(Exception):
    """Base of every error this package raises on purpose."""


class InputError(PlannerError):
    """What the user gave cannot be used; carries every fault found, not only the first."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class ReferenceTableError(PlannerError):
    """A reference table that ships with the package is broken."""


class SolverError(PlannerError):
    """The solver gave nothing that may be read."""
