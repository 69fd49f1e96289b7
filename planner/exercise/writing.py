"""An exercise and its injects as plain trees and as files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from planner.document import incident_document
from planner.exercise.changes import Change
from planner.exercise.injects import Inject
from planner.exercise.setup import SCHEMA, Exercise
from planner.files import write_text
from planner.journal.trees import plain_number
from planner.units import Pressure


def exercise_document(exercise: Exercise, *, is_embedded: bool = False) -> dict[str, Any]:
    """Return the tree of an exercise's file.

    Embedded, it holds the incident in place of its path.
    """
    head: dict[str, Any] = {"name": exercise.name}
    if is_embedded:
        head["incident"] = incident_document(exercise.incident)
    elif exercise.incident_file:
        head["incident"] = exercise.incident_file
    head["seed"] = exercise.seed
    head["deliveries_on_request"] = exercise.deliveries_on_request
    if exercise.note:
        head["note"] = exercise.note
    known = {
        name: list(value) if isinstance(value, tuple) else value
        for name in ("patients", "cylinders", "regulators", "gauges_read", "told")
        if (value := getattr(exercise.known, name))
        or name in ("patients", "cylinders", "regulators")
    }
    return {
        "schema": SCHEMA,
        "exercise": head,
        "objectives": [_texts(("name", o.name), ("text", o.text)) for o in exercise.objectives],
        "known": known,
        "injects": [inject_document(inject) for inject in exercise.injects],
    }


def inject_document(inject: Inject) -> dict[str, Any]:
    """Return an inject as a row of the file."""
    row: dict[str, Any] = {"number": inject.number}
    if inject.at_min is not None:
        row["at_min"] = plain_number(inject.at_min)
    if inject.condition is not None:
        row |= {"when": inject.condition.when, "minutes": plain_number(inject.condition.minutes)}
        row |= _texts(("event", inject.condition.event))
    row |= _texts(
        ("from", inject.sender), ("to", inject.receiver), ("by", inject.deliverer),
        ("text", inject.text), ("expected", inject.expected), ("objective", inject.objective),
    )  # fmt: skip
    if inject.changes:
        row["changes"] = [_change_row(change) for change in inject.changes]
    return row


def _change_row(change: Change) -> dict[str, Any]:
    row: dict[str, Any] = {"kind": change.kind, "tag": change.tag}
    for name in ("gauge", "triage", "indication", "spo2", "minutes", "flow_lpm"):
        value = getattr(change, name)
        if isinstance(value, Pressure):
            row[f"{name}_{value.unit}"] = plain_number(value.value)
        elif value is not None:
            row[name] = plain_number(value) if isinstance(value, float) else value
    return row


def _texts(*pairs: tuple[str, str]) -> dict[str, str]:
    return {name: text for name, text in pairs if text}


def exercise_text(exercise: Exercise) -> str:
    """Return an exercise as the text of a TOML file that reads back as the same."""
    import tomli_w

    return tomli_w.dumps(exercise_document(exercise))


def write_exercise(exercise: Exercise, path: str | Path) -> None:
    """Write an exercise file whole or not at all; it names its incident by ``incident_file``."""
    write_text(path, exercise_text(exercise))


def with_incident_file(exercise: Exercise, name: str) -> Exercise:
    """Return it naming its incident by another relative path."""
    return replace(exercise, incident_file=name)
