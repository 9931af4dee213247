"""Whole simulated cells at real sockets with a nemesis between supervisor and machines: ``make wire-faults``.

Rules of this file:
- The networks live in a thread of their own; they go on whatever the bench waits for.
- A run is well when every part has its record and has left, no machine saw a violation, no record contradicts the truth, the journal's
  chain verifies and replay differs nowhere. Faults that never struck have shown nothing: a run without faults is not well.
- A person answers holds from what stands on the floor, never from what the supervisor believes.
"""

import argparse
import asyncio
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Coroutine, Generator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from simulators.bench.bench import report_of_run
from simulators.bench.nemesis import Nemesis
from simulators.bench.person_at_the_page import PersonAtThePage
from simulators.bench.ports import free_ports
from simulators.bench.proxy import Proxy
from simulators.bench.report import Report
from simulators.bench.run import Json, RunFailed, running, wait_finished
from simulators.bench.staging import Stage, Wishes, prepare

EXAMPLE = Path(__file__).parents[2] / "deploy" / "cells" / "vane-pumps"
START_S_MAX = 10.0
STRIKE_S = 60.0
HOST = "127.0.0.1"


class Network:
    """The networks between the supervisor and the machines of one run, in a thread of their own."""

    def __init__(self, ways: Mapping[str, tuple[int, int]]) -> None:
        self._ways = ways
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="network", daemon=True)
        self._nemesis: Nemesis | None = None
        self._striking: asyncio.Future[None] | None = None
        self.proxies: dict[str, Proxy] = {}

    @property
    def struck(self) -> Counter[str]:
        """The faults so far, by kind."""
        return Counter() if self._nemesis is None else self._nemesis.struck.copy()

    def start(self) -> None:
        """Carry everything."""
        self._thread.start()
        self._do(self._listen())

    def strike(self, seed: int) -> None:
        """Let faults begin."""
        self._do(self._begin(seed))

    def spare(self) -> None:
        """No more faults, and every network whole."""
        self._do(self._end())

    def stop(self) -> None:
        """End."""
        self._do(self._close())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(START_S_MAX)
        self._loop.close()

    def _do(self, work: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(work, self._loop).result(START_S_MAX)

    async def _listen(self) -> None:
        for name, (looked, listens) in self._ways.items():
            self.proxies[name] = Proxy(HOST, listens)
            await self.proxies[name].listen(looked)

    async def _begin(self, seed: int) -> None:
        self._nemesis = Nemesis(self.proxies, seed)
        self._striking = asyncio.ensure_future(self._nemesis.run())

    async def _end(self) -> None:
        if self._striking is not None:
            self._striking.cancel()
            await asyncio.gather(self._striking, return_exceptions=True)
            self._striking = None

    async def _close(self) -> None:
        await self._end()
        for proxy in self.proxies.values():
            await proxy.stop()


@contextmanager
def network_of(stage: Stage) -> Generator[Network]:
    """The networks of a prepared run, as long as the block."""
    network = Network(stage.ways)
    network.start()
    try:
        yield network
    finally:
        network.stop()


class Outcome(NamedTuple):
    """What became of one run."""

    seed: int
    struck: Counter[str]
    answered: Counter[str]
    parts: int
    entries: int
    took_s: float
    wrong: list[str]


def run_once(wishes: Wishes, folder: Path, *, strike_s: float = STRIKE_S) -> Outcome:
    """One run in a folder: faults for so many seconds or until all parts are done, then the rest without."""
    stage = prepare(wishes, folder)
    begun_s = time.monotonic()
    wrong: list[str] = []
    with network_of(stage) as network:
        with running(stage, speed=wishes.speed, port=free_ports(1)[0]) as live:
            person = PersonAtThePage(live, stage)
            network.strike(wishes.seed)
            until_s = time.monotonic() + strike_s

            def tell(_cell: Json, _done: int) -> None:
                person.look()
                if time.monotonic() > until_s:
                    network.spare()

            try:
                wait_finished(live.watch, stage, tell)
            except RunFailed as failed:
                wrong.append(str(failed))
            person.close()
        struck = network.struck
    report = report_of_run(stage)
    wrong += _wrong(report)
    if not struck:
        wrong.append("no fault struck")
    return Outcome(
        seed=wishes.seed,
        struck=struck,
        answered=person.answered,
        parts=len(report.parts),
        entries=report.entries,
        took_s=time.monotonic() - begun_s,
        wrong=wrong,
    )


def _wrong(report: Report) -> list[str]:
    """What is not well in a report."""
    wrong = [*report.violations, *report.findings]
    if not report.journal_verified:
        wrong.append("the journal's chain is broken")
    if report.replay_differences != 0:
        wrong.append(f"{report.replay_differences} differences in replay")
    return wrong


# --- the command ------------------------------------------------------------------------------------------------------------------


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="make wire-faults", description=__doc__)
    parser.add_argument("--runs", type=int, default=20, help="how many runs (default 20)")
    parser.add_argument("--first", type=int, default=1, help="the first seed (default 1)")
    parser.add_argument("--pallets", type=int, default=12, help="pallets of each run (default 12)")
    parser.add_argument("--speed", type=float, default=120.0, help="times real time (default 120)")
    parser.add_argument(
        "--strike",
        type=float,
        default=STRIKE_S,
        help=f"seconds of faults in each run (default {STRIKE_S:g})",
    )
    parser.add_argument("--keep", type=Path, help="a new folder for all journals and logs")
    return parser.parse_args()


def main() -> int:
    """0 all runs are well, 1 one is not."""
    given = _arguments()
    outcomes: list[Outcome] = []
    for seed in range(given.first, given.first + given.runs):
        wishes = Wishes(
            cell=EXAMPLE, pallets=given.pallets, seed=seed, speed=given.speed, between="a network"
        )
        outcomes.append(_run(wishes, given))
        _say(_line(outcomes[-1]), *(f"    {text}" for text in outcomes[-1].wrong))
    return _end(outcomes)


def _run(wishes: Wishes, given: argparse.Namespace) -> Outcome:
    if given.keep is None:
        with tempfile.TemporaryDirectory(prefix="pointsman-wire-") as name:
            return run_once(wishes, Path(name), strike_s=given.strike)
    folder = given.keep / f"seed-{wishes.seed}"
    folder.mkdir(parents=True)
    return run_once(wishes, folder, strike_s=given.strike)


def _line(outcome: Outcome) -> str:
    return (
        f"seed {outcome.seed}: {'NOT WELL' if outcome.wrong else 'well'}, {outcome.parts} parts, {outcome.entries} facts, "
        f"{outcome.struck.total()} faults, {outcome.answered.total()} holds answered, {outcome.took_s:.0f} s"
    )


def _end(outcomes: list[Outcome]) -> int:
    """Print the counts; the exit code."""
    struck = sum((each.struck for each in outcomes), Counter[str]())
    answered = sum((each.answered for each in outcomes), Counter[str]())
    bad = [each.seed for each in outcomes if each.wrong]
    _say("", "faults", *_table(struck), "holds answered by a person", *_table(answered), "")
    _say(
        f"{len(outcomes)} runs, {sum(each.parts for each in outcomes)} parts, {struck.total()} faults, "
        f"{answered.total()} holds, {len(bad)} not well{f': seeds {bad}' if bad else ''}"
    )
    return 1 if bad else 0


def _table(counts: Counter[str]) -> list[str]:
    return [f"{count:7d}  {name}" for name, count in sorted(counts.items())]


def _say(*lines: str) -> None:
    for line in lines:
        sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
