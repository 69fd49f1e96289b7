"""Advice in words, as plain data and in the terminal."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from planner import cli_advise
from planner.advice.candidates import measures_of
from planner.advice.effects import Effect, Row
from planner.advice.measures import Measure
from planner.advice.ranking import Options, advise
from planner.advice.request import Answer, Wanted, request_for
from planner.advice.setting import Setting
from planner.banner import BANNER
from planner.errors import InputError
from planner.estimate import Estimate
from planner.report.advice_result import advice_result, request_result
from planner.report.advice_text import advice_text
from planner.report.advice_words import (
    change_words,
    measure_words,
    measures_words,
    request_lines,
    row_words,
)
from planner.what_if import Compared
from tests.rule_incidents import cyl, pat, reg, world
from tests.test_advice_measures import lone, setting_of, the, waiting

SCENARIO = Path(__file__).parents[1] / "scenarios" / "pelvarra-camp.toml"


def estimate(value: float, half: float = 0.0) -> Estimate:
    return Estimate(value, value - half, value + half, 20_000)


def effect(before: float, after: float, half: float) -> Effect:
    by = Compared(estimate(before), estimate(after), estimate(after - before, half))
    minutes = Compared(estimate(41), estimate(30), estimate(-11, 3))
    return Effect(by, by, minutes, by)


def test_a_row_says_before_after_points_and_interval() -> None:
    setting = lone()
    row = Row((the(setting, "cylinder", "B"),), effect(0.31, 0.24, 0.02))
    said = row_words(row, setting.incident)
    assert said == "one more D cylinder at B: 31 % to 24 %, 7.0 points fewer (5.0 to 9.0)"
    more = replace(row, replanned=effect(0.3, 0.2, 0.02))
    assert row_words(more, setting.incident).endswith(
        "; planned again 20 %, 10 points fewer than planned again without"
    )
    assert "in its box" in row_words(replace(more, is_left_unused=True), setting.incident)
    assert "not checked" in row_words(replace(row, is_verified=False), setting.incident)


def test_no_clear_difference_is_said_and_minutes_come_in() -> None:
    said = change_words(effect(0.31, 0.30, 0.02))
    assert said.startswith("31 % to 30 %, no clear difference; minutes without oxygen")
    assert "41.0 to 30.0 (8.0 to 14.0 fewer)" in said


@pytest.mark.parametrize("setting", [lone(), waiting(regulators=(reg("r1"),))])
def test_every_measure_has_words_of_its_own(setting: Setting) -> None:
    said = [measure_words(m, setting.incident) for m in measures_of(setting)]
    assert all(said)
    assert len(set(said)) == len(said)


def test_a_place_in_words_has_the_only_where_it_is_no_name() -> None:
    names = ("hut", "Camp 2", "C")
    places = tuple(replace(p, name=n) for p, n in zip(lone().incident.places, names, strict=True))
    incident = replace(lone().incident, places=places)
    model = the(lone(), "cylinder", "B").model
    assert measure_words(Measure("responder", place="hut"), incident).endswith("at the hut")
    assert measure_words(Measure("responder", place="Camp 2"), incident).endswith("at Camp 2")
    one = Measure("cylinder", "D", "hut", model=model)
    assert measures_words((one, one), incident) == "two more D cylinders at the hut"
    mask = Measure("device", "venturi 24", "hut", age="adult")
    assert measures_words((mask, mask), incident) == "two more venturi 24 (adult) at the hut"
    mask = replace(mask, name="simple mask")
    assert measures_words((mask, mask), incident) == "two more simple masks (adult) at the hut"
    alone = replace(incident, places=places[:1])
    assert measure_words(one, alone) == "one more D cylinder"


@cache
def result() -> dict[str, Any]:
    setting = setting_of(world([pat("P", gone=25)], [cyl("c1", 100)]))
    wanted = Wanted(travel_min=9, samples=500, effort=0)
    answer = request_for(setting, wanted)
    advice = advise(setting, Options(samples=500, effort=0))
    return advice_result(setting.incident, advice, answer, 9)


def test_result_is_plain_and_has_the_contracts_request() -> None:
    tree = json.loads(json.dumps(result(), allow_nan=False))
    request = tree["request"]
    assert {"target", "items", "place", "request_by", "arrive_by", "chance_after"} <= set(request)
    assert [(i["size"], i["count"]) for i in request["items"]] == [("D", 1)]
    # Starts at 12:00, nine minutes from asking to arrival.
    assert (request["request_by"]["clock"], request["arrive_by"]["clock"]) == ("12:00", "12:09")
    assert tree["kind"] == "advice"


def test_text_has_the_banner_twice_and_the_users_words() -> None:
    text = advice_text(result())
    assert text.startswith(BANNER)
    assert text.rstrip().endswith(BANNER)
    assert "Ask by 12:00 for 1 full D cylinder, to arrive at A by 12:09" in text
    assert "100 % to 0 %" in text
    for word in ("objective", "solver", "heuristic", "evaluation", "CP-SAT"):
        assert word not in text
    assert all(len(line) <= 100 for line in text.splitlines())


def test_text_of_users_stays_text() -> None:
    hostile = {**result(), "incident": {**result()["incident"], "name": "[red]x[/red]"}}
    assert "[red]x[/red]" in advice_text(hostile)


def test_out_of_reach_says_how_far_it_goes_and_what_is_short() -> None:
    setting = waiting(regulators=(reg("r1"),))
    answer = request_for(setting, Wanted(travel_min=1, samples=500, effort=0))
    said = " ".join(request_lines(answer, setting.incident, 1))
    assert said.startswith("Nothing brings it under 5.0 %: the best is 100 %")
    assert "not litres are short then, but regulators, masks, keys, washers, hands or time" in said
    assert "common practice, no source" in said
    assert request_result(setting.incident, answer) is None


def test_none_needed_and_nothing_to_ask_for_are_said() -> None:
    incident = lone().incident
    none = Answer("none needed", 0.05, estimate(0.02, 0.001), lone())
    assert next(request_lines(none, incident, 60)).startswith("Nothing to ask for: 2.0 %")
    bare = Answer("out of reach", 0.05, estimate(0.5, 0.01), lone(), chance_after=estimate(0.5))
    assert "no size of the file fits" in next(request_lines(bare, incident, 60))


def test_a_stop_is_labelled() -> None:
    setting = lone()
    advice = advise(setting, Options(samples=500, effort=0, is_interrupted=lambda: True))
    answer = request_for(setting, Wanted(travel_min=9, samples=500, effort=0))
    said = advice_text(advice_result(setting.incident, advice, answer, 9))
    assert "Stopped by hand: 0 of" in said


def parser() -> argparse.ArgumentParser:
    found = argparse.ArgumentParser()
    found.add_argument("--json")
    cli_advise.add(found)
    return found


def test_command_prints_and_gives_json(capsys: pytest.CaptureFixture[str]) -> None:
    words = [str(SCENARIO), "--samples", "300", "--effort", "0", "--json", "-"]
    assert cli_advise.run(parser().parse_args(words)) == 0
    tree = json.loads(capsys.readouterr().out)
    assert tree["kind"] == "advice"
    assert tree["looked_at"]["done"] == tree["looked_at"]["of"] > 10


def test_command_refuses_what_is_not_allowed_all_at_once() -> None:
    words = [str(SCENARIO), "--travel-min", "-3", "--place", "camq"]
    with pytest.raises(InputError) as error:
        cli_advise.run(parser().parse_args(words))
    assert len(error.value.faults) == 2
