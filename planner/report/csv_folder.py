"""The plan as a folder of CSV files for a spreadsheet: now, swaps, list, chances.

Numbers are raw (minutes, litres, shares). Text that a spreadsheet would run is made harmless, also
where the sheet splits cells at another separator than the file's.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from io import StringIO
from typing import Any, Final

from planner.banner import BANNER
from planner.spreadsheet import harmless

Row = Mapping[str, Any]

MARK: Final = "\ufeff"  # tells a spreadsheet that the text is UTF-8
NOTICE: Final = "notice"
README: Final = "READ-ME.txt"

NOW: Final = (
    "patient", "triage", "place", "state", "device", "flow_lpm", "level", "regulator", "cylinder",
    "change_by_min", "change_by_clock", "reason",
)  # fmt: skip
SWAPS: Final = (
    "clock", "patient", "number", "place", "off", "on", "early_min", "expected_min", "late_min",
    "chance_needed", "responder",
)  # fmt: skip
LIST: Final = ("rank", "cylinder", "place", "there_from_min", "litres", "handbook_litres")
CHANCES: Final = ("plan", "who", "chance", "low", "high", "minutes_out")

_HOW: Final = """\
{banner}

{title}
{first_line}
{chance_line}

now.csv      everyone: on oxygen, not found yet, waiting, or no oxygen indicated
swaps.csv    who comes off what and onto what, by clock; minutes run from {start}
list.csv     the one printed list: at a swap take the first one that fits and is there
chances.csv  chance of running out (0 to 1) with its 95 % interval; the simple rules beside it

How to open. The cells are separated by {separator}, decimals have a {decimal}, the text is UTF-8.
A spreadsheet set to a country with decimal commas wants semicolons: write the folder with
--semicolon, and a double click opens it right. For any other setting: Data, From text, and choose
{separator} as the separator. An apostrophe before = + - @ keeps a spreadsheet from running a text.

{stamp}
{banner}
"""


def csv_files(
    document: Mapping[str, Any], *, is_semicolon: bool = False, revision: str = ""
) -> dict[str, str]:
    """Return the files of the folder by name.

    Parameters
    ----------
    document : mapping
        See :func:`planner.report.plan_document.plan_document`.
    is_semicolon : bool
        Semicolons between cells and decimal commas, for spreadsheets of countries that write so.
    revision : str
        How the store numbers what the plan was made from.
    """
    result, view = document["result"], document["view"]
    tables: dict[str, tuple[Sequence[str], Sequence[Row]]] = {
        "now.csv": (NOW, list(_now(result))),
        "swaps.csv": (SWAPS, result["swaps"]),
        "list.csv": (LIST, [{"rank": k, **row} for k, row in enumerate(result["list"], 1)]),
        "chances.csv": (CHANCES, list(_chances(result))),
    }
    files = {
        name: _text(columns, rows, is_semicolon=is_semicolon)
        for name, (columns, rows) in tables.items()
    }
    files[README] = _HOW.format(
        banner=BANNER,
        title=view["title"],
        first_line=view["first_line"],
        chance_line=view["chance_line"],
        start=result["incident"]["start"],
        separator="semicolons" if is_semicolon else "commas",
        decimal="comma" if is_semicolon else "point",
        stamp=", ".join(text for text in (revision, view["footer"]) if text),
    )
    return files


def _text(columns: Sequence[str], rows: Sequence[Row], *, is_semicolon: bool) -> str:
    stream = StringIO(newline="")
    writer = csv.writer(stream, delimiter=";" if is_semicolon else ",", lineterminator="\r\n")
    writer.writerow((*columns, NOTICE))
    for row in rows:
        cells = [_cell(row.get(name), is_semicolon=is_semicolon) for name in columns]
        writer.writerow((*cells, BANNER))
    return MARK + stream.getvalue()


def _cell(value: Any, *, is_semicolon: bool) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        text = f"{value:.6g}"
        return text.replace(".", ",") if is_semicolon else text
    return str(value) if isinstance(value, int) else harmless(str(value))


def _now(result: Mapping[str, Any]) -> Iterator[Row]:
    """Yield everyone: on oxygen and not found yet, then waiting, then without an indication."""
    for row in result["now"]:
        yield {**row, "state": "not found yet" if row["cylinder"] is None else "on oxygen"}
    for row in result["waiting"]:
        yield {**row, "state": "waiting", "reason": f"waiting for {row['for']}"}
    for row in result["no_oxygen"]:
        yield {**row, "state": "no oxygen indicated"}


def _chances(result: Mapping[str, Any]) -> Iterator[Row]:
    risk = result["risk"]
    for plan, found in (("this plan", risk), *((r["rule"], r) for r in result["rules"])):
        minutes = found["minutes_out"]["value"]
        yield {"plan": plan, "who": "anyone", **found["anyone"], "minutes_out": minutes}
        yield {"plan": plan, "who": "an Immediate", **found["immediate"]}
    for row in risk["by_patient"]:
        yield {**row, "plan": "this plan", "who": row["patient"]}
    for plan, name in (("best any plan could do", "at_plan_options"),
                       ("best at the lowest allowed options", "at_lowest_options")):  # fmt: skip
        limit = result["best_possible"][name]
        yield {"plan": plan, "who": "anyone", **limit["anyone"]}
        yield {"plan": plan, "who": "an Immediate", **limit["immediate"]}
