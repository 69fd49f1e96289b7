"""Ways to begin an exercise, and changes of one that is set up; pure of Streamlit."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.exercise.keeping import open_exercise, save_exercise
from planner.exercise.library import Sample
from planner.exercise.setup import Exercise, exercise_from, read_exercise
from planner.exercise.writing import exercise_document
from planner.files import MAX_BYTES
from planner.intake import printable
from planner.page.starts import PACKAGE
from planner.store import Command, Store

Files = Mapping[str, bytes]
Tree = dict[str, Any]


def shipped() -> dict[str, Path]:
    """Return the shipped exercises by name; wheel or checkout."""
    for folder in (PACKAGE / "scenarios", PACKAGE.parent / "scenarios"):
        if folder.is_dir():
            return {_title(path): path for path in sorted(folder.glob("*-exercise.toml"))}
    return {}


def _title(path: Path) -> str:
    return str(tomllib.loads(path.read_text("utf-8"))["exercise"]["name"])


def from_incident(incident: Mapping[str, Any], name: str) -> Exercise:
    """Return an exercise of an incident's tree with nothing set up yet.

    Raises
    ------
    InputError
        With the faults of the incident.
    """
    head = {"name": name, "incident": dict(incident)}
    return exercise_from({"schema": 1, "exercise": head})


def from_files(files: Files) -> Exercise:
    """Return the exercise of one file, with the incident and CSV files that it names.

    Raises
    ------
    InputError
        With every fault.
    """
    big = [name for name, data in files.items() if len(data) > MAX_BYTES]
    odd = [name for name in files if Path(name).name != name or name in {"", ".", ".."}]
    faults = [Fault(printable(n), "", "", "", "more than 5 MB", "at most 5 MB", "") for n in big]
    faults += [
        Fault(printable(n), "", "", "", "", "a plain file name", "Rename the file.") for n in odd
    ]
    if faults:
        raise InputError(faults)
    with TemporaryDirectory() as folder:
        for name, data in files.items():
            (Path(folder) / name).write_bytes(data)
        heads = [name for name in files if _is_head(Path(folder) / name)]
        if len(heads) != 1:
            words = ("one exercise file, with the incident that it names", "Choose one.")
            raise InputError([Fault("", "", "", "", f"{len(heads)} such files", *words)])
        return read_exercise(Path(folder) / heads[0])


def _is_head(path: Path) -> bool:
    from planner.exercise.setup import is_exercise
    from planner.files import parse_file

    if path.suffix.lower() not in {".toml", ".json"}:
        return False
    return is_exercise(parse_file(path)[0])


# ----- changes ----------------------------------------------------------------------------------


def changed(
    store: Store, document: str, base: int, command_id: str, change: Callable[[Tree], Tree]
) -> Exercise:
    """Keep an exercise with a change of its tree; once, and only on what the page showed.

    Raises
    ------
    InputError
        With every fault of what it would be; nothing was written.
    StoreError
        Somebody else wrote in between, or the store cannot be written.
    """
    tree = change(exercise_document(open_exercise(store, document), is_embedded=True))
    exercise = exercise_from(tree)
    save_exercise(store, exercise, Command(command_id, base), document)
    return exercise


def with_head(tree: Tree, head: Mapping[str, Any]) -> Tree:
    """Return a tree with values of its head changed."""
    return tree | {"exercise": {**tree["exercise"], **head}}


def with_known(tree: Tree, known: Mapping[str, Any]) -> Tree:
    """Return a tree with another start of what players know."""
    return tree | {"known": dict(known)}


def with_objective(tree: Tree, was: str | None, row: Mapping[str, Any]) -> Tree:
    """Return a tree with one more objective, or one changed; injects follow its new name."""
    rows = [dict(each) for each in tree["objectives"]]
    if was is None:
        return tree | {"objectives": [*rows, dict(row)]}
    injects = [
        {**i, "objective": row.get("name", "")} if i.get("objective") == was else i
        for i in tree["injects"]
    ]
    rows = [dict(row) if each["name"] == was else each for each in rows]
    return tree | {"objectives": rows, "injects": injects}


def without_objective(tree: Tree, name: str) -> Tree:
    """Return a tree without an objective; injects that had it have none."""
    rows = [each for each in tree["objectives"] if each["name"] != name]
    injects = [
        {k: v for k, v in i.items() if not (k == "objective" and v == name)}
        for i in tree["injects"]
    ]
    return tree | {"objectives": rows, "injects": injects}


def with_inject(tree: Tree, was: int | None, row: Mapping[str, Any]) -> Tree:
    """Return a tree with one more inject, or with one in the place of another."""
    rows = [each for each in tree["injects"] if was is None or each["number"] != was]
    return tree | {"injects": [*rows, dict(row)]}


def without_inject(tree: Tree, number: int) -> Tree:
    """Return a tree without an inject."""
    return tree | {"injects": [each for each in tree["injects"] if each["number"] != number]}


def next_number(exercise: Exercise) -> int:
    """Return a number that no inject has."""
    return max((i.number for i in exercise.injects), default=0) + 1


def row_of_sample(sample: Sample, tags: Mapping[str, str]) -> Tree:
    """Return a row for the form from an inject of the library; blanks without a tag stay."""
    whole = {name: tags.get(name) or f"{{{name}}}" for name in sample.blanks}
    done = sample.filled(whole)
    return {
        "from": done.sender, "to": done.receiver, "text": done.text, "expected": done.expected,
    }  # fmt: skip


#: What a blank of the library is filled from.
BLANKS: Final = ("patient", "cylinder", "place")


def tags_of(exercise: Exercise) -> dict[str, tuple[str, ...]]:
    """Return what the blanks of the library can be filled with."""
    incident = exercise.incident
    return {
        "patient": tuple(p.tag for p in incident.patients),
        "cylinder": tuple(c.tag for c in incident.all_cylinders),
        "place": tuple(p.name for p in incident.places),
    }
