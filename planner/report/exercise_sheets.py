"""The paper of an exercise: a controller's book with inject slips, and sheets for players.

Two files, so that the truth lies apart: the players' is made from what they know
(:func:`planner.exercise.known.known_to_players`) and is handed nothing else. By paper the evening
goes on without power; what was written is typed in later as CSV, in the columns of the log. Every
text is escaped by the template; the files hold no script and refer to nothing outside.
"""

from __future__ import annotations

from collections.abc import Mapping
from io import StringIO
from typing import Any, Final

from planner.banner import BANNER
from planner.exercise.by_paper import CONTROLLER
from planner.exercise.known import known_to_players
from planner.exercise.run import Run
from planner.exercise.setup import Exercise
from planner.exercise.writing import exercise_document
from planner.journal.columns import LOG_COLUMNS
from planner.journal.events import EVENTS
from planner.report.exercise_words import (
    InjectRow,
    head_line,
    inject_rows,
    kit_lines,
    known_grids,
    news_rows,
    people_grid,
)
from planner.report.gauge_answers import STEP_PSI, falls_grid, gauges_grid
from planner.report.sheets import LOG_LINES, template
from planner.report.text import console_to, grid, lines, section
from planner.report.words import when

KEEP_FROM_PLAYERS: Final = "FOR CONTROLLERS ONLY: holds what players are to find out"
LOG_SHEETS: Final = 2
REQUESTS: Final = 2
BLANK_LINES: Final = 4
HOW_TO_RUN: Final = (
    "One clock that everybody sees. Read the exercise banner out; say the words for a real "
    "emergency and who may say them.",
    "Give each inject at its time or when its condition is so: read it out or hand the slip over. "
    "Tick it, and write the clock time at which it was given.",
    "Tell what happens by itself (people found and taken over, deliveries) at its time; an inject "
    "that makes transport later moves its time.",
    "Asked for a gauge, say what it shows at the start less what has flowed since, by the table. "
    "Below the safe residual nobody breathes from it.",
    "Players write decisions in the log, by clock, tag and role.",
)  # fmt: skip
TYPE_IN: Final = (
    "Typed in later: one CSV with these columns for each log, then 'oxygen-planner exercise "
    "EXERCISE --log LOG.csv ...' for the hot wash, 'oxygen-planner review INCIDENT LOG.csv ...' "
    "for the review. First line of the CSV: "
)
LEAVE_OUT: Final = "Leave out the lines of injects that were not given."


def controller_html(exercise: Exercise, run: Run | None = None) -> str:
    """Return the controller's book as a whole HTML document; it holds the truth.

    Parameters
    ----------
    exercise : Exercise
    run : Run or None
        A run to go on with by paper from its minute; None: from the start.
    """
    at = Run() if run is None else run
    start = exercise.incident.start
    rows = inject_rows(exercise, at)
    return template("exercise.html.j2").render(
        banner=BANNER,
        title=exercise.name,
        stamp=f"{exercise.name} \u00b7 controller's book \u00b7 luck number {exercise.seed} \u00b7 "
        f"{start:%d %b %Y}",
        keep=KEEP_FROM_PLAYERS,
        head_line=head_line(exercise),
        as_at=f"as at {when(start, at.minute)}",
        note=exercise.note,
        how=HOW_TO_RUN,
        objectives=[(o.name, o.text, _numbers(rows, o.name)) for o in exercise.objectives],
        injects=rows,
        slips=sorted((row for row in rows if not row.given), key=lambda row: row.number),
        news=news_rows(exercise, at),
        people=people_grid(exercise, at),
        kit=kit_lines(exercise, at),
        gauges=gauges_grid(exercise, at),
        falls=falls_grid(exercise, at),
        step=f"{STEP_PSI:g} psi or 1 bar",
        columns=LOG_COLUMNS,
        controller=CONTROLLER,
        blank_lines=range(BLANK_LINES),
        type_in=type_in_words(),
        leave_out=LEAVE_OUT,
    )  # fmt: skip


def _numbers(rows: tuple[InjectRow, ...], objective: str) -> str:
    found = sorted(row.number for row in rows if row.objective == objective)
    return ", ".join(str(number) for number in found) or "none"


def type_in_words() -> str:
    """Return how an evening by paper is typed in, with the first line of the CSV."""
    return TYPE_IN + ",".join(column.name for column in LOG_COLUMNS)


def players_html(known: Mapping[str, Any]) -> str:
    """Return the players' sheets as a whole HTML document.

    Parameters
    ----------
    known : mapping
        From :func:`planner.exercise.known.known_to_players`, and the only thing it is made from;
        of a run that has begun, injects received and the log so far stand on it too.
    """
    time = known["clock"]["time"]
    return template("exercise_players.html.j2").render(
        banner=BANNER,
        title=known["exercise"],
        stamp=f"{known['exercise']} \u00b7 players' sheets \u00b7 as at {time}",
        time=time,
        told=known["told_at_start"],
        places=known["places"],
        grids=known_grids(known),
        injects=known["injects"],
        log=[_log_line(row) for row in known["log"]],
        revealed=known["revealed"],
        columns=LOG_COLUMNS,
        log_lines=range(LOG_LINES),
        log_sheets=range(LOG_SHEETS),
        requests=range(REQUESTS),
        request_lines=range(BLANK_LINES),
        events=", ".join(EVENTS),
    )


def _log_line(row: Mapping[str, Any]) -> str:
    said = f"{row['time']} {row['event']}"
    skipped = {"id", "time", "event", "by"}
    more = [_log_value(name, value) for name, value in row.items() if name not in skipped]
    return f"{said}: {', '.join(more)}" if more else said


def _log_value(name: str, value: object) -> str:
    if isinstance(value, float):
        return f"{value:g} L/min" if name == "flow_lpm" else f"{value:g}"
    return str(value)


# ----- the terminal -----------------------------------------------------------------------------


def exercise_text(exercise: Exercise) -> str:
    """Return an exercise for a controller's terminal: objectives, injects, what players know."""
    out = StringIO()
    console = console_to(out)
    known = known_to_players(exercise, Run())
    lines(console, (BANNER, exercise.name, KEEP_FROM_PLAYERS, head_line(exercise), ""))
    lines(console, (exercise.note, "") if exercise.note else ())
    section(console, "Objectives", (f"{o.name}: {o.text}" for o in exercise.objectives))
    section(console, "Injects", (inject_line(row) for row in inject_rows(exercise, Run())))
    lines(console, ("WHAT PLAYERS KNOW AT THE START", known["told_at_start"], ""))
    for content in known_grids(known).values():
        if content.rows:
            grid(console, content)
    lines(console, (BANNER,))
    return out.getvalue()


def inject_line(row: InjectRow) -> str:
    """Return an inject as one line."""
    said = f"{row.number}. {row.when}. {row.sender} to {row.receiver}: '{row.text}'"
    more = (
        ("expected", row.expected), ("objective", row.objective), ("given by", row.deliverer),
        ("in truth", "; ".join(row.changes)),
    )  # fmt: skip
    return " ".join([said, *(f"[{head}: {text}]" for head, text in more if text)])


def exercise_result(exercise: Exercise) -> dict[str, Any]:
    """Return an exercise as plain data, for controllers: with the injects and the truth."""
    run = Run()
    return {
        "schema": 1, "kind": "exercise", "banner": BANNER, "keep": KEEP_FROM_PLAYERS,
        "exercise": exercise_document(exercise),
        "injects": [
            {"number": row.number, "when": row.when, "from": row.sender, "to": row.receiver,
             "text": row.text, "changes": list(row.changes)}
            for row in inject_rows(exercise, run)
        ],
        "news": [{"when": row.when, "text": row.text} for row in news_rows(exercise, run)],
        "known": known_to_players(exercise, run),
    }  # fmt: skip
