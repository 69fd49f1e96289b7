"""The review: facts, inference and recommendation apart; what was known then apart from hindsight.

It is about the system, not about people: tags and roles only, no verdict, no blame.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, is_dataclass
from datetime import datetime
from typing import Any, Final

from planner.banner import BANNER
from planner.incident import Incident
from planner.journal.events import Journal
from planner.journal.stock import Stock, stock_of
from planner.review.decisions import (
    DecisionPoint,
    Hindsight,
    Modelled,
    NotModelled,
    decision_points,
    hindsight,
)
from planner.review.findings import Findings, find
from planner.review.inferring import (
    Heading,
    Improvement,
    Recommendation,
    factors_of,
    improvements_of,
    recommendations_of,
)
from planner.review.misfits import Misfit
from planner.review.privacy import Personal, personal_texts

CONFIDENTIAL: Final = (
    "CONFIDENTIAL - for learning only: no names, no birth dates; share with those who took part."
)


@dataclass(frozen=True, slots=True)
class Known:
    """What was known at the decision points, and what planning on there would have changed."""

    points: tuple[DecisionPoint, ...]
    modelled: tuple[Modelled | NotModelled, ...]


@dataclass(frozen=True, slots=True)
class Inference:
    """What may be behind the facts: explanations in an order, factors by heading, no verdict."""

    misfits: tuple[Misfit, ...]
    factors: Mapping[Heading, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Review:
    """A review of one journal.

    Parameters
    ----------
    known : Known
        At the time only.
    facts : Findings
        What the record says, all corrections counted.
    inference : Inference
    recommendations : tuple of Recommendation
        Five at most.
    improvements : tuple of Improvement
        Owners by role, dates open.
    hindsight : tuple of Hindsight
        What later showed, of each decision point; marked as such.
    personal : tuple of Personal
        Texts that look like somebody's name or birth date.
    """

    title: str
    start: datetime
    known: Known
    facts: Findings
    inference: Inference
    recommendations: tuple[Recommendation, ...]
    improvements: tuple[Improvement, ...]
    hindsight: tuple[Hindsight, ...]
    personal: tuple[Personal, ...]
    is_bar: bool = False
    banner: str = BANNER
    confidential: str = CONFIDENTIAL


def review_of(
    journal: Journal, incident: Incident | None = None, stock: Stock | None = None,
    modelled: Iterable[Modelled | NotModelled] = (),
) -> Review:  # fmt: skip
    """Return the review of a journal.

    Parameters
    ----------
    journal : Journal
    incident : Incident or None
        None: facts only from the stock, and no decision points.
    stock : Stock or None
        None: the incident's, or nothing known of any cylinder.
    modelled : iterable
        From :func:`planner.review.decisions.modelled`, one for any decision points of this journal
        (it takes seconds for each, so it is the caller's to run).

    Raises
    ------
    InputError
        For an id that stands twice, or entries that replace each other in a ring.
    """
    held = stock or (stock_of(incident) if incident is not None else Stock())
    found = find(journal.entries, held, incident)
    points = decision_points(journal.entries, incident) if incident is not None else ()
    recommended = recommendations_of(found)
    names = [journal.name]
    if incident is not None:
        names += [incident.name, *(p.name for p in incident.places)]
        names += [g.name for g in incident.transfer_groups]
        names += [v.name for v in incident.vehicles]
    return Review(
        title=journal.name,
        start=journal.start,
        known=Known(points, tuple(modelled)),
        facts=found,
        inference=Inference(found.misfits, factors_of(found, incident)),
        recommendations=recommended,
        improvements=improvements_of(recommended),
        hindsight=hindsight(points, found),
        personal=personal_texts(journal.entries, journal.start, names),
        is_bar=found.is_bar,
    )


# ----- plain data -------------------------------------------------------------------------------


def review_result(review: Review) -> dict[str, Any]:
    """Return a review as plain data: known at the time first, hindsight last."""
    facts = review.facts
    return {
        "banner": review.banner,
        "confidential": review.confidential,
        "title": review.title,
        "start": review.start.isoformat(),
        "known_at_the_time": {
            "decision_points": [_point(p) for p in review.known.points],
            "modelled": [_plain(m) for m in review.known.modelled],
        },
        "facts": {
            "oxygen_by_patient": _plain(facts.patients),
            "oxygen_by_cylinder": _plain(facts.cylinders),
            "swaps": _plain(facts.swaps),
            "without_oxygen_by_the_record": _plain(facts.oxygen_gaps),
            "gaps_in_the_record": _plain(facts.record_gaps),
            "requests": _plain(facts.needs),
            "went_well": _plain(facts.went_well),
            "disagreements": _plain(facts.disagreements),
        },
        "inference": {
            "readings_that_do_not_fit": [_misfit(m) for m in review.inference.misfits],
            "contributing_factors": {h: list(f) for h, f in review.inference.factors.items()},
        },
        "recommendations": _plain(review.recommendations),
        "improvements": _plain(review.improvements),
        "personal_texts": _plain(review.personal),
        "hindsight": _plain(review.hindsight),
    }


def _point(point: DecisionPoint) -> dict[str, Any]:
    people = point.laid.walk.end.patients
    return {
        "at_min": point.at_min,
        "kinds": list(point.kinds),
        "entries": list(point.entries),
        "on_oxygen": [p.tag for p in people if p.source is not None],
        "without_oxygen": [w.patient for w in point.laid.walk.end.without],
        "cylinders_due": _plain(point.laid.walk.end.due),
        "oxygen_there_lasts_until_min": _plain(point.lasts),
        "can_be_planned_from": point.laid.state is not None,
        "assumed": list(point.laid.told),
    }


def _misfit(misfit: Misfit) -> dict[str, Any]:
    return {
        "entry": misfit.reading.entry,
        "cylinder": misfit.reading.cylinder,
        "at_min": misfit.reading.at_min,
        "read_psi": misfit.reading.psi,
        "expected_psi": misfit.expected_psi,
        "low_psi": misfit.low_psi,
        "high_psi": misfit.high_psi,
        "side": misfit.side,
        "true_flow": _plain(misfit.flow),
        "explanations": _plain(misfit.explanations),
    }


def _plain(value: Any) -> Any:
    """Return dataclasses as dicts, tuples as lists, and what JSON cannot carry as None."""
    if is_dataclass(value) and not isinstance(value, type):
        return {name: _plain(item) for name, item in asdict(value).items()}
    if isinstance(value, Mapping):
        return {str(name): _plain(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
