"""The command line: ``pointsman``.

Rules of this file:
- Exit codes: 0 done, 1 the answer is no, 2 the input is wrong, 3 a defect of ours.
- Every verb has ``--json``: then standard output carries JSON and nothing else. Messages and progress go to standard error, progress only
  where a person watches.
- No traceback reaches a person; a defect is written to a file that the message names.
"""

import asyncio
import logging
import os
import sys
import tempfile
import textwrap
import traceback
from collections import Counter
from collections.abc import Callable, Coroutine, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import typer

from supervisor.commission_verbs import verbs as commission_verbs
from supervisor.custody import Heads, PublicKey, SigningKeyFile, verbs
from supervisor.key_verbs import verbs as key_verbs
from supervisor.planning import verbs as plan_verbs
from supervisor.terminal import (
    DEFECT,
    DONE,
    INPUT_WRONG,
    KEYS_FOLDER,
    NO,
    Journal,
    Json,
    KeysFolder,
    become,
    end,
    print_json,
    say,
)

if TYPE_CHECKING:
    from rich.table import Table

    from supervisor.api.decision_view import DecisionsView
    from supervisor.api.record_view import RecordView
    from supervisor.api.shift_view import ShiftView
    from supervisor.app import Serving, Settings
    from supervisor.core.decide import Core
    from supervisor.process.gauge_study import GaugeStudy
    from supervisor.shell.ports import JournalEntry
    from supervisor.shell.replay import ReplayReport
    from supervisor.shift.fold import ShiftFigures
    from supervisor.store.opening import Archive
    from supervisor.verdict.plan_table import PlanTable

INPUT_CODES = (
    "address-wrong", "driver-missing", "no-journal", "schema-other",
    "no-backup", "backup-there", "store-there",
    "head-unreadable", "key-there", "key-unusable", "key-exposed",
)  # fmt: skip
DATABASE = "pointsman.db"
SHADOW_DATABASE = "pointsman-shadow.db"
FILE_WIDTH = 140
"""Columns of a table that nobody reads at a terminal."""
FACT_WIDTH = 300
"""Characters of a fact on the screen; ``--json`` has all of them."""

ANSWER_S_MAX = 10
"""How long a running supervisor may take to answer."""
CHOICES_MAX = 5_000
"""How many choices back ``explain`` looks in a journal."""
PALLETS_SHOWN = 20
"""How many pallets ``explain`` names to one who asked for another."""

cli = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Supervises one automated inspection cell. It performs no safety function.",
)
cli.add_typer(verbs)
cli.add_typer(plan_verbs, name="plan")
cli.add_typer(key_verbs, name="keys")
cli.add_typer(commission_verbs)

Folder = Annotated[
    Path, typer.Argument(exists=True, file_okay=False, help="The folder that declares the cell.")
]
Database = Annotated[
    str,
    typer.Option(
        envvar="POINTSMAN_DATABASE",
        help="A file name, sqlite:///FILE or postgresql://USER@HOST/DATABASE.",
    ),
]

Shadow = Annotated[
    bool,
    typer.Option("--shadow", help="Observe and decide, and order nothing."),
]
KeptHead = Annotated[
    Path | None,
    typer.Option(
        "--head-file",
        envvar="POINTSMAN_HEAD_FILE",
        help="Where to keep the last durable head; without one beside a SQLite database.",
    ),
]
StandBy = Annotated[
    bool, typer.Option("--standby", help="Wait while another supervisor drives the cell.")
]
LeaseLength = Annotated[
    float,
    typer.Option(
        min=0.2, max=60, help="Seconds without a sign of life after which a standby takes over."
    ),
]
FenceAbove = Annotated[
    int, typer.Option(min=0, max=2**31 - 1, help="For machines that refuse our fence as too low.")
]


# --- serve ---------------------------------------------------------------------------------------------------------------------


@cli.command()
def serve(
    cell: Folder,
    *,
    database: Database = DATABASE,
    host: Annotated[
        str, typer.Option(envvar="POINTSMAN_HOST", help="Where page and interface listen.")
    ] = "127.0.0.1",
    port: Annotated[
        int,
        typer.Option(envvar="POINTSMAN_PORT", min=0, max=65_535, help="0 takes any free one."),
    ] = 8_000,
    speed: Annotated[
        float,
        typer.Option(min=0.001, max=1_000, help="For simulated machines that run faster."),
    ] = 1.0,
    signing_key: SigningKeyFile = None,
    head_file: KeptHead = None,
    head: Heads = None,
    key: PublicKey = None,
    standby: StandBy = False,
    lease: LeaseLength = 2.0,
    fence_above: FenceAbove = 0,
    keys: KeysFolder = KEYS_FOLDER,
    shadow: Shadow = False,
    as_json: Json = False,
) -> None:
    """Drive a cell until told to end (Ctrl-C, SIGTERM)."""
    from supervisor.app import Settings

    settings = Settings(
        cell=cell,
        database=SHADOW_DATABASE if shadow and database == DATABASE else database,
        host=host,
        port=port,
        speed=speed,
        signing_key=signing_key,
        head_file=head_file,
        heads=tuple(head or ()),
        head_key=key,
        rival="stand by" if standby else "refuse",
        lease_s=lease,
        fence_above=fence_above,
        keys=keys,
        orders="withheld" if shadow else "sent",
    )
    if settings.reach() == "the network":
        say(f"Anybody who reaches {host} can release holds: there is no sign-in yet.")
    _drive(settings, "json" if as_json else "text")


def _drive(settings: "Settings", form: Literal["json", "text"]) -> None:
    """Drive until told to end; what cannot be driven is said with what to do."""
    from supervisor.app import AddressTaken, WrongJournal
    from supervisor.app import serve as drive
    from supervisor.cell.problem import DeclarationError
    from supervisor.stations.trust import KeysWrong

    logging.basicConfig(format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    logging.getLogger("supervisor").setLevel(logging.INFO)
    try:
        _run(lambda: drive(settings, lambda serving: _announce(serving, form)))
    except DeclarationError as wrong:
        end(INPUT_WRONG, f"{wrong}\nMend it, then look with: pointsman check {settings.cell}")
    except (KeysWrong, WrongJournal) as wrong:
        end(INPUT_WRONG, str(wrong))
    except AddressTaken as taken:
        end(NO, f"{taken}. Choose another with --port.")


def _announce(serving: "Serving", form: Literal["json", "text"]) -> None:
    """Say where it listens, and whether it drives or stands by."""
    if form == "json":
        print_json(
            {
                "url": serving.url,
                "cell": serving.cell,
                "database": serving.database,
                "role": serving.role,
                "fence": serving.fence,
            }
        )
    elif serving.role == "standing by":
        print(f"Standing by for cell {serving.cell}: {serving.url}", flush=True)
    elif serving.role == "in the shadow":
        print(f"In the shadow of cell {serving.cell}, sends nothing: {serving.url}", flush=True)
    else:
        print(f"Cell {serving.cell}: {serving.url} (journal in {serving.database})", flush=True)


def _run(work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run the process's one event loop."""
    try:
        from uvloop import new_event_loop
    except ModuleNotFoundError:
        new_event_loop = None
    with asyncio.Runner(loop_factory=new_event_loop) as runner:
        runner.run(work())


# --- check ---------------------------------------------------------------------------------------------------------------------


@cli.command()
def check(cell: Folder, *, as_json: Json = False) -> None:
    """Check a cell's declaration and tell what it declares."""
    from supervisor.cell.report import check_cell

    report = check_cell(cell)
    if as_json:
        print_json(report.as_json())
    else:
        print(report.as_text(), end="")
    raise typer.Exit(DONE if report.ok else NO)


# --- record --------------------------------------------------------------------------------------------------------------------


@cli.command()
def record(
    serial: Annotated[str, typer.Argument(help="The part's serial number.")],
    *,
    database: Database = DATABASE,
    part_type: Annotated[
        str, typer.Option(help="Needed where parts of several types share the serial number.")
    ] = "",
    as_json: Json = False,
) -> None:
    """Show the record of a part: its verdict, and what it follows from."""
    import msgspec

    from supervisor.api.record_view import record_view

    with _archive(database) as archive:
        found = archive.records.revisions(serial, part_type=part_type)
        note = archive.head_note()
    if not found:
        end(NO, f"There is no record of part {serial} in {database}.")
    part_types = sorted({kept.record.part_type for kept in found})
    if len(part_types) > 1:
        end(INPUT_WRONG, f"{serial} is a part of types {', '.join(part_types)}: add --part-type.")
    view = record_view(found[0])
    if as_json:
        print_json({**view.model_dump(), "journal_head": msgspec.structs.asdict(note)})
    else:
        _print_record(view)
        print(f"Journal head: {note.text()}")


def _print_record(record: "RecordView") -> None:
    from rich.console import Console

    console = Console(
        highlight=False, markup=False, width=None if sys.stdout.isatty() else FILE_WIDTH
    )
    console.print(f"{record.verdict}: part {record.serial}, {record.part_type}")
    console.print(f"{record.why}\n")
    console.print(_findings(record))
    print("\nRuns that decided:")
    for (station, program, revision, run), count in _deciding_runs(record).items():
        print(f"  {station}, {program} revision {revision}, run {run}: {count} characteristics")
    print(
        f"Pallet {record.pallet}, batch {record.batch}, plan revision {record.plan_revision}, {record.rule}.\n"
        f"Entered {record.entered_at}, decided {record.decided_at}, record revision {record.revision}, journal entry {record.seq}."
    )


def _findings(record: "RecordView") -> "Table":
    """One row per characteristic; on a narrow terminal only names break, figures and verdicts never do."""
    from rich.table import Table

    from supervisor.web.rendering import measured, number

    table = Table(box=None, pad_edge=False, padding=(0, 1))
    table.add_column("No.")
    table.add_column("Characteristic", overflow="fold", min_width=12)
    for column in ("Value", "Lower", "Upper"):
        table.add_column(column, justify="right", no_wrap=True)
    table.add_column("Unit", no_wrap=True)
    table.add_column("U", justify="right", no_wrap=True)
    table.add_column("Verdict", no_wrap=True)
    table.add_column("Station", no_wrap=True)
    for finding in record.findings:
        decided = finding.decided_by
        table.add_row(
            finding.number,
            f"{finding.name}, {finding.kind}",
            measured(decided),
            number(finding.lower),
            number(finding.upper),
            finding.unit,
            number(decided.expanded_u if decided else None),
            finding.verdict,
            decided.station if decided else "–",
        )
    return table


def _deciding_runs(record: "RecordView") -> Counter[tuple[str, str, str, str]]:
    """How many characteristics each run decided: station, program, its revision, run."""
    deciding = (finding.decided_by for finding in record.findings)
    return Counter(
        (each.station, each.program, each.program_revision, each.run_id)
        for each in deciding
        if each is not None
    )


# --- explain -------------------------------------------------------------------------------------------------------------------


@cli.command()
def explain(
    pallet: Annotated[str, typer.Argument(help="The pallet's id, as the page shows it.")],
    *,
    database: Database = DATABASE,
    url: Annotated[
        str, typer.Option(help="Ask a running supervisor instead, such as http://127.0.0.1:8000.")
    ] = "",
    last: Annotated[int, typer.Option(min=1, help="How many of its moves to tell.")] = 3,
    as_json: Json = False,
) -> None:
    """Tell why a pallet went where it went, or why it waits: from a journal, or from a running supervisor."""
    from supervisor.api.decision_text import about_pallet

    decisions = _decisions_asked(url) if url else _decisions_retold(database)
    lines = about_pallet(decisions.decisions, pallet, last)
    if not lines:
        known = list(dict.fromkeys(each.pallet for each in decisions.decisions if each.pallet))
        end(NO, f"No choice was about {pallet} in {url or database}{_there_are(known)}")
    if as_json:
        about = [
            each
            for each in decisions.decisions
            if pallet in (each.pallet, each.displaced)
            or any(other.what.split(" to ")[0] == pallet for other in each.alternatives)
        ]
        print_json({"pallet": pallet, "decisions": [each.model_dump() for each in about]})
    else:
        print("\n".join(lines))


def _there_are(known: list[str]) -> str:
    """The pallets that choices were about, the newest first, as the end of a sentence."""
    if not known:
        return ", where none was made."
    shown, more = known[:PALLETS_SHOWN], len(known) - PALLETS_SHOWN
    rest = [f"and {more} older ones"] if more > 0 else []
    return "\n  ".join([". The newest choices there were about:", *shown, *rest])


def _decisions_asked(url: str) -> "DecisionsView":
    """The recent choices of a running supervisor."""
    import http.client
    import urllib.request

    from pydantic import ValidationError

    from supervisor.api.decision_view import DecisionsView

    if not url.startswith(("http://", "https://")):
        end(INPUT_WRONG, f"{url} is no address: expected http://HOST:PORT.")
    asked = f"{url.rstrip('/')}/api/v1/decisions?limit=500"
    try:
        with urllib.request.urlopen(asked, timeout=ANSWER_S_MAX) as answer:  # noqa: S310 - http and https only
            return DecisionsView.model_validate_json(answer.read())
    except (OSError, http.client.HTTPException, ValidationError) as error:
        end(INPUT_WRONG, f"No supervisor answers at {url}: {error}. Is it running there?")


def _decisions_retold(database: str) -> "DecisionsView":
    """The newest choices behind a journal, decided once more."""
    from collections import deque

    from supervisor.api.decision_view import decisions_view
    from supervisor.cell.canonical import cell_from_json
    from supervisor.core.decide import Core
    from supervisor.shell.retold import choices_again

    with _archive(database) as archive:
        cores = {
            digest: Core(cell_from_json(archive.declarations.text(digest)))
            for digest in archive.declarations.digests()
        }
        entries = _counted(archive.journal.read(1), archive.journal.head().seq)
        choices = deque(choices_again(cores.__getitem__, entries), maxlen=CHOICES_MAX)
    return decisions_view(choices, pallet="", limit=CHOICES_MAX)


# --- replay --------------------------------------------------------------------------------------------------------------------


@cli.command()
def replay(journal: Journal, *, as_json: Json = False) -> None:
    """Decide every entry of a journal again, and tell where this version decides otherwise."""
    from supervisor.shell.replay import replay as decide_again

    with _archive(journal) as archive:
        cores = _cores(archive)
        entries = _counted(archive.journal.read(1), archive.journal.head().seq)
        report = decide_again(cores.__getitem__, entries)
    if as_json:
        print_json(_replayed(report))
    else:
        _print_replay(journal, report)
    raise typer.Exit(NO if report.differences or report.broken else DONE)


def _cores(archive: "Archive") -> "dict[str, Core]":
    """The core of each declaration that a store keeps, by its digest."""
    from supervisor.cell.canonical import cell_from_json
    from supervisor.core.decide import Core

    return {
        digest: Core(cell_from_json(archive.declarations.text(digest)))
        for digest in archive.declarations.digests()
    }


def _replayed(report: "ReplayReport") -> dict[str, Any]:
    first = report.first
    shown = None
    if first is not None:
        shown = {
            "seq": first.seq,
            "fact": _said(first.event),
            "recorded": [_said(command) for command in first.recorded],
            "decided": [_said(command) for command in first.decided],
            "raised": first.raised,
        }
    return {
        "entries": report.entries,
        "differences": report.differences,
        "first": shown,
        "end_fingerprint": report.end_fingerprint,
        "broken": list(report.broken),
    }


def _said(said: object) -> list[object]:
    import msgspec

    return [type(said).__name__, msgspec.json.decode(msgspec.json.encode(said))]


def _print_replay(journal: str, report: "ReplayReport") -> None:
    from supervisor.shell.replay import where_they_differ

    print(f"{journal}: {report.entries} entries, {report.differences} decided otherwise.")
    first = report.first
    if first is not None:
        print(f"First at entry {first.seq}: {textwrap.shorten(str(first.event), FACT_WIDTH)}")
        for line in [first.raised] if first.raised else where_they_differ(first):
            print(f"  {line}")
    for invariant in report.broken:
        print(f"The end state is broken: {invariant}")


# --- shift ---------------------------------------------------------------------------------------------------------------------


@cli.command()
def shift(
    journal: Journal,
    *,
    since: Annotated[
        str, typer.Option("--from", help="RFC 3339 time with offset; default: the first entry.")
    ] = "",
    until: Annotated[
        str, typer.Option("--to", help="RFC 3339 time with offset; default: the last entry.")
    ] = "",
    as_json: Json = False,
) -> None:
    """Tell where the time between two moments went, and how far the cell was from best."""
    from supervisor.api.shift_view import shift_view

    from_ms, to_ms = _moment("--from", since), _moment("--to", until)
    if from_ms is not None and to_ms is not None and to_ms < from_ms:
        end(INPUT_WRONG, f"The end, --to {until}, is before the beginning, --from {since}.")
    with _archive(journal) as archive:
        entries = _counted(archive.journal.read(1), archive.journal.head().seq)
        figures = _figures(_cores(archive), entries, from_ms, to_ms)
    if figures is None:
        end(NO, f"Nothing happened in {journal} between these times.")
    view = shift_view(figures, "asked")
    if as_json:
        print_json(view.model_dump())
    else:
        _print_shift(view)


def _moment(option: str, text: str) -> int | None:
    from supervisor.api.schema import milliseconds

    try:
        return milliseconds(text) if text else None
    except ValueError:
        end(INPUT_WRONG, f"{option}: expected a time such as 2026-11-25T06:00:00Z, found {text}")


def _figures(
    cores: "dict[str, Core]",
    entries: Iterable["JournalEntry"],
    from_ms: int | None,
    to_ms: int | None,
) -> "ShiftFigures | None":
    """Fold a journal to its states, and the states between two moments to figures. A new declaration begins them anew."""
    from supervisor.shell.fold import Fold
    from supervisor.shift.fold import ShiftFold

    states = Fold(cores.__getitem__)
    taken: ShiftFold | None = None
    declaration = ""
    for entry in entries:
        if to_ms is not None and entry.at_ms > to_ms:
            break
        if from_ms is not None and states.started() and entry.at_ms >= from_ms and taken is None:
            taken, declaration = (
                ShiftFold(cores[states.declaration].tables.cell),
                states.declaration,
            )
            taken.take(states.state, from_ms)
        states.take(entry.event, entry.at_ms)
        if states.declaration != declaration and (from_ms is None or entry.at_ms >= from_ms):
            if taken is not None:
                say(f"The cell was declared anew with entry {entry.seq}: the figures begin there.")
            taken, declaration = (
                ShiftFold(cores[states.declaration].tables.cell),
                states.declaration,
            )
        if taken is not None:
            taken.take(states.state, entry.at_ms)
    return None if taken is None else taken.figures(to_ms)


def _print_shift(view: "ShiftView") -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console(
        highlight=False, markup=False, width=None if sys.stdout.isatty() else FILE_WIDTH
    )
    print(
        f"{view.begun_at} to {view.until}: {view.parts_out} part{'' if view.parts_out == 1 else 's'} out, {view.parts_per_h:.1f} per hour."
    )
    if view.bound is not None:
        gap, came = f"{100 * view.bound.gap:.1f} %", f"{100 * view.bound.gap_as_they_came:.1f} %"
        two = f" with all parts at hand at once, {came} longer than with the parts when they came"
        print(
            f"Bottleneck {view.bound.bottleneck}. The finished work took {gap} longer than its lower bound{two if gap != came else ''}."
        )
    table = Table(box=None, pad_edge=False, padding=(0, 1), title="Share of time in %")
    table.add_column("")
    for spent in view.stations[0].spent:
        table.add_column(spent.cause, justify="right", overflow="fold")
    for station in view.stations:
        table.add_row(station.station, *(f"{spent.share * 100:.0f}" for spent in station.spent))
    console.print(table)
    print("Handler: " + ", ".join(f"{each.cause} {each.share:.0%}" for each in view.handler) + ".")


# --- studies -------------------------------------------------------------------------------------------------------------------


@cli.command()
def studies(
    journal: Journal,
    name: Annotated[
        str,
        typer.Argument(
            metavar="[STUDY]", help="Which one to show; all in a line each if left out."
        ),
    ] = "",
    *,
    as_json: Json = False,
) -> None:
    """Show the gauge studies that stand in a journal, also those that the running supervisor keeps no longer."""
    from supervisor.report.gauge import study_text

    with _archive(journal) as archive:
        entries = _counted(archive.journal.read(1), archive.journal.head().seq)
        found = _studies(_cores(archive), entries)
    if name and name not in found:
        end(
            NO, f"{journal} has no gauge study {name}: expected one of {', '.join(found) or 'none'}"
        )
    if not found:
        end(NO, f"{journal} has no gauge study.")
    if as_json:
        print_json(found[name] if name else list(found.values()))
    elif name:
        sys.stdout.write(study_text(found[name]))
    else:
        for each in found.values():
            print(_study_line(each))


def _study_line(plain: dict[str, Any]) -> str:
    parts = len(plain["pallets"])
    return (
        f"{plain['study']}: {plain['begun_at']}, {plain['program']} at {plain['station']}, {parts} part{'' if parts == 1 else 's'}, "
        f"{plain['done']} of {plain['runs']} runs, {plain['end'] or 'goes on'}"
    )


def _studies(
    cores: "dict[str, Core]", entries: Iterable["JournalEntry"]
) -> dict[str, dict[str, Any]]:
    """Every study of a journal by its name, the oldest first, as it stood last: folded, because a state keeps only the newest."""
    from supervisor.report.gauge import plain_study
    from supervisor.shell.fold import Fold

    states = Fold(cores.__getitem__)
    known: dict[str, tuple[GaugeStudy, PlanTable]] = {}
    newest: tuple[GaugeStudy, ...] = ()
    for entry in entries:
        states.take(entry.event, entry.at_ms)
        if states.state.studies is newest:
            continue
        newest = states.state.studies
        plans = cores[states.declaration].tables.plans
        for study in newest:
            table = plans.get(study.part_type) or known[study.study][1]
            known[study.study] = (study, table)
    return {name: plain_study(study, table) for name, (study, table) in known.items()}


# --- bench, study ---------------------------------------------------------------------------------------------------------------------


@cli.command(
    context_settings={
        "allow_extra_args": True,
        "ignore_unknown_options": True,
        "help_option_names": [],
    },
    add_help_option=False,
)
def bench(context: typer.Context) -> None:
    """Run a simulated cell with its page; --help lists the options."""
    become("simulators.bench", context.args)


@cli.command(
    context_settings={
        "allow_extra_args": True,
        "ignore_unknown_options": True,
        "help_option_names": [],
    },
    add_help_option=False,
)
def study(context: typer.Context) -> None:
    """Tell what a cell would achieve, in virtual time; 'study gauge CELL': whether a station measures well enough."""
    if context.args[:1] == ["gauge"]:
        from supervisor.gauge_verbs import verb

        verb(context.args[1:], prog_name="pointsman study gauge")
    become("simulators.bench.study", context.args)


# --- what the verbs share ------------------------------------------------------------------------------------------------------


def _archive(database: str) -> "Archive":
    from supervisor.store.opening import open_archive

    return open_archive(database)


def _counted(entries: Iterable["JournalEntry"], total: int) -> Iterator["JournalEntry"]:
    """Entries with progress, where a person watches."""
    if not sys.stderr.isatty():
        yield from entries
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(entries, total=total, console=Console(stderr=True), transient=True)


def main() -> None:
    """The entry point."""
    try:
        cli()
    except Exception as error:  # noqa: BLE001 - the last place that can turn it into words
        sys.exit(_failed(error))


def _failed(error: Exception) -> int:
    """Say what happened and how it counts."""
    from supervisor.store.errors import StoreError

    causes = list(_causes(error))
    stores = [cause for cause in causes if isinstance(cause, StoreError)]
    for cause in causes:
        say(str(cause) if cause in stores else f"Pointsman ended: {_reason(cause)}")
    if len(stores) == len(causes):
        return INPUT_WRONG if stores[0].code in INPUT_CODES else NO
    say(f"The details are in {_written(error)}: please report them.")
    return DEFECT


def _causes(error: BaseException) -> Iterator[BaseException]:
    """The single errors in a group, or the error itself."""
    if not isinstance(error, BaseExceptionGroup):
        yield error
        return
    inner: tuple[BaseException, ...] = cast("Any", error).exceptions
    for each in inner:
        yield from _causes(each)


def _reason(cause: BaseException) -> str:
    notes = ", ".join(getattr(cause, "__notes__", ()))
    return f"{type(cause).__name__}: {cause}{' ' if notes else ''}{notes}"


def _written(error: BaseException) -> str:
    descriptor, name = tempfile.mkstemp(prefix="pointsman-defect-", suffix=".txt")
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write("".join(traceback.format_exception(error)))
    return name
