"""Words about a field, from its table: its title, what is taken when it is left out, its help."""

from __future__ import annotations

from typing import Final

from planner.fields import Field, Kind, Presence
from planner.units import Pressure, Temperature

UNITS: Final = {Kind.PRESSURE: ("psi", "bar"), Kind.TEMPERATURE: ("c", "f")}
NAMES: Final = {"spo2": "SpO2", "spo2_reliable": "SpO2 reliable", "read_at": "Gauge read at",
                "num_patients": "Patients"}  # fmt: skip
SUFFIXES: Final = ("_min", "_lpm", "_l_per_psi", "_l", "_m", "_kg")


def title(field: Field) -> str:
    """Return a field's name for people, with its unit."""
    name = field.name
    if name not in NAMES:
        for suffix in SUFFIXES:
            if field.unit and name.endswith(suffix):
                name = name.removesuffix(suffix)
                break
    words = NAMES.get(name) or name.replace("_", " ").capitalize()
    unit = f", {field.unit}" if field.unit else ""
    return f"{words}{unit}" + (" (required)" if field.presence is Presence.REQUIRED else "")


def usual(field: Field) -> str:
    """Return what a field is taken to be when it is left out."""
    if field.presence is not Presence.DEFAULTED:
        return ""
    value = field.default
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Pressure | Temperature):
        return f"{value.value:g} {value.unit}"
    if isinstance(value, tuple):
        items = value[:1] if len(set(value)) == 1 else value
        return ", ".join(f"{item:g}" for item in items)
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def help_of(field: Field) -> str:
    """Return the help of a field, with its limits and how to write it."""
    text = field.help
    if field.low is not None and field.high is not None:
        unit = {Kind.PRESSURE: " psi", Kind.TEMPERATURE: " C"}.get(field.kind, f" {field.unit}")
        text += f" From {field.low:g} to {field.high:g}{unit.rstrip()}."
    if field.kind is Kind.THREE_POINT:
        text += (
            " Three guesses, soonest to latest, or all in one box: 40/60/90. The middle one alone "
            "when the time is certain."
        )
    if field.kind in UNITS:
        text += " A new unit keeps the number."
    if field.kind in {Kind.NUMBERS, Kind.TEXTS}:
        text += " Part them by commas."
    if field.kind in {Kind.CLOCK, Kind.DATE}:
        text += " Like 2027-02-14T13:20." if field.kind is Kind.CLOCK else " Like 2027-02-14."
    return text
