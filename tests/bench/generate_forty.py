"""Write scenarios/harrow-col-forty.toml: a large invented incident for speed and for teaching.

Run it from the checkout: ``python -m tests.bench.generate_forty``. The seed is fixed, so that the
file comes out the same every time (tests/test_scenarios.py compares the text).

Supply over need: 0.95 (33.7 thousand litres over 35.4 thousand). Supply is what lies above the
change pressure in every cylinder at the air temperature, real gas, the resupply included. Need is
the mean over 4000 samples, seed 1, of first-choice flow times the minutes from the start of need
to transfer or the horizon. A test compares both with these numbers.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Final

import numpy as np

from planner import demand
from planner.gas import gauge_after_temperature, litres_between
from planner.incident import Incident
from planner.oxygen_options import options_of
from planner.state import initial_state

SEED: Final = 4040
FILE: Final = Path(__file__).parents[2] / "scenarios" / "harrow-col-forty.toml"
AIR_C: Final = -8.0
STORE_C: Final = 15.0
SHARE_PARTIAL: Final = 0.4
TAGS_PER_ROW: Final = 8

Row = dict[str, object]

# Who there is: triage, indication, age, place, transfer group, how many.
FOUND: Final = (
    ("immediate", "major trauma", "adult", "debris field", "helicopter", 3),
    ("immediate", "drowning, asphyxia after burial", "adult", "debris field", "helicopter", 2),
    ("immediate", "chest injury", "child", "debris field", "helicopter", 1),
    ("immediate", "head injury, not obeying", "adult", "collection point", "helicopter", 2),
    ("immediate", "inadequate breathing, after arrest", "adult", "collection point",
     "helicopter", 1),
    ("immediate", "shock, bleeding", "adult", "collection point", "helicopter", 1),
    ("delayed", "trauma, reading below 94", "adult", "collection point", "snowcat", 4),
    ("delayed", "trauma, reading below 94", "child", "collection point", "snowcat", 2),
    ("delayed", "smoke inhalation", "adult", "hut", "road", 2),
    ("delayed", "COPD, breathless, below 88", "adult", "hut", "road", 1),
    ("delayed", "trauma, 94 or above", "adult", "collection point", "", 2),
    ("delayed", "limb injury", "child", "collection point", "", 1),
    ("minimal", "cold but well", "adult", "hut", "", 4),
    ("minimal", "limb injury", "adult", "collection point", "", 3),
    ("minimal", "anxiety, 94 or above", "child", "hut", "", 2),
    ("minimal", "burial, alert, normal", "adult", "collection point", "", 1),
    ("expectant", "", "adult", "collection point", "", 1),
    ("dead", "", "adult", "debris field", "", 1),
)  # fmt: skip
MISSING: Final = (
    ("immediate", "drowning, asphyxia after burial", "adult", 4),
    ("immediate", "hypothermia, impaired", "adult", 1),
    ("immediate", "hypothermia, impaired", "child", 1),
)
MEDIAN_MIN: Final = {"helicopter": 100, "snowcat": 150, "road": 170}

# Size, tag prefix, place, connection (empty: the size has one), how many.
CYLINDERS: Final = (
    ("D", "D", "debris field", "", 28),
    ("aluminium D", "AD", "debris field", "", 8),
    ("D", "D", "collection point", "", 40),
    ("jumbo D", "JD", "collection point", "", 6),
    ("E", "E", "collection point", "", 5),
    ("M60", "M60", "collection point", "CGA 540", 1),
    ("D", "D", "hut", "", 22),
    ("aluminium D", "AD", "hut", "", 14),
    ("jumbo D", "JD", "hut", "", 4),
    ("M60", "M60", "hut", "CGA 540", 2),
)
DEVICES: Final = (
    ("debris field", (("non-rebreather", "adult", 9), ("non-rebreather", "child", 2),
                      ("simple mask", "adult", 3), ("simple mask", "child", 1),
                      ("cannula", "adult", 4))),
    ("collection point", (("non-rebreather", "adult", 8), ("non-rebreather", "child", 1),
                          ("simple mask", "adult", 7), ("simple mask", "child", 3),
                          ("cannula", "adult", 8), ("cannula", "child", 2),
                          ("bag-valve-mask", "adult", 2))),
    ("hut", (("non-rebreather", "adult", 3), ("simple mask", "adult", 3), ("cannula", "adult", 4),
             ("venturi 28", "adult", 1))),
)  # fmt: skip

HEAD: Final = """\
# Harrow Col: an avalanche over a road and a hut, forty people.   EXERCISE - NOT FOR PATIENT CARE
#
# Teaches: what nobody can add up in their head. Forty people, 130 cylinders, three places, two
# connections, six people not yet found, transport that may not come. There is not quite enough for
# first choice everywhere. It is also the file on which speed is measured.
# People, places, times and numbers are invented and drawn at random with a fixed seed. No published
# distribution of transfer times from a hill was found, so those are invented too.
# Written by tests/bench/generate_forty.py: change that, not this.
#
# One row a line: the same tables as [[patients]] and so on elsewhere, in TOML's short form.

schema = 1

incident.name              = "Harrow Col"
incident.note              = "Forty people, three places, a little too little for first choice. Nothing gets from the hut to the debris field."
incident.start             = 2027-02-20T11:40:00
incident.altitude_m        = 1900
incident.air_temperature_c = -8.0
incident.change_at_psi     = 500
incident.swap_min          = 3.0
incident.horizon_min       = 480
"""  # noqa: E501 - a TOML text stands on one line
TAIL: Final = """
resupply = [
    { arrive_min = [60, 85, 130], no_show_chance = 0.05, place = "collection point", cylinders = [{ size = "E", count = 4, gauge_psi = 2000, read_at_c = 15.0 }], regulators = [{ connection = "CGA 870", count = 2 }], devices = [{ kind = "non-rebreather", count = 2 }] },
]
"""  # noqa: E501 - a TOML inline table stands on one line


def text() -> str:
    """Return the file's text."""
    random = Random(SEED)
    places = [
        {"name": "debris field", "carry_min": {"collection point": 9}},
        {"name": "collection point", "carry_min": {"hut": 18}},
        {"name": "hut"},
    ]
    groups: list[Row] = [
        {"name": "helicopter", "no_show_chance": 0.10, "fallback_min": [150, 200, 280]},
        {"name": "snowcat", "no_show_chance": 0.05, "fallback_min": [180, 240, 330],
         "kit_return_min": 45},
        {"name": "road", "kit_return_min": 60},
    ]  # fmt: skip
    gauges = _gauges(random)
    parts = [
        HEAD,
        _table("places", places),
        _table("patients", _patients(random), "H35 to H40 are not yet found."),
        _table("transfer_groups", groups, "Without kit_return_min kit leaves with the patient."),
        _table("cylinders", gauges, "Full ones were read in a warm store, part-used ones here."),
        _table("regulators", _regulators()),
        _table("devices", _devices()),
        _table("responders", _responders()),
        TAIL,
    ]
    return "".join(parts)


def supply_and_need_l(incident: Incident) -> tuple[float, float]:
    """Return usable litres of all cylinders, and mean litres of first choice for everyone."""
    cold_c, change_psi = incident.air_temperature.c, incident.change_at.psi
    supply = 0.0
    for item in incident.all_cylinders:
        gauge_psi = gauge_after_temperature(item.gauge.psi, item.read_at.c, cold_c)
        supply += float(litres_between(item.water_volume_l, gauge_psi, change_psi, cold_c))
    needs = demand.sample(incident, initial_state(incident), 4000, 1)
    minutes = np.minimum(needs.transfer_min, incident.horizon_min) - needs.start_min
    mean_min = np.where(needs.is_needed, np.maximum(minutes, 0.0), 0.0).mean(axis=1)
    first = [options_of(incident, p)[:1] for p in incident.patients]
    flows = np.array([options[0].flow_lpm if options else 0.0 for options in first])
    return supply, float(flows @ mean_min)


def _near(random: Random, middle: float, spread: float = 0.2, step: int = 5) -> int:
    return round(middle * random.uniform(1 - spread, 1 + spread) / step) * step


def _three(random: Random, middle: float) -> list[int]:
    p50 = _near(random, middle)
    return [round(p50 * 0.68 / 5) * 5, p50, round(p50 * 1.6 / 5) * 5]


def _patients(random: Random) -> list[Row]:
    rows: list[Row] = []
    for triage, indication, age, place, group, count in FOUND:
        for _ in range(count):
            row: Row = {"tag": f"H{len(rows) + 1:02d}", "triage": triage, "place": place}
            if indication:
                row["indication"] = indication
            if group:
                row["transfer_group"] = group
                row["transfer_min"] = _three(random, MEDIAN_MIN[group])
            if age != "adult":
                row["age"] = age
            rows.append(row)
    for triage, indication, age, count in MISSING:
        for _ in range(count):
            from_min = _three(random, 35)
            row = {
                "tag": f"H{len(rows) + 1:02d}", "triage": triage, "place": "debris field",
                "indication": indication, "transfer_group": "helicopter",
                "transfer_min": _three(random, from_min[1] + 80),
                "oxygen_from_min": from_min, "chance_needed": _near(random, 30, 0.5) / 100,
            }  # fmt: skip
            if age != "adult":
                row["age"] = age
            rows.append(row)
    return rows


def _gauges(random: Random) -> list[Row]:
    """Draw the gauges; alike ones at one place share a row."""
    total = sum(count for *_, count in CYLINDERS)
    is_partial = [True] * round(SHARE_PARTIAL * total)
    is_partial += [False] * (total - len(is_partial))
    random.shuffle(is_partial)
    flags, numbers, rows = iter(is_partial), dict.fromkeys((c[1] for c in CYLINDERS), 0), []
    for size, prefix, place, connection, count in CYLINDERS:
        full_psi, lot = 2000 if size != "M60" else 2200, []
        for _ in range(count):
            partial = next(flags)
            lot.append((random.randrange(700, 1501, 100) if partial else full_psi, partial))
        for gauge_psi, partial in sorted(set(lot), reverse=True):
            left = lot.count((gauge_psi, partial))
            while left:
                some = min(left, TAGS_PER_ROW)
                first = numbers[prefix] + 1
                numbers[prefix] += some
                row: Row = {
                    "size": size, "place": place, "gauge_psi": gauge_psi,
                    "tags": [f"{prefix}-{n:02d}" for n in range(first, first + some)],
                }  # fmt: skip
                if connection:
                    row["connection"] = connection
                if not partial:
                    row["read_at_c"] = STORE_C
                rows.append(row)
                left -= some
    return rows


def _regulators() -> list[Row]:
    counts = (("debris field", "CGA 870", 8), ("collection point", "CGA 870", 11),
              ("collection point", "CGA 540", 1), ("hut", "CGA 870", 3),
              ("hut", "CGA 540", 1))  # fmt: skip
    return [{"connection": c, "count": n, "place": p} for p, c, n in counts]


def _devices() -> list[Row]:
    return [
        {"kind": kind, "age": age, "count": count, "place": place}
        for place, kinds in DEVICES
        for kind, age, count in kinds
    ]


def _responders() -> list[Row]:
    return [
        {"count": 7, "place": "debris field", "from_min": 0},
        {"count": 8, "place": "collection point", "from_min": 0},
        {"count": 2, "place": "hut", "from_min": 0},
        {"count": 2, "place": "collection point", "from_min": 30},
    ]


def _table(name: str, rows: Sequence[Mapping[str, object]], comment: str = "") -> str:
    """Write rows as aligned inline tables; columns in order of first appearance, the rare last."""
    columns = list(dict.fromkeys(key for row in rows for key in row))
    columns.sort(key=lambda key: -(sum(key in row for row in rows) == len(rows)))
    cells = [{key: f"{key} = {_value(row[key])}" for key in row} for row in rows]
    widths = {key: max(len(cell.get(key, "")) for cell in cells) for key in columns}
    head = f"\n# {comment}\n" if comment else "\n"
    lines = [f"    {{ {_line(columns, widths, cell)} }},\n" for cell in cells]
    return f"{head}{name} = [\n{''.join(lines)}]\n"


def _line(columns: Iterable[str], widths: Mapping[str, int], cell: Mapping[str, str]) -> str:
    present = [key for key in columns if key in cell]
    last = present[-1]
    line = ""
    for key in columns:
        mark = "," if key in cell and key != last else ""
        line += f"{cell.get(key, '')}{mark}".ljust(widths[key] + 2)
        if key == last:
            break
    return line.rstrip()


def _value(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, dict):
        inner = ", ".join(f'"{key}" = {_value(item)}' for key, item in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return str(value)


def main(write: Callable[[str], object] = sys.stdout.write) -> None:
    """Write the file and say how supply compares with need."""
    from planner.files import read_incident, write_text

    write_text(FILE, text())
    supply, need = supply_and_need_l(read_incident(FILE).incident)
    write(f"{FILE.name}: supply {supply:.0f} L, need {need:.0f} L, ratio {supply / need:.3f}\n")


if __name__ == "__main__":
    main()
