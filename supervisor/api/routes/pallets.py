"""Pallets that are in the cell."""

from fastapi import APIRouter

from supervisor.api.inside import CellNow, known
from supervisor.api.pallet_view import PalletView, pallet_view, pallets_view

router = APIRouter(prefix="/pallets", tags=["pallets"])


@router.get("")
async def list_pallets(now: CellNow) -> list[PalletView]:
    """All pallets in the cell by id."""
    return pallets_view(now)


@router.get("/{pallet}")
async def read_pallet(pallet: str, now: CellNow) -> PalletView:
    """One pallet that is in the cell."""
    known(pallet, now.state.pallets, "pallet")
    return pallet_view(now, pallet)
