"""What the rules of pallets and runs have to know of parts that adapt to the temperature of the cell before they are measured.

Rules of this file:
- Looked up, and one wait started; what follows is decided elsewhere. It names no other rules, so that they all may name it.
- A part is ready once its declared time is over, whatever the cell did meanwhile. Nothing shortens it: a person who knows better declares it.
- A production time that the tag puts after the entry is not believed: the part came in when it was seen to. One of 0, the beginning of
  1970, is a time that nobody wrote.
"""

from datetime import UTC, datetime

from supervisor.cell.model import PartType
from supervisor.core.draft import Draft
from supervisor.core.state import PalletState

IN_NEST_MS_MAX = 10 * 60_000
"""For how long a part may soak in a nest that others need, longer than the handler comes early for any (our choice)."""


def ready_ms(part_type: PartType | None, pallet: PalletState) -> int:
    """From when on the part on a pallet may be measured, in the cell's time; 0 where it need not soak or nothing is left to measure."""
    if part_type is None or not pallet.open:
        return 0
    return soaked_ms(part_type, pallet)


def soaked_ms(part_type: PartType, pallet: PalletState) -> int:
    """When the part on a pallet has soaked, in the cell's time; 0 where it need not."""
    soak = part_type.soak
    if soak is None:
        return 0
    begun_ms = pallet.entered_ms
    if soak.since == "produced":
        begun_ms = min(begun_ms, _produced_ms(pallet.produced, begun_ms))
    return begun_ms + soak.ms


def why_not(draft: Draft, pallet: PalletState) -> str:
    """That the part on a pallet must not be measured yet, in words; "" if it may be."""
    from_ms = ready_ms(draft.tables.part_types.get(pallet.part_type), pallet)
    if from_ms <= draft.at_ms:
        return ""
    clock = datetime.fromtimestamp(from_ms / 1000, UTC)
    return f"the part on {pallet.pallet} soaks until {clock:%Y-%m-%dT%H:%M:%SZ}"


def waits_in_nest(draft: Draft, station: str) -> bool:
    """Whether what stands in a nest has to soak there; the station is looked at again when that is over."""
    pallet = draft.pallets.get(draft.stations[station].pallet)
    why = "" if pallet is None else why_not(draft, pallet)
    timer = f"soak of {station}"
    if pallet is None or not why:
        draft.end_timer(timer)
        return False
    left_ms = ready_ms(draft.tables.part_types[pallet.part_type], pallet) - draft.at_ms
    waiting = draft.timers.get(timer)
    if waiting is None or waiting.due_ms != draft.at_ms + left_ms:
        draft.start_timer(timer, left_ms, why)
    return True


def is_in_the_way(draft: Draft, pallet: PalletState) -> bool:
    """Whether a part stands in a nest that it cannot use for long, as where soaking was declared while it stood there."""
    if pallet.place not in draft.stations:
        return False
    from_ms = ready_ms(draft.tables.part_types.get(pallet.part_type), pallet)
    return from_ms - draft.at_ms > IN_NEST_MS_MAX


def _produced_ms(text: str, otherwise_ms: int) -> int:
    """The production time that the tag gave; ``otherwise_ms`` where it gave none that can be read."""
    try:
        produced_ms = round(datetime.fromisoformat(text).timestamp() * 1000)
    except ValueError:
        return otherwise_ms
    return produced_ms if produced_ms > 0 else otherwise_ms
