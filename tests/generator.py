"""Seeded random incidents of one recipe, for statistics, enumeration and comparing policies.

The recipe is that of the project's first measurements: three places, one pair out of reach; two
connections; cylinders in classes by place, connection and litres; 40 % of them part-used; 15 % of
the patients not yet found; three transfer groups; one resupply; three or four options each. All
numbers are invented. Everyone generated has oxygen indicated.

Supply is what lies above the change pressure in every cylinder at the air temperature, real gas,
the resupply included; need is the mean over 4000 samples (seed 1) of first-choice flow times the
minutes from the start of need to transfer or the horizon. Gauges are scaled until the two are in
the wanted ratio; where they would leave 600 to 2200 psi, cylinders are added or taken away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random
from typing import Any, Final

from planner.files import incident_from
from planner.incident import Incident
from tests.bench.generate_forty import supply_and_need_l

DEBRIS: Final = "debris"
POINT: Final = "collection point"
HUT: Final = "hut"
PLACES: Final = (DEBRIS, POINT, HUT)
PIN, DIN = "CGA 870", "DIN 477 no. 9"
SIZES: Final = {PIN: ("D", "D", "D", "aluminium D", "jumbo D", "E"), DIN: ("2 L", "3 L", "5 L")}
SHARE_DIN: Final = 0.3
SHARE_PARTIAL: Final = 0.4
SHARE_MISSING: Final = 0.15
MIN_PSI, MAX_PSI = 600.0, 2200.0
FULL_PSI: Final = 2000.0
PARTIAL_PSI: Final = (900.0, 1550.0)
STORE_C: Final = 15.0
MEDIAN_MIN: Final = {"helicopter": 70.0, "snowcat": 105.0, "road": 125.0}

# Rows of the example protocol with three or four options for an adult, by triage.
ROWS: Final = {
    "immediate": (
        "shock, bleeding",
        "head injury, not obeying",
        "respiratory distress, below 85",
        "drowning, asphyxia after burial",
        "hypothermia, impaired",
    ),
    "delayed": (
        "trauma, reading below 94",
        "respiratory illness, 85-93",
        "smoke inhalation",
        "COPD, breathless, below 88",
        "altitude: HAPE",
    ),
}
# Own options as (device, level, flow) or with a second phase (minutes, flow, chance).
OWN: Final = {
    "immediate": (
        ("non-rebreather", "first choice", 15),
        ("non-rebreather", "reduced", 15, (15, 8, 0.6)),
        ("simple mask", "reduced", 8),
        ("cannula", "minimum", 4),
    ),
    "bagged": (
        ("bag-valve-mask", "first choice", 15),
        ("bag-valve-mask", "reduced", 10),
        ("non-rebreather", "minimum", 10),
    ),
    "delayed": (
        ("simple mask", "first choice", 8),
        ("simple mask", "reduced", 8, (20, 6, 0.7)),
        ("cannula", "minimum", 3),
    ),
    "minimal": (
        ("cannula", "first choice", 4),
        ("cannula", "reduced", 2),
        ("cannula", "minimum", 1),
    ),
}

Row = dict[str, Any]


@dataclass
class Lot:
    """A cylinder before its gauge is scaled."""

    size: str
    connection: str
    place: str | None  # None: comes with the resupply
    base_psi: float
    read_at_c: float


def random_incident(
    seed: int, *, num_patients: int = 12, num_cylinders: int = 36, supply_ratio: float = 1.0
) -> Incident:
    """Return a random incident, a function of its arguments alone.

    ``num_cylinders`` counts those of the resupply; more or fewer come out where gauges alone do
    not reach the ratio. Small ones (4 patients, 8 cylinders) follow the same recipe. Only valid
    incidents come out: everything goes through :func:`planner.files.incident_from`, which raises.
    """
    random = Random(f"incident {seed} {num_patients} {num_cylinders}")
    tree = _people(random, num_patients)
    lots = _lots(random, num_cylinders)
    air_c = tree["incident"]["air_temperature_c"]
    tree |= _kit(random, tree["patients"], lots)
    tree["resupply"] = [_resupply(random)]
    _put(tree, lots, 1.0)
    _, need_l = supply_and_need_l(incident_from(tree).incident)
    target_l = supply_ratio * need_l
    lots = _fitted(random, lots, target_l, air_c)
    _put(tree, lots, _scale(lots, target_l, air_c))
    return incident_from(tree).incident


# ----- people ----------------------------------------------------------------------------------


def _people(random: Random, num_patients: int) -> Row:
    num_missing = max(1, round(SHARE_MISSING * num_patients))
    groups = [list(MEDIAN_MIN)[k % 3] for k in range(num_patients)]
    random.shuffle(groups)
    drawn = random.choices(["immediate", "delayed", "minimal"], [45, 42, 13], k=num_patients)
    triages = ["immediate", "delayed", *drawn][:num_patients]
    random.shuffle(triages)
    patients = [
        _patient(random, k, triages[k], groups[k], k >= num_patients - num_missing)
        for k in range(num_patients)
    ]
    return {
        "schema": 1,
        "incident": {
            "name": "random",
            "start": "2027-02-14T12:00:00",
            "altitude_m": float(random.randrange(1200, 2500, 50)),
            "air_temperature_c": float(random.randrange(-15, 6)),
            "change_at_psi": 500.0,
            "safe_residual_psi": 200.0,
            "horizon_min": 480.0,
        },
        "places": [
            {"name": DEBRIS, "carry_min": {POINT: random.randrange(4, 13)}},
            {"name": POINT, "carry_min": {HUT: random.randrange(6, 19)}},
            {"name": HUT},
        ],
        "patients": patients,
        "transfer_groups": [
            {
                "name": "helicopter",
                "no_show_chance": random.randrange(5, 21) / 100,
                "fallback_min": _three(random, 170),
            },
            {"name": "snowcat", "kit_return_min": random.randrange(20, 61, 5)},
            {"name": "road"},
        ],
    }


def _three(random: Random, middle: float) -> list[float]:
    p50 = max(2, round(middle * random.uniform(0.8, 1.25)))
    low = max(1, round(p50 * random.uniform(0.6, 0.8)))
    return [low, p50, round(p50 * random.uniform(1.3, 1.7))]


def _patient(random: Random, number: int, triage: str, group: str, is_missing: bool) -> Row:
    row: Row = {
        "tag": f"P{number + 1:02d}",
        "triage": triage,
        "place": random.choices(PLACES, [35, 45, 20])[0],
        "transfer_group": group,
    }
    wait_min = MEDIAN_MIN[group]
    if is_missing:
        row["place"] = DEBRIS
        row["oxygen_from_min"] = _three(random, 30)
        row["chance_needed"] = random.randrange(20, 61, 5) / 100
        if random.random() < 0.5:
            row["transfer_after_found_min"] = _three(random, 0.7 * wait_min)
        else:
            row["transfer_min"] = _three(random, wait_min + 30)
    else:
        row["transfer_min"] = _three(random, wait_min)
    draw = random.random()
    if triage == "minimal":
        row["options"] = _options("minimal")
    elif triage == "immediate" and not is_missing and draw < 0.1:
        row["options"] = _options("bagged")
        row["airway_device"] = random.random() < 0.5
    elif draw < 0.3:
        row["options"] = _options(triage)
    else:
        row["indication"] = random.choice(ROWS[triage])
    return row


def _options(name: str) -> list[Row]:
    rows = []
    for device, level, flow, *later in OWN[name]:
        row: Row = {"device": device, "level": level}
        if later:
            minutes, flow_then, chance = later[0]
            row["phases"] = [
                {"flow_lpm": flow, "for_min": minutes},
                {"flow_lpm": flow_then, "chance": chance},
            ]
        else:
            row["flow_lpm"] = flow
        rows.append(row)
    return rows


# ----- cylinders -------------------------------------------------------------------------------


def _lots(random: Random, num_cylinders: int) -> list[Lot]:
    """Draw cylinders; the first two have one connection each, the last ones are the resupply."""
    num_later = max(1, round(0.08 * num_cylinders))
    num_here = max(2, num_cylinders - num_later)
    partial = [True] * round(SHARE_PARTIAL * num_here)
    partial += [False] * (num_here - len(partial))
    random.shuffle(partial)
    lots = [_lot(random, flag) for flag in partial]
    lots[0] = _lot(random, partial[0], PIN)
    lots[1] = _lot(random, partial[1], DIN)
    return lots + [Lot("E", PIN, None, FULL_PSI, STORE_C) for _ in range(num_later)]


def _lot(random: Random, is_partial: bool, connection: str | None = None) -> Lot:
    connection = connection or (DIN if random.random() < SHARE_DIN else PIN)
    place = random.choices(PLACES, [30, 45, 25])[0]
    size = random.choice(SIZES[connection])
    if is_partial:
        return Lot(size, connection, place, random.uniform(*PARTIAL_PSI), math.nan)
    return Lot(size, connection, place, FULL_PSI, STORE_C)


def _gauge_psi(lot: Lot, scale: float) -> float:
    return float(round(min(MAX_PSI, max(MIN_PSI, lot.base_psi * scale))))


def _supply_l(lots: list[Lot], scale: float, air_c: float) -> float:
    from planner.gas import gauge_after_temperature, litres_between
    from planner.reference import find_size

    total = 0.0
    for lot in lots:
        size = find_size(lot.size)
        assert size is not None
        read_c = air_c if math.isnan(lot.read_at_c) else lot.read_at_c
        gauge = gauge_after_temperature(_gauge_psi(lot, scale), read_c, air_c)
        total += float(litres_between(size.water_volume_l, gauge, 500.0, air_c))
    return total


def _bounds(lots: list[Lot]) -> tuple[float, float]:
    """Scales between which every gauge stays within its limits."""
    bases = [lot.base_psi for lot in lots]
    return MIN_PSI / min(bases), MAX_PSI / max(bases)


def _fitted(random: Random, lots: list[Lot], target_l: float, air_c: float) -> list[Lot]:
    """Add or take away cylinders until gauges within their limits reach the target."""
    lots = list(lots)
    while _supply_l(lots, _bounds(lots)[1], air_c) < target_l:
        lots.insert(2, _lot(random, _wants_partial(lots)))
    while _supply_l(lots, _bounds(lots)[0], air_c) > target_l:
        here = [k for k, lot in enumerate(lots) if lot.place is not None and k >= 2]
        alike = [k for k in here if math.isnan(lots[k].read_at_c) != _wants_partial(lots)]
        if not here:
            raise ValueError(f"cylinders at {MIN_PSI:g} psi hold more than {target_l:.0f} L")
        del lots[random.choice(alike or here)]
    return lots


def _wants_partial(lots: list[Lot]) -> bool:
    here = [lot for lot in lots if lot.place is not None]
    return sum(math.isnan(lot.read_at_c) for lot in here) < SHARE_PARTIAL * len(here)


def _scale(lots: list[Lot], target_l: float, air_c: float) -> float:
    low, high = _bounds(lots)
    for _ in range(40):
        middle = 0.5 * (low + high)
        if _supply_l(lots, middle, air_c) < target_l:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _put(tree: Row, lots: list[Lot], scale: float) -> None:
    """Write the cylinders into the tree, here and with the resupply."""
    here: list[Row] = []
    later: list[Row] = []
    for lot in lots:
        row: Row = {
            "tag": f"{'ABCDE'[_class(lot)]}-{len(here) + len(later) + 1:02d}",
            "size": lot.size,
            "connection": lot.connection,
            "gauge_psi": _gauge_psi(lot, scale),
        }
        if not math.isnan(lot.read_at_c):
            row["read_at_c"] = lot.read_at_c
        if lot.place is None:
            later.append(row)
        else:
            here.append({**row, "place": lot.place})
    tree["cylinders"] = here
    tree["resupply"][0]["cylinders"] = later


def _class(lot: Lot) -> int:
    return 4 if lot.place is None else 2 * (lot.connection == DIN) + (lot.base_psi < FULL_PSI)


# ----- kit, hands, resupply --------------------------------------------------------------------


def _kit(random: Random, patients: list[Row], lots: list[Lot]) -> Row:
    """Regulators, masks and hands: mostly one for each patient at a place, sometimes short."""
    regulators: list[Row] = [{"connection": DIN, "count": 1, "place": POINT}]
    devices: list[Row] = []
    responders: list[Row] = []
    for place in PLACES:
        people = [p for p in patients if p["place"] == place]
        counts = {PIN: 1, DIN: 0}
        masks: dict[str, int] = {}
        for patient in people:
            local = [lot.connection for lot in lots if lot.place == place] or [PIN]
            if random.random() < 0.88:
                counts[random.choice(local)] += 1
            for kind in _kinds(patient):
                masks[kind] = masks.get(kind, 0) + (random.random() < 0.9)
        regulators += [
            {"connection": name, "count": count, "place": place}
            for name, count in counts.items()
            if count
        ]
        devices += [
            {"kind": kind, "count": count, "place": place} for kind, count in masks.items() if count
        ]
        hands = 1 + round(len(people) / 3) + sum(_is_bagged(p) * 2 for p in people)
        responders += [
            {"tag": f"{place} {k + 1}", "place": place, "from_min": random.choice([0, 0, 0, 15])}
            for k in range(hands)
        ]
    tree: Row = {"regulators": regulators, "devices": devices, "responders": responders}
    if random.random() < 0.25:  # pin-index valves want a key where keys are listed
        tree["sundries"] = [
            {"kind": "key", "count": random.choice([1, 2]), "place": place} for place in PLACES
        ]
    return tree


def _is_bagged(patient: Row) -> bool:
    return any(o["device"] == "bag-valve-mask" for o in patient.get("options", ()))


def _kinds(patient: Row) -> list[str]:
    """Kinds of mask in a patient's options, in order."""
    from planner.reference import load_protocol

    if "options" in patient:
        return list(dict.fromkeys(o["device"] for o in patient["options"]))
    row = load_protocol("example").indication(patient["indication"])
    assert row is not None
    return list(dict.fromkeys(o.device for o in row.options))


def _resupply(random: Random) -> Row:
    return {
        "arrive_min": _three(random, 60),
        "no_show_chance": 0.05,
        "place": POINT,
        "regulators": [{"connection": PIN, "count": 1}],
        "devices": [{"kind": "non-rebreather", "count": 1}],
    }
