"""The reference tables with the source of every value, how long a cylinder lasts, cautions."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final, TypeVar

import streamlit as st

from planner.banner import BANNER
from planner.incident import Option, Phase
from planner.page import look
from planner.page.review import option_words
from planner.reference import (
    OxygenOption,
    Sourced,
    load_cautions,
    load_citations,
    load_connections,
    load_cylinders,
    load_devices,
    load_protocol,
    load_regulators,
)
from planner.report.lasting import Question, lasting_text
from planner.units import Pressure, Temperature, parse_pressure, parse_temperature

Measure = TypeVar("Measure", Pressure, Temperature)

#: Trade words, as the sheets use them.
WORDS: Final = (
    ("swap", "taking one cylinder off and putting the next on"),
    ("change at", "gauge at which a swap is due"),
    ("safe residual", "gauge below which nobody breathes from a cylinder"),
    ("transfer", "transport's own oxygen takes over"),
    ("out of oxygen", "should have oxygen and has none; counted in minutes"),
    ("reserve", "cylinders on nobody"),
    ("kept for", "reserve that lower categories may not take"),
    ("first choice, reduced, minimum", "levels of an oxygen option; stepping down is a "
     "clinician's decision"),
    ("no oxygen indicated", "a normal line of a plan, not a failure"),
    ("need", "sustaining (worsens at once without), protective, comfort, none"),
)  # fmt: skip

KEYS: Final = "A published source is named by its key; Words and sources has it in full."
#: What the tables' values are called where their sources are told.
VALUES: Final[Mapping[str, str]] = {
    "water_volume_l": "water volume", "service_psi": "full pressure", "nominal_l": "litres full",
    "nominal_at_c": "temperature of these litres", "factor_l_per_psi": "litres per psi",
    "empty_kg": "weight", "min_lpm": "least flow", "max_lpm": "most flow",
    "max_lpm_child": "most flow, child", "max_lpm_infant": "most flow, infant",
    "usual_lpm": "usual flow", "oxygen_low": "least oxygen", "oxygen_high": "most oxygen",
    "recheck_min": "minutes to the next look",
}  # fmt: skip


def show() -> None:
    """Show tables, helper, cautions and words."""
    last, sizes, kit, protocol, cautions, words = st.tabs(
        ["How long it lasts", "Cylinders", "Kit", "Protocol", "Cautions", "Words and sources"]
    )
    with last:
        _last()
    with sizes:
        look.line(KEYS, "small")
        _sizes()
    with kit:
        look.line(KEYS, "small")
        _kit()
    with protocol:
        _protocol()
        look.line(KEYS, "small")
    with cautions:
        for caution in load_cautions().values():
            look.line(f"{caution.text} ({_marks(caution)})")
    with words:
        look.table(("Word", "Meaning"), WORDS)
        look.table(
            ("Key", "Source", "DOI", "From memory"),
            ((c.key, c.citation, c.doi, c.unsure) for c in load_citations().values()),
        )


def _last() -> None:
    one, two, three = st.columns(3)
    name = one.selectbox("Cylinder size", list(load_cylinders()), index=2, key="last_size")
    gauge = two.text_input("Gauge, with psi or bar", "2000 psi", key="last_gauge")
    flow = three.text_input("Flow, L/min", "15", key="last_flow")
    one, two, three, four = st.columns(4)
    read_at = one.text_input("Gauge read at, C or F", "15 C", key="last_read_at")
    used_at = two.text_input("Used at, C or F", "-10 C", key="last_used_at")
    change = three.text_input("Change at", "500 psi", key="last_change_at")
    residual = four.text_input("Safe residual", "200 psi", key="last_residual")
    told: list[str] = []
    gauges = [_read(parse_pressure, text, told) for text in (gauge, change, residual)]
    temperatures = [_read(parse_temperature, text, told) for text in (read_at, used_at)]
    text = _asked(name or "D", gauges, flow, temperatures, told)
    for wrong in told:
        look.put(f'<div class="op-fault"><b>FAULT</b> {look.escape(wrong)}</div>')
    if text:
        st.code(text, language=None, wrap_lines=True)


def _asked(
    name: str,
    gauges: Sequence[Pressure | None],
    flow: str,
    temperatures: Sequence[Temperature | None],
    told: list[str],
) -> str:
    """Return the answer, or an empty text after telling what is wrong."""
    try:
        flow_lpm = float(flow.replace(",", "."))
    except ValueError:
        told.append(f"flow {flow[:40]!r} is no number; allowed: above 0, at most 60 L/min")
        return ""
    if not 0 < flow_lpm <= 60:
        told.append(f"flow {flow_lpm:g} L/min; allowed: above 0, at most 60 L/min")
        return ""
    gauge, change, residual = gauges
    read_at, used_at = temperatures
    if gauge is None or change is None or residual is None or read_at is None or used_at is None:
        return ""
    asked = Question(load_cylinders()[name], gauge, flow_lpm, change, residual, read_at, used_at)
    try:
        return lasting_text(asked).replace(BANNER, "").strip()
    except ValueError as error:
        told.append(str(error))
        return ""


def _read(parse: Callable[[str], Measure], text: str, told: list[str]) -> Measure | None:
    try:
        return parse(text)
    except ValueError as error:
        told.append(str(error))
        return None


def _sizes() -> None:
    look.table(
        ("Size", "Also", "Water L", "Full psi", "Full L", "L/psi", "Empty kg", "Connection",
         "Note", "Sources"),
        (
            (s.name, ", ".join(s.aliases), f"{s.water_volume_l:g}", f"{s.service_psi:.0f}",
             f"{s.nominal_l:g}", f"{s.factor_l_per_psi:.3g}", f"{s.empty_kg:g}",
             ", ".join(s.connections), s.note, _marks(s))
            for s in load_cylinders().values()
        ),
        (2, 3, 4, 5, 6),
    )  # fmt: skip


def _kit() -> None:
    look.table(
        ("Device", "L/min", "Usual", "Oxygen %", "Holds responders", "Ages", "Note", "Sources"),
        (
            (d.name, f"{d.min_lpm:g}-{d.max_lpm:g}", f"{d.usual_lpm:g}",
             f"{100 * d.oxygen_low:.0f}-{100 * d.oxygen_high:.0f}", d.hands, ", ".join(d.ages),
             d.note, _marks(d))
            for d in load_devices().values()
        ),
    )  # fmt: skip
    look.table(
        ("Connection", "Valve", "Washer", "Key", "Note", "Sources"),
        ((c.name, c.valve, _yes(c.needs_washer), _yes(c.needs_key), c.note, _marks(c))
         for c in load_connections().values()),
    )  # fmt: skip
    look.table(
        ("Regulator", "Connection", "Clicks, L/min", "Outlets", "Note", "Sources"),
        ((r.name, r.connection, _numbers(r.settings_lpm), r.outlets, r.note, _marks(r))
         for r in load_regulators().values()),
    )  # fmt: skip


def _protocol() -> None:
    protocol = load_protocol()
    look.line("Example protocol, not approved. A medical director's approval is recorded in the "
              "incident; own options there win over these rows.")  # fmt: skip
    look.table(
        ("Indication", "Usual category", "Need", "Options, first choice to minimum", "Target %",
         "Notes", "Sources"),
        (
            (row.name, ", ".join(row.triage), row.need, _options(row.options), row.target_text,
             " ".join(text for text in (row.notes, row.below_minimum, row.warn) if text),
             _marks(row))
            for row in (*protocol.rows, *protocol.overrides)
        ),
    )  # fmt: skip
    for note in protocol.notes:
        look.line(note, "small")


def _options(options: Iterable[OxygenOption]) -> str:
    texts = []
    for option in options:
        phases = tuple(Phase(p.flow_lpm, p.for_min, p.chance) for p in option.phases)
        plain = Option(option.device, option.level, phases or (Phase(option.flow_lpm),))
        texts.append(f"{option.level}: {option_words(plain)}")
    return "; ".join(texts) or "none"


def _marks(row: Sourced) -> str:
    """Return the source of a row, and of the values in it that have another one."""
    sources: Mapping[str, object] = row.sources
    return "; ".join(f"{_named(name)}: {mark}" if name != "*" else str(mark)
                     for name, mark in sources.items())  # fmt: skip


def _named(value: str) -> str:
    words = VALUES.get(value, value.removeprefix("options."))
    return words.replace("_", " ")


def _numbers(values: Iterable[float]) -> str:
    return ", ".join(f"{value:g}" for value in values)


def _yes(is_so: bool) -> str:
    return "yes" if is_so else "no"
