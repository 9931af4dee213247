"""The campaign: ``python -m simulators.bench.campaign``, or ``make campaign SEEDS=10000 FIRST=1``.

Rules of this file:
- Seeds run on all cores, each in one process from beginning to end; what is counted does not depend on who ran what when.
- A failure is shrunk and printed with its seed, the commit and the one command that repeats it, in any process.
- A campaign fails by what it found, and by what it never tried (``sometimes``).
- Standard output has what was found; progress goes to standard error, and only where a person watches.
"""

import argparse
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from simulators.bench.faults import EVERYTHING, parse_chosen, written
from simulators.bench.shift import Case, Outcome, run_case
from simulators.bench.shrink import shrunk
from simulators.bench.sometimes import table, table_of_routing
from simulators.bench.tally import Tally, TallyError, joined, kept, read

SHRUNK_MAX = 3
"""So many failures are shrunk; the others are named by their seeds."""
KEPT_EVERY = 50
"""After so many seeds the counts so far are written to the file of ``--keep``."""


def run_seeds(seeds: Sequence[int], *, jobs: int) -> Iterator[Outcome]:
    """Run seeds on so many processes, one shift after another in their order."""
    cases = [Case(seed=seed) for seed in seeds]
    if jobs == 1 or len(cases) == 1:
        yield from map(run_case, cases)
        return
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        yield from pool.map(run_case, cases, chunksize=4)


def command_of(case: Case) -> str:
    """The one command that runs a case again, for a shell at the root of the repository."""
    args: list[str] = []
    if case.pallets:
        args += ["--pallets", str(case.pallets)]
    if case.hours:
        args += ["--hours", repr(case.hours)]
    if case.faults is not EVERYTHING and case.faults != EVERYTHING:
        args += ["--faults", f"'{written(case.faults)}'"]
    command = f"make campaign SEEDS=1 FIRST={case.seed}"
    return f'{command} ARGS="{" ".join(args)}"' if args else command


# --- what is printed --------------------------------------------------------------------------------------------------------------


def about_failure(outcome: Outcome, small: Outcome) -> Iterator[str]:
    """A failing shift and the smallest that fails for the same reason, as a person needs it to look into it."""
    first = outcome.failures[0]
    yield f"SEED={outcome.case.seed} COMMIT={commit()} {first.rule}: {first.text}"
    yield f"  after entry {first.entry} of {outcome.facts}, {len(outcome.failures)} findings at once"
    if small is not outcome:
        least = small.failures[0]
        yield f"  shrunk to {small.pallets} pallets, {len(small.struck)} strikes, {small.facts} facts: {least.text}"
    yield f"  {command_of(small.case)}"


def commit() -> str:
    """The commit that this code is at, with "+changes" where it was changed since; "unknown" where there is no repository."""
    try:
        answer = subprocess.run(
            ("git", "describe", "--always", "--abbrev=12", "--exclude=*", "--dirty=+changes"),  # noqa: S607 - whichever git the person uses
            cwd=Path(__file__).parent,
            capture_output=True,
            text=True,
            check=True,
        )
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return answer.stdout.strip()


_OUTPUT = Console(markup=False, highlight=False, soft_wrap=True)


def _say(lines: Iterator[str]) -> None:
    for line in lines:
        _OUTPUT.print(line)


class _Progress:
    """How far the campaign is, for a person."""

    def __init__(self, count: int) -> None:
        self._bars = Progress(
            TextColumn("campaign"),
            BarColumn(),
            MofNCompleteColumn(),
            TextColumn("{task.fields[faults]} faults, {task.fields[violations]} violations"),
            TimeRemainingColumn(),
            console=Console(stderr=True),
        )
        self._task = self._bars.add_task("", total=count, faults="0", violations=0)
        self._watched = sys.stderr.isatty()

    def shown(self) -> AbstractContextManager[object]:
        """While this is open the bars are on the screen, if there is one."""
        return self._bars if self._watched else nullcontext()

    def done(self, tally: Tally) -> None:
        """One shift has ended."""
        faults, violations = f"{tally.faults():,}", len(tally.violations)
        self._bars.update(self._task, advance=1, faults=faults, violations=violations)


# --- the command ------------------------------------------------------------------------------------------------------------------


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulators.bench.campaign",
        description="Run many seeds, judge them, shrink what fails.",
    )
    parser.add_argument("--seeds", type=int, default=100, help="how many seeds (default 100)")
    parser.add_argument("--first", type=int, default=1, help="the first seed (default 1)")
    cores = os.cpu_count() or 1
    parser.add_argument("--jobs", type=int, default=cores, help="processes (default: one per core)")
    parser.add_argument(
        "--keep",
        type=Path,
        help="keep the counts in this file, and go on from it: seeds that it has are not run again",
    )
    parser.add_argument(
        "--report", type=Path, nargs="+", help="run nothing: report what these files have together"
    )
    alone = parser.add_argument_group("for one seed")
    alone.add_argument("--pallets", type=int, default=0, help="at most so many")
    alone.add_argument("--hours", type=float, default=0.0, help="hours with faults")
    alone.add_argument("--faults", help='only these, e.g. "door-jam crash:2,5"; "" for none')
    return parser


def main() -> int:
    """0 nothing was found, 1 something was or was never tried, 2 the input is wrong."""
    parser = _options()
    given = parser.parse_args()
    alone = given.pallets or given.hours or given.faults is not None
    if given.seeds < 1 or given.jobs < 1 or (alone and given.seeds != 1):
        parser.error(
            "expected at least one seed and one job; --pallets, --hours, --faults take --seeds 1"
        )
    try:
        faults = EVERYTHING if given.faults is None else parse_chosen(given.faults)
        if given.report:
            return _end(joined(given.report))
        if alone:
            case = Case(seed=given.first, pallets=given.pallets, hours=given.hours, faults=faults)
            return _one(case)
        return _many(range(given.first, given.first + given.seeds), given.jobs, given.keep)
    except (ValueError, TallyError) as wrong:
        parser.error(str(wrong))


def _one(case: Case) -> int:
    outcome = run_case(case)
    tally = Tally(commit=commit())
    tally.add(outcome)
    _say(f"{f.rule}: {f.text} (after entry {f.entry})" for f in outcome.failures)
    _say(iter((tally.summary(),)))
    return 1 if outcome.failures else 0


def _many(seeds: Sequence[int], jobs: int, keep: Path | None) -> int:
    tally = Tally(commit=commit())
    if keep is not None and keep.exists():
        tally.join(read(keep))
    left = [seed for seed in seeds if seed not in tally.fingerprints]
    progress = _Progress(len(left))
    failing: list[Outcome] = []
    with progress.shown():
        for number, outcome in enumerate(run_seeds(left, jobs=jobs), start=1):
            tally.add(outcome)
            failing += [outcome] if outcome.failures else []
            progress.done(tally)
            if keep is not None and (number % KEPT_EVERY == 0 or number == len(left)):
                kept(tally, keep)
    for number, outcome in enumerate(failing):
        _say(about_failure(outcome, shrunk(outcome) if number < SHRUNK_MAX else outcome))
    return _end(tally)


def _end(tally: Tally) -> int:
    """Print the table and the counts; the exit code."""
    due = tally.due()
    _say(table(tally.hits))
    _say(iter(("",)))
    _say(table_of_routing(tally.amid))
    _say(f"violation at seed {seed}: {text}" for seed, text in sorted(tally.violations.items()))
    _say(f"not tried: {each}" for each in due)
    _say(iter(("", tally.summary())))
    return 1 if tally.violations or due else 0


if __name__ == "__main__":
    sys.exit(main())
