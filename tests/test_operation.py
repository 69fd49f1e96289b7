"""The judge on incidents nobody thought up, and what must not make a difference to it.

What the rule cases and the eight incidents give by hand and by the process model is in
``test_judge_against_simpy.py``. Here random policies meet random incidents.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from numba import njit
from numba.core.errors import TypingError

from planner.demand import Floats, Needs, sample
from planner.incident import BUILT_IN, Incident, Priorities
from planner.operation.arrays import Ints
from planner.operation.compiling import bare, compiled
from planner.operation.judge import Bench, Outcome, operate
from planner.policy import KeptFor, Policy
from planner.state import State, initial_state
from tests.generator import random_incident
from tests.random_policies import carried, random_policy, shared, varied
from tests.rule_incidents import (
    SUSTAINING,
    Rich,
    cyl,
    eight_incidents,
    hand,
    on,
    pat,
    plan,
    reg,
    world,
)
from tests.simpy_model import simulate
from tests.test_judge_against_simpy import assert_agree

SAMPLES = 5


KINDS = {"generated": 60, "varied": 60, "shared": 30, "carried": 40, "both": 30}  # how many of each


@pytest.mark.parametrize(
    ("kind", "seed"), [(kind, seed) for kind, count in KINDS.items() for seed in range(count)]
)
def test_random_policies_on_random_incidents(kind: str, seed: int) -> None:
    """4 to 12 patients, 8 to 32 cylinders, half to one and a half times the supply needed."""
    incident = random_incident(
        seed,
        num_patients=4 + seed % 9,
        num_cylinders=8 + 2 * (seed % 13),
        supply_ratio=(0.5, 0.8, 1.2, 1.5)[seed % 4],
    )
    incident = incident if kind == "generated" else varied(incident, seed)
    incident = shared(incident, seed) if kind in {"shared", "both"} else incident
    incident = carried(incident, seed) if kind in {"carried", "both"} else incident
    state = initial_state(incident)
    needs = sample(incident, state, SAMPLES, seed)
    policy = random_policy(incident, state, seed)
    outcome = operate(incident, state, policy, needs, max_swaps=200)
    assert outcome.swaps is not None
    assert outcome.swaps.num_swaps.sum() > 0
    for s in range(SAMPLES):
        other = simulate(incident, state, policy, needs, s)
        assert_agree(incident, outcome, s, other)
        still = {
            p.tag
            for p, here in zip(incident.patients, outcome.still_here[:, s], strict=True)
            if here
        }
        indicated = {p.tag for p in incident.patients if p.options != ()}
        assert still == other.still_there & indicated
    kept = outcome.used_l + outcome.in_place_l + outcome.with_patients_l + outcome.taken_off_l
    assert kept == pytest.approx(outcome.supplied_l, rel=1e-9)


def test_row_lapses_when_somebody_leaves_the_built_in_valves() -> None:
    """The queue of the next instant serves whom the row kept waiting.

    By need D comes before I. D is found at 5 and waits: b2 is kept for Immediates, and I, on b1,
    is one. I is due at 10; b2's valve has no 10 L/min, so I takes r1 and c1, and nobody holds the
    built-in connection any more. R1 is free at 13, the next instant: D gets b2. Waits 5 to 13.
    """
    low = replace(cyl("b2", 300, connection=BUILT_IN), settings_lpm=(5.0,))
    incident = world(
        [
            pat("I", gone=60),
            pat("D", "delayed", flow=5.0, found=5, indication=SUSTAINING, gone=60),
        ],
        [cyl("b1", 100, connection=BUILT_IN), low, cyl("c1", 300)],
        [reg("r1", settings=(10.0,))],
        [hand("R1"), hand("R2")],
        priorities=Priorities(order="need"),
    )
    policy = plan(incident, on("I", "b1", None), kept=(KeptFor(None, BUILT_IN, "immediate", 1),))
    state = initial_state(incident)
    needs = sample(incident, state, 1, 1)
    assert simulate(incident, state, policy, needs, 0).minutes_out["D"] == pytest.approx(8.0)
    assert operate(incident, state, policy, needs).minutes_out[1, 0] == pytest.approx(8.0)


# ----- what makes no difference --------------------------------------------------------------


ARRAYS = (
    "minutes_out", "first_out_min", "late_swaps", "still_here", "used_l", "in_place_l",
    "with_patients_l", "taken_off_l", "supplied_l",
)  # fmt: skip


def assert_same_bytes(one: Outcome, other: Outcome) -> None:
    for name in ARRAYS:
        assert getattr(one, name).tobytes() == getattr(other, name).tobytes(), name


@pytest.mark.parametrize("rich", eight_incidents(), ids=lambda rich: rich.name)
def test_same_seed_same_bytes(rich: Rich) -> None:
    def once(seed: int) -> Outcome:
        needs = sample(rich.incident, rich.state, 700, seed)
        return operate(rich.incident, rich.state, rich.policy, needs)

    one, other = once(11), once(11)
    assert_same_bytes(one, other)
    assert not np.array_equal(one.used_l, once(12).used_l)


def picked(needs: Needs, where: Ints) -> Needs:
    """Return some of the samples; NumPy lays such arrays down column by column."""
    return replace(
        needs,
        num_samples=int(where.size),
        **{
            field.name: value[..., where]
            for field in fields(needs)
            if isinstance(value := getattr(needs, field.name), np.ndarray)
        },
    )


@pytest.mark.parametrize("seed", range(6))
def test_picked_samples_are_judged_as_they_were(seed: int) -> None:
    """What a sample gives does not depend on those beside it, nor on how its arrays lie.

    The judge once read arrays of picked samples as if they lay row by row: each patient began
    when another did, in another sample.
    """
    incident = carried(varied(random_incident(seed, num_patients=7, num_cylinders=12), seed), seed)
    state = initial_state(incident)
    needs = sample(incident, state, 60, seed)
    policy = random_policy(incident, state, seed)
    where = np.random.default_rng(seed).permutation(60)[:20]
    some = picked(needs, where)
    assert not some.start_min.flags.c_contiguous
    whole = operate(incident, state, policy, needs)
    part = operate(incident, state, policy, some)
    np.testing.assert_array_equal(part.minutes_out, whole.minutes_out[:, where])


def test_the_judge_takes_only_arrays_that_lie_row_by_row() -> None:
    @compiled
    def first(array: Any) -> Any:
        return bare(array)[0, 1]

    @njit
    def second(array: Any) -> Any:
        return first(array)

    rows = np.arange(6.0).reshape(2, 3)
    assert second(rows) == 1
    with pytest.raises(TypingError, match="row by row"):
        second(np.asfortranarray(rows))
    with pytest.raises(TypingError, match="row by row"):
        second(rows[:, ::2])


@pytest.mark.parametrize("num_threads", [1, 2, 3, 7])
def test_threads_and_neighbours_make_no_difference(num_threads: int) -> None:
    """A sample is its own: nothing is left over from the one before it in the same thread."""
    rich = eight_incidents()[7]
    needs = sample(rich.incident, rich.state, 601, 5)
    bench = Bench.of(rich.incident, rich.state, needs)
    one = bench.operate(rich.policy, max_swaps=80, num_threads=1)
    other = bench.operate(rich.policy, max_swaps=80, num_threads=num_threads)
    assert_same_bytes(one, other)
    assert one.swaps is not None
    assert other.swaps is not None
    assert one.swaps.swap_min.tobytes() == other.swaps.swap_min.tobytes()
    alone = np.hstack([bench.minutes_out(rich.policy, s, s + 1) for s in range(60)])
    assert np.array_equal(alone, one.minutes_out[:, :60])


def _shuffled(rows: Sequence[Any], rng: np.random.Generator) -> tuple[Any, ...]:
    return tuple(rows[k] for k in rng.permutation(len(rows)))


def _sorted_like(rows: Iterable[Any], others: Iterable[Any]) -> tuple[Any, ...]:
    by_tag = {row.tag: row for row in rows}
    return tuple(by_tag[other.tag] for other in others)


def shuffled(rich: Rich, table: str, seed: int) -> tuple[Incident, State]:
    """The incident with the rows of one table in another order; the state's rows follow."""
    rng = np.random.default_rng(seed)
    rows = _shuffled(getattr(rich.incident, table), rng)
    changes: dict[str, Any] = {table: rows}
    incident = replace(rich.incident, **changes)
    state = rich.state
    if table == "patients":
        return incident, replace(state, patients=_sorted_like(state.patients, rows))
    changes = {table: _shuffled(getattr(state, table), rng)}
    return incident, replace(state, **changes)


def minutes_by_tag(incident: Incident, outcome: Outcome) -> dict[str, Floats]:
    tags = [p.tag for p in incident.patients]
    return dict(zip(tags, outcome.minutes_out, strict=True))


def _policies(rich: Rich) -> list[Policy]:
    """Its own, and without a list: then the fullest is first, and no two are equally full."""
    return [rich.policy, replace(rich.policy, order=())]


# Whoever has no regulator takes the first one in file order that fits, and each has a flow factor
# of its own: there the order of their rows settles something, and shuffling has to show.
PICK_REGULATORS = {
    "bus on ice", "school outing", "cardiac arrest at the lift", "too many for too little",
    "search in the gully", "afternoon handover",
}  # fmt: skip


@pytest.mark.parametrize("table", ["cylinders", "patients", "regulators"])
@pytest.mark.parametrize("rich", eight_incidents(), ids=lambda rich: rich.name)
def test_order_of_rows(rich: Rich, table: str) -> None:
    """Draws go by tag, so the order of rows changes a chance only where it settles a tie.

    Gauges and waiting times are drawn from continua here, so cylinders and patients are never
    tied. From a minute after 0 the common delay of a group is drawn given who is still here, a
    product over patients: exact but for rounding. From minute 0 on it is exact.
    """
    needs = sample(rich.incident, rich.state, 300, 4)
    tolerance = 1e-9 if rich.state.at_min > 0 else 0.0
    differences = []
    for policy in _policies(rich):
        plain = operate(rich.incident, rich.state, policy, needs)
        by_tag = minutes_by_tag(rich.incident, plain)
        assert plain.minutes_out.any()
        for seed in (1, 2, 3):
            incident, state = shuffled(rich, table, seed)
            other = operate(incident, state, policy, sample(incident, state, 300, 4))
            again = minutes_by_tag(incident, other)
            differences += [np.abs(again[tag] - by_tag[tag]).max() for tag in by_tag]
    if table == "regulators" and rich.name in PICK_REGULATORS:
        assert max(differences) > 1.0
    else:
        assert max(differences) <= tolerance
