"""The service killed at every step of its work, and machines that die: the short form of ``make kills``."""

import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import cached_property
from pathlib import Path
from typing import Any

import pytest

from simulators.bench.staging import Stage
from simulators.models import physics as physics_file
from simulators.servers.floor_file import truth_path, violations_path
from supervisor.cell.load import load_cell
from supervisor.core.events import TagRead
from supervisor.store.opening import open_archive
from tests.system.kills.judge import Story, judge
from tests.system.kills.machines import TROUBLES
from tests.system.kills.points import AT_THE_STORE
from tests.system.kills.sweep import FROM_OUTSIDE, POSITIONS

pytestmark = [pytest.mark.system, pytest.mark.timeout(400)]

Fact = dict[str, Any]
ASKED = {
    *("move-late", "handler-failed", "jaw-unknown", "nest-unknown"),
    *("rack-full", "pallet-twice", "identity-doubted"),
}
"""What people may be asked after a handler has forgotten its order (docs/explanation/recovery.md)."""


class Sweep:
    """One kill at each position on one store, in a process of its own."""

    def __init__(self, store: str, folder: Path, *options: str) -> None:
        self.folder = folder
        command = [sys.executable, "-m", "tests.system.kills", "--json", "--store", store]
        command += ["--repeats", "1", "--keep", str(folder), "--dialects", "own", *options]
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        self.store = store

    @cached_property
    def told(self) -> dict[str, Any]:
        """What it came to."""
        out, said = self.process.communicate()
        assert out, said[-3000:]
        told = json.loads(out)[self.store]
        assert self.process.returncode == (1 if told["findings"] else 0), said[-3000:]
        return told

    def end(self) -> None:
        """End it, if it still runs; its own processes end with it."""
        if self.process.poll() is None:
            self.process.terminate()
        with self.process:
            """Close what it wrote to."""


@pytest.fixture(scope="module")
def sweeps(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Sweep]]:
    """Both stores at the same time: most of a sweep is waiting for measurements."""
    begun = {
        "sqlite": Sweep("sqlite", tmp_path_factory.mktemp("sqlite"), "--machines", "1"),
        "postgresql": Sweep(
            "postgresql",
            tmp_path_factory.mktemp("postgresql"),
            *("--machines", "0", "--points", *AT_THE_STORE),
        ),
    }
    yield begun
    for sweep in begun.values():
        sweep.end()


@pytest.fixture(scope="module")
def on_sqlite(sweeps: dict[str, Sweep]) -> dict[str, Any]:
    return sweeps["sqlite"].told


@pytest.mark.hazard(5, 16)
def test_killed_at_every_position_nothing_is_lost_and_nothing_is_done_twice(
    on_sqlite: dict[str, Any],
) -> None:
    assert on_sqlite["findings"] == []
    assert {place: on_sqlite["kills"][place] for place in POSITIONS} == dict.fromkeys(POSITIONS, 1)
    assert on_sqlite["restarts"] >= len(POSITIONS)


@pytest.mark.hazard(8)
def test_a_new_process_adopts_what_runs_fetches_what_is_finished_and_reads_tags_again(
    on_sqlite: dict[str, Any],
) -> None:
    assert on_sqlite["adopted"] + on_sqlite["fetched"] > 0
    assert on_sqlite["tags_read_again"] > 0


@pytest.mark.hazard(15, 17)
def test_machines_that_die_amid_a_run_an_order_or_a_swap_lose_no_pallet(
    on_sqlite: dict[str, Any],
) -> None:
    assert {kind: on_sqlite["kills"][kind] for kind in TROUBLES} == dict.fromkeys(TROUBLES, 1)
    assert set(on_sqlite["holds"]) <= ASKED


@pytest.mark.hazard(16)
@pytest.mark.usefixtures("postgres_programs")
def test_the_same_holds_on_postgresql_where_the_database_matters(sweeps: dict[str, Sweep]) -> None:
    told = sweeps["postgresql"].told
    assert told["findings"] == []
    assert told["kills"] == dict.fromkeys((*AT_THE_STORE, FROM_OUTSIDE), 1)


@pytest.mark.soak
@pytest.mark.parametrize("defect", ["durable later", "sent first"])
def test_a_service_that_breaks_the_order_of_a_step_is_found(defect: str) -> None:
    command = [sys.executable, "-m", "tests.system.kills", "--json", "--store", "sqlite"]
    command += ["--repeats", "4", "--machines", "0", "--defect", defect]
    ended = subprocess.run(
        command, capture_output=True, text=True, check=False, cwd=Path(__file__).parents[2]
    )
    assert ended.returncode == 1
    assert json.loads(ended.stdout)["sqlite"]["findings"] != []


# --- the judge is not blind --------------------------------------------------------------------------------------------------------


@pytest.fixture
def finished(on_sqlite: dict[str, Any], sweeps: dict[str, Sweep], tmp_path: Path) -> Stage:
    """A copy of the first cell of the run, to be falsified."""
    assert on_sqlite["findings"] == []
    copy = tmp_path / "copy"
    shutil.copytree(sweeps["sqlite"].folder / "sqlite-1", copy)
    return Stage(
        folder=copy,
        database=f"sqlite:///{copy / 'journal.db'}",
        cell=load_cell(copy / "cell").cell,
        cell_folder=copy / "cell",
        plan=copy / "plan.json",
        floor=copy / "floor.bin",
        pallets=physics_file.load(copy / "physics.json").pallets,
        ways={},
    )


def first(facts: list[Fact], kind: str) -> Fact:
    return next(fact for fact in facts if fact["fact"] == kind)


def started_twice(facts: list[Fact]) -> None:
    facts.append(first(facts, "started"))


def measured_again(facts: list[Fact]) -> None:
    facts.append({**first(facts, "started"), "run_id": "R1"})


def other_value(facts: list[Fact]) -> None:
    first(facts, "measured")["values"][0]["value"] += 0.5


def other_part(facts: list[Fact]) -> None:
    first(facts, "measured")["serial"] = "4711"


def never_fetched(facts: list[Fact]) -> None:
    facts.append({**first(facts, "measured"), "run_id": "R1"})


def forgotten(facts: list[Fact]) -> None:
    facts.append({**first(facts, "acknowledged"), "run_id": "R1"})


def never_taken(facts: list[Fact]) -> None:
    facts.remove(first(facts, "taken"))


@pytest.mark.parametrize(
    ("falsify", "says"),
    [
        (started_twice, " 2 times"),
        (measured_again, " ran 2 times on "),
        (other_value, ", the journal says "),
        (other_part, " measured part 4711"),
        (never_fetched, "the result of run R1 at "),
        (forgotten, " was acknowledged and never journalled"),
        (never_taken, " and taken 0 times"),
    ],
)
def test_the_judge_sees(finished: Stage, falsify: Callable[[list[Fact]], None], says: str) -> None:
    path = truth_path(finished.floor)
    facts = [json.loads(line) for line in path.read_text().splitlines()]
    falsify(facts)
    path.write_text("".join(json.dumps(fact) + "\n" for fact in facts))
    found = judge(finished, machines="untouched").findings
    assert any(says in finding for finding in found), found


def test_the_judge_sees_a_violation(finished: Stage) -> None:
    line = {"at_ms": 1, "who": "scan-1", "text": "told to close while the arm is inside"}
    violations_path(finished.floor).write_text(json.dumps(line) + "\n")
    assert judge(finished, machines="untouched").findings == (
        "scan-1: told to close while the arm is inside",
    )


def test_the_judge_sees_a_pallet_that_was_fetched_unproven(finished: Stage) -> None:
    with open_archive(finished.database) as archive:
        entries = [e for e in archive.journal.read(1) if not isinstance(e.event, TagRead)]
    story = Story(finished, entries)
    assert story.unproven
    assert "before its tag was read again" in story.unproven[0]
