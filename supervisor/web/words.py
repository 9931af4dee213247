"""One word for what something does, with a symbol and a tone, for reading from three metres.

Rules of this file:
- A state is always a symbol, a word and a tone together; colour alone says nothing.
- The first thing that a person has to know wins: what needs somebody comes before what works by itself.
"""

from typing import Literal

from supervisor.api.cell_view import CellView
from supervisor.api.pallet_view import PalletView
from supervisor.api.place_view import PlaceView
from supervisor.api.station_view import StationView
from supervisor.cell.value import value

Tone = Literal["good", "busy", "wait", "bad", "off"]


@value
class Sign:
    """How a state shows."""

    symbol: str
    word: str
    tone: Tone


def cell_sign(cell: CellView) -> Sign:
    """What the cell as a whole does."""
    if cell.step != "running":
        return Sign(symbol="✖", word=_STEP_WORDS[cell.step], tone="bad")
    if cell.counts.holds:
        return Sign(symbol="▲", word="needs a person", tone="wait")
    if cell.want == "pause":
        return Sign(symbol="■", word="paused", tone="off")
    if not cell.counts.pallets:
        return Sign(symbol="○", word="no pallets", tone="off")
    return Sign(symbol="●", word="runs", tone="good")


_STEP_WORDS = {
    "waiting": "starting",
    "journal refused": "cannot write its journal",
    "broken": "stopped by a defect",
    "running": "runs",
}


def station_sign(station: StationView) -> Sign:
    """What a station does."""
    if station.link == "down":
        return Sign(symbol="✖", word="not connected", tone="bad")
    if station.mode == "fault":
        return Sign(symbol="✖", word="fault", tone="bad")
    if station.holds:
        return Sign(symbol="▲", word="needs a person", tone="wait")
    if station.mode != "automatic":
        return Sign(symbol="■", word=f"mode {station.mode}", tone="off")
    if station.gate:
        return Sign(symbol="■", word="must not measure", tone="off")
    if station.run is not None:
        return _RUN_SIGNS[station.run.stage]
    if station.pallet:
        return Sign(symbol="◇", word="pallet may leave", tone="wait")
    return Sign(symbol="○", word="free", tone="off")


_WAITS = Sign(symbol="◔", word="gets ready", tone="busy")
_EVALUATES = Sign(symbol="◑", word="evaluates", tone="busy")
_RUN_SIGNS = {
    "none": _WAITS,
    "preparing": _WAITS,
    "prepared": _WAITS,
    "starting": _WAITS,
    "measuring": Sign(symbol="●", word="measures", tone="good"),
    "evaluating": _EVALUATES,
    "finished": _EVALUATES,
}


def handler_sign(cell: CellView) -> Sign:
    """What the handler does."""
    handler = cell.handler
    if handler.link == "down":
        return Sign(symbol="✖", word="not connected", tone="bad")
    if handler.mode == "fault":
        return Sign(symbol="✖", word="fault", tone="bad")
    if handler.holds:
        return Sign(symbol="▲", word="needs a person", tone="wait")
    if handler.mode != "automatic":
        return Sign(symbol="■", word=f"mode {handler.mode}", tone="off")
    if handler.stage == "idle":
        word = "waits" if handler.carry else "has nothing to carry"
        return Sign(symbol="○", word=word, tone="off")
    return Sign(symbol="●", word=_HANDLER_WORDS[handler.stage], tone="good")


_HANDLER_WORDS = {
    "approaching": "travels",
    "picking": "picks up",
    "putting": "sets down",
    "swapping": "swaps",
    "halted": "halted",
}


def place_sign(place: PlaceView) -> Sign:
    """What stands at a place."""
    if place.link == "down" or place.presence == "unknown":
        return Sign(symbol="✖", word="cannot be seen", tone="bad")
    if place.pallet:
        return Sign(symbol="■", word="occupied", tone="busy")
    if place.presence == "occupied":
        return Sign(symbol="▲", word="occupied", tone="wait")
    if place.reserved:
        return Sign(symbol="◇", word="kept free", tone="off")
    return Sign(symbol="○", word="empty", tone="off")


def pallet_sign(pallet: PalletView) -> Sign:
    """How far a pallet is."""
    if pallet.holds:
        return Sign(symbol="▲", word="needs a person", tone="wait")
    return Sign(symbol=_STAGE_SYMBOLS[pallet.stage], word=pallet.stage, tone="busy")


_STAGE_SYMBOLS = {
    "seen": "?",
    "identified": "◔",
    "planned": "◔",
    "visiting": "◑",
    "decided": "●",
    "sorted": "●",
    "held": "▲",
    "gone": "○",
}


def verdict_sign(verdict: str) -> Sign:
    """A verdict; the empty one is none yet."""
    return _VERDICT_SIGNS.get(verdict, Sign(symbol="–", word="no verdict yet", tone="off"))


_VERDICT_SIGNS = {
    "conforming": Sign(symbol="✔", word="conforming", tone="good"),
    "nonconforming": Sign(symbol="✘", word="nonconforming", tone="bad"),
    "undecided": Sign(symbol="?", word="undecided", tone="wait"),
    "not measured": Sign(symbol="?", word="not measured", tone="wait"),
    "station error": Sign(symbol="▲", word="station error", tone="wait"),
}
