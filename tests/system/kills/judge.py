"""What a run with kills came to: the supervisor's account against what the machines witnessed.

Rules of this file:
- The truth is the floor file's: each start, result, acknowledgement and move that a machine carried out, whoever asked for it.
- The journal is read for what the supervisor claims and asked for; nothing here asks a rule of the core whether it was right.
- A finding is a sentence; no finding means that all is well.
"""

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from simulators.bench.bench import report_of_run
from simulators.bench.staging import Stage
from simulators.servers.floor_file import truth_path
from supervisor.core.commands import MoveHandler
from supervisor.core.decide import Core
from supervisor.core.events import ResultArrived, StationObserved, SupervisorStarted, TagRead
from supervisor.core.state import CellState
from supervisor.shell.fold import Fold
from supervisor.shell.ports import JournalEntry
from supervisor.store.opening import open_archive

Fact = Mapping[str, Any]
Machines = Literal["untouched", "disturbed"]
UNDER_WAY = ("starting", "measuring", "evaluating", "finished")


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What is wrong, and what the restarts did.

    ``adopted``: runs that a new process found at work and followed to their result; ``fetched``: results that were finished while
    nobody drove the cell; ``tags``: tags read again of pallets that were known; ``aside``: results kept aside as nobody's.
    """

    findings: tuple[str, ...]
    entries: int
    restarts: int
    adopted: int
    fetched: int
    tags: int
    aside: int
    holds: tuple[tuple[str, int], ...]


def judge(stage: Stage, *, machines: Machines) -> Judgement:
    """Judge a finished run. ``machines`` "untouched": no machine was ever disturbed, so nothing may be repeated or asked."""
    truth = [json.loads(line) for line in truth_path(stage.floor).read_text().splitlines()]
    with open_archive(stage.database) as archive:
        story = Story(stage, archive.journal.read(1))
    found = [
        *_report(stage, truth),
        *_starts(truth),
        *_forgotten(truth, story),
        *_pallets(stage, truth),
    ]
    found += story.unproven
    if machines == "untouched":
        found += [*_repeated(truth), *_lost(truth, story)]
        found += [f"a person was asked about {code}" for code in sorted(story.holds)]
    return Judgement(
        findings=tuple(found),
        entries=story.entries,
        restarts=story.starts - 1,
        adopted=len(story.adopted),
        fetched=len(story.fetched),
        tags=story.tags,
        aside=story.aside,
        holds=tuple(sorted(story.holds.items())),
    )


class Story:
    """The journal, folded once."""

    def __init__(self, stage: Stage, entries: Iterable[JournalEntry]) -> None:
        self.entries = self.starts = self.tags = self.aside = 0
        self.holds: Counter[str] = Counter()
        self.arrived: dict[str, ResultArrived] = {}
        self.adopted: set[str] = set()
        self.fetched: set[str] = set()
        self.unproven: list[str] = []
        self._known_holds: set[str] = set()
        self._at_work: set[str] = set()
        self._over_restart: dict[str, str] = {}
        self._looked_at: set[str] = set()
        self._places = {place.place for place in stage.cell.places}
        fold: Fold[CellState] = Fold(lambda _: Core(stage.cell))
        for entry in entries:
            self.entries += 1
            self._look_before(fold, entry)
            fold.take(entry.event, entry.at_ms)
            self._look_after(fold.state, entry)
        self.aside = len(fold.state.unassigned)

    def _look_before(self, fold: Fold[CellState], entry: JournalEntry) -> None:
        match entry.event:
            case SupervisorStarted():
                self.starts += 1
                self._looked_at.clear()
                self._at_work.clear()
                if fold.started():
                    runs = [s.run for s in fold.state.stations.values() if s.run is not None]
                    self._over_restart |= {run.run_id: run.stage for run in runs}
            case StationObserved(work="running" | "part free") as seen:
                self._at_work.add(seen.station)
            case ResultArrived() as result:
                self._result(result)
            case TagRead() as tag:
                self._looked_at.add(tag.place)
                pallet = fold.state.places[tag.place].pallet
                self.tags += pallet in fold.state.pallets and bool(
                    fold.state.pallets[pallet].serial
                )

    def _result(self, result: ResultArrived) -> None:
        run_id = _run_name(result.run_id)
        if run_id in self.arrived:
            return
        self.arrived[run_id] = result
        stage = self._over_restart.get(run_id)
        if stage in UNDER_WAY:
            seen_at_work = result.station in self._at_work
            (self.adopted if seen_at_work else self.fetched).add(run_id)

    def _look_after(self, state: CellState, entry: JournalEntry) -> None:
        for name in state.holds.keys() - self._known_holds:
            self.holds[state.holds[name].code] += 1
            self._known_holds.add(name)
        for command in entry.commands:
            if isinstance(command, MoveHandler):
                self._moved(command, entry.seq)

    def _moved(self, order: MoveHandler, seq: int) -> None:
        """Nothing is fetched from a place that this process has not had read, or has not filled itself."""
        if order.place not in self._places:
            return
        if order.put:
            self._looked_at.add(order.place)
        elif order.picked and order.place not in self._looked_at:
            self.unproven.append(
                f"entry {seq}: {order.picked} was fetched from {order.place} before its tag was read again"
            )


def _run_name(text: str) -> str:
    """A run's name as text; a machine that takes integers echoes the number alone."""
    return text if text.startswith("R") else f"R{text}"


def _facts(truth: Sequence[Fact], fact: str) -> Iterator[Fact]:
    return (entry for entry in truth if entry["fact"] == fact)


def _report(stage: Stage, truth: Sequence[Fact]) -> Iterator[str]:
    """Violations, records against the truth, the chain, and the replay.

    A part that people took out and put back has a record of each visit: for the cell it had left.
    """
    report = report_of_run(stage)
    yield from report.violations
    back = {fact["pallet"] for fact in _facts(truth, "put back")}
    again = tuple(f"part {each.serial} has " for each in stage.pallets if each.pallet in back)
    for finding in report.findings:
        if not finding.startswith(again) or finding.endswith(" has 0 records"):
            yield finding
    if not report.journal_verified:
        yield "the journal does not verify"
    if report.replay_differences:
        yield f"{report.replay_differences} entries are decided otherwise in replay"


def _starts(truth: Sequence[Fact]) -> Iterator[str]:
    counts = Counter((fact["who"], fact["run_id"]) for fact in _facts(truth, "started"))
    for (station, run_id), count in sorted(counts.items()):
        if count > 1:
            yield f"{station} started run {run_id} {count} times"


def _repeated(truth: Sequence[Fact]) -> Iterator[str]:
    counts = Counter((fact["pallet"], fact["program"]) for fact in _facts(truth, "started"))
    for (pallet, program), count in sorted(counts.items()):
        if count > 1:
            yield f"{program} ran {count} times on {pallet}, although no machine failed"


def _forgotten(truth: Sequence[Fact], story: Story) -> Iterator[str]:
    """What a station was told to forget stands in the journal, and whatever stands there is what was measured."""
    for fact in _facts(truth, "acknowledged"):
        if fact["result"] == "kept" and _run_name(fact["run_id"]) not in story.arrived:
            yield f"the result of run {fact['run_id']} at {fact['who']} was acknowledged and never journalled"
    for fact in _facts(truth, "measured"):
        arrived = story.arrived.get(_run_name(fact["run_id"]))
        given = {str(value["number"]): value["value"] for value in fact["values"]}
        told = arrived and {value.number: value.value for value in arrived.values}
        if told not in (None, given):
            yield f"run {fact['run_id']} at {fact['who']} measured {given}, the journal says {told}"


def _lost(truth: Sequence[Fact], story: Story) -> Iterator[str]:
    """No machine forgot anything, so every result that was measured has been fetched."""
    for fact in _facts(truth, "measured"):
        if _run_name(fact["run_id"]) not in story.arrived:
            yield f"the result of run {fact['run_id']} at {fact['who']} was never journalled"


def _pallets(stage: Stage, truth: Sequence[Fact]) -> Iterator[str]:
    brought = Counter(fact["pallet"] for fact in _facts(truth, "brought"))
    taken = Counter(fact["pallet"] for fact in _facts(truth, "taken"))
    for pallet in stage.pallets:
        name = pallet.pallet
        if (brought[name], taken[name]) != (1, 1):
            yield f"{name} was brought {brought[name]} times and taken {taken[name]} times"
