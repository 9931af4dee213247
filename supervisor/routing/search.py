"""Look-ahead: which of several first steps leads to the earliest end, as far as a counted amount of work can tell.

Rules of this file:
- The budget is counted in steps played through, never in time: the same question gets the same answer on every machine.
- First the choice of the simple rule is played to the end, so there is always an answer. Beam searches share what is left.
- A node that cannot beat what was found is dropped (its bound is admissible). Equal nodes are kept once. Ties go to what came first.
"""

from heapq import nsmallest
from typing import Literal, NamedTuple

from supervisor.cell.value import value
from supervisor.routing.nominal import HOME, Node, Nominal, Step

WEIGHTS = ((20, 1, 60), (20, 1, 20))
"""For each beam, how nodes are ranked: bound of the whole, sum of the stations' ends, handler free and all its work done.

Drawn from 25 cells (seeds 0 to 24 of the generator in tests/bench/routing); what the figures of the page are measured on is drawn apart.
"""
LAYERS_PERCENT = 130
"""A way to the end has so many steps for each hundred visits and exits: some pallets go home in between."""
WAYS = 2
"""A budget that does not reach for so many single ways to the end does not look to the end."""
DEPTH_MIN = 4
DEPTH_MAX = 1_000
"""Layers that are looked ahead: at least, and where the budget reaches to the end."""


Reach = Literal["to the end", "part of the way"]


@value
class Found:
    """What look-ahead found out. By candidate: the earliest end seen in ms, ``None`` where none was reached.

    ``best`` is the candidate with the earliest end, 0 if no end was reached, and ``way`` are the steps after it to that end, None if none was reached. ``bound_ms`` is the least that any of them could reach, ``steps`` the work that was done. Where the budget does not reach to the end,
    or not all pallets are followed, ``reach`` is "part of the way", and what counts as an end is the bound of where it stopped.
    """

    ends_ms: tuple[int | None, ...]
    bound_ms: int
    steps: int
    reach: Reach
    best: int
    way: tuple[Step, ...] | None


class Known(NamedTuple):
    """A way that is known already: the candidate that it begins with, where that leads to, and the steps after it with where they lead to."""

    first: int
    node: Node
    steps: list[tuple[Step, Node]]


class _Entry(NamedTuple):
    rank: int
    number: int
    node: Node
    first: int
    bound_ms: int
    before: "_Entry | None"
    step: Step | None


_Key = tuple[int, tuple[int, ...], tuple[int, ...]]


class Search:
    """One look-ahead."""

    __slots__ = (
        "_best",
        "_best_ms",
        "_depth",
        "_end",
        "_ends_ms",
        "_model",
        "_number",
        "_per_node",
    )

    def __init__(self, model: Nominal, candidates: int, budget: int) -> None:
        """Prepare; ``budget`` is the number of steps that may be played through. It may be exceeded by three single ways."""
        self._model = model
        self._end = model.steps_made + budget
        self._ends_ms: list[int | None] = [None] * candidates
        self._best: _Entry | None = None
        self._best_ms = 1 << 62
        self._number = 0
        self._per_node = 1
        self._depth = DEPTH_MAX

    def run(self, first: list[tuple[int, Node]], known: Known | None = None) -> Found:
        """Compare the nodes that the candidates lead to, by their numbers, the rule's choice first.

        ``known`` is a way that only a quicker one replaces; where it stops before the end, a single way goes on from there.
        """
        part = self._limit_depth(first[0][1]) if first else False
        bound_ms = min((self._model.judge(node)[0] for _, node in first), default=0)
        if known is not None and not part:
            self._beam([self._end_of(known)], WEIGHTS[0], share=0)
        for at, node in first[:1]:
            self._beam([self._entry(node, at, WEIGHTS[0])], WEIGHTS[0], share=0)
        for turn, weights in enumerate(WEIGHTS):
            share = (self._end - self._model.steps_made) // (len(WEIGHTS) - turn)
            if self._best_ms > bound_ms and share > 0:
                self._beam([self._entry(node, at, weights) for at, node in first], weights, share)
        self._runner_up(first)
        best, part = self._best, part or self._model.beyond > 0
        return Found(
            ends_ms=tuple(self._ends_ms),
            bound_ms=bound_ms,
            steps=self._model.steps_made,
            reach="part of the way" if part else "to the end",
            best=best.first if best is not None else 0,
            way=None if best is None or part else _way_to(best),
        )

    def _end_of(self, known: Known) -> _Entry:
        """Where a known way leads to."""
        entry = self._entry(known.node, known.first, WEIGHTS[0])
        for step, node in known.steps:
            entry = self._entry(node, known.first, WEIGHTS[0], entry, step)
        return entry

    def _limit_depth(self, node: Node) -> bool:
        """Look only so many layers ahead as the budget has for a single way, if that is less than to the end; whether it is."""
        self._per_node = _steps_each(len(node.occupant))
        affordable = affordable_layers(self._end - self._model.steps_made, len(node.occupant))
        if affordable >= _layers(node):
            return False
        self._depth = max(DEPTH_MIN, affordable)
        return self._depth < _layers(node)

    def _runner_up(self, first: list[tuple[int, Node]]) -> None:
        """Play the most promising candidate to the end that has not come there yet, so that people see what it would have cost."""
        unseen = [(self._model.judge(n)[0], at, n) for at, n in first if self._ends_ms[at] is None]
        seen = sum(end is not None for end in self._ends_ms)
        if unseen and seen < 2:  # noqa: PLR2004 - the best and one to compare it with
            _, at, node = min(unseen)
            best, best_ms = self._best, self._best_ms
            self._best_ms = 1 << 62
            self._beam([self._entry(node, at, WEIGHTS[0])], WEIGHTS[0], share=0)
            if best is not None and best_ms <= self._best_ms:
                self._best, self._best_ms = best, best_ms

    def _entry(
        self,
        node: Node,
        first: int,
        weights: tuple[int, int, int],
        before: _Entry | None = None,
        step: Step | None = None,
    ) -> _Entry:
        bound_ms, total_ms = self._model.judge(node)
        self._number += 1
        whole, stations, handler = weights
        rank = whole * bound_ms + stations * total_ms + handler * (node.now_ms + node.hands_ms)
        return _Entry(rank, self._number, node, first, bound_ms, before, step)

    def _beam(self, layer: list[_Entry], weights: tuple[int, int, int], share: int) -> None:
        """Go on layer by layer with the best nodes of each, as many as the share of the budget allows; at least with one."""
        end = self._model.steps_made + share
        for _ in range(self._depth):
            if not layer:
                return
            found: dict[_Key, _Entry] = {}
            before = self._model.steps_made
            for entry in layer:
                if entry.bound_ms < self._best_ms:
                    self._expand(entry, weights, found)
            made = self._model.steps_made - before
            self._per_node = max(1, (self._per_node + made // len(layer)) // 2)
            layer = nsmallest(self._width(found, end), found.values())
        for entry in layer:
            self._reached(entry)

    def _width(self, found: dict[_Key, _Entry], end: int) -> int:
        """How many nodes to go on with so that what is left of the budget lasts to the end."""
        entry = next(iter(found.values()), None)
        if entry is None:
            return 0
        layers = min(self._depth, _layers(entry.node))
        return max(1, (end - self._model.steps_made) // (layers * self._per_node))

    def _expand(
        self, entry: _Entry, weights: tuple[int, int, int], found: dict[_Key, _Entry]
    ) -> None:
        """The nodes that one step leads to from here."""
        if not entry.node.left:
            self._reached(entry)
            return
        home = self._steps_from(entry, weights, found)
        for child in home:
            # Going home brings nothing forward: it and the step after it are one, or nodes of a layer could not be compared.
            self._steps_from(child, weights, found)

    def _steps_from(
        self, entry: _Entry, weights: tuple[int, int, int], found: dict[_Key, _Entry]
    ) -> list[_Entry]:
        """Keep what single steps lead to; those that only bring a pallet home are handed back."""
        model = self._model
        home: list[_Entry] = []
        for step in model.steps(entry.node):
            child = self._entry(model.after(entry.node, step), entry.first, weights, entry, step)
            if not child.node.left:
                self._reached(child)
            elif child.bound_ms >= self._best_ms:
                continue
            elif step.target == HOME:
                home.append(child)
            else:
                key = (child.node.hand, child.node.occupant, child.node.rest)
                rival = found.get(key)
                if rival is None or child.rank < rival.rank:
                    found[key] = child
        return home

    def _reached(self, entry: _Entry) -> None:
        end_ms, known_ms = entry.bound_ms, self._ends_ms[entry.first]
        if known_ms is None or end_ms < known_ms:
            self._ends_ms[entry.first] = end_ms
        if end_ms < self._best_ms:
            self._best, self._best_ms = entry, end_ms


def _way_to(entry: _Entry) -> tuple[Step, ...]:
    """The steps after the candidate that lead to where an entry is."""
    steps: list[Step] = []
    while entry.before is not None and entry.step is not None:
        steps.append(entry.step)
        entry = entry.before
    return tuple(reversed(steps))


def affordable_layers(budget: int, stations: int) -> int:
    """How many layers a budget has for a single way, if it shall have two of them."""
    return budget // (WAYS * _steps_each(stations))


def _steps_each(stations: int) -> int:
    return stations + 1  # about one for each station, seldom more


def _layers(node: Node) -> int:
    """How many steps it takes about to the end of a way."""
    return layers_of(sum(rest.bit_count() for rest in node.rest if rest > 0), node.left)


def layers_of(visits: int, pallets: int) -> int:
    """How many steps it takes about until so many pallets have made so many visits and are out."""
    return (visits + pallets) * LAYERS_PERCENT // 100 + 1
