"""Chance that can be repeated.

Rules of this file:
- Whoever needs chance says what it is about; the same words give the same numbers in every process, on any day and at any speed.
- Nothing here reads or changes a generator that others share.
"""

import hashlib
from random import Random


def chance(*about: str | int) -> Random:
    """A generator of its own for one question, e.g. ``chance("noise", seed, "scan-1", run_id)``.

    The seed is the BLAKE2b digest of the words, so it depends neither on the process nor on PYTHONHASHSEED.
    """
    text = "\x1f".join(map(str, about))
    return Random(int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "big"))
