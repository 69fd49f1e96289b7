"""What an inject changes in the truth: gauges, people, transport, kit, hands, the radio."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from planner.incident import Triage
from planner.units import Pressure

ChangeKind = Literal[
    "gauge is", "patient is", "patient dies", "patient found", "transport later",
    "delivery later", "regulator broken", "regulator gone", "dial stuck", "responder out",
    "key gone", "radio silent",
]  # fmt: skip
KINDS: Final[tuple[ChangeKind, ...]] = (
    "gauge is", "patient is", "patient dies", "patient found", "transport later",
    "delivery later", "regulator broken", "regulator gone", "dial stuck", "responder out",
    "key gone", "radio silent",
)  # fmt: skip
(
    GAUGE_IS, PATIENT_IS, PATIENT_DIES, PATIENT_FOUND, TRANSPORT_LATER, DELIVERY_LATER,
    REGULATOR_BROKEN, REGULATOR_GONE, DIAL_STUCK, RESPONDER_OUT, KEY_GONE, RADIO_SILENT,
) = KINDS  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """One change of the truth, from the minute at which its inject is given.

    Parameters
    ----------
    kind : ChangeKind
        ``gauge is``: a cylinder's true gauge is ``gauge`` (for example after a leak). ``patient
        is``: ``triage``, and ``indication`` and ``spo2`` where given, from now on. ``patient
        found``: somebody whom the luck had not brought yet. ``transport later``: of a transfer
        group, vehicle or patient, by ``minutes`` (below 0: sooner). ``delivery later``: of the
        resupply with that number. ``regulator broken`` and ``gone``: what hangs on it stops.
        ``dial stuck``: a regulator gives ``flow_lpm`` whatever is set. ``responder out``: two hands
        fewer. ``key gone``: one key fewer at a place. ``radio silent``: for ``minutes``; words
        only.
    tag : str
        Of a cylinder, patient, regulator or responder; name of transport; number of a delivery;
        place of a key, or where no radio works.
    gauge : Pressure or None
    triage : Triage or None
    indication : str or None
    spo2 : float or None
    minutes : float or None
    flow_lpm : float or None
    """

    kind: ChangeKind
    tag: str
    gauge: Pressure | None = None
    triage: Triage | None = None
    indication: str | None = None
    spo2: float | None = None
    minutes: float | None = None
    flow_lpm: float | None = None


#: What each kind must say beside its tag.
NEEDS: Final[dict[ChangeKind, tuple[str, ...]]] = {
    GAUGE_IS: ("gauge",), PATIENT_IS: ("triage",), PATIENT_DIES: (), PATIENT_FOUND: (),
    TRANSPORT_LATER: ("minutes",), DELIVERY_LATER: ("minutes",), REGULATOR_BROKEN: (),
    REGULATOR_GONE: (), DIAL_STUCK: ("flow_lpm",), RESPONDER_OUT: (), KEY_GONE: (),
    RADIO_SILENT: ("minutes",),
}  # fmt: skip
#: What it may say besides.
MAY: Final[dict[ChangeKind, tuple[str, ...]]] = {PATIENT_IS: ("indication", "spo2")}
