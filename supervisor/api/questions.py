"""Questions by address: a parameter that an address does not know is refused.

Rules of this file: who misspells ``batch`` must not be given the records of every batch, and who asks for ``/shift?shift=last`` not the
running one.
"""

from collections.abc import Iterator

from fastapi import Request
from fastapi.dependencies.models import Dependant
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute


def only_known(request: Request) -> None:
    """Refuse parameters that the address does not know.

    Raises:
        RequestValidationError: there are such.
    """
    route = request.scope["route"]
    assert isinstance(route, APIRoute), "a route of the interface"
    known = frozenset(_named(route.dependant))
    strange = [name for name in request.query_params if name not in known]
    if strange:
        told = f"known are {', '.join(sorted(known))}" if known else "it knows none"
        seen = f"is not known at this address; {told}"
        raise RequestValidationError([{"loc": ("query", name), "msg": seen} for name in strange])


def _named(dependant: Dependant) -> Iterator[str]:
    yield from (each.alias for each in dependant.query_params)
    for below in dependant.dependencies:
        yield from _named(below)
