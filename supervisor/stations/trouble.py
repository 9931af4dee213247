"""What can go wrong outside, as exceptions of ours.

Rules of this file:
- ``LinkLost`` ends a connection; the link builds a new one. Its text is shown to people: it names the node or the step.
- ``ResultUnreadable`` and ``OrderImpossible`` concern one result or one order; the connection is not in doubt.
"""

from typing import Literal


class LinkLost(Exception):  # noqa: N818 - a fact about the outside, not an error of ours
    """A connection is gone, cannot be made or is not what the profile says.

    ``silent`` says whether the server still answers: "yes" means that saying goodbye would only wait for nothing.
    """

    def __init__(self, why: str, *, silent: Literal["yes", "no"] = "no") -> None:
        super().__init__(why)
        self.silent = silent


class UnderMaintenance(LinkLost):
    """The server asks its clients to leave it alone for a while."""


class ResultUnreadable(Exception):  # noqa: N818 - same
    """The result nodes do not hold what the profile says."""


class OrderImpossible(Exception):  # noqa: N818 - same
    """An order cannot be put into the types of the station; nothing was sent."""
