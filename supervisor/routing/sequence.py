"""Numbers without pattern that are the same on every machine, for what is tried by chance.

Rules of this file: integers only; a sequence depends on its seed and on nothing else.
"""

_WORD = (1 << 64) - 1
_FIRST = 88_172_645_463_325_252
"""Marsaglia's own first word."""
_SPREAD = 0x9E37_79B9_7F4A_7C15
"""The odd number next to 2^64 divided by the golden ratio, as in splitmix64: neighbouring seeds get words far apart."""


class Sequence:
    """Marsaglia's xorshift (Journal of Statistical Software 8, 2003, number 14; triple 13, 7, 17)."""

    __slots__ = ("_word",)

    def __init__(self, seed: int = 0) -> None:
        """Begin where the seed says."""
        self._word = (_FIRST ^ (seed * _SPREAD & _WORD)) or _FIRST

    def below(self, limit: int) -> int:
        """The next number, from 0 to ``limit`` - 1."""
        word = self._word
        word ^= (word << 13) & _WORD
        word ^= word >> 7
        word ^= (word << 17) & _WORD
        self._word = word
        return (word >> 11) % limit
