"""The campaign: ``python -m simulators.bench.campaign``, or ``make campaign SEEDS=10000 FIRST=1``.

Rules of this file:
- Seeds run on all cores, each in one process from beginning to end; what is counted does not depend on who ran what when.
- A failure is shrunk and printed as one command. A seed and a commit reproduce it in any process.
- Standard output has what was found; progress goes to standard error, and only where a person watches.
"""

import argparse
import hashlib
import os
import shlex
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from simulators.bench.faults import EVERYTHING, KINDS, parse_chosen, written
from simulators.bench.shift import Case, Outcome, run_case
from simulators.bench.shrink import shrunk

SHRUNK_MAX = 3
"""So many failures are shrunk; the others are named by their seeds."""
STAGES_SHOWN = 6


@dataclass(slots=True, kw_only=True)
class Tally:
    """What many shifts came to."""

    seeds: int = 0
    hours: float = 0.0
    facts: int = 0
    pallets: int = 0
    records: int = 0
    longest_finish_hours: float = 0.0
    hits: Counter[tuple[str, str]] = field(default_factory=Counter[tuple[str, str]])
    answers: Counter[tuple[str, str]] = field(default_factory=Counter[tuple[str, str]])
    fingerprints: dict[int, str] = field(default_factory=dict[int, str])
    failing: dict[int, Outcome] = field(default_factory=dict[int, Outcome])

    def add(self, outcome: Outcome) -> None:
        """Count one shift."""
        self.seeds += 1
        self.hours += outcome.hours
        self.facts += outcome.facts
        self.pallets += outcome.pallets
        self.records += outcome.records
        self.longest_finish_hours = max(self.longest_finish_hours, outcome.finish_hours)
        self.hits.update(outcome.hits)
        self.answers.update(outcome.answers)
        self.fingerprints[outcome.case.seed] = outcome.fingerprint
        if outcome.failures:
            self.failing[outcome.case.seed] = outcome

    def by_kind(self) -> dict[str, int]:
        """How often each kind of fault hit, those that never did included."""
        kinds = dict.fromkeys(KINDS, 0)
        for (kind, _), count in self.hits.items():
            kinds[kind] += count
        return kinds

    def finger_say(self) -> str:
        """One SHA-256 over the fingerprints of all shifts in the order of their seeds."""
        digest = hashlib.sha256()
        for seed in sorted(self.fingerprints):
            digest.update(f"{seed} {self.fingerprints[seed]}\n".encode())
        return digest.hexdigest()

    def summary(self) -> str:
        """The last line."""
        kinds = self.by_kind()
        hit = sum(1 for count in kinds.values() if count)
        return (
            f"campaign: {self.seeds} seeds, {self.hours:,.0f} h simulated, {self.facts:,} facts, "
            f"{self.pallets:,} pallets, {self.records:,} records, {sum(kinds.values()):,} faults of {hit} of {len(kinds)} kinds, "
            f"everything finished at most {self.longest_finish_hours:.1f} h after the last fault, "
            f"fingerprint {self.finger_say()[:16]}, {len(self.failing)} failures"
        )


def run_seeds(
    first: int, count: int, *, jobs: int, done: Callable[[Outcome], None] = lambda _: None
) -> Tally:
    """Run seeds on so many processes; ``done`` is called with each shift as it ends."""
    tally = Tally()
    for outcome in _outcomes([Case(seed=seed) for seed in range(first, first + count)], jobs):
        tally.add(outcome)
        done(outcome)
    return tally


def _outcomes(cases: list[Case], jobs: int) -> Iterator[Outcome]:
    if jobs == 1 or len(cases) == 1:
        yield from map(run_case, cases)
        return
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        yield from pool.map(run_case, cases, chunksize=4)


def command_of(case: Case) -> str:
    """The one command that runs a case again."""
    parts = ["python", "-m", "simulators.bench.campaign", "--first", str(case.seed), "--seeds", "1"]
    if case.pallets:
        parts += ["--pallets", str(case.pallets)]
    if case.hours:
        parts += ["--hours", repr(case.hours)]
    if case.faults is not EVERYTHING and case.faults.keys() != EVERYTHING.keys():
        parts += ["--faults", written(case.faults)]
    return shlex.join(parts)


# --- what is printed --------------------------------------------------------------------------------------------------------------


def table(tally: Tally) -> Iterator[str]:
    """How often each kind hit, and at which stages of the handshake most."""
    yield f"{'fault':<20} {'hits':>9}  stages"
    for kind, count in tally.by_kind().items():
        stages = Counter({stage: n for (k, stage), n in tally.hits.items() if k == kind})
        common = sorted(stages.items(), key=lambda pair: (-pair[1], pair[0]))
        shown = ", ".join(f"{stage} {n}" for stage, n in common[:STAGES_SHOWN])
        more = f", {len(common) - STAGES_SHOWN} more" if len(common) > STAGES_SHOWN else ""
        yield f"{kind:<20} {count:>9,}  {shown}{more}"


def _about_failure(outcome: Outcome, small: Outcome) -> Iterator[str]:
    first = outcome.failures[0]
    yield f"seed {outcome.case.seed} at commit {_commit()}: {first.rule}: {first.text}"
    yield f"  after entry {first.entry} of {outcome.facts}, {len(outcome.failures)} findings at once"
    if small is not outcome:
        least = small.failures[0]
        yield f"  shrunk to {small.pallets} pallets, {len(small.struck)} strikes, {small.facts} facts: {least.text}"
    yield f"  {command_of(small.case)}"


def _commit() -> str:
    """The commit that this code is at; "unknown" where there is no repository."""
    try:
        answer = subprocess.run(
            ("git", "rev-parse", "--short=12", "HEAD"),  # noqa: S607 - whichever git the person uses
            cwd=Path(__file__).parent,
            capture_output=True,
            text=True,
            check=True,
        )
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return answer.stdout.strip()


_OUTPUT = Console(markup=False, highlight=False, soft_wrap=True)


def _say(line: str) -> None:
    _OUTPUT.print(line)


class _Progress:
    """How far the campaign is, for a person."""

    def __init__(self, count: int) -> None:
        self._bars = Progress(
            TextColumn("campaign"),
            BarColumn(),
            MofNCompleteColumn(),
            TextColumn("{task.fields[failures]} failures"),
            TimeRemainingColumn(),
            console=Console(stderr=True),
        )
        self._task = self._bars.add_task("", total=count, failures=0)
        self._failures = 0
        self._watched = sys.stderr.isatty()

    def shown(self) -> AbstractContextManager[object]:
        """While this is open the bars are on the screen, if there is one."""
        return self._bars if self._watched else nullcontext()

    def done(self, outcome: Outcome) -> None:
        """One shift has ended."""
        self._failures += 1 if outcome.failures else 0
        self._bars.update(self._task, advance=1, failures=self._failures)


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulators.bench.campaign",
        description="Run many seeds, judge them, shrink what fails.",
    )
    parser.add_argument("--seeds", type=int, default=100, help="how many seeds (default 100)")
    parser.add_argument("--first", type=int, default=1, help="the first seed (default 1)")
    parser.add_argument(
        "--jobs", type=int, default=os.cpu_count() or 1, help="processes (default: one per core)"
    )
    parser.add_argument("--pallets", type=int, default=0, help="at most so many (one seed only)")
    parser.add_argument(
        "--hours", type=float, default=0.0, help="hours with faults (one seed only)"
    )
    parser.add_argument(
        "--faults", help='only these, e.g. "door-jam crash:2,5" (one seed only); "" for none'
    )
    return parser


def main() -> int:
    """0 nothing was found, 1 something was, 2 the input is wrong."""
    parser = _options()
    given = parser.parse_args()
    alone = given.pallets or given.hours or given.faults is not None
    if given.seeds < 1 or given.jobs < 1 or (alone and given.seeds != 1):
        parser.error(
            "expected at least one seed and one job; --pallets, --hours, --faults take --seeds 1"
        )
    try:
        faults = EVERYTHING if given.faults is None else parse_chosen(given.faults)
    except ValueError as wrong:
        parser.error(str(wrong))
    case = Case(seed=given.first, pallets=given.pallets, hours=given.hours, faults=faults)
    if alone:
        return _one(case)
    return _many(given.first, given.seeds, given.jobs)


def _one(case: Case) -> int:
    outcome = run_case(case)
    tally = Tally()
    tally.add(outcome)
    for failure in outcome.failures:
        _say(f"{failure.rule}: {failure.text} (after entry {failure.entry})")
    _say(tally.summary())
    return 1 if outcome.failures else 0


def _many(first: int, count: int, jobs: int) -> int:
    progress = _Progress(count)
    with progress.shown():
        tally = run_seeds(first, count, jobs=jobs, done=progress.done)
    for number, seed in enumerate(sorted(tally.failing)):
        outcome = tally.failing[seed]
        for line in _about_failure(outcome, shrunk(outcome) if number < SHRUNK_MAX else outcome):
            _say(line)
    for line in table(tally):
        _say(line)
    _say(tally.summary())
    return 1 if tally.failing else 0


if __name__ == "__main__":
    sys.exit(main())
