"""The order in which names and the numbers of a drawing are listed for people: R2 before R10, 1.9 before 1.10, figures before letters.

Rules of this file: for what people read, and for plans. Whatever the core decides goes by the plain order of texts, which must never change.
"""

import re

_DIGITS = re.compile(r"([0-9]+)")

Key = tuple[tuple[tuple[str, int, str], ...], str]


def reading_order(name: str) -> Key:
    """A key for ``sorted``: digits count as the number that they write; two names are never equal."""
    pieces = _DIGITS.split(name)
    words, numbers = pieces[::2], [each.lstrip("0") for each in pieces[1::2]]
    # A number by its length and then its digits: names come from outside, and may hold more digits than int() takes.
    counted = [(len(each), each) for each in numbers] + [(-1, "")]
    return tuple((word, *number) for word, number in zip(words, counted, strict=True)), name
