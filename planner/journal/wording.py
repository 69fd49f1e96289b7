"""Words of a log written by hand, read one by one: times, gauges, flows, devices, what happened.

A reading says how far it may be off and, where it is not plain, why it was taken so. How far
"about" and "half" reach is our own: nobody publishes it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

from planner.journal.cells import measure_text
from planner.journal.events import EVENTS
from planner.units import (
    Pressure,
    PressureUnit,
    Temperature,
    TemperatureUnit,
    parse_pressure,
    parse_temperature,
)

WRITTEN_OFF_MIN: Final = 1.0  # a time written to the minute by hand; our own
ABOUT_MIN: Final = 5.0  # "about 1500"; our own
OPEN_MIN: Final = 15.0  # "before 1500", or no time and only the row above; our own
HOUR_MIN: Final = 30.0  # an hour without minutes; our own
ABOUT_PSI: Final = 100.0  # "about 400"; our own
RED_PSI: Final = 250.0  # "in the red": 0 to 500 psi, as gauges are often painted; from memory
FULL_PSI: Final = 2015.0  # where the size is not known: the usual service pressure; from memory
MAX_GAUGE_PSI: Final = 3600.0

_ABOUT: Final = re.compile(
    r"\A(?:about|approx(?:imately)?\.?|around|roughly|ca\.?|circa|c\.|~|maybe|say)\s*", re.I
)
_MINUTES: Final = r"(?:minutes|minute|mins|min|m)"
_LATER: Final = re.compile(rf"\A\+?\s*(\d{{1,4}})\s*{_MINUTES}\s*(?:later|after|on)?\Z", re.I)
_DAY: Final = re.compile(r"\A(\d{4})-(\d{2})-(\d{2})[ T]+")
_NEXT: Final = re.compile(r"\A(?:next day|\+1d?|day 2)[ ,:]+", re.I)
_RANGE: Final = re.compile(r"\A(?:between\s+)?(.+?)\s*(?:-|\u2013|to|and)\s*(.+)\Z", re.I)
_TIME: Final = re.compile(
    r"\A(\d{1,2})(?:[:.h]([0-5]\d)(?::([0-5]\d))?|([0-5]\d))?\s*(am|pm|a\.m\.|p\.m\.|h|hrs)?\Z",
    re.I | re.ASCII,
)
_SHIFT: Final = re.compile(
    rf"(?:([\w-]+)'s\s+)?clock\s*(?:is|was|runs|:)?\s*(\d{{1,3}})\s*{_MINUTES}\s*"
    r"(fast|slow|ahead|behind)",
    re.I,
)


@dataclass(frozen=True, slots=True)
class ClockText:
    """A clock cell: minutes of the day, or after the row before; and how sure.

    ``minute`` None: no time of day; ``later_min`` counts from the row before. ``is_half_day``: the
    hour could be before or after noon. ``why`` is empty where the cell is plain.
    """

    minute: float | None
    off_min: float
    why: str = ""
    day: date | None = None
    days_on: int = 0
    later_min: float | None = None
    is_half_day: bool = False


@dataclass(frozen=True, slots=True)
class GaugeWords:
    """A gauge cell; ``gauge`` None where it cannot be read."""

    gauge: Pressure | None
    rough: Pressure | None = None
    why: str = ""


def read_clock(cell: str) -> ClockText:
    """Read a time of day: "14:06", "1406", "about 1500", "1500-1510", "15 min later", "2 pm"."""
    text = cell.strip().lower()
    later = _LATER.match(text)
    if later:
        minutes = float(later[1])
        return ClockText(None, ABOUT_MIN, "counted from the row above", later_min=minutes)
    day, days_on = None, 0
    dated = _DAY.match(text)
    if dated:
        try:
            day = date(*(int(part) for part in dated.groups()))
        except ValueError:
            return ClockText(None, 0.0, "no such date")
        text = text[dated.end() :]
    elif following := _NEXT.match(text):
        days_on, text = 1, text[following.end() :]
    read = _time_of_day(text)
    return ClockText(
        read.minute, read.off_min, read.why, day, days_on, is_half_day=read.is_half_day
    )  # fmt: skip


def _time_of_day(text: str) -> ClockText:  # noqa: PLR0911 - one a way of writing it
    for word, sign in (("before ", -1.0), ("after ", 1.0)):
        if text.startswith(word):
            read = _time_of_day(text.removeprefix(word))
            if read.minute is None:
                return read
            minute = read.minute + sign * OPEN_MIN
            return ClockText(minute, OPEN_MIN, f"{word.strip()} a time: within half an hour of it")
    bare = _ABOUT.sub("", text)
    is_rough = bare != text or bare.endswith(("?", "ish"))
    bare = bare.removesuffix("?").removesuffix("ish").strip()
    if bare in {"noon", "midnight"}:
        return ClockText(720.0 if bare == "noon" else 0.0, ABOUT_MIN, "no minutes written")
    exact = _exact(bare)
    if exact is not None:
        if is_rough and exact.off_min < ABOUT_MIN:
            why = f"not sure: {ABOUT_MIN:g} min either way"
            return ClockText(exact.minute, ABOUT_MIN, why, is_half_day=exact.is_half_day)
        return exact
    span = _RANGE.match(bare)
    ends = [_exact(span[1].strip()), _exact(span[2].strip())] if span else []
    if len(ends) == 2 and ends[0] is not None and ends[1] is not None:
        first, last = ends[0].minute or 0.0, ends[1].minute or 0.0
        last += 1440.0 * (last < first)
        half = (last - first) / 2.0
        return ClockText((first + half) % 1440.0, max(half, WRITTEN_OFF_MIN), "the middle of both")
    return ClockText(None, 0.0, "no time that can be read")


def _exact(text: str) -> ClockText | None:
    found = _TIME.match(text)
    if not found:
        return None
    hour, (minutes, seconds, joined, half) = int(found[1]), found.groups()[1:]
    has_half = half is not None and half[0] in "ap"
    if has_half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + 12 * (half[0] == "p")
    if hour > 24 or (hour == 24 and int(minutes or joined or 0) > 0):
        return None
    minute = (hour % 24) * 60.0 + int(minutes or joined or 0) + int(seconds or 0) / 60.0
    if minutes is None and joined is None:
        return ClockText(minute, HOUR_MIN, "an hour without minutes")
    could_be_later = not has_half and len(found[1]) == 1 and hour >= 1
    return ClockText(minute, WRITTEN_OFF_MIN, is_half_day=could_be_later)


def clock_shift(text: str) -> tuple[str | None, float] | None:
    """Return whose clock a text calls fast, and by how many minutes (slow: below 0)."""
    found = _SHIFT.search(text)
    if not found:
        return None
    owner, minutes, way = found.groups()
    sign = 1.0 if way.lower() in {"fast", "ahead"} else -1.0
    return owner.lower() if owner else None, sign * float(minutes)


# ----- gauges, temperatures, flows ----------------------------------------------------------------

_SHARES: Final[Mapping[str, float]] = {
    "full": 1.0, "three quarters": 0.75, "3/4": 0.75, "two thirds": 2 / 3, "2/3": 2 / 3,
    "half": 0.5, "half full": 0.5, "1/2": 0.5, "a third": 1 / 3, "third": 1 / 3, "1/3": 1 / 3,
    "a quarter": 0.25, "quarter": 0.25, "1/4": 0.25,
}  # fmt: skip
_RED: Final = frozenset({"in the red", "in red", "red", "low"})
_NUMBER: Final = re.compile(r"\A\d{1,5}(?:\.\d+)?\Z", re.ASCII)


def read_gauge(  # noqa: PLR0911 - one a way of writing it
    cell: str, unit: PressureUnit, full_psi: float = FULL_PSI
) -> GaugeWords:
    """Read a gauge: "1900 psi", "1900", "about 400", "half", "in the red", "empty".

    Parameters
    ----------
    cell : str
        As written.
    unit : {"psi", "bar"}
        Of a number that has none.
    full_psi : float
        What the cylinder's full gauge reads, for shares of it [psi].
    """
    text = measure_text(cell).lower()
    bare = _ABOUT.sub("", text)
    is_rough = bare != text or bare.endswith(("?", "ish"))
    bare = bare.removesuffix("?").removesuffix("ish").strip()
    if bare in _SHARES:
        share = _SHARES[bare]
        why = f"{share:.2g} of a full {full_psi:.0f} psi, an eighth of it either way"
        return _words(full_psi * share, full_psi / 8.0, unit, why)
    if bare in _RED:
        return _words(RED_PSI, RED_PSI, unit, "the red of a gauge, taken as 0 to 500 psi")
    if bare == "empty":
        return _words(0.0, ABOUT_PSI / 2.0, unit, "empty, taken as 0")
    why = ""
    try:
        gauge = parse_pressure(bare)
    except ValueError:
        if not _NUMBER.match(bare):
            return GaugeWords(None, None, "no gauge that can be read")
        gauge = Pressure(float(bare), unit)
        why = f"no unit: taken as {unit}, as in the stock"
    if not 0.0 <= gauge.psi <= MAX_GAUGE_PSI:
        return GaugeWords(None, None, "no gauge reads that")
    if is_rough:
        read = _words(gauge.psi, ABOUT_PSI, gauge.unit, "")
        why = "; ".join(part for part in (why, f"not sure: {ABOUT_PSI:g} psi either way") if part)
        return GaugeWords(gauge, read.rough, why)
    return GaugeWords(gauge, None, why)


def _words(psi: float, rough_psi: float, unit: PressureUnit, why: str) -> GaugeWords:
    def rounded(value: float) -> Pressure:
        return Pressure(float(round(Pressure(value, "psi").in_unit(unit))), unit)

    return GaugeWords(rounded(psi), rounded(rough_psi), why)


def read_temperature(cell: str, unit: TemperatureUnit) -> tuple[Temperature | None, str]:
    """Read a temperature and why it was taken so; a bare number has the stock's unit."""
    text = measure_text(cell.replace("\u2212", "-").replace("\u00b0", ""))
    try:
        return parse_temperature(text), ""
    except ValueError:
        pass
    try:
        return parse_temperature(f"{text}{unit}"), f"no unit: taken as {unit}, as in the stock"
    except ValueError:
        return None, "no temperature that can be read"


_FLOW: Final = re.compile(r"\A(\d{1,2}(?:[.,]\d+)?)\s*(?:l/min|lpm|l|litres?(?:/min)?)?\Z", re.I)
_FLOW_WITHIN: Final = re.compile(r"\b(\d{1,2}(?:\.\d+)?)\s*(?:l/min|lpm|l)\b", re.I | re.ASCII)


def read_flow(cell: str) -> tuple[float | None, str]:
    """Read a flow [L/min] and why it was taken so."""
    bare = _ABOUT.sub("", cell.strip()).removesuffix("?").strip()
    found = _FLOW.match(bare)
    if not found:
        return None, "no flow that can be read"
    return float(found[1].replace(",", ".")), "" if bare == cell.strip() else "not sure"


def flow_within(text: str) -> float | None:
    """Return the first flow with its unit in a text [L/min]."""
    found = _FLOW_WITHIN.search(text)
    return float(found[1]) if found else None


_DEVICES: Final[Mapping[str, str]] = {
    "nrb": "non-rebreather", "sm": "simple mask", "nc": "cannula", "bvm": "bag-valve-mask",
    "v24": "venturi 24", "v28": "venturi 28", "v35": "venturi 35", "v40": "venturi 40",
    "v60": "venturi 60",
}  # fmt: skip
_DEVICE_FLOW: Final = re.compile(
    r"\b(nrb|sm|nc|bvm|v\d\d|non-rebreather|simple mask|cannula)(?:\s+(?:set\s+)?(\d{1,2}))?\b",
    re.I | re.ASCII,
)


def read_device(text: str) -> tuple[str | None, float | None]:
    """Return a device, letters written out, and the flow behind it: "NRB 10"."""
    found = _DEVICE_FLOW.search(text)
    if not found:
        return None, None
    name = found[1].lower()
    return _DEVICES.get(name, name), float(found[2]) if found[2] else None


# ----- what happened ------------------------------------------------------------------------------

_HAPPENED: Final[tuple[tuple[str, re.Pattern[str]], ...]] = tuple(
    (word, re.compile(rf"\b(?:{pattern})", re.I))
    for word, pattern in (
        ("swapped", r"swap|onto\b|chang(?:ed|e) (?:to|over|cylinder)|new (?:bottle|cylinder)"),
        ("disconnected", r"mask off|taken off|off oxygen|o2 off|disconnect"),
        ("connected", r"connect|hook(?:ed)? up|put on|on oxygen|o2 on|on\Z"),
        ("treatment stopped", r"(?:treatment|care|oxygen) stopped|stopped oxygen"),
        ("died", r"died|deceased"),
        ("triage changed", r"re-?triage|triage|upgraded|downgraded"),
        ("flow changed", r"turned (?:up|down)|flow|l/min|lpm"),
        ("resupply arrived", r"deliver|resupply|brought"),
        ("requested", r"request|asked for|called for|order"),
        ("delay announced", r"delay\b|turned back|cancel|eta\b|running late|\d+ (?:min )?out\b"),
        ("transferred", r"leaves?\b|left\b|transfer|evacuat|handed over|hand-?over|flown out"),
        ("cylinder empty", r"empty"),
        ("gauge read", r"gauge|psi\b|bar\b|reads?\b|pressure|about \d"),
        ("found", r"found|located|dug out"),
        ("kit failed", r"torn|broken|fail|leak|froze|cracked"),
        ("moved", r"moved|carried|taken to"),
        ("cylinder low", r"low\b"),
        ("connected", r"on [a-z]{1,4}[- ]?\d"),  # last: "gauge on H-04" is a reading
    )
)
_TRANSPORT: Final = re.compile(
    r"\b(helicopter|snowcat|snowmobile|ambulance|toboggan|sled|boat|bus|truck|road)\b", re.I
)
_OUT: Final = re.compile(r"\b(\d{1,3})\s*(?:min(?:utes)?\s*)?out\b", re.I | re.ASCII)
_LATE: Final = re.compile(rf"\b(\d{{1,3}})\s*{_MINUTES}\s*(?:late|delay)", re.I | re.ASCII)


def read_event(text: str) -> tuple[str | None, str]:
    """Return the word of `EVENTS` for what is written, and why; None: nothing known in it."""
    word = " ".join(text.lower().split())
    if word in EVENTS:
        return word, ""
    found = [word for word, pattern in _HAPPENED if pattern.search(text)]
    if not found:
        return None, "not understood"
    rest = [word for word in dict.fromkeys(found) if word != found[0]]
    others = f" (it could also be: {', '.join(rest)})" if rest else ""
    return found[0], f"by its words{others}"


def transport_within(text: str) -> str | None:
    """Return the transport that a text names."""
    found = _TRANSPORT.search(text)
    return found[1].lower() if found else None


def minutes_out(text: str) -> float | None:
    """Return how far off a text says transport is: "helicopter 15 out" [min]."""
    found = _OUT.search(text)
    return float(found[1]) if found else None


def minutes_late(text: str) -> float | None:
    """Return how late a text says transport is [min]."""
    found = _LATE.search(text)
    return float(found[1]) if found else None


# ----- tags ---------------------------------------------------------------------------------------

_TOKEN: Final = re.compile(r"[A-Za-z]+[- ]?\d+[A-Za-z]?", re.ASCII)
_PARTS: Final = re.compile(r"[0-9]+|[^\W\d_]+")


def tag_form(tag: str) -> tuple[str, ...]:
    """Return what two spellings of one tag share: H-04, h4 and "H 4"."""
    parts = _PARTS.findall(tag.casefold())
    return tuple(part.lstrip("0") or "0" if part.isdecimal() else part for part in parts)


TagForms = Mapping[tuple[str, ...], tuple[str, ...]]


def tag_forms(known: Iterable[str]) -> TagForms:
    """Return known tags by what their spellings share."""
    forms: dict[tuple[str, ...], tuple[str, ...]] = {}
    for tag in known:
        forms[tag_form(tag)] = (*forms.get(tag_form(tag), ()), tag)
    return forms


def known_tag(tag: str, forms: TagForms) -> str | None:
    """Return the known tag that a spelling means; None when there is none, or more than one."""
    alike = forms.get(tag_form(tag), ())
    return tag if tag in alike else alike[0] if len(alike) == 1 else None


def tags_within(text: str, forms: TagForms) -> tuple[str, ...]:
    """Return the known tags that a text names, in its order, each once."""
    found = (known_tag(token, forms) for token in _TOKEN.findall(text))
    return tuple(dict.fromkeys(tag for tag in found if tag is not None))
