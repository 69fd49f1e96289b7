"""A log as it comes in, written by hand on several clocks, into entries; every doubt is told.

Each row gives at least one entry. Where a row is not plain, a :class:`Doubt` shows what was
written, the reading taken and why; what cannot be read becomes a note with the row's own words.
Entries that contradict each other (:func:`planner.journal.replaying.replay`) are doubts too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from planner.errors import Fault, InputError
from planner.fields import MAX_TAG, MAX_TEXT, WEEK_MIN, Kind
from planner.files import raw_cell
from planner.intake import Intake, shown, text_fault
from planner.journal.clocks import DAY_MIN, RowTime, Shift, row_times, shift_of
from planner.journal.events import WORDS, LogEntry, Note, entry_faults, in_order
from planner.journal.files import table_rows
from planner.journal.replaying import replay
from planner.journal.row_reading import RowReader, RowWords
from planner.journal.stock import Stock
from planner.journal.trees import clean_text, entry_from
from planner.units import clock

MAX_OWN_ID: Final = 40  # leaves room for what makes ids differ
AGREEMENT: Final = "agreement"  # in place of a column: a doubt between entries


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing in a log that is not plain, and the reading taken.

    Parameters
    ----------
    source : str
        The log it stands in.
    line : int
        Its line there; 0 when the log as a whole is meant.
    field : str
        Column; ``"agreement"`` between entries.
    written, taken : str
        What stands there, and as what it counts.
    why : str
        Why it is in doubt, or taken so.
    entry : str
        Id of the entry; empty for the log as a whole.
    others : tuple of str
        Ids of the entries that it does not agree with.
    """

    source: str
    line: int
    field: str
    written: str
    taken: str
    why: str
    entry: str = ""
    others: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RawRow:
    """A row as written: line, and cells by column (see `planner.journal.cells.COLUMNS`)."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class RawLog:
    """One person's log: its name, its rows in the order written, how fast its clock was [min]."""

    source: str
    rows: tuple[RawRow, ...]
    fast_min: float = 0.0


@dataclass(frozen=True, slots=True)
class LogReading:
    """Entries in the order they happened, and doubts by log and line."""

    entries: tuple[LogEntry, ...]
    doubts: tuple[Doubt, ...]


def raw_log(text: str, source: str, fast_min: float = 0.0) -> RawLog:
    """Return a log from CSV text with columns of the printed log; nothing is read yet.

    Raises
    ------
    InputError
        When it is no table with known columns.
    """
    rows = tuple(RawRow(line, cells) for line, cells in table_rows(text, source))
    return RawLog(source, rows, fast_min)


def read_logs(logs: Sequence[RawLog], start: datetime, stock: Stock) -> LogReading:
    """Read logs into entries, and tell every doubt.

    Parameters
    ----------
    logs : sequence of RawLog
        In any order.
    start : datetime
        Clock time of minute 0.
    stock : Stock
        What tags there are, and what readings are judged by.

    Returns
    -------
    LogReading
        At least one entry for each row.

    Raises
    ------
    InputError
        For two logs of one name, or a name that no entry can carry.
    """
    _check_names(logs)
    ordered = sorted(logs, key=lambda log: log.source)
    reader = RowReader(stock)
    shifts, doubts = _shifts(ordered, reader)
    entries: list[LogEntry] = []
    lines: dict[str, tuple[str, int]] = {}
    taken_ids: set[str] = set()
    for log in ordered:
        sources = [_source_of(row, log, reader) for row in log.rows]
        times = row_times([_clock_cell(row) for row in log.rows], sources, shifts, start)
        for row, source, by_clock in zip(log.rows, sources, times, strict=True):
            told, time = reader.read(row.cells), _exact_time(row) or by_clock
            read = _Read(log, row, told, time, source, _ids(log, row, told, taken_ids))
            made, faults = _entries(read)
            entries += made
            lines.update({entry.id: (log.source, row.line) for entry in made})
            doubts += _row_doubts(read, start, faults)
    kept, dropped = _mended(entries, lines)
    doubts += dropped
    doubts += _contradictions(kept, stock, lines)
    key = {log.source: n for n, log in enumerate(ordered)}
    doubts.sort(key=lambda d: (key.get(d.source, -1), d.line, d.field == AGREEMENT))
    return LogReading(tuple(in_order(kept)), tuple(doubts))


def _check_names(logs: Sequence[RawLog]) -> None:
    faults = []
    names = [log.source for log in logs]
    for name in names:
        bad = text_fault(name, MAX_TAG - 20)
        if bad:
            faults.append(Fault("", "logs", "", "source", shown(name), *bad))
    for name in sorted({name for name in names if names.count(name) > 1}):
        words = ("each log's name once", "Name them apart, such as by whose they are.")
        faults.append(Fault("", "logs", name, "source", "a name used before", *words))
    if faults:
        raise InputError(faults)


# ----- clocks -------------------------------------------------------------------------------------


def _words_of(row: RawRow) -> str:
    return " ".join(row.cells.get(name, "") for name in ("event", "note"))


def _source_of(row: RawRow, log: RawLog, reader: RowReader) -> str:
    return clean_text(row.cells.get("source", "")) or reader.owner_of(_words_of(row)) or log.source


def _clock_cell(row: RawRow) -> str:
    return row.cells.get("clock", "")


def _exact_time(row: RawRow) -> RowTime | None:
    """Return the minute that a row gives beside its clock time, as a file of entries does."""
    cell = row.cells.get("at_min", "").strip()
    at_min = raw_cell(Kind.NUMBER, cell)
    if isinstance(at_min, float) and -DAY_MIN <= at_min <= WEEK_MIN:
        return RowTime(at_min, 0.0)
    return None


def _shifts(logs: Sequence[RawLog], reader: RowReader) -> tuple[dict[str, Shift], list[Doubt]]:
    """Return how fast each source's clock is: as given with a log, else as a row says."""
    shifts: dict[str, Shift] = {}
    doubts = []
    for log in logs:
        if log.fast_min:
            shifts[log.source.lower()] = Shift(log.fast_min, "what is said of the log")
            way = "fast" if log.fast_min > 0 else "slow"
            words = f"{abs(log.fast_min):g} min {way}"
            taken = f"all its times so much {'earlier' if log.fast_min > 0 else 'later'}"
            doubts.append(Doubt(log.source, 0, "clock", words, taken, "said of the log"))
    for log in logs:
        for row in log.rows:
            found = shift_of(_words_of(row), _source_of(row, log, reader))
            if found is None:
                continue
            name, fast_min = found[0].lower(), found[1]
            before = shifts.setdefault(name, Shift(fast_min, f"{log.source} line {row.line}"))
            if before.fast_min != fast_min:
                taken = f"{before.fast_min:g} min, by {before.told_by}"
                doubts.append(
                    Doubt(log.source, row.line, "clock", f"{name} {fast_min:g} min fast", taken,
                          "two sayings about one clock")
                )  # fmt: skip
    return shifts, doubts


# ----- rows to entries ----------------------------------------------------------------------------


def _ids(log: RawLog, row: RawRow, told: RowWords, taken: set[str]) -> tuple[str, ...]:
    """Return an id for each entry of a row: its own, or log and line."""
    own = row.cells.get("id", "").strip()
    base = f"{log.source} {row.line}"
    if text_fault(own, MAX_OWN_ID) is None and own not in taken:
        base = own
    people = told.patients or ("",)
    ids = []
    for n in range(len(people)):
        wanted = base if len(people) == 1 else f"{base} {n + 1}"
        while wanted in taken:
            wanted = f"{wanted}'"
        taken.add(wanted)
        ids.append(wanted)
    return tuple(ids)


@dataclass(frozen=True, slots=True)
class _Read:
    """A row, read: its words, time, clock, and an id for each of its entries."""

    log: RawLog
    row: RawRow
    told: RowWords
    time: RowTime
    source: str
    ids: tuple[str, ...]


def _entries(read: _Read) -> tuple[list[LogEntry], list[Fault]]:
    """Return the entries of a row; one that has faults is a note in the row's own words."""
    told, time = read.told, read.time
    made, faults = [], []
    people: tuple[str | None, ...] = told.patients or (None,)
    for id_, patient in zip(read.ids, people, strict=True):
        raw = {**told.raw, "id": id_, "at_min": time.at_min, "source": read.source}
        raw["plus_minus_min"] = max(time.off_min, told.off_min or 0.0)
        if patient is not None:
            raw["patient"] = patient
        if told.expected_in_min is not None:
            raw["expected_min"] = time.at_min + told.expected_in_min
        intake = Intake(read.log.source)
        entry = entry_from(raw, id_, intake)
        if entry is None:
            faults += [f for f in intake.faults if f not in faults]
            entry = _as_note(read, id_)
        made.append(entry)
    return made, faults


def _as_note(read: _Read, id_: str) -> LogEntry:
    at_min = min(max(read.time.at_min, -DAY_MIN), WEEK_MIN)
    words = clean_text(read.told.whole_row) or "(nothing written)"
    source = read.source if text_fault(read.source, MAX_TAG) is None else read.log.source
    return LogEntry(id_, at_min, Note(), min(read.time.off_min, DAY_MIN), source=source, note=words)


def _row_doubts(read: _Read, start: datetime, faults: Iterable[Fault]) -> list[Doubt]:
    row, id_ = read.row, read.ids[0]

    def doubt(field: str, written: str, taken: str, why: str) -> Doubt:
        return Doubt(read.log.source, row.line, field, clean_text(written), taken, why, id_)

    when = f"{_clock_words(read.time.at_min, start)} \u00b1 {read.time.off_min:g} min"
    doubts = [doubt("clock", _clock_cell(row), when, why) for why in read.time.why]
    doubts += [doubt(d.field, d.written, d.taken, d.why) for d in read.told.doubts]
    own = row.cells.get("id", "").strip()
    if own and not id_.startswith(own):
        doubts.append(doubt("id", own, id_, "an id used before, or none that can be"))
    if row.cells.get("at_min", "").strip() and _exact_time(row) is None:
        doubts.append(doubt("at_min", row.cells["at_min"], when, "no minute that can be read"))
    taken = "a note in the row's own words"
    if len(read.told.whole_row) > MAX_TEXT:
        taken += f", the first {MAX_TEXT} characters of them"
    for fault in faults:
        why = f"received {fault.received}; allowed: {fault.allowed}"
        doubts.append(doubt(fault.field, read.told.whole_row, taken, why))
    return doubts


def _clock_words(at_min: float, start: datetime) -> str:
    try:
        return clock(start, at_min)
    except ValueError:
        return f"minute {at_min:g}"


def _mended(
    entries: Sequence[LogEntry], lines: Mapping[str, tuple[str, int]]
) -> tuple[list[LogEntry], list[Doubt]]:
    """Let go of corrections that name nothing, or go round in a ring."""
    kept = {entry.id: entry for entry in entries}
    doubts = []
    while faults := [f for f in entry_faults(kept.values()) if f.field == "replaces"]:
        for fault in faults:
            entry = kept[fault.row]
            kept[entry.id] = replace(entry, replaces=None)
            source, line = lines[entry.id]
            taken = "an entry of its own"
            doubts.append(
                Doubt(
                    source, line, "replaces", entry.replaces or "", taken, fault.allowed, entry.id
                )
            )
    return list(kept.values()), doubts


def _contradictions(
    entries: Sequence[LogEntry], stock: Stock, lines: Mapping[str, tuple[str, int]]
) -> list[Doubt]:
    """Return what does not agree when the entries are replayed."""
    last = max((entry.at_min for entry in entries), default=0.0)
    by_id = {entry.id: entry for entry in entries}
    doubts = []
    for told in replay(entries, stock, last).disagreements:
        *before, id_ = told.entries
        if id_ not in by_id:
            continue
        source, line = lines[id_]
        written = by_id[id_].note or WORDS[type(by_id[id_].event)]
        doubts.append(
            Doubt(source, line, AGREEMENT, written, told.taken, f"{told.kind}: {told.why}", id_,
                  tuple(before))
        )  # fmt: skip
    return doubts
