"""Which process drives a cell, named so that another one can tell whether it still lives.

Rules of this file:
- Dead is only what is proven dead: a process of this start of this machine, in this process namespace, whose number is free, has
  been given to another process, or whose body merely waits to be collected. Everything else may live.
- The kernel is asked, never a clock. Where it cannot be asked (no ``/proc``), nobody is ever proven dead.
"""

import os
import signal
import socket
from contextlib import suppress
from pathlib import Path

from supervisor.cell.value import value

_PROC = Path("/proc")
_STATE, _STARTED = 0, 19
"""Positions behind the name in ``/proc/PID/stat``: fields 3 and 22 of proc(5), of which the first two are cut off."""
_BODIES = ("Z", "X")


@value
class Holder:
    """A process. ``boot`` and ``space`` name the machine's start and the process namespace, ``started`` is in clock ticks after it."""

    host: str
    pid: int
    boot: str
    space: str
    started: str

    def __str__(self) -> str:
        """For people."""
        return f"process {self.pid} on {self.host}"

    def is_dead(self) -> bool:
        """Whether it is proven that this process does nothing any more."""
        if not self.boot or (self.boot, self.space) != (_boot(), _space()):
            return False
        state, started = _stat(self.pid)
        return started != self.started or state in _BODIES

    def kill(self) -> None:
        """End it as a power cut would, if it is certain that the number is still this process's own."""
        if not self.boot or (self.boot, self.space) != (_boot(), _space()):
            return
        with suppress(OSError):
            process = os.pidfd_open(self.pid)
            try:
                if _stat(self.pid)[1] == self.started:
                    signal.pidfd_send_signal(process, signal.SIGKILL)
            finally:
                os.close(process)


def this_process() -> Holder:
    """The process that asks."""
    pid = os.getpid()
    return Holder(
        host=socket.gethostname(), pid=pid, boot=_boot(), space=_space(), started=_stat(pid)[1]
    )


def _boot() -> str:
    try:
        return (_PROC / "sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def _space() -> str:
    try:
        return str((_PROC / "self/ns/pid").readlink())
    except OSError:
        return ""


def _stat(pid: int) -> tuple[str, str]:
    """State and start of a process; both "" if there is none."""
    try:
        fields = (_PROC / str(pid) / "stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return "", ""
    behind_name = fields.rpartition(")")[2].split()
    return behind_name[_STATE], behind_name[_STARTED]
