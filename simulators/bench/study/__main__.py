"""The study of a declared cell in virtual time: ``python -m simulators.bench.study``, or ``pointsman study``."""

import argparse
import json
import math
import os
import sys
from collections.abc import Callable, Generator
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from simulators.bench.parts import UnknownKind, physics_of
from simulators.bench.run import end_as_by_a_person
from simulators.bench.study.page import page
from simulators.bench.study.run import Study, study
from simulators.bench.study.text import show
from simulators.bench.study.wishes import KEYS, Variant, Wishes, WrongWish, variants
from supervisor.cell.load import DeclarationError, load_cell

DONE, NO, INPUT_WRONG = 0, 1, 2
HOURS_MAX = 24 * 14
SEEDS_MAX = 1_000
PALLETS_MAX = 20_000
PROCESSES_MAX = 256


def _number(low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not low <= number <= high:
            raise argparse.ArgumentTypeError(f"expected {low:g} to {high:g}, found {text}")
        return number

    return read


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        number = int(text) if text.isdecimal() else -1
        if not low <= number <= high:
            raise argparse.ArgumentTypeError(
                f"expected a whole number from {low} to {high}, found {text}"
            )
        return number

    return read


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="pointsman study",
        description="Run a cell's own files in virtual time and tell what it would achieve. Keys of --what-if: "
        + ", ".join(KEYS),
    )
    parser.add_argument("cell", type=Path, metavar="CELL", help="folder that declares the cell")
    parser.add_argument(
        "--hours",
        type=_number(0.05, HOURS_MAX),
        default=8.0,
        help="length of the shift in hours of the cell's time (default 8)",
    )
    parser.add_argument(
        "--pallets",
        type=_whole(1, PALLETS_MAX),
        default=0,
        help="so many pallets and no more; the shift ends when all are done (default: as many as there is room for, to the end)",
    )
    parser.add_argument(
        "--every",
        type=_number(0, 86_400),
        default=0.0,
        metavar="S",
        help="a pallet comes every so many seconds (default: whenever the rack or the infeed has room)",
    )
    parser.add_argument(
        "--nonconforming",
        type=_number(0, 1),
        default=0.05,
        metavar="SHARE",
        help="share of the parts that are nonconforming (default 0.05)",
    )
    parser.add_argument(
        "--what-if",
        action="append",
        default=[],
        metavar="CHANGES",
        help="KEY=VALUE[,VALUE...], several in one text are made together, such as 'stations.touch-1=2 handler.jaws=1'; may be repeated",
    )
    parser.add_argument(
        "--seeds", type=_whole(1, SEEDS_MAX), default=5, help="how many shifts of each (default 5)"
    )
    parser.add_argument("--first-seed", type=_whole(0, 10**9), default=1, help="default 1")
    parser.add_argument(
        "--processes",
        type=_whole(1, PROCESSES_MAX),
        default=os.cpu_count() or 1,
        help="default: one for each processor",
    )
    parser.add_argument("--html", type=Path, metavar="FILE", help="write a page with charts")
    parser.add_argument(
        "--json", dest="output", action="store_const", const="json", default="text", help="JSON"
    )
    return parser


def _studied(given: argparse.Namespace) -> Study:
    cell = load_cell(given.cell).cell
    physics_of(
        cell, pallets=(), arrivals_ms=(), bad_share=0.0
    )  # a kind that nothing plays: say so first
    wishes = Wishes(
        cell=cell,
        hours=given.hours,
        pallets=given.pallets,
        every_s=given.every,
        bad_share=given.nonconforming,
    )
    wanted = variants(wishes, given.what_if)
    seeds = range(given.first_seed, given.first_seed + given.seeds)
    with _progress(wanted) as tell:
        return study(wanted, seeds, given.processes, tell)


@contextmanager
def _progress(wanted: list[Variant]) -> Generator[Callable[[int, int], None]]:
    """A bar on standard error, where a person watches."""
    if not sys.stderr.isatty():
        yield lambda _done, _all: None
        return
    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(f"shifts of {len(wanted)} variants", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _look_whether_it_can_be_written(file: Path) -> None:
    """Before anything is run: what has been worked out is not to be lost to a wrong path. A file that was there stays as it is.

    Raises:
        OSError: it cannot be written.
    """
    there = file.exists()
    with file.open("a", encoding="utf-8"):
        pass
    if not there:
        file.unlink()


def main() -> int:
    """0 done, 1 no part was finished in any shift, 2 the input is wrong."""
    given = _parser().parse_args()
    end_as_by_a_person()
    try:
        if given.html is not None:
            _look_whether_it_can_be_written(given.html)
        found = _studied(given)
        if given.html is not None:
            given.html.write_text(page(found), encoding="utf-8")
    except (DeclarationError, UnknownKind, WrongWish) as wrong:
        print(wrong, file=sys.stderr)
        return INPUT_WRONG
    except OSError as refused:
        why = refused.strerror or refused
        print(f"--html {given.html} cannot be written: {why}", file=sys.stderr)
        return INPUT_WRONG
    except KeyboardInterrupt:
        print("ended before all shifts were done", file=sys.stderr)
        return NO
    if given.output == "json":
        sys.stdout.write(json.dumps(found.as_json()) + "\n")
    else:
        show(Console(highlight=False, width=None if sys.stdout.isatty() else 110), found)
    if not found.findings[0].parts_out.mean:
        print(
            "No part was finished: make the shift longer with --hours, or look at the holds with pointsman bench.",
            file=sys.stderr,
        )
        return NO
    return DONE


if __name__ == "__main__":
    sys.exit(main())
