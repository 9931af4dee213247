"""A study as text for a terminal.

Rules of this file: every figure that has an interval shows it; shares are whole per cent; at 80 columns nothing is cut.
"""

from rich.console import Console
from rich.table import Table

from simulators.bench.study.results import Finding
from simulators.bench.study.run import Study
from supervisor.shift.causes import CAUSES, HANDLER_CAUSES, Cause

SHORT: dict[Cause, str] = {
    "measuring": "meas- uring",
    "evaluating": "eval- uating",
    "preparing": "pre- par- ing",
    "door": "door",
    "handler at work": "hand- ler at work",
    "waiting for handler": "waits for hand- ler",
    "blocked": "block- ed",
    "waiting for pallet": "waits for pal- let",
    "held": "held",
}


def show(console: Console, found: Study) -> None:
    """The cell as declared in full, then each change in one line."""
    declared = found.findings[0]
    several = f"{len(found.seeds)} seeds, ± is 95 % confidence"
    seeds = (
        several
        if len(found.seeds) > 1
        else "1 seed, which tells nothing of chance: more with --seeds"
    )
    console.print(
        f"{found.title} ({found.cell}): {declared.hours.mean:.3g} h of the cell's time; {found.supply}; {seeds}.",
        soft_wrap=True,
    )
    for line in headline(found):
        console.print(line, soft_wrap=True)
    console.print(_stations(declared))
    parts = ", ".join(f"{cause} {declared.handler[cause]:.0%}" for cause in HANDLER_CAUSES)
    console.print(f"Handler: {parts}.", soft_wrap=True)
    if len(found.findings) > 1:
        console.print(_changes(found))


def headline(found: Study) -> list[str]:
    """The figures of the cell as declared in sentences."""
    finding = found.findings[0]
    lines = [
        f"Throughput {finding.throughput_per_h.text(1)} parts per hour ({finding.parts_out.text(0)} parts)."
    ]
    if finding.gap is not None and finding.gap_as_they_came is not None:
        gap, came = (
            f"{each.text(1, factor=100)} %" for each in (finding.gap, finding.gap_as_they_came)
        )
        two = f" with all parts at hand at once, {came} longer than with the parts when they came"
        lines.append(
            f"Bottleneck {finding.busiest}. The work took {gap} longer than its lower bound{two if gap != came else ''}."
        )
    if finding.stayed_min is not None and finding.stayed_min_p95 is not None:
        lines.append(
            f"A part is in the cell for {finding.stayed_min.text(0)} min, 95 % of them for at most {finding.stayed_min_p95:.0f} min. "
            f"{found.queue_at.capitalize()} {finding.queue_mean.text(1)} pallets wait."
        )
    return lines


def _stations(finding: Finding) -> Table:
    table = Table(title="Where each station's time goes, in %", title_justify="left")
    table.add_column("station", overflow="fold")
    for cause in CAUSES:
        table.add_column(SHORT[cause].replace("- ", "-\n").replace(" ", "\n"), justify="right")
    table.add_column("runs", justify="right")
    for each in finding.stations:
        shares = [f"{each.shares[cause] * 100:.0f}" for cause in CAUSES]
        table.add_row(each.station, *shares, f"{each.runs:.0f}")
    return table


def _changes(found: Study) -> Table:
    table = Table(title="What a change would bring", title_justify="left")
    table.add_column("change", overflow="fold")
    for column in ("parts per hour", "gain in %", "bottleneck", "over bound in %"):
        table.add_column(column, justify="right")
    for each in found.findings:
        table.add_row(
            each.name,
            each.throughput_per_h.text(1),
            gain_text(each),
            each.busiest,
            "" if each.gap is None else each.gap.text(1, factor=100),
        )
    return table


def gain_text(finding: Finding) -> str:
    """The gain in per cent; one that may be luck says so."""
    if finding.gain is None:
        return ""
    doubt = "" if finding.gain.certain() or finding.gain.half_width is None else " (may be none)"
    return finding.gain.text(1, factor=100) + doubt
