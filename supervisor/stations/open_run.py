"""The run whose result is still to come, so that a result which the station gave while nobody listened is asked for.

Rules of this file:
- A run is open once the station showed it at work. It is closed by its result, by an abort, or by having been asked for.
- A run that was only ordered counts on a new connection alone: the image of the old one may lag behind the order.
"""

from supervisor.core.events import Work


class OpenRun:
    """What one process has seen of the runs of one station."""

    def __init__(self) -> None:
        self._shown = self._shown_serial = ""
        self._ordered = self._ordered_serial = ""

    def ordered(self, run_id: str, serial: str) -> None:
        """A start is about to be given."""
        self._ordered, self._ordered_serial = run_id, serial

    def close(self) -> None:
        """Nothing is missed: the result came, was asked for, or will not come."""
        self._shown = self._ordered = ""

    def reconnected(self) -> None:
        """The image of a new connection shows whatever came of a start before."""
        if self._ordered:
            self._shown, self._shown_serial = self._ordered, self._ordered_serial

    def look(self, run_id: str, serial: str, work: Work) -> None:
        """Take note of what the station shows."""
        if run_id and work in ("running", "part free"):
            self._shown, self._shown_serial = run_id, serial
        elif work == "aborted":
            self.close()

    def missed(self, work: Work) -> tuple[str, str] | None:
        """The run and serial number whose result was missed: it was at work, and the station shows nothing of it any more."""
        gone = self._shown and work in ("idle", "prepared")
        return (self._shown, self._shown_serial) if gone else None
