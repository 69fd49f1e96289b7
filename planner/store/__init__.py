"""One SQLite file, one service layer: documents with revisions, append-only events, commands.

Importing it loads neither Streamlit nor an array library nor the solver. Files in and out are in
:mod:`planner.store.exchange`.

Examples
--------
>>> from planner.store import Command, Store, new_command_id
>>> store = Store("oxygen.store")                                       # doctest: +SKIP
>>> first = store.create("incident", "Hut", {}, new_command_id())       # doctest: +SKIP
>>> command = Command(new_command_id(), base=first.number)              # doctest: +SKIP
>>> store.write(first.document, {"schema": 1}, command).number          # doctest: +SKIP
2
"""

from __future__ import annotations

from planner.store.errors import (
    NothingToUndo,
    RepeatedCommand,
    StaleAppend,
    StaleWrite,
    StoreBusy,
    StoreError,
    UnknownDocument,
    UnusableFile,
)
from planner.store.records import (
    KINDS,
    Command,
    Document,
    DocumentKind,
    Entry,
    Event,
    Revision,
    Sent,
    Steps,
    new_command_id,
)
from planner.store.service import Store

__all__ = [
    "KINDS",
    "Command",
    "Document",
    "DocumentKind",
    "Entry",
    "Event",
    "NothingToUndo",
    "RepeatedCommand",
    "Revision",
    "Sent",
    "StaleAppend",
    "StaleWrite",
    "Steps",
    "Store",
    "StoreBusy",
    "StoreError",
    "UnknownDocument",
    "UnusableFile",
    "new_command_id",
]
