"""What the tables say of a study's item where its row leaves it out: valve, dial, mass."""

from __future__ import annotations

from typing import Final

from planner.gas import content_l
from planner.incident import BUILT_IN
from planner.intake import Row
from planner.reference import (
    find_size,
    load_connections,
    load_cylinders,
    load_regulator_defaults,
)
from planner.units import Pressure, Temperature

#: Mass of a litre of oxygen at 70 F and 1 atm, computed with CoolProp 8 (Schmidt and Wagner 1985).
KG_PER_L: Final = 1.326e-3


def connection_of(row: Row) -> str | None:
    """Return a cylinder's or regulator's connection, from the table where it is left out."""
    size = find_size(row.get("size")) if row.get("size") else None
    given: str | None = row.get("connection")
    return given if "connection" in row.raw_names or size is None else size.connection


def dial_of(kind: str, connection: str) -> tuple[float, ...]:
    """Return the settings of a regulator or of a valve with a flow selector [L/min]."""
    if kind == "regulator":
        return load_regulator_defaults().settings_lpm
    is_built_in = kind == "cylinder" and connection == BUILT_IN
    return load_connections()[connection].settings_lpm if is_built_in else ()


def mass_of(row: Row) -> float | None:
    """Return a cylinder's mass: as given, or empty by the table and the oxygen in it."""
    size = find_size(row.get("size")) if row.get("size") else None
    if "mass_kg" in row.raw_names:
        given: float | None = row.get("mass_kg")
        return given
    gauge = row.get("gauge")
    if "gauge" not in row.raw_names and size is not None:
        gauge = Pressure(size.service_psi, "psi")
    if size is None or gauge is None or row.get("filled_at") is None:
        return None
    water = row.get("water_volume_l") or size.water_volume_l
    return full_mass_kg(size.name, water, gauge, row.get("filled_at"))


def full_mass_kg(
    size: str, water_volume_l: float, gauge: Pressure, filled_at: Temperature
) -> float:
    """Return the mass of a cylinder with its oxygen [kg, to 10 g].

    The empty mass is the table's, from memory; a litre of oxygen has `KG_PER_L`.
    """
    kind = load_cylinders()[size]
    litres = float(content_l(water_volume_l, gauge.psi, filled_at.c))
    return round(kind.empty_kg + KG_PER_L * litres, 2)
