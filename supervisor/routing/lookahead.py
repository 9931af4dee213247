"""Look-ahead: each safe move is played through, and the one with the earliest end wins.

Rules of this file: only moves that the safety filter has let through are compared; look-ahead never adds one.
"""

from supervisor.cell.value import value
from supervisor.routing.improvement import improved
from supervisor.routing.moves import Move
from supervisor.routing.picture import Picture
from supervisor.routing.scene import FOLLOWED_MAX, Scene
from supervisor.routing.search import Reach, Search, affordable_layers, layers_of
from supervisor.routing.situation import Leg, PalletView
from supervisor.routing.timetable import Orders
from supervisor.routing.way import Kept

FAR_PERCENT = 40
"""Of the way to the end. Without homes and with 1000 steps, look-ahead that reached for 80 % and 46 % of it (4 stations and 24 pallets, 6 and 30) ended 2 and
1 % before the exchange of all together, and with 33 % (8 and 32) 6 % after it; eight slow cells each."""


@value
class Ahead:
    """What look-ahead found: for each move the ms from now until all is out (None: not seen), the least possible, and the best.

    Awaited pallets count on after the moves. ``way`` is the way to the end that begins with the best.
    """

    ends_ms: tuple[int | None, ...]
    bound_ms: int
    best: int
    steps: int
    reach: Reach
    way: tuple[Leg, ...]

    @property
    def end_ms(self) -> int:
        """When all is out after the best, in ms from now; the bound where no end was reached."""
        end_ms = self.ends_ms[self.best]
        return self.bound_ms if end_ms is None else end_ms


def look_ahead(
    picture: Picture,
    moves: list[Move],
    awaited: list[PalletView],
    budget: int,
    kept: Kept | None = None,
) -> Ahead:
    """Play the moves through, and waiting for the verdict of each awaited pallet, with at most ``budget`` steps (and the rest of a layer).

    What is left of the way that the decision before saw is played first.
    """
    kept = kept or Kept(picture)
    scene = Scene(picture, moves, awaited, kept.covers)
    first = scene.first_nodes(scene.root)
    known = scene.known(kept.legs)
    if known is not None and scene.kept_root is not scene.root:
        first += scene.first_nodes(scene.kept_root)
    found = Search(scene.model, len(moves) + len(awaited), budget).run(first, known)
    now_ms = picture.now_ms
    return Ahead(
        ends_ms=tuple(None if end is None else end - now_ms for end in found.ends_ms),
        bound_ms=found.bound_ms - now_ms,
        best=found.best,
        steps=found.steps,
        reach=found.reach,
        way=scene.way(found),
    )


def sees_far(picture: Picture, budget: int) -> bool:
    """Whether a budget reaches far enough towards the moment at which all pallets are out, and they are few enough to be followed."""
    visits = sum(1 for cover in picture.plan.covers.values() for visit in cover.visits if visit)
    layers = layers_of(visits, len(picture.pallets))
    seen = affordable_layers(budget, len(picture.tables.stations))
    return len(picture.pallets) <= FOLLOWED_MAX and seen * 100 >= layers * FAR_PERCENT


def plan_ms(picture: Picture, moves: list[Move], budget: int) -> int | None:
    """When all is out, in ms from now, after the best plan that ``budget`` carries find; None if none was found.

    The way through all visits with the covers of the balanced plan, put in order by ``improvement.py``. Needs two jaws and homes.
    """
    scene = Scene(picture, moves)
    bound_ms, _ = scene.model.judge(scene.root)
    found = improved(Orders(scene.model, scene.root), budget, bound_ms)
    return None if found is None else found.end_ms - picture.now_ms
