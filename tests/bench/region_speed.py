"""How much faster a regional study is on more workers: pool of 1 and 2, local Dask cluster of 2.

Run by hand: ``python -m tests.bench.region_speed [VALLEYS] [SAMPLES]``. Workers are started and
warmed (imports, compiled code) before the clock runs; the start is told apart. Ideal is half the
time of one worker. EXERCISE - NOT FOR PATIENT CARE: the region is invented.
"""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import wait
from contextlib import AbstractContextManager
from dataclasses import replace
from importlib.util import find_spec

from planner.cache.executors import Crew, dask_executor, process_pool
from planner.cache.pieces import try_piece
from planner.cache.region import Region, Valley
from planner.cache.regional import Draws, RegionResult, region_document, run_region
from planner.cache.study import Stock
from tests.cache_studies import three_families


def region_of(num_valleys: int) -> Region:
    """Return three families and four stocks in so many valleys, each with its own times."""
    base = {("hut", "jumbo D"): 2, ("hut", "regulator"): 3, ("hut", "mask"): 4}
    more = ({}, {("hut", "jumbo D"): 4}, {("hut", "E"): 2}, {("hut", "M9"): 4})
    valleys = tuple(
        Valley(f"valley {v:03d}", extra_min=(("hut", 0.25 * v),)) for v in range(num_valleys)
    )
    stocks = tuple((f"stock {s}", Stock.of(base | extra)) for s, extra in enumerate(more))
    return Region("Speed", three_families(), valleys, stocks)


def timed(region: Region, draws: Draws, source: AbstractContextManager[Crew]) -> tuple[float, ...]:
    """Return seconds to start and warm, seconds to work; the result goes to ``RESULTS``."""
    begun = time.perf_counter()
    with source as crew:
        stock = region.stocks[0][1]
        calls = [
            crew.executor.submit(try_piece, region.study, 0, stock, 10_000 + n, 50)
            for n in range(12 * crew.num_workers)  # so many that each worker gets some
        ]
        wait(calls)
        warm = time.perf_counter()
        result = run_region(region, draws, crew)
        ended = time.perf_counter()
    RESULTS.append(result)
    return warm - begun, ended - warm


RESULTS: list[RegionResult] = []


def main(num_valleys: int = 20, samples: int = 2000) -> None:
    """Measure and tell."""
    region, draws = region_of(num_valleys), Draws(1, samples)
    load = os.getloadavg()
    print(f"cores {os.cpu_count()}, load before {load[0]:.1f}; {num_valleys} valleys, {samples}")
    start, one = timed(region, draws, process_pool(1))
    print(f"1 worker:        start {start:5.1f} s, work {one:6.1f} s", flush=True)
    start, two = timed(region, draws, process_pool(2))
    print(f"2 workers:       start {start:5.1f} s, work {two:6.1f} s, {one / two:.2f} of 2 ideal")
    if find_spec("distributed") is not None:
        from distributed import LocalCluster

        with LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
        ) as cluster:
            start, dask = timed(region, draws, dask_executor(cluster.scheduler_address))
        print(f"Dask, 2 workers: start {start:5.1f} s, work {dask:6.1f} s, {one / dask:.2f} of 2")
    first = region_document(replace(RESULTS[0]))
    assert all(region_document(result) == first for result in RESULTS)
    print(f"{RESULTS[0].num_pieces} pieces, equal numbers; load after {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
