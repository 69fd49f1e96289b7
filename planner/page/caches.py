"""Studies of caches in the store, and what was worked out for them; nothing here knows Streamlit.

A study's document holds the raw tree of its file. What was worked out is a document of its own; an
event on the study says which was made from which revision.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from planner.cache.reading import study_from
from planner.cache.study import Study
from planner.cache.study_document import study_document
from planner.errors import Fault, InputError
from planner.files import MAX_BYTES, parse_text, read_incident
from planner.intake import printable
from planner.page.starts import PACKAGE
from planner.store import Command, Revision, Store, new_command_id

ANSWERED: Final = "cache worked out"
Tree = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class KeptAnswer:
    """What was worked out last, from which revision, and whether the study is still that one."""

    tree: Mapping[str, Any]
    study_revision: int
    is_current: bool


def folder() -> Path:
    """Return where the shipped studies are, and the incident files that they name."""
    for found in (PACKAGE / "scenarios", PACKAGE.parent / "scenarios"):
        if found.is_dir():
            return found
    return Path()


def shipped() -> dict[str, Path]:
    """Return the shipped studies of one cache or a few by name; those of a region are not here."""
    found = {}
    for path in sorted(folder().glob("*-study.toml")):
        tree = tomllib.loads(path.read_text("utf-8"))
        if "region" not in tree:
            found[str(tree["study"]["name"])] = path
    return found


@cache
def known_incidents() -> dict[str, str]:
    """Return the shipped incident files that a study may name, each with its first place."""
    found = {}
    for path in sorted(folder().glob("*.toml")):
        if path.stem.endswith(("-study", "-exercise")):
            continue
        found[path.name] = read_incident(path).incident.places[0].name
    return found


def study_of(tree: Tree) -> Study:
    """Return the study of a tree.

    Raises
    ------
    InputError
        With every fault.
    """
    return study_from(dict(tree), folder())


def begin_from_file(store: Store, name: str, data: bytes, command_id: str) -> Revision:
    """Keep the study of a file.

    Raises
    ------
    InputError
        With every fault; nothing is written.
    """
    raw = parsed(name, data)
    study = study_from(raw, folder(), printable(name))
    return begin(store, study_document(study), command_id)


def parsed(name: str, data: bytes) -> dict[str, Any]:
    """Return the raw tree of a file's bytes.

    Raises
    ------
    InputError
    """
    if len(data) > MAX_BYTES:
        words = ("more than 5 MB", "at most 5 MB", "Is it the right file?")
        raise InputError([Fault(printable(name), "", "", "", *words)])
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError([Fault(printable(name), "", "", "", "", "text in UTF-8", "")]) from None
    return parse_text(text, printable(name), name.lower().endswith(".json"))


def begin(store: Store, tree: Tree, command_id: str) -> Revision:
    """Keep a new study.

    Raises
    ------
    InputError
    """
    study = study_of(tree)
    return store.create("study", study.name, study_document(study), command_id, note="begun")


def bare(name: str) -> dict[str, Any]:
    """Return a study with as little in it as works: one family, one size, one of all else.

    Its numbers are placeholders to be changed (our own, no source).
    """
    return {
        "schema": 1,
        "study": {"name": name},
        "limits": {"load_kg": 20.0, "pack_kg": 2.0},
        "caches": [{"name": "cache", "carriers": 3}],
        "families": [{
            "name": "incident", "weight": 1.0, "num_patients": {"counts": [1, 2],
            "chances": [0.7, 0.3]}, "air_temperature_c": 0.0, "responders": 3,
            "spots": [{"name": "spot", "arrive_min": {"cache": 20.0}}],
            "people": [{"share": 1.0, "triage": "immediate", "indication": "major trauma",
                        "transfer_min": [45.0, 60.0, 90.0]}],
        }],
        "items": [
            {"name": "jumbo D", "kind": "cylinder", "size": "jumbo D", "price": 0.0, "most": 12},
            {"name": "regulator", "kind": "regulator", "connection": "CGA 870", "mass_kg": 0.6,
             "settings_lpm": [1, 2, 3, 4, 6, 8, 10, 12, 15], "most": 8},
            {"name": "reservoir mask", "kind": "device", "device": "non-rebreather",
             "mass_kg": 0.12, "most": 8},
            {"name": "simple mask", "kind": "device", "device": "simple mask", "mass_kg": 0.08,
             "most": 8},
        ],
    }  # fmt: skip


def change(
    store: Store, document: str, base: int, command_id: str,
    make: Callable[[dict[str, Any]], dict[str, Any]],
) -> Revision:  # fmt: skip
    """Keep a changed study, once, and only on the revision that the page showed.

    Raises
    ------
    InputError
        With every fault of what it would be; nothing was written.
    StoreError
    """
    tree = make(deepcopy(dict(store.revision(document, base).tree)))
    study = study_of(tree)
    tree = study_document(study)
    return store.write(document, tree, Command(command_id, base), name=study.name, note="edited")


def keep_answer(store: Store, study: str, revision: int, tree: Tree) -> None:
    """Keep what was worked out from a revision of a study."""
    made = store.create("plan", store.revision(study, revision).name, tree, new_command_id())
    event = {"kind": ANSWERED, "answer": made.document, "study_revision": revision}
    store.append(study, event, Command(new_command_id(), 0), is_anywhere=True)


def latest_answer(store: Store, study: str) -> KeptAnswer | None:
    """Return what was worked out last for a study; None when nothing was yet."""
    events = [event.tree for event in store.events(study)]
    last = next((tree for tree in reversed(events) if tree.get("kind") == ANSWERED), None)
    if last is None:
        return None
    made_from = store.revision(study, last["study_revision"])
    is_current = made_from.digest == store.revision(study).digest
    return KeptAnswer(store.revision(last["answer"]).tree, made_from.number, is_current)
