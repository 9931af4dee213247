"""Kill the service at every step: ``python -m tests.system.kills``, or ``make kills``.

Rules of this file: progress goes to standard error; the last line on standard output has the counts by position; exit code 0 only
when every position was reached as often as wanted and nothing was found.
"""

import argparse
import json
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import get_args

from simulators.bench.run import RunFailed
from simulators.bench.staging import Dialects
from tests.system.kills.defects import DEFECTS
from tests.system.kills.machines import TROUBLES, trouble
from tests.system.kills.points import POINTS
from tests.system.kills.stores import STORES, address_of
from tests.system.kills.sweep import FROM_OUTSIDE, Plan, Tally, sweep

SPEED = 120.0


def main() -> int:
    """0: every position was reached as often as wanted and nothing is wrong; 1: not so."""
    given = _options()
    # Told to end, it takes its own processes with it.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    begun = time.monotonic()
    positions = (*given.points, FROM_OUTSIDE)
    wanted = dict.fromkeys(positions, given.repeats) | dict.fromkeys(TROUBLES, given.machines)
    tallies: dict[str, Tally] = {}
    with tempfile.TemporaryDirectory(prefix="pointsman-kills-") as name:
        for store in given.store or STORES:
            tell = _teller(store, sum(wanted.values()))
            tallies[store] = _on_store(store, given, given.keep or Path(name), tell)
    if given.json:
        print(json.dumps({store: _as_json(tally) for store, tally in tallies.items()}))
    else:
        _show(tallies, wanted, time.monotonic() - begun)
    reached = all(
        tally.kills[place] >= count for tally in tallies.values() for place, count in wanted.items()
    )
    return 0 if reached and not any(tally.findings() for tally in tallies.values()) else 1


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.system.kills", description=__doc__)
    parser.add_argument("--repeats", type=int, default=20, help="kills at each position (20)")
    parser.add_argument(
        "--machines", type=int, default=20, help="deaths of each kind of machine (20)"
    )
    parser.add_argument("--seed", type=int, default=1, help="decides the order of the kills (1)")
    parser.add_argument("--speed", type=float, default=SPEED, help="times faster than life (120)")
    parser.add_argument("--store", choices=STORES, action="append", help="one store only")
    parser.add_argument(
        "--defect", choices=DEFECTS, default="none", help="a seeded defect, which has to be found"
    )
    parser.add_argument(
        "--dialects",
        choices=get_args(Dialects),
        default="declared",
        help="what the machines speak: the open standards that the example cell declares, or models of their own, "
        "which are quicker up (declared)",
    )
    parser.add_argument(
        "--points",
        nargs="+",
        choices=POINTS,
        default=POINTS,
        help="die at these only, and at any moment",
    )
    parser.add_argument("--keep", type=Path, help="a folder for journals and logs, which stays")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    return parser.parse_args()


def _on_store(
    store: str, given: argparse.Namespace, folder: Path, tell: Callable[[str], None]
) -> Tally:
    """The service killed at every position, then the machines."""
    tally = Tally()
    begun = time.monotonic()
    with address_of(store) as address:
        plan = Plan(
            repeats=given.repeats,
            machines=given.machines,
            seed=given.seed,
            speed=given.speed,
            folder=folder,
            store=store,
            defect=given.defect,
            dialects=given.dialects,
            points=tuple(given.points),
            address=address,
        )
        try:
            sweep(plan, tally, tell)
            trouble(plan, tally, tell)
        except RunFailed as failed:
            tally.failed.append(str(failed))
    tally.seconds = time.monotonic() - begun
    return tally


def _teller(store: str, total: int) -> Callable[[str], None]:
    """Shows how far a sweep is: one line that is written over at a terminal, else a line for each kill in fifty."""
    count, begun = 0, time.monotonic()

    def tell(position: str) -> None:
        nonlocal count
        count += 1
        line = (
            f"{store}: {count} of {total} kills, {time.monotonic() - begun:.0f} s, last {position}"
        )
        if sys.stderr.isatty():
            print(f"\r{line:<78}", end="" if count < total else "\n", file=sys.stderr, flush=True)
        elif count % 50 == 0 or count == total:
            print(line, file=sys.stderr, flush=True)

    return tell


def _as_json(tally: Tally) -> dict[str, object]:
    return {
        "kills": dict(tally.kills),
        "findings": tally.findings(),
        "parts": tally.parts,
        "entries": tally.total("entries"),
        "restarts": tally.total("restarts"),
        "adopted": tally.total("adopted"),
        "fetched": tally.total("fetched"),
        "tags_read_again": tally.total("tags"),
        "aside": tally.total("aside"),
        "holds": tally.holds(),
        "found_taken": tally.taken,
        "seconds": round(tally.seconds, 1),
    }


def _show(tallies: dict[str, Tally], wanted: dict[str, int], seconds: float) -> None:
    for store, tally in tallies.items():
        asked = ", ".join(f"{code} {count}" for code, count in sorted(tally.holds().items()))
        print(
            f"{store}: {tally.parts} parts, {tally.total('entries')} entries, {tally.total('restarts')} restarts; "
            f"{tally.total('adopted')} runs adopted, {tally.total('fetched')} results fetched, "
            f"{tally.total('tags')} tags read again, {tally.total('aside')} results kept aside; "
            f"asked a person after machines had died: {asked or 'nothing'}; "
            f"{tally.taken} starts found the cell still taken; {tally.seconds:.0f} s"
        )
        for finding in tally.findings():
            print(f"NOT WELL {store}: {finding}")
    found = sum(len(tally.findings()) for tally in tallies.values())
    kills = sum(sum(tally.kills.values()) for tally in tallies.values())
    by_position = ", ".join(
        f"{place} {'+'.join(str(tally.kills[place]) for tally in tallies.values())}"
        for place in wanted
    )
    print(
        f"{kills} kills in {seconds:.0f} s, {found} findings; by position ({'+'.join(tallies)}): {by_position}"
    )


if __name__ == "__main__":
    sys.exit(main())
