"""What people did with a record after it was closed: amendments and signatures.

Rules of this file:
- Every one stands in the journal; ``seq`` is its entry and ``at_ms`` the cell's time of it.
- A name is the one that was stated. Whoever shows a signature shows that, too.
"""

from supervisor.cell.value import value
from supervisor.verdict.change import Change

NOT_PROVEN = (
    "Names are as stated: this supervisor has no sign-in, so it has not proven who signed or amended. The journal proves when, and "
    "that nothing was changed since."
)


@value
class Amendment:
    """Who made a revision of the record, why, and what differs from the one before."""

    seq: int
    at_ms: int
    revision: int
    by: str
    why: str
    changes: tuple[Change, ...]


@value
class Signature:
    """Printed name, time and meaning (21 CFR 11.50), bound to one revision by the hash of the kept record (11.70)."""

    seq: int
    at_ms: int
    revision: int
    by: str
    meaning: str
    record_sha256: str


@value
class Papers:
    """All of one record of a part, in order. ``record_sha256`` is the hash of the record itself; ``last_revision`` the one in force."""

    record_sha256: str
    last_revision: int
    amendments: tuple[Amendment, ...]
    signatures: tuple[Signature, ...]
