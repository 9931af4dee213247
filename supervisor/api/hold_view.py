"""Holds as people see them: what is wrong, what was seen, what to look at, and the answers that may be given."""

from typing import Literal

from pydantic import Field

from supervisor.api.schema import TEXT_MAX, Instant, Schema, instant, shown_by
from supervisor.api.waits import Now
from supervisor.cell.reading_order import reading_order
from supervisor.core.holds import HOLDS, JOURNAL_REFUSED
from supervisor.core.state import CellState, Hold
from supervisor.shell.ports import Head
from supervisor.shell.runtime import RuntimeStatus


class HoldView(Schema):
    """Something that waits for a person."""

    model_config = shown_by(
        {
            "hold": "hold-3120000042",
            "code": "door-stuck",
            "title": "The door of a station did not reach its position in time",
            "about": "station",
            "subject": "scan-1",
            "seen": "door reads moving while opening",
            "advice": "Look for something in the way of the door. 'try again' orders the door once more.",
            "answers": ["try again"],
            "reasoned": [],
            "since": "2025-11-25T09:14:03.250Z",
        }
    )

    hold: str
    """Its id; never used twice."""
    code: str
    """Its kind in the catalogue of holds. Codes only ever get added."""
    title: str
    about: Literal["station", "pallet", "handler", "cell"]
    subject: str
    """The id of that station, pallet, handler or cell."""
    seen: str
    """What was seen, in the words of the moment."""
    advice: str
    """What to look at first, and what each answer does."""
    answers: list[str]
    """The answers that may be given; none where it ends by itself."""
    reasoned: list[str]
    """Those of them that need a reason (``why``)."""
    since: Instant


class Release(Schema):
    """A person's answer to a hold."""

    model_config = shown_by({"answer": "try again", "by": "M. Weaver, shift 2"})

    answer: str = Field(min_length=1, max_length=TEXT_MAX)
    """One of the answers that the hold offers."""
    by: str = Field(min_length=1, max_length=TEXT_MAX)
    """Who answers; it is journalled."""
    why: str = Field(default="", max_length=TEXT_MAX)
    """The reason, for answers that need one; it is journalled."""
    place: str = Field(default="", max_length=TEXT_MAX)
    """The place that the answer is about, for answers that need one."""
    request_id: str = Field(default="", max_length=TEXT_MAX)
    """The idempotency key, for clients that cannot set a header."""


class Released(Schema):
    """The answer was journalled and taken by the cell."""

    model_config = shown_by(
        {
            "hold": "hold-3120000042",
            "answer": "try again",
            "by": "M. Weaver, shift 2",
            "seq": 1842,
            "at": "2025-11-25T09:15:11.004Z",
        }
    )

    hold: str
    answer: str
    by: str
    seq: int
    """The journal's number of the fact."""
    at: Instant


def hold_view(hold: Hold) -> HoldView:
    """One hold with the words of the catalogue."""
    kind = HOLDS[hold.code]
    return HoldView(
        hold=hold.hold,
        code=hold.code,
        title=kind.title,
        about=hold.about,
        subject=hold.subject,
        seen=hold.seen,
        advice=kind.advice,
        answers=list(hold.answers),
        reasoned=list(kind.reasoned),
        since=instant(hold.since_ms),
    )


def holds_view(state: CellState) -> list[HoldView]:
    """All holds, the oldest first."""
    holds = sorted(state.holds.values(), key=lambda hold: (hold.since_ms, reading_order(hold.hold)))
    return [hold_view(hold) for hold in holds]


def holds_now(now: Now, status: RuntimeStatus, head: Head) -> list[HoldView]:
    """All holds, with the one that no journal can hold: that the journal itself takes nothing."""
    if status.phase != "journal refused":
        return holds_view(now.state)
    return [_journal_refused(now, status, head), *holds_view(now.state)]


def _journal_refused(now: Now, status: RuntimeStatus, head: Head) -> HoldView:
    return HoldView(
        hold=JOURNAL_REFUSED.code,
        code=JOURNAL_REFUSED.code,
        title=JOURNAL_REFUSED.title,
        about="cell",
        subject=now.core.tables.cell.cell,
        seen=status.why,
        advice=JOURNAL_REFUSED.advice,
        answers=[],
        reasoned=[],
        since=instant(head.at_ms),
    )


def holds_about(state: CellState, subject: str) -> list[str]:
    """The ids of the holds about one thing."""
    found = (hold.hold for hold in state.holds.values() if hold.subject == subject)
    return sorted(found, key=reading_order)
