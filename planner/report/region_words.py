"""A regional study in words for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from io import StringIO
from typing import Final

from planner.banner import BANNER
from planner.cache.regional import RegionResult, StockThere, ValleyResult
from planner.report.text import console_to, grid, lines, section
from planner.report.view import Grid
from planner.report.words import chance_in_words, counted, joined, percent, share

MOST_COLUMNS: Final = 4  # stocks beside each other that a terminal has room for; our own


def region_text(result: RegionResult) -> str:
    """Return a regional study as text."""
    out = StringIO()
    console = console_to(out)
    lines(console, (BANNER, result.name, "", *first_lines(result), ""))
    if result.valleys:
        grid(console, overall_grid(result))
        grid(console, valley_grid(result))
        if len(result.overall) <= MOST_COLUMNS:
            grid(console, chance_grid(result))
    section(console, "How it was worked out", notes(result))
    lines(console, (BANNER,))
    return out.getvalue()


def first_lines(result: RegionResult) -> Iterator[str]:
    """Yield what matters most: which stock holds where, or what is missing."""
    told = len(result.valleys)
    if not result.is_complete:
        done = result.num_done + result.num_kept
        yield (
            f"Not finished: {done:,} of {counted(result.num_pieces, 'piece')} done; "
            f"{told} of {counted(result.num_valleys, 'valley')} can be told."
        )
    if not told:
        return
    limit = f"{share(result.target)} %"
    most = max(row.num_hold for row in result.overall)
    if not most:
        yield f"No stock is sure to stay within {limit} in any valley."
    else:
        names = joined(row.stock for row in result.overall if row.num_hold == most)
        yield f"Sure to stay within {limit} in {most} of {counted(told, 'valley')}: {names}."
    bare = [valley.name for valley in result.valleys if valley.lightest is None]
    if most and bare:
        yield f"No stock is in {_some(bare)}."


def overall_grid(result: RegionResult) -> Grid:
    """Return the stocks over all valleys."""
    told = len(result.valleys)
    return Grid(
        "The stocks over all valleys, each valley counted alike",
        ("stock", "items kg", "price", "anyone runs out", "within target", "best in",
         "worst in"),
        tuple(
            (
                row.stock, f"{row.mass_kg:.1f}", f"{row.price:,.0f}", percent(row.chance),
                f"{row.num_hold} of {told}", f"{row.num_best} of {told}", row.worst_valley,
            )
            for row in result.overall
        ),
        frozenset({1, 2, 3, 4, 5}),
    )  # fmt: skip


def valley_grid(result: RegionResult) -> Grid:
    """Return the best stock of each valley."""
    return Grid(
        "The best stock in each valley",
        ("valley", "best stock", "that anyone runs out", "95 %", "as good",
         "lightest within target"),
        tuple(
            (
                valley.name, valley.best, chance_in_words(_best(valley).chance),
                percent(_best(valley).chance), joined(valley.as_good) or "none",
                valley.lightest or "none",
            )
            for valley in result.valleys
        ),
    )  # fmt: skip


def chance_grid(result: RegionResult) -> Grid:
    """Return the chance of every stock in every valley."""
    return Grid(
        "Chance that anyone runs out of oxygen",
        ("valley", *(row.stock for row in result.overall)),
        tuple(
            (valley.name, *(percent(there.chance) for there in valley.stocks))
            for valley in result.valleys
        ),
        frozenset(range(1, len(result.overall) + 1)),
    )


def notes(result: RegionResult) -> Iterator[str]:
    """Yield on what the numbers rest."""
    yield (
        f"{result.draws.samples:,} samples a kind of incident, seed {result.draws.seed}, the same "
        "in all valleys; the crew follows the printed list by a simple rule, no plan."
    )
    yield (
        f"{counted(result.num_pieces, 'piece')} (a stock in one kind of incident in one valley, "
        f"each different one once): {result.num_done:,} worked out now, {result.num_kept:,} there "
        "from an earlier run."
    )
    yield "As good: its 95 % interval meets that of the best."
    yield "Items kg is without packs; whether a stock can be carried or paid is not looked at here."
    yield ", ".join(f"{name} {number}" for name, number in result.versions)


def _best(valley: ValleyResult) -> StockThere:
    return next(there for there in valley.stocks if there.stock == valley.best)


def _some(names: list[str]) -> str:
    """Return names, of many only the first."""
    most = 5
    more = [counted(len(names) - most, "more", "more")] if len(names) > most else []
    return joined([*names[:most], *more])
