"""A regional study: the same numbers on any workers, nothing lost and nothing done twice.

The region is invented. EXERCISE - NOT FOR PATIENT CARE.
"""

from __future__ import annotations

import argparse
import json
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import pytest

import planner.cache.pieces as pieces_module
import planner.cli_region as command
from planner.cache.executors import (
    Crew,
    dask_executor,
    done_in_order,
    is_asked_to_stop,
    process_pool,
)
from planner.cache.pictures import draw_case
from planner.cache.pieces import piece_key, try_piece
from planner.cache.region import Region, Valley, studies_of
from planner.cache.regional import Draws, Watch, region_document, run_region
from planner.cache.results import FILE, Results
from planner.cache.study import Stock
from planner.cache.trying import chance_of, try_stock
from planner.cli import main
from planner.errors import InputError, PlannerError
from planner.report.region_words import region_text
from tests.cache_studies import family as a_family
from tests.cache_studies import fixed, three_families, until_stopped

DRAWS = Draws(seed=5, samples=120)
FALL, SLAB = "fall at the ridge, summer", "slab avalanche, winter noon"


def small_region() -> Region:
    """Return 3 valleys, 2 families, 2 stocks; the near and the busy valley differ by weights only.

    So of 3 x 2 x 2 pieces the busy valley's 4 are the near one's: 8 different ones.
    """
    study = three_families()
    cases = (a_family(SLAB, 3, fixed(2)), replace(study.cases[2], name=FALL))
    light = {("hut", "jumbo D"): 2, ("hut", "regulator"): 2, ("hut", "mask"): 3}
    ample = light | {("hut", "jumbo D"): 6, ("hut", "E"): 2, ("hut", "regulator"): 4}
    return Region(
        "Two valleys and a third", replace(study, cases=cases),
        (Valley("near"), Valley("busy", weights=((FALL, 9.0),)),
         Valley("far", extra_min=(("hut", 25.0),), temperature_shift_c=-6.0)),
        (("light", Stock.of(light)), ("ample", Stock.of(ample))),
    )  # fmt: skip


NUM_PIECES = 8
REGION = small_region()


@pytest.fixture(scope="module")
def here() -> dict[str, object]:
    return numbers(run_region(REGION, DRAWS))


def numbers(result: object) -> dict[str, object]:
    """Return a result's document without how much of it was kept from before."""
    document = region_document(result)
    del document["pieces"]
    return document


def test_two_workers_give_the_same_numbers(here: dict[str, object]) -> None:
    """One worker's are looked at where its run is killed; a worker costs 2 s to start."""
    with process_pool(2) as crew:
        result = run_region(REGION, DRAWS, crew)
    assert result.num_done == NUM_PIECES
    assert numbers(result) == here


@pytest.mark.skipif(find_spec("distributed") is None, reason="distributed is not installed")
def test_a_dask_cluster_gives_the_same_numbers(here: dict[str, object]) -> None:
    from distributed import LocalCluster

    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
        ) as cluster,
        dask_executor(cluster.scheduler_address) as crew,
    ):
        assert crew.num_workers == 2
        assert numbers(run_region(REGION, DRAWS, crew)) == here


def test_a_region_is_what_its_valleys_are_each_alone(here: dict[str, object]) -> None:
    """Against the core functions on the unstripped study, and Wilson's limits from the flags."""
    valleys = here["valleys"]
    for told, (name, study) in zip(valleys, studies_of(REGION), strict=True):
        assert told["valley"] == name
        for row, (stock_name, stock) in zip(told["stocks"], REGION.stocks, strict=True):
            draws = [draw_case(study, c, DRAWS.samples, DRAWS.seed) for c in (0, 1)]
            tried = [try_stock(study, draw, stock) for draw in draws]
            overall, parts = chance_of(study, tried)
            assert row["stock"] == stock_name
            assert (row["chance"], row["low"], row["high"]) == (
                overall.value, overall.low, overall.high,
            )  # fmt: skip
            limits = [(c["chance"], c["low"], c["high"]) for c in row["by_case"]]
            assert limits == [(p.value, p.low, p.high) for p in parts]
            minutes = sum(
                w * t.minutes_out.sum() / DRAWS.samples
                for w, t in zip(study.weights, tried, strict=True)
            )
            assert row["minutes_out"] == pytest.approx(minutes, rel=1e-12)
    # The draws are such that the two stocks and the valleys do differ: equal numbers say something.
    chances = {row["chance"] for told in valleys for row in told["stocks"]}
    assert len(chances) >= 4


def test_order_of_valleys_does_not_matter(here: dict[str, object]) -> None:
    turned = replace(REGION, valleys=REGION.valleys[::-1])
    told = numbers(run_region(turned, DRAWS))
    assert told["valleys"][::-1] == here["valleys"]
    for one, other in zip(told["stocks"], here["stocks"], strict=True):
        assert one["chance"] == pytest.approx(other["chance"], rel=1e-12)


def test_a_killed_run_goes_on_where_it_was(here: dict[str, object], tmp_path: Path) -> None:
    """SIGKILL in the middle of keeping the seventh of one worker's eight pieces."""
    folder = tmp_path / "kept"
    code = (
        "import os, signal, sys\n"
        "from planner.cache.executors import process_pool\n"
        "from planner.cache.regional import run_region\n"
        "from planner.cache.results import Results\n"
        "from tests.test_cache_region import DRAWS, REGION\n"
        "class Fails(Results):\n"
        "    def put(self, piece):\n"
        "        if len(self) == 6:\n"
        "            self._link.execute('PRAGMA cache_spill = 1')\n"
        "            self._link.execute('BEGIN')\n"
        "            super().put(piece)\n"
        "            print(*crew.executor._processes, flush=True)\n"
        "            os.kill(os.getpid(), signal.SIGKILL)\n"
        "        super().put(piece)\n"
        "if __name__ == '__main__':\n"
        f"    with Fails({str(folder)!r}) as results, process_pool(1) as crew:\n"
        "        run_region(REGION, DRAWS, crew, results)\n"
    )
    root = Path(__file__).parents[1]
    ended = subprocess.run(
        [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert ended.returncode == -signal.SIGKILL, ended.stderr
    with Results(folder) as results:
        assert len(results) == 6
        result = run_region(REGION, DRAWS, None, results)
        assert (result.num_kept, result.num_done) == (6, NUM_PIECES - 6)
        assert numbers(result) == here
        again = run_region(REGION, DRAWS, None, results)
        assert (again.num_kept, again.num_done) == (NUM_PIECES, 0)
        assert numbers(again) == here
    worker = int(ended.stdout.split()[0])
    until = time.monotonic() + 10
    while _is_running(worker) and time.monotonic() < until:
        time.sleep(0.05)
    assert not _is_running(worker)


def _is_running(process: int) -> bool:
    try:
        stat = Path(f"/proc/{process}/stat").read_text()
    except OSError:
        return False
    return stat.rsplit(")", 1)[1].split()[0] != "Z"  # nobody may have asked yet how it ended


def test_damaged_and_foreign_results_are_not_taken(here: dict[str, object], tmp_path: Path) -> None:
    with Results(tmp_path) as results:
        run_region(REGION, DRAWS, None, results)
    with sqlite3.connect(tmp_path / FILE) as link:
        link.execute("UPDATE piece SET body = replace(body, '\"num_out\": ', '\"num_out\": 1')"
                     " WHERE rowid = 2")  # fmt: skip
        link.execute("UPDATE piece SET body = substr(body, 1, 20) WHERE rowid = 5")
    link.close()
    with Results(tmp_path) as results:
        result = run_region(REGION, DRAWS, None, results)
    assert (result.num_kept, result.num_done) == (NUM_PIECES - 2, 2)
    assert numbers(result) == here
    (tmp_path / FILE).write_bytes(b"no database at all, but long enough to look at " * 40)
    with pytest.raises(InputError, match="damaged"):
        Results(tmp_path)
    (tmp_path / FILE).unlink()
    with sqlite3.connect(tmp_path / FILE) as link:
        link.execute("CREATE TABLE other (a)")
    link.close()
    with pytest.raises(InputError, match="something else"):
        Results(tmp_path)


def test_two_runs_do_not_write_at_once(tmp_path: Path) -> None:
    with Results(tmp_path), pytest.raises(InputError, match="another run"):
        Results(tmp_path)
    Results(tmp_path).close()
    with pytest.raises(InputError, match="--results"):
        Results(tmp_path / "none" / "deeper")


def test_what_changes_a_key_and_what_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    study, stock = REGION.study, REGION.stocks[0][1]
    key = piece_key(study, 0, stock, 5, 120)
    family = study.cases[0]
    other_case = replace(study, cases=(family, replace(study.cases[1], responders=1)))
    dearer = tuple(replace(item, price=item.price + 1) for item in study.items)
    same = [
        replace(study, name="another", note="told", approved_by="board"), other_case,
        replace(study, cases=(replace(family, weight=7.0), study.cases[1])),
        replace(study, items=dearer),
    ]  # fmt: skip
    assert {piece_key(s, 0, stock, 5, 120) for s in same} == {key}
    other = [
        replace(study, cases=(replace(family, responders=5), study.cases[1])),
        replace(study, swap_min=3.5), replace(study, flows="lowest"),
        replace(study, items=study.items[::-1]),
        replace(study, items=(replace(study.items[0], unusable_chance=0.1), *study.items[1:])),
    ]  # fmt: skip
    keys = [piece_key(s, 0, stock, 5, 120) for s in other]
    keys += [piece_key(study, 1, stock, 5, 120), piece_key(study, 0, stock, 6, 120)]
    keys += [
        piece_key(study, 0, stock, 5, 121),
        piece_key(study, 0, stock.with_more("hut", "E"), 5, 120),
    ]
    monkeypatch.setattr(pieces_module, "_program", lambda: "another program")
    keys.append(piece_key(study, 0, stock, 5, 120))
    assert len({key, *keys}) == 1 + len(keys)


def test_a_changed_study_takes_nothing_that_is_no_longer_so(tmp_path: Path) -> None:
    with Results(tmp_path) as results:
        run_region(REGION, DRAWS, None, results)
        slab, fall = REGION.study.cases
        changed = replace(REGION.study, cases=(slab, replace(fall, responders=1)))
        region = replace(REGION, study=changed)
        result = run_region(region, DRAWS, None, results)
        assert (result.num_kept, result.num_done) == (NUM_PIECES // 2, NUM_PIECES // 2)
        assert numbers(result) == numbers(run_region(region, DRAWS))


def test_a_stop_tells_the_valleys_that_are_done(here: dict[str, object], tmp_path: Path) -> None:
    told: list[str] = []
    looks = iter(range(100))
    with Results(tmp_path) as results:
        watch = Watch(told.append, lambda: next(looks) >= 5)
        result = run_region(REGION, DRAWS, None, results, watch)
        assert not result.is_complete
        assert len(results) == result.num_done == 5
        # Pieces of the near valley come first, and the busy one's are the same.
        assert [v.name for v in result.valleys] == ["near", "busy"]
        assert region_document(result)["valleys"] == here["valleys"][:2]
        assert "Not finished: 5 of 8 pieces done; 2 of 3 valleys can be told." in region_text(
            result
        )
        run_region(REGION, DRAWS, None, results, Watch(told.append))
    assert "5 of 8 pieces are there from an earlier run" in told
    assert told[-1].startswith("8 of 8 pieces done")


def test_a_worker_with_another_program_is_refused() -> None:
    from concurrent.futures import ThreadPoolExecutor

    class Other(ThreadPoolExecutor):
        def submit(self, function, *arguments):  # type: ignore[no-untyped-def]
            return super().submit(lambda: replace(try_piece(*arguments), key="other"))

    with Other(1) as pool, pytest.raises(PlannerError, match="another version"):
        run_region(REGION, DRAWS, Crew(pool, 1, "one"))


def test_best_and_words(here: dict[str, object]) -> None:
    result = run_region(REGION, DRAWS)
    for valley in result.valleys:
        least = min(there.chance.value for there in valley.stocks)
        best = next(there for there in valley.stocks if there.stock == valley.best)
        assert best.chance.value == least
    light, ample = result.overall
    assert light.mass_kg < ample.mass_kg
    assert ample.chance.value < light.chance.value
    assert light.num_best + ample.num_best >= 3
    text = region_text(result)
    assert text.startswith("EXERCISE - NOT FOR PATIENT CARE\n")
    for word in ("near", "busy", "far", "light", "ample", "seed 5", "8 pieces"):
        assert word in text
    assert here["is_complete"]


def test_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    here: dict[str, object],
) -> None:  # fmt: skip
    import planner.cache.region

    monkeypatch.setattr(planner.cache.region, "read_region", lambda _: REGION)
    words = {
        "study": "region.toml", "json": str(tmp_path / "r.json"), "seed": 5, "samples": 120,
        "results": str(tmp_path / "kept"), "workers": 1, "dask": None,
    }  # fmt: skip
    assert command.run_region_command(argparse.Namespace(**words)) == 0
    told = json.loads((tmp_path / "r.json").read_text())
    assert told.pop("pieces") == {"all": 8, "done_now": 8, "kept": 0}
    assert told == json.loads(json.dumps(here))
    assert command.run_region_command(argparse.Namespace(**words | {"json": None})) == 0
    assert "8 there" in " ".join(capsys.readouterr().out.split())
    for bad, told in (({"html": "x.html"}, "--html"), ({"dask": "127.0.0.1:1"}, "--workers")):
        with pytest.raises(InputError, match=told):
            command.run_region_command(argparse.Namespace(**words | bad))


def test_a_missing_library_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"oxygen-planner\[dask\]"), dask_executor("127.0.0.1:1"):
        pass


def test_no_stock_is_a_fault() -> None:
    with pytest.raises(InputError, match=r"\[\[stocks\]\]"):
        run_region(replace(REGION, stocks=()), DRAWS)


def test_the_command_takes_a_cluster_without_being_told_of_workers(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One fault, the cluster's own: that nobody named workers is no reason to refuse it."""
    study = str(Path(__file__).parents[1] / "scenarios" / "ondrel-region-study.toml")
    assert main(["cache", study, "--dask", "tcp://127.0.0.1:1"]) == 2
    said = capsys.readouterr().err
    assert "--dask" in said
    assert "--workers" not in said
    with pytest.raises(SystemExit) as refused:
        main(["cache", study, "--workers", "0"])
    assert refused.value.code == 2


def test_pieces_on_a_pool_are_stopped_half_way() -> None:
    with process_pool(1) as crew:
        jobs = [(until_stopped, ()), (until_stopped, ())]
        assert done_in_order(crew.executor, jobs, lambda: True) == ["stopped", "stopped"]
    assert done_in_order(None, jobs, lambda: True) == ["stopped", "stopped"]


def test_pieces_end_when_the_pool_is_left() -> None:
    with process_pool(1) as crew:
        piece = crew.executor.submit(until_stopped, is_asked_to_stop)
        while not piece.running():
            time.sleep(0.01)
    assert piece.result() == "stopped"
