"""Holds, and people's answers to them."""

from fastapi import APIRouter

from supervisor.api.hold_view import (
    HoldView,
    Release,
    Released,
    hold_view,
    holds_now,
)
from supervisor.api.inside import CellNow, Inside, OncePerKey, known, now_of, tell
from supervisor.api.problems import ANSWER_NOT_OFFERED, HOLD_NOT_OPEN, REASON_MISSING, Refusal
from supervisor.api.waits import Now
from supervisor.core.events import HoldReleased
from supervisor.core.holds import HOLDS
from supervisor.core.state import Hold

router = APIRouter(prefix="/holds", tags=["holds"])


@router.get("")
async def list_holds(now: CellNow, inside: Inside) -> list[HoldView]:
    """All holds, the oldest first; before them that the journal takes nothing, if it does not."""
    return holds_now(now, inside.orders.status(), inside.lookout.head())


@router.get("/{hold}")
async def read_hold(hold: str, now: CellNow) -> HoldView:
    """One hold that is open."""
    return hold_view(_open_hold(now, hold))


@router.post("/{hold}/release")
async def release_hold(hold: str, release: Release, inside: Inside, once: OncePerKey) -> Released:
    """Answer a hold. Look first: what each answer does stands in the hold's advice."""

    async def act() -> Released:
        return await _release(inside, hold, release)

    return await once.answer(release, release.request_id, act)


async def _release(inside: Inside, hold: str, release: Release) -> Released:
    now = now_of(inside)
    opened = _open_hold(now, hold)
    if release.answer not in opened.answers:
        offered = " or ".join(f"'{answer}'" for answer in opened.answers)
        raise Refusal(ANSWER_NOT_OFFERED, f"{hold} offers {offered}, not '{release.answer}'")
    if release.place:
        known(release.place, now.core.tables.places, "place")
    if release.answer in HOLDS[opened.code].reasoned and not release.why.strip():
        raise Refusal(REASON_MISSING, f"'{release.answer}' to {hold} needs a reason")
    fact = HoldReleased(
        hold=hold,
        answer=release.answer,
        by=release.by,
        place=release.place,
        why=release.why.strip(),
    )
    seq, at = await tell(inside, fact)
    return Released(hold=hold, answer=release.answer, by=release.by, seq=seq, at=at)


def _open_hold(now: Now, hold: str) -> Hold:
    opened = now.state.holds.get(hold)
    if opened is None:
        raise Refusal(HOLD_NOT_OPEN, f"{hold} is not open")
    return opened
