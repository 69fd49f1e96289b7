"""Readings that do not fit, and what could explain each: possibilities in an order, no verdict.

How plausible each is follows from rules of our own (no source): does it give the number that was
read, do other readings bear it out, does the log name it. The record alone can settle none.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from planner.gas import content_l, gauge_after_temperature, gauge_for_content
from planner.journal.events import LogEntry
from planner.journal.states import Side
from planner.journal.stock import Stock
from planner.report.words import pressure
from planner.review.walking import ReadGauge, TrueFlow, Walk
from planner.units import Pressure

Cause = Literal["leak", "wrong setting", "cold", "misread", "wrong tag"]
Grade = Literal["fits well", "possible", "hardly"]
_GRADES: Final[tuple[Grade, ...]] = ("fits well", "possible", "hardly")
_WORDS: Final = ("washer", "leak", "hiss", "seal", "torn")  # how a log names extra loss
NEAR_MIN: Final = 30.0  # a word about a leak counts so long after the reading; our own, no source
USUAL_C: Final = 15.0  # gas so much colder or warmer than the air is ordinary; our own, no source
ROOM_C: Final = (5.0, 30.0)  # where cylinders are read indoors; our own, no source


@dataclass(frozen=True, slots=True)
class Explanation:
    """One thing that could be behind a reading, with what speaks for and against it."""

    cause: Cause
    grade: Grade
    why: str
    speaks_for: tuple[str, ...] = ()
    against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Misfit:
    """A reading outside its band, and at least two explanations, most plausible first."""

    reading: ReadGauge
    side: Side
    expected_psi: float
    low_psi: float
    high_psi: float
    flow: TrueFlow | None
    explanations: tuple[Explanation, ...]

    @property
    def is_of_flow(self) -> bool:
        """Whether more or less flow than written is more than hardly possible."""
        causes = {e.cause for e in self.explanations if e.grade != "hardly"}
        return bool(causes & {"leak", "wrong setting"})


def misfits(found: Walk, stock: Stock) -> tuple[Misfit, ...]:
    """Return every reading that does not fit, in the order of the log."""
    return tuple(_misfits(found, stock))


def _misfits(found: Walk, stock: Stock) -> Iterator[Misfit]:
    for number, reading in enumerate(found.readings):
        verdict = reading.verdict
        if verdict is None or verdict.side is None:
            continue
        case = _Case(reading, verdict.side, verdict.from_last.gauge_psi, found, stock, number)
        told = [_leak(case), _setting(case), _cold(case), _misread(case), _tag(case)]
        ranked = sorted(
            (e for e in told if e is not None),
            key=lambda e: (_GRADES.index(e.grade), len(e.against) - len(e.speaks_for)),
        )
        yield Misfit(
            reading, verdict.side, verdict.from_last.gauge_psi, verdict.low_psi,
            verdict.high_psi, reading.flow, tuple(ranked),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Case:
    """A misfit with all that is looked at to explain it."""

    reading: ReadGauge
    side: Side
    expected_psi: float
    walk: Walk
    stock: Stock
    number: int

    def told(self, gauge_psi: float) -> str:
        """Return a gauge in the stock's unit."""
        is_bar = self.stock.change_at.unit == "bar"
        return pressure(Pressure(gauge_psi, "psi"), is_bar=is_bar)

    @property
    def rest(self) -> Sequence[ReadGauge]:
        """Other readings of the same cylinder with a flow."""
        return [
            r for k, r in enumerate(self.walk.readings)
            if k != self.number and r.cylinder == self.reading.cylinder and r.flow is not None
        ]  # fmt: skip

    @property
    def next(self) -> ReadGauge | None:
        """The reading of the same cylinder that follows."""
        after = self.walk.readings[self.number + 1 :]
        return next((r for r in after if r.cylinder == self.reading.cylinder), None)

    @property
    def is_alone(self) -> bool:
        """Whether the next reading agrees with the first gauge as if this one were not there."""
        later = self.next
        if later is None or later.verdict is None or later.since_first is None:
            return False
        return later.since_first.is_as_written

    @property
    def bears_out(self) -> bool:
        """Whether another reading shows a flow off the written one, in agreement with this."""
        flow = self.reading.flow
        return flow is not None and any(
            not r.flow.is_as_written
            and r.flow.low_lpm <= flow.high_lpm and flow.low_lpm <= r.flow.high_lpm
            for r in self.rest if r.flow is not None
        )  # fmt: skip


def _grade(speaks_for: Sequence[str], against: Sequence[str]) -> Grade:
    if against and len(against) >= len(speaks_for):
        return "hardly"
    return "fits well" if len(speaks_for) > len(against) else "possible"


def _made(cause: Cause, why: str, speaks_for: list[str], against: list[str]) -> Explanation:
    return Explanation(
        cause, _grade(speaks_for, against), why, tuple(speaks_for), tuple(against)
    )  # fmt: skip


def _leak(case: _Case) -> Explanation | None:
    flow = case.reading.flow
    if case.side != "lower" or flow is None:
        return None
    extra = flow.lpm - flow.written_lpm
    speaks_for, against = _borne_out(case)
    named = _named(case)
    if named is not None:
        speaks_for.append(f"entry {named.id} says so: {named.note}")
    least = "at least " if flow.is_at_least else ""
    why = f"{least}about {extra:.0f} L/min more than set went somewhere, such as past a washer"
    return _made("leak", why, speaks_for, against)


def _borne_out(case: _Case) -> tuple[list[str], list[str]]:
    """Return what other readings of the cylinder say to a flow that stayed off all along."""
    if case.is_alone:
        return [], ["the next reading agrees with the flow as written"]
    if case.bears_out:
        return ["another reading of this cylinder gives the same flow"], []
    return [], []


def _named(case: _Case) -> LogEntry | None:
    """Return an entry about this cylinder or its patients that speaks of a leak, soon after."""
    about = {case.reading.cylinder, *case.reading.patients}
    for entry in case.walk.entries:
        if not 0.0 <= entry.at_min - case.reading.at_min <= NEAR_MIN or not entry.note:
            continue
        names = {getattr(entry.event, name, None) for name in ("patient", "cylinder", "off")}
        if names & about and any(word in entry.note.lower() for word in _WORDS):
            return entry
    return None


def _setting(case: _Case) -> Explanation | None:
    flow = case.reading.flow
    if flow is None or not case.reading.sources:
        return None
    speaks_for, against = _borne_out(case)
    dial = sorted(_dial(case))
    fitting = [
        f"{s:g}" for s in dial
        if s != flow.written_lpm and flow.low_lpm <= s <= flow.high_lpm
    ]  # fmt: skip
    if fitting:
        speaks_for.append(f"the dial has {' and '.join(fitting)} L/min, which gives this gauge")
    elif dial and not flow.is_at_least:
        against.append("no setting of the dial gives this gauge")
    elif dial and flow.low_lpm > dial[-1]:
        against.append("the dial has nothing that high")
    if flow.is_as_written:
        against.append("counted from the first gauge, the flow is as written")
    why = f"about {flow.lpm:.0f} L/min flowed, {flow.written_lpm:.0f} are written"
    return _made("wrong setting", why, speaks_for, against)


def _dial(case: _Case) -> tuple[float, ...]:
    """Return the settings of the one dial on a cylinder; none where it is not known, or shared."""
    sources = case.reading.sources
    if len(sources) != 1:
        return ()
    regulators = {r.tag: r for r in case.stock.regulators}
    regulator = regulators.get(sources[0].regulator or "")
    if regulator is not None:
        return tuple(s for s in regulator.settings_lpm if s > 0.0)
    cylinder = next((c for c in case.stock.cylinders if c.tag == case.reading.cylinder), None)
    return cylinder.settings_lpm if cylinder is not None else ()


def _cold(case: _Case) -> Explanation | None:
    """Gas at another temperature than taken: now, or when the first gauge was read."""
    if case.reading.is_empty:
        return None
    read, air = case.reading, case.stock.air_temperature.c
    against: list[str] = []
    needed = _temperature_for(case.expected_psi, read.temperature_c, read.psi)
    word = "colder" if case.side == "lower" else "warmer"
    if needed is None:
        against.append(
            f"no temperature from -50 to 60 C makes {case.told(case.expected_psi)} of it"
        )
        why = f"the gas was {word} than taken, so the gauge read {case.side}"
    else:
        off = abs(needed - read.temperature_c)
        why = f"the gas was at about {needed:.0f} C, not {read.temperature_c:.0f} C"
        if read.has_temperature:
            against.append("its temperature is written beside the gauge")
        elif off > USUAL_C:
            against.append(f"that is {off:.0f} C away from the air")
    warm = _warm_start(case)
    if warm is not None:
        why += (
            f"; or its first gauge was read at about {warm:.0f} C, and is taken as at {air:.0f} C"
        )
        against = [] if not _was_read_before(case) else ["it had been read before, and agreed"]
    return _made("cold", why, [], against)


def _was_read_before(case: _Case) -> bool:
    """Whether an earlier reading of this cylinder agreed with what was expected."""
    earlier = case.walk.readings[: case.number]
    tag = case.reading.cylinder
    return any(r.cylinder == tag and r.verdict and r.verdict.side is None for r in earlier)


def _temperature_for(psi: float, at_c: float, read_psi: float) -> float | None:
    """Return the temperature at which a closed cylinder would show another gauge, by halving."""
    low, high = -50.0, 60.0
    ends = [_shown(psi, at_c, to_c) for to_c in (low, high)]
    if not ends[0] <= read_psi <= ends[1]:
        return None
    for _ in range(40):
        middle = (low + high) / 2.0
        if _shown(psi, at_c, middle) < read_psi:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def _shown(psi: float, from_c: float, to_c: float) -> float:
    try:
        return float(gauge_after_temperature(psi, from_c, to_c))
    except ValueError:  # over what the gas data cover: higher than any gauge
        return 1e9


def _warm_start(case: _Case) -> float | None:
    """Return at which room temperature the first gauge would explain a lower reading, or None."""
    flow, read = case.reading.flow, case.reading
    cylinder = next((c for c in case.stock.cylinders if c.tag == read.cylinder), None)
    air = case.stock.air_temperature.c
    if case.side != "lower" or flow is None or cylinder is None or cylinder.read_at.c != air:
        return None
    # So much less was in it from the beginning: what it would have shown in the air.
    volume = cylinder.water_volume_l
    held_l = float(content_l(volume, flow.from_psi, air))
    true_l = held_l - (flow.lpm - flow.written_lpm) * flow.flowed_min
    if true_l <= 0.0:
        return None
    cold_psi = float(gauge_for_content(volume, true_l, air))
    needed = _temperature_for(cold_psi, air, flow.from_psi)
    return needed if needed is not None and ROOM_C[0] <= needed <= ROOM_C[1] else None


def _misread(case: _Case) -> Explanation:
    read, verdict = case.reading, case.reading.verdict
    speaks_for, against = [], []
    if case.is_alone:
        speaks_for.append("the next reading agrees with what was expected before this one")
    if case.bears_out:
        against.append("another reading of this cylinder bears it out")
    if verdict is not None and read.rough_psi > 0.0:
        speaks_for.append("it was read roughly")
    why = f"{case.told(read.psi)} was read or written for about {case.told(case.expected_psi)}"
    if read.is_empty:
        why = "it was taken for empty: no flow for another reason, such as a closed valve"
    elif read.since_first is not None and read.since_first.is_as_written:
        why = "the reading before it was off, not this one"
        speaks_for.append("counted from the first gauge, this one fits")
    if not any(r.cylinder == read.cylinder for r in case.walk.readings[: case.number]):
        speaks_for.append("the gauge it began with comes from the list: none was written down")
    return _made("misread", why, speaks_for, against)


def _tag(case: _Case) -> Explanation:
    read = case.reading
    slack = 2.0 * case.stock.uncertainty.gauge.psi
    fitting = [
        tag for tag, e in read.others
        if e.low_psi - slack <= read.psi <= e.high_psi + slack
    ]  # fmt: skip
    in_use = {d.source.cylinder for d in case.walk.draws if d.from_min <= read.at_min}
    used = [tag for tag in fitting if tag in in_use]
    speaks_for, against = [], []
    if used:
        speaks_for.append(f"{' or '.join(used)} should have shown about that")
    elif not fitting:
        against.append("no other cylinder should have shown that")
    if case.bears_out:
        against.append("another reading under this tag bears it out")
    return _made("wrong tag", "the gauge is another cylinder's", speaks_for, against)
