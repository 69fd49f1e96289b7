"""Cylinders, connections, regulators, devices and cautions: build, load, find."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from types import MappingProxyType
from typing import TypeVar

from planner.errors import ReferenceTableError
from planner.reference.reading import (
    Raw,
    RowReader,
    check_sources,
    raw_table,
    read_rows,
    simple_name,
)
from planner.reference.tables import (
    AGES,
    Caution,
    Connection,
    CylinderSize,
    DeviceKind,
    RegulatorDefaults,
    RegulatorKind,
)

_Aliased = TypeVar("_Aliased", bound=CylinderSize | Connection | DeviceKind)


def _index(rows: Iterable[_Aliased]) -> Mapping[str, _Aliased]:
    """Rows by every name they go by, case and spaces aside."""
    index: dict[str, _Aliased] = {}
    for row in rows:
        for name in (row.name, *row.aliases):
            if simple_name(name) in index:
                raise ReferenceTableError(f"{row.name}: {name!r} is already another's name")
            index[simple_name(name)] = row
    return MappingProxyType(index)


def _size(row: RowReader) -> CylinderSize:
    connections = row.texts("connections")
    for connection in connections or ("",):
        if connection not in load_connections():
            raise row.fault("connections", connection, ", ".join(load_connections()))
    return CylinderSize(
        name=row.take("name", str),
        aliases=row.texts("aliases"),
        water_volume_l=row.number("water_volume_l", 0.1, 200),
        service_psi=row.number("service_psi", 500, 6000),
        nominal_l=row.number("nominal_l", 10),
        nominal_at_c=row.number("nominal_at_c", -50, 50),
        factor_l_per_psi=row.number("factor_l_per_psi", 0.001, 20),
        empty_kg=row.number("empty_kg", 0.1, 200),
        connections=connections,
        note=row.take("note", str, ""),
        sources=row.marks(),
    )


def _connection(row: RowReader) -> Connection:
    built = Connection(
        name=row.take("name", str),
        aliases=row.texts("aliases"),
        valve=row.take("valve", str),
        pins=tuple(int(pin) for pin in row.numbers("pins")),
        needs_regulator=row.take("needs_regulator", bool),
        needs_washer=row.take("needs_washer", bool),
        needs_key=row.take("needs_key", bool),
        settings_lpm=row.numbers("settings_lpm"),
        note=row.take("note", str, ""),
        sources=row.marks(),
    )
    if built.needs_regulator == bool(built.settings_lpm):
        raise row.fault("settings_lpm", built.settings_lpm, "given when no regulator is needed")
    return built


def _regulator(row: RowReader) -> RegulatorKind:
    return RegulatorKind(
        name=row.take("name", str),
        connection=row.choice("connection", tuple(load_connections())),
        settings_lpm=row.numbers("settings_lpm"),
        outlets=row.take("outlets", int),
        note=row.take("note", str, ""),
        sources=row.marks(),
    )


def _device(row: RowReader) -> DeviceKind:
    built = DeviceKind(
        name=row.take("name", str),
        aliases=row.texts("aliases"),
        min_lpm=row.number("min_lpm"),
        max_lpm=row.number("max_lpm"),
        usual_lpm=row.number("usual_lpm"),
        max_lpm_child=row.number_or_none("max_lpm_child"),
        max_lpm_infant=row.number_or_none("max_lpm_infant"),
        oxygen_low=row.number("oxygen_low", 0.2, 1),
        oxygen_high=row.number("oxygen_high", 0.2, 1),
        hands=row.take("hands", int),
        hands_with_airway_device=row.take("hands_with_airway_device", int),
        ages=row.choices("ages", AGES),
        off_without_flow=row.take("off_without_flow", bool),
        room_air_without_flow=row.take("room_air_without_flow", bool),
        has_reservoir=row.take("has_reservoir", bool),
        is_plannable=row.take("plannable", bool),
        outlet_psi=row.number_or_none("outlet_psi"),
        note=row.take("note", str, ""),
        sources=row.marks(),
    )
    lowest_cap = min(built.max_lpm_for(age) for age in AGES)
    if not built.min_lpm <= lowest_cap or not built.min_lpm <= built.usual_lpm <= built.max_lpm:
        raise row.fault("usual_lpm", built.usual_lpm, "min_lpm to max_lpm, caps not under min_lpm")
    if built.oxygen_low > built.oxygen_high:
        raise row.fault("oxygen_low", built.oxygen_low, "at most oxygen_high")
    return built


def read_cylinders(raw: Raw) -> Mapping[str, CylinderSize]:
    """Build the cylinder table from its raw TOML."""
    rows = read_rows(raw, "sizes", _size)
    _index(rows.values())
    return rows


def read_connections(raw: Raw) -> Mapping[str, Connection]:
    """Build the connection table from its raw TOML."""
    rows = read_rows(raw, "connections", _connection)
    _index(rows.values())
    return rows


def read_regulators(raw: Raw) -> Mapping[str, RegulatorKind]:
    """Build the table of regulator kinds from its raw TOML."""
    return read_rows(raw, "kinds", _regulator)


def read_regulator_defaults(raw: Raw) -> RegulatorDefaults:
    """Build the regulator defaults from the raw TOML of the regulator table."""
    check_sources(raw)
    row = RowReader(raw.get("defaults"), "defaults")
    built = RegulatorDefaults(
        settings_lpm=row.numbers("settings_lpm"),
        outlets=row.take("outlets", int),
        flow_error=row.number("flow_error", 0, 1),
        low_flow_error=row.number("low_flow_error", 0, 1),
        low_flow_up_to_lpm=row.number("low_flow_up_to_lpm"),
        gauge_class_percent=row.number("gauge_class_percent", 0, 100),
        gauge_full_scale_psi=row.number("gauge_full_scale_psi"),
        note=row.take("note", str, ""),
        sources=row.marks(),
    )
    row.done()
    return built


def read_devices(raw: Raw) -> Mapping[str, DeviceKind]:
    """Build the device table from its raw TOML."""
    rows = read_rows(raw, "devices", _device)
    _index(rows.values())
    return rows


def read_cautions(raw: Raw) -> Mapping[str, Caution]:
    """Build the cautions by id from their raw TOML."""

    def build(row: RowReader) -> Caution:
        text = row.take("text", str)
        return Caution(row.take("id", str), text, row.texts("where"), row.marks())

    return read_rows(raw, "cautions", build)


@cache
def load_cylinders() -> Mapping[str, CylinderSize]:
    """Cylinder sizes by name, in the order of the table."""
    return read_cylinders(raw_table("cylinders"))


@cache
def load_connections() -> Mapping[str, Connection]:
    """Valve connections by name."""
    return read_connections(raw_table("connections"))


@cache
def load_regulators() -> Mapping[str, RegulatorKind]:
    """Return the common regulator kinds by name."""
    return read_regulators(raw_table("regulators"))


@cache
def load_regulator_defaults() -> RegulatorDefaults:
    """Return what a regulator is taken to be when the incident does not say."""
    return read_regulator_defaults(raw_table("regulators"))


@cache
def load_devices() -> Mapping[str, DeviceKind]:
    """Delivery devices by name."""
    return read_devices(raw_table("devices"))


@cache
def load_cautions() -> Mapping[str, Caution]:
    """Cautions by id."""
    return read_cautions(raw_table("cautions"))


@cache
def _size_index() -> Mapping[str, CylinderSize]:
    return _index(load_cylinders().values())


@cache
def _connection_index() -> Mapping[str, Connection]:
    return _index(load_connections().values())


@cache
def _device_index() -> Mapping[str, DeviceKind]:
    return _index(load_devices().values())


def find_size(name: str) -> CylinderSize | None:
    """Return the size of that name or alias, case, spaces and hyphens aside; None when unknown."""
    return _size_index().get(simple_name(name))


def find_connection(name: str) -> Connection | None:
    """Return the connection of that name or alias; None when unknown."""
    return _connection_index().get(simple_name(name))


def find_device(name: str) -> DeviceKind | None:
    """Return the device of that name or alias; None when unknown."""
    return _device_index().get(simple_name(name))
