"""From readings to the words of the core: one small closure per facet, made once per connection.

Rules of this file:
- A reading that is not good is "unknown" (or the facet's own word for it); no table is asked.
- The closures run inside the publish callback: they look up, they build nothing.
- A value that no table lists is ``otherwise``, and without that the same as unreadable.
"""

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from supervisor.cell.profile_language import Facet
from supervisor.stations.reading import Image
from supervisor.stations.trouble import LinkLost

W = TypeVar("W", bound=str)

Decoder = Callable[[Image], W]
Positions = Mapping[str, int]
Members = Mapping[str, Mapping[str, int]]


def facet_decoder(
    facet: Facet[W], positions: Positions, members: Members, unreadable: W
) -> Decoder[W]:
    """The decoder of a facet. ``positions`` are of nodes in the image, ``members`` are those of the station's enumerations.

    Raises:
        LinkLost: the facet names a member that the station's enumeration has not.
    """
    if facet.always is not None:
        return _constant(facet.always)
    assert facet.node is not None
    position = positions[facet.node]
    otherwise = unreadable if facet.otherwise is None else facet.otherwise
    if facet.bits is not None:
        return _bits(
            position, [(1 << entry.bit, entry.word) for entry in facet.bits], otherwise, unreadable
        )
    if facet.names is not None:
        table: Mapping[Any, W] = _by_number(facet.node, facet.names, members[facet.node])
    else:
        table = facet.codes or facet.texts or facet.truth or {}
    return _table(position, table, otherwise, unreadable)


def _by_number(node: str, names: Mapping[str, W], members: Mapping[str, int]) -> dict[int, W]:
    missing = sorted(set(names) - set(members))
    if missing:
        known = ", ".join(members)
        message = f"node {node}: expected the member {missing[0]} in the station's enumeration, found {known}"
        raise LinkLost(message)
    return {members[name]: word for name, word in names.items()}


def _constant(word: W) -> Decoder[W]:
    return lambda _image: word


def _table(position: int, table: Mapping[Any, W], otherwise: W, unreadable: W) -> Decoder[W]:
    def decode(image: Image) -> W:
        reading = image[position]
        return table.get(reading.value, otherwise) if reading.quality == "good" else unreadable

    return decode


def _bits(position: int, masks: list[tuple[int, W]], otherwise: W, unreadable: W) -> Decoder[W]:
    def decode(image: Image) -> W:
        reading = image[position]
        if reading.quality != "good" or reading.value is None:
            return unreadable
        word = reading.value
        for mask, meaning in masks:
            if word & mask:
                return meaning
        return otherwise

    return decode


def name_decoder(node: str | None, positions: Positions, unreadable: str = "") -> Decoder[str]:
    """A name that a station gives as text or as a number; 0 and nothing are the empty name."""
    if node is None:
        return _constant("")
    position = positions[node]

    def decode(image: Image) -> str:
        reading = image[position]
        return name_of(reading.value) if reading.quality == "good" else unreadable

    return decode


def name_of(content: object) -> str:
    """A run, program or place as text: numbers in decimal digits, 0 and nothing as the empty text."""
    return "" if content is None or content == 0 else str(content)


def number_decoder(
    node: str | None, positions: Positions, unreadable: int
) -> Callable[[Image], int]:
    """A whole number that a station counts or numbers with."""
    if node is None:
        return lambda _image: unreadable
    position = positions[node]

    def decode(image: Image) -> int:
        reading = image[position]
        return (
            int(reading.value)
            if reading.quality == "good" and reading.value is not None
            else unreadable
        )

    return decode
