"""Any text given as a log: faults are told, or every row of it is accounted for; never a crash."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import InputError
from planner.journal.events import Note
from planner.journal.reading_log import raw_log, read_logs
from planner.journal.replaying import replay
from tests.journal_logs import LAWS, START
from tests.test_journal_replaying import STOCK

LOG = Path(__file__).parents[1] / "scenarios" / "hallimoor-rib-log.csv"
LINES = LOG.read_bytes().decode("utf-8-sig").replace("\r\n", "\n").split("\n")[:9]
PIECES = st.one_of(
    st.sampled_from(['"', ",", "\n", ";", "\t", "\x00", "\r", "'", "=1+1", '""', ",,,", "\ufeff",
                     "\u202e", "\ud83d\ude00", "14:06", "-1", "1e999", "NaN", "T-03", "A1; A2",
                     "<script>", "connected", "swapped", "\n\n", "x" * 400]),
    st.text(max_size=6),
)  # fmt: skip


@st.composite
def broken(draw: st.DrawFn) -> str:
    """A log of the shipped kind, hurt at up to three places, rows left out or put in twice."""
    head, rows = LINES[0], draw(st.lists(st.sampled_from(LINES[1:]), max_size=7))
    text = "\n".join([head, *rows])
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(text)))
        text = text[:at] + draw(PIECES) + text[at + draw(st.integers(0, 3)) :]
    return text


def filled(text: str, delimiter: str) -> int:
    """How many rows of a table have something in them, by the standard library, its head apart."""
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    return max(0, sum(any(cell.strip() for cell in row) for row in rows) - 1)


SEEN = {"read": 0, "refused": 0}


@settings(LAWS, max_examples=200)
@given(broken())
def test_no_text_crashes_and_no_row_is_lost(text: str) -> None:
    try:
        log = raw_log(text, "log")
        found = read_logs([log], START, STOCK)
    except InputError:  # it holds faults by its making
        SEEN["refused"] += 1
        return
    SEEN["read"] += 1
    assert len(log.rows) >= min(filled(text, ","), filled(text, ";"))
    assert len(found.entries) >= len(log.rows)
    # Each row that is no plain entry is told with its line.
    lines = {row.line for row in log.rows}
    assert {d.line for d in found.doubts} <= lines | {0}
    told = {d.entry for d in found.doubts}
    assert {e.id for e in found.entries if isinstance(e.event, Note) and e.note is None} <= told
    replay(found.entries, STOCK, 500.0)


def test_both_ends_were_reached() -> None:
    # Of the texts above, many are read and some refused: the law is not empty on either side.
    assert SEEN["read"] > 30
    assert SEEN["refused"] > 10
