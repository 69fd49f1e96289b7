"""Ways to begin an incident: a shipped one, files, or nothing; pure of Streamlit."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.fields import CSV_TABLES
from planner.files import MAX_BYTES, csv_rows, incident_from
from planner.intake import MAX_FAULTS, Intake, printable, too_many
from planner.store import Revision, Store
from planner.store.exchange import Imported, import_incident, import_incident_file

PACKAGE: Final = Path(__file__).parents[1]
ENDINGS: Final = ("toml", "json", "csv")
FIRST: Final = "ulvaren-bowl"  # the one whose file explains the format line by line
NOT_INCIDENTS: Final = ("-study", "-exercise")  # what lies beside the shipped incidents
Files = Mapping[str, bytes]


@cache
def shipped() -> dict[str, Path]:
    """Return the shipped incidents by name, the one to begin with first; wheel or checkout."""
    for folder in (PACKAGE / "scenarios", PACKAGE.parent / "scenarios"):
        if folder.is_dir():
            paths = sorted(folder.glob("*.toml"), key=lambda p: (p.stem != FIRST, p.stem))
            return {_title(p): p for p in paths if not p.stem.endswith(NOT_INCIDENTS)}
    return {}


def note_of(path: Path) -> str:
    """Return what a shipped incident says it is for."""
    return str(tomllib.loads(path.read_text("utf-8"))["incident"].get("note", ""))


def shipped_log(name: str) -> Path | None:
    """Return the log that is shipped with the shipped incident of that name, if there is one."""
    incident = shipped().get(name)
    log = None if incident is None else incident.with_name(f"{incident.stem}-log.csv")
    return log if log is not None and log.is_file() else None


def blank(name: str, now: datetime) -> dict[str, Any]:
    """Return the tree of an incident in which nobody and nothing is yet."""
    return {"schema": 1, "incident": {"name": name, "start": now.isoformat(timespec="minutes")}}


def start_shipped(store: Store, path: Path, command_id: str) -> Revision:
    """Make a document from a shipped incident."""
    return import_incident_file(store, path, command_id).revision


def start_from_files(store: Store, files: Files, command_id: str) -> Imported:
    """Make a document from one TOML or JSON file, with the CSV files that it names.

    Raises
    ------
    InputError
        With every fault; nothing is written.
    """
    _check_sizes(files)
    heads = [name for name in files if _ending(name) in {"toml", "json"}]
    if len(heads) != 1:
        words = ("one TOML or JSON file, with the CSV files that it names", "Choose one.")
        raise InputError([Fault("", "", "", "", f"{len(heads)} such files", *words)])
    if len(files) == 1:
        return import_incident(store, files[heads[0]], heads[0], command_id)
    with TemporaryDirectory() as folder:
        return import_incident_file(store, _laid_out(files, Path(folder)) / heads[0], command_id)


def with_table(tree: Mapping[str, Any], table: str, name: str, data: bytes) -> dict[str, Any]:
    """Return a tree with one table replaced by the rows of a CSV file.

    Raises
    ------
    InputError
        With every fault of that file, judged with the rest of the incident around it.
    """
    if table not in CSV_TABLES:
        raise InputError([Fault(name, table, "", "", "", f"one of {', '.join(CSV_TABLES)}", "")])
    _check_sizes({name: data})
    intake = Intake("the open incident")
    with TemporaryDirectory() as folder:
        rows = csv_rows(_laid_out({name: data}, Path(folder)), name, table, intake)
    new = {**tree, table: rows}
    try:
        incident_from(new, "the open incident", intake)
    except InputError as error:
        mine = [f for f in error.faults if f.file == name and f.severity == "fault"]
        if mine:
            more = [too_many(name)] if len(mine) >= MAX_FAULTS else []
            raise InputError([*mine, *more]) from None
    return new


def _laid_out(files: Files, folder: Path) -> Path:
    for name, data in files.items():
        if Path(name).name != name or name in {"", ".", ".."}:
            words = ("a plain file name", "Rename the file.")
            raise InputError([Fault(printable(name), "", "", "", "", *words)])
        (folder / name).write_bytes(data)
    return folder


def _check_sizes(files: Files) -> None:
    words = ("more than 5 MB", "at most 5 MB", "Is it the right file?")
    faults = [Fault(printable(name), "", "", "", *words)
              for name, data in files.items() if len(data) > MAX_BYTES]  # fmt: skip
    if faults:
        raise InputError(faults)


def _ending(name: str) -> str:
    return name.rsplit(".", 1)[-1].lower()


def is_table_only(names: Iterable[str]) -> bool:
    """Say whether only CSV files are there, so that they go into the open incident."""
    return {_ending(name) for name in names} == {"csv"}


def _title(path: Path) -> str:
    return str(tomllib.loads(path.read_text("utf-8"))["incident"]["name"])
