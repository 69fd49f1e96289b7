"""What a cylinder's gauge should show by the log: real gas, from a reading on, with a band.

Errors, as in :class:`planner.incident.Uncertainty`: a gauge is off by its standard deviation, anew
at each reading; a dial gives a share more or less than set, the same share all along (which is the
widest it can be); a time that is off by at most so many minutes counts as anywhere within them
alike. They add up as independent errors do; the band holds 95 of 100.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

from planner.gas import content_l, gauge_for_content
from planner.incident import Cylinder
from planner.journal.states import Due, Expected, Side
from planner.journal.stock import Stock
from planner.real_gas import MAX_GAUGE_PSI
from planner.units import Pressure

Z_95: Final = 1.959964  # two-sided 95 % of a normal distribution
NO_FLOW: Final = "the flow is not written down"
NO_VOLUME: Final = "it is not in the stock"
NO_GAUGE: Final = "it was found low and no gauge is written down"
NO_CYLINDER: Final = "it is a concentrator"


@dataclass(slots=True)
class Anchor:
    """A gauge that was known, and what has been breathed since.

    ``timing_l2`` is the variance, in litres squared, from times that may be off.
    """

    gauge_psi: float
    at_min: float
    held_l: float
    gauge_sd_l: float
    used_l: float = 0.0
    timing_l2: float = 0.0
    flowed_min: float = 0.0
    unknown: str = ""


@dataclass(frozen=True, slots=True)
class GaugeText:
    """A reading: pressure, how far a rough one may be off, and the gas's temperature."""

    gauge: Pressure
    rough_psi: float
    temperature_c: float
    at_min: float
    plus_minus_min: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """A reading against both expectations; see :class:`planner.journal.states.GaugeCheck`."""

    from_last: Expected
    from_first: Expected | None
    low_psi: float
    high_psi: float
    side: Side | None
    extra_lpm: float | None


@dataclass(slots=True)
class Tank:
    """A cylinder while the log is followed: who draws from it, and since which reading."""

    tag: str
    cylinder: Cylinder | None
    stock: Stock
    first: Anchor
    last: Anchor
    at_min: float
    residual_l: float
    change_l: float
    flows: dict[str, float | None] = field(default_factory=dict)
    crossed_residual_min: float | None = None
    crossed_change_min: float | None = None

    def copy(self) -> Tank:
        """Return one that goes its own way from here."""
        last = replace(self.last)
        first = last if self.first is self.last else replace(self.first)
        return replace(self, first=first, last=last, flows=dict(self.flows))

    @property
    def flow_lpm(self) -> float | None:
        """What leaves it [L/min], None when one of the flows is not written down."""
        total = 0.0
        for flow in self.flows.values():
            if flow is None:
                return None
            total += flow
        return total * self.stock.uncertainty.cold_flow_factor

    def advance(self, to_min: float) -> None:
        """Let the flows run up to a minute."""
        minutes = to_min - self.at_min
        self.at_min = to_min
        if minutes <= 0.0 or not self.flows:
            return
        flow = self.flow_lpm
        if flow is None:
            self.first.unknown = self.first.unknown or NO_FLOW
            self.last.unknown = self.last.unknown or NO_FLOW
            return
        if flow > 0.0:
            self._note_crossings(flow, minutes)
        for anchor in self._anchors():
            anchor.used_l += flow * minutes
            anchor.flowed_min += minutes * (flow > 0.0)

    def set_flow(self, patient: str, flow_lpm: float | None, at_min: float, off_min: float) -> None:
        """Set what one patient draws from a minute on, which may be off by so many."""
        self.advance(at_min)
        before = self.flow_lpm
        self.flows[patient] = flow_lpm
        self._changed(before, off_min)

    def release(self, patient: str, at_min: float, off_min: float) -> None:
        """Let a patient draw no more."""
        self.advance(at_min)
        before = self.flow_lpm
        self.flows.pop(patient, None)
        self._changed(before, off_min)

    def read(self, reading: GaugeText) -> Verdict | None:
        """Take a reading; None where nothing could be expected.

        Later expectations count from it, unless it is a rough one that fits: then it says less
        than the arithmetic does.
        """
        self.advance(reading.at_min)
        if self.cylinder is None or self.cylinder.power_min is not None:
            return None
        verdict = self._verdict(reading)
        sd_psi = math.hypot(self.stock.uncertainty.gauge.psi, reading.rough_psi / math.sqrt(3.0))
        fits = verdict is not None and verdict.side is None
        if not (fits and reading.rough_psi > 0.0):
            at = (reading.gauge.psi, reading.temperature_c)
            self.last = anchor_at(self.cylinder, at, sd_psi, reading.at_min)
            self.last.timing_l2 = self._timing(self.flow_lpm, reading.plus_minus_min)
            self.crossed_residual_min = self.crossed_change_min = None
            # Filled since, or another cylinder under this tag: the first gauge says no more.
            if self.first.unknown or (verdict is not None and verdict.side == "higher"):
                self.first = self.last
        return verdict

    def forget(self) -> None:
        """Count on no gauge until the next reading: it was found low, nobody wrote how low."""
        self.first.unknown = self.last.unknown = NO_GAUGE

    def expected(self, temperature_c: float | None = None) -> Expected | None:
        """Return what the gauge should show now, in the air or at a temperature."""
        return self._expected(self.last, temperature_c)

    def is_surely_past_residual(self) -> bool:
        """Whether the whole band lies under the safe residual."""
        if self.last.unknown:
            return False
        left = self._left(self.last)
        return left + Z_95 * self._sd(self.last) < self.residual_l

    def due(self) -> Due | None:
        """Return when a change is due at the flow now; None where nothing flows or is known."""
        flow = self.flow_lpm
        if not flow or self.last.unknown:
            return None
        left = self._left(self.last)
        change = self.crossed_change_min
        if change is None:
            change = self.at_min + (left - self.change_l) / flow
        residual = self.crossed_residual_min
        if residual is None:
            residual = self.at_min + (left - self.residual_l) / flow
        # By then so many litres will have been breathed, all with the dial's error.
        drawn_l = max(0.0, self.last.held_l - self.change_l)
        sd_l = math.hypot(
            self.last.gauge_sd_l,
            self.stock.uncertainty.flow_setting * drawn_l,
            math.sqrt(self.last.timing_l2),
        )
        off = Z_95 * sd_l / flow
        patients = tuple(sorted(self.flows))
        is_past = change <= self.at_min
        return Due(self.tag, patients, change, change - off, change + off, residual, is_past)

    # ----- inside -------------------------------------------------------------------------------

    def _anchors(self) -> tuple[Anchor, ...]:
        return (self.last,) if self.first is self.last else (self.first, self.last)

    def _changed(self, before: float | None, off_min: float) -> None:
        after = self.flow_lpm
        if before is None or after is None:
            return
        for anchor in self._anchors():
            anchor.timing_l2 += self._timing(after - before, off_min)

    @staticmethod
    def _timing(flow_lpm: float | None, off_min: float) -> float:
        """Variance of litres when a flow's change is anywhere within plus-minus minutes alike."""
        return ((flow_lpm or 0.0) * off_min) ** 2 / 3.0

    def _left(self, anchor: Anchor) -> float:
        return anchor.held_l - anchor.used_l

    def _sd(self, anchor: Anchor) -> float:
        share = self.stock.uncertainty.flow_setting * anchor.used_l
        return math.hypot(anchor.gauge_sd_l, share, math.sqrt(anchor.timing_l2))

    def _note_crossings(self, flow_lpm: float, minutes: float) -> None:
        """Note when the arithmetic passes change pressure and residual on the way."""
        left = self._left(self.last)
        start = self.at_min - minutes
        if left >= self.residual_l > left - flow_lpm * minutes:
            self.crossed_residual_min = start + (left - self.residual_l) / flow_lpm
        if left >= self.change_l > left - flow_lpm * minutes:
            self.crossed_change_min = start + (left - self.change_l) / flow_lpm

    def _expected(
        self, anchor: Anchor, temperature_c: float | None = None, timing_l2: float = 0.0
    ) -> Expected | None:
        if anchor.unknown or self.cylinder is None:
            return None
        at_c = self.stock.air_temperature.c if temperature_c is None else temperature_c
        volume = self.cylinder.water_volume_l
        most = content_l(volume, MAX_GAUGE_PSI, at_c)
        left = self._left(anchor)
        off = Z_95 * math.sqrt(self._sd(anchor) ** 2 + timing_l2)
        psi, low, high = (
            gauge_for_content(volume, min(max(litres, 0.0), most), at_c)
            for litres in (left, left - off, left + off)
        )
        return Expected(psi, low, high, anchor.gauge_psi, anchor.at_min, anchor.used_l)

    def _verdict(self, reading: GaugeText) -> Verdict | None:
        timing = self._timing(self.flow_lpm, reading.plus_minus_min)
        last = self._expected(self.last, reading.temperature_c, timing)
        if last is None:
            return None
        first = None
        if self.first is not self.last and not self.first.unknown:
            first = self._expected(self.first, reading.temperature_c, timing)
        sd_psi = math.hypot(self.stock.uncertainty.gauge.psi, reading.rough_psi / math.sqrt(3.0))
        low, high = _edges(last, sd_psi)
        widest = _edges(first, sd_psi) if first else (low, high)
        psi = reading.gauge.psi
        is_first_off = not widest[0] <= psi <= widest[1]
        side = _side(psi, (low, high)) or _side(psi, widest)
        anchor = self.first if first and is_first_off else self.last
        extra = self._extra(anchor, psi, reading.temperature_c)
        return Verdict(last, first, low, high, side, extra)

    def _extra(self, anchor: Anchor, psi: float, temperature_c: float) -> float | None:
        if anchor.flowed_min <= 0.0 or self.cylinder is None:
            return None
        there = content_l(self.cylinder.water_volume_l, psi, temperature_c)
        if there > anchor.held_l:
            return None  # it rose: no flow, however small, explains that
        return (self._left(anchor) - there) / anchor.flowed_min


def tank_of(tag: str, cylinder: Cylinder | None, stock: Stock) -> Tank:
    """Return a cylinder as the stock has it, at the start."""
    if cylinder is None or cylinder.power_min is not None:
        anchor = Anchor(0.0, 0.0, 0.0, 0.0, unknown=NO_CYLINDER if cylinder else NO_VOLUME)
        return Tank(tag, cylinder, stock, anchor, anchor, -math.inf, 0.0, 0.0)
    at = (cylinder.gauge.psi, cylinder.read_at.c)
    anchor = anchor_at(cylinder, at, stock.uncertainty.gauge.psi, 0.0)
    volume, air_c = cylinder.water_volume_l, stock.air_temperature.c
    return Tank(
        tag, cylinder, stock, anchor, anchor, -math.inf,
        residual_l=content_l(volume, stock.safe_residual.psi, air_c),
        change_l=content_l(volume, stock.change_at.psi, air_c),
    )  # fmt: skip


def anchor_at(cylinder: Cylinder, at: tuple[float, float], sd_psi: float, at_min: float) -> Anchor:
    """Return an anchor from a gauge [psi] and temperature [C], with the gauge's error [psi]."""
    gauge_psi, temperature_c = at
    volume = cylinder.water_volume_l
    low, high = max(gauge_psi - sd_psi, 0.0), min(gauge_psi + sd_psi, MAX_GAUGE_PSI)
    span = content_l(volume, high, temperature_c) - content_l(volume, low, temperature_c)
    sd_l = span / (high - low) * sd_psi if high > low else 0.0
    return Anchor(gauge_psi, at_min, content_l(volume, gauge_psi, temperature_c), sd_l)


def _edges(expected: Expected, sd_psi: float) -> tuple[float, float]:
    """Return where a reading falls 95 times in 100, its own error included."""
    own = Z_95 * sd_psi
    low = expected.gauge_psi - math.hypot(expected.gauge_psi - expected.low_psi, own)
    high = expected.gauge_psi + math.hypot(expected.high_psi - expected.gauge_psi, own)
    return low, high


def _side(psi: float, edges: tuple[float, float]) -> Side | None:
    if edges[0] <= psi <= edges[1]:
        return None
    return "lower" if psi < edges[0] else "higher"
