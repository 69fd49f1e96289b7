"""An exercise: its incident, objectives, injects, what players know at the start, and its luck.

The file names the incident by a relative path; a stored exercise holds it embedded, so that it
stays what it was when the incident file is edited.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.exercise.changes import Change
from planner.exercise.checking import check_injects, check_known
from planner.exercise.injects import Condition, Inject
from planner.exercise.library import load_library
from planner.exercise.setup_fields import (
    CHANGES,
    FREE_TEXTS,
    HEAD,
    INJECTS,
    KNOWN,
    OBJECTIVES,
    TABLES,
)
from planner.fields import Table
from planner.files import incident_from, parse_file
from planner.incident import Incident
from planner.intake import Intake, Row, Unfit, listed, nearest, printable, shown, text_fault
from planner.journal.trees import free_text_fault
from planner.kinds_of_file import require_kind

SCHEMA: Final = 1
MAX_PATH: Final = 200
TOP: Final = ("schema", "exercise", "objectives", "known", "injects")


@dataclass(frozen=True, slots=True)
class Objective:
    """What players are to show; injects point to it by ``name``."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class KnownAtStart:
    """What players know before the clock runs; tags of the incident.

    Parameters
    ----------
    patients, cylinders, regulators : tuple of str
    gauges_read : tuple of str
        Cylinders whose gauge players know as the incident has it; of all others they know nothing.
    told : str
        What else they are told, in words: the call, the weather, what transport was promised.
    """

    patients: tuple[str, ...] = ()
    cylinders: tuple[str, ...] = ()
    regulators: tuple[str, ...] = ()
    gauges_read: tuple[str, ...] = ()
    told: str = ""


@dataclass(frozen=True, slots=True)
class Exercise:
    """An exercise as it is set up; nothing in it ever changes while it is run.

    Parameters
    ----------
    name : str
    incident : Incident
        The truth, as far as nothing is drawn.
    objectives : tuple of Objective
    injects : tuple of Inject
        By number.
    known : KnownAtStart
    seed : int
        Its luck: everything uncertain is drawn once from it.
    deliveries_on_request : bool
        Deliveries come only after a request, as many minutes after it as drawn.
    note : str
        For controllers.
    incident_file : str
        Relative path of the incident as the file has it; not part of what an exercise is.
    """

    name: str
    incident: Incident
    objectives: tuple[Objective, ...] = ()
    injects: tuple[Inject, ...] = ()
    known: KnownAtStart = KnownAtStart()
    seed: int = 1
    deliveries_on_request: bool = False
    note: str = ""
    incident_file: str = field(default="", compare=False)


def is_exercise(raw: Mapping[str, object]) -> bool:
    """Say whether the tree of a file is an exercise's and no incident's."""
    return "exercise" in raw


# ----- reading ----------------------------------------------------------------------------------


def read_exercise(path: str | Path) -> Exercise:
    """Read an exercise file (TOML or JSON by its ending) and the incident that it names.

    Raises
    ------
    InputError
        With every fault of both.
    """
    path = Path(path)
    raw, file = parse_file(path)
    require_kind(raw, "exercise", file)
    return exercise_from(raw, _named_incident(raw, path.parent, file), file)


def _named_incident(raw: Mapping[str, object], folder: Path, file: str) -> Incident | None:
    """Return the incident that an exercise names; None where the name itself is at fault."""
    from planner.files import read_incident

    head = raw.get("exercise")
    name = head.get("incident") if isinstance(head, Mapping) else None
    if not isinstance(name, str):
        return None  # told with the rest of the head
    parts = PurePosixPath(name.replace("\\", "/")).parts
    is_below = name and not any(p in {"..", "/"} or ":" in p for p in parts)
    if not is_below or text_fault(name, MAX_PATH):
        words = (
            shown(name), "a file in the same folder or below it",
            'Put the incident beside the exercise and write incident = "my-incident.toml".',
        )  # fmt: skip
        raise InputError([Fault(file, "exercise", "", "incident", *words)])
    return read_incident(folder.joinpath(*parts)).incident


def exercise_from(
    raw: Mapping[str, object], incident: Incident | None = None, file: str = ""
) -> Exercise:
    """Return the exercise of a plain tree.

    Parameters
    ----------
    raw : mapping
        Tree of a file; an embedded incident stands as a table in place of its path.
    incident : Incident or None
        The incident named; None where it is embedded.
    file : str
        What faults call the file.

    Raises
    ------
    InputError
        With every fault found.
    """
    intake = Intake(file)
    tree = dict(raw)
    _check_top(tree, intake)
    head_raw = tree.get("exercise")
    if isinstance(head_raw, Mapping) and isinstance(head_raw.get("incident"), Mapping):
        embedded = head_raw["incident"]
        tree["exercise"] = {k: v for k, v in head_raw.items() if k != "incident"}
        incident = incident if incident is not None else _embedded(embedded, file, intake)
    head, head_texts = _single(HEAD, tree, intake)
    if incident is None and not intake.faults:
        words = ("nothing", "an incident", 'Write incident = "my-incident.toml".')
        intake.add(Fault(file, "exercise", "", "incident", *words))
    objectives = [
        Objective(row.get("name") or "", texts.get("text", ""))
        for row, texts in _many(OBJECTIVES, tree, intake)
    ]
    _check_unique("objectives", "name", [o.name for o in objectives], intake)
    nothing = _nothing_known(tree)
    known_row, known_texts = _single(KNOWN, tree, intake)
    injects = list(_injects(tree, {o.name for o in objectives}, intake))
    if incident is not None:
        check_known(known_row, incident, intake)
        check_injects(injects, incident, intake)
    if intake.faults or incident is None:
        raise InputError(list(dict.fromkeys(intake.faults)))
    return Exercise(
        name=head.get("name"), incident=incident, objectives=tuple(objectives),
        injects=tuple(sorted(injects, key=lambda i: i.number)),
        known=replace(_known(known_row, known_texts.get("told", ""), incident), **nothing),
        seed=head.get("seed"), deliveries_on_request=head.get("deliveries_on_request"),
        note=head_texts.get("note", ""), incident_file=head.get("incident") or "",
    )  # fmt: skip


def _check_top(tree: dict[str, object], intake: Intake) -> None:
    schema = tree.get("schema")
    if schema != SCHEMA or isinstance(schema, bool):
        intake.note("", "", "schema", schema, Unfit("schema = 1", "Put schema = 1 on top."))
    for name in [name for name in tree if name not in TOP]:
        hint = nearest(name, TOP) or f"Known tables: {listed(TABLES)}."
        intake.note("", "", printable(name), tree.pop(name), Unfit("a known table", hint))


def _embedded(tree: Mapping[str, object], file: str, intake: Intake) -> Incident | None:
    try:
        return incident_from(tree, file).incident
    except InputError as error:
        intake.faults.extend(error.faults)
        return None


def _single(table: Table, tree: Mapping[str, object], intake: Intake) -> tuple[Row, dict[str, str]]:
    raw = tree.get(table.name, {})
    if not isinstance(raw, Mapping):
        unfit = Unfit("one table", f"Write it as [{table.name}].")
        intake.note(table.name, "", "", raw, unfit)
        raw = {}
    return _row(table, raw, "", intake)


def _many(
    table: Table, tree: Mapping[str, object], intake: Intake
) -> Iterator[tuple[Row, dict[str, str]]]:
    raw = tree.get(table.name, [])
    shape = Unfit(f"rows of {table.name}", f"Write each as [[{table.name}]].")
    if not isinstance(raw, list):
        intake.note(table.name, "", "", raw, shape)
        return
    for index, item in enumerate(raw, 1):
        if not isinstance(item, Mapping):
            intake.note(table.name, f"#{index}", "", item, shape)
            continue
        yield _row(table, item, f"#{index}", intake)


def _row(
    table: Table, raw: Mapping[str, object], label: str, intake: Intake
) -> tuple[Row, dict[str, str]]:
    """Read a row, and beside it the texts in people's own words."""
    free = FREE_TEXTS.get(table.name, ())
    row = intake.row(table, {k: v for k, v in raw.items() if k not in free}, label)
    texts = {}
    for name in free:
        if name not in raw:
            continue
        value = raw[name]
        bad = free_text_fault(value) if isinstance(value, str) else ("a text", "Put it in quotes.")
        if bad:
            intake.add(Fault(intake.file, table.name, row.label, name, shown(value), *bad))
        elif isinstance(value, str):
            texts[name] = value.strip()
    return row, texts


def _check_unique(table: str, name: str, values: Iterable[object], intake: Intake) -> None:
    seen: set[object] = set()
    for value in values:
        if value in seen:
            words = (shown(value), "each once", "Give the second one another.")
            intake.add(Fault(intake.file, table, str(value), name, *words))
        seen.add(value)


# ----- injects ----------------------------------------------------------------------------------


def _injects(tree: Mapping[str, object], objectives: set[str], intake: Intake) -> Iterator[Inject]:
    raw = tree.get("injects", [])
    if not isinstance(raw, list) or not all(isinstance(item, Mapping) for item in raw):
        unfit = Unfit("rows of injects", "Write each as [[injects]].")
        intake.note("injects", "", "", raw, unfit)
        return
    found = [_inject(item, index, objectives, intake) for index, item in enumerate(raw, 1)]
    _check_unique("injects", "number", [i.number for i in found if i is not None], intake)
    yield from (inject for inject in found if inject is not None)


def inject_from(raw: Mapping[str, object], intake: Intake, objectives: set[str]) -> Inject | None:
    """Return the inject of one stored row, an improvised one's number included."""
    number = raw.get("number")
    found = _inject({**raw, "number": 1}, 1, objectives, intake)
    return replace(found, number=number) if found is not None and type(number) is int else None


def improvised_from(
    raw: Mapping[str, object], intake: Intake, objectives: set[str]
) -> Inject | None:
    """Return the inject of a row without its number; None with its faults in the intake."""
    return _inject({**raw, "number": 1}, 1, objectives, intake)


def _inject(
    raw: Mapping[str, object], index: int, objectives: set[str], intake: Intake
) -> Inject | None:
    before = len(intake.faults)
    number = raw.get("number")
    label = f"inject {number}" if isinstance(number, int) else f"#{index}"
    plain = {k: v for k, v in raw.items() if k not in {"changes", "fill"}}
    row, texts = _row(INJECTS, plain, label, intake)
    sample = _sample(row, raw.get("fill", {}), intake)
    changes = tuple(_changes(raw.get("changes", []), row.label, intake))
    words = {name: texts.get(name) or sample.get(name, "") for name in ("text", "expected")}
    words |= {name: row.get(name) or sample.get(name, "") for name in ("from", "to")}
    for name in ("from", "to", "text"):
        if not words[name] and name not in raw:
            told = ("nothing", "a text", "Add it, or take it from the library.")
            intake.add(Fault(intake.file, "injects", row.label, name, *told))
    objective = row.get("objective") or ""
    if objective and objective not in objectives:
        mend = nearest(objective, objectives) or f"Known: {listed(sorted(objectives)) or 'none'}."
        told = (shown(objective), "the name of an objective", mend)
        intake.add(Fault(intake.file, "injects", row.label, "objective", *told))
    condition = _condition(row, intake)
    if len(intake.faults) > before:
        return None
    return Inject(
        row.get("number"), words["text"], words["from"], words["to"], row.get("at_min"),
        condition, row.get("by") or "", words["expected"], objective, changes,
    )  # fmt: skip


def _sample(row: Row, fill: object, intake: Intake) -> dict[str, str]:
    """Return the texts of an inject of the library with its blanks filled in."""
    name = row.get("library")
    if name is None:
        return {}
    library = load_library()
    sample = library.get(name)
    if sample is None:
        mend = nearest(name, list(library)) or f"Known: {listed(library)}."
        told = (shown(name), "the name of an inject of the library", mend)
        intake.add(Fault(intake.file, "injects", row.label, "library", *told))
        return {}
    tags = fill if isinstance(fill, Mapping) else {}
    good = {k: v.strip() for k, v in tags.items() if isinstance(v, str) and not text_fault(v, 60)}
    missing = sorted(sample.blanks - set(good))
    if missing:
        example = ", ".join(f'{name} = "..."' for name in missing)
        told = (shown(fill), f"a tag for each of {', '.join(missing)}",
                f"Write fill = {{ {example} }}.")  # fmt: skip
        intake.add(Fault(intake.file, "injects", row.label, "fill", *told))
        return {}
    done = sample.filled(good)
    return {
        "from": done.sender, "to": done.receiver, "text": done.text, "expected": done.expected,
    }  # fmt: skip


def _condition(row: Row, intake: Intake) -> Condition | None:
    """Return the condition.

    An inject has a minute or a condition, and a condition all of its parts.
    """
    has_minute, when = "at_min" in row.raw_names, row.get("when")
    if has_minute == ("when" in row.raw_names):
        told = (
            "both" if has_minute else "neither", "one of at_min and when", "Say when it is due."
        )  # fmt: skip
        intake.add(Fault(intake.file, "injects", row.label, "at_min", *told))
    if when is None:
        return None
    needed = ("minutes",) if when == "without oxygen for" else ("minutes", "event")
    for name in needed:
        if name not in row.raw_names:
            told = ("nothing", f"something there when the condition is {when!r}", "Add it.")
            intake.add(Fault(intake.file, "injects", row.label, name, *told))
    return Condition(when, row.get("minutes") or 0.0, row.get("event") or "")


def _changes(raw: object, label: str, intake: Intake) -> Iterator[Change]:
    for row in intake.rows(CHANGES, raw, label):
        if row.get("kind") is None or row.get("tag") is None:
            continue
        values = {name: row.get(name) for name in row.raw_names if name not in {"kind", "tag"}}
        yield Change(row.get("kind"), row.get("tag"), **values)


# ----- what is known ----------------------------------------------------------------------------


def _known(row: Row, told: str, incident: Incident) -> KnownAtStart:
    there = tuple(
        p.tag for p in incident.patients if p.chance_needed >= 1 and p.oxygen_from.p90_min <= 0
    )

    return KnownAtStart(
        patients=row.get("patients") or there,
        cylinders=row.get("cylinders") or tuple(c.tag for c in incident.cylinders_here),
        regulators=row.get("regulators") or tuple(r.tag for r in incident.regulators),
        gauges_read=row.get("gauges_read") or (),
        told=told,
    )


def _nothing_known(tree: dict[str, object]) -> dict[str, Any]:
    """Take empty lists out of what is known: nothing of that kind, where none given means all."""
    known = tree.get("known")
    if not isinstance(known, Mapping):
        return {}
    empty = [name for name in ("patients", "cylinders", "regulators") if known.get(name) == []]
    tree["known"] = {name: value for name, value in known.items() if name not in empty}
    return dict.fromkeys(empty, ())
