"""Where pallets go that the line carries itself.

Rules of this file: reading where a pallet goes changes nothing and keeps nothing; what is kept was asked for by a POST.
"""

from typing import Literal

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool

from supervisor.api.inside import CellNow, Inside, OncePerKey, known, now_of, tell
from supervisor.api.onward_view import (
    CloseReservation,
    NextView,
    ReservationClosedView,
    ReserveNext,
    next_view,
)
from supervisor.api.ports import Sources
from supervisor.api.problems import RESERVATION_REFUSED, RESERVED_BY_ANOTHER, Refusal
from supervisor.api.schema import instant
from supervisor.core.events import ReservationAsked, ReservationClosed
from supervisor.core.reservations import another_at_target, claim_on, of_another

router = APIRouter(prefix="/pallets", tags=["pallets"])


@router.get("/{pallet}/next")
async def read_next_place(pallet: str, now: CellNow) -> NextView:
    """Where a pallet should go now if the line carries it itself, and what is kept for it. Keeps nothing."""
    known(pallet, now.state.pallets, "pallet")
    return await run_in_threadpool(next_view, now, pallet)


@router.post("/{pallet}/reservation")
async def reserve_next_place(
    pallet: str, reserve: ReserveNext, inside: Inside, once: OncePerKey
) -> NextView:
    """Keep the next place for a pallet that the line carries, or its holder keeps it for longer. It ends by itself."""

    async def act() -> NextView:
        return await _reserve(inside, pallet, reserve)

    return await once.answer(reserve, reserve.request_id, act)


@router.post("/{pallet}/reservation/placed")
async def say_placed(
    pallet: str, close: CloseReservation, inside: Inside, once: OncePerKey
) -> ReservationClosedView:
    """Its holder says that the pallet stands at the place kept for it, and that the transport is clear of it."""

    async def act() -> ReservationClosedView:
        return await _close(inside, pallet, "placed", close)

    return await once.answer(close, close.request_id, act)


@router.post("/{pallet}/reservation/given-up")
async def give_reservation_up(
    pallet: str, close: CloseReservation, inside: Inside, once: OncePerKey
) -> ReservationClosedView:
    """Its holder says that the line does not carry the pallet. One that was lifted already has left the cell with that."""

    async def act() -> ReservationClosedView:
        return await _close(inside, pallet, "given up", close)

    return await once.answer(close, close.request_id, act)


async def _reserve(inside: Sources, pallet: str, reserve: ReserveNext) -> NextView:
    known(pallet, now_of(inside).state.pallets, "pallet")
    by = reserve.by.strip()
    _only_its_holder(inside, pallet, by)
    await tell(inside, ReservationAsked(pallet=pallet, for_ms=1000 * reserve.for_s, by=by))
    now = now_of(inside)
    known(pallet, now.state.pallets, "pallet")
    _only_its_holder(inside, pallet, by)  # another one may have been first
    if claim_on(now.state, pallet) is None:
        raise Refusal(RESERVATION_REFUSED, now.core.next_place(now.state, pallet, now.at_ms).why)
    return await run_in_threadpool(next_view, now, pallet)


async def _close(
    inside: Sources, pallet: str, how: Literal["placed", "given up"], close: CloseReservation
) -> ReservationClosedView:
    now = now_of(inside)
    known(pallet, now.state.pallets, "pallet")
    by = close.by.strip()
    _only_its_holder(inside, pallet, by)
    claim = claim_on(now.state, pallet)
    if claim is None or (how == "placed" and not claim.target):
        raise Refusal(RESERVATION_REFUSED, f"no place is kept for {pallet}; its time may be over")
    other = another_at_target(now.state, claim)
    if how == "placed" and other:
        why = f"{other} stands at {claim.target}; put {pallet} down there once put.may_enter is yes"
        raise Refusal(RESERVATION_REFUSED, why)
    seq, at = await tell(
        inside, ReservationClosed(pallet=pallet, how=how, by=by, place=claim.target)
    )
    return ReservationClosedView(pallet=pallet, target=claim.target, how=how, by=by, seq=seq, at=at)


def _only_its_holder(inside: Sources, pallet: str, by: str) -> None:
    kept = of_another(now_of(inside).state, pallet, by)
    if kept is not None:
        why = f"{kept.by} keeps {pallet} until {instant(kept.until_ms)}; you said that you are {by}"
        raise Refusal(RESERVED_BY_ANOTHER, why)
