"""The terminal: a view-model at 100 columns, readable in black and white."""

from __future__ import annotations

import re
from collections.abc import Iterable
from io import StringIO
from typing import Any

from rich.box import Box
from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from planner.report.view import Grid, View

WIDTH = 100
#: A rule under the heads and nothing else, in plain ASCII: any printer and terminal has it.
RULED = Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)
#: What a listed line begins with: a dash, a number, or blanks.
_MARK = re.compile(r" +(?:- )?|[0-9]{1,3}\. ")
#: Stands for the blank between a number and its percent sign, where no line may end.
_HELD = "\ue000"


def view_text(view: View) -> str:
    """Return a plan as text."""
    out = StringIO()
    console = console_to(out)
    lines(console, (view.banner, view.title, ""))
    if view.label:
        lines(console, (view.label, ""))
    lines(console, (view.first_line, view.chance_line))
    lines(console, (view.who_line, "") if view.who_line else ("",))
    section(console, "Changed from the plan in force", view.changes)
    if view.now.rows:
        grid(console, view.now)
    else:
        lines(console, ("Nobody is on oxygen now.", ""))
    for content in (view.waiting, view.awaited):
        if content.rows:
            grid(console, content)
    if view.no_oxygen:
        lines(console, ("No oxygen indicated: " + "; ".join(view.no_oxygen) + ".", ""))
    if view.swaps.rows:
        grid(console, view.swaps)
    lines(console, (view.the_list, view.kept_for, ""))
    section(console, "Carried from place to place", view.moves)
    grid(console, view.beside)
    section(console, "Notes", view.notes)
    section(console, "Assumptions and sources", view.assumptions)
    section(console, "Cautions", view.cautions)
    lines(console, (view.footer, view.banner))
    return out.getvalue()


def console_to(out: StringIO) -> Console:
    """Return a console that writes plain text, wraps at 100 columns and reads no markup."""
    return Console(
        file=out, width=WIDTH, markup=False, emoji=False, highlight=False, no_color=True,
        force_terminal=False, soft_wrap=False, legacy_windows=False,
    )  # fmt: skip


def wrapped(texts: Iterable[str]) -> str:
    """Return lines as text, wrapped like all else."""
    out = StringIO()
    lines(console_to(out), texts)
    return out.getvalue()


def lines(console: Console, texts: Iterable[str]) -> None:
    """Print texts as they are, wrapped; what goes on of a listed one stands under its beginning."""
    for text in texts:
        mark = _MARK.match(text)
        indent = min(mark.end() if mark else 0, console.width // 2)
        held = text[indent:].replace(" %", f"{_HELD}%")
        parts = Text(held).wrap(console, console.width - indent)
        for number, part in enumerate(parts):
            begin = " " * indent if number else text[:indent]
            _put(console, Text(begin + part.plain.replace(_HELD, " ")))
        if not parts:
            _put(console, Text(text))


def _put(console: Console, content: RenderableType) -> None:
    """Print without the blanks that fill a line up."""
    with console.capture() as captured:
        console.print(content)
    console.file.write("".join(f"{line.rstrip()}\n" for line in captured.get().splitlines()))


def section(console: Console, title: str, texts: Iterable[str]) -> None:
    """Print a title and its texts as a list."""
    items = list(texts)
    if not items:
        return
    lines(console, (title,))
    table = Table.grid(padding=(0, 1))
    table.add_column(width=2)
    table.add_column(overflow="fold")
    for item in items:
        table.add_row(" -", Text(item))
    _put(console, table)
    lines(console, ("",))


def grid(console: Console, content: Grid) -> None:
    """Print a table under its title, and an empty line."""
    table = Table(box=RULED, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    for number, head in enumerate(content.heads):
        is_numeric = number in content.numeric
        table.add_column(Text(head), justify="right" if is_numeric else "left", overflow="fold")
    for row in content.rows:
        table.add_row(*(Text(cell) for cell in row))
    lines(console, (content.title,))
    _put(console, table)
    lines(console, ("",))


def holdings_text(result: dict[str, Any], grids: Iterable[Grid]) -> str:
    """Return what an incident holds as text."""
    out = StringIO()
    console = console_to(out)
    lines(console, (result["banner"], f"{result['incident']['name']}: no faults", ""))
    section(console, "Warnings", result["warnings"])
    for content in grids:
        grid(console, content)
    section(console, "Taken as usual, because the file does not say", result["assumptions"])
    lines(console, (f"incident {result['incident']['digest'][:12]}", result["banner"]))
    return out.getvalue()
