"""Random steps through random cells with faults: anything that the safety filter lets through, for as long as one likes.

Rules of this file:
- Drawn from a seed; a cell after the other until the steps are done. Every answer is judged by the step simulator.
- Without homes pallets come in at an infeed and go from nest to nest; with one jaw there is a single rack place, with two sometimes.
- Stations fail for a while, with or without a way to take the pallet out; runs are late and give no usable result. All faults end, so in the
  end every pallet has to be out.
"""

import random
from typing import Literal

from supervisor.cell.model import Cell
from supervisor.cell.value import replace
from supervisor.routing import choice
from supervisor.routing.router import Router
from tests.unit.routing.random_cells import random_cell
from tests.unit.routing.step_simulator import Simulation, Trouble

Homes = Literal["kept", "none"]


class Wandering(Router):
    """A router that chooses by chance among the safe moves."""

    def __init__(self, cell, rng):
        super().__init__(cell)
        self.rng = rng

    def choose(self, situation):
        picture = self.picture(situation)
        if situation.hand:
            moves, home, obstacles = choice.moves_from_hand(
                picture, picture.pallets[situation.hand]
            )
            possible = moves if moves and picture.pallets[situation.hand].sorting else moves + home
        else:
            possible, obstacles = choice.candidates(picture), []
        if not possible:
            return super().choose(situation)
        return choice._carry(picture, [self.rng.choice(possible)], obstacles)


def wandered(steps: int, *, first_seed: int, homes: Homes = "kept") -> int:
    """Wander for at least so many steps; how many it were. Raises if a rule is broken or a pallet is left over."""
    done, seed = 0, first_seed
    while done < steps:
        done += _one_cell(seed, homes)
        seed += 1
    return done


def _one_cell(seed: int, homes: Homes) -> int:
    rng = random.Random(seed)
    cell = random_cell(seed, jaws=rng.choice((1, 2)))
    if homes == "none":
        cell = _fed(cell, racks=1 if cell.handler.jaws == 1 else rng.choice((0, 1)))
    names = [station.station for station in cell.stations]
    outages = tuple(
        (
            rng.choice(names),
            rng.randrange(600_000),
            rng.randrange(1000, 200_000),
            rng.choice(("allowed", "refused")),
        )
        for _ in range(rng.randrange(5))
    )
    trouble = Trouble(late=0.3, bad_results=rng.choice((0, 0.1)), outages=outages)
    part_types = [rng.choice(cell.part_types).part_type for _ in range(rng.randint(3, 10))]
    outcome = Simulation(cell, Wandering(cell, rng), part_types, trouble, seed=seed).run()
    assert not outcome.left, f"seed {seed}: {outcome.left} did not get out"
    return len(outcome.answers)


def _fed(cell: Cell, *, racks: int) -> Cell:
    """The same with pallets that come in and never go back, beside so many rack places. One jaw needs one of these."""
    kept = [place.place for place in cell.places if place.kind == "rack"][:racks]
    places = tuple(
        replace(place, kind="infeed") if place.kind == "rack" and place.place not in kept else place
        for place in cell.places
    )
    return replace(cell, places=places)
