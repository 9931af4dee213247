"""Amendments and signatures as people see and send them.

Rules of this file: a name is the one that was stated; there is no sign-in that could prove it.
"""

from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from supervisor.api.ports import Kept
from supervisor.api.schema import TEXT_MAX, Example, Instant, Schema, instant, shown_by
from supervisor.core.events import Meaning, RecordAmended, RecordSigned
from supervisor.report.papers import Amendment, Papers, Signature
from supervisor.shell.ports import JournalEntry

WHY_MAX = 1_000
NOT_BLANK = r"\S"
SHA256 = "3f9a61c1b5c64f3f0b7b2f6f8a4f5d3c2b1a09f8e7d6c5b4a39281706f5e4d3c"

AMENDMENT_EXAMPLE: Example = {
    "seq": 1851,
    "at": "2025-11-25T10:02:41.120Z",
    "revision": 2,
    "by": "M. Weaver, shift 2",
    "why": "tag was written for the batch before",
    "changes": [{"field": "batch", "before": "B-2025-0416", "after": "B-2025-0417"}],
}
SIGNATURE_EXAMPLE: Example = {
    "seq": 1860,
    "at": "2025-11-25T10:20:03.900Z",
    "revision": 2,
    "by": "R. Miller",
    "meaning": "approval",
    "record_sha256": SHA256,
    "name_proven": "no",
}


class ChangeView(Schema):
    """One changed field."""

    field: str
    before: str
    after: str


class AmendmentView(Schema):
    """Who made a revision of a record, why, and what differs from the one before."""

    model_config = shown_by(AMENDMENT_EXAMPLE)

    seq: int
    """The journal entry."""
    at: Instant
    revision: int
    """The revision that it made."""
    by: str
    why: str
    changes: list[ChangeView]


class SignatureView(Schema):
    """A signature with its meaning, bound to one revision of a record."""

    model_config = shown_by(SIGNATURE_EXAMPLE)

    seq: int
    at: Instant
    revision: int
    by: str
    """The printed name, as it was stated."""
    meaning: Meaning
    record_sha256: str
    name_proven: Literal["no"]
    """There is no sign-in yet: nobody has proven that the person is the one named."""


class PapersView(Schema):
    """What people did with the records of one part, in order."""

    model_config = shown_by({"amendments": [AMENDMENT_EXAMPLE], "signatures": [SIGNATURE_EXAMPLE]})

    amendments: list[AmendmentView]
    signatures: list[SignatureView]


class Amend(Schema):
    """What to amend in the record in force. A field that is null stays as it is."""

    model_config = shown_by(
        {
            "revision": 1,
            "by": "M. Weaver, shift 2",
            "why": "tag was written for the batch before",
            "batch": "B-2025-0417",
        }
    )

    revision: int = Field(ge=1)
    """The revision that the person has seen; refused where another one is in force."""
    by: str = Field(pattern=NOT_BLANK, max_length=TEXT_MAX)
    """Who amends; it is journalled."""
    why: str = Field(pattern=NOT_BLANK, max_length=WHY_MAX)
    """The reason; it stands on the record for ever."""
    batch: str | None = Field(default=None, max_length=TEXT_MAX)
    produced: str | None = Field(default=None, max_length=TEXT_MAX)
    withdraw: list[str] = Field(default=[], max_length=500)
    """Numbers of characteristics whose deciding value is withdrawn: they are not measured then, and the part's verdict follows."""
    request_id: str = Field(default="", max_length=TEXT_MAX)
    """The idempotency key, for clients that cannot set a header."""


class Sign(Schema):
    """A signature under the record in force."""

    model_config = shown_by(
        {"revision": 2, "record_sha256": SHA256, "by": "R. Miller", "meaning": "approval"}
    )

    revision: int = Field(ge=1)
    """The revision that the person has seen."""
    record_sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    """The hash of the record that the person has seen, as the part's record gives it."""
    by: str = Field(pattern=NOT_BLANK, max_length=TEXT_MAX)
    """The printed name of the person who signs."""
    meaning: Meaning
    """The words of 21 CFR 11.50(a)(3)."""
    request_id: str = Field(default="", max_length=TEXT_MAX)
    """The idempotency key, for clients that cannot set a header."""


def papers_of(kept: Kept, last_revision: int, entries: Sequence[JournalEntry]) -> Papers:
    """The papers of one visit of a part; ``entries`` are those of all its visits."""
    record = kept.record
    return Papers(
        record_sha256=kept.sha256,
        last_revision=last_revision,
        amendments=tuple(
            _amendment(each, each.event)
            for each in entries
            if isinstance(each.event, RecordAmended)
            and each.event.record.entered_ms == record.entered_ms
        ),
        signatures=tuple(
            _signature(each, each.event)
            for each in entries
            if isinstance(each.event, RecordSigned) and each.event.entered_ms == record.entered_ms
        ),
    )


def _amendment(entry: JournalEntry, event: RecordAmended) -> Amendment:
    return Amendment(
        seq=entry.seq,
        at_ms=entry.at_ms,
        revision=event.record.revision,
        by=event.by,
        why=event.why,
        changes=event.changes,
    )


def _signature(entry: JournalEntry, event: RecordSigned) -> Signature:
    return Signature(
        seq=entry.seq,
        at_ms=entry.at_ms,
        revision=event.revision,
        by=event.by,
        meaning=event.meaning,
        record_sha256=event.record_sha256,
    )


def papers_view(entries: Sequence[JournalEntry]) -> PapersView:
    """All amendments and signatures of a part."""
    return PapersView(
        amendments=[
            amendment_view(_amendment(each, each.event))
            for each in entries
            if isinstance(each.event, RecordAmended)
        ],
        signatures=[
            signature_view(_signature(each, each.event), each.event.meaning)
            for each in entries
            if isinstance(each.event, RecordSigned)
        ],
    )


def amendment_view(amendment: Amendment) -> AmendmentView:
    """One amendment."""
    return AmendmentView(
        seq=amendment.seq,
        at=instant(amendment.at_ms),
        revision=amendment.revision,
        by=amendment.by,
        why=amendment.why,
        changes=[
            ChangeView(field=each.field, before=each.before, after=each.after)
            for each in amendment.changes
        ],
    )


def signature_view(signature: Signature, meaning: Meaning) -> SignatureView:
    """One signature."""
    return SignatureView(
        seq=signature.seq,
        at=instant(signature.at_ms),
        revision=signature.revision,
        by=signature.by,
        meaning=meaning,
        record_sha256=signature.record_sha256,
        name_proven="no",
    )
