"""One bench run from start to report: ``pointsman bench`` and ``make demo``.

Rules of this file:
- With ``--json`` exactly one JSON object goes to standard output and nothing else.
- Progress is shown only when a person watches; with a person at a terminal the page stays up until interrupted, also while the cell waits
  for an answer.
"""

import json
import sys
import tempfile
import time
from collections.abc import Generator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from simulators.bench.checks import findings
from simulators.bench.ports import free_ports
from simulators.bench.report import Report, Story, report_of
from simulators.bench.run import Json, Watch, running, wait_finished
from simulators.bench.staging import Stage, Wishes, prepare
from simulators.servers.floor_file import truth_path, violations_path
from supervisor.core.decide import Core
from supervisor.shell.replay import replay
from supervisor.store.opening import open_archive


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What was asked for on the command line. ``port`` 0 = any free one; ``keep`` = a folder for the run that stays."""

    wishes: Wishes
    port: int
    output: str
    keep: Path | None


def run(options: Options) -> int:
    """Run the cell, report, and return the exit code: 0 all is well, 1 something is not."""
    console = Console(stderr=options.output == "json")
    with _folder(options.keep) as folder:
        stage = prepare(options.wishes, folder)
        port = options.port or free_ports(1)[0]
        with running(stage, speed=options.wishes.speed, port=port) as live:
            linger = sys.stdin.isatty() and console.is_terminal and options.output != "json"
            _work(console, live.watch, stage, options, "a person" if linger else "nobody")
            records = len(stage.pallets)
            if linger:
                _show(console, report_of_run(stage))
                _stay(console, live.watch, records)
        report = report_of_run(stage)
    if options.output == "json":
        sys.stdout.write(json.dumps(report.as_json()) + "\n")
    elif not linger:
        _show(console, report)
    return 0 if report.all_well() else 1


@contextmanager
def _folder(keep: Path | None) -> Generator[Path]:
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=False)
        yield keep
        return
    with tempfile.TemporaryDirectory(prefix="pointsman-bench-") as name:
        yield Path(name)


# --- while it runs ----------------------------------------------------------------------------------------------------------------


def _work(
    console: Console,
    watch: Watch,
    stage: Stage,
    options: Options,
    watched_by: Literal["nobody", "a person"],
) -> None:
    """Wait for the cell to finish, with a live line when a person watches."""
    console.print(
        f"The cell's page is at [bold]{watch.address}/[/bold] (speed {options.wishes.speed:g}, seed {options.wishes.seed})"
    )
    begun = time.monotonic()
    with Live(console=console, refresh_per_second=4, transient=True) as live:

        def tell(cell: Json, done: int) -> None:
            if console.is_terminal:
                live.update(_progress(cell, done, len(stage.pallets), time.monotonic() - begun))

        wait_finished(watch, stage, tell, watched_by=watched_by)


def _progress(cell: Json, done: int, pallets: int, elapsed_s: float) -> Text:
    """Two lines that fit a terminal of 80 columns: how far it is, and what the handler does and why."""
    counts = cell["counts"]
    carry = cell["handler"]["carry"]
    doing = f"waits: {cell['stay'] or 'nothing to carry'}"
    if carry:
        doing = f"takes {carry['pallet']} to {carry['target']}: {carry['why']}"
    bar = "█" * round(10 * done / pallets)
    return Text(
        f"{elapsed_s:4.0f} s [{bar:<10}] {done}/{pallets} decided, "
        f"{counts['stations_connected']}/{counts['stations']} stations, "
        f"pallets inside: {counts['pallets']}, holds: {counts['holds']}\n       handler {doing}",
        no_wrap=True,
        overflow="ellipsis",
    )


def _stay(console: Console, watch: Watch, records: int) -> None:
    console.print(
        f"All {records} parts are done. The page stays up at {watch.address}/ until you press Ctrl-C.",
        soft_wrap=True,
    )
    try:
        while True:
            time.sleep(1.0)
    except KeyboardInterrupt:
        console.print("ending")


# --- afterwards -------------------------------------------------------------------------------------------------------------------


def report_of_run(stage: Stage) -> Report:
    """Fold the journal, verify its chain, replay it, and check its records against the truth."""
    with open_archive(stage.database) as archive:
        fault = archive.verify().fault
        entries = list(archive.journal.read(1))
        replayed = replay(lambda _: Core(stage.cell), entries)
    story = Story(lambda _: Core(stage.cell), entries)
    truth = _lines(truth_path(stage.floor))
    serials = [pallet.serial for pallet in stage.pallets]
    return report_of(
        story,
        violations=[
            f"{line['who']}: {line['text']}" for line in _lines(violations_path(stage.floor))
        ],
        findings=findings(stage.cell, story.records, truth, serials),
        journal_verified=fault is None,
        replay_differences=replayed.differences,
    )


def _lines(path: Path) -> list[Json]:
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text().splitlines()]


def _show(console: Console, report: Report) -> None:
    """The two tables a person reads."""
    parts = Table(title="Parts")
    for column in ("part", "type", "verdict", "decided by", "time in cell"):
        parts.add_column(column)
    for line in report.parts:
        deciding = ", ".join(f"{station} {count}" for station, count in line.decided_by.items())
        stayed = "inside" if line.time_in_cell_s is None else f"{line.time_in_cell_s / 60:.1f} min"
        parts.add_row(line.serial, line.part_type, line.verdict, deciding, stayed)
    console.print(parts)
    stations = Table(title="Stations")
    for column in ("station", "utilisation", "visits", "begun with a swap"):
        stations.add_column(column)
    for name, station in report.stations.items():
        stations.add_row(
            name, f"{station.utilisation:.0%}", str(station.visits), str(station.swaps)
        )
    console.print(stations)
    console.print(
        f"{report.swaps} of {report.exchanges} exchanges were swaps; the whole took {report.makespan_s / 60:.1f} min of the cell's time; "
        f"{report.entries} facts journalled, chain {'verified' if report.journal_verified else 'BROKEN'}, "
        f"{report.replay_differences} differences in replay.",
        soft_wrap=True,
    )
    for text in (*report.violations, *report.findings):
        console.print(f"[bold red]NOT WELL[/bold red] {text}")
