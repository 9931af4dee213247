"""Each defect of the core that the proof found, as the shortest way that led there.

Each way is the explorer's own (``python -m simulators.bench.proof`` prints it): moves of the world, and which way each took at its
forks. The last move was the one that went wrong. Where the core has changed so much that an earlier move is not possible any more,
explore the named budget again: what is wrong is found again, or the way has had its day.
"""

import pytest

from simulators.bench.proof.cells import CELLS
from simulators.bench.proof.explore import Explorer
from simulators.bench.proof.truth import Budget

INTO_THE_NEST = (
    ("the handler goes on: pick at rack-01", ()),
    ("the door of s1 arrives", ()),
    ("the handler goes on: approach at s1", ()),
    ("the handler goes on: put at s1", ()),
    ("the handler goes on: put at s1", ()),
    ("the handler goes on: put at s1", ()),
    ("the door of s1 arrives", ()),
    ("s1 goes on from loading", ()),
    ("s1 goes on from running", ()),
    ("the door of s1 arrives", ()),
)
THE_SECOND_INTO_THE_NEST = (
    *INTO_THE_NEST,
    ("the handler goes on: pick at s1", ()),
    ("the handler goes on: pick at s1", ()),
    ("the handler goes on: pick at s1", ()),
    ("the handler goes on: put at rack-01", ()),
    ("the handler goes on: pick at rack-02", ()),
    ("the handler goes on: put at s1", ()),
    ("the handler goes on: put at s1", ()),
    ("the handler goes on: put at s1", ()),
)

WAYS = {
    "a door that was told to close and still reads open is not entered": (
        "single",
        (
            *THE_SECOND_INTO_THE_NEST,
            ("s1 goes on from part free", (0, 0, 0, 3)),
            ("the handler goes on: pick at rack-01", ()),
            ("a wait ends: program of s1", ()),
            ("answers prepare-failed of s1: give up", ()),
            ("answers door-stuck of s1: try again", (0, 0, 1)),
            ("the handler goes on: put at out-ok", ()),
            ("the handler goes on: approach at s1", ()),
            ("the handler goes on: pick at s1", ()),
        ),
    ),
}


@pytest.mark.parametrize("name", WAYS)
def test_what_the_proof_found_is_not_wrong_any_more(name):
    cell, way = WAYS[name]
    explorer = Explorer(CELLS[cell](2), Budget(3, 3, 3, 3, 3, 3))
    last = explorer.walk(way)
    assert last is None or last.world.violations == []
