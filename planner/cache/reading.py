"""A study out of its file: read to faults first, checked, then constructed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from planner.cache.study import (
    Cache,
    Case,
    Family,
    Item,
    KnownIncident,
    Limits,
    NumPatients,
    Person,
    Spot,
    Study,
    Weather,
)
from planner.cache.study_checks import Rows, check, tell, twice, unknown_names
from planner.cache.study_document import study_document, write_study
from planner.cache.study_fields import SCHEMA, SHARED, TOP_STUDY, StudyIntake
from planner.cache.study_sizes import connection_of, dial_of, full_mass_kg, mass_of
from planner.errors import Fault, InputError
from planner.fields import Table
from planner.files import parse_file, read_incident
from planner.incident import Incident, TransferGroup, Uncertainty
from planner.intake import Row, Unfit, listed, nearest, printable, shown
from planner.kinds_of_file import require_kind
from planner.reference import find_size
from planner.units import Pressure


def read_study(path: str | Path) -> Study:
    """Read a study from a TOML or JSON file, with the incident files that it names.

    Raises
    ------
    InputError
        With every fault found; nothing is half read.
    """
    path = Path(path)
    raw, file = parse_file(path)
    return study_from(raw, path.parent, file)


def study_from(raw: Mapping[str, object], folder: Path, file: str = "") -> Study:
    """Return the study of a plain tree.

    Parameters
    ----------
    raw : mapping
        As a TOML file has it.
    folder : Path
        Where the incident files are looked for.
    file : str
        Name that faults tell.

    Raises
    ------
    InputError
        With every fault found.
    """
    require_kind(raw, "study", file)
    intake = StudyIntake(file)
    rows = _read(raw, intake)
    incidents, faults = _incidents(rows, folder, intake)
    draft = Rows(file, rows, incidents)
    found = list(dict.fromkeys((*intake.faults, *faults, *check(draft))))
    if found:
        raise InputError(found)
    return _construct(draft)


def read_tables(
    raw: Mapping[str, object], tables: Iterable[Table], intake: StudyIntake
) -> dict[str, list[Row]]:
    """Read tables of a plain tree; a single one stands under its name as the one row."""
    rows: dict[str, list[Row]] = {}
    for table in tables:
        if not table.is_single:
            rows[table.name] = intake.rows(table, raw.get(table.name, []))
            continue
        value, reader = raw.get(table.name, {}), intake
        if not isinstance(value, dict):
            unfit = Unfit("one table", f"Write it as [{table.name}].")
            intake.note(table.name, "", "", value, unfit)
            value, reader = {}, StudyIntake(intake.file)  # what it leaves out is not told besides
        rows[table.name] = [reader.row(table, value, "")]
    return rows


def _read(raw: Mapping[str, object], intake: StudyIntake) -> dict[str, list[Row]]:
    tree = dict(raw)
    schema = tree.pop("schema", None)
    if schema != SCHEMA or isinstance(schema, bool):
        intake.note("", "", "schema", schema, Unfit("schema = 1", "Put schema = 1 on top."))
    known = [table.name for table in TOP_STUDY]
    for name in [name for name in tree if name not in known]:
        hint = nearest(name, known) or f"Known tables: {listed(known)}."
        intake.note("", "", printable(name), tree.pop(name), Unfit("a known table", hint))
    return read_tables(tree, TOP_STUDY, intake)


def _incidents(
    rows: Mapping[str, list[Row]], folder: Path, intake: StudyIntake
) -> tuple[dict[int, Incident], list[Fault]]:
    """Read the incident files; their faults are told with their own names."""
    found: dict[int, Incident] = {}
    faults: list[Fault] = []
    for index, row in enumerate(rows["incidents"]):
        name = row.get("file")
        if name is None:
            continue
        parts = name.replace("\\", "/").split("/")
        if any(p in {"", ".", ".."} or ":" in p for p in parts):
            words = ("a file in the same folder or below it", "Put the incident beside the study.")
            faults.append(tell(row, "file", words))
            continue
        try:
            found[index] = read_incident(folder.joinpath(*parts)).incident
        except InputError as error:
            faults.extend(error.faults)
    return found, faults


# ----- construction -----------------------------------------------------------------------------


def _construct(draft: Rows) -> Study:
    head, limits = draft.study.values, draft.limits.values
    assumed: list[str] = []
    cases: list[Case] = [_family_of(row) for row in draft.rows["families"]]
    for index, row in enumerate(draft.rows["incidents"]):
        cases.append(_known_of(row, draft.incidents[index], draft.names("caches"), assumed))
    items = tuple(_item_of(row, assumed) for row in draft.rows["items"])
    assumed += [
        f"{row.table.name} {name}: {shown(row.get(name))}"
        for row in (draft.study, draft.limits, draft.rows["uncertainty"][0])
        for name in sorted(row.assumed)
    ]
    review = head.get("review_on")
    return Study(
        name=head["name"],
        cases=tuple(cases),
        items=items,
        caches=tuple(Cache(r.get("name"), r.get("carriers")) for r in draft.rows["caches"]),
        limits=Limits(**limits),
        **{name: head[name] for name in SHARED},
        flows=head["flows"],
        uncertainty=Uncertainty(**draft.rows["uncertainty"][0].values),
        note=head.get("note"),
        approved_by=head.get("approved_by"),
        review_on=None if review is None else review.isoformat(),
        assumed=tuple(assumed),
    )


def _family_of(row: Row) -> Family:
    air = row.get("air_temperature")
    weather = [Weather(r.get("air_temperature"), r.get("chance")) for r in row.get("weather") or ()]
    return Family(
        name=row.get("name"),
        weight=row.get("weight"),
        num_patients=_num_patients(row.get("num_patients")),
        people=tuple(_person_of(r) for r in row.get("people")),
        spots=tuple(
            Spot(r.get("name"), r.get("chance"), r.get("arrive_min")) for r in row.get("spots")
        ),
        weather=tuple(weather) or (Weather(air, 1.0),),
        responders=row.get("responders"),
        transfer_groups=tuple(
            TransferGroup(r.get("name"), r.get("no_show_chance"), r.get("fallback_min"),
                          r.get("kit_return_min"))
            for r in row.get("transfer_groups") or ()
        ),
        altitude_m=row.get("altitude_m"),
    )  # fmt: skip


def _num_patients(row: Row) -> NumPatients:
    """Return the counts; a Poisson distribution is cut at most, its rest shared in proportion."""
    mean = row.get("poisson")
    if mean is None:
        return NumPatients(tuple(int(n) for n in row.get("counts")), row.get("chances"))
    counts = tuple(range(row.get("most") + 1))
    terms = [math.exp(-mean) * mean**n / math.factorial(n) for n in counts]
    return NumPatients(counts, tuple(term / math.fsum(terms) for term in terms))


def _person_of(row: Row) -> Person:
    names = ("share", "triage", "indication", "age", "spo2", "transfer_group", "late_chance")
    return Person(
        **{name: row.get(name) for name in names},
        transfer=row.get("transfer_min"),
        found=row.get("found_min"),
    )


def _known_of(row: Row, incident: Incident, caches: list[str], assumed: list[str]) -> KnownIncident:
    places = row.get("places")
    if not places:
        places = tuple((cache, incident.places[0].name) for cache in caches)
        assumed.append(f"incidents {row.get('file')}: all caches at {incident.places[0].name}")
    name = row.get("name") or incident.name
    return KnownIncident(
        name, row.get("weight"), row.get("file"), incident, places, row.get("keep_kit")
    )


def _item_of(row: Row, assumed: list[str]) -> Item:
    names = ("name", "kind", "price", "volume_l", "most", "unusable_chance", "filled_at",
             "outlets", "age")  # fmt: skip
    values: dict[str, Any] = {name: row.get(name) for name in names}
    values["held"] = tuple((cache, count) for cache, count in row.get("held") or () if count)
    values["connection"] = connection_of(row) or ""
    values["device"] = row.get("device") or ""
    values["mass_kg"] = row.get("mass_kg")
    if row.get("kind") == "cylinder":
        values |= _cylinder_values(row, assumed)
    values["settings_lpm"] = row.get("settings_lpm") or dial_of(
        values["kind"], values["connection"]
    )
    return Item(**values)


def _written(gauge: Pressure) -> str:
    """Return a table's pressure in the unit in which it is a round number."""
    psi, bar = (round(gauge.in_unit(unit), 1) for unit in ("psi", "bar"))
    return f"{bar:g} bar" if bar.is_integer() and not psi.is_integer() else f"{psi:g} psi"


def _cylinder_values(row: Row, assumed: list[str]) -> dict[str, Any]:
    size = find_size(row.get("size"))
    assert size is not None  # noqa: S101 - the checks let no other through
    gauge, mass = row.get("gauge"), mass_of(row)
    if gauge is None:
        gauge = Pressure(size.service_psi, "psi")
        assumed.append(f"items {row.label}: kept at {_written(gauge)}, the table's pressure")
    if "mass_kg" not in row.raw_names:
        assumed.append(
            f"items {row.label}: {mass:g} kg full, {size.empty_kg:g} kg empty (from memory) and "
            "1.326 g a litre of oxygen (computed)"
        )
    return {
        "size": size.name, "gauge": gauge, "mass_kg": mass,
        "water_volume_l": row.get("water_volume_l") or size.water_volume_l,
        "factor_l_per_psi": row.get("factor_l_per_psi") or size.factor_l_per_psi,
    }  # fmt: skip


__all__ = [
    "Rows", "full_mass_kg", "read_study", "read_tables", "study_document", "study_from", "tell",
    "twice", "unknown_names", "write_study",
]  # fmt: skip
