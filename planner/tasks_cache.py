"""The tasks ``cache`` and ``cache_plans``: a study worked out, and its stock planned with."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from planner.call import Call
from planner.errors import Fault, InputError
from planner.intake import shown

if TYPE_CHECKING:
    from planner.cache.scene import Picture
    from planner.cache.study import Stock, Study

SAMPLES: Final = (100, 100_000)  # as the command line allows
SEED: Final = (0, 2**31 - 1)
PICTURES: Final = 200  # samples from which the commonest picture of a number is taken; our own


def cache(call: Call) -> dict[str, Any]:
    """Work a study out.

    The payload holds ``study``, the raw tree of a study, ``folder``, where its incident files are,
    ``seed``, ``samples`` and, if wanted, ``workers`` (default: one a core).

    Raises
    ------
    InputError
        With every fault of the study, the seed or the samples.
    """
    seed, samples = _numbers(call.payload)
    study = _study(call.payload)
    from planner.cache.answer import Effort
    from planner.cache.executors import process_pool
    from planner.cache.whole import whole_answer
    from planner.report.cache_document import cache_document

    effort = Effort.of(seed, samples)
    workers = int(call.payload.get("workers") or os.cpu_count() or 1)
    if workers < 2:
        return cache_document(whole_answer(study, effort, call.tell, call.is_stopped))
    with process_pool(workers) as crew:
        whole = whole_answer(study, effort, call.tell, call.is_stopped, crew.executor)
    return cache_document(whole)


def cache_plans(call: Call) -> dict[str, Any]:
    """Plan a stock in each case of a study, with the case's median number of patients.

    The payload holds ``study`` and ``folder`` as above, ``stock``, rows of ``cache``, ``item`` and
    ``count``, ``seed`` and ``samples``. The result has ``plans``, rows of ``case``, ``patients``
    and ``document`` (see :func:`planner.report.plan_document.plan_document`).

    Raises
    ------
    InputError
    """
    seed, samples = _numbers(call.payload)
    study = _study(call.payload)
    stock = _stock(study, call.payload["stock"])
    from planner.cache.scene import scene_of
    from planner.report.plan_document import plan_document
    from planner.workflow import Request, make_plan

    plans = []
    for number, case in enumerate(study.cases):
        if call.is_stopped():
            break
        call.tell(case.name)
        incident, state = scene_of(study, median_picture(study, number, seed), stock)
        if not incident.patients:
            continue
        made = make_plan(incident, state, Request(seed, samples, is_interrupted=call.is_stopped))
        plans.append({
            "case": case.name, "patients": len(incident.patients), "document": plan_document(made),
        })  # fmt: skip
    return {"plans": plans}


def median_picture(study: Study, case: int, seed: int) -> Picture:
    """Return the commonest picture of a case with the median number of its patients."""
    from planner.cache.pictures import draw_case
    from planner.cache.scene import Picture
    from planner.cache.study import KnownIncident

    found = study.cases[case]
    if isinstance(found, KnownIncident):
        return Picture(case)
    below, median = 0.0, found.num_patients.most
    total = sum(found.num_patients.chances)
    for count, chance in sorted(
        zip(found.num_patients.counts, found.num_patients.chances, strict=True)
    ):
        below += chance / total
        if below >= 0.5 - 1e-9:
            median = count
            break
    draw = draw_case(study, case, PICTURES, seed, num_patients=median)
    return max(draw.sights, key=lambda sight: (sight.rows.size, sight.picture.key)).picture


def _study(payload: Mapping[str, Any]) -> Study:
    from planner.cache.reading import study_from

    tree = payload.get("study")
    if not isinstance(tree, dict):
        raise InputError([Fault("", "study", "", "", shown(tree), "the tables of a study", "")])
    return study_from(tree, Path(str(payload.get("folder", "."))), "")


def _stock(study: Study, rows: list[Mapping[str, Any]]) -> Stock:
    from planner.cache.study import Stock

    items, caches = {i.name for i in study.items}, {c.name for c in study.caches}
    gone = [r for r in rows if r["item"] not in items or r["cache"] not in caches]
    if gone:
        words = ("items and caches of the study", "Work the study out again.")
        raise InputError([Fault("", "stock", "", "", shown(gone[0]["item"]), *words)])
    return Stock.of({(row["cache"], row["item"]): int(row["count"]) for row in rows})


def _numbers(payload: Mapping[str, Any]) -> tuple[int, int]:
    """Return seed and samples."""
    faults = []
    for name, (low, high) in {"seed": SEED, "samples": SAMPLES}.items():
        value = payload.get(name)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            allowed = f"a whole number, {low} to {high}"
            faults.append(Fault("", "cache", "", name, shown(value), allowed, ""))
    if faults:
        raise InputError(faults)
    return int(payload["seed"]), int(payload["samples"])
