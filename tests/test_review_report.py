"""The review as a whole: parts apart and in order, five recommendations, names and dates told."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from planner.banner import BANNER
from planner.files import read_incident
from planner.incident import Incident
from planner.journal.events import Journal, LogEntry, Note
from planner.journal.files import entries_from_csv
from planner.review.decisions import HINDSIGHT, decision_points, modelled
from planner.review.inferring import HEADINGS, MOST_RECOMMENDED
from planner.review.lines import review_lines
from planner.review.privacy import personal_texts
from planner.review.report import CONFIDENTIAL, Review, review_of, review_result
from planner.workflow import Request

SCENARIOS = Path(__file__).parents[1] / "scenarios"
START = datetime(2027, 2, 20, 14, 0)


def shipped(name: str) -> tuple[Incident, Journal]:
    incident = read_incident(SCENARIOS / f"{name}.toml").incident
    text = (SCENARIOS / f"{name}-log.csv").read_bytes().decode("utf-8")
    return incident, Journal(incident.name, incident.start, entries_from_csv(text, incident.start))


@pytest.fixture(scope="module")
def rib() -> Review:
    incident, journal = shipped("hallimoor-rib")
    return review_of(journal, incident)


def test_known_first_hindsight_last(rib: Review) -> None:
    lines = review_lines(rib)
    heads = [line.split(":")[0] for line in lines if line[:1].isupper()]
    assert heads[3:] == [
        "KNOWN AT THE TIME", "FACTS", "INFERENCE", "RECOMMENDATIONS", "IMPROVEMENT LIST",
        "HINDSIGHT", BANNER,
    ]  # fmt: skip
    assert lines[:2] == (BANNER, CONFIDENTIAL)
    assert lines[-1] == BANNER
    result = review_result(rib)
    assert list(result)[4] == "known_at_the_time"
    assert list(result)[-1] == "hindsight"
    # What only later showed about H-08 (15 L/min) stands in no part before the facts.
    known = json.dumps(result["known_at_the_time"])
    assert HINDSIGHT not in known
    assert "off_flows" not in known
    assert all(row["mark"] == HINDSIGHT for row in result["hindsight"])


def test_plain_data_is_json(rib: Review) -> None:
    result = review_result(rib)
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    assert set(result["facts"]) & set(result["inference"]) == set()
    assert [r["cylinder"] for r in result["inference"]["readings_that_do_not_fit"]] == [
        "H-04", "H-04", "H-08",
    ]  # fmt: skip


def test_recommendations_and_improvements(rib: Review) -> None:
    about = [r.about for r in rib.recommendations]
    assert 0 < len(about) <= MOST_RECOMMENDED
    assert about.count("training") <= 1
    assert sum(a in {"equipment", "system"} for a in about) > len(about) / 2
    assert [i.words for i in rib.improvements] == [r.words for r in rib.recommendations]
    assert all(i.due is None and i.owner for i in rib.improvements)
    people = ("A1", "A2", "A3")
    assert not any(tag in r.words + r.because for r in rib.recommendations for tag in people)


def test_factors_under_every_heading(rib: Review) -> None:
    factors = rib.inference.factors
    assert tuple(factors) == HEADINGS
    assert all(factors[heading] for heading in HEADINGS)
    assert any("13 min" in text for text in factors["communication"])
    assert any("cloud" in text for text in factors["environment"])
    assert not any("snowcat" in text for text in factors["environment"])  # no weather
    # The twin: who asked early has nothing under communication.
    incident, journal = shipped("brennick-saddle")
    early = review_of(journal, incident)
    assert early.inference.factors["communication"] == ()
    assert not any("Ask for oxygen" in r.words for r in early.recommendations)


def test_without_an_incident_there_are_facts_only() -> None:
    _, journal = shipped("hallimoor-rib")
    bare = review_of(journal)
    assert bare.known.points == bare.hindsight == ()
    assert len(bare.facts.swaps) == 7
    assert review_lines(bare)


def test_an_empty_log_is_a_review(rib: Review) -> None:
    empty = review_of(Journal("nothing", START))
    assert empty.recommendations == ()
    assert json.dumps(review_result(empty))
    assert " - nothing" in review_lines(empty)


def test_modelled_stands_with_its_point() -> None:
    incident, journal = shipped("hallimoor-rib")
    points = decision_points(journal.entries, incident)
    point = next(p for p in points if p.at_min == 52.0)
    made = modelled(point, Request(samples=1_000, effort=0, deterministic_s=0.2))
    lines = review_lines(review_of(journal, incident, modelled=[made]))
    told = [k for k, line in enumerate(lines) if line.strip().startswith("modelled:")]
    assert len(told) == 1
    assert any("14:52" in line for line in lines[told[0] - 3 : told[0]])
    assert "points (" in lines[told[0]]


# ----- names and dates --------------------------------------------------------------------------


def looks(note: str, **more: Any) -> set[str]:
    entry = LogEntry("e1", 0.0, Note(more.pop("patient", None)), note=note, **more)
    return {p.looks_like for p in personal_texts([entry], START, ["Hallimoor Rib"])}


@pytest.mark.parametrize(
    "text",
    ["Jana Orsted carried it", "asked Dr. Vellin", "patient's name: orrin", "for Mrs Quade"],
)
def test_names_are_told(text: str) -> None:
    assert looks(text) == {"a person's name"}


@pytest.mark.parametrize(
    "text",
    ["old washer torn, changed", "Helicopter turned back", "at Hallimoor Rib", "H-07 to A3",
     "A2: bag flat, mask off", "Second sheet, 15:31"],
)  # fmt: skip
def test_ordinary_words_are_no_names(text: str) -> None:
    assert looks(text) == set()


@pytest.mark.parametrize(
    "text",
    ["john miller on the mask", "gave it to karin", "jana's washer", "A2 is peter schmidt",
     "by thomas", "JOHN MILLER", "asked m. kowalski", "susan: flow up"],
)  # fmt: skip
def test_names_without_capitals_are_told(text: str) -> None:
    assert looks(text) == {"a person's name"}


#: What people write in an oxygen log: none of it names anybody.
ORDINARY = (
    "gauge read at the bend, 900 psi", "swapped, old washer torn", "will swap at 1430",
    "mark on the mask: 14:06", "rob of kit from the second sled", "cold, snow, light wind",
    "cliff side, roped up", "hill too steep for the sled", "bag flat, mask off",
    "turned back, cloud on the col", "team lead asked for three more", "about 400, in the red",
    "helicopter 15 min out", "snowcat broke down at the bridge", "valve stiff, warmed by hand",
    "mask fogged, reservoir stays full", "patient steady, 93 % and rising",
    "frost on the regulator", "may need a second litter", "grace period over, call again",
    "dawn in an hour", "rose to 95 %", "hope for a gap in the weather", "art of waiting",
    "bill of lading for the cylinders", "jack under the sled", "penny washer used", "drew breath",
    "chase the radio relay", "guy line cut", "pat down for other injuries", "sandy ground",
    "ray of light seen from debris", "gene pool", "dale below the hut", "glen road closed",
    "miles to go, two hours", "max flow for ten minutes", "page the physician", "lane two open",
    "heath fire risk: none", "brook crossed", "forest edge, landing zone two", "king pin bent",
    "young adult, shivering", "long carry, four hands", "brown tag, minimal", "white out",
    "black tag confirmed by physician", "green tags moved to the hut", "stone fell near A2",
    "wood splint", "field dressing", "bush plane refused", "fox hole dug for shelter", "cook tent",
    "baker tent gives hot water", "hunter hut as shelter", "mason jar for the heat", "cooper valve",
    "taylor made splint", "carter of the lower road", "physician by radio: turn down to 6",
    "carried up from the hut since 10:18", "read again with the lamp", "looks low, look again",
    "from a second sheet", "left with the snowcat and did not come back", "wind on the saddle",
    "chris-cross lashing", "on scene: two sleds, one bag-valve-mask", "ali-oop lift practised",
)  # fmt: skip


def test_ordinary_sentences_raise_no_alarm() -> None:
    assert [text for text in ORDINARY if looks(text)] == []


@pytest.mark.parametrize("name", ["hallimoor-rib", "brennick-saddle"])
def test_shipped_logs_raise_none(name: str) -> None:
    incident, journal = shipped(name)
    assert review_of(journal, incident).personal == ()


@pytest.mark.parametrize(
    "text", ["born 1987", "12.03.1987", "1987-03-12", "DOB 3/12/87", "3/12/87"]
)
def test_birth_dates_are_told(text: str) -> None:
    assert looks(text) == {"a birth date"}


@pytest.mark.parametrize("text", ["2027-02-20", "20.02.2027", "15:31", "1900 psi", "20/2/27"])
def test_dates_of_the_day_are_none(text: str) -> None:
    assert looks(text) == set()


def test_a_first_name_as_tag_or_role_is_told() -> None:
    assert looks("", patient="Mira") == {"a person's name"}
    assert looks("", role="Tomas") == {"a person's name"}
    assert looks("", patient="A1", role="team lead") == set()


def test_the_warning_does_not_repeat_the_text(rib: Review) -> None:
    incident, journal = shipped("hallimoor-rib")
    entries = (*journal.entries, LogEntry("T-90", 150.0, Note(), note="Jana Orsted, 12.03.1987"))
    review = review_of(replace(journal, entries=entries), incident)
    warned = [line for line in review_lines(review) if line.startswith("WARNING")]
    assert len(warned) == 2
    assert not any("Orsted" in line or "1987" in line for line in warned)
    assert rib.personal == ()
