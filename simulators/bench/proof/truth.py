"""The abstract world as values: what stations, handler and floor really are, and everything that is on its way.

Rules of this file:
- Small and hashable: a state of the exploration is one ``State``. Nothing in it that no rule of the core and no check can tell apart.
- Parts are counted as in ``ProofCell.parts``; ``NOBODY`` where there is none. Runs and orders are the core's own numbers under the
  names that ``form`` gives them; 0 is none, ``PANEL_RUN`` one that a person started at the station.
- Boots are names: "1" is what the core last accepted, "0" an older one that a run remembers, "2" one that the core has not seen.
"""

from typing import Literal, NamedTuple

from supervisor.core.commands import Goal
from supervisor.core.events import Event

NOBODY = -1
PANEL_RUN = -1
OTHER_PROGRAM = "P9-panel"
"""A program that is none of ours."""

Yes = Literal["yes", "no"]
Link = Literal["up", "down"]
Mode = Literal["automatic", "manual", "fault"]
Door = Literal["closed", "opening", "open", "closing", "none"]
Work = Literal["idle", "loading", "prepared", "running", "part free", "finished", "aborted"]
Phase = Literal["idle", "accepted", "busy", "done", "failed"]
Step = Literal["", "way", "inside", "half", "acted"]
Blame = Literal["core", "mode", "people"]
"""Whom a violation is held against. "mode": a machine changed its mode or its fitness, and the core could not know of that alone."""
Touch = Literal["no", "mode", "people"]
Kind = Literal["loss", "late", "restart", "hand", "fault"]


class Result(NamedTuple):
    """What a run gave: the run it names, the part that really was in the nest. ``told``: whether it went to the core."""

    run: int
    named: str
    part: int
    counter: int
    told: Yes


class Station(NamedTuple):
    """A station. ``part`` is what really was in the nest when ``run`` began, ``named`` the serial number that the start named.

    ``asked`` is the order to answer once a program is loaded; ``last`` the run started last, ever.
    """

    link: Link = "up"
    mode: Mode = "automatic"
    gate: Yes = "no"
    door: Door = "closed"
    work: Work = "idle"
    program: str = ""
    asked: int = 0
    run: int = 0
    named: str = ""
    part: int = NOBODY
    counter: int = 10
    boot: str = "1"
    result: Result | None = None
    last: int = 0


class Handler(NamedTuple):
    """The handler with the order that it has taken: ``picks`` and ``puts`` are the parts that the order is about.

    ``last`` is the last order taken, which it keeps over a restart. ``blame`` is "people" once they interfered with the order.
    """

    link: Link = "up"
    mode: Mode = "automatic"
    boot: str = "1"
    order: int = 0
    phase: Phase = "idle"
    action: str = ""
    place: str = ""
    pick_jaw: int = 0
    put_jaw: int = 0
    picks: int = NOBODY
    puts: int = NOBODY
    step: Step = ""
    inside: str = ""
    at: str = ""
    last: int = 0
    blame: Blame = "core"


class Order(NamedTuple):
    """A goal on its way to a machine."""

    goal: Goal
    blame: Blame


class Lag(NamedTuple):
    """An image kept back. "lagging": the core gets nothing of this source meanwhile. "copy": it got it, and will get it again."""

    kind: Literal["lagging", "copy"]
    image: Event


class Kept(NamedTuple):
    """An answer, a result or a tag of a machine that comes late, or again."""

    machine: int
    fact: Event


class Budget(NamedTuple):
    """How often each kind of trouble may still come, and how often any."""

    loss: int = 0
    late: int = 0
    restart: int = 0
    hand: int = 0
    fault: int = 0
    total: int = 0

    def allows(self, kind: Kind) -> bool:
        """Whether this trouble may come."""
        return self.total > 0 and getattr(self, kind) > 0

    def without(self, kind: Kind) -> "Budget":
        """After this trouble came."""
        return self._replace(**{kind: getattr(self, kind) - 1, "total": self.total - 1})


class State(NamedTuple):
    """Everything: the core's state by number, the machines, what is on its way, and the trouble that may still come.

    Machines are counted: the stations, the handler, the reader; ``channels``, ``lags`` and ``touched`` have one entry for each.
    ``touched``: what happened there that the core cannot have seen yet. ``floor`` tells the part at each spot of
    ``Names.spots``; ``kept`` are facts that come late or again.
    """

    core: int
    stations: tuple[Station, ...]
    handler: Handler
    reader: Link
    floor: tuple[int, ...]
    channels: tuple[tuple[Order, ...], ...]
    lags: tuple[Lag | None, ...]
    touched: tuple[Touch, ...]
    kept: tuple[Kept, ...]
    left: Budget
