"""Systems outside that messages are sent to, as a cell file names them.

Rules of this file:
- Who is told decides nothing about parts: receivers are no part of the cell and its digest, like the security of connections.
- Every message is signed. The key stands outside the folder, under the name that is written here.
"""

from collections.abc import Iterator
from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field

from supervisor.cell.fields import Declared, Identifier, Text
from supervisor.cell.problem import Problem

RECEIVERS_MAX = 20
"""So many are followed at a time (S11)."""

About = Literal["verdicts", "checks", "advice"]


class ReceiverEntry(Declared):
    """A system that messages are sent to over HTTP, at least once each and in order."""

    id: Identifier = Field(description="Name of the receiver.")
    url: Text = Field(
        description="Where messages are posted: `https://HOST/PATH`, without user and password."
    )
    about: list[About] = Field(
        min_length=1,
        description="`verdicts`: every record of a part, when it is kept, and what a failed check casts doubt on. `checks`: what each check of a station with a reference part found. `advice`: where to correct, whenever advice is offered.",
    )
    secret: Identifier = Field(
        description="Name that the key is kept under which messages are signed with, outside the folder."
    )


def receiver_problems(entries: tuple[ReceiverEntry, ...]) -> Iterator[Problem]:
    """What does not go together."""
    seen: set[str] = set()
    for count, entry in enumerate(entries):
        if entry.id in seen:
            yield entry.problem(
                "id", expected="a name of its own", remedy="give each receiver another name"
            )
        seen.add(entry.id)
        if count == RECEIVERS_MAX:
            yield entry.problem(
                "id",
                expected=f"at most {RECEIVERS_MAX} receivers",
                remedy="have one of them pass messages on",
            )
        yield from _address_problems(entry)


def _address_problems(entry: ReceiverEntry) -> Iterator[Problem]:
    try:
        address = urlsplit(entry.url)
        sound = address.scheme in ("http", "https") and bool(address.hostname)
        _ = address.port
    except ValueError:
        sound, address = False, urlsplit("")
    if not sound or address.username is not None or address.fragment:
        yield entry.problem(
            "url",
            expected="an address without user and password",
            remedy="write it like https://mes.example/pointsman",
        )
    elif address.scheme == "http" and address.hostname not in ("127.0.0.1", "localhost", "::1"):
        yield entry.problem(
            "url",
            expected="https, as anybody on the way can read messages otherwise",
            remedy="use https; messages are signed in any case, so that nobody can forge or change them",
            grade="warning",
        )
