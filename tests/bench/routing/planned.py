"""One long look-ahead from the start of a case: what the engine would plan if it had the time.

Rules of this file: the end is what the nominal model says; nobody has run it. Runs of the same model end where they were planned to.
"""

from supervisor.routing.choice import candidates
from supervisor.routing.lookahead import look_ahead, plan_ms
from supervisor.routing.router import Router
from tests.bench.routing.cells import Case
from tests.bench.routing.recorded import Recorded


def planned_ms(case: Case, steps: int) -> int:
    """When the last pallet is out after the better of two plans: a look-ahead of a tenth of the steps, and an improved order with the rest."""
    simulation = Recorded(case)
    simulation.advance(0)
    picture = Router(case.cell).picture(simulation.situation())
    moves = candidates(picture)
    ahead_ms = look_ahead(picture, moves, [], steps // 10).end_ms
    ordered_ms = plan_ms(picture, moves, steps - steps // 10)
    return ahead_ms if ordered_ms is None else min(ahead_ms, ordered_ms)
