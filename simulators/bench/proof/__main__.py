"""``python -m simulators.bench.proof``: explore the smallest cells and print what it came to.

Rules of this file: printing and arguments only. The exit code is 0 if nothing was wrong and everything was explored, 1 if not, 2 if the
question was wrong.
"""

import argparse
import gc
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor

from simulators.bench.proof.cells import CELLS
from simulators.bench.proof.explore import STATES_MAX, Explorer, Report, Step
from simulators.bench.proof.truth import Budget

KINDS = ("loss", "late", "restart", "hand", "fault")
ONE_OF_ANY = Budget(loss=1, late=1, restart=1, hand=1, fault=1, total=1)
TWO_OF_ANY = ONE_OF_ANY._replace(total=2)
START_IN_DOUBT = Budget(loss=1, late=1, hand=1, total=3)
"""What it takes to have a run started twice, if that were possible."""

Task = tuple[str, int, Budget]

PROOF: tuple[Task, ...] = (
    ("two", 2, ONE_OF_ANY),
    ("fed", 2, ONE_OF_ANY),
    ("single", 1, TWO_OF_ANY),
    ("counting", 1, TWO_OF_ANY),
    ("doorless", 1, TWO_OF_ANY),
    ("single", 1, START_IN_DOUBT),
    ("swap", 2, ONE_OF_ANY),
    ("single", 2, ONE_OF_ANY),
    ("counting", 2, ONE_OF_ANY),
    ("doorless", 2, ONE_OF_ANY),
)
"""What ``make proof`` explores, the longest first."""

HEADS = ("cell", "pallets", "trouble", "states", "transitions", "core states", "decisions", "s")


def budget_of(text: str) -> Budget:
    """A budget as text, like "loss=1,late=2,total=2". Without a total it is the sum.

    Raises:
        ValueError: a part is not a kind of trouble with a number.
    """
    counts: dict[str, int] = {}
    for part in filter(None, text.split(",")):
        kind, _, count = part.partition("=")
        if kind not in (*KINDS, "total") or not count.isdecimal():
            message = f"{part!r}: expected one of {', '.join(KINDS)} or total, like loss=1"
            raise ValueError(message)
        counts[kind] = int(count)
    return Budget(**{"total": sum(counts.values()), **counts})


def explore(task: Task) -> Report:
    """Explore one cell. Collecting garbage is left out: everything that is made stays."""
    gc.disable()
    cell, pallets, budget = task
    return Explorer(CELLS[cell](pallets), budget).explore(states_max=STATES_MAX)


def table(reports: Sequence[Report]) -> str:
    """The figures of explorations, one line each."""
    rows = [HEADS, *(_row(report) for report in reports)]
    widths = [max(len(row[at]) for row in rows) for at in range(len(HEADS))]
    lines = [
        "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in rows
    ]
    return "\n".join(lines)


def _row(report: Report) -> tuple[str, ...]:
    figures = (report.states, report.transitions, report.core_states, report.decisions)
    return (
        report.cell,
        str(report.pallets),
        in_words(report.budget),
        *(f"{figure:,}" for figure in figures),
        f"{report.seconds:.0f}",
    )


def in_words(budget: Budget) -> str:
    """A budget as ``budget_of`` takes it."""
    counts = [f"{kind}={getattr(budget, kind)}" for kind in KINDS if getattr(budget, kind)]
    return ",".join((*counts, f"total={budget.total}"))


def way_in_words(way: Sequence[Step]) -> str:
    """A way for people, and for the tests that keep it."""
    lines: list[str] = []
    for step in way:
        lines.append(f"{(step.text, step.script)!r},")
        lines += [f"      {told}" for told in step.told]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Explore what is asked for, or all that the proof consists of."""
    parser = argparse.ArgumentParser(prog="python -m simulators.bench.proof", description=__doc__)
    parser.add_argument("--cell", choices=sorted(CELLS), help="explore this cell only")
    parser.add_argument("--pallets", type=int, default=2, choices=(1, 2, 3))
    parser.add_argument("--budget", default="", help="trouble that may come, like loss=1,hand=1")
    asked = parser.parse_args(arguments)
    try:
        budget = budget_of(asked.budget)
    except ValueError as error:
        parser.error(str(error))
    tasks = ((asked.cell, asked.pallets, budget),) if asked.cell else PROOF
    with ProcessPoolExecutor(max_workers=min(len(tasks), os.cpu_count() or 1)) as pool:
        reports = list(pool.map(explore, tasks))
    print(table(reports))
    wrong = [report for report in reports if report.finding is not None or not report.closed]
    for report in wrong:
        print(f"\n{report.cell}, {report.pallets} pallets, {in_words(report.budget)}: wrong")
        if report.finding is not None:
            print(way_in_words(report.finding.way), *report.finding.what, sep="\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
