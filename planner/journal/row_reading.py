"""One row of a log written by hand: cells and words into the fields of an entry, with doubts."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from planner.fields import MAX_TEXT, TRIAGE
from planner.files import raw_cell
from planner.intake import nearest
from planner.journal import wording
from planner.journal.cells import COLUMNS, tags_of
from planner.journal.stock import Stock
from planner.journal.trees import ENTRY, SHAPES, TAG_LISTS, clean_text
from planner.reference import find_size
from planner.units import PressureUnit

_OWNER: Final = re.compile(r"\b([\w-]+)'s log\b", re.I)
_PLUS_MINUS: Final = re.compile(r"\A(?:\u00b1|\+-|\+/-)?\s*(\d{1,3}(?:[.,]\d+)?)\s*(?:min)?\Z")
_TRIAGE: Final = re.compile(r"\b(" + "|".join(TRIAGE) + r")\b", re.I)
_SEVERAL: Final = re.compile(r"\s*(?:,|;|/|&|\band\b|\+)\s*", re.I)
#: Columns whose cells are taken as they are; what does not fit becomes a doubt with the row.
_AS_WRITTEN: Final = (
    "place", "role", "replaces", "reason", "transport", "delay_min", "expected_min", "items",
    "count", "triage",
)  # fmt: skip
_KINDS: Final = {f.name: f.kind for f in ENTRY.fields}


@dataclass(frozen=True, slots=True)
class CellDoubt:
    """A cell that is not plain: what is written, the reading taken, and why."""

    field: str
    written: str
    taken: str
    why: str


@dataclass(frozen=True, slots=True)
class RowWords:
    """What a row says, but its id and time.

    Parameters
    ----------
    raw : mapping
        Fields of an entry as a file would hold them.
    patients : tuple of str
        Whom it is about; an entry for each.
    off_min : float or None
        The row's own plus-minus minutes.
    expected_in_min : float or None
        In how many minutes transport is expected.
    doubts : tuple of CellDoubt
        In the order of the columns.
    whole_row : str
        All that is written in it.
    """

    raw: Mapping[str, Any]
    patients: tuple[str, ...]
    off_min: float | None
    expected_in_min: float | None
    doubts: tuple[CellDoubt, ...]
    whole_row: str


@dataclass(slots=True)
class _Work:
    """A row while it is read."""

    cells: Mapping[str, str]
    raw: dict[str, Any] = field(default_factory=dict)
    doubts: list[CellDoubt] = field(default_factory=list)
    patients: tuple[str, ...] = ()

    def cell(self, name: str) -> str:
        return self.cells.get(name, "").strip()

    def doubt(self, name: str, written: str, taken: str, why: str) -> None:
        self.doubts.append(CellDoubt(name, clean_text(written), taken, why))

    def put_note(self, *parts: str | None) -> None:
        """Join texts to the row's note; what is too long for it is told."""
        whole = clean_text("; ".join(part for part in parts if part), sys.maxsize)
        self.raw["note"] = clean_text(whole)
        if len(whole) > MAX_TEXT:
            self.doubt("note", whole, f"the first {MAX_TEXT} characters", "too long for a note")


class RowReader:
    """Reads rows against the tags and units of a stock."""

    def __init__(self, stock: Stock) -> None:
        self._cylinders = {c.tag: c for c in stock.cylinders}
        self._known: dict[str, wording.TagForms] = {
            "patient": wording.tag_forms(stock.patients),
            "cylinder": wording.tag_forms(self._cylinders),
            "regulator": wording.tag_forms(r.tag for r in stock.regulators),
        }
        units = [c.gauge.unit for c in stock.cylinders]
        self._unit: PressureUnit = "bar" if units.count("bar") > units.count("psi") else "psi"
        self._stock = stock

    @staticmethod
    def owner_of(text: str) -> str | None:
        """Return whose log a text says it comes from: "snowcat's log"."""
        found = _OWNER.search(text)
        return found[1].lower() if found else None

    def read(self, cells: Mapping[str, str]) -> RowWords:
        """Read a row's cells, by column."""
        work = _Work(cells)
        for name, cell in cells.items():
            if clean_text(cell, sys.maxsize) != " ".join(cell.split()):
                why = "control characters, which no entry can hold"
                work.doubt(name, cell, "blanks in their place", why)
        text = work.cell("event")
        self._event(work, text or work.cell("note"), is_event=bool(text))
        self._tags(work)
        self._kit(work)
        self._gauge(work)
        self._temperature(work)
        for name in _AS_WRITTEN:
            if work.cell(name):
                kind = _KINDS.get(name)
                cell = clean_text(work.cell(name))
                work.raw[name] = cell if kind is None else raw_cell(kind, cell)
        self._from_words(work)
        off_min = self._off_min(work)
        self._settle(work)
        written = (cells[n].strip() for n in COLUMNS if cells.get(n, "").strip())
        words = f"{work.cell('event')} {work.cell('note')}"
        is_delay = work.raw.get("event") == "delay announced"
        out_min = wording.minutes_out(words) if is_delay else None
        return RowWords(
            work.raw, work.patients, off_min, out_min, tuple(work.doubts),
            clean_text(" | ".join(written), sys.maxsize),
        )  # fmt: skip

    # ----- parts of a row -------------------------------------------------------------------------

    def _event(self, work: _Work, text: str, *, is_event: bool) -> None:
        """Read what happened: by its word, else its words, else what the other columns hold."""
        word, why = wording.read_event(text) if text else (None, "")
        has = {name: bool(work.cell(name)) for name in COLUMNS}
        if not is_event and (word is None or why):
            by_columns = _by_columns(has)
            if by_columns is not None:
                word, why = by_columns, "nothing in the column: by what the others hold"
        elif word is None and tags_like(text, self._known):
            word, why = _by_columns({**has, **tags_like(text, self._known)}), "by its tags"
            if word is None and self._gauge_within(text):
                word, why = "gauge read", "by its tag and a number"
        if why:
            work.doubt("event", text, word or "note", why)
        work.raw["event"] = word or "note"
        note = work.cell("note")
        if is_event and why:  # its own words are kept beside the word taken
            work.put_note(text, note)
        elif note:
            work.put_note(note)

    def _tags(self, work: _Work) -> None:
        words = work.cell("event") or work.cell("note")
        is_plain = work.raw["event"] == " ".join(words.lower().split())
        within = "" if is_plain and work.cell("event") else words
        people = work.cell("patient")
        split = [part for part in _SEVERAL.split(people) if part]
        if people and not all(wording.known_tag(p, self._known["patient"]) for p in split):
            split = [people]
        if not people:
            split = list(wording.tags_within(within, self._known["patient"]))
            if split:
                work.doubt("patient", words, ", ".join(split), "by its words")
        work.patients = tuple(
            dict.fromkeys(self._tag(work, "patient", "patient", one) for one in split)
        )
        if len(work.patients) > 1:
            taken = f"an entry each for {', '.join(work.patients)}"
            work.doubt("patient", people or words, taken, "several in one row")
        for name, kind in (
            ("cylinder", "cylinder"),
            ("regulator", "regulator"),
            ("off", "cylinder"),
        ):
            cell = work.cell(name)
            is_list = work.raw["event"] == "resupply arrived" and f"{name}s" in TAG_LISTS
            if cell and is_list:
                read = tags_of(cell)
                tags = read if isinstance(read, list) else [cell]
                work.raw[f"{name}s"] = [self._tag(work, name, kind, str(tag)) for tag in tags]
            elif cell:
                work.raw[name] = self._tag(work, name, kind, cell)
            elif name != "off":
                self._tag_within(work, name, within)

    def _tag_within(self, work: _Work, name: str, within: str) -> None:
        found = wording.tags_within(within, self._known[name])
        if not found:
            return
        if work.raw["event"] == "resupply arrived":
            work.raw[f"{name}s"] = list(found)
        else:
            work.raw[name] = found[-1]  # "H-04 off, H-07 on": the last is the one that is on
        taken = ", ".join(found) if len(found) == 1 else f"{found[-1]}, the last of several"
        work.doubt(name, within, taken, "by its words")

    def _tag(self, work: _Work, name: str, kind: str, cell: str) -> str:
        """Return the tag of the stock that a spelling means; an unknown one as it is, in doubt."""
        text = clean_text(cell)
        forms = self._known[kind]
        known = [tag for tags in forms.values() for tag in tags]
        found = wording.known_tag(text, forms)
        if found is None and known:
            near = nearest(text, known)
            why = f"there is no {kind} {text}" + (f". {near}" if near else "")
            work.doubt(name, cell, text, why)
        elif found is not None and found != text:
            work.doubt(name, cell, found, "the same tag spelt another way")
        return found or text

    def _kit(self, work: _Work) -> None:
        """Device and flow; letters written out, and a flow that stands behind the device."""
        cell = work.cell("device") or work.cell("event")
        device, behind = wording.read_device(cell)
        if work.cell("device"):
            name = device or clean_text(cell)
            work.raw["device"] = name
            if name.lower() != cell.lower():
                work.doubt("device", cell, name, "by its letters")
        elif device:
            work.raw["device"] = device
            work.doubt("device", cell, device, "by its words")
        flow = work.cell("flow_lpm")
        if flow:
            read, why = wording.read_flow(flow)
            if why:
                taken = "left out" if read is None else f"{read:g} L/min"
                work.doubt("flow_lpm", flow, taken, why)
            if read is not None:
                work.raw["flow_lpm"] = read
            return
        words = work.cell("event")
        found = behind if behind is not None else wording.flow_within(words)
        if found is not None:
            work.raw["flow_lpm"] = found
            work.doubt("flow_lpm", cell or words, f"{found:g} L/min", "by its words")

    def _gauge(self, work: _Work) -> None:
        cell, is_read = work.cell("gauge"), work.raw["event"] == "gauge read"
        words = work.cell("event")
        if not cell and is_read and words:
            cell = self._gauge_within(words)
        if not cell and work.cell("gauge_plus_minus"):
            work.doubt("gauge_plus_minus", work.cell("gauge_plus_minus"), "left out", "no gauge")
        if not cell:
            return
        read = wording.read_gauge(cell, self._unit, self._full_psi(work.raw.get("cylinder")))
        taken = "left out"
        if read.gauge is not None:
            work.raw[f"gauge_{read.gauge.unit}"] = read.gauge.value
            taken = f"{read.gauge.value:g} {read.gauge.unit}"
            if read.rough is not None:
                work.raw[f"gauge_plus_minus_{read.rough.unit}"] = read.rough.value
                taken += f" \u00b1 {read.rough.value:g}"
            self._gauge_plus_minus(work, read.gauge.unit)
        if read.why or not work.cell("gauge"):
            why = read.why or "by its words"
            work.doubt("gauge", work.cell("gauge") or words, taken, why)

    def _full_psi(self, tag: str | None) -> float:
        """Return what a cylinder reads when full, by its size in the tables."""
        size = self._cylinders[tag].size if tag in self._cylinders else None
        kind = find_size(size) if size is not None else None
        return (kind.service_psi if kind is not None else None) or wording.FULL_PSI

    def _gauge_plus_minus(self, work: _Work, unit: PressureUnit) -> None:
        cell = work.cell("gauge_plus_minus")
        if not cell:
            return
        said = wording.read_gauge(cell, self._unit)
        if said.gauge is not None:
            work.raw.pop(f"gauge_plus_minus_{unit}", None)
            work.raw[f"gauge_plus_minus_{said.gauge.unit}"] = said.gauge.value
        if said.why:
            got = "left out" if said.gauge is None else f"{said.gauge.value:g} {said.gauge.unit}"
            work.doubt("gauge_plus_minus", cell, got, said.why)

    def _temperature(self, work: _Work) -> None:
        cell = work.cell("temperature")
        if cell:
            read_c, why = wording.read_temperature(cell, self._stock.air_temperature.unit)
            if read_c is not None:
                work.raw[f"temperature_{read_c.unit.lower()}"] = read_c.value
            if why:
                taken = f"{read_c.value:g} {read_c.unit}" if read_c is not None else "left out"
                work.doubt("temperature", cell, taken, why)

    def _gauge_within(self, words: str) -> str:
        """Return what of a text reads as a gauge: "A1 gauge about 400" gives "about 400"."""
        for forms in self._known.values():
            for tag in wording.tags_within(words, forms):
                words = re.sub(re.escape(tag), " ", words, flags=re.I)
        found = re.search(
            r"(?:about |~|ca\.? )?\d{2,5}(?:\.\d+)? ?(?:psi|bar)?\b|\bhalf\b|\bin the red\b"
            r"|\b[123]/[234]\b|\bfull\b|\bquarter\b",
            words, re.I,
        )  # fmt: skip
        return found[0] if found else ""

    def _from_words(self, work: _Work) -> None:
        """Fill what an event needs and only its words say."""
        word = work.raw["event"]
        words = clean_text(f"{work.cell('event')} {work.cell('note')}")
        found = _TRIAGE.search(words)
        if word in {"found", "triage changed"} and "triage" not in work.raw and found:
            work.raw["triage"] = found[1].lower()
            work.doubt("triage", words, found[1].lower(), "by its words")
        if word in {"requested", "resupply arrived"} and "items" not in work.raw and words:
            work.raw["items"] = words
        if word == "delay announced":
            work.raw.setdefault("transport", wording.transport_within(words) or "transport")
            late = wording.minutes_late(words)
            if late is not None:
                work.raw.setdefault("delay_min", late)

    @staticmethod
    def _off_min(work: _Work) -> float | None:
        cell = work.cell("plus_minus_min")
        if not cell:
            return None
        found = _PLUS_MINUS.match(cell)
        if found is None:
            work.doubt("plus_minus_min", cell, "left out", "no minutes that can be read")
            return None
        return float(found[1].replace(",", "."))

    @staticmethod
    def _settle(work: _Work) -> None:
        """Move what an event has no field for into its note, so that nothing is lost."""
        allowed, _ = SHAPES[work.raw["event"]]
        common = {"event", "note", "place", "role", "replaces"}
        names = {name: re.sub(r"_(psi|bar|c|f)\Z", "", name) for name in work.raw}
        spare = [n for n, bare in names.items() if bare not in allowed and bare not in common]
        if "patient" not in allowed and work.patients:
            spare.append("patient")
            work.raw["patient"] = ", ".join(work.patients)
            work.patients = ()
        for name in spare:
            value = work.raw.pop(name)
            work.put_note(work.raw.get("note"), f"{name} {value}")
            work.doubt(name, str(value), "kept in the note", f"no field of {work.raw['event']!r}")
        if work.raw["event"] == "note" and "note" not in work.raw:
            rest = (work.cells[n].strip() for n in COLUMNS if work.cells.get(n, "").strip())
            work.put_note(" | ".join(rest) or "(nothing written)")


def _by_columns(has: Mapping[str, bool]) -> str | None:
    """Return what the columns that are filled in say has happened."""
    kit = has["regulator"] or has["device"] or has["flow_lpm"]
    rules: tuple[tuple[Callable[[], bool], str], ...] = (
        (lambda: has["patient"] and has["cylinder"] and (kit or not has["gauge"]), "connected"),
        (lambda: has["gauge"] and (has["patient"] or has["cylinder"]), "gauge read"),
        (lambda: has["patient"] and has["flow_lpm"], "flow changed"),
    )
    return next((word for rule, word in rules if rule()), None)


def tags_like(text: str, known: Mapping[str, wording.TagForms]) -> dict[str, bool]:
    """Return which kinds of known tags a text names; empty when it names none."""
    return {kind: True for kind, forms in known.items() if wording.tags_within(text, forms)}
