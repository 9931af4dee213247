"""The way to the end that look-ahead saw, kept from one decision to the next.

Rules of this file:
- An answer hands the way back, the next question brings it. It is played again as far as it is still possible; a leg that is not is put off.
- It is no promise: only safe moves are compared, and a way that ends sooner takes its place.
"""

from supervisor.routing.covers import Cover
from supervisor.routing.nominal import HOME, NOBODY, Node, Nominal, Step
from supervisor.routing.picture import Picture, Seat
from supervisor.routing.situation import PalletView


class Kept:
    """What is left of a way: its legs of pallets that are still there, and the cover of each that it keeps to."""

    __slots__ = ("_picture", "covers", "legs")

    def __init__(self, picture: Picture) -> None:
        """Take from the situation what can still be done."""
        self._picture = picture
        self.legs = [leg for leg in picture.situation.way if leg[0] in picture.pallets]
        programs: dict[str, set[str]] = {}
        for pallet, _, names in self.legs:
            programs.setdefault(pallet, set()).update(names)
        self.covers: dict[str, Cover] = {}
        for pallet, names in programs.items():
            possible = [c for c in picture.outlooks[pallet].covers if names.issuperset(c.programs)]
            if possible:
                self.covers[pallet] = max(possible, key=lambda cover: len(cover.programs))

    def next_visit(self) -> tuple[PalletView, Seat, Cover] | None:
        """The visit that the way goes on with, and the cover it belongs to; None if it does not go on with a visit."""
        picture, hand = self._picture, self._picture.situation.hand
        for pallet, place, _ in self.legs:
            view, seat = picture.pallets[pallet], picture.seat_at.get(place)
            if hand and pallet != hand:
                continue
            if seat is not None:
                cover = self.covers.get(pallet)
                if cover is not None and view.place != place and cover.next_at(seat.station):
                    return view, seat, cover
            elif hand or not place:
                return None
        return None


def along(model: Nominal, node: Node, legs: list[tuple[int, int]]) -> list[tuple[Step, Node]]:
    """The steps that follow these legs (job and target) from a node on, as far as they lead, and where each leads to."""
    todo = list(legs)
    steps: list[tuple[Step, Node]] = []
    while todo:
        step = _next(model, node, todo)
        if step is None:
            break
        node = model.after(node, step)
        steps.append((step, node))
    return steps


def _next(model: Nominal, node: Node, todo: list[tuple[int, int]]) -> Step | None:
    """The first leg that is possible, taken from the list; what has become void before it is dropped. Else home with who is in hand."""
    at = 0
    while at < len(todo):
        job, target = todo[at]
        step = model.step_to(node, job, target)
        if step is not None:
            del todo[at]
            return step
        if _void(node, job, target):
            del todo[at]
        else:
            at += 1
    return model.step_to(node, node.hand, HOME) if node.hand != NOBODY else None


def _void(node: Node, job: int, target: int) -> bool:
    """Whether a leg can never be gone any more: going home is worth it at its moment only."""
    rest = node.rest[job]
    return target == HOME or rest < 0 or (target >= 0 and not rest >> target & 1)
