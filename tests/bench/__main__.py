"""All figures, or those named: ``python -m tests.bench [NAME...]``.

Rules of this file:
- Each bench runs in a process of its own, so that none measures what another left in memory.
- One table on standard output; which bench runs and how busy the machine is goes to standard error.
"""

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from importlib import import_module
from multiprocessing import get_context

from tests.bench.figure import Figure, Size, table

BENCHES = ("reaction", "journal", "virtual", "wire", "replay", "memory", "links", "setup")


def figures_of(name: str, size: Size) -> list[Figure]:
    """The figures of one bench, from a process that ends with it."""
    measure = import_module(f"tests.bench.bench_{name}").measure
    with ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn")) as pool:
        return pool.submit(measure, size).result()


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("names", nargs="*", help=f"any of {', '.join(BENCHES)}; all without one")
    parser.add_argument("--size", choices=("full", "smallest"), default="full")
    given = parser.parse_args()
    unknown = set(given.names) - set(BENCHES)
    if unknown:
        parser.error(f"unknown: {', '.join(sorted(unknown))}; there are {', '.join(BENCHES)}")
    figures: list[Figure] = []
    for name in given.names or BENCHES:
        print(f"{name} ... (load {os.getloadavg()[0]:.1f})", file=sys.stderr, flush=True)
        figures += figures_of(name, given.size)
    print(table(figures))


if __name__ == "__main__":
    main()
