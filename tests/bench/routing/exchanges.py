"""Exchanges of pallets between nests where nobody has a home and the handler takes no time: what their settings are worth, and what is left with any of them.

Rules of this file:
- Who goes where is chosen as in ``supervisor/routing/exchange.py``, with the production's covers, prices and matching, but whole exchanges happen at once. How
  it goes on is played anew here, because more can be set than production has: a power of the prices, and exchanges tried ``within`` plays. What
  production keeps from one decision to the next is not kept here. A test compares single plays with the production's.
- A run is judged by what was run: the checker (``exchange_checker.py``) and the linear programme (``bounds.py``) share no code with the choice.
- What is drawn depends on the time of the question, as in production: the same on every machine.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import astuple, dataclass, fields
from functools import partial
from statistics import mean
from typing import NamedTuple

from supervisor.routing.chains import Gains, Mover, matched, newcomers
from supervisor.routing.covers import Cover, covers_of
from supervisor.routing.play import blurred
from supervisor.routing.scarcity import Prices, Ways, prices, ways
from supervisor.routing.sequence import Sequence
from supervisor.routing.tables import STANDS_PERCENT, Offer, RoutingTables, decided_by
from tests.bench.routing.bounds import busiest_ms
from tests.bench.routing.cells import Case, at_no_time, slow, without_homes
from tests.bench.routing.exchange_checker import Run, broken_rules, shares
from tests.bench.routing.keeping import Figure, Kept

TRIES = 30
AHEAD_PERCENT = 150
"""As production had it before it kept how the best one went on."""
WITHIN_AHEAD_PERCENT = 100
"""How far what is tried within plays is played on, in runs of mean length."""


@dataclass(frozen=True)
class Setting:
    """How many other exchanges are tried in each decision, how far they are played on, how long a nest counts as idle and how much a visit of theirs may lose at
    once (in runs of mean length), the power of the prices, and how many are tried in each decision within a play.
    """

    tries: int = TRIES
    ahead_percent: int = AHEAD_PERCENT
    stands_percent: int = STANDS_PERCENT
    loss_percent: int = 0
    power: float = 1.0
    within: int = 0


_Kind = tuple[str, int]
"""Pallets of a part type on which the same characteristics are open, as a bit set."""


class _Exchange(NamedTuple):
    """Who goes on from which nest to which, and who comes from outside to which."""

    going_on: tuple[tuple[int, int], ...]
    new: tuple[tuple[_Kind, int], ...]


class _Floor(NamedTuple):
    """By station when its run ends and whom it holds then that has to go on (None: nobody); and how many wait outside."""

    ends_ms: list[int]
    stands: list[_Kind | None]
    outside: dict[_Kind, int]

    def copy(self) -> "_Floor":
        return _Floor([*self.ends_ms], [*self.stands], {**self.outside})

    def next_ms(self, now_ms: int) -> int | None:
        """When the next run ends; None: none is under way."""
        return min([end_ms for end_ms in self.ends_ms if end_ms > now_ms], default=None)


class _Cell:
    """The declaration, as the engine reads it, and the covers of every kind that came up."""

    def __init__(self, case: Case) -> None:
        self.tables = RoutingTables(case.cell)
        self._known: dict[_Kind, tuple[Cover, ...]] = {}

    def covers(self, kind: _Kind) -> tuple[Cover, ...]:
        if kind not in self._known:
            offers, count = self.tables.offers[kind[0]], len(self.tables.stations)
            self._known[kind] = covers_of(offers, kind[1], stations=count, visit_ms=0)
        return self._known[kind]


class _Worth:
    """What each kind gains where, at the prices of one decision."""

    def __init__(self, cell: _Cell, by: Prices, setting: Setting) -> None:
        run_ms = cell.tables.run_ms
        self.by, self._cell = by, cell
        self._idle_ms = run_ms * setting.stands_percent // 100
        self._loss_ms = run_ms * setting.loss_percent // 100
        self._known: dict[_Kind, tuple[Ways, Gains, Gains]] = {}
        self._visits: dict[tuple[_Kind, int], tuple[float, int, _Kind | None]] = {}

    def _of(self, kind: _Kind) -> tuple[Ways, Gains, Gains]:
        if kind not in self._known:
            found = ways(self._cell.covers(kind), self.by, self._idle_ms)
            plain, drawn = (
                {at: gain for at, (gain, _) in found.items() if gain > least}
                for least in (0, -self._loss_ms)
            )
            self._known[kind] = found, plain, drawn
        return self._known[kind]

    def gains(self, kind: _Kind) -> Gains:
        """What is gained at once, where it is anything."""
        return self._of(kind)[1]

    def drawn(self, kind: _Kind, sequence: Sequence) -> Gains:
        """The same, and what may be lost, each more or less by up to a run of mean length."""
        return blurred(self._of(kind)[2], sequence, self._cell.tables.run_ms)

    def programs(self, kind: _Kind, at: int) -> tuple[Offer, ...]:
        return self._of(kind)[0][at][1].next_at(at)

    def visit(self, kind: _Kind, at: int) -> tuple[float, int, _Kind | None]:
        """What the detour costs, how long it takes, and what is left to do then (None: nothing)."""
        if (kind, at) not in self._visits:
            programs = self.programs(kind, at)
            left = kind[1] & ~decided_by(programs)
            detour = self._idle_ms * self.by[at] - self._of(kind)[0][at][0]
            run_ms = sum(each.result_ms for each in programs)
            self._visits[kind, at] = detour, run_ms, (kind[0], left) if left else None
        return self._visits[kind, at]

    def idle(self, floor: _Floor, until_ms: int) -> float:
        """What is not used between the runs that are over and this time."""
        stations = zip(self.by[:-1], floor.ends_ms, strict=True)
        return sum([by * (until_ms - end_ms) for by, end_ms in stations if end_ms < until_ms])

    def begin(self, floor: _Floor, exchange: _Exchange, now_ms: int) -> float:
        """What of the stations' time was not used before these visits, at their prices, and what their detours cost."""
        going = [(floor.stands[nest], at) for nest, at in exchange.going_on]
        for nest, _ in exchange.going_on:
            floor.stands[nest] = None
        for kind, _ in exchange.new:
            floor.outside[kind] -= 1
            if not floor.outside[kind]:
                del floor.outside[kind]
        lost = 0.0
        for kind, at in (*going, *exchange.new):
            assert kind is not None
            detour, run_ms, then = self.visit(kind, at)
            lost += detour + self.by[at] * (now_ms - floor.ends_ms[at])
            floor.ends_ms[at], floor.stands[at] = now_ms + run_ms, then
        return lost


class _Choice:
    """How exchanges are chosen in one decision, and within its plays."""

    def __init__(
        self, worth: _Worth, sequence: Sequence, run_ms: int, tries: tuple[tuple[int, int], ...]
    ) -> None:
        """``tries``: how many, and how far they are played on in percent of a run; then the same within their plays."""
        self._worth, self._sequence, self._run_ms = worth, sequence, run_ms
        (self._tries, self._ahead_percent), *rest = tries or ((0, 0),)
        if self._tries:
            self._within = _Choice(worth, sequence, run_ms, tuple(rest))

    def best(self, floor: _Floor, now_ms: int) -> _Exchange:
        """Of the exchange that gains most at once and others the one that leaves least of the stations' time unused."""
        best = self._exchange(floor, now_ms, self._worth.gains)
        if not self._tries:
            return best
        least, known = self._unused(floor, now_ms, best, float("inf")), {best}
        for _ in range(self._tries):
            other = self._exchange(floor, now_ms, self._drawn)
            if other not in known:
                known.add(other)
                unused = self._unused(floor, now_ms, other, least)
                if unused < least:
                    best, least = other, unused
        return best

    def _drawn(self, kind: _Kind) -> Gains:
        return self._worth.drawn(kind, self._sequence)

    def _exchange(self, floor: _Floor, now_ms: int, gains: Callable[[_Kind], Gains]) -> _Exchange:
        """The one that gains most if each gains so much."""
        nests = [at for at, end_ms in enumerate(floor.ends_ms) if end_ms <= now_ms]
        movers = {
            at: Mover(at, gains(kind)) for at in nests if (kind := floor.stands[at]) is not None
        }
        outside = {kind: gains(kind) for kind in floor.outside}
        found = matched(movers, outside, nests)
        left, new = {**floor.outside}, list[tuple[_Kind, int]]()
        for kind, at in newcomers(found, movers):
            if left[kind]:  # one stands for all that are alike, and may be the last
                left[kind] -= 1
                new.append((kind, at))
        return _Exchange(tuple(found.to.items()), tuple(new))

    def _unused(self, floor: _Floor, now_ms: int, first: _Exchange, enough: float) -> float:
        """What of the stations' time is not used if it begins like this; if that is ``enough`` or more, it is played no further."""
        until_ms = now_ms + self._run_ms * self._ahead_percent // 100
        worth, floor = self._worth, floor.copy()
        lost = worth.begin(floor, first, now_ms)
        while lost + worth.idle(floor, now_ms) < enough:
            next_ms = floor.next_ms(now_ms)
            if next_ms is None or next_ms >= until_ms:
                break
            now_ms = next_ms
            lost += worth.begin(floor, self._within.best(floor, now_ms), now_ms)
        return lost + worth.idle(floor, until_ms)


class _Played:
    """One run of a whole cell."""

    def __init__(self, case: Case, setting: Setting) -> None:
        self._cell, self._setting = _Cell(case), setting
        tables = self._cell.tables
        kinds = [(name, sum(tables.bits[name].values())) for name in case.part_types]
        self._outside = {kind: [n for n, k in enumerate(kinds) if k == kind] for kind in kinds}
        count = len(tables.stations)
        queue = {kind: len(who) for kind, who in self._outside.items()}
        self._floor = _Floor([0] * count, [None] * count, queue)
        self._holds = [-1] * count
        self.runs: list[Run] = []

    def play(self) -> list[Run]:
        """Every run, until none is under way any more."""
        now_ms: int | None = 0
        while now_ms is not None:
            self._decide(now_ms)
            now_ms = self._floor.next_ms(now_ms)
        return self.runs

    def _decide(self, now_ms: int) -> None:
        floor, tables, setting = self._floor, self._cell.tables, self._setting
        inside = [kind for kind in floor.stands if kind is not None]
        waiting = [kind for kind, count in floor.outside.items() for _ in range(count)]
        busy_ms = [max(0, end_ms - now_ms) for end_ms in floor.ends_ms]
        by = prices(map(self._cell.covers, (*waiting, *inside)), [*busy_ms, 0])
        by = tuple(price**setting.power for price in by)
        worth = _Worth(self._cell, by, setting)
        tries = (setting.tries, setting.ahead_percent), (setting.within, WITHIN_AHEAD_PERCENT)
        chosen = _Choice(worth, Sequence(now_ms), tables.run_ms, tries).best(floor, now_ms)
        held = [*self._holds]
        going = [(held[nest], floor.stands[nest], at) for nest, at in chosen.going_on]
        new = [(self._outside[kind].pop(0), kind, at) for kind, at in chosen.new]
        for pallet, kind, at in (*going, *new):
            self._holds[at] = pallet
            names = tuple(each.program for each in worth.programs(kind, at))
            end_ms = now_ms + worth.visit(kind, at)[1]
            self.runs.append(Run(pallet, tables.stations[at], names, now_ms, end_ms))
        worth.begin(floor, chosen, now_ms)


def played(case: Case, setting: Setting) -> list[Run]:
    """What runs where in a cell without homes whose handler takes no time."""
    return _Played(case, setting).play()


# --- the rows -------------------------------------------------------------------------------------------------------------------


def _figure(case: Case, setting: Setting) -> Figure:
    runs = played(case, setting)
    broken = broken_rules(case, runs)
    assert not broken, f"{case.name}: " + "; ".join(broken[:3])
    blocked, empty = shares(case, runs)
    return {"makespan_ms": max(r.end_ms for r in runs), "blocked": blocked, "empty": empty}


def rows(
    settings: Iterable[Setting], seeds: Iterable[int], pallets: int, kept: Kept
) -> Iterator[str]:
    """By setting when slow cells end, / the linear programme, on average and one by one."""
    cases = [without_homes(at_no_time(slow(seed, pallets=pallets))) for seed in seeds]
    names = [each.name for each in fields(Setting)]
    columns = [*names, "/ linear programme", *(case.name for case in cases), "blocked", "empty"]
    yield f"| {' | '.join(columns)} |"
    yield "| --- " * len(columns) + "|"
    bounds = [busiest_ms(case, choice="split").least_ms for case in cases]
    for setting in settings:
        found = [
            kept.of(f"{case.name}, {pallets} pallets: {setting}", partial(_figure, case, setting))
            for case in cases
        ]
        ratios = [each["makespan_ms"] / bound for each, bound in zip(found, bounds, strict=True)]
        cells = [f"{value:g}" for value in astuple(setting)]
        cells += [f"{ratio:.3f}" for ratio in (mean(ratios), *ratios)]
        cells += [f"{mean(each[name] for each in found):.1%}" for name in ("blocked", "empty")]
        yield f"| {' | '.join(cells)} |"
