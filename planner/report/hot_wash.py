"""The hot wash in words: facts by objective and category; no score, no ranking, nobody's fault."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import StringIO
from typing import Any, Final

from planner.banner import BANNER
from planner.exercise.after import HotWash, InjectFact, ObjectiveRow, RequestFact
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.journal.events import WORDS, LogEntry
from planner.report.sheets import template
from planner.report.text import console_to, grid, lines, section
from planner.report.view import Grid
from planner.report.words import TITLES, counted, minutes, when

ABOUT: Final = (
    "About the system, not about people: no score, no ranking. What went well, what was missing, "
    "who takes it on and until when is for those who were there to say."
)
ONE_LUCK: Final = (
    "In truth, by this one course of luck. Who lacked oxygen is counted from when it was indicated;"
    " players could not see it all."
)
BLANKS: Final = ("Strengths", "Gaps", "Owner (role)", "By (date)")


@dataclass(frozen=True, slots=True)
class Told:
    """The facts of an evening, with what their words need.

    Parameters
    ----------
    exercise : Exercise
    run : Run
    wash : HotWash
        From :func:`planner.exercise.after.hot_wash` of the two.
    notes : tuple of str
        What is to be said besides, such as injects that no log names.
    doubts : tuple of str
        Doubts in logs that were typed in.
    """

    exercise: Exercise
    run: Run
    wash: HotWash
    notes: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def start(self) -> datetime:
        """Clock time of minute 0."""
        return self.exercise.incident.start

    def entry(self, name: str | None) -> LogEntry | None:
        """Return the log's entry of an id."""
        return next((e for e in self.run.log if e.id == name), None)


def fact_lines(told: Told) -> Iterator[str]:
    """Yield the facts that stand in no table."""
    wash, start = told.wash, told.start
    yield f"Up to {when(start, wash.until_min)}, minute {wash.until_min:.0f}. {ONE_LUCK}"
    if wash.first_out_min is None:
        yield "Nobody lacked oxygen."
    else:
        yield (
            f"Somebody first lacked oxygen at {when(start, wash.first_out_min)}; all who did would "
            f"have breathed {wash.short_l:,.0f} L more at their first-choice flow."
        )
    swaps = counted(len(wash.swaps), "change of cylinder", "changes of cylinder")
    late = f", {wash.late_swaps} late" if wash.swaps or wash.late_swaps else ""
    yield f"{swaps}{late}; {wash.left_at_swaps_l:,.0f} L left in what came off."
    for request in wash.requests:
        yield _request(request, start)
    if not wash.requests:
        yield "No request is in the log."


def _request(request: RequestFact, start: datetime) -> str:
    number = "" if request.count is None else f"{request.count} "
    items = request.items.removeprefix("requested").strip() or "what, is not in the log"
    asked = f"Asked for at {when(start, request.at_min)}: {number}{items}"
    if request.first_out_min is None:
        return f"{asked}."
    by = request.at_min - request.first_out_min
    words = "before" if by < 0 else "after"
    return f"{asked}, {minutes(abs(by))} {words} somebody first lacked oxygen."


def category_grid(wash: HotWash) -> Grid:
    """Return a row for each category, in triage order."""
    heads = ("Category", "People", "Needed oxygen", "Minutes without", "Late changes")
    rows = tuple(
        (TITLES[c.triage], str(c.people), str(c.with_need), f"{c.minutes_out:.1f}",
         str(c.late_swaps))
        for c in wash.by_category
    )  # fmt: skip
    return Grid("By category, in truth", heads, rows, frozenset({1, 2, 3, 4}))


def swaps_grid(told: Told) -> Grid:
    """Return the changes of cylinder with what was left in them."""
    heads = ("At", "Patient", "Off", "On", "Left, psi", "Left, L", "Late")
    rows = tuple(
        (when(told.start, s.at_min), s.patient, s.off, s.on, f"{s.left_psi:.0f}",
         f"{s.left_l:.0f}", minutes(s.late_min) if s.late_min > 0 else "in time")
        for s in told.wash.swaps
    )  # fmt: skip
    return Grid("Changes of cylinder, in truth", heads, rows, frozenset({4, 5, 6}))


def inject_line(told: Told, fact: InjectFact) -> str:
    """Return an inject that was given, and what was first decided on it after how long."""
    given = fact.given
    said = f"Inject {given.inject.number}, given {when(told.start, given.minute)}"
    said += f": '{given.inject.text}'"
    entry = told.entry(fact.answer)
    if fact.answered_after_min is None or entry is None:
        return f"{said} No decision on it is in the log."
    return f"{said} First decision after {minutes(fact.answered_after_min)}: {_deed(entry)}."


def _deed(entry: LogEntry) -> str:
    names = ("patient", "cylinder", "regulator")
    tags = [str(tag) for name in names if (tag := getattr(entry.event, name, None)) is not None]
    return ", ".join([WORDS[type(entry.event)], *tags])


def objective_title(row: ObjectiveRow) -> str:
    """Return an objective's name and text."""
    return f"{row.name}: {row.text}" if row.name else row.text.capitalize()


def not_named_lines(numbers: Sequence[int]) -> tuple[str, ...]:
    """Return what is said of injects that no log names."""
    if not numbers:
        return ()
    listed = ", ".join(str(n) for n in numbers)
    word = "Inject" if len(numbers) == 1 else "Injects"
    return (f"{word} {listed}: in no log, so counted as not given.",)


def hot_wash_text(told: Told) -> str:
    """Return the hot wash for a terminal."""
    out = StringIO()
    console = console_to(out)
    lines(console, (BANNER, f"Hot wash: {told.exercise.name}", ABOUT, ""))
    section(console, "Facts", fact_lines(told))
    grid(console, category_grid(told.wash))
    if told.wash.swaps:
        grid(console, swaps_grid(told))
    for row in told.wash.objectives:
        section(console, objective_title(row), _objective_lines(told, row))
    section(console, "Notes", told.notes)
    section(console, "Doubts in the logs, with the reading taken", told.doubts)
    lines(console, (BANNER,))
    return out.getvalue()


def _objective_lines(told: Told, row: ObjectiveRow) -> Iterator[str]:
    yield from (inject_line(told, fact) for fact in row.injects)
    if not row.injects:
        yield "None of its injects was given."
    filled = (*row.strengths, *row.gaps, row.owner, row.due)
    if any(filled):
        pairs = zip(BLANKS, _filled(row), strict=True)
        yield from (f"{head}: {text}" for head, text in pairs if text)


def _filled(row: ObjectiveRow) -> tuple[str, ...]:
    return "; ".join(row.strengths), "; ".join(row.gaps), row.owner, row.due


def hot_wash_html(told: Told) -> str:
    """Return the hot wash for paper: by objective, with blanks to fill in, then the facts."""
    return template("exercise_after.html.j2").render(
        banner=BANNER,
        title=f"Hot wash: {told.exercise.name}",
        stamp=f"{told.exercise.name} \u00b7 {told.start:%d %b %Y}",
        about=ABOUT,
        facts=list(fact_lines(told)),
        categories=category_grid(told.wash),
        swaps=swaps_grid(told),
        blanks=BLANKS,
        objectives=[
            (objective_title(row), [inject_line(told, f) for f in row.injects], _filled(row))
            for row in told.wash.objectives
        ],
        notes=told.notes,
        doubts=told.doubts,
    )


def hot_wash_result(told: Told) -> dict[str, Any]:
    """Return the hot wash as plain data."""
    wash = told.wash
    return {
        "schema": 1, "kind": "exercise hot wash", "banner": BANNER,
        "exercise": told.exercise.name, "seed": told.exercise.seed,
        "until_min": wash.until_min, "first_out_min": wash.first_out_min, "short_l": wash.short_l,
        "late_swaps": wash.late_swaps, "left_at_swaps_l": wash.left_at_swaps_l,
        "by_category": [
            {"triage": c.triage, "people": c.people, "with_need": c.with_need,
             "minutes_out": c.minutes_out, "late_swaps": c.late_swaps}
            for c in wash.by_category
        ],
        "swaps": [
            {"at_min": s.at_min, "patient": s.patient, "off": s.off, "on": s.on,
             "left_psi": s.left_psi, "left_l": s.left_l, "late_min": s.late_min}
            for s in wash.swaps
        ],
        "requests": [
            {"at_min": r.at_min, "items": r.items, "count": r.count} for r in wash.requests
        ],
        "objectives": [_objective_result(row) for row in wash.objectives],
        "notes": list(told.notes), "doubts": list(told.doubts),
    }  # fmt: skip


def _objective_result(row: ObjectiveRow) -> dict[str, Any]:
    return {
        "name": row.name, "text": row.text, "strengths": list(row.strengths),
        "gaps": list(row.gaps), "owner": row.owner, "due": row.due,
        "injects": [
            {"number": f.given.inject.number, "given_min": f.given.minute,
             "answered_after_min": f.answered_after_min, "answer": f.answer}
            for f in row.injects
        ],
    }  # fmt: skip
