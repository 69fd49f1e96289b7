"""The command ``cache``: what to keep in a cache, what it holds for, and what it does not."""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from planner import cli_region
from planner.cli_output import give_folder, give_json, give_text
from planner.cli_plan import progress

if TYPE_CHECKING:
    from planner.cache.study import Study

HELP: Final = "Choose what to keep in a cache: what it holds, by load, beside rules, what binds."
DONE, TARGET_MISSED, NO_STOCK = 0, 1, 3
SAMPLES: Final = 4000


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument("study", metavar="STUDY", help="study of a cache, .toml or .json")
    parser.add_argument(
        "--html", metavar="FILE",
        help="write it for paper: a page for whoever pays, the stock by load, frontier, tables",
    )  # fmt: skip
    parser.add_argument("--csv", metavar="FOLDER", help="write the tables for a spreadsheet")
    parser.add_argument("--seed", type=_whole(0, 2**31 - 1), default=1, metavar="N",
                        help="same seed, same answer (default 1)")  # fmt: skip
    parser.add_argument(
        "--samples", type=_whole(100, 100_000), default=SAMPLES, metavar="N",
        help=f"samples a case, to choose on and again fresh to tell chances (default {SAMPLES})",
    )  # fmt: skip
    parser.add_argument("--workers", type=_whole(1, 64), metavar="N",
                        help="processes to work in (default: one a core)")  # fmt: skip
    parser.add_argument(
        "--require-target", action="store_true",
        help="exit with 1 when no stock within the limits holds the study's target",
    )  # fmt: skip
    cli_region.add_region_options(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Work the study out and tell.

    Raises
    ------
    InputError
        With every fault of the study.
    """
    from planner.errors import SolverError

    if _is_region(arguments.study):
        return cli_region.run_region_command(arguments)
    study = _study(arguments.study)
    try:
        document = _document(study, arguments)
    except SolverError as error:
        print(f"No stock was found within the limits of the study: {error}", file=sys.stderr)
        return NO_STOCK
    _give(arguments, document)
    if not give_json(arguments.json, lambda: document):
        from planner.report.cache_words import cache_text

        sys.stdout.write(cache_text(document))
    from planner.report.cache_words import main_offer

    target = document["study"]["target_chance"]
    is_missed = not document["is_reachable"] or main_offer(document)["anyone"]["chance"] > target
    return TARGET_MISSED if arguments.require_target and is_missed else DONE


def _is_region(path: str) -> bool:
    from planner.files import parse_file

    return "region" in parse_file(Path(path))[0]


def _study(path: str) -> Study:
    from planner.cache.reading import study_from
    from planner.files import parse_file

    raw, file = parse_file(Path(path))
    return study_from(raw, Path(path).parent, file)


def _document(study: Study, arguments: argparse.Namespace) -> dict[str, Any]:
    from planner.cache.answer import Effort
    from planner.cache.whole import whole_answer
    from planner.report.cache_document import cache_document

    with _workers(arguments.workers or os.cpu_count() or 1) as executor:
        effort = Effort.of(arguments.seed, arguments.samples)
        whole = whole_answer(study, effort, progress(), executor=executor)
    return cache_document(whole)


def _give(arguments: argparse.Namespace, document: dict[str, Any]) -> None:
    """Write what is asked for; all of it is made before any of it is written."""
    from planner.report.cache_csv import cache_csv
    from planner.report.cache_sheets import cache_html

    html = None if arguments.html is None else cache_html(document)
    tables = None if arguments.csv is None else cache_csv(document)
    if html is not None:
        give_text(arguments.html, html)
    if tables is not None:
        give_folder(arguments.csv, tables)


@contextmanager
def _workers(count: int) -> Iterator[Executor | None]:
    """Give processes to work in, none for one; they are gone afterwards, also when interrupted."""
    if count < 2:
        yield None
        return
    from planner.cache.executors import process_pool

    before = set(multiprocessing.active_children())
    with process_pool(count) as crew:
        try:
            yield crew.executor
        except BaseException:  # or the end would wait for what each is at, minutes perhaps
            for child in set(multiprocessing.active_children()) - before:
                child.terminate()
            raise


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        try:
            value = int(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"{text!r}; allowed: {low} to {high}") from None
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{value}; allowed: {low} to {high}")
        return value

    return read
