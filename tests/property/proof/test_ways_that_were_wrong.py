"""Each defect of the core that the proof found, as the shortest way that led there.

Each way is the explorer's own (``python -m simulators.bench.proof`` prints it): moves of the world, and which way each took at its
forks. The last move was the one that went wrong. Where the core has changed so much that an earlier move is not possible any more,
explore the named budget again: what is wrong is found again, or the way has had its day.
"""

import pytest

from simulators.bench.proof.cells import CELLS
from simulators.bench.proof.explore import Explorer, plays
from simulators.bench.proof.moves import possible
from simulators.bench.proof.play import Play
from simulators.bench.proof.truth import Budget, State

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

ONE_OF_EACH = Budget(loss=1, late=1, restart=1, hand=1, fault=1, total=2)

WAYS = {
    "a tag cannot be read again while its pallet is in a jaw": (
        "single",
        ONE_OF_EACH,
        (
            ("the supervisor starts anew", ()),
            ("machine 2 is connected", (0, 0, 3)),
            ("the handler goes on: pick at rack-01", ()),
            ("a wait ends: tag at rack-01", ()),
            ("a wait ends: tag at rack-01", ()),
            ("a wait ends: tag at rack-01", ()),
            ("machine 1 is connected", ()),
            ("answers tag-unreadable of grai:0614141.12345.1: read again", ()),
        ),
    ),
    "a pallet in hand that waits for a person is brought home": (
        "single",
        ONE_OF_EACH,
        (
            ("the supervisor starts anew", ()),
            ("machine 0 is connected", ()),
            ("machine 2 is connected", (0, 0, 3)),
            ("the handler goes on: pick at rack-01", ()),
            ("a wait ends: tag at rack-01", ()),
            ("a wait ends: tag at rack-01", ()),
            ("a wait ends: tag at rack-01", ()),
            ("machine 1 is connected", ()),
            ("the handler goes on: approach at s1", ()),
        ),
    ),
    "a door that was told to close and still reads open is not entered": (
        "single",
        Budget(loss=2, late=2, restart=2, hand=2, fault=2, total=2),
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
    "what a run that nobody saw leaves behind at a station without names is asked about": (
        "counting",
        ONE_OF_EACH,
        (
            *INTO_THE_NEST[:6],
            ("s1 goes on from loading", ()),
            ("the connection of machine 0 is lost", ()),
            ("the door of s1 arrives", ()),
            ("by hand: a run is started at the panel of s1", ()),
            ("s1 goes on from running", ()),
            ("machine 0 is connected", ()),
        ),
    ),
}


@pytest.mark.parametrize("name", WAYS)
def test_what_the_proof_found_is_not_wrong_any_more(name):
    cell, budget, way = WAYS[name]
    explorer = Explorer(CELLS[cell](2), budget)
    last = explorer.walk(way)
    if last is not None:
        assert last.world.violations == []
        state = last.state()
        assert explorer.wrong_at_rest(state, ways_on(explorer, state)) == ()


def ways_on(explorer: Explorer, state: State) -> int:
    """How many of the ways that the world may go by itself lead out of a state."""
    return sum(
        play.state() != state and play.left == state.left
        for move in possible(Play(explorer.scene, state, ()))
        for _, play in plays(explorer.scene, state, move)
    )
