"""Joint samples of a study: what happens in each, independent of any stock.

Each sample of a case is drawn on its own: a picture, then who is found and fetched when, what a
gauge is off, what a dial gives, which units turn out unusable. Samples with the same picture are
operated together, which makes thousands of samples cost a few hundred runs and changes no number.
Streams are keyed by tags, so that one more unit leaves every other draw alone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.cache.scene import Picture, kit_only, scene_of, units_of
from planner.cache.study import Family, Stock, Study
from planner.demand import Floats, Needs, sample
from planner.incident import Incident
from planner.state import initial_state
from planner.streams import stream

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sight:
    """One picture, the samples of its case in which it is so, and what happens in them.

    ``needs`` holds the incident without any stock: its rows are the patients' and, where a known
    incident keeps its kit, that kit's. ``rows`` are numbers of samples of the case.
    """

    picture: Picture
    rows: Ints
    needs: Needs
    bare: Incident


@dataclass(frozen=True, slots=True)
class Draw:
    """All samples of one case.

    Parameters
    ----------
    case, num_samples, seed : int
    sights : tuple of Sight
        Their rows are 0 to ``num_samples`` - 1, each once.
    kit : Needs
        Draws of every unit that may be stocked; rows by ``cylinder_tags``, ``regulator_tags``.
    is_unusable : mapping of tag to bool array (samples,)
        Of units that have a chance of it; the others are always usable.
    num_patients : int array (samples,)
        How many with oxygen indicated there are, found late or not.
    """

    case: int
    num_samples: int
    seed: int
    sights: tuple[Sight, ...]
    kit: Needs
    cylinder_rows: Mapping[str, int]
    regulator_rows: Mapping[str, int]
    is_unusable: Mapping[str, npt.NDArray[np.bool_]]
    num_patients: Ints


def draw_case(
    study: Study, case: int, num_samples: int, seed: int, *, num_patients: int | None = None
) -> Draw:
    """Draw all samples of one case.

    Parameters
    ----------
    study : Study
    case : int
        Row of ``study.cases``.
    num_samples : int
    seed : int
    num_patients : int or None
        Families: so many in every sample, whatever the family says. None: as it says.
    """
    pictures, kinds = _pictures(study, case, num_samples, seed, num_patients)
    sights = tuple(
        _sight(study, picture, np.flatnonzero(kinds == k), seed)
        for k, picture in enumerate(pictures)
    )
    full = _full_stock(study)
    incident = kit_only(study, full)
    kit = sample(incident, initial_state(incident), num_samples, _own_seed(seed, f"kit of {case}"))
    counts = np.empty(num_samples, dtype=np.int64)
    for sight in sights:
        counts[sight.rows] = len(sight.bare.patients)
    return Draw(
        case, num_samples, seed, sights, kit,
        {c.tag: row for row, c in enumerate(incident.cylinders)},
        {r.tag: row for row, r in enumerate(incident.regulators)},
        _unusable(study, full, num_samples, _own_seed(seed, f"kit of {case}")),
        counts,
    )  # fmt: skip


def needs_with(draw: Draw, sight: Sight, incident: Incident, where: Ints) -> Needs:
    """Return the samples ``where`` of a sight (positions in its rows) for an incident with stock.

    The incident's kit is the bare one's followed by the stock's usable units.
    """
    rows, bare = sight.rows[where], sight.needs
    own_cylinders = len(sight.bare.cylinders)
    own_regulators = len(sight.bare.regulators)
    here = len(incident.cylinders)
    cylinders = [draw.cylinder_rows[c.tag] for c in incident.cylinders[own_cylinders:]]
    regulators = [draw.regulator_rows[r.tag] for r in incident.regulators[own_regulators:]]

    def joined(own: Floats, stocked: Floats, first: int, picked: list[int]) -> Floats:
        """Put the stock's rows after the bare incident's own and before what arrives later."""
        mine = own[:, where]
        return np.concatenate([mine[:first], stocked[picked][:, rows], mine[first:]])

    assert here == own_cylinders + len(cylinders)  # noqa: S101 - how scene_of lays them
    return replace(
        bare,
        num_samples=int(where.size),
        start_min=bare.start_min[:, where],
        is_needed=bare.is_needed[:, where],
        transfer_min=bare.transfer_min[:, where],
        phase_score=bare.phase_score[:, :, where],
        resupply_min=bare.resupply_min[:, where],
        leave_min=bare.leave_min[:, :, where],
        leg_min=bare.leg_min[:, :, where],
        gauge_error_psi=joined(
            bare.gauge_error_psi, draw.kit.gauge_error_psi, own_cylinders, cylinders
        ),
        valve_factor=joined(bare.valve_factor, draw.kit.valve_factor, own_cylinders, cylinders),
        regulator_factor=joined(
            bare.regulator_factor, draw.kit.regulator_factor, own_regulators, regulators
        ),
    )


def _own_seed(seed: int, key: str) -> int:
    digest = hashlib.blake2b(f"{seed}\x1f{key}".encode(), digest_size=7).digest()
    return int.from_bytes(digest, "little")


def _sight(study: Study, picture: Picture, rows: Ints, seed: int) -> Sight:
    bare, state = scene_of(study, picture, Stock())
    needs = sample(bare, state, int(rows.size), _own_seed(seed, picture.key))
    return Sight(picture, rows, needs, bare)


def _full_stock(study: Study) -> Stock:
    return Stock.of({(c.name, i.name): i.most for c in study.caches for i in study.items})


def _unusable(
    study: Study, stock: Stock, num_samples: int, seed: int
) -> dict[str, npt.NDArray[np.bool_]]:
    kinds = ("cylinder", "regulator", "device", "key", "washer")
    return {
        tag: stream(seed, "unusable", tag).random(num_samples) < item.unusable_chance
        for item, _, tag in units_of(study, stock, kinds) if item.unusable_chance > 0
    }  # fmt: skip


def _pictures(
    study: Study, case: int, num_samples: int, seed: int, num_patients: int | None
) -> tuple[list[Picture], Ints]:
    """Return the different pictures, and which one each sample is."""
    family = study.cases[case]
    if not isinstance(family, Family):
        return [Picture(case)], np.zeros(num_samples, dtype=np.int64)
    rng = stream(_own_seed(seed, f"pictures of {case}"), "picture", family.name)
    spots = rng.choice(len(family.spots), num_samples, p=_shares([s.chance for s in family.spots]))
    air = rng.choice(
        len(family.weather), num_samples, p=_shares([w.chance for w in family.weather])
    )
    counts = rng.choice(
        np.array(family.num_patients.counts), num_samples, p=_shares(family.num_patients.chances)
    )
    if num_patients is not None:
        counts = np.full(num_samples, num_patients)
    kinds = rng.multinomial(counts, _shares([p.share for p in family.people]))
    late = rng.binomial(kinds, np.array([p.late_chance for p in family.people]))
    table = np.column_stack([spots, air, kinds - late, late]).astype(np.int64)
    rows, which = np.unique(table, axis=0, return_inverse=True)
    n = len(family.people)
    pictures = [
        Picture(case, int(r[0]), int(r[1]), tuple(map(int, r[2 : 2 + n])),
                tuple(map(int, r[2 + n :])))
        for r in rows
    ]  # fmt: skip
    return pictures, np.asarray(which, dtype=np.int64).reshape(-1)


def _shares(values: tuple[float, ...] | list[float]) -> Floats:
    array = np.array(values, dtype=np.float64)
    return np.asarray(array / array.sum(), dtype=np.float64)


def usable_groups(draw: Draw, sight: Sight, tags: list[str]) -> list[tuple[frozenset[str], Ints]]:
    """Group the samples of a sight by which of some units are unusable in them.

    Returns
    -------
    list of (unusable tags, positions in the sight's rows)
    """
    risky = [tag for tag in tags if tag in draw.is_unusable]
    if not risky:
        return [(frozenset(), np.arange(sight.rows.size))]
    flags = np.stack([draw.is_unusable[tag][sight.rows] for tag in risky], axis=1)
    sets, which = np.unique(flags, axis=0, return_inverse=True)
    which = np.asarray(which).reshape(-1)
    return [
        (frozenset(t for t, bad in zip(risky, row, strict=True) if bad), np.flatnonzero(which == k))
        for k, row in enumerate(sets)
    ]


__all__ = ["Draw", "Sight", "draw_case", "needs_with", "usable_groups"]
