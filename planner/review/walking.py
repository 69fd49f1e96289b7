"""One walk through a log: who drew from what, each reading with its true flow, each exchange.

Follows the entries as :func:`planner.journal.replaying.replay` does, with the same books, and notes
on the way what a state at one minute does not keep.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from planner.gas import content_l
from planner.journal.events import (
    Connected,
    CylinderEmpty,
    CylinderLow,
    GaugeRead,
    LogEntry,
    Swapped,
    Transferred,
    in_force,
    in_order,
    tag_key,
)
from planner.journal.following import follow
from planner.journal.gauges import Z_95, Anchor, GaugeText, Tank, Verdict, anchor_at
from planner.journal.ledger import Ledger
from planner.journal.replaying import replay, started
from planner.journal.states import Expected, LogState, Source
from planner.journal.stock import Stock
from planner.review.steady_flow import Point, Series, steady_flow
from planner.units import Pressure

READS: Final = (GaugeRead, Connected, Swapped, CylinderLow, CylinderEmpty)


@dataclass(frozen=True, slots=True)
class Draw:
    """Somebody breathes from one source at one flow; ``until_min`` None: still at the end."""

    patient: str
    source: Source
    from_min: float
    until_min: float | None


@dataclass(frozen=True, slots=True)
class TrueFlow:
    """What flowed on average between two gauges, by real gas, with its 95 % interval [L/min].

    ``is_at_least``: the cylinder was found empty, so it may have flowed faster.
    """

    from_min: float
    from_psi: float
    flowed_min: float
    written_lpm: float
    lpm: float
    low_lpm: float
    high_lpm: float
    is_at_least: bool = False

    @property
    def is_as_written(self) -> bool:
        """Whether the flow written down lies within the interval."""
        is_under = self.written_lpm <= self.high_lpm
        return is_under and (self.low_lpm <= self.written_lpm)

    @property
    def extra_lpm(self) -> float:
        """How much more flowed than written [L/min]."""
        return self.lpm - self.written_lpm

    def seen_from(self, dial_sd: float) -> float:
        """Return from which extra on it is more than errors of gauges and dial make of nothing.

        Parameters
        ----------
        dial_sd : float
            Relative standard deviation of what a dial gives.

        Returns
        -------
        float
            L/min; with nothing lost the extra goes beyond it, upwards, 2.5 times in 100.
        """
        return math.hypot(self.high_lpm - self.lpm, Z_95 * dial_sd * self.written_lpm)


@dataclass(frozen=True, slots=True)
class ReadGauge:
    """A gauge that was read, against what was expected; ``verdict`` None: nothing could be.

    ``since_last`` and ``since_first`` are from two gauges each; ``steady`` is from all since the
    first (:func:`planner.review.steady_flow.steady_flow`).
    """

    entry: str
    cylinder: str
    at_min: float
    psi: float
    temperature_c: float
    has_temperature: bool
    rough_psi: float
    patients: tuple[str, ...]
    sources: tuple[Source, ...]
    others: tuple[tuple[str, Expected], ...]
    verdict: Verdict | None
    since_last: TrueFlow | None
    since_first: TrueFlow | None
    steady: TrueFlow | None = None
    is_empty: bool = False

    @property
    def flow(self) -> TrueFlow | None:
        """The estimate from all readings where one steady flow fits them, else the longer one."""
        return self.steady or self.since_first or self.since_last


@dataclass(frozen=True, slots=True)
class Exchange:
    """One cylinder off and another on.

    Parameters
    ----------
    off_expected : Expected or None
        Gauge of the one taken off, by arithmetic from its last reading; ``off_unknown`` says why
        there is none.
    off_read_psi : float or None
        As read in that very minute.
    left_l : float or None
        Litres left in it above the safe residual; below 0 when it was under.
    on_psi : float or None
        Gauge of the new one as read, else expected; ``is_on_read`` says which.
    without_min : float
        Minutes without oxygen by the record before it.
    """

    entry: str
    patient: str
    at_min: float
    off: str
    on: str
    off_expected: Expected | None
    off_unknown: str
    off_read_psi: float | None
    left_l: float | None
    on_psi: float | None
    is_on_read: bool
    without_min: float


@dataclass(frozen=True, slots=True)
class Walk:
    """What was noted on the way, and the state after the last entry."""

    entries: tuple[LogEntry, ...]
    draws: tuple[Draw, ...]
    readings: tuple[ReadGauge, ...]
    exchanges: tuple[Exchange, ...]
    regulators_gone: tuple[tuple[str, str, float], ...]
    end: LogState


def walk(entries: Iterable[LogEntry], stock: Stock, until_min: float | None = None) -> Walk:
    """Follow a log to a minute (None: to its last entry).

    Raises
    ------
    InputError
        For an id that stands twice, or entries that replace each other in a ring.
    """
    given = tuple(entries)
    held = in_force(given).entries
    last_min = max((e.at_min for e in held), default=0.0) if until_min is None else until_min
    notes = _Notes(stock)
    for entry in in_order((*started(stock), *held)):
        if entry.at_min > last_min:
            break
        notes.take(entry)
    draws = sorted(notes.all_draws(), key=lambda d: (d.from_min, tag_key(d.patient)))
    return Walk(
        tuple(e for e in held if e.at_min <= last_min), tuple(draws), tuple(notes.readings),
        tuple(notes.exchanges), tuple(notes.gone), replay(given, stock, last_min),
    )  # fmt: skip


class _Notes:
    """What is noted while entries are followed."""

    def __init__(self, stock: Stock) -> None:
        self.books = Ledger(stock)
        self.readings: list[ReadGauge] = []
        self.exchanges: list[Exchange] = []
        self.gone: list[tuple[str, str, float]] = []
        self._draws: list[Draw] = []
        self._open: dict[str, tuple[Source, float]] = {}
        self._off: dict[str, tuple[str, float]] = {}
        self._series: dict[str, Series] = {}

    def take(self, entry: LogEntry) -> None:
        """Follow one entry, and note what it changed."""
        tag = self._read_tag(entry)
        reading = self._reading(entry, tag) if tag is not None else None
        before = {t: p.source for t, p in self.books.people.items()}
        out = {t: p.out for t, p in self.books.people.items()}
        self._gone(entry)
        follow(self.books, entry)
        if reading is not None and self._was_taken(entry, reading.cylinder):
            self.readings.append(reading)
        elif reading is not None:
            self._series.pop(reading.cylinder, None)
        for person in self.books.people.values():
            was = before.get(person.tag)
            if person.source == was:
                continue
            self._turn(person.tag, person.source, entry.at_min)
            if person.source is None:
                self._off[person.tag] = (was.cylinder if was else "", entry.at_min)
                continue
            old = was.cylinder if was else self._off.get(person.tag, ("", 0.0))[0]
            if old and old != person.source.cylinder:
                gap = out.get(person.tag)
                without = entry.at_min - gap.since_min if gap is not None else 0.0
                self._exchange(entry, person.tag, (old, person.source.cylinder), without)

    def all_draws(self) -> Iterator[Draw]:
        """Yield every draw, those that go on last."""
        yield from self._draws
        for patient, (source, since) in self._open.items():
            yield Draw(patient, source, since, None)

    # ----- inside -------------------------------------------------------------------------------

    def _turn(self, patient: str, source: Source | None, at_min: float) -> None:
        begun = self._open.pop(patient, None)
        if begun is not None and at_min > begun[1]:
            self._draws.append(Draw(patient, begun[0], begun[1], at_min))
        if source is not None:
            self._open[patient] = (source, at_min)

    def _gone(self, entry: LogEntry) -> None:
        """Note a regulator that leaves with a patient: the one named, or with nothing named all."""
        event = entry.event
        if not isinstance(event, Transferred):
            return
        person = self.books.people.get(event.patient)
        tag = event.regulator
        if tag is None and event.cylinder is None and person is not None and person.source:
            tag = person.source.regulator
        if tag is not None:
            self.gone.append((tag, entry.id, entry.at_min))

    def _read_tag(self, entry: LogEntry) -> str | None:
        event = entry.event
        if not isinstance(event, READS):
            return None
        if not isinstance(event, CylinderEmpty) and event.gauge is None:
            return None
        if event.cylinder is not None:
            return event.cylinder
        person = self.books.people.get(getattr(event, "patient", None) or "")
        return person.source.cylinder if person is not None and person.source else None

    def _was_taken(self, entry: LogEntry, tag: str) -> bool:
        """Whether a connection that carries a gauge was followed, or refused as a contradiction."""
        if not isinstance(entry.event, Connected | Swapped):
            return True
        source = self.books.people[entry.event.patient].source
        return source is not None and source.cylinder == tag

    def _reading(self, entry: LogEntry, tag: str) -> ReadGauge | None:
        item = self.books.items.get(tag)
        if item is None or item.tank.cylinder is None or item.tank.cylinder.power_min is not None:
            return None
        text, has_temperature = self._text(entry)
        for other in self.books.items.values():
            other.tank.advance(entry.at_min)
        tank = item.tank
        patients = tuple(sorted(tank.flows, key=tag_key))
        sources = tuple(s for p in patients if (s := self.books.people[p].source) is not None)
        is_empty = isinstance(entry.event, CylinderEmpty)
        same = tank.first is tank.last
        last = replace(tank.last)
        verdict = replace(tank, first=last if same else replace(tank.first), last=last).read(text)
        flows = [_true_flow(tank, anchor, text, is_empty) for anchor in (tank.last, tank.first)]
        return ReadGauge(
            entry.id, tag, entry.at_min, text.gauge.psi, text.temperature_c, has_temperature,
            text.rough_psi, patients, sources, self._others(tag), verdict,
            flows[0], None if same else flows[1], self._steady(tank, text, is_empty), is_empty,
        )  # fmt: skip

    def _steady(self, tank: Tank, text: GaugeText, is_empty: bool) -> TrueFlow | None:
        """Return the one flow that all gauges of a cylinder agree on, if they do."""
        last = tank.last
        if last.unknown or tank.cylinder is None or is_empty:
            self._series.pop(tank.tag, None)
            return None
        series = self._series.setdefault(tank.tag, Series(last))
        there = _there(tank, text, is_empty)
        if not series.take(last, Point(0.0, there.held_l, there.gauge_sd_l)):
            self._series[tank.tag] = Series(there)  # it rose: filled since, or another's gauge
            return None
        late_l = (tank.flow_lpm or 0.0) * text.plus_minus_min
        fit = steady_flow(series.points, series.timing_l2 + late_l**2 / 3.0)
        minutes, written_l = series.flowed_min, series.points[-1].written_l
        if fit is None or minutes <= 0.0:
            return None
        lpm, low, high = (max(0.0, share * written_l / minutes) for share in fit)
        begin = series.begin
        return TrueFlow(begin.at_min, begin.gauge_psi, minutes, written_l / minutes, lpm, low, high)

    def _text(self, entry: LogEntry) -> tuple[GaugeText, bool]:
        event, air = entry.event, self.books.stock.air_temperature
        if not isinstance(event, GaugeRead | Connected | Swapped | CylinderLow):
            return GaugeText(Pressure(0.0, "psi"), 0.0, air.c, entry.at_min,
                             entry.plus_minus_min), True  # fmt: skip
        rough = event.gauge_plus_minus.psi if event.gauge_plus_minus is not None else 0.0
        gauge = event.gauge or Pressure(0.0, "psi")
        at_c = (event.temperature or air).c
        text = GaugeText(gauge, rough, at_c, entry.at_min, entry.plus_minus_min)
        return text, event.temperature is not None

    def _others(self, tag: str) -> tuple[tuple[str, Expected], ...]:
        """Return what other cylinders that are there should show at this minute."""
        found = []
        for item in self.books.items.values():
            expected = item.tank.expected() if item.tank.tag != tag else None
            if expected is not None and item.status in {"in stock", "connected", "taken off"}:
                found.append((item.tank.tag, expected))
        return tuple(found)

    def _exchange(
        self, entry: LogEntry, patient: str, tags: tuple[str, str], without_min: float
    ) -> None:
        off, on = tags
        tank, new = self.books.items[off].tank, self.books.items[on].tank
        expected = tank.expected()
        left = None
        if expected is not None and tank.cylinder is not None:
            left = float(
                content_l(tank.cylinder.water_volume_l, expected.gauge_psi,
                          self.books.stock.air_temperature.c)
            ) - tank.residual_l  # fmt: skip
        is_now = expected is not None and tank.last.at_min == entry.at_min
        fresh = new.expected()
        gauge = getattr(entry.event, "gauge", None)
        self.exchanges.append(
            Exchange(
                entry.id, patient, entry.at_min, off, on, expected, tank.last.unknown,
                tank.last.gauge_psi if is_now and tank.last.at_min > 0.0 else None, left,
                gauge.psi if gauge is not None else fresh.gauge_psi if fresh else None,
                gauge is not None, without_min,
            )
        )  # fmt: skip


def _there(tank: Tank, text: GaugeText, is_empty: bool) -> Anchor:
    """Return a reading in litres, with its error; an empty cylinder has none."""
    assert tank.cylinder is not None  # noqa: S101 - nobody reads the gauge of what is not known
    sd_psi = math.hypot(tank.stock.uncertainty.gauge.psi, text.rough_psi / math.sqrt(3.0))
    at = (text.gauge.psi, text.temperature_c)
    return anchor_at(tank.cylinder, at, 0.0 if is_empty else sd_psi, text.at_min)


def _true_flow(tank: Tank, anchor: Anchor, text: GaugeText, is_empty: bool) -> TrueFlow | None:
    """Return what flowed from an anchor to a reading; nothing is assumed of the dial."""
    if anchor.unknown or anchor.flowed_min <= 0.0 or tank.cylinder is None:
        return None
    there = _there(tank, text, is_empty)
    late_l = (tank.flow_lpm or 0.0) * text.plus_minus_min
    off_l = Z_95 * math.sqrt(
        anchor.gauge_sd_l**2 + there.gauge_sd_l**2 + anchor.timing_l2 + late_l**2 / 3.0
    )
    drawn_l = anchor.held_l - there.held_l
    minutes = anchor.flowed_min
    return TrueFlow(
        anchor.at_min, anchor.gauge_psi, minutes, anchor.used_l / minutes, drawn_l / minutes,
        max(0.0, (drawn_l - off_l) / minutes), max(0.0, (drawn_l + off_l) / minutes), is_empty,
    )  # fmt: skip
