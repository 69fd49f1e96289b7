"""A policy goes out as JSON and comes back the same."""

from __future__ import annotations

import json

import pytest

from planner.policy import KeptFor, Policy
from planner.policy_document import policy_document, policy_from
from planner.rules import RULES
from planner.state import initial_state
from tests.generator import random_incident
from tests.rule_incidents import eight_incidents


@pytest.mark.parametrize("seed", range(6))
def test_round_trip_of_rules_on_random_incidents(seed: int) -> None:
    incident = random_incident(seed, num_patients=6, num_cylinders=16)
    for _, rule in RULES:
        policy = rule(incident, initial_state(incident))
        assert policy_from(json.loads(json.dumps(policy_document(policy)))) == policy


def test_round_trip_of_what_rules_do_not_use() -> None:
    for rich in eight_incidents():
        text = json.dumps(policy_document(rich.policy))
        assert policy_from(json.loads(text)) == rich.policy
    kept = Policy(kept_for=(KeptFor(None, "yoke", "immediate", 2), KeptFor("A", "x", "delayed", 1)))
    assert policy_from(policy_document(kept)) == kept
