"""How single values of a declaration are written, and the base of every mapping.

Rules of this file:
- Text is taken as written: ``revision: 1.10`` is the text "1.10", ``number: 012`` the text "012".
- Numbers are exact: they are made from the written text, never from a float.
- Refusals say what was expected and what to write instead.
"""

import re
from datetime import date
from decimal import Decimal
from typing import Annotated, Self
from urllib.parse import SplitResult, urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    ModelWrapValidatorHandler,
    PrivateAttr,
    model_validator,
)

from supervisor.cell.problem import Grade, Problem
from supervisor.cell.refusal import refuse
from supervisor.cell.table import Table, shown, text_of
from supervisor.cell.value import value

IDENTIFIER_LENGTH_MAX = 40
TEXT_LENGTH_MAX = 400
SECONDS_MAX = 86_400
GTIN_LENGTH = 14
RESERVED_IDENTIFIERS = (
    "unknown",
    "none",
    "jaw-1",
    "jaw-2",
)  # what the core says of places beside their names

_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,2})?")
_WHOLE = re.compile(r"[-+]?(0|[1-9]\d{0,8})")
_TOO_LONG = re.compile(r"[-+]?[1-9]\d{9,}")
_IDENTIFIER = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


class Declared(BaseModel):
    """A mapping of a declaration: strict, closed, unchangeable; it remembers where it stands in its file."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    _table: Table = PrivateAttr(default_factory=Table)

    @model_validator(mode="wrap")
    @classmethod
    def _remember(cls, data: object, handler: ModelWrapValidatorHandler[Self]) -> Self:
        declared = handler(data)
        if isinstance(data, Table):
            declared._table = data  # noqa: SLF001 - our own instance, just made
        return declared

    @property
    def where(self) -> Table:
        """The mapping of the file that this was read from."""
        return self._table

    def problem(
        self,
        key: str | None,
        *,
        expected: str,
        remedy: str,
        found: str = "",
        grade: Grade = "error",
    ) -> Problem:
        """A problem with one key of this mapping or with all of it (None); ``found`` is what is written unless it is said."""
        written = shown(self._table if key is None else self._table.get(key))
        return self._table.problem(
            key, expected=expected, found=found or written, remedy=remedy, grade=grade
        )


def _text(written: object) -> str:
    text = text_of(written)
    if text is None or not text.strip():
        raise refuse("a text", "write one; put it in quotes if it looks like something else")
    if text != text.strip() or len(text) > TEXT_LENGTH_MAX:
        limit = f"a text of at most {TEXT_LENGTH_MAX} characters without spaces around it"
        raise refuse(limit, "shorten it")
    return text


def _identifier(text: str) -> str:
    if not _IDENTIFIER.fullmatch(text) or len(text) > IDENTIFIER_LENGTH_MAX:
        raise refuse(
            f"lower-case letters, digits and single hyphens, at most {IDENTIFIER_LENGTH_MAX}",
            "write it like touch-1",
        )
    if text in RESERVED_IDENTIFIERS:
        raise refuse("a name that is not reserved", "choose another name")
    return text


def _exact(written: object) -> Decimal:
    text = text_of(written)
    if text is not None and _NUMBER.fullmatch(text):
        return Decimal(format(Decimal(text), "f"))
    if text is not None and _NUMBER.fullmatch(text.replace(",", ".", 1)):
        raise refuse("a number with a decimal point", f"write {text.replace(',', '.', 1)}")
    raise refuse("a number", "write digits with a decimal point, such as 25.010, and no unit")


def _whole(written: object) -> int:
    text = text_of(written)
    if text is not None and _TOO_LONG.fullmatch(text):
        raise refuse("a whole number of at most 9 digits", "write a smaller one")
    if text is None or not _WHOLE.fullmatch(text):
        raise refuse("a whole number", "write digits only, such as 1500, without a unit")
    return int(text)


def _date(text: str) -> str:
    try:
        written = date.fromisoformat(text)
    except ValueError:
        written = None
    if written is None or written.isoformat() != text:
        raise refuse("a date", "write year, month and day like 2026-04-30")
    return text


def _above_zero(number: Decimal) -> Decimal:
    if number <= 0:
        raise refuse("a number above 0", "write a positive number")
    return number


def _from_zero(number: int) -> int:
    if number < 0:
        raise refuse("a whole number from 0", "write 0 or more")
    return number


def _from_one(number: int) -> int:
    if number < 1:
        raise refuse("a whole number from 1", "write 1 or more")
    return number


def _whole_milliseconds(seconds: Decimal) -> Decimal:
    if seconds <= 0 or seconds > SECONDS_MAX or (seconds * 1000) % 1:
        raise refuse(
            "seconds above 0, at most a day, to the millisecond", "write it like 95 or 0.5"
        )
    return seconds


ADDRESS_REMEDY = "write it like opc.tcp://10.1.0.21:4840"


def is_address(text: str) -> bool:
    """Whether a text is the address of an OPC UA server."""
    parts = _url_parts(text)
    return parts is not None and parts.scheme == "opc.tcp" and bool(parts.hostname)


def _address(text: str) -> str:
    parts = _url_parts(text)
    if parts is None or not is_address(text):
        raise refuse("an OPC UA address", ADDRESS_REMEDY)
    if parts.username or parts.password:
        raise refuse("an address without credentials", "leave user and password out of the address")
    return text


def _url_parts(text: str) -> SplitResult | None:
    """The parts of an address; None if it is none, such as with a port that is no number up to 65535."""
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        return None
    return None if port == 0 else parts


def endpoint(address: str) -> str:
    """What two addresses of the same server have in common: host and port, 4840 being the registered port of OPC UA."""
    parts = urlsplit(address)
    host = (parts.hostname or "").lower()
    host = "127.0.0.1" if host in {"localhost", "::1"} else host
    return f"{host}:{parts.port or 4840}{parts.path.rstrip('/')}"


def _gtin(text: str) -> str:
    if not text.isascii() or not text.isdigit():
        raise refuse("a GTIN of 14 digits", "write digits only")
    if len(text) in {8, 12, 13}:
        raise refuse("a GTIN of 14 digits", f'put zeros in front: "{text.zfill(GTIN_LENGTH)}"')
    if len(text) != GTIN_LENGTH:
        raise refuse("a GTIN of 14 digits", f"it has {len(text)}: compare it with the tag")
    right = check_digit(text[:-1])
    if text[-1] != right:
        raise refuse(
            f"a GTIN whose check digit is {right}", "compare it with the tag: a digit is wrong"
        )
    return text


def check_digit(digits: str) -> str:
    """The GS1 check digit of the digits before it: weights 3 and 1 in turn from the right (GS1 General Specifications 7.9)."""
    total = sum(int(d) * (3 if n % 2 == 0 else 1) for n, d in enumerate(reversed(digits)))
    return str(-total % 10)


@value
class Written:
    """How a value is written, in words for the reference page."""

    words: str


Text = Annotated[str, BeforeValidator(_text), Written(words="text")]
Identifier = Annotated[
    str, BeforeValidator(_text), AfterValidator(_identifier), Written(words="name")
]
Address = Annotated[str, BeforeValidator(_text), AfterValidator(_address), Written(words="address")]
Gtin = Annotated[
    str, BeforeValidator(_text), AfterValidator(_gtin), Written(words="14 digits, in quotes")
]
Date = Annotated[str, BeforeValidator(_text), AfterValidator(_date), Written(words="date")]
Exact = Annotated[Decimal, BeforeValidator(_exact), Written(words="number")]
AboveZero = Annotated[
    Decimal, BeforeValidator(_exact), AfterValidator(_above_zero), Written(words="number above 0")
]
Seconds = Annotated[
    Decimal, BeforeValidator(_exact), AfterValidator(_whole_milliseconds), Written(words="seconds")
]
Whole = Annotated[int, BeforeValidator(_whole), Written(words="whole number")]
FromZero = Annotated[
    int,
    BeforeValidator(_whole),
    AfterValidator(_from_zero),
    Written(words="whole number from 0"),
]
FromOne = Annotated[
    int, BeforeValidator(_whole), AfterValidator(_from_one), Written(words="whole number from 1")
]
