"""The clients that tests themselves use, to play the person at a station or to look at it from outside."""

from asyncua import Client

PATIENCE_S = 30.0
"""asyncua's client reads the server's state every ``watchdog_intervall`` (1 s unless said) and gives its connection up where that takes longer
than the same time (client.py, ``_wait_for_health_signal``): on a machine under load a server stands still for longer than a second."""


def patient(url: str) -> Client:
    """A client that a slow server does not lose; use it as a context."""
    return Client(url, timeout=PATIENCE_S, watchdog_intervall=PATIENCE_S)
