"""The cell as a whole."""

from fastapi import APIRouter

from supervisor.api.cell_view import CellView, ModeOrder, ModeOrdered, cell_view
from supervisor.api.inside import CellNow, Inside, OncePerKey, link_of, tell
from supervisor.core.events import CellOrdered

router = APIRouter(prefix="/cell", tags=["cell"])


@router.get("")
async def read_cell(inside: Inside, now: CellNow) -> CellView:
    """The cell as a whole, with its handler."""
    return cell_view(
        now,
        status=inside.orders.status(),
        head=inside.lookout.head(),
        version=inside.version,
        source=link_of(inside, now.core.tables.handler.handler),
        vitals=inside.vitals(),
    )


@router.post("/mode")
async def order_mode(order: ModeOrder, inside: Inside, once: OncePerKey) -> ModeOrdered:
    """Let the cell run, or pause it: what moves comes to its end and nothing is begun."""

    async def act() -> ModeOrdered:
        seq, at = await tell(inside, CellOrdered(want=order.mode, by=order.by))
        return ModeOrdered(mode=order.mode, by=order.by, seq=seq, at=at)

    return await once.answer(order, order.request_id, act)
