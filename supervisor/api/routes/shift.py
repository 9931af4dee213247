"""Where the time of a shift went."""

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import CellNow
from supervisor.api.problems import MAY_BE_MISSING, NAME_UNKNOWN, Refusal
from supervisor.api.shift_desk import ShiftDesk
from supervisor.api.shift_view import ShiftView, shift_view
from supervisor.shift.fold import ShiftFigures

router = APIRouter(prefix="/shift", tags=["shift"])


def _desk(request: Request) -> ShiftDesk:
    return request.app.state.shift_desk


Desk = Annotated[ShiftDesk, Depends(_desk)]


@router.get("")
async def read_shift(now: CellNow, desk: Desk) -> ShiftView:
    """The running shift: where each station's time went, parts, queue, and the lower bound. Shifts begin at 06:00, 14:00 and 22:00 UTC."""
    return await _shown(desk, desk.running(now.at_ms), "running")


@router.get("/last", openapi_extra=MAY_BE_MISSING)
async def read_last_shift(now: CellNow, desk: Desk) -> ShiftView:
    """The shift before the running one, if it ended in the lifetime of this process."""
    return await _shown(desk, desk.last(now.at_ms), "last")


async def _shown(
    desk: ShiftDesk, figures: ShiftFigures | None, which: Literal["running", "last"]
) -> ShiftView:
    """With the bound, which is worked out off the event loop.

    Raises:
        Refusal: there is no such shift.
    """
    if figures is None:
        raise Refusal(NAME_UNKNOWN, "no shift has ended since this process took the cell")
    return shift_view(await run_in_threadpool(desk.bounded, figures), which)
