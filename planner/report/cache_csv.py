"""A study's answer as a folder of CSV files for a spreadsheet; texts in them are made harmless."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from io import StringIO
from typing import Any, Final

from planner.banner import BANNER
from planner.report.cache_words import first_line, run_line, target_line
from planner.spreadsheet import harmless

Row = Mapping[str, Any]

MARK: Final = "\ufeff"  # tells a spreadsheet that the text is UTF-8
README: Final = "READ-ME.txt"
CHANCE: Final = ("chance", "low", "high")
LOADS: Final = ("stock", "cache", "load", "load_kg", "item", "count")
STOCKS: Final = ("stock", "cache", "item", "kind", "count", "held", "each_kg", "price_each")
BESIDE: Final = ("name", "of", "mass_kg", "price", *CHANCE, "is_within")
FRONTIER: Final = ("mass_kg", "price", *CHANCE, "what")
CHANGES: Final = ("table", "what", *CHANCE, "change", "change_low", "change_high", "more_kg",
                  "more_price", "is_within")  # fmt: skip
HOLDS: Final = ("case", "patients", *CHANCE, "holds_up_to", "median_wait_min")

_HOW: Final = """\
{banner}

{name}
{first_line}
{target_line}

stocks.csv    each stock offered, item by item
loads.csv     each stock by load
beside.csv    the stocks beside simple rules
frontier.csv  chance against mass and price
changes.csv   what binds, the next best item, what if
holds.csv     the chance by number of oxygen patients

Chances run from 0 to 1, with their 95 % interval. The cells are separated by commas, decimals have
a point, the text is UTF-8. An apostrophe before = + - @ keeps a spreadsheet from running a text.

{run}
{banner}
"""


def cache_csv(document: Row) -> dict[str, str]:
    """Return the files of the folder by name, from :func:`cache_document`'s tree."""
    tables: dict[str, tuple[Sequence[str], Iterator[Row]]] = {
        "stocks.csv": (STOCKS, _stocks(document)),
        "loads.csv": (LOADS, _loads(document)),
        "beside.csv": (BESIDE, _beside(document)),
        "frontier.csv": (FRONTIER, _frontier(document)),
        "changes.csv": (CHANGES, _changes(document)),
        "holds.csv": (HOLDS, _holds(document)),
    }
    files = {name: _text(columns, rows) for name, (columns, rows) in tables.items()}
    files[README] = _HOW.format(
        banner=BANNER, name=document["study"]["name"], first_line=first_line(document),
        target_line=target_line(document), run=run_line(document),
    )  # fmt: skip
    return files


def _text(columns: Sequence[str], rows: Iterator[Row]) -> str:
    stream = StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow((*columns, "notice"))
    for row in rows:
        writer.writerow((*(_cell(row.get(name)) for name in columns), BANNER))
    return MARK + stream.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(value) if isinstance(value, int) else harmless(str(value))


def _stocks(document: Row) -> Iterator[Row]:
    for offer in document["offers"]:
        for row in offer["stock"]:
            yield {**row, "stock": offer["name"], "price_each": row["price"]}


def _loads(document: Row) -> Iterator[Row]:
    for offer in document["offers"]:
        for load in offer["loads"]:
            for row in load["items"]:
                yield {**row, "stock": offer["name"], "cache": load["cache"],
                       "load": load["number"], "load_kg": load["mass_kg"]}  # fmt: skip


def _beside(document: Row) -> Iterator[Row]:
    for offer in document["offers"]:
        yield {**offer, **offer["anyone"], "of": "offer", "is_within": True}
    for rule in document["rules"]:
        yield {**rule, **rule["anyone"], "name": rule["rule"], "of": "simple rule"}


def _frontier(document: Row) -> Iterator[Row]:
    for point in document["frontier"]:
        what = ", ".join(f"{r['count']} {r['item']} in {r['cache']}" for r in point["stock"])
        yield {**point, **point["anyone"], "what": what}


def _changes(document: Row) -> Iterator[Row]:
    names = {"binds": "what binds", "next_best": "next best item", "what_ifs": "what if"}
    for part, table in names.items():
        for row in document[part]:
            by = row["by"]
            yield {**row, **row["anyone"], "table": table, "change": by["value"],
                   "change_low": by["low"], "change_high": by["high"],
                   "more_kg": row["mass_kg"], "more_price": row["price"]}  # fmt: skip


def _holds(document: Row) -> Iterator[Row]:
    for one in document["holds"]:
        for row in one["chances"]:
            yield {**row, "case": one["case"], "holds_up_to": one["patients"],
                   "median_wait_min": one["median_min"]}  # fmt: skip


__all__ = ["cache_csv"]
