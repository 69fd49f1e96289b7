"""The columns of an oxygen log, once: printed blank for writing on, and read in for review.

Close to the activity log of the public incident forms (214: date and time, notable activity),
with what an oxygen review needs beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Parameters
    ----------
    name : str
        In a CSV's first line.
    head : str
        On paper.
    share : int
        Of the paper's width, in hundredths.
    """

    name: str
    head: str
    share: int


LOG_COLUMNS: Final = (
    Column("clock", "Clock", 6),
    Column("plus_minus_min", "\u00b1 min", 4),
    Column("event", "What happened", 15),
    Column("patient", "Patient", 8),
    Column("cylinder", "Cylinder", 8),
    Column("regulator", "Regulator", 7),
    Column("device", "Device", 9),
    Column("flow_lpm", "L/min", 5),
    Column("gauge", "Gauge, unit", 7),
    Column("temperature", "Temp, unit", 6),
    Column("place", "Place", 8),
    Column("role", "By (role)", 7),
    Column("note", "Note", 10),
)
