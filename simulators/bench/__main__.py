"""The bench of a simulated cell: ``python -m simulators.bench``, or ``pointsman bench``."""

import argparse
import sys
from pathlib import Path

from simulators.bench.bench import Options, run
from simulators.bench.parts import UnknownKind
from simulators.bench.run import RunFailed
from simulators.bench.staging import Wishes
from supervisor.cell.load import DeclarationError

EXAMPLE = Path(__file__).parents[2] / "deploy" / "cells" / "vane-pumps"


def _options() -> Options:
    parser = argparse.ArgumentParser(prog="pointsman bench", description=__doc__)
    parser.add_argument(
        "--cell",
        type=Path,
        default=EXAMPLE,
        help="folder of a declared cell (default: the example cell)",
    )
    parser.add_argument(
        "--pallets", type=int, default=12, help="how many pallets are put down (default 12)"
    )
    parser.add_argument(
        "--seed", type=int, default=7, help="decides parts, order and measurement noise (default 7)"
    )
    parser.add_argument(
        "--speed",
        type=float,
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
        cell=given.cell, pallets=given.pallets, seed=given.seed, speed=given.speed, jaws=given.jaws
    )
    return Options(wishes=wishes, port=given.port, output=given.output, keep=given.keep)


def main() -> int:
    """0 all is well, 1 something is not, 2 the input is wrong."""
    try:
        return run(_options())
    except (DeclarationError, UnknownKind, FileExistsError) as wrong:
        print(wrong, file=sys.stderr)
        return 2
    except RunFailed as failed:
        print(failed, file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
