"""What has to be remembered between two images: how long a word has stood, and when the station last showed that it is alive.

Rules of this file:
- A facet that settles leaves a word at once and enters the next one only after it has stood: an interlock never passes on a bounce.
- A station counts as alive from the first change of its heartbeat on; before that nobody knows.
- Time is that of the readings, in seconds of our own monotonic clock.
"""

from typing import Any, Generic, TypeVar

from supervisor.cell.profile_language import Facet, Heartbeat
from supervisor.stations.decode import Places, looker
from supervisor.stations.reading import Image

W = TypeVar("W")

TICK_S = 0.05  # how often a connection with something to remember looks again without a message


class Settled(Generic[W]):
    """One facet; ``unsettled`` is its word until a new one has stood for ``settle_s``."""

    def __init__(self, settle_s: float, unsettled: W) -> None:
        self._settle_s = settle_s
        self._unsettled = unsettled
        self._word = unsettled
        self._since_s = 0.0

    def word(self, word: W, now_s: float) -> W:
        """The word that holds, of what is shown now."""
        if word != self._word:
            self._word, self._since_s = word, now_s
        return word if now_s - self._since_s >= self._settle_s else self._unsettled


def settled(facet: Facet[Any] | None, unsettled: W, speed: float) -> Settled[W]:
    """What remembers one facet at a station that runs ``speed`` times as fast as life."""
    settle_ms = 0 if facet is None or facet.settle_ms is None else facet.settle_ms
    return Settled(settle_ms / 1000 / speed, unsettled)


class Pulse:
    """The heartbeat of a connection; a profile without one is always alive."""

    def __init__(self, heartbeat: Heartbeat | None, places: Places) -> None:
        self._heart = None if heartbeat is None else Heart(heartbeat.within_s)
        self._look = None if heartbeat is None else looker(heartbeat.node, heartbeat.pick, places)

    def beats(self, image: Image, now_s: float) -> bool:
        """Whether the other side is alive."""
        if self._heart is None or self._look is None:
            return True
        return self._heart.beats(self._look(image), now_s)


class Heart:
    """A value that must change within ``within_s``."""

    def __init__(self, within_s: float) -> None:
        self._within_s = within_s
        self._known = False
        self._last: Any = None
        self._changed_s: float | None = None

    def beats(self, seen: object, now_s: float) -> bool:
        """Whether the station is alive, of what its heartbeat shows now. What cannot be read is no change."""
        if isinstance(seen, bool | int | float | str) and (not self._known or seen != self._last):
            if self._known:
                self._changed_s = now_s
            self._known, self._last = True, seen
        return self._changed_s is not None and now_s - self._changed_s <= self._within_s
