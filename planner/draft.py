"""A file between reading and construction: typed rows, one per item, tags made up.

The cross-checks of :mod:`planner.checks` work on a draft, which may still have holes where a
value was faulty; an incident is constructed only from a draft without faults.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.fields import TABLES, TOP, Kind, Table
from planner.incident import (
    BUILT_IN,
    CONCENTRATOR,
    Connected,
    Cylinder,
    DeviceStock,
    Incident,
    Leg,
    Option,
    Patient,
    Phase,
    Place,
    Priorities,
    Regulator,
    Responder,
    Resupply,
    SundryStock,
    TransferGroup,
    Uncertainty,
    Vehicle,
)
from planner.intake import Intake, Row, Unfit, listed, nearest, printable
from planner.reference import find_size, load_connections
from planner.units import Pressure

TAGGED: Final = ("cylinders", "concentrators", "regulators", "responders")
LONE_PLACE: Final = "scene"
MAX_ITEMS: Final = 5000


@dataclass(slots=True)
class Draft:
    """Typed rows by table; ``head`` is the incident's own row."""

    file: str
    head: Row
    rows: dict[str, list[Row]]
    uncertainty: Row
    priorities: Row
    tables_with_faults: frozenset[str] = frozenset()

    def items(self, name: str) -> Iterator[Row]:
        """Rows of a table, those of resupplies last, in file order."""
        yield from self.rows[name]
        for supply in self.rows["resupply"]:
            yield from supply.get(name) or ()

    def names(self, table: str) -> list[str]:
        """Tags or names of a table's rows."""
        key = TABLES[table].key
        return [str(row.get(key)) for row in self.items(table) if row.get(key) is not None]


def draft_from(raw: Mapping[str, object], intake: Intake) -> Draft:
    """Read all tables of a raw tree; faults go to ``intake``."""
    tree = dict(raw)
    schema = tree.pop("schema", None)
    if schema != 1 or isinstance(schema, bool):
        unfit = Unfit("schema = 1", "Put schema = 1 on the first line.")
        intake.note("", "", "schema", schema, unfit)
    known = [table.name for table in TOP]
    for name in [name for name in tree if name not in known]:
        hint = nearest(name, known) or "Known tables: " + ", ".join(known) + "."
        intake.note("", "", printable(name), tree.pop(name), Unfit("a known table", hint))
    singles: dict[str, Row] = {}
    rows: dict[str, list[Row]] = {}
    for table in TOP:
        if not table.is_single:
            rows[table.name] = _rows_of(table, tree, intake)
            continue
        value = tree.get(table.name, {})
        if not isinstance(value, dict):
            unfit = Unfit("one table", f"Write it as [{table.name}].")
            intake.note(table.name, "", "", value, unfit)
            value = {}
        singles[table.name] = intake.row(table, value, "")
    draft = Draft(
        intake.file, singles["incident"], rows, singles["uncertainty"], singles["priorities"]
    )
    _expand(draft, intake)
    _settle_places(draft, intake)
    _settle_cylinders(draft)
    draft.tables_with_faults = frozenset(fault.table for fault in intake.faults)
    return draft


def _rows_of(table: Table, tree: Mapping[str, object], intake: Intake) -> list[Row]:
    """Read a table's rows; their faults name the CSV file when they came from one."""
    whole = intake.file
    intake.file = intake.csv_files.get(table.name, whole)
    try:
        return intake.rows(table, tree.get(table.name, []))
    finally:
        intake.file = whole


def _expand(draft: Draft, intake: Intake) -> None:
    """Give every cylinder, regulator and responder a row and a tag of its own."""
    wanted = sum(
        len(row.get("tags") or ()) or row.get("count") or 1
        for name in TAGGED
        for row in draft.items(name)
    )
    if wanted > MAX_ITEMS:
        allowed = (
            f"at most {MAX_ITEMS} cylinders, concentrators, regulators and responders together"
        )
        mend = "Lower the counts, or split the incident."
        intake.add(Fault(draft.file, "", "", "count", f"{wanted} of them", allowed, mend))
        raise InputError(intake.faults)  # too many to look at one by one
    used = {
        tag
        for name in (*TAGGED, "patients")
        for row in draft.items(name)
        for tag in (row.get("tag"), *(row.get("tags") or ()))
        if tag is not None
    }
    made_up = _MadeUpTags(used)
    for name in TAGGED:
        draft.rows[name] = _expanded(draft.rows[name], name, made_up, intake)
    for supply in draft.rows["resupply"]:
        for name in ("cylinders", "regulators"):
            supply.values[name] = _expanded(supply.get(name) or [], name, made_up, intake)


def _expanded(rows: Iterable[Row], name: str, made_up: _MadeUpTags, intake: Intake) -> list[Row]:
    done = []
    for row in rows:
        given = [field for field in ("tag", "tags", "count") if field in row.raw_names]
        if len(given) > 1:
            allowed, mend = "one of tag, tags, count", "Keep one of them."
            fault = Fault(row.file, row.table.name, row.label, given[-1], " and ".join(given),
                          allowed, mend)  # fmt: skip
            intake.add(fault)
        tags = row.get("tags") or ((row.get("tag"),) if row.get("tag") else None)
        if tags is None:
            prefix = _prefix(name, row)
            tags = [made_up.following(prefix) for _ in range(row.get("count") or 1)]
        for tag in tags:
            kept = {k: v for k, v in row.values.items() if k not in {"tags", "count"}}
            done.append(replace(row, label=tag, values={**kept, "tag": tag}))
    return done


def _prefix(name: str, row: Row) -> str:
    if name == "cylinders":
        words = str(row.get("size") or "C").split()
        return "".join(w[0].upper() if len(w) > 3 else w.upper() for w in words) + "-"
    return {"regulators": "R-", "concentrators": "CON-"}.get(name, "R")


class _MadeUpTags:
    """Tags that nobody has, counted up by prefix."""

    def __init__(self, used: set[str]) -> None:
        self._used = used
        self._numbers: Counter[str] = Counter()

    def following(self, prefix: str) -> str:
        """Return the next free tag of a prefix."""
        digits = 1 if prefix in {"R", "R-"} else 2
        while True:
            self._numbers[prefix] += 1
            tag = f"{prefix}{self._numbers[prefix]:0{digits}d}"
            if tag not in self._used:
                self._used.add(tag)
                return tag


def _settle_places(draft: Draft, intake: Intake) -> None:
    """With one place, or none, a row needs no place; otherwise it must say where."""
    places = draft.rows["places"]
    if not places and "places" not in {fault.table for fault in intake.faults}:
        table = TABLES["places"]
        places.append(Row(table, LONE_PLACE, {"name": LONE_PLACE}, {"name"}, file=draft.file))
    names = draft.names("places")
    for name in ("patients", "cylinders", "concentrators", "regulators", "devices",
                 "sundries", "responders", "resupply", "vehicles"):  # fmt: skip
        for row in draft.rows[name]:
            if "place" in row.raw_names:
                continue
            if len(names) == 1:
                row.values["place"] = names[0]
                row.assumed.add("place")
            elif names:
                allowed, mend = "one of " + listed(names), "Say where it is."
                intake.add(Fault(row.file, name, row.label, "place", "nothing", allowed, mend))


def _settle_cylinders(draft: Draft) -> None:
    """Fill in from the cylinder table what a row leaves out."""
    connections = load_connections()
    for row in draft.items("cylinders"):
        if "read_at" not in row.raw_names:
            row.values["read_at"] = draft.head.get("air_temperature")
            row.assumed.add("read_at")
        size = find_size(row.get("size")) if row.get("size") else None
        if size is None:
            continue
        for name, value in (
            ("connection", size.connection),
            ("water_volume_l", size.water_volume_l),
            ("factor_l_per_psi", size.factor_l_per_psi),
        ):
            if name not in row.raw_names and value is not None:
                row.values[name] = value
                row.assumed.add(name)
        if "settings_lpm" not in row.raw_names and row.get("connection") is not None:
            kind = connections.get(row.get("connection"))
            is_built_in = row.get("connection") == BUILT_IN and kind is not None
            row.values["settings_lpm"] = kind.settings_lpm if is_built_in and kind else ()
            row.assumed.add("settings_lpm")


def construct(draft: Draft) -> Incident:
    """Build the incident from a draft in which no fault was found."""
    head = draft.head.values
    plain = ("name", "start", "note", "altitude_m", "air_temperature", "change_at",
             "safe_residual", "swap_min", "swap_gap_min", "horizon_min", "target_chance",
             "contents", "step_down_floor", "protocol", "approved_by", "approved_on")  # fmt: skip
    return Incident(
        **{name: head[name] for name in plain if name in head},
        places=tuple(
            Place(row.get("name"), row.get("carry_min") or ()) for row in draft.rows["places"]
        ),
        patients=tuple(_patient(row) for row in draft.rows["patients"]),
        transfer_groups=tuple(
            TransferGroup(
                row.get("name"), row.get("no_show_chance"), row.get("fallback_min"),
                row.get("kit_return_min"),
            )
            for row in draft.rows["transfer_groups"]
        ),
        vehicles=tuple(_vehicle(row) for row in draft.rows["vehicles"]),
        cylinders=_made(Cylinder, draft.rows["cylinders"]),
        concentrators=tuple(_concentrator(row, head) for row in draft.rows["concentrators"]),
        regulators=_made(Regulator, draft.rows["regulators"]),
        devices=_made(DeviceStock, draft.rows["devices"]),
        sundries=_made(SundryStock, draft.rows["sundries"]),
        responders=_made(Responder, draft.rows["responders"]),
        resupply=tuple(_resupply(row) for row in draft.rows["resupply"]),
        uncertainty=Uncertainty(**draft.uncertainty.values),
        priorities=Priorities(**draft.priorities.values),
        assumed=_assumed(draft),
    )  # fmt: skip


def _made(kind: Any, rows: Iterable[Row], **fixed: object) -> tuple[Any, ...]:
    return tuple(kind(**{**row.values, **fixed}) for row in rows)


def _concentrator(row: Row, head: Mapping[str, Any]) -> Cylinder:
    """Return a concentrator, which stands where a cylinder with a valve of its own may stand."""
    return Cylinder(
        row.get("tag"), CONCENTRATOR, Pressure(0.0, "psi"), head["air_temperature"], BUILT_IN,
        1.0, 1.0, row.get("settings_lpm"), row.get("place"), row.get("power_min"),
    )  # fmt: skip


def _patient(row: Row) -> Patient:
    values = dict(row.values)
    for name in ("oxygen_from_min", "transfer_min", "transfer_after_found_min"):
        if name in values:
            values[name.removesuffix("_min")] = values.pop(name)
    if (connected := values.pop("connected", None)) is not None:
        got = connected.values
        values["connected"] = Connected(
            got["cylinder"], got.get("regulator"), got["device"], got["flow_lpm"]
        )
    if "legs" in values:
        values["legs"] = tuple(
            Leg(leg.get("to"), leg.get("leave_min"), leg.get("takes_min")) for leg in values["legs"]
        )
    if "options" in values:
        values["options"] = tuple(_option(item) for item in values["options"])
    return Patient(**values)


def _vehicle(row: Row) -> Vehicle:
    values = dict(row.values)
    for name in ("first_arrival_min", "round_trip_min", "hold_min"):
        if name in values:
            values[name.removesuffix("_min")] = values.pop(name)
    return Vehicle(**values)


def _option(row: Row) -> Option:
    phases = tuple(
        Phase(phase.get("flow_lpm"), phase.get("for_min"), phase.get("chance"))
        for phase in row.get("phases") or ()
    )
    return Option(row.get("device"), row.get("level"), phases or (Phase(row.get("flow_lpm")),))


def _resupply(row: Row) -> Resupply:
    return Resupply(
        row.get("arrive_min"),
        row.get("no_show_chance"),
        row.get("place"),
        _made(Cylinder, row.get("cylinders") or (), place=None),
        _made(Regulator, row.get("regulators") or (), place=None),
        _made(DeviceStock, row.get("devices") or (), place=None),
    )


def _assumed(draft: Draft) -> frozenset[tuple[str, str, str]]:
    found = set()
    for row in _all_rows(draft):
        for field in row.assumed:
            found.add((row.table.name, row.label, field))
    return frozenset(found)


def _all_rows(draft: Draft) -> Iterator[Row]:
    yield from (draft.head, draft.uncertainty, draft.priorities)
    for rows in draft.rows.values():
        for row in rows:
            yield row
            for field in row.table.fields:
                if field.kind is Kind.ROWS and field.table.startswith("resupply"):
                    yield from row.get(field.name) or ()
