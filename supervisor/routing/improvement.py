"""A plan for all known pallets at once: an order of visits is changed again and again, and kept where it is not worse.

Rules of this file:
- The budget is counted in carries played, never in time. The numbers that choose what is changed come from a fixed sequence: the same
  question gets the same plan, on every machine.
- Late acceptance (Burke and Bykov, European Journal of Operational Research 258, 2017; from memory): a change is kept if it is no worse than
  now, or than some changes ago. Three of four changes move a visit that the end hangs on.
- After many changes in vain it begins again from the best order, shaken a little, or thoroughly.
"""

from supervisor.routing.sequence import Sequence
from supervisor.routing.timetable import Orders, Timetable, Visit

MEMORY = 5
"""So many changes ago."""
IN_VAIN_MAX = 300
SHAKES = (3, 30, 8)
"""How many visits are moved at a new beginning, in turn."""


def improved(orders: Orders, budget: int, bound_ms: int) -> Timetable | None:
    """The best timetable found with ``budget`` carries, or as soon as one ends at ``bound_ms``; None if no order comes to an end."""
    patience_ms = dict.fromkeys(orders.visits, 0)
    first = orders.play(orders.visits, patience_ms)
    if first is None or len(first.order) < 2:  # noqa: PLR2004 - nothing to put in order
        return first
    return _Improvement(orders, first, patience_ms).run(budget, bound_ms)


class _Improvement:
    __slots__ = ("_best", "_best_patience_ms", "_ends_ms", "_now", "_orders", "_patience_ms", "_sequence")  # fmt: skip

    def __init__(self, orders: Orders, first: Timetable, patience_ms: dict[Visit, int]) -> None:
        self._orders, self._sequence = orders, Sequence()
        self._now = self._best = first
        self._patience_ms, self._best_patience_ms = patience_ms, dict(patience_ms)
        self._ends_ms = [first.end_ms] * MEMORY

    def run(self, budget: int, bound_ms: int) -> Timetable:
        end = self._orders.carries + budget
        in_vain = tries = begun = 0
        while self._orders.carries < end and self._best.end_ms > bound_ms:
            tries += 1
            if self._try(tries % MEMORY):
                in_vain = 0
            else:
                in_vain += 1
            if in_vain > IN_VAIN_MAX:
                self._shake(SHAKES[begun % len(SHAKES)])
                in_vain, begun = 0, begun + 1
        return self._best

    def _try(self, slot: int) -> bool:
        """Change the order in one place; whether it is the best so far."""
        visit, order, before_ms = self._changed()
        limit_ms = max(self._now.end_ms, self._ends_ms[slot])
        found = self._orders.play(order, self._patience_ms, limit_ms)
        kept = found is not None and found.end_ms <= limit_ms
        if found is not None and kept:
            self._now = found
        else:
            self._patience_ms[visit] = before_ms
        self._ends_ms[slot] = min(self._ends_ms[slot], self._now.end_ms)
        if self._now.end_ms >= self._best.end_ms:
            return False
        self._best, self._best_patience_ms = self._now, dict(self._patience_ms)
        return True

    def _changed(self) -> tuple[Visit, list[Visit], int]:
        """Another order: two visits exchanged, one moved, or one moved forward with another patience; and the patience before."""
        below, order = self._sequence.below, list(self._now.order)
        kind, pick_from = below(6), self._now.critical if below(4) else order
        visit = pick_from[below(len(pick_from))]
        before_ms, at = self._patience_ms[visit], order.index(visit)
        if kind == 0:
            to = below(len(order))
            order[at], order[to] = order[to], order[at]
            return visit, order, before_ms
        if kind <= 3:  # noqa: PLR2004 - three of six
            order.insert(below(len(order)), order.pop(at))
            return visit, order, before_ms
        choices_ms = self._orders.patience_ms
        self._patience_ms[visit] = choices_ms[below(len(choices_ms))]
        order.insert(below(at + 1), order.pop(at))
        return visit, order, before_ms

    def _shake(self, moves: int) -> None:
        """Begin again from the best with so many visits moved."""
        below, order = self._sequence.below, list(self._best.order)
        patience_ms, choices_ms = dict(self._best_patience_ms), self._orders.patience_ms
        for _ in range(moves):
            order.insert(below(len(order)), order.pop(below(len(order))))
            patience_ms[order[below(len(order))]] = choices_ms[below(len(choices_ms))]
        found = self._orders.play(order, patience_ms)
        if found is not None:
            self._now, self._patience_ms = found, patience_ms
            self._ends_ms = [found.end_ms] * MEMORY
