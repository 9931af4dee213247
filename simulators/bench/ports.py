"""Free ports of the loopback interface for servers that are to be started.

Rules of this file: a port is given to one asker only, whichever process it is in. Between the answer and the server that listens, and while a server that was
killed is not there again, nobody listens; so a datagram socket at the same number stands for it as long as this process lives.
"""

import atexit
import socket
from collections import deque
from random import SystemRandom

PORTS = range(20_000, 32_000)
"""Below those that Linux gives to outgoing connections by itself (ip_local_port_range: from 32768)."""
KEPT_MAX = 200
"""The oldest are given back first, so that a process that starts many servers does not run out of files."""

_kept: deque[socket.socket] = deque()


def free_ports(count: int) -> list[int]:
    """So many ports that nobody listens on now, and that nobody else is given who asks here.

    Raises:
        OSError: there are not so many.
    """
    found: list[int] = []
    for port in SystemRandom().sample(PORTS, len(PORTS)):
        if len(found) == count:
            break
        if _kept_by_us(port):
            found.append(port)
    if len(found) < count:
        raise OSError(f"no {count} free ports from {PORTS[0]} to {PORTS[-1]}")
    while len(_kept) > max(KEPT_MAX, count):
        _kept.popleft().close()
    return found


def _kept_by_us(port: int) -> bool:
    """Whether a port is free, and stays ours."""
    token = socket.socket(type=socket.SOCK_DGRAM)
    try:
        token.bind(("127.0.0.1", port))
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", port))
    except OSError:
        token.close()
        return False
    _kept.append(token)
    return True


@atexit.register
def _give_back() -> None:
    while _kept:
        _kept.pop().close()
