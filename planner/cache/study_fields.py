"""Fields of a study's file and of a region's, each once, as in :mod:`planner.fields`.

Limits without a source only keep a slip of the keyboard out (our own).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, Final

from planner.cache.study import FLOWS, KINDS, MOST_EACH
from planner.fields import MAX_COUNT, TRIAGE, WEEK_MIN, Field, Kind, Presence, Table
from planner.fields.kinds import AGES, defaulted, required
from planner.fields.kit import CYLINDER_FIELDS
from planner.fields.settings import INCIDENT, UNCERTAINTY
from planner.fields.transport import TRANSFER_GROUPS
from planner.intake import READERS, Intake, Row, Unfit, shown
from planner.units import Temperature

SCHEMA: Final = 1
MAX_PATIENTS: Final = 60  # of one family's incident; the judge is tried up to there
MAX_CASES: Final = 60
#: What the study says by the incident's own fields.
SHARED: Final = (
    "target_chance", "change_at", "safe_residual", "swap_min", "swap_gap_min", "horizon_min",
    "contents", "protocol",
)  # fmt: skip
#: Which fields are for which kind of item; the others are for all.
OWN: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType({
    "cylinder": ("size", "connection", "gauge", "filled_at", "water_volume_l",
                 "factor_l_per_psi", "settings_lpm"),
    "regulator": ("connection", "settings_lpm", "outlets"),
    "device": ("device", "age"),
    "key": (),
    "washer": (),
})  # fmt: skip
COUNTS_BY, MINUTES_BY, WEIGHTS_BY, PLACE_BY = "counts", "minutes", "weights", "places"
NUM_PATIENTS: Final = "num_patients"
_LIKE: Final = {
    COUNTS_BY: "{ hut = 2 }", MINUTES_BY: "{ hut = 14 }", WEIGHTS_BY: '{ "slab avalanche" = 2 }',
    PLACE_BY: '{ hut = "debris" }',
}  # fmt: skip


def _by(name: str, what: str, text: str, **more: Any) -> Field:
    """Return a field that holds a value for each of several names."""
    return Field(name, Kind.ROW, text, table=what, **more)


def _rows(name: str, text: str) -> Field:
    return Field(name, Kind.ROWS, text, table=name)


def _minutes(name: str, text: str) -> Field:
    return Field(name, Kind.THREE_POINT, text, unit="min", low=0, high=WEEK_MIN)


def _cylinder(name: str, **more: Any) -> Field:
    field = next(f for f in CYLINDER_FIELDS if f.name == name)
    return replace(field, presence=Presence.OPTIONAL, **more)


_CHANCE: Final = defaulted("chance", Kind.NUMBER, 1.0, "How likely it is.", low=0, high=1)
_WEIGHT: Final = defaulted(
    "weight", Kind.NUMBER, 1.0, "How much it counts against the other rows.", low=0, high=1e6
)
_AIR: Final = INCIDENT.field("air_temperature")

STUDY: Final = Table(
    "study",
    "Study",
    (
        required("name", Kind.TEXT, "Give the study a name to tell it by."),
        Field("note", Kind.TEXT, "A line about what it is for."),
        *(INCIDENT.field(name) for name in SHARED),
        defaulted("flows", Kind.TEXT, "first choice",
                  "Whether flows are those of first choice or the lowest.", choices=FLOWS),
        Field("approved_by", Kind.TEXT, "Who approved the protocol as it is used here."),
        Field("review_on", Kind.DATE, "When the study is to be looked at again."),
    ),
    key="name",
    is_single=True,
)  # fmt: skip
LIMITS: Final = Table(
    "limits",
    "Limits",
    (
        Field("load_kg", Kind.NUMBER, "What a carrier's load weighs at most, the pack included.",
              unit="kg", low=0.1, high=100),
        defaulted("pack_kg", Kind.NUMBER, 0.0, "What an empty pack weighs.", unit="kg",
                  low=0, high=30),
        Field("budget", Kind.NUMBER, "What may be spent on all caches together.", low=0, high=1e9),
        Field("shelf_l", Kind.NUMBER, "Room on the shelves of each cache.", unit="L",
              low=0, high=1e5),
        defaulted("currency", Kind.TEXT, "EUR", "The currency of prices and budget."),
    ),
    is_single=True,
)  # fmt: skip
CACHES: Final = Table(
    "caches",
    "Caches",
    (
        required("name", Kind.TEXT, "Give the cache a name; other rows refer to it."),
        Field("carriers", Kind.WHOLE, "How many can carry from it; left out: no limit on loads.",
              low=1, high=MAX_COUNT),
    ),
    key="name",
)  # fmt: skip
FAMILIES: Final = Table(
    "families",
    "Families of incidents",
    (
        required("name", Kind.TEXT, "Say what happens, such as: slab avalanche, winter noon."),
        _WEIGHT,
        Field(NUM_PATIENTS, Kind.ROW, "How many patients there are.", table=NUM_PATIENTS),
        replace(_AIR, presence=Presence.OPTIONAL, default=None),
        _rows("weather", "Or several air temperatures with their chances."),
        required("responders", Kind.WHOLE, "Say how many can connect cylinders there.",
                 low=1, high=MAX_COUNT),
        INCIDENT.field("altitude_m"),
        _rows("spots", "Where it may be, and how long each cache takes there."),
        _rows("transfer_groups", "What fetches several of them together."),
        _rows("people", "What kinds of patients there are."),
    ),
    key="name",
)  # fmt: skip
COUNTED: Final = Table(
    NUM_PATIENTS,
    "Number of patients",
    (
        Field("poisson", Kind.NUMBER, "Mean of a Poisson distribution.", low=0, high=MAX_PATIENTS),
        Field("most", Kind.WHOLE, "The largest that it may give.", low=1, high=MAX_PATIENTS),
        Field("counts", Kind.NUMBERS, "The numbers that may be.", low=0, high=MAX_PATIENTS),
        Field("chances", Kind.NUMBERS, "The chance of each of them.", low=0, high=1),
    ),
)  # fmt: skip
WEATHER: Final = Table(
    "weather", "Weather", (replace(_AIR, presence=Presence.REQUIRED, default=None), _CHANCE)
)
SPOTS: Final = Table(
    "spots",
    "Spots",
    (
        required("name", Kind.TEXT, "Give the spot a name."),
        _CHANCE,
        _by("arrive_min", MINUTES_BY, "Minutes from the alarm until each cache is there.",
            unit="min", low=0, high=WEEK_MIN),
    ),
)  # fmt: skip
GROUPS: Final = replace(TRANSFER_GROUPS, key="")  # told by family and number
PEOPLE: Final = Table(
    "people",
    "People",
    (
        defaulted("share", Kind.NUMBER, 1.0, "Their share of the patients.", low=0, high=1),
        required("triage", Kind.TEXT, "Give the triage category (SALT).", choices=TRIAGE),
        required("indication", Kind.TEXT, "Say what is wrong, by a row of the protocol."),
        defaulted("age", Kind.TEXT, "adult", "The age group, for the mask.", choices=AGES),
        Field("spo2", Kind.NUMBER, "The oxygen saturation.", unit="%", low=30, high=100),
        _minutes("transfer_min", "Minutes from the alarm until transport's own oxygen takes over."),
        Field("transfer_group", Kind.TEXT, "The transport shared with others, by name."),
        defaulted("late_chance", Kind.NUMBER, 0.0,
                  "How likely it is that one of them is found only later.", low=0, high=1),
        _minutes("found_min", "Minutes from the alarm until one who is found later is found."),
    ),
)  # fmt: skip
INCIDENTS: Final = Table(
    "incidents",
    "Known incidents",
    (
        Field("name", Kind.TEXT, "What it is called; left out: as its file says."),
        required("file", Kind.TEXT, "Name the incident file, in the same folder or below it."),
        _WEIGHT,
        _by("places", PLACE_BY, "At which of its places each cache's stock lies."),
        defaulted("keep_kit", Kind.FLAG, False, "Whether the kit in its file stays besides."),
    ),
    key="name",
)
ITEMS: Final = Table(
    "items",
    "Items",
    (
        required("name", Kind.TEXT, "Give it a name; rows of stock refer to it."),
        required("kind", Kind.TEXT, "Say what it is.", choices=KINDS),
        Field("mass_kg", Kind.NUMBER, "What one weighs, full and ready.", unit="kg",
              low=0.001, high=200),
        defaulted("price", Kind.NUMBER, 0.0, "What one costs.", low=0, high=1e6),
        defaulted("volume_l", Kind.NUMBER, 0.0, "Room that one takes on the shelf.", unit="L",
                  low=0, high=1000),
        defaulted("most", Kind.WHOLE, MOST_EACH, "How many in one cache at most.",
                  low=1, high=MAX_COUNT),
        _by("held", COUNTS_BY, "How many are there already, by cache.", low=0, high=MAX_COUNT),
        defaulted("unusable_chance", Kind.NUMBER, 0.0,
                  "How likely it is that one turns out empty or broken.", low=0, high=0.99),
        Field("size", Kind.TEXT, "Cylinders: which size of the table."),
        Field("connection", Kind.TEXT, "Cylinders and regulators: what the valve is."),
        _cylinder("gauge", low=1),
        defaulted("filled_at", Kind.TEMPERATURE, Temperature(15.0, "C"),
                  "How warm it is where the gauge is kept.", low=-50, high=60),
        _cylinder("water_volume_l"),
        _cylinder("factor_l_per_psi"),
        _cylinder("settings_lpm"),
        defaulted("outlets", Kind.WHOLE, 1, "Regulators: outlets with a dial.", low=1, high=12),
        Field("device", Kind.TEXT, "Devices: which mask or cannula."),
        defaulted("age", Kind.TEXT, "adult", "Devices: for which age group.", choices=AGES),
    ),
    key="name",
)  # fmt: skip

TOP_STUDY: Final = (STUDY, LIMITS, CACHES, FAMILIES, INCIDENTS, ITEMS, UNCERTAINTY)
SUB_STUDY: Final[Mapping[str, Table]] = MappingProxyType(
    {t.name: t for t in (COUNTED, WEATHER, SPOTS, GROUPS, PEOPLE)}
)

REGION: Final = Table(
    "region",
    "Region",
    (
        required("name", Kind.TEXT, "Give the region a name."),
        Field("note", Kind.TEXT, "A line about what it is for."),
    ),
    key="name",
    is_single=True,
)
VALLEYS: Final = Table(
    "valleys",
    "Valleys",
    (
        required("name", Kind.TEXT, "Give the valley a name."),
        _by("weights", WEIGHTS_BY, "What each family or incident counts there; left out: as in the "
            "study.", low=0, high=1e6),
        _by("extra_min", MINUTES_BY, "How much later (below 0: sooner) each cache is there.",
            unit="min", low=-WEEK_MIN, high=WEEK_MIN),
        defaulted("temperature_shift_c", Kind.NUMBER, 0.0,
                  "How much warmer (below 0: colder) it is there.", unit="C", low=-40, high=40),
    ),
    key="name",
)  # fmt: skip
STOCKS: Final = Table(
    "stocks",
    "Stocks to compare",
    (
        required("name", Kind.TEXT, "Give the stock a name; rows of one name go together."),
        Field("cache", Kind.TEXT, "In which cache; may be left out when there is only one."),
        _by("items", COUNTS_BY, "How many of each item.", low=0, high=MAX_COUNT),
    ),
    key="name",
)
TOP_REGION: Final = (REGION, VALLEYS, STOCKS)


class StudyIntake(Intake):
    """Reads rows as :class:`planner.intake.Intake` does, and what only studies have."""

    def _value(self, row: Row, field_: Field, name: str, raw: object) -> None:
        special = field_.kind in {Kind.ROW, Kind.ROWS}
        if not special or field_.name in row.raw_names:
            super()._value(row, field_, name, raw)
            return
        row.raw_names[field_.name] = name
        try:
            row.values[field_.name] = self._nested(row, field_, raw)
        except Unfit as unfit:
            self.note(row.table.name, row.label, name, raw, unfit)

    def _nested(self, row: Row, field_: Field, raw: object) -> object:
        if field_.table == NUM_PATIENTS:
            return self._num_patients(row, field_, raw)
        if field_.kind is Kind.ROW:
            return _values_by_name(field_, raw)
        if not isinstance(raw, list):
            raise Unfit("a list of rows", f"Write it like {field_.name} = [{{ ... }}].")
        return self.rows(SUB_STUDY[field_.table], raw, row.label)

    def _num_patients(self, row: Row, field_: Field, raw: object) -> object:
        if isinstance(raw, dict):
            return self.row(COUNTED, raw, row.label)
        allowed = (
            f"a whole number up to {MAX_PATIENTS}, {{ poisson = 2.5, most = 7 }} or "
            "{ counts = [1, 2], chances = [0.6, 0.4] }"
        )
        whole = Field(field_.name, Kind.WHOLE, "", low=1, high=MAX_PATIENTS)
        try:
            count = READERS[Kind.WHOLE](whole, raw)
        except Unfit:
            raise Unfit(allowed, "Write it in one of the three ways.") from None
        return Row(COUNTED, row.label, {"counts": (count,), "chances": (1.0,)}, file=self.file)


def _values_by_name(field_: Field, raw: object) -> tuple[tuple[str, Any], ...]:
    """Read a table of names with a number or a text each; names are looked at elsewhere."""
    what, like = field_.table, f"Write it like {field_.name} = {_LIKE[field_.table]}."
    kind = {COUNTS_BY: Kind.WHOLE, PLACE_BY: Kind.TEXT}.get(what, Kind.NUMBER)
    if not isinstance(raw, dict):
        raise Unfit(f"{what} by name", like)
    read: Callable[[Field, object], object] = READERS[kind]
    pairs = []
    for name, value in raw.items():
        try:
            known = READERS[Kind.TEXT](replace(field_, choices=()), name)
            pairs.append((str(known), read(field_, value)))
        except Unfit as unfit:
            raise Unfit(f"{what} by name: at {shown(name)} {unfit.allowed}", unfit.mend) from None
    if len(dict(pairs)) < len(pairs):
        raise Unfit("each name once", "Two names differ only in blanks: keep one.")
    return tuple(pairs)
