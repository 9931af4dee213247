"""The bench of a simulated cell: ``python -m simulators.bench``, or ``pointsman bench``."""

import argparse
import sys
from pathlib import Path

from simulators.bench.bench import Options, run
from simulators.bench.parts import UnknownKind
from simulators.bench.run import RunFailed, end_as_by_a_person
from simulators.bench.staging import Wishes
from supervisor.cell.load import DeclarationError

EXAMPLE = Path(__file__).parents[2] / "deploy" / "cells" / "vane-pumps"
PALLETS_MAX = 500  # one page of records, which the bench counts to know when it is done
SPEED_MAX = 1_000.0


def _pallets(text: str) -> int:
    """How many pallets.

    Raises:
        ArgumentTypeError: it is no number that the bench can run.
    """
    pallets = int(text) if text.isdecimal() else 0
    if not 1 <= pallets <= PALLETS_MAX:
        raise argparse.ArgumentTypeError(f"expected 1 to {PALLETS_MAX} pallets, found {text}")
    return pallets


def _speed(text: str) -> float:
    """How many times faster than real time.

    Raises:
        ArgumentTypeError: it is no speed that the bench can run at.
    """
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed <= SPEED_MAX:
        raise argparse.ArgumentTypeError(f"expected above 0 up to {SPEED_MAX:g}, found {text}")
    return speed


def _options() -> Options:
    parser = argparse.ArgumentParser(prog="pointsman bench", description=__doc__)
    parser.add_argument(
        "--cell",
        type=Path,
        default=EXAMPLE,
        help="folder of a declared cell (default: the example cell)",
    )
    parser.add_argument(
        "--pallets", type=_pallets, default=12, help="how many pallets are put down (default 12)"
    )
    parser.add_argument(
        "--seed", type=int, default=7, help="decides parts, order and measurement noise (default 7)"
    )
    parser.add_argument(
        "--speed",
        type=_speed,
        default=60.0,
        help="how many times faster than real time (default 60)",
    )
    parser.add_argument(
        "--jaws",
        type=int,
        choices=(1, 2),
        default=0,
        help="jaws of the handler (default: as declared)",
    )
    parser.add_argument(
        "--dialects",
        choices=("declared", "own"),
        default="declared",
        help="what stations and reader speak: as declared, or models of their own that no standard knows",
    )
    parser.add_argument(
        "--port", type=int, default=0, help="port of the page (default: any free one)"
    )
    parser.add_argument("--keep", type=Path, help="a new folder for journal and logs, which stays")
    parser.add_argument(
        "--json",
        dest="output",
        action="store_const",
        const="json",
        default="text",
        help="one JSON object",
    )
    given = parser.parse_args()
    wishes = Wishes(
        cell=given.cell,
        pallets=given.pallets,
        seed=given.seed,
        speed=given.speed,
        jaws=given.jaws,
        dialects=given.dialects,
    )
    return Options(wishes=wishes, port=given.port, output=given.output, keep=given.keep)


def main() -> int:
    """0 all is well, 1 something is not (or a person ended it before the parts were done), 2 the input is wrong."""
    end_as_by_a_person()
    try:
        return run(_options())
    except FileExistsError as there:
        print(
            f"--keep: expected a new folder, found {there.filename}; name another one",
            file=sys.stderr,
        )
        return 2
    except (DeclarationError, UnknownKind) as wrong:
        print(wrong, file=sys.stderr)
        return 2
    except RunFailed as failed:
        print(failed, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("ended before all parts were done", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
