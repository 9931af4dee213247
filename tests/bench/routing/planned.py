"""One long look-ahead from the start of a case: what the engine would plan if it had the time.

Rules of this file: the end is what the nominal model says; nobody has run it. Runs of the same model end where they were planned to.
"""

from supervisor.routing.choice import candidates
from supervisor.routing.lookahead import look_ahead
from supervisor.routing.router import Router
from tests.bench.routing.cells import Case
from tests.bench.routing.recorded import Recorded


def planned_ms(case: Case, steps: int) -> int:
    """When the last pallet is out after a plan of so many steps."""
    simulation = Recorded(case)
    simulation.advance(0)
    picture = Router(case.cell).picture(simulation.situation())
    return look_ahead(picture, candidates(picture), [], steps).end_ms
