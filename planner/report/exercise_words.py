"""An exercise in words: injects and what they change, the truth as drawn, what players know."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from planner.exercise.changes import Change
from planner.exercise.injects import AFTER, NO_ENTRY, Inject
from planner.exercise.luck import Luck, luck_of
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.exercise.truth import truth_at, with_news
from planner.incident import Patient, Resupply
from planner.report.view import Grid
from planner.report.words import TITLES, counted, joined, runs, when
from planner.units import Pressure

NEVER: Final = "never, in this course"


@dataclass(frozen=True, slots=True)
class InjectRow:
    """An inject in words; ``given`` is its clock time in the run, empty where it was not."""

    number: int
    when: str
    sender: str
    receiver: str
    text: str
    expected: str
    objective: str
    deliverer: str
    changes: tuple[str, ...]
    given: str = ""


def inject_rows(exercise: Exercise, run: Run) -> tuple[InjectRow, ...]:
    """Return the injects by when they are due; those without a time of their own come last."""
    start = exercise.incident.start
    given = {g.inject.number: when(start, g.minute) for g in run.given}
    return tuple(
        InjectRow(
            i.number, when_words(i, start), i.sender, i.receiver, i.text, i.expected, i.objective,
            i.deliverer, tuple(change_words(c) for c in i.changes), given.get(i.number, ""),
        )
        for i in sorted(exercise.injects, key=_order)
    )  # fmt: skip


def _order(inject: Inject) -> tuple[float, int]:
    if inject.at_min is not None:
        return inject.at_min, inject.number
    condition = inject.condition
    has_minute = condition is not None and condition.when == NO_ENTRY
    return (condition.minutes if condition and has_minute else math.inf), inject.number


def when_words(inject: Inject, start: datetime) -> str:
    """Return when an inject is due: clock time and minute, or the condition."""
    if inject.at_min is not None:
        return f"{when(start, inject.at_min)} (minute {inject.at_min:g})"
    condition = inject.condition
    if condition is None:
        return ""
    if condition.when == NO_ENTRY:
        at = when(start, condition.minutes)
        return f"{at} (minute {condition.minutes:g}), if no '{condition.event}' is written by then"
    if condition.when == AFTER:
        return f"{condition.minutes:g} min after '{condition.event}' is written"
    return f"when somebody has been without oxygen for {condition.minutes:g} min"


def change_words(change: Change) -> str:  # noqa: PLR0911 - one a kind
    """Return what a change makes so in truth."""
    tag = change.tag
    match change.kind:
        case "gauge is":
            return f"{tag}: true gauge is {_plain(change.gauge)}"
        case "patient is":
            reads = None if change.spo2 is None else f"SpO2 {change.spo2:g} %"
            more = [t for t in (change.indication, reads) if t]
            return ", ".join([f"{tag} is {TITLES.get(change.triage or '', '')}", *more])
        case "patient dies":
            return f"{tag} dies"
        case "patient found":
            return f"{tag} is there"
        case "transport later" | "delivery later":
            what = tag if change.kind == "transport later" else f"delivery {tag}"
            by = change.minutes or 0.0
            return f"{what} {abs(by):g} min {'later' if by >= 0 else 'sooner'}"
        case "regulator broken" | "regulator gone":
            word = "is broken" if change.kind == "regulator broken" else "is gone"
            return f"{tag} {word}: whoever is on it gets nothing"
        case "dial stuck":
            return f"{tag} gives {change.flow_lpm or 0.0:g} L/min whatever is set"
        case "responder out":
            return f"{tag} is out: two hands fewer"
        case "key gone":
            return f"one key fewer at {tag}"
        case "radio silent":
            return f"no radio at {tag} for {change.minutes or 0.0:g} min"


def _plain(gauge: Pressure | None) -> str:
    return "" if gauge is None else f"{gauge.value:g} {gauge.unit}"


# ----- the truth --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NewsRow:
    """What the controller tells, as drawn: at which clock time, and what."""

    when: str
    text: str


def luck_in(exercise: Exercise, run: Run) -> Luck:
    """Return the luck as it stands with what the run has changed."""
    return with_news(exercise, run, run.minute, luck_of(exercise.incident, exercise.seed))


def news_rows(exercise: Exercise, run: Run) -> tuple[NewsRow, ...]:
    """Return who is found, who leaves with which transport and what is delivered, by the clock."""
    luck, start = luck_in(exercise, run), exercise.incident.start
    rows: list[tuple[float, str]] = []
    at_start: list[str] = []
    for patient in exercise.incident.patients:
        found, leaves = luck.found_min[patient.tag], luck.transfer_min[patient.tag]
        if not comes(patient, luck):
            continue
        if found <= 0:
            at_start.append(patient.tag)
        else:
            seen = f"{TITLES[patient.triage]}, {patient.indication or 'no indication'}"
            rows.append((found, f"{patient.tag} is there, at {patient.place}: {seen}"))
        if leaves < math.inf:
            by = transport_words(exercise, patient)
            rows.append((leaves, f"{patient.tag} is taken over{f' by {by}' if by else ''}"))
    if at_start:
        word = "is" if len(at_start) == 1 else "are"
        rows.append((0.0, f"{joined(runs(at_start))} {word} there from the start"))
    told = [NewsRow(when(start, at), text) for at, text in sorted(rows)]
    return (*told, *_deliveries(exercise, luck, run))


def _deliveries(exercise: Exercise, luck: Luck, run: Run) -> Iterator[NewsRow]:
    is_asked = exercise.deliveries_on_request and not math.isfinite(min(luck.resupply_min,
                                                                        default=0.0))  # fmt: skip
    drawn = luck_of(exercise.incident, exercise.seed).resupply_min
    for number, supply in enumerate(exercise.incident.resupply):
        at = drawn[number] if is_asked else luck.resupply_min[number]
        clock = NEVER if at == math.inf else when(exercise.incident.start, at)
        if is_asked and at < math.inf:
            clock = f"{at:.0f} min after the first request"
        yield NewsRow(clock, f"delivery {number + 1} is at {supply.place}: {_brought(supply)}")


def _brought(supply: Resupply) -> str:
    tags = [*runs(c.tag for c in supply.cylinders), *runs(r.tag for r in supply.regulators)]
    return joined([*tags, *(f"{d.count} {d.kind}" for d in supply.devices)]) or "nothing"


def comes(patient: Patient, luck: Luck) -> bool:
    """Say whether somebody is there at all in this course; gone at once counts as never there."""
    found = luck.found_min[patient.tag]
    return found < math.inf and (
        luck.transfer_min[patient.tag] > found or patient.triage == "dead"
    )  # fmt: skip


def transport_words(exercise: Exercise, patient: Patient) -> str:
    """Return by what somebody is taken over."""
    names = [v.name for v in exercise.incident.vehicles_of(patient)]
    group = [] if patient.transfer_group is None else [patient.transfer_group]
    return " or ".join(dict.fromkeys([*group, *names]))


def people_grid(exercise: Exercise, run: Run) -> Grid:
    """Return everybody in truth, also those players do not know of."""
    truth, luck, start = truth_at(exercise, run), luck_in(exercise, run), exercise.incident.start
    known = set(exercise.known.patients)
    rows = []
    for person in truth.patients:
        patient, there = person.patient, comes(person.patient, luck)
        found, leaves = luck.found_min[patient.tag], luck.transfer_min[patient.tag]
        reads = "" if patient.spo2 is None else f", SpO2 {patient.spo2:g} %"
        goes = "" if not there else NEVER if leaves == math.inf else when(start, leaves)
        by = transport_words(exercise, patient)
        rows.append((
            patient.tag, TITLES[patient.triage], person.place,
            f"{patient.indication or 'no indication'}{reads}",
            when(start, max(0.0, found)) if there else NEVER,
            f"{goes}{f' ({by})' if by and goes not in {'', NEVER} else ''}",
            "yes" if patient.tag in known else "no",
        ))  # fmt: skip
    heads = ("Tag", "Category", "Place", "What is so", "There from", "Taken over", "Players know")
    return Grid("People, as drawn", heads, tuple(rows))


def kit_lines(exercise: Exercise, run: Run) -> tuple[str, ...]:
    """Return regulators with what they really give, masks and hands, by place."""
    truth, luck = truth_at(exercise, run), luck_in(exercise, run)
    valves = [
        f"{r.tag} ({r.place or 'to arrive'}): {10 * luck.flow_factor[r.tag]:.1f}"
        for r in truth.regulators
    ]
    masks: dict[tuple[str, str, str], int] = {}
    for mask in truth.masks:
        key = (mask.place or "to arrive", mask.kind, mask.age)
        masks[key] = masks.get(key, 0) + 1
    held = [f"{n} {kind} ({age}) at {place}" for (place, kind, age), n in masks.items()]
    hands: dict[str, list[str]] = {}
    for hand in truth.hands:
        hands.setdefault(hand.place, []).append(hand.tag)
    who = [f"{joined(runs(tags))} at {place}" for place, tags in hands.items()]
    told = (
        f"What 10 on the dial really gives, L/min: {'; '.join(valves)}." if valves else "",
        f"Masks and cannulas: {'; '.join(held)}." if held else "",
        f"Hands: {'; '.join(who)}." if who else "",
    )
    return tuple(text for text in told if text)


# ----- what players know ------------------------------------------------------------------------


def known_grids(known: Mapping[str, Any]) -> dict[str, Grid]:
    """Return what players know as tables, from their tree and nothing else.

    Parameters
    ----------
    known : mapping
        See :func:`planner.exercise.known.known_to_players`.
    """
    people = tuple(_known_person(row) for row in known["patients"])
    bottles = tuple(
        (c["tag"], c.get("size", ""), c.get("connection", ""), c["place"], c["status"], c["gauge"])
        for c in known["cylinders"]
    )
    valves = tuple(
        (r["tag"], r["connection"], r["place"], settings(r["settings_lpm"]),
         joined(r["on"]) or "nobody")
        for r in known["regulators"]
    )  # fmt: skip
    seen = ("Tag", "Category", "Age", "Place", "What is seen", "Status", "On")
    return {
        "patients": Grid("Patients", seen, people),
        "cylinders": Grid("Cylinders", ("Tag", "Size", "Connection", "Place", "Status", "Gauge"),
                          bottles),
        "regulators": Grid("Regulators", ("Tag", "Connection", "Place", "Settings, L/min", "On"),
                           valves),
    }  # fmt: skip


def settings(flows: list[float]) -> str:
    """Return the settings of a dial."""
    return ", ".join(f"{flow:g}" for flow in flows)


def _known_person(row: Mapping[str, Any]) -> tuple[str, ...]:
    reads = "" if row.get("spo2") is None else f"SpO2 {row['spo2']:g} %"
    on = row["on"]
    flow = "" if not on or on["flow_lpm"] is None else f" at {on['flow_lpm']:g} L/min"
    # On paper nobody looks again: "not there yet" would be read long after it has become untrue.
    status = row["status"].removesuffix(", not there yet")
    return (
        row["tag"], TITLES.get(row.get("triage", ""), ""), row.get("age", ""), row["place"],
        "; ".join(t for t in (row.get("indication", ""), reads) if t), status,
        f"{on['cylinder']}{flow}" if on else "-",
    )  # fmt: skip


def head_line(exercise: Exercise) -> str:
    """Return when it starts, how much it holds, and which luck is drawn."""
    people = counted(len(exercise.incident.patients), "patient")
    injects = counted(len(exercise.injects), "inject")
    return (
        f"Starts {exercise.incident.start:%H:%M}. {people}, {injects}. Luck number {exercise.seed}."
    )
