"""What routing chose, with the alternatives that lost."""

from typing import Annotated

from fastapi import APIRouter, Query

from supervisor.api.decision_view import DecisionsView, decisions_view
from supervisor.api.inside import Inside
from supervisor.api.schema import TEXT_MAX

router = APIRouter(prefix="/decisions", tags=["decisions"])


@router.get("")
async def list_decisions(
    inside: Inside,
    pallet: Annotated[
        str, Query(max_length=TEXT_MAX, description="Only choices that move this pallet.")
    ] = "",
    limit: Annotated[int, Query(ge=1, le=500)] = 50,
) -> DecisionsView:
    """Recent choices, the newest first. They reach back to the start of this process at most."""
    return decisions_view(inside.lookout.choices(), pallet=pallet, limit=limit)
