"""The tag reader: what stands at its places, and what their tags say.

Rules of this file:
- The answer is there at once; whoever asks waits ``read_ms`` of the cell's time before handing it on.
- The content of a tag is what the physics file says of the pallet; nothing is ever written. Its unique identifier is made of the
  pallet's id, as if it had been given in the tag's factory.
"""

import hashlib
from dataclasses import dataclass
from typing import Literal

from simulators.models.floor import Floor
from simulators.models.physics import Physics, right_tag

TagStatus = Literal["read", "no tag", "several tags", "failed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TagAnswer:
    """What the reader found. ``payload`` is the tag's memory, empty unless ``status`` is "read"."""

    status: TagStatus
    payload: bytes
    text: str


class ReaderModel:
    """The reader at the rack and outfeed places of one cell."""

    def __init__(self, physics: Physics, *, floor: Floor) -> None:
        self.read_ms = physics.reader.read_ms
        self.places = tuple(entry.place for entry in physics.places)
        self._physics = physics
        self._floor = floor
        self._next: list[TagStatus] = []

    def image(self) -> dict[str, bool]:
        """Place -> whether something stands there."""
        return {place: bool(self._floor.pallet_at(place)) for place in self.places}

    def read(self, place: str) -> TagAnswer:
        """Read the tag at a place."""
        if place not in self.places:
            return TagAnswer(
                status="failed", payload=b"", text=f"no place {place!r} at this reader"
            )
        if self._next:
            status = self._next.pop(0)
            if status != "read":
                return TagAnswer(status=status, payload=b"", text=f"{status} at {place}")
        pallet = self._floor.pallet_at(place)
        if not pallet:
            return TagAnswer(status="no tag", payload=b"", text=f"nothing answers at {place}")
        return TagAnswer(status="read", payload=self.memory(place), text="")

    def answer_next(self, status: TagStatus) -> None:
        """Thrown by benches and tests: the next read says this whatever stands there ("read": as it is)."""
        self._next.append(status)

    def uid(self, place: str, number: int = 0) -> bytes:
        """The 64-bit unique identifier of the tag at a place, b"" if there is none; ``number`` above 0: of a further tag in the field.

        E0h, a byte for the maker, 48 bits that no other tag of that maker has (ISO/IEC 15693-3).
        """
        pallet = self._floor.pallet_at(place)
        if not pallet:
            return b""
        return b"\xe0\x00" + hashlib.sha256(f"{pallet} {number}".encode()).digest()[:6]

    def memory(self, place: str) -> bytes:
        """What the tag at a place says; b"" if there is none."""
        standing = self._floor.pallet_at(place)
        if not standing:
            return b""
        pallet = self._physics.pallet[standing]
        if pallet.tag:
            return bytes.fromhex(pallet.tag)
        return right_tag(pallet, self._physics.part_type[pallet.part_type].gtin)
