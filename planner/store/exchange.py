"""Documents in from files and out to files, by :mod:`planner.files`.

Kept apart from the service so that opening a store does not load the field checks.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from planner.document import incident_document
from planner.errors import Fault, InputError
from planner.files import MAX_BYTES, incident_from, incident_text, parse_text, read_incident
from planner.intake import printable
from planner.store.records import Revision
from planner.store.service import Store

Form = Literal["toml", "json"]
FORMS: Final[tuple[Form, ...]] = ("toml", "json")


@dataclass(frozen=True, slots=True)
class Imported:
    """The first revision of a document that was read from a file, and the reader's warnings."""

    revision: Revision
    warnings: tuple[Fault, ...]


def import_incident(store: Store, data: bytes, file: str, command_id: str) -> Imported:
    """Read an incident from the bytes of a TOML or JSON file into a new document.

    Parameters
    ----------
    store : Store
        Where to.
    data : bytes
        The file; JSON when its name ends in ``.json``, else TOML.
    file : str
        Its name, for the faults.
    command_id : str
        See :class:`planner.store.Command`.

    Returns
    -------
    Imported
        The document, as the file spells it, and the warnings.

    Raises
    ------
    InputError
        With every fault of the file; nothing is written.
    """
    shown = printable(file)
    tree = parse_text(_text(data, shown), shown, file.lower().endswith(".json"))
    reading = incident_from(tree, shown)
    made = store.create(
        "incident", reading.incident.name, tree, command_id, note=f"read from {shown}"
    )
    return Imported(made, reading.warnings)


def import_incident_file(store: Store, path: str | Path, command_id: str) -> Imported:
    """Read an incident file, and the CSV files it names, into a new document.

    Raises
    ------
    InputError
        With every fault of the files; nothing is written.
    """
    reading = read_incident(path)
    tree = incident_document(reading.incident)
    note = f"read from {printable(Path(path).name)}"
    made = store.create("incident", reading.incident.name, tree, command_id, note=note)
    return Imported(made, reading.warnings)


def exported(revision: Revision, form: Form, *, is_draft: bool = False) -> bytes:
    """Return a revision as the bytes of a TOML or JSON file.

    Parameters
    ----------
    revision : Revision
        Of any document.
    form : {"toml", "json"}
        The file's form.
    is_draft : bool
        Write an incident's raw tree even when it has faults; reading it back tells them.

    Returns
    -------
    bytes
        UTF-8. An incident without faults reads back as the same incident.

    Raises
    ------
    InputError
        With the faults of an incident, unless a draft is asked for; or when TOML cannot hold
        the tree (it has no null).
    """
    if form not in FORMS:
        raise InputError([Fault("", "", "", "form", form, "one of " + ", ".join(FORMS), "")])
    if revision.kind == "incident" and not is_draft:
        incident = incident_from(revision.tree, printable(revision.name)).incident
        return incident_text(incident, as_json=form == "json").encode()
    if form == "json":
        return (json.dumps(revision.tree, indent=2, ensure_ascii=False) + "\n").encode()
    return _toml(revision.tree, printable(revision.name))


def _toml(tree: dict[str, Any], name: str) -> bytes:
    import tomli_w

    try:
        return tomli_w.dumps(tree).encode()
    except TypeError:  # null is the one value of a stored tree that TOML lacks
        words = ("an empty value (null)", "values that TOML has", "Export it as JSON.")
        raise InputError([Fault(name, "", "", "", *words)]) from None


def _text(data: bytes, file: str) -> str:
    if len(data) > MAX_BYTES:
        words = ("more than 5 MB", "at most 5 MB", "Is it the right file?")
        raise InputError([Fault(file, "", "", "", *words)])
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        words = (
            f"byte 0x{data[error.start]:02X} in line {line}", "text in UTF-8",
            "Save it again with the encoding UTF-8.",
        )  # fmt: skip
        raise InputError([Fault(file, "", "", "", *words)]) from None
