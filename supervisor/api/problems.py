"""Refusals, as problem details (RFC 9457).

Rules of this file:
- Every refusal of the interface, whoever raised it, leaves as ``application/problem+json`` with a number, what was found, and what to do.
- Numbers and names only ever get added: line controllers compare them.
- Nothing of the inside gets out: an unexpected error is logged here and says no more than that.
"""

import logging
import re
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from supervisor.api.schema import Schema, shown_by
from supervisor.cell.value import value
from supervisor.shell.inbox import InboxClosed
from supervisor.shell.ports import JournalRefused

MEDIA_TYPE = "application/problem+json"
MAY_BE_MISSING: dict[str, Any] = {"responses": {"404": {"$ref": "#/components/responses/404"}}}
"""For an operation without a name in its address that may still find nothing."""

_log = logging.getLogger(__name__)


@value
class Kind:
    """An entry of the catalogue of refusals."""

    code: int
    name: str
    status: int
    title: str
    fix: str


UNEXPECTED = Kind(
    code=1,
    name="unexpected",
    status=500,
    title="Pointsman failed to answer",
    fix="Ask again; if it happens again, report it with the log of this moment.",
)
NO_SUCH_ADDRESS = Kind(
    code=2,
    name="no-such-address",
    status=404,
    title="There is nothing at this address",
    fix="The addresses are listed at /docs.",
)
METHOD_NOT_ALLOWED = Kind(
    code=3,
    name="method-not-allowed",
    status=405,
    title="This address does not take this method",
    fix="Use a method that the Allow header names.",
)
BODY_TOO_LARGE = Kind(
    code=4,
    name="body-too-large",
    status=413,
    title="The request is larger than this interface takes",
    fix="No request of this interface needs more than 65536 bytes.",
)
NOT_UNDERSTOOD = Kind(
    code=5,
    name="not-understood",
    status=422,
    title="The request is not what this address expects",
    fix="Correct the fields that are named.",
)
REFUSED = Kind(
    code=6,
    name="refused",
    status=400,
    title="The request was refused",
    fix="See the detail.",
)
HOST_UNKNOWN = Kind(
    code=7,
    name="host-unknown",
    status=421,
    title="The request is addressed to somebody else",
    fix="Use the address that Pointsman printed at its start.",
)
KEY_MISSING = Kind(
    code=10,
    name="key-missing",
    status=400,
    title="The request has no idempotency key",
    fix="Send a header Idempotency-Key, or a field request_id, with a text that you use for this request and its repetitions only.",
)
KEY_REUSED = Kind(
    code=11,
    name="key-reused",
    status=422,
    title="The idempotency key was used for another request",
    fix="Take a new key for each new request.",
)
KEY_IN_USE = Kind(
    code=12,
    name="key-in-use",
    status=409,
    title="A request with this idempotency key is still being answered",
    fix="Ask again in a second.",
)
NAME_UNKNOWN = Kind(
    code=20,
    name="name-unknown",
    status=404,
    title="There is no such thing in this cell",
    fix="Take an id from the list at the address above this one.",
)
HOLD_NOT_OPEN = Kind(
    code=21,
    name="hold-not-open",
    status=404,
    title="No such hold is open",
    fix="It may have been answered already: look at the open holds.",
)
ANSWER_NOT_OFFERED = Kind(
    code=22,
    name="answer-not-offered",
    status=422,
    title="The hold does not offer this answer",
    fix="Give one of its answers, as it is written.",
)
REASON_MISSING = Kind(
    code=29,
    name="reason-missing",
    status=422,
    title="The answer needs a reason",
    fix="Say in `why` what you found and why it may go on; it is journalled.",
)
SEVERAL_PARTS = Kind(
    code=23,
    name="several-parts",
    status=409,
    title="The serial number belongs to parts of several types",
    fix="Add part_type to the question.",
)
RECORD_MOVED = Kind(
    code=24,
    name="record-moved",
    status=409,
    title="Another record is in force than the one that was seen",
    fix="Read the part's record again, look at what changed, then amend or sign that one.",
)
PART_INSIDE = Kind(
    code=25,
    name="part-inside",
    status=409,
    title="The part is in the cell",
    fix="Its record may still grow: take the pallet out first.",
)
NOT_AMENDED = Kind(
    code=26,
    name="not-amended",
    status=422,
    title="The amendment does not fit the record",
    fix="See the detail and the part's record.",
)
ADVICE_MOVED = Kind(
    code=27,
    name="advice-moved",
    status=409,
    title="Another advice is in force than the one that was seen",
    fix="Read the advice again, look at what changed, then accept or decline that one.",
)
STUDY_REFUSED = Kind(
    code=28,
    name="study-refused",
    status=409,
    title="The gauge study cannot be carried out as it was ordered",
    fix="See the detail; order it again once that is put right.",
)
RESERVATION_REFUSED = Kind(
    code=36,
    name="reservation-refused",
    status=409,
    title="What the line asks for this pallet cannot be done",
    fix="See the detail; put it right, or ask where the pallet goes and reserve again.",
)
RESERVED_BY_ANOTHER = Kind(
    code=37,
    name="reserved-by-another",
    status=409,
    title="Another one keeps this pallet to carry it",
    fix="Wait until its time is over, or have its holder give it up.",
)
NOT_DECIDING = Kind(
    code=30,
    name="not-deciding",
    status=503,
    title="The supervisor does not decide at the moment",
    fix="See the detail; the cell's view says the same under step and trouble.",
)
NOT_CONFIRMED = Kind(
    code=31,
    name="not-confirmed",
    status=503,
    title="The request was not confirmed in time and may still take effect",
    fix="Look at the cell, then repeat the request with the same idempotency key if it had no effect.",
)
JOURNAL_UNAVAILABLE = Kind(
    code=32,
    name="journal-unavailable",
    status=503,
    title="The database does not answer",
    fix="Check the database; ask again.",
)
TOO_MANY_WATCHERS = Kind(
    code=33,
    name="too-many-watchers",
    status=503,
    title="As many event streams as this interface serves are open",
    fix="Close one, or read the journal instead.",
)
STARTING = Kind(
    code=34,
    name="starting",
    status=503,
    title="The supervisor is starting",
    fix="Ask again in a second.",
)

STANDING_BY = Kind(
    code=35,
    name="standing-by",
    status=503,
    title="This supervisor stands by: another one drives the cell",
    fix="Ask the one that drives, or ask again after the seconds in the header Retry-After.",
)
RETRY_AFTER_S = "1"

CATALOGUE = (
    UNEXPECTED,
    NO_SUCH_ADDRESS,
    METHOD_NOT_ALLOWED,
    BODY_TOO_LARGE,
    NOT_UNDERSTOOD,
    REFUSED,
    HOST_UNKNOWN,
    KEY_MISSING,
    KEY_REUSED,
    KEY_IN_USE,
    NAME_UNKNOWN,
    HOLD_NOT_OPEN,
    ANSWER_NOT_OFFERED,
    SEVERAL_PARTS,
    RECORD_MOVED,
    PART_INSIDE,
    NOT_AMENDED,
    ADVICE_MOVED,
    STUDY_REFUSED,
    RESERVATION_REFUSED,
    RESERVED_BY_ANOTHER,
    REASON_MISSING,
    NOT_DECIDING,
    NOT_CONFIRMED,
    JOURNAL_UNAVAILABLE,
    TOO_MANY_WATCHERS,
    STARTING,
    STANDING_BY,
)


class FieldProblem(Schema):
    """What is wrong with one field."""

    field: str
    """Where it is, such as "body.answer"."""
    seen: str


class Problem(Schema):
    """A refusal (RFC 9457)."""

    model_config = shown_by(
        {
            "type": "urn:pointsman:problem:hold-not-open",
            "title": HOLD_NOT_OPEN.title,
            "status": HOLD_NOT_OPEN.status,
            "code": HOLD_NOT_OPEN.code,
            "detail": "hold-3120000042 is not open",
            "fix": HOLD_NOT_OPEN.fix,
            "instance": "/api/v1/holds/hold-3120000042/release",
            "fields": [],
        }
    )

    type: str
    """A name for the kind of refusal; nothing is to be found there."""
    title: str
    status: int
    code: int
    """The same kind as a number."""
    detail: str
    """What was found."""
    fix: str
    """What to do."""
    instance: str
    """The address that was asked."""
    fields: list[FieldProblem]


class Refusal(Exception):  # noqa: N818 - an answer, not an error of ours
    """A route refuses, with an entry of the catalogue and what was found."""

    def __init__(self, kind: Kind, detail: str) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail


def answer_problems(app: FastAPI) -> None:
    """Have every refusal leave as a problem."""
    app.add_exception_handler(Refusal, _refused)
    app.add_exception_handler(RequestValidationError, _not_understood)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(InboxClosed, _not_deciding)
    app.add_exception_handler(JournalRefused, _journal_unavailable)
    app.add_exception_handler(Exception, _unexpected)


def problem_of(
    kind: Kind, instance: str, detail: str, fields: Sequence[FieldProblem] = ()
) -> Problem:
    """A refusal as it leaves."""
    return Problem(
        type=f"urn:pointsman:problem:{kind.name}",
        title=kind.title,
        status=kind.status,
        code=kind.code,
        detail=detail,
        fix=kind.fix,
        instance=instance,
        fields=list(fields),
    )


def problem_answer(
    kind: Kind,
    instance: str,
    detail: str,
    *,
    fields: Sequence[FieldProblem] = (),
    headers: Mapping[str, str] | None = None,
) -> JSONResponse:
    """The answer to a refused request; one that may do better later says when to ask again (RFC 9110 10.2.3)."""
    later = {"Retry-After": RETRY_AFTER_S} if kind.status == HTTPStatus.SERVICE_UNAVAILABLE else {}
    return JSONResponse(
        problem_of(kind, instance, detail, fields).model_dump(),
        status_code=kind.status,
        media_type=MEDIA_TYPE,
        headers={"Cache-Control": "no-store", **later, **(headers or {})},
    )


async def _refused(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, Refusal)
    return problem_answer(error.kind, request.url.path, error.detail)


async def _not_understood(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    kind_of_body = request.headers.get("Content-Type", "")
    fields = [_field_problem(each, kind_of_body) for each in error.errors()]
    detail = "; ".join(f"{each.field}: {each.seen}" for each in fields)
    return problem_answer(NOT_UNDERSTOOD, request.url.path, detail, fields=fields)


FOUND_LENGTH_MAX = 60
_SEEN = {
    "missing": "is needed and was not given",
    "extra_forbidden": "is not known here",
    "json_invalid": "is no JSON",
    "string_too_short": "needs at least {min_length} character(s)",
    "string_too_long": "may have at most {max_length} characters",
    "greater_than_equal": "expected {ge} or more, found {input}",
    "less_than_equal": "expected {le} or less, found {input}",
    "int_parsing": "expected a whole number, found {input}",
    "int_type": "expected a whole number, found {input}",
    "string_type": "expected a text, found {input}",
    "model_attributes_type": "expected an object, found {input}",
    "literal_error": "expected {expected}, found {input}",
    "enum": "expected {expected}, found {input}",
}
"""What the commonest of the framework's refusals mean, in the words of this interface. What is not listed is said as the framework does."""


_NO_OBJECT = ("model_attributes_type", "dict_type")
JSON_TYPE = re.compile(r"application/([\w.-]+\+)?json\s*(;|$)", re.IGNORECASE)


def _field_problem(error: Mapping[str, Any], kind_of_body: str) -> FieldProblem:
    kind = str(error.get("type", ""))
    if (
        kind in _NO_OBJECT
        and tuple(error["loc"]) == ("body",)
        and not JSON_TYPE.match(kind_of_body)
    ):
        # The framework does not read such a body, so it is the header that is to be put right.
        found = f"found {kind_of_body[:FOUND_LENGTH_MAX]}" if kind_of_body else "none was given"
        seen = f"expected Content-Type: application/json, {found}"
        return FieldProblem(field="header.content-type", seen=seen)
    # What is no JSON has no field: the framework names the position of the character.
    where = "body" if kind == "json_invalid" else ".".join(str(step) for step in error["loc"])
    told = _SEEN.get(kind, "{msg}")
    found = str(error.get("input", ""))[:FOUND_LENGTH_MAX]
    seen = told.format_map({**error.get("ctx", {}), "msg": error["msg"], "input": repr(found)})
    return FieldProblem(field=where, seen=seen)


_BY_STATUS = {404: NO_SUCH_ADDRESS, 405: METHOD_NOT_ALLOWED, 413: BODY_TOO_LARGE}


async def _http(request: Request, error: Exception) -> JSONResponse:
    """What the framework refuses, with the headers that it gave (405 names the allowed methods)."""
    assert isinstance(error, HTTPException)
    kind = _BY_STATUS.get(error.status_code)
    if kind is None:
        title = HTTPStatus(error.status_code).phrase
        kind = Kind(
            code=REFUSED.code,
            name=REFUSED.name,
            status=error.status_code,
            title=title,
            fix=REFUSED.fix,
        )
    detail = f"{request.method} {request.url.path}: {error.detail}"
    headers = dict(error.headers or {})
    if error.status_code == METHOD_NOT_ALLOWED.status and (methods := _methods_at(request)):
        headers["Allow"] = ", ".join(sorted(methods))
    return problem_answer(kind, request.url.path, detail, headers=headers)


def _methods_at(request: Request) -> set[str]:
    """The documented methods of an address; the framework itself names only those of the first route with this address."""
    found: set[str] = set()
    for template, methods in request.app.openapi()["paths"].items():
        if re.fullmatch(re.sub(r"\{[^}]+\}", "[^/]+", template), request.url.path):
            found |= {method.upper() for method in methods}
    return found


async def _not_deciding(request: Request, error: Exception) -> JSONResponse:
    return problem_answer(NOT_DECIDING, request.url.path, str(error))


async def _journal_unavailable(request: Request, error: Exception) -> JSONResponse:
    return problem_answer(JOURNAL_UNAVAILABLE, request.url.path, str(error))


async def _unexpected(request: Request, error: Exception) -> JSONResponse:
    _log.error("%s %s failed", request.method, request.url.path, exc_info=error)
    return problem_answer(UNEXPECTED, request.url.path, "the cause is in the supervisor's log")
