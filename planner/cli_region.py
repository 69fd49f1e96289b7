"""``cache`` with a regional study: work it out here or on a cluster, keep what is done, tell it."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Final

from planner.cli_output import give_json
from planner.errors import Fault, InputError, PlannerError

if TYPE_CHECKING:
    from planner.cache.executors import Crew

DONE, INTERRUPTED = 0, 130
NOT_HERE: Final = ("html", "csv", "require_target")  # of a study, not of a region


def add_region_options(parser: argparse.ArgumentParser) -> None:
    """Say what a regional study takes beside what ``cache`` takes."""
    parser.add_argument(
        "--results",
        metavar="FOLDER",
        help="a region: keep finished pieces there; a later run goes on",
    )
    parser.add_argument("--dask", metavar="ADDRESS", help="a region: work on this cluster")


def run_region_command(arguments: argparse.Namespace) -> int:
    """Work out a regional study and tell it; the first Ctrl-C tells what is done by then.

    Parameters
    ----------
    arguments : Namespace
        ``study``, ``json``, ``seed``, ``samples``, ``results``, ``workers``, ``dask``.

    Returns
    -------
    int
        0, or 130 where it was ended before it was done.

    Raises
    ------
    InputError
        With the faults of the file or of what was asked.
    """
    from planner.cache.region import read_region
    from planner.cache.regional import Draws, Watch, region_document, run_region
    from planner.cache.results import Results
    from planner.cli_plan import progress, stopped_by_hand
    from planner.report.region_words import region_text

    _require_allowed(arguments)
    region = read_region(arguments.study)
    tell = progress()
    try:
        with ExitStack() as stack:
            stop = stack.enter_context(stopped_by_hand())
            kept = None
            if arguments.results is not None:
                kept = stack.enter_context(Results(arguments.results))
            crew = stack.enter_context(_crew(arguments))
            if crew is not None:
                tell(f"workers: {crew.name}")
            draws = Draws(arguments.seed, arguments.samples)
            result = run_region(region, draws, crew, kept, Watch(tell, stop))
    except KeyboardInterrupt:  # the second one: the first only asks it to end
        return _ended(arguments, "interrupted")
    except BrokenExecutor:
        return _ended(arguments, "a worker was ended from outside")
    except ImportError as error:
        mend = "Install this program, in the same version, on every worker."
        raise InputError([Fault("", "", "", "--dask", str(error), "", mend)]) from None
    except InputError:
        raise
    except PlannerError as error:
        return _ended(arguments, str(error))
    if not give_json(arguments.json, lambda: region_document(result)):
        sys.stdout.write(region_text(result))
    return DONE if result.is_complete else INTERRUPTED


@contextmanager
def _crew(arguments: argparse.Namespace) -> Iterator[Crew | None]:
    """Give the workers that were asked for; one needs no process of its own."""
    from planner.cache.executors import dask_executor, process_pool

    workers = arguments.workers or os.cpu_count() or 1
    if arguments.dask is not None:
        with dask_executor(arguments.dask) as crew:
            yield crew
    elif workers > 1:
        with process_pool(workers) as crew:
            yield crew
    else:
        yield None


def _ended(arguments: argparse.Namespace, why: str) -> int:
    where = "nothing was kept: name a folder with --results"
    if arguments.results is not None:
        where = "what was finished is kept: the same command goes on from there"
    print(f"{why}; {where}", file=sys.stderr)
    return INTERRUPTED


def _require_allowed(arguments: argparse.Namespace) -> None:
    faults = []
    for name in NOT_HERE:
        if getattr(arguments, name, None):
            option = "--" + name.replace("_", "-")
            mend = "Leave it out; --json gives everything."
            faults.append(Fault("", "", "", option, "given", "not with a region", mend))
    if arguments.workers is not None and arguments.dask is not None:
        mend = "The cluster's own workers do the work: leave out --workers."
        faults.append(Fault("", "", "", "--dask", "", "one of --workers and --dask", mend))
    if faults:
        raise InputError(faults)


__all__ = ["add_region_options", "run_region_command"]
