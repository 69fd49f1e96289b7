"""What to do: as much as a crew can follow, and nothing more.

A policy names the first connections, an option for everyone, one printed list of cylinders, kit
promised to people not yet found, and how many cylinders are kept for a category. The swap
schedule is derived from it by operation and never stands beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.incident import Option, Triage
from planner.state import Hookup


@dataclass(frozen=True, slots=True)
class Promise:
    """Kit set aside for one patient.

    ``regulator`` and ``device`` (the unit's tag) wait for a patient not yet found until the 95 %
    point of its start. ``cylinders`` may be taken by this patient only, for good; a patient with
    promised cylinders may still take from the list.
    """

    patient: str
    regulator: str | None = None
    device: str | None = None
    cylinders: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KeptFor:
    """Reserve that lower categories may not take.

    A patient below ``triage`` at ``place`` (None: at any place) may take a cylinder only if at
    least ``num_cylinders`` usable ones of ``connection`` stay in the reserve.
    """

    place: str | None
    connection: str
    triage: Triage
    num_cylinders: int


@dataclass(frozen=True, slots=True)
class Policy:
    """What a crew does.

    Parameters
    ----------
    hookups : tuple of Hookup
        First connections and those that go on, for people who are there.
    options : tuple of (patient tag, Option)
        What each patient gets, now or when found or when kit comes free; a patient without an
        entry gets no oxygen.
    order : tuple of str
        The printed list: cylinder tags, one order for all places.
    promises : tuple of Promise
    kept_for : tuple of KeptFor
    """

    hookups: tuple[Hookup, ...] = ()
    options: tuple[tuple[str, Option], ...] = ()
    order: tuple[str, ...] = ()
    promises: tuple[Promise, ...] = ()
    kept_for: tuple[KeptFor, ...] = ()

    def option_of(self, patient: str) -> Option | None:
        """Return a patient's option, or None when it gets no oxygen."""
        return dict(self.options).get(patient)
