"""Broken incident files: what is wrong with each, and where its fault must point.

``GOOD`` reads without a fault; each case changes one thing in it. ``TREES`` set or remove one value
of its tree, ``TEXTS`` are whole files, ``TABLES`` are files with a CSV table beside them.
"""

from __future__ import annotations

import copy
import tomllib
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any

GOOD = """\
schema = 1
[incident]
name = "Slide above the upper lift"
start = 2027-02-14T13:20:00
air_temperature_c = -12.0
change_at_psi = 500
safe_residual_psi = 200
swap_min = 3.0
swap_gap_min = 1.0

[[places]]
name = "debris"
carry_min = { hut = 14, staging = 7 }
[[places]]
name = "hut"
[[places]]
name = "staging"

[[patients]]
tag = "U1"
triage = "immediate"
indication = "major trauma"
place = "debris"
transfer_min = [70, 110, 170]
transfer_group = "helicopter"
connected = { cylinder = "D-A", regulator = "R-A", device = "non-rebreather", flow_lpm = 15 }
[[patients]]
tag = "U2"
triage = "delayed"
spo2 = 91
place = "debris"
oxygen_from_min = [12, 22, 38]
transfer_after_found_min = 60
chance_needed = 0.4
options = [
  { device = "non-rebreather", flow_lpm = 15, level = "first choice" },
  { device = "non-rebreather", level = "reduced", phases = [
    { flow_lpm = 15, for_min = 15 }, { flow_lpm = 10, chance = 0.6 } ] },
]
[[patients]]
tag = "U3"
triage = "minimal"
indication = "limb injury"
place = "staging"

[[transfer_groups]]
name = "helicopter"
no_show_chance = 0.1
fallback_min = [120, 180, 260]
kit_return_min = 40

[[vehicles]]
name = "snowcat"
place = "staging"
capacity = 2
first_arrival_min = [40, 60, 90]
round_trip_min = 45
hold_chance = 0.2
hold_min = 30

[[cylinders]]
tag = "D-A"
size = "D"
gauge_psi = 1850
place = "debris"
[[cylinders]]
size = "E"
count = 3
gauge_bar = 125
read_at_f = 60
place = "hut"
[[cylinders]]
tag = "B-1"
size = "UK CD"
gauge_bar = 200
settings_lpm = [1, 2, 4, 6, 10, 15]
place = "debris"

[[regulators]]
tag = "R-A"
connection = "CGA 870"
place = "debris"
[[regulators]]
tag = "R-B"
connection = "CGA 870"
settings_lpm = [2, 6, 10, 15]
place = "hut"

[[devices]]
kind = "non-rebreather"
count = 3
place = "debris"
[[sundries]]
kind = "key"
count = 2
place = "debris"
[[responders]]
tag = "P1"
place = "debris"
[[resupply]]
arrive_min = [40, 60, 90]
place = "staging"
cylinders = [{ size = "E", count = 2, gauge_psi = 2000 }]
regulators = [{ connection = "CGA 870", tags = ["R-L", "R-M"] }]
devices = [{ kind = "simple mask", age = "child" }]

[uncertainty]
shared_delay = 0.5
[priorities]
tier_weights = [9, 3, 1]

[[concentrators]]
tag = "C-1"
power_min = 240
settings_lpm = [1, 2, 3]
place = "hut"
"""

GONE = object()  # as a value: take the field out


def good_tree() -> dict[str, Any]:
    return copy.deepcopy(tomllib.loads(GOOD))


@dataclass(frozen=True)
class TreeCase:
    """One value of the good tree set anew; ``place`` stands in the fault's place."""

    name: str
    path: str
    value: object
    place: str
    words: str = ""
    num: int = 1

    def tree(self) -> dict[str, Any]:
        tree: Any = good_tree()
        *way, last = self.path.split("/")
        target = tree
        for step in way:
            target = target[int(step)] if step.isdigit() else target[step]
        if self.value is GONE:
            del target[last]
        elif isinstance(target, list) and last == "+":
            target.append(self.value)
        else:
            target[int(last) if last.isdigit() and isinstance(target, list) else last] = self.value
        return tree


@dataclass(frozen=True)
class TextCase:
    """A whole file; ``csv`` are tables beside it."""

    name: str
    content: str | bytes
    place: str
    words: str = ""
    num: int = 1
    suffix: str = ".toml"
    csv: tuple[tuple[str, str | bytes], ...] = ()


def _t(*args: Any, **more: Any) -> TreeCase:
    return TreeCase(*args, **more)


def _deep_list(levels: int) -> object:
    value: object = 1
    for _ in range(levels):
        value = [value]
    return value


U1, U2, U3 = "patients/0/", "patients/1/", "patients/2/"
CYL, REG = "cylinders/0/", "regulators/0/"
ROW_PATIENT = {"tag": "U9", "triage": "minimal", "indication": "limb injury", "place": "hut"}
ROW_CYLINDER = {"size": "D", "gauge_psi": 1800, "place": "hut"}
DAY = datetime(2027, 2, 14, 13, 20)

TREES = (
    # schema and tables
    _t("schema missing", "schema", GONE, "schema", "schema = 1"),
    _t("schema of another version", "schema", 2, "schema", "first line"),
    _t("schema as text", "schema", "1", "schema"),
    _t("schema true", "schema", True, "schema"),
    _t("unknown table near a known one", "pateints", [], "pateints", "Did you mean patients?"),
    _t("unknown table far from any", "weather", {}, "weather", "Known tables"),
    _t("table instead of rows", "patients", {"tag": "U1"}, "[patients]", "Write each as"),
    _t("text instead of rows", "cylinders", "six D", "[cylinders]", "rows of cylinders"),
    _t("rows instead of a table", "uncertainty", [{}], "[uncertainty]", "one table"),
    _t("number among rows", "responders/+", 7, "[responders] #2", "rows of responders"),
    _t("no patients", "patients", [], "[patients]", "at least one patient"),
    _t("incident without fields", "incident", {}, "[incident]", "the date and local time", num=2),
    _t("empty patient", "patients/+", {}, "[patients] #4", num=3),
    _t("empty cylinder", "cylinders/+", {}, "[cylinders] #4 size", num=3),
    _t("empty regulator", "regulators/+", {}, "[regulators] #3 connection", num=2),
    _t("empty device row", "devices/+", {}, "[devices] #2 kind", num=2),
    _t("empty place", "places/+", {}, "[places] #4 name"),
    _t("empty resupply", "resupply/+", {}, "[resupply] #2 arrive_min", num=2),
    _t("too many rows", "patients", [ROW_PATIENT] * 2001, "[patients]", "at most 2000 rows"),
    # required
    _t("name missing", "incident/name", GONE, "[incident] name", "Add it."),
    _t("start missing", "incident/start", GONE, "start", "Add it."),
    _t("triage missing", U1 + "triage", GONE, "U1 triage", "immediate, delayed"),
    _t("tag missing", U3 + "tag", GONE, "[patients] #3 tag"),
    _t("place missing", U3 + "place", GONE, "U3 place", "one of debris, hut, staging"),
    _t("gauge missing", CYL + "gauge_psi", GONE, "D-A gauge_psi or gauge_bar"),
    _t("size missing", "cylinders/1/size", GONE, "[cylinders] #2 size"),
    _t("option without level", U2 + "options/0/level", GONE, "U2 #1 level", "first choice"),
    _t("option without device", U2 + "options/0/device", GONE, "U2 #1 device"),
    _t("phase without flow", U2 + "options/1/phases/0/flow_lpm", GONE, "U2 #2 #1 flow_lpm"),
    _t("connected without device", U1 + "connected/device", GONE, "[connected] U1 device"),
    # types
    _t("number as text", U2 + "spo2", "91 %", "U2 spo2", "without quotes or units"),
    _t("number as true", "incident/swap_min", True, "swap_min", "received true"),
    _t("whole number as true", "cylinders/1/count", True, "#2 count"),
    _t("whole number with decimals", "cylinders/1/count", 2.5, "#2 count", "Remove the decimals"),
    _t("text as number", U1 + "tag", 7, "[patients] #1 tag", "Put it in quotes"),
    _t("text as list", U1 + "indication", ["a"], "U1 indication", "a text"),
    _t("flag as text", U2 + "spo2_reliable", "no", "U2 spo2_reliable", "true or false"),
    _t("flag as number", U2 + "airway_device", 1, "U2 airway_device", "true or false"),
    _t("null", U2 + "spo2", None, "U2 spo2"),
    _t("list as number", REG + "settings_lpm", 15, "R-A settings_lpm", "[2, 6, 15]"),
    _t("empty list of flows", REG + "settings_lpm", [], "R-A settings_lpm", "an empty list"),
    _t("text in list of flows", REG + "settings_lpm", [2, "x"], "R-A settings_lpm"),
    _t("list of 60 flows", REG + "settings_lpm", [1] * 60, "R-A settings_lpm", "at most 50"),
    _t("tags as text", "resupply/0/regulators/0/tags", "R-L", "#1 #1 tags", "list of texts"),
    _t("tag list with a number", "resupply/0/regulators/0/tags", ["a", 2], "#1 #1 tags"),
    _t("600 tags", "resupply/0/regulators/0/tags", ["a"] * 600, "#1 #1 tags", "at most 500"),
    _t("connected as text", U1 + "connected", "D-A", "U1 connected", "a table"),
    _t("options as table", U2 + "options", {"level": "reduced"}, "U2 options", "[{ ... }]"),
    _t("carry as number", "places/0/carry_min", 14, "debris carry_min", "{ hut = 14 }"),
    _t("date as text in words", "incident/start", "tomorrow", "start", "2027-02-14T13:20:00"),
    _t("date without time", "incident/start", date(2027, 2, 14), "start", "local time"),
    _t("date without time as text", "incident/start", "2027-02-14", "start", "local time"),
    _t("time without date", "incident/start", time(13, 20), "start"),
    _t("start with a zone", "incident/start", DAY.replace(tzinfo=UTC), "start",
       "without time zone"),
    _t("start with a zone as text", "incident/start", "2027-02-14T13:20:00+01:00", "start"),
    _t("start in year 1", "incident/start", DAY.replace(year=1), "start", "1900 to 2200"),
    _t("approval with a time", "incident/approved_on", DAY, "approved_on", "a date"),
    # numbers and units
    _t("negative gauge", CYL + "gauge_psi", -1, "D-A gauge_psi", "0 to 3600 psi"),
    _t("gauge with a digit too many", CYL + "gauge_psi", 18500, "D-A gauge_psi", "the unit"),
    _t("gauge in both units", CYL + "gauge_bar", 127, "D-A gauge_bar", "Keep one of the two"),
    _t("gauge in an unknown unit", CYL + "gauge_kpa", 12700, "D-A gauge_kpa", "Did you mean gauge"),
    _t("gauge without unit", CYL + "gauge", 1850, "D-A gauge", "Did you mean gauge"),
    _t("psi given as bar", "cylinders/1/gauge_bar", 1850, "#2 gauge_bar", "0 to 248 bar"),
    _t("gauge not a number", CYL + "gauge_psi", float("nan"), "D-A gauge_psi", "finite"),
    _t("gauge infinite", CYL + "gauge_psi", float("inf"), "D-A gauge_psi", "finite"),
    _t("gauge minus infinite", CYL + "gauge_psi", float("-inf"), "D-A gauge_psi", "finite"),
    _t("gauge of 400 digits", CYL + "gauge_psi", 10**400, "D-A gauge_psi", "finite"),
    _t("gauge of 5000 digits", CYL + "gauge_psi", 10**5000, "D-A gauge_psi", "too large"),
    _t("gauge of 1e308 bar", "cylinders/1/gauge_bar", 1e308, "#2 gauge_bar"),
    _t("gauge as text with unit", CYL + "gauge_psi", "1850psi", "D-A gauge_psi"),
    _t("below absolute zero", CYL + "read_at_c", -400, "D-A read_at_c", "-50 to 60 C"),
    _t("fahrenheit given as celsius", CYL + "read_at_c", 70, "D-A read_at_c", "140 F"),
    _t("temperature in both units", "incident/air_temperature_f", 10, "air_temperature_f"),
    _t("temperature in kelvin", CYL + "read_at_k", 290, "D-A read_at_k", "Did you mean read_at"),
    _t("saturation over 100", U2 + "spo2", 101, "U2 spo2", "30 to 100 %"),
    _t("chance over 1", U2 + "chance_needed", 40, "U2 chance_needed", "0.001 to 1"),
    _t("chance of 0", U2 + "chance_needed", 0, "U2 chance_needed"),
    _t("target chance of 1", "incident/target_chance", 1, "target_chance"),
    _t("altitude in feet", "incident/altitude_m", 9200, "altitude_m", "8850 m"),
    _t("horizon of 0", "incident/horizon_min", 0, "horizon_min", "1 to 10080 min"),
    _t("horizon of a year", "incident/horizon_min", 525600, "horizon_min"),
    _t("count of 0", "cylinders/1/count", 0, "#2 count", "1 to 500"),
    _t("count of a thousand million", "cylinders/1/count", 10**9, "#2 count", "1 to 500"),
    _t("negative sundries", "sundries/0/count", -1, "[sundries] #1 count"),
    _t("flow of 0", U2 + "options/0/flow_lpm", 0, "U2 #1 flow_lpm", "0.1 to 60 L/min"),
    _t("negative carrying time", "places/0/carry_min/hut", -14, "debris carry_min"),
    _t("water volume of 0", CYL + "water_volume_l", 0, "D-A water_volume_l", "0.1 to 100 L"),
    _t("delay above 1", "uncertainty/shared_delay", 1.5, "shared_delay"),
    _t("negative weight", "priorities/tier_weights", [9, -3, 1], "tier_weights"),
    # three points
    _t("two points", U1 + "transfer_min", [70, 110], "U1 transfer_min", "three in square brackets"),
    _t("four points", U1 + "transfer_min", [1, 2, 3, 4], "U1 transfer_min"),
    _t("no points", U1 + "transfer_min", [], "U1 transfer_min"),
    _t("points out of order", U1 + "transfer_min", [70, 60, 170], "U1 transfer_min",
       "rising order"),
    _t("points with a text", U1 + "transfer_min", [70, "110", 170], "U1 transfer_min"),
    _t("points with a list", U1 + "transfer_min", [70, [110], 170], "U1 transfer_min"),
    _t("points negative", U1 + "transfer_min", [-5, 60, 90], "U1 transfer_min"),
    _t("points not numbers", U1 + "transfer_min", [float("nan")] * 3, "U1 transfer_min", "finite"),
    _t("first point 0", U1 + "transfer_min", [0, 60, 90], "U1 transfer_min", "above 0"),
    _t("point as clock time", U1 + "transfer_min", "15:30", "U1 transfer_min"),
    # texts
    _t("empty tag", U1 + "tag", "  ", "[patients] #1 tag", "not empty"),
    _t("invisible tag", U1 + "tag", "\u200d\u200c", "[patients] #1 tag", "not empty"),
    _t("escape sequence in a tag", U1 + "tag", "U\x1b[31m1", "[patients] #1 tag", "U+001B"),
    _t("line break in a tag", U1 + "tag", "U1\nU2", "[patients] #1 tag", "U+000A"),
    _t("NUL in a note", U1 + "note", "a\x00b", "U1 note", "U+0000"),
    _t("C1 control in a name", "incident/name", "a\x9b31mb", "[incident] name", "U+009B"),
    _t("right-to-left override", U1 + "tag", "U\u202e1", "[patients] #1 tag", "U+202E"),
    _t("direction isolate", U1 + "tag", "U\u20661", "[patients] #1 tag", "U+2066"),
    _t("zero-width space", U1 + "tag", "U\u200b1", "[patients] #1 tag", "U+200B"),
    _t("lone surrogate", U1 + "tag", "U\ud8001", "[patients] #1 tag", "U+D800"),
    _t("line separator", U1 + "note", "a\u2028b", "U1 note", "U+2028"),
    _t("private character", U1 + "note", "\ue000", "U1 note", "U+E000"),
    _t("tag of 61 letters", U1 + "tag", "U" * 61, "[patients] #1 tag", "at most 60"),
    _t("note of 2001 letters", U1 + "note", "x" * 2001, "U1 note", "at most 2000"),
    _t("name of a million letters", "incident/name", "x" * 10**6, "[incident] name",
       "it has 1000000"),
    _t("spreadsheet formula as tag", U1 + "tag", "=1+1", "[patients] #1 tag", "formula"),
    _t("spreadsheet formula as note", U1 + "note", '@SUM("x")', "U1 note", "formula"),
    _t("escape sequence in a field name", U1 + "spo\x1b2", 1, "U1 spo\\x1b2", "spo2"),
    _t("escape sequence in a place", "places/0/carry_min", {"\x1bhut": 1}, "debris carry_min"),
    # unknown fields and words
    _t("field misspelt", U1 + "trasfer_group", "x", "U1 trasfer_group", "mean transfer_group?"),
    _t("field unknown", U1 + "blood_type", "0", "U1 blood_type", "Known: tag, triage"),
    _t("field in capitals", U2 + "SPO2", 91, "U2 SPO2", "Did you mean spo2?"),
    _t("field of 10000 letters", U1 + "x" * 10000, 1, "xxx...", "Known"),
    _t("field without a name", U1, 1, "[patients] U1", "Known"),
    _t("triage misspelt", U1 + "triage", "imediate", "U1 triage", "Did you mean immediate?"),
    _t("triage by colour", U1 + "triage", "red", "U1 triage", "immediate, delayed, minimal"),
    _t("age in years", U1 + "age", "34", "U1 age", "adult, child, infant"),
    _t("place unknown", U3 + "place", "hutt", "U3 place", "Did you mean hut?"),
    _t("cylinder at unknown place", "cylinders/1/place", "car", "E-01, E-02, E-03 place", "debris"),
    _t("resupply to unknown place", "resupply/0/place", "car", "[resupply] #1 place"),
    _t("group unknown", U1 + "transfer_group", "helo", "U1 transfer_group", "one of helicopter"),
    _t("group without any", "transfer_groups", [], "U1 transfer_group", "there is none"),
    _t("indication unknown", U1 + "indication", "Major Truama", "U1 indication", "major trauma?"),
    _t("size unknown", CYL + "size", "Q", "D-A size", "M6, M9, D"),
    _t("size unknown of many", "cylinders/1/count", 400, "", num=0),
    _t("connection unknown", REG + "connection", "CGA 871", "R-A connection", "CGA 870?"),
    _t("connection by alias", "regulators/1/connection", "pin index", "R-B", "Write CGA 870."),
    _t("device unknown", "devices/0/kind", "snorkel", "[devices] #1 kind", num=2),
    _t("device by alias", "resupply/0/devices/0/kind", "SM", "#1 #1 kind", "Write simple mask."),
    _t("device never planned", "resupply/0/devices/0/kind", "CPAP", "#1 #1 kind"),
    _t("level misspelt", U2 + "options/0/level", "first", "U2 #1 level", "first choice"),
    _t("sundry unknown", "sundries/0/kind", "spanner", "[sundries] #1 kind", "key, washer"),
    _t("order unknown", "priorities/order", "first come", "[priorities] order", "category, need"),
    _t("contents unknown", "incident/contents", "ideal", "contents", "real gas, handbook"),
    _t("protocol unknown", "incident/protocol", "ours", "protocol", "example"),
    _t("field of another table", "resupply/0/cylinders/0/place", "hut", "#1 #1 place"),
    # twice the same
    _t("patient twice", "patients/+", {**ROW_PATIENT, "tag": "U3"}, "U3 tag", "2 times"),
    _t("cylinder twice", "cylinders/+", {**ROW_CYLINDER, "tag": "B-1"}, "B-1 tag", "2 times"),
    _t("cylinder again in a delivery", "resupply/0/cylinders/+",
       {"tag": "D-A", "size": "D", "gauge_psi": 1800}, "D-A tag", "2 times"),
    _t("tag twice in one list", "resupply/0/regulators/0/tags", ["R-L", "R-L"], "R-L tag"),
    _t("place twice", "places/+", {"name": "hut"}, "hut name", "2 times"),
    _t("group twice", "transfer_groups/+", {"name": "helicopter"}, "helicopter name"),
    _t("responder twice", "responders/+", {"tag": "P1", "place": "hut"}, "P1 tag"),
    _t("tag and count", CYL + "count", 3, "D-A count", "one of tag, tags, count"),
    _t("6000 cylinders", "cylinders", [{**ROW_CYLINDER, "count": 500}] * 12, "count", "5000"),
    _t("carrying from here to here", "places/0/carry_min", {"debris": 1}, "debris carry_min"),
    _t("carrying from nowhere", "places/0/carry_min", {"hutt": 1}, "debris carry_min", "hut?"),
    _t("carrying from a place twice", "places/0/carry_min", {"hut": 1, "hut ": 2}, "carry_min"),
    # what does not go together
    _t("residual above change", "incident/safe_residual_psi", 600, "safe_residual_psi", "500 psi"),
    _t("gap longer than swap", "incident/swap_gap_min", 4, "swap_gap_min", "at most 3 min"),
    _t("approved by nobody", "incident/approved_on", date(2027, 1, 1), "approved_by"),
    _t("two weights", "priorities/minute_weights", [1, 2], "minute_weights", "three numbers"),
    _t("four prices", "priorities/step_prices", [1, 1, 1, 1], "step_prices", "three numbers"),
    _t("weights of 0", "priorities/tier_weights", [0, 0, 0], "tier_weights", "above 0"),
    _t("transfer said twice", U1 + "transfer_after_found_min", 9, "U1 transfer_after", "not both"),
    _t("no indication", U3 + "indication", GONE, "U3 indication", "options = []"),
    _t("size with several valves", CYL + "size", "M60", "D-A connection", "CGA 540"),
    _t("regulator for a built-in valve", "regulators/1/connection", "built-in", "R-B connection"),
    _t("option with flow and phases", U2 + "options/1/flow_lpm", 15, "U2 #2 flow_lpm", "Keep one"),
    _t("option without flow", U2 + "options/0/flow_lpm", GONE, "U2 #1 flow_lpm", "Add one"),
    _t("flow below the device", U2 + "options/0/flow_lpm", 6, "U2 #1 flow_lpm", "10 to 15 L/min"),
    _t("first phase below the device", U2 + "options/1/phases/0/flow_lpm", 4, "U2 #2 #1 flow_lpm"),
    _t("no phases", U2 + "options/1/phases", [], "U2 #2 phases", "at least one phase"),
    _t("phase without end", U2 + "options/1/phases/0/for_min", GONE, "U2 #2 #1 for_min",
       "only the"),
    _t("last phase with an end", U2 + "options/1/phases/1/for_min", 9, "U2 #2 #2 for_min",
       "Remove"),
    _t("doubtful first phase", U2 + "options/1/phases/0/chance", 0.5, "U2 #2 #1 chance", "always"),
    _t("phases as a number", U2 + "options/1/phases", 3, "[options] U2 #2 phases", "[{ ... }]"),
    _t("flow on no dial", U2 + "options", [
        {"device": "non-rebreather", "flow_lpm": 14.5, "level": "reduced"}], "U2 options", "dial"),
    _t("venturi for an infant", "resupply/0/devices/0", {"kind": "venturi 28", "age": "infant"},
       "#1 #1 age", "adult, child"),
    _t("option not made for the age", U2 + "options/+",
       {"device": "venturi 28", "flow_lpm": 4, "level": "minimum"}, "", num=0),
    # connected
    _t("connected cylinder unknown", U1 + "connected/cylinder", "D-B", "U1 cylinder", "D-A?"),
    _t("connected cylinder on its way", U1 + "connected/cylinder", "E-04", "U1 cylinder"),
    _t("connected regulator unknown", U1 + "connected/regulator", "R-X", "U1 regulator"),
    _t("connected without regulator", U1 + "connected/regulator", GONE, "U1 regulator",
       "Say which"),
    _t("regulator on a built-in valve", U1 + "connected/cylinder", "B-1", "U1 regulator", "Remove"),
    _t("regulator of another valve", REG + "connection", "CGA 540", "U1 regulator", "does not fit"),
    _t("connected cylinder elsewhere", CYL + "place", "hut", "U1 cylinder", "kit at debris"),
    _t("connected regulator elsewhere", REG + "place", "hut", "U1 regulator", "kit at debris"),
    _t("flow off the dial", U1 + "connected/flow_lpm", 11, "U1 flow_lpm", "a setting of the dial"),
    _t("flow off the device", U1 + "connected/flow_lpm", 6, "U1 flow_lpm", "10 to 15 L/min"),
    _t("connected device unknown", U1 + "connected/device", "NRB", "U1 device", "Write non-re",
       num=2),
    _t("connected mask not listed", U1 + "connected/device", "simple mask", "U1 device", num=2),
    _t("connected to a mask of another age", U1 + "age", "child", "U1 device", "size child"),
    _t("connected but not found", U1 + "chance_needed", 0.5, "U1 chance_needed", "already on"),
    _t("connected but later", U1 + "oxygen_from_min", 10, "U1 oxygen_from_min",
       "already on oxygen"),
    _t("cylinder on two", "patients/+",
       {**ROW_PATIENT, "place": "debris", "connected": {
           "cylinder": "D-A", "regulator": "R-A", "device": "non-rebreather", "flow_lpm": 15}},
       "U9 regulator", "U1 is on it too"),
    _t("cylinder on two regulators", "patients/+",
       {**ROW_PATIENT, "place": "debris", "connected": {
           "cylinder": "D-A", "regulator": "R-B", "device": "non-rebreather", "flow_lpm": 15}},
       "U9 cylinder", "U1 is on it too", num=2),
    _t("bag on a concentrator", "patients/+",
       {**ROW_PATIENT, "place": "hut", "connected": {
           "cylinder": "C-1", "device": "non-rebreather", "flow_lpm": 3}},
       "U9 device", "A concentrator does not fill a bag", num=3),
    _t("concentrator with a cylinder's tag", "concentrators/0/tag", "B-1", "B-1 tag", "only once"),
    # nests
    _t("900 lists in one another", U1 + "transfer_min", _deep_list(900), "U1 transfer_min"),
    _t("900 lists as rows", "patients/+", _deep_list(900), "[patients] #4"),
)  # fmt: skip

_DEEP = 5000
TEXTS = (
    TextCase("empty file", "", "file.toml", "schema = 1", num=4),
    TextCase("only blanks", " \n\t\n", "file.toml", num=4),
    TextCase("empty JSON", "", "file.json", "JSON text", suffix=".json"),
    TextCase("JSON list", "[1, 2]", "file.json", "named tables", suffix=".json"),
    TextCase("JSON number", "17", "file.json", "named tables", suffix=".json"),
    TextCase("JSON null", "null", "file.json", "named tables", suffix=".json"),
    TextCase("TOML cut off", GOOD[:400] + '\nname = "x', "file.toml", "line"),
    TextCase("JSON cut off", '{"schema": 1, "incident": {', "file.json", suffix=".json"),
    TextCase("JSON in a TOML file", '{"schema": 1}', "file.toml", "line 1"),
    TextCase("TOML in a JSON file", GOOD, "file.json", "line 1", suffix=".json"),
    TextCase("same key twice", "schema = 1\nschema = 1\n", "file.toml", "line 2"),
    TextCase("same table twice", GOOD + "[incident]\n", "file.toml", "line"),
    TextCase("same JSON key twice", '{"schema": 1, "schema": 1}', "file.json",
             "'schema' stands twice",
             suffix=".json"),
    TextCase("same JSON key twice deep", '{"a": [{"b\\u001b": 1, "b\\u001b": 2}]}', "file.json",
             "\\x1b", suffix=".json"),
    TextCase("200000 JSON keys and a twin", "{" + ",".join(f'"k{n}":1' for n in range(200_000))
             + ',"k199999":1}', "file.json", "stands twice", suffix=".json"),
    TextCase("JSON not a number", '{"schema": NaN}', "file.json schema", suffix=".json", num=4),
    TextCase("number of 9000 digits", "schema = " + "9" * 9000, "file.toml", "4300 digits"),
    TextCase("JSON number of 9000 digits", '{"a": ' + "9" * 9000 + "}", "file.json", "4300 digits",
             suffix=".json"),
    TextCase("10 MB of junk", b"x" * 10_000_000, "file.toml", "at most 5 MB"),
    TextCase("5 MB of one letter", b"x" * 4_900_000, "file.toml", "TOML text"),
    TextCase("5 MB of brackets", b"[" * 4_900_000, "file.toml", "TOML text"),
    TextCase("5 MB of quotes", b'"' * 4_900_000, "file.toml", "TOML text"),
    TextCase("latin-1", GOOD.replace("Slide", "Lawine \u00f6").encode("latin-1"), "file.toml",
             "byte 0xF6 in line 3"),
    TextCase("UTF-16", GOOD.encode("utf-16"), "file.toml", "byte 0xFF in line 1"),
    TextCase("UTF-16 without a mark", GOOD.encode("utf-16-le"), "file.toml", "TOML text"),
    TextCase("NUL bytes", GOOD.encode() + b"\x00\x00", "file.toml", "line 117"),
    TextCase("a picture", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "file.toml", "byte 0x89"),
    TextCase("raw escape sequence", GOOD.replace("U3", "U\x1b[2J3"), "file.toml", "x1b"),
    TextCase("TOML lists nested deep", "x = " + "[" * _DEEP + "]" * _DEEP, "file.toml",
             "very deep"),
    TextCase("TOML tables nested deep", "x = " + "{a=" * _DEEP + "1" + "}" * _DEEP, "file.toml",
             "very deep"),
    TextCase("TOML key of many parts", "x" + ".a" * 1_000_000 + " = 1", "file.toml", "very deep"),
    TextCase("TOML header of many parts", "[x" + ' . "a"' * 500_000 + "]", "file.toml",
             "very deep"),
    TextCase("JSON lists nested deep", "[" * 100_000 + "]" * 100_000, "file.json", "very deep",
             suffix=".json"),
    TextCase("JSON tables nested deep", '{"a":' * 50_000 + "1" + "}" * 50_000, "file.json",
             "very deep", suffix=".json"),
    TextCase("20000 unknown fields", "schema = 1\n[incident]\n"
             + "".join(f"f{n} = 1\n" for n in range(20_000)), "file.toml", "more faults", num=501),
    TextCase("100000 empty rows", '{"schema": 1, "resupply": [' + ",".join(
             ['{"cylinders":[' + ",".join(["{}"] * 1000) + "]}"] * 100) + "]}", "file.json",
             "Mend these first", suffix=".json", num=501),
    TextCase("1500 places carried from nowhere", GOOD + "".join(
             f'[[places]]\nname = "p{n}"\ncarry_min = {{ q{n} = 1 }}\n' for n in range(1500)),
             "file.toml", "more faults", num=501),
)  # fmt: skip

_HEAD = GOOD[: GOOD.index("[[patients]]")].replace("schema = 1", 'schema = 1\npatients = "p.csv"')
_TAIL = GOOD[GOOD.index("[[transfer_groups]]") :]
WITH_CSV = _HEAD + _TAIL
GOOD_CSV = """\
tag,triage,indication,place,transfer_min,spo2,options
U1,immediate,major trauma,debris,70/110/170,,
U2,minimal,,hut,,95,[]
"""


def _c(name: str, csv: str | bytes, place: str, words: str = "", num: int = 1) -> TextCase:
    return TextCase(name, WITH_CSV, place, words, num, csv=(("p.csv", csv),))


def _line(text: str) -> str:
    return GOOD_CSV.replace("U2,minimal,,hut,,95,[]", text)


TABLES = (
    TextCase("CSV missing", WITH_CSV, "p.csv [patients]", "Check name and folder"),
    TextCase("CSV outside the folder", WITH_CSV.replace("p.csv", "../p.csv"), "[patients]",
             "same folder", csv=(("../p.csv", GOOD_CSV),)),
    TextCase("CSV at an absolute path", WITH_CSV.replace("p.csv", "/etc/passwd"), "[patients]",
             "same folder"),
    TextCase("CSV without a name", WITH_CSV.replace("p.csv", ""), "[patients]", "same folder"),
    TextCase("CSV is the folder", WITH_CSV.replace("p.csv", "."), "[patients]", "same folder"),
    TextCase("CSV name with NUL", WITH_CSV.replace("p.csv", "p\\u0000.csv"), "[patients]",
             "\\x00"),
    TextCase("CSV name with an escape", WITH_CSV.replace("p.csv", "\\u001b[2Jp.csv"), "[patients]",
             "\\x1b"),
    TextCase("CSV name too long", WITH_CSV.replace("p.csv", "p" * 3000), "[patients]", "ppp..."),
    TextCase("CSV name no text", WITH_CSV.replace('"p.csv"', "7"), "[patients]",
             "rows of patients"),
    TextCase("CSV for places", GOOD.replace("schema = 1",
             'schema = 1\nresponders = "r.csv"').replace(
             '[[responders]]\ntag = "P1"\nplace = "debris"\n', ""), "[responders]", "rows of"),
    _c("CSV empty", "", "p.csv [patients] line 1", "a header line"),
    _c("CSV of blanks", "\n\n", "p.csv [patients] line 1", "a header line"),
    _c("CSV with a header only", GOOD_CSV.split("\n", maxsplit=1)[0], "[patients]",
       "at least one patient"),
    _c("CSV too long", b"tag\n" + b"x" * 5_100_000, "p.csv [patients]", "5 MB"),
    _c("CSV in latin-1", GOOD_CSV.replace("U2", "\u00dc2").encode("latin-1"), "p.csv [patients]",
       "byte 0xDC in line 3"),
    _c("CSV in UTF-16", GOOD_CSV.encode("utf-16"), "p.csv [patients]", "UTF-8"),
    _c("CSV row too long", _line("U2,minimal,,hut,,95,[],x"), "line 3", "8 cells"),
    _c("CSV first row too long", GOOD_CSV.replace("170,,", "170,,,9"), "line 2", "8 cells"),
    _c("CSV every row too long", GOOD_CSV.replace(",place", ""), "p.csv [patients] line 2",
       "7 cells", num=2),
    _c("CSV row too short", _line("U2,minimal"), "line 3", "2 cells"),
    _c("CSV column unknown", GOOD_CSV.replace("spo2", "spo3"), "line 1 spo3", "Did you mean spo2?"),
    _c("CSV column twice", GOOD_CSV.replace("spo2", "place"), "line 1 place", "each column once"),
    _c("CSV column without name", GOOD_CSV.replace("spo2", ""), "line 1 no name", "Known: tag"),
    _c("CSV column with an escape", GOOD_CSV.replace("spo2", "spo2\x1b[2J"), "line 1 spo2\\x1b"),
    _c("CSV quote left open", _line('U2,minimal,"limb injury,hut,,95,[]'), "p.csv [patients]",
       "double quote"),
    _c("CSV text after a quote", _line('U2,minimal,"limb"x,hut,,95,[]'), "p.csv", "line 3"),
    _c("CSV cell of 200000 letters", _line("U" * 200_000 + ",minimal,,hut,,95,[]"), "p.csv"),
    _c("CSV number in words", _line("U2,minimal,,hut,,high,[]"), "p.csv [patients] U2 spo2"),
    _c("CSV number out of range", _line("U2,minimal,,hut,,950,[]"), "U2 spo2", "30 to 100"),
    _c("CSV number infinite", _line("U2,minimal,,hut,,1e999,[]"), "U2 spo2", "finite"),
    _c("CSV number nan", _line("U2,minimal,,hut,,nan,[]"), "U2 spo2", "plain number"),
    _c("CSV number with a decimal comma", _line('U2,minimal,,hut,,"95,5",[]'), "U2 spo2"),
    _c("CSV three points of two", _line("U2,minimal,,hut,70/110,95,[]"), "U2 transfer_min"),
    _c("CSV three points falling", _line("U2,minimal,,hut,90/70/110,95,[]"), "U2 transfer_min"),
    _c("CSV three points with words", _line("U2,minimal,,hut,70/soon/99,95,[]"), "U2 transfer_min"),
    _c("CSV options no TOML", _line("U2,minimal,,hut,,95,oxygen"), "U2 options", "[{ ... }]"),
    _c("CSV options of 9000 digits", _line("U2,minimal,,hut,,95," + "9" * 9000), "U2 options"),
    _c("CSV options nested deep", _line("U2,minimal,,hut,,95," + "[" * 5000), "U2 options"),
    _c("CSV triage unknown", _line("U2,green,,hut,,95,[]"), "p.csv [patients] U2 triage"),
    _c("CSV place unknown", _line("U2,minimal,,hutt,,95,[]"), "p.csv [patients] U2 place", "hut?"),
    _c("CSV tag twice", _line("U1,minimal,,hut,,95,[]"), "p.csv [patients] U1 tag", "2 times"),
    _c("CSV tag missing", _line(",minimal,,hut,,95,[]"), "p.csv [patients] #2 tag", "Add it."),
    _c("CSV formula", _line("=2+3,minimal,,hut,,95,[]"), "p.csv [patients] #2 tag", "formula"),
    _c("CSV with NUL", _line("U\x002,minimal,,hut,,95,[]"), "p.csv [patients] #2 tag", "U+0000"),
    _c("CSV thousands in a semicolon file",
       "tag;triage;options;place;spo2\nU1;minimal;[];hut;1,095\n",
       "U1 spo2", "plain number"),
)  # fmt: skip
