"""A study as text for a terminal.

Rules of this file: every figure that has an interval shows it; shares are whole per cent; at 80 columns nothing is cut.
How long parts of each type stay is told where there are several types, or due times.
"""

import re

from rich.console import Console
from rich.table import Table

from simulators.bench.study.estimate import SEEDS_FEW, Estimate
from simulators.bench.study.results import Finding, PartTypeFinding
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


WHAT_IS_LATE = "Late is a part that is not out when it is due, by so many minutes on average. Counted are parts whose due time came before the end; all, if none was left in the cell."
NAME_LEAST = 16
"""Columns for the name of a variant, however narrow the terminal."""
NARROW = (0, 1, 0, 0)
"""Padding, so that eleven columns stand within 80."""


def show(console: Console, found: Study) -> None:
    """The cell as declared in full, then each change in one line."""
    declared = found.findings[0]
    console.print(
        f"{found.title} ({found.cell}): {declared.hours.mean:.3g} h of the cell's time; {found.supply}; {_seeds(len(found.seeds))}.",
        soft_wrap=True,
    )
    for line in headline(found):
        console.print(line, soft_wrap=True)
    console.print(_stations(declared))
    parts = ", ".join(f"{cause} {declared.handler[cause]:.0%}" for cause in HANDLER_CAUSES)
    console.print(f"Handler: {parts}.", soft_wrap=True)
    if types_are_told(found):
        console.print(_part_types(found))
    if anything_is_due(found):
        console.print(WHAT_IS_LATE, soft_wrap=True)
    if len(found.findings) > 1:
        console.print(_changes(found, console.width))


def _seeds(count: int) -> str:
    if count == 1:
        return "1 seed, which tells nothing of chance: more with --seeds"
    little = ", which tell little of chance: more with --seeds" if count <= SEEDS_FEW else ""
    return f"{count} seeds{little}; ± is 95 % confidence"


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


def anything_is_due(found: Study) -> bool:
    """Whether a share of late parts can be told of any variant."""
    return any(finding.late is not None for finding in found.findings)


def types_are_told(found: Study) -> bool:
    """Whether there is more to say than of all parts together."""
    types = {each.part_type for finding in found.findings for each in finding.part_types}
    return len(types) > 1 or anything_is_due(found)


def _stations(finding: Finding) -> Table:
    table = Table(
        title="Where each station's time goes, in %", title_justify="left", padding=NARROW
    )
    table.add_column("station", overflow="fold")
    for cause in CAUSES:
        table.add_column(
            SHORT[cause].replace("- ", "-\n").replace(" ", "\n"), justify="right", no_wrap=True
        )
    table.add_column("runs", justify="right", no_wrap=True)
    for each in finding.stations:
        shares = [f"{each.shares[cause] * 100:.0f}" for cause in CAUSES]
        table.add_row(each.station, *shares, f"{each.runs:.0f}")
    return table


def _part_types(found: Study) -> Table:
    """One row for each part type, under the name of the variant where there are several."""
    due = anything_is_due(found)
    title = "How long a part is in the cell, in min"
    table = Table(title=title, title_justify="left", min_width=len(title))
    table.add_column("part type", overflow="fold")
    for column in (
        "mean",
        "95 %\nwithin",
        *(("due\nafter", "late\nin %", "late\nby") if due else ()),
    ):
        table.add_column(column, justify="right")
    for finding in found.findings:
        if len(found.findings) > 1:
            table.add_section()
            table.add_row(f"{finding.name}:")
        for each in finding.part_types:
            table.add_row(each.part_type, *part_type_texts(each)[: 5 if due else 2])
    return table


def part_type_texts(each: PartTypeFinding) -> tuple[str, str, str, str, str]:
    """Mean and 95 % quantile of the minutes in the cell; minutes after which it is due, share late in per cent, minutes late."""
    return (
        "–" if each.stayed_min is None else each.stayed_min.text(0),
        "–" if each.stayed_min_p95 is None else f"{each.stayed_min_p95:.0f}",
        "" if each.due_min is None else f"{each.due_min:g}",
        late_text(each.late),
        "" if each.late_by_min is None else f"{each.late_by_min:.1f}",
    )


def late_text(late: Estimate | None) -> str:
    """A share of late parts in per cent."""
    return "" if late is None else late.text(0, factor=100)


def _changes(found: Study, width: int) -> Table:
    table = Table(title="What a change would bring", title_justify="left", padding=NARROW)
    due = anything_is_due(found)
    columns = (
        "parts\nper hour",
        "gain\nin %",
        *(("late\nin %",) if due else ()),
        "bottleneck",
        "over\nbound in %",
    )
    rows = [
        (
            each.throughput_per_h.text(1),
            gain_text(each).replace(" (", "\n("),
            *((late_text(each.late),) if due else ()),
            each.busiest,
            "" if each.gap is None else each.gap.text(1, factor=100),
        )
        for each in found.findings
    ]
    table.add_column("change", overflow="fold")
    taken = 3
    for header, *cells in zip(columns, *rows, strict=True):
        table.add_column(header, justify="right", no_wrap=True)
        taken += 2 + max(len(line) for cell in (header, *cells) for line in cell.split("\n"))
    for each, row in zip(found.findings, rows, strict=True):
        table.add_row(_lines_of(each.name, max(NAME_LEAST, width - taken)), *row)
    return table


def _lines_of(name: str, width: int) -> str:
    """The name of a variant in lines of this width, broken between its changes, else where a key has a dot or a value begins: never within a number."""
    lines: list[str] = []
    for change in name.split(" "):
        key, equals, value = change.partition("=")
        pieces = [*re.findall(r"[^.]+\.?", key), equals + value]
        lines.append(pieces[0])
        if len(lines) > 1 and len(f"{lines[-2]} {change}") <= width:
            lines[-2:] = [f"{lines[-2]} {change}"]
            continue
        for piece in pieces[1:]:
            if len(lines[-1] + piece) <= width:
                lines[-1] += piece
            else:
                lines.append(f"  {piece}")
    return "\n".join(lines)


def gain_text(finding: Finding) -> str:
    """The gain in per cent; one that may be luck says so."""
    if finding.gain is None:
        return ""
    doubt = "" if finding.gain.certain() or finding.gain.half_width is None else " (may be none)"
    return finding.gain.text(1, factor=100) + doubt
