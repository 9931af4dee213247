"""Why a tag is refused.

Rules of this file: one error type for the whole room; each code says what a person should do about it, here and nowhere else.
"""

from types import MappingProxyType
from typing import Literal

TagCode = Literal[
    "too short",
    "blank",
    "wrong header",
    "wrong magic",
    "unknown version",
    "contradictory",
    "wrong crc",
    "bad partition",
    "bad digits",
    "bad check",
    "bad character",
    "bad time",
    "too long",
]

ADVICE = MappingProxyType[TagCode, str](
    {
        "too short": "read the whole user memory; if it is complete, this is not a pallet tag of this cell: replace the tag",
        "blank": "the tag was never written or was erased: write it",
        "wrong header": "the tag carries another kind of code: write GRAI-96 for the pallet, then SGTIN-96 for the part",
        "wrong magic": "the tag carries no application record after its two codes: write it",
        "unknown version": "the tag was written by a newer program: update this supervisor or write the tag anew",
        "contradictory": "the tag was written by a faulty program: write it anew",
        "wrong crc": "the tag was misread, or its writing was interrupted: read again; if that fails, write it anew",
        "bad partition": "the tag was written by a faulty program: write it anew",
        "bad digits": "give each number with exactly its digits and within its range",
        "bad check": "correct the GTIN: its last digit does not belong to the others",
        "bad character": "use printable ASCII without blanks at either end",
        "bad time": "give the production time as whole seconds since 1970-01-01 UTC, below 2 to the power of 32",
        "too long": "shorten the batch text or use a tag with more memory",
    }
)


class TagError(Exception):
    """A payload that cannot be read or written: ``code`` for programs, ``seen`` what was found, ``advice`` what to do."""

    def __init__(self, code: TagCode, seen: str) -> None:
        self.code: TagCode = code
        self.seen = seen
        self.advice = ADVICE[code]
        super().__init__(f"{code}: {seen}; {self.advice}")
