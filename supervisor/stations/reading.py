"""What a station said, with everything that is needed to judge it.

Rules of this file:
- Nobody hands out a bare value: a value travels with its quality, its source time and when we saw it.
- Only "good" may be interpreted; the rest is for showing.
"""

from typing import Any, NamedTuple

from supervisor.verdict.result import Quality


class Reading(NamedTuple):
    """One value of one node. ``source_ms`` is the source's clock (0 where it gave none), ``seen_s`` our own monotonic clock."""

    value: Any
    quality: Quality
    source_ms: int
    seen_s: float

    def age_s(self, now_s: float) -> float:
        """For how long we have had it, in seconds of our own clock."""
        return now_s - self.seen_s


UNREAD = Reading(None, "bad", 0, 0.0)

Image = list[Reading]


def legible(text: str) -> str:
    """A text with U+FFFD for what was no UTF-8 on the wire.

    The library hands such bytes over as half surrogate pairs, which neither journal nor page can write: one bad byte in a name
    would end the supervisor.
    """
    if text.isascii():
        return text
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
