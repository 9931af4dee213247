"""Machines that die: a station amid a run, the handler amid an order, and a power cut of everything amid a swap.

Rules of this file:
- What is physical stays: pallets, doors and the arm stand where the floor file has them. What a machine remembers is gone.
- A machine is dead when the launcher says so, and up when it says so; nothing is guessed from time.
"""

import json
import time
from collections.abc import Iterable
from random import Random
from typing import Literal

from simulators.bench.run import RunFailed
from tests.system.kills.cell import DyingCell, dying_cell
from tests.system.kills.person import Person
from tests.system.kills.points import Death
from tests.system.kills.sweep import Plan, Tally, Tell, conclude, staged

Trouble = Literal["station amid a run", "handler amid an order", "power cut amid a swap"]
TROUBLES: tuple[Trouble, ...] = (
    "station amid a run",
    "handler amid an order",
    "power cut amid a swap",
)
FIRST_CELL = 50
"""Its cells are numbered from here on, beside those of the sweep."""
SEEN_S_MAX = 30.0
DARK_S_MAX = 0.5
SWAP_S = 10.0
"""Way, entering, two moves and leaving, in s of the cell's time: 7 s for the swap (cell.yaml), up to 3 s of way."""
ORDER_S = 8.0


def trouble(plan: Plan, tally: Tally, tell: Tell) -> None:
    """Every trouble as often as is asked for; then the cell has to finish, with a person who answers what is asked."""
    number = FIRST_CELL
    draw = Random(f"trouble {plan.seed}")
    wanted = [kind for kind in TROUBLES for _ in range(plan.machines)]
    draw.shuffle(wanted)
    while wanted:
        number += 1
        stage = staged(plan, number, deaths=2 * len(wanted))
        with dying_cell(stage, plan.speed) as cell:
            person = Person(cell)
            cell.tend, cell.defect = person.tend, plan.defect
            wanted = _strike(cell, wanted, tally, draw, tell)
            cell.finish()
        conclude(cell, tally, machines="disturbed")


def _strike(
    cell: DyingCell, wanted: list[Trouble], tally: Tally, draw: Random, tell: Tell
) -> list[Trouble]:
    """Let one trouble after the other strike; the troubles for which the cell's work did not last."""
    for number, kind in enumerate(wanted):
        if not STRIKES[kind](cell, draw):
            return wanted[number:]
        tally.kills[kind] += 1
        tell(kind)
    return []


def _station(cell: DyingCell, draw: Random) -> bool:
    """Switch a station off while it measures; the supervisor lives on. False: the cell's work is done."""
    names = [station.station for station in cell.stage.cell.stations]
    draw.shuffle(names)
    struck = ""

    def measures() -> bool:
        nonlocal struck
        for station in cell.watch.get("/api/v1/stations") or []:
            if station["work"] == "running" and station["station"] in names[:2]:
                struck = station["station"]
                return True
        return False

    with cell.serving() as service:
        if cell.wait(service, measures) == "done":
            return False
        _off_and_on(cell, [struck], draw)
        return cell.wait(service, lambda: _is_up(cell, struck)) != "done"


def _is_up(cell: DyingCell, station: str) -> bool:
    seen = cell.watch.get(f"/api/v1/stations/{station}")
    return seen is not None and seen["link"] == "up"


def _handler(cell: DyingCell, draw: Random) -> bool:
    """Switch the handler off while it carries out an order; the supervisor lives on. False: the cell's work is done."""
    name = cell.stage.cell.handler.handler

    def moves() -> bool:
        seen = cell.watch.get("/api/v1/cell")
        return seen is not None and seen["handler"]["phase"] in ("accepted", "busy")

    def is_up() -> bool:
        seen = cell.watch.get("/api/v1/cell")
        return seen is not None and seen["handler"]["link"] == "up"

    with cell.serving() as service:
        if cell.wait(service, moves) == "done":
            return False
        time.sleep(draw.uniform(0, ORDER_S) / cell.speed)
        _off_and_on(cell, [name], draw)
        return cell.wait(service, is_up) != "done"


def _power_cut(cell: DyingCell, draw: Random) -> bool:
    """Everything goes dark at some moment of a swap: supervisor, stations, handler, reader. False: no swap came any more."""
    death = Death(point="swap on its way", skip=0, share=draw.random())
    if cell.live_until(death) == "finished":
        return False
    time.sleep(draw.uniform(0, SWAP_S) / cell.speed)
    machines = [station.station for station in cell.stage.cell.stations]
    machines += [cell.stage.cell.handler.handler, cell.stage.cell.readers[0].reader]
    _off_and_on(cell, machines, draw)
    return True


STRIKES = {
    "station amid a run": _station,
    "handler amid an order": _handler,
    "power cut amid a swap": _power_cut,
}


def _off_and_on(cell: DyingCell, machines: Iterable[str], draw: Random) -> None:
    """Kill machines as a power cut does, and start them anew a little later, each with other namespace indices."""
    names = list(machines)
    before = len(_said(cell, "ended"))
    for name in names:
        cell.live.kill(name)
    _wait_said(cell, "ended", before + len(names))
    time.sleep(draw.uniform(0, DARK_S_MAX))
    before = len(_said(cell, "ready"))
    for name in names:
        cell.live.start(name, shift=draw.randint(0, 3))
    _wait_said(cell, "ready", before + len(names))


def _wait_said(cell: DyingCell, what: str, count: int) -> None:
    begun = time.monotonic()
    while len(_said(cell, what)) < count:
        if time.monotonic() - begun > SEEN_S_MAX:
            raise RunFailed(f"the launcher did not say {what!r} {count} times")
        time.sleep(0.02)


def _said(cell: DyingCell, what: str) -> list[str]:
    """The machines of which the launcher has said something, in order."""
    lines = (cell.stage.folder / "simulators.log").read_text(errors="replace").splitlines()
    told = [json.loads(line) for line in lines if line.startswith("{") and line.endswith("}")]
    return [line[what] for line in told if what in line]
