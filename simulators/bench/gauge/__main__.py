"""A gauge study of a declared cell in virtual time: ``python -m simulators.bench.gauge``, or ``pointsman study gauge``."""

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path

from simulators.bench.gauge.play import Wanted, WrongStudy, play
from simulators.bench.parts import UnknownKind
from supervisor.cell.load import DeclarationError, load_cell
from supervisor.process.gauge_study import LOADINGS_MAX, PALLETS_MAX, REPEATS_MAX
from supervisor.report.gauge import plain_study, study_text

DONE, NO, INPUT_WRONG = 0, 1, 2


def _number(most: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        number = int(text) if text.isdecimal() else 0
        if not 1 <= number <= most:
            raise argparse.ArgumentTypeError(f"expected 1 to {most}, found {text}")
        return number

    return read


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="pointsman study gauge",
        description="Carry a gauge study out on a cell's own files in virtual time: the same parts are loaded and measured again and again.",
    )
    parser.add_argument("cell", type=Path, metavar="CELL", help="folder that declares the cell")
    parser.add_argument("--program", required=True, help="the measurement program to study")
    parser.add_argument(
        "--parts",
        type=_number(PALLETS_MAX),
        default=10,
        help="how many parts; one makes a study of type 1, with its truth as calibrated values (default 10)",
    )
    parser.add_argument(
        "--loadings",
        type=_number(LOADINGS_MAX),
        default=3,
        help="how often each part is brought to the station and clamped anew (default 3)",
    )
    parser.add_argument(
        "--repeats",
        type=_number(REPEATS_MAX),
        default=3,
        help="how often the program runs in each loading (default 3)",
    )
    parser.add_argument("--seed", type=int, default=1, help="decides the parts (default 1)")
    parser.add_argument(
        "--json", dest="output", action="store_const", const="json", default="text", help="JSON"
    )
    return parser


def main() -> int:
    """0 done, 1 the study did not come to its end or a characteristic is not capable, 2 the input is wrong."""
    given = _parser().parse_args()
    try:
        cell = load_cell(given.cell).cell
        wanted = Wanted(
            cell=cell,
            program=given.program,
            parts=given.parts,
            loadings=given.loadings,
            repeats=given.repeats,
            seed=given.seed,
        )
        study, world = play(wanted)
    except (DeclarationError, UnknownKind, WrongStudy) as wrong:
        print(wrong, file=sys.stderr)
        return INPUT_WRONG
    plain = plain_study(study, world.core.tables.plans[study.part_type])
    if given.output == "json":
        sys.stdout.write(json.dumps(plain) + "\n")
    else:
        sys.stdout.write(study_text(plain))
    poor = any(each["rating"] == "not capable" for each in plain["characteristics"])
    return NO if poor or study.end != "complete" else DONE


if __name__ == "__main__":
    sys.exit(main())
