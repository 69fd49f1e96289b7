"""How often a leak is seen in the gauges of a log, by its size, the flow set and the spacing.

``python -m tests.bench.leak_detection [logs a cell]``. One aluminium D at -7 C from 1900 psi down
to the change pressure, a gauge written each so many minutes. Drawn for each log: error of every
gauge (sd 50 psi), what the dial really gives (sd 10 %), both as the planner takes them. Two ways
to see it: ``reading``, some reading lies below its band (:func:`planner.journal.replaying.replay`,
side "lower"), which points to a gauge worth a second look; and ``review``, the flow by all gauges
is beyond what errors of gauges and dial explain (``TrueFlow.seen_from``), one test for a cylinder.
The row with no leak is the false alarm of a whole log.

Where under half of the logs show it, or not twice as many as without a leak, the honest answer is
"can't tell".
"""

from __future__ import annotations

import sys
from itertools import product
from typing import Final

import numpy as np

from planner.gas import content_l, gauge_for_content
from planner.incident import Cylinder
from planner.journal.events import Connected, GaugeRead, LogEntry
from planner.journal.replaying import replay
from planner.journal.stock import Stock
from planner.review.walking import walk
from planner.units import Pressure, Temperature

AIR_C: Final = -7.0
VOLUME_L: Final = 2.89  # aluminium D (water volume: planner/reference/cylinders.toml)
FULL_PSI, CHANGE_PSI = 1900.0, 500.0
GAUGE_SD_PSI, DIAL_SD = 50.0, 0.10  # the planner's defaults
LEAKS: Final = (0.0, 1.0, 2.0, 3.0, 5.0, 8.0)
FLOWS: Final = (4.0, 6.0, 10.0, 15.0)
SPACINGS: Final = (5.0, 10.0, 15.0, 20.0)
ENOUGH: Final = 0.5  # under it: can't tell

STOCK: Final = Stock(
    cylinders=(
        Cylinder("c", "aluminium D", Pressure(FULL_PSI, "psi"), Temperature(AIR_C, "C"), "CGA 870",
                 VOLUME_L, 0.193, (), "rib"),
    ),
    air_temperature=Temperature(AIR_C, "C"),
)  # fmt: skip


def drawn_log(
    rng: np.random.Generator, leak_lpm: float, flow_lpm: float, spacing_min: float
) -> tuple[LogEntry, ...]:
    """Return one log: the true litres fall at dial and leak, each gauge is read with its error."""
    true_lpm = flow_lpm * (1.0 + DIAL_SD * rng.standard_normal()) + leak_lpm
    held = float(content_l(VOLUME_L, FULL_PSI + GAUGE_SD_PSI * rng.standard_normal(), AIR_C))
    change = float(content_l(VOLUME_L, CHANGE_PSI, AIR_C))
    rows = [LogEntry("0", 0.0, Connected("A", "c", None, "mask", flow_lpm))]
    for k in range(1, int((held - change) / true_lpm / spacing_min) + 1):
        true_psi = float(gauge_for_content(VOLUME_L, held - true_lpm * spacing_min * k, AIR_C))
        read = max(0.0, true_psi + GAUGE_SD_PSI * float(rng.standard_normal()))
        rows.append(LogEntry(str(k), spacing_min * k, GaugeRead(Pressure(read, "psi"), "c")))
    return tuple(rows)


def is_seen(rows: tuple[LogEntry, ...]) -> bool:
    """Whether some gauge of a log lies below its band."""
    state = replay(rows, STOCK, rows[-1].at_min)
    return any(check.side == "lower" for check in state.checks)


def is_told(rows: tuple[LogEntry, ...]) -> bool:
    """Whether the flow by all gauges is more than errors explain, as the review says it."""
    flows = [r.flow for r in walk(rows, STOCK).readings if r.flow is not None]
    return bool(flows) and flows[-1].extra_lpm > flows[-1].seen_from(DIAL_SD)


WAYS: Final = {"reading": is_seen, "review": is_told}


def share_seen(
    num_logs: int, leak_lpm: float, flow_lpm: float, spacing_min: float, way: str = "review"
) -> float:
    """Return the share of drawn logs in which the leak is seen; the same draws each time."""
    rng = np.random.default_rng([int(10 * v) for v in (leak_lpm, flow_lpm, spacing_min)])
    logs = (drawn_log(rng, leak_lpm, flow_lpm, spacing_min) for _ in range(num_logs))
    return sum(map(WAYS[way], logs)) / num_logs


def words(share: float, leak_lpm: float, false: float) -> str:
    """Return a cell of the table; ``false`` is the share without a leak."""
    if leak_lpm == 0.0:
        return f"{100 * share:.0f} % false"
    is_enough = share >= max(ENOUGH, 2.0 * false)
    return f"{100 * share:.0f} %" if is_enough else f"can't tell ({100 * share:.0f})"


def main(num_logs: int) -> None:
    """Print a table for each way and spacing."""
    for way, spacing in product(WAYS, SPACINGS):
        print(f"\nby {way}, a gauge each {spacing:g} min; {num_logs} logs a cell, flow set [L/min]")
        print("leak L/min  " + "".join(f"{flow:>16g}" for flow in FLOWS))
        false = [share_seen(num_logs, 0.0, flow, spacing, way) for flow in FLOWS]
        for leak in LEAKS:
            shares = [share_seen(num_logs, leak, flow, spacing, way) for flow in FLOWS]
            cells = [words(s, leak, f) for s, f in zip(shares, false, strict=True)]
            print(f"{leak:10g}  " + "".join(f"{cell:>16}" for cell in cells), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
