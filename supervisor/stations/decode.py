"""From readings to the words of the core: one small closure per facet, made once per connection.

Rules of this file:
- A reading that is not good is "unknown" (or the facet's own word for it); no table is asked.
- The closures run inside the publish callback: they look up, they build nothing.
- A value that no table lists is ``otherwise``, and without that the same as unreadable.
- The closures keep nothing: what a facet was before is the business of ``steady``.
"""

import time
from collections.abc import Callable, Hashable, Iterable, Mapping
from typing import Any, TypeVar

from supervisor.cell.profile_language import Case, Condition, Content, Echo, Facet, Pick, Switch
from supervisor.cell.value import value
from supervisor.stations.opcua import NodeId
from supervisor.stations.pick import MISSING, UNREADABLE, picker
from supervisor.stations.reading import Image, legible
from supervisor.stations.structures import Structure
from supervisor.stations.trouble import LinkLost

W = TypeVar("W", bound=str)

Decoder = Callable[[Image], W]
Looker = Callable[[Image], Any]
Positions = Mapping[str, int]


def _no_ids(written: str) -> NodeId:
    message = f"the node id {written} means nothing here"
    raise LinkLost(message)


@value
class Places:
    """What decoders have to know of a connection.

    ``positions`` are of nodes in the image, ``members`` those of the station's enumerations, ``structures`` of nodes that hold some;
    ``node_ids`` are the nodes that hold node ids, ``latched`` what comes from events and may not be there, ``node_id`` reads a node id of
    the profile, ``now_s`` is the clock of the readings; ``missing`` are the optional nodes that this station has not.
    """

    positions: Positions
    members: Mapping[str, Mapping[str, int]]
    structures: Mapping[str, Structure]
    node_ids: frozenset[str] = frozenset()
    latched: frozenset[str] = frozenset()
    node_id: Callable[[str], NodeId] = _no_ids
    now_s: Callable[[], float] = time.monotonic
    missing: frozenset[str] = frozenset()


def facet_decoder(facet: Facet[W], places: Places, unreadable: W) -> Decoder[W]:
    """The decoder of a facet.

    Raises:
        LinkLost: the facet names a member that the station's enumeration has not, or a field that its structure has not.
    """
    otherwise = unreadable if facet.otherwise is None else facet.otherwise
    if facet.always is not None:
        return _constant(facet.always)
    missing = unreadable if facet.missing is None else facet.missing
    if not is_there(facet, places.missing):
        return _constant(missing)
    if facet.switches is not None:
        switches = [one for one in facet.switches if one.node not in places.missing]
        return _switches(facet, switches, places, otherwise, unreadable)
    if facet.cases is not None:
        cases = [case for case in facet.cases if _case_is_there(case, places.missing)]
        return _cases(facet, cases, places, otherwise, unreadable)
    assert facet.node is not None
    look = looker(facet.node, facet.pick, places, facet.age_s_max)
    if facet.bits is not None:
        masks = [(1 << entry.bit, entry.word) for entry in facet.bits]
        return _bits(look, masks, otherwise, unreadable)
    return _table(
        look, _entries(facet, places), _Words(otherwise=otherwise, missing=missing), unreadable
    )


def is_there(facet: Facet[Any], missing: frozenset[str]) -> bool:
    """Whether a station without these nodes has anything that the facet looks at."""
    if facet.switches is not None:
        return any(one.node not in missing for one in facet.switches)
    if facet.cases is not None:
        return any(_case_is_there(case, missing) for case in facet.cases)
    return facet.node not in missing


def _case_is_there(case: Case[Any], missing: frozenset[str]) -> bool:
    return not any(one.node in missing for one in case.when)


def _entries(facet: Facet[W], places: Places) -> Mapping[Any, W]:
    """The table of a facet by what a value is compared with."""
    if facet.names is not None:
        assert facet.node is not None
        return _by_number(facet.node, facet.names, places.members[facet.node])
    if facet.states is not None:
        return {places.node_id(written): word for written, word in facet.states.items()}
    return facet.codes or facet.texts or facet.truth or {}


def _by_number(node: str, names: Mapping[str, W], members: Mapping[str, int]) -> dict[int, W]:
    missing = sorted(set(names) - set(members))
    if missing:
        known = ", ".join(members)
        message = f"node {node}: expected the member {missing[0]} in the station's enumeration, found {known}"
        raise LinkLost(message)
    return {members[name]: word for name, word in names.items()}


def _constant(word: W) -> Decoder[W]:
    return lambda _image: word


def looker(node: str, pick: Pick | None, places: Places, age_s_max: float | None = None) -> Looker:
    """What looks at a node: its value or the part of it, ``UNREADABLE`` or ``MISSING``."""
    position, now_s = places.positions[node], places.now_s
    taken = picker(pick, places.structures.get(node), node)
    nothing = MISSING if node in places.latched else None

    def look(image: Image) -> Any:
        reading = image[position]
        if reading.quality != "good":
            return UNREADABLE
        if reading.value is None and nothing is MISSING:
            return MISSING
        if age_s_max is not None and reading.age_s(now_s()) > age_s_max:
            return UNREADABLE
        return reading.value if taken is None else taken(reading.value)

    return look


@value
class _Words:
    """The words of a table beside its entries."""

    otherwise: Any
    missing: Any


def _table(look: Looker, table: Mapping[Any, W], words: _Words, unreadable: W) -> Decoder[W]:
    def decode(image: Image) -> W:
        seen = look(image)
        if seen is UNREADABLE:
            return unreadable
        if seen is MISSING:
            return words.missing
        return table.get(seen, words.otherwise) if isinstance(seen, Hashable) else unreadable

    return decode


def _bits(look: Looker, masks: list[tuple[int, W]], otherwise: W, unreadable: W) -> Decoder[W]:
    def decode(image: Image) -> W:
        word = look(image)
        if not isinstance(word, int):
            return unreadable
        for mask, meaning in masks:
            if word & mask:
                return meaning
        return otherwise

    return decode


def _switches(
    facet: Facet[W], switches: list[Switch[W]], places: Places, otherwise: W, unreadable: W
) -> Decoder[W]:
    """Every switch must be readable, and no more than one may be on."""
    lookers = [
        (looker(one.node, one.pick, places, facet.age_s_max), one.on, one.word) for one in switches
    ]

    def decode(image: Image) -> W:
        words: list[W] = []
        for look, on, word in lookers:
            seen = look(image)
            if not isinstance(seen, bool):
                return unreadable
            if seen == on:
                words.append(word)
        if len(words) > 1:
            return unreadable
        return words[0] if words else otherwise

    return decode


def _cases(
    facet: Facet[W], cases: list[Case[W]], places: Places, otherwise: W, unreadable: W
) -> Decoder[W]:
    """The first case whose conditions hold; a condition that cannot be read leaves everything after it open."""
    table = [(looked_at(case.when, places, facet.age_s_max), case.word) for case in cases]

    def decode(image: Image) -> W:
        for conditions, word in table:
            holds = all_hold(conditions, image)
            if holds is None:
                return unreadable
            if holds:
                return word
        return otherwise

    return decode


Test = tuple[Looker, frozenset[Any] | bool]


def looked_at(
    conditions: Iterable[Condition], places: Places, age_s_max: float | None = None
) -> list[Test]:
    """Conditions as they are looked at: where, and the contents that hold or whether anything has to be there.

    Raises:
        LinkLost: one names a member or a field that the station has not.
    """
    return [_test(one, places, age_s_max) for one in conditions]


def _test(condition: Condition, places: Places, age_s_max: float | None) -> Test:
    node = condition.node
    look = looker(node, condition.pick, places, age_s_max)
    if condition.there is not None:
        return look, condition.there
    wanted = frozenset(_typed(_meant(content, node, places)) for content in condition.is_ or ())
    return look, wanted


def _meant(content: Content, node: str, places: Places) -> Any:
    """A content of a condition as the node gives it: a node id, the number of a member of an enumeration, or itself."""
    if not isinstance(content, str):
        return content
    if node in places.node_ids:
        return places.node_id(content)
    members = places.members.get(node)
    return _by_number(node, {content: ""}, members).popitem()[0] if members else content


def _typed(content: Any) -> Any:
    """True and 1 are equal in Python and are not at a station."""
    return (isinstance(content, bool), content)


def all_hold(conditions: list[Test], image: Image) -> bool | None:
    """Whether all hold, looked at in order; None where one cannot be read before another fails."""
    for look, wanted in conditions:
        seen = look(image)
        if seen is UNREADABLE:
            return None
        if isinstance(wanted, bool):
            if (seen is not MISSING) != wanted:
                return False
            continue
        if seen is MISSING or not isinstance(seen, Hashable) or _typed(seen) not in wanted:
            return False
    return True


# --- names and numbers ----------------------------------------------------------------------------------------------------


def name_decoder(echo: Echo | None, places: Places, unreadable: str = "") -> Decoder[str]:
    """A name that a station gives as text or as a number; 0, nothing and a part that is not there are the empty name."""
    if echo is None or echo.node in places.missing:
        return _constant("")
    look = looker(echo.node, echo.pick, places)

    def decode(image: Image) -> str:
        seen = look(image)
        if seen is UNREADABLE:
            return unreadable
        return "" if seen is MISSING else name_of(seen)

    return decode


def name_of(content: object) -> str:
    """A run, program or place as text: numbers in decimal digits, 0 and nothing as the empty text.

    A text inside a structure or an array comes here as the library made it, so what was no UTF-8 is mended here.
    """
    return "" if content is None or content == 0 else legible(str(content))


def number_decoder(echo: Echo | None, places: Places, unreadable: int) -> Callable[[Image], int]:
    """A whole number that a station counts or numbers with."""
    if echo is None or echo.node in places.missing:
        return lambda _image: unreadable
    look = looker(echo.node, echo.pick, places)

    def decode(image: Image) -> int:
        seen = look(image)
        return seen if isinstance(seen, int) else unreadable

    return decode
