"""Gauge studies of any age, read back from a journal: also those that the state keeps no longer."""

import json

import pytest
from typer.testing import CliRunner

from simulators.bench.gauge.play import Wanted, order_for, with_pallets
from supervisor import cli
from supervisor.cell.canonical import cell_to_json
from supervisor.core.events import CellOrdered, GaugeStudyOrdered
from supervisor.process.gauge_study import KEPT
from supervisor.store import open_store

MORE = 2
DAY_MS = 24 * 3_600_000


@pytest.fixture(scope="module")
def world(past):
    """The example cell, in which one part was studied more often than the state remembers."""
    wanted = Wanted(
        cell=past.cell, program="pump-body-scan", parts=1, loadings=1, repeats=1, seed=11
    )
    made = with_pallets(wanted)
    asked = order_for(wanted, made)
    for _ in range(KEPT + MORE):
        made.tell(
            GaugeStudyOrdered(
                pallets=asked.pallets,
                station=asked.station,
                program=asked.program,
                loadings=1,
                repeats=2,
                references=(),
                by="M. Weaver",
            )
        )
        made.tell(CellOrdered(want="run", by="a person"))
        made.run(made.now_ms + DAY_MS, done=lambda w: w.state.studies[-1].end != "")
        made.tell(CellOrdered(want="pause", by="a person"))
    return made


@pytest.fixture(scope="module")
def journal(past, world, tmp_path_factory):
    database = tmp_path_factory.mktemp("studied") / "cell.db"
    with open_store(str(database), durability="process-safe") as store:
        store.declarations.keep(past.cell.digest, cell_to_json(past.cell))
        store.journal.append(world.journal.entries)
    return str(database)


def studies(*arguments):
    return CliRunner().invoke(cli.cli, ["studies", *arguments])


def test_a_journal_has_every_study_though_the_state_has_only_the_newest(world, journal):
    answer = studies(journal, "--json")
    assert answer.exit_code == 0
    found = json.loads(answer.stdout)
    assert len(found) == KEPT + MORE
    names = [each["study"] for each in found]
    assert names[MORE:] == [each.study for each in world.state.studies]
    assert not set(names[:MORE]) & {each.study for each in world.state.studies}
    assert {(each["end"], each["done"], each["runs"]) for each in found} == {("complete", 2, 2)}


def test_an_old_one_is_shown_with_its_figures(journal):
    listed = studies(journal).stdout.splitlines()
    assert len(listed) == KEPT + MORE
    name = listed[0].partition(":")[0]
    assert "pump-body-scan at scan-1, 1 part, 2 of 2 runs, complete" in listed[0]
    shown = studies(journal, name).stdout
    assert f"{name}" in shown
    assert "Cg" in shown
    one = json.loads(studies(journal, name, "--json").stdout)
    assert (one["study"], one["by"]) == (name, "M. Weaver")
    assert one["characteristics"]


def test_a_study_that_is_not_there_is_said_with_those_that_are(journal):
    answer = studies(journal, "gauge-999999")
    assert answer.exit_code == 1
    assert "has no gauge study gauge-999999: expected one of gauge-" in answer.stderr
