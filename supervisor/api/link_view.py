"""Connections as people see them.

Rules of this file: an adapter tells what it knows; what is not granted or not known is null. Times here are real time, not the cell's.
"""

from supervisor.api.schema import Instant, Schema
from supervisor.core.events import Link
from supervisor.verdict.result import Quality


class GrantedView(Schema):
    """What the server made of the intervals asked for."""

    publishing_interval_s: float
    keep_alive_s: float
    lifetime_s: float
    sampling_interval_s: float
    """The slowest of all watched nodes."""
    session_s: float
    nodes: int
    """How many nodes are watched."""


class ValueView(Schema):
    """One watched value as it was last seen: never the value alone."""

    node: str
    """Its name in the interface profile."""
    value: str
    """As text, cut after 80 characters."""
    quality: Quality
    source_at: Instant | None
    """The source's own time; null where it gave none."""
    age_s: float
    """For how long it has been known here, by this machine's clock."""


class LinkView(Schema):
    """How one station, handler or reader is connected."""

    url: str
    security: str
    """How the connection is secured, in words: what the cell file declares, and the policy agreed on."""
    link: Link
    why: str
    """Why it is down ("" = it is up)."""
    boot: str
    """Changes whenever its server restarts."""
    asked_interval_s: float
    """The publishing interval that was asked for."""
    granted: GrantedView | None
    """Null while the link is down."""
    quiet_s: float
    """The age of the last message; values are at most this old plus one publishing interval."""
    without: list[str]
    """What the station has not of what its model leaves optional, each with what is then not known or not done."""
    values: list[ValueView]
    """The watched values, in the order of the profile; none while the link is down."""


UNKNOWN = LinkView(
    url="",
    security="",
    link="down",
    why="nothing is known of this connection",
    boot="",
    asked_interval_s=0.0,
    granted=None,
    quiet_s=0.0,
    without=[],
    values=[],
)
