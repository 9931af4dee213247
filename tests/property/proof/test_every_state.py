"""The smallest cells, explored to the last state: nothing is wrong in any of them, and from each the cell gets empty again.

Small budgets of trouble; ``make proof`` explores larger ones. That something wrong is found is shown by ``test_mutants``.
"""

import pytest

from simulators.bench.proof.__main__ import ONE_OF_ANY, TWO_OF_ANY, budget_of, in_words, main, table
from simulators.bench.proof.cells import CELLS
from simulators.bench.proof.explore import Explorer
from simulators.bench.proof.truth import Budget

pytestmark = [pytest.mark.timeout(300)]

EXPLORED = {
    ("single", 2): ONE_OF_ANY,
    ("counting", 2): ONE_OF_ANY,
    ("doorless", 2): ONE_OF_ANY,
    ("swap", 2): ONE_OF_ANY,
    ("two", 2): Budget(),
    ("fed", 2): Budget(),
    ("two", 1): ONE_OF_ANY,
}


@pytest.mark.parametrize("cell", EXPLORED, ids=lambda cell: f"{cell[0]}-{cell[1]}")
def test_in_no_state_that_can_be_reached_anything_is_wrong(cell):
    name, pallets = cell
    report = Explorer(CELLS[name](pallets), EXPLORED[cell]).explore()
    assert report.finding is None
    assert report.closed


def test_trouble_leads_to_more_states_than_the_ordinary_course():
    """An exploration that met no trouble would find nothing wrong either."""
    quiet = Explorer(CELLS["single"](1), Budget()).explore()
    for kind in ("loss", "late", "restart", "hand", "fault"):
        troubled = Explorer(CELLS["single"](1), budget_of(f"{kind}=1")).explore()
        assert troubled.states > 5 * quiet.states, kind


def test_every_part_leaves_by_its_outfeed_in_the_ordinary_course():
    explorer = Explorer(CELLS["swap"](2), Budget())
    explorer.explore()
    parts = {part.serial: part for part in explorer.cell.parts}
    left = {
        (parts[pallet.serial].conforms, pallet.place)
        for state in explorer.scene.decisions.states
        for pallet in state.pallets.values()
        if pallet.stage == "sorted"
    }
    assert left == {(True, "out-ok"), (False, "out-nok")}


@pytest.mark.parametrize("budget", [ONE_OF_ANY, TWO_OF_ANY, Budget(), budget_of("loss=2,hand=1")])
def test_a_budget_is_read_as_it_is_printed(budget):
    assert budget_of(in_words(budget)) == budget


@pytest.mark.parametrize("text", ["loss", "loss=", "loss=-1", "luck=1", "loss=1;hand=1"])
def test_a_budget_that_is_none_is_refused_with_a_hint(text, capsys):
    with pytest.raises(SystemExit) as refused:
        main(["--cell", "single", "--budget", text])
    assert refused.value.code == 2
    assert "expected one of loss, late" in capsys.readouterr().err


def test_the_command_prints_what_was_explored_and_says_so_by_its_exit_code(capsys):
    assert main(["--cell", "single", "--pallets", "1", "--budget", "loss=1"]) == 0
    heads, row = capsys.readouterr().out.splitlines()
    assert heads.split()[:3] == ["cell", "pallets", "trouble"]
    assert row.split()[:3] == ["single", "1", "loss=1,total=1"]


def test_an_exploration_that_was_cut_short_proves_nothing():
    report = Explorer(CELLS["single"](1), ONE_OF_ANY).explore(states_max=50)
    assert not report.closed
    assert report.finding is None
    assert "single" in table([report])
