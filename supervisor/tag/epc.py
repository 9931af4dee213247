"""GS1 EPC binary coding of the two identities on a tag: GRAI-96 for the pallet, SGTIN-96 for the part.

Rules of this file:
- Header 8 bits, filter 3, partition 3, company prefix, reference, serial 38; together 96 bits, most significant bit first.
- Bit widths and decimal ranges per partition are those of GS1's own translation tables, ref.gs1.org/standards/tdt/2.0.0,
  GRAI-96.xml and SGTIN-96.xml (read); the prose of the Tag Data Standard was not at hand.
- Leading zeros of company prefix and reference count, so both are text; a serial has none, so it is a number.
"""

from supervisor.cell.value import value
from supervisor.tag.refusal import TagError

EPC_BYTES = 12
SERIAL_BITS = 38
SERIAL_MAX = (1 << SERIAL_BITS) - 1
FILTER_MAX = 7
COMPANY_DIGITS_MAX = 12
COMPANY_DIGITS_MIN = 6

GRAI_HEADER = 0x33
SGTIN_HEADER = 0x30

# By partition: bits of the company prefix. The prefix has 12 - partition digits; prefix and reference share 44 bits.
_COMPANY_BITS = (40, 37, 34, 30, 27, 24, 20)
_IDENTITY_BITS = 44

GTIN_DIGITS = 14


@value
class Grai:
    """A returnable asset, here a pallet: company prefix (6 to 12 digits), asset type (the rest to 12 digits), serial."""

    company: str
    asset_type: str
    serial: int
    filter_value: int = 0

    @property
    def pallet_id(self) -> str:
        """``grai:<company>.<type>.<serial>``, which does not depend on the filter value."""
        return f"grai:{self.company}.{self.asset_type}.{self.serial}"

    @property
    def tag_uri(self) -> str:
        """The EPC tag URI."""
        return f"urn:epc:tag:grai-96:{self.filter_value}.{self.company}.{self.asset_type}.{self.serial}"


@value
class Sgtin:
    """One part: company prefix (6 to 12 digits), item (indicator and item reference, the rest to 13 digits), serial."""

    company: str
    item: str
    serial: int
    filter_value: int = 0

    @property
    def gtin(self) -> str:
        """GTIN-14 with its check digit: what names the part type."""
        body = self.item[0] + self.company + self.item[1:]
        return body + check_digit(body)

    @property
    def tag_uri(self) -> str:
        """The EPC tag URI."""
        return f"urn:epc:tag:sgtin-96:{self.filter_value}.{self.company}.{self.item}.{self.serial}"


def check_digit(body: str) -> str:
    """The GS1 check digit of a digit text: weights 3, 1, 3 ... from the right, filled up to the next ten."""
    weighted = sum(int(digit) * (3, 1)[at % 2] for at, digit in enumerate(reversed(body)))
    return str(-weighted % 10)


def sgtin_of_gtin(gtin: str, company_digits: int, serial: int) -> Sgtin:
    """The part with a GTIN-14 whose company prefix has ``company_digits`` digits (a GTIN alone does not tell).

    Raises:
        TagError: "bad digits" or "bad check".
    """
    _require_digits("GTIN", gtin, GTIN_DIGITS)
    if gtin[-1] != check_digit(gtin[:-1]):
        raise TagError("bad check", f"GTIN {gtin} should end in {check_digit(gtin[:-1])}")
    _require_range(
        "digits of the company prefix", company_digits, COMPANY_DIGITS_MIN, COMPANY_DIGITS_MAX
    )
    company = gtin[1 : 1 + company_digits]
    return Sgtin(company=company, item=gtin[0] + gtin[1 + company_digits : -1], serial=serial)


def grai_of_bytes(epc: bytes) -> Grai:
    """Decode 12 bytes.

    Raises:
        TagError: "wrong header", "bad partition" or "bad digits".
    """
    require_header("pallet", epc, GRAI_HEADER)
    filter_value, company, asset_type, serial = _fields("pallet", epc, reference_extra_digits=0)
    return Grai(company=company, asset_type=asset_type, serial=serial, filter_value=filter_value)


def sgtin_of_bytes(epc: bytes) -> Sgtin:
    """Decode 12 bytes.

    Raises:
        TagError: "wrong header", "bad partition" or "bad digits".
    """
    require_header("part", epc, SGTIN_HEADER)
    filter_value, company, item, serial = _fields("part", epc, reference_extra_digits=1)
    return Sgtin(company=company, item=item, serial=serial, filter_value=filter_value)


def bytes_of_grai(grai: Grai) -> bytes:
    """Encode into 12 bytes.

    Raises:
        TagError: "bad digits".
    """
    _require_company(grai.company)
    _require_digits("asset type", grai.asset_type, COMPANY_DIGITS_MAX - len(grai.company))
    return _joined(GRAI_HEADER, grai.filter_value, grai.company, grai.asset_type, grai.serial)


def bytes_of_sgtin(sgtin: Sgtin) -> bytes:
    """Encode into 12 bytes.

    Raises:
        TagError: "bad digits".
    """
    _require_company(sgtin.company)
    _require_digits("item", sgtin.item, COMPANY_DIGITS_MAX + 1 - len(sgtin.company))
    return _joined(SGTIN_HEADER, sgtin.filter_value, sgtin.company, sgtin.item, sgtin.serial)


def require_header(what: str, epc: bytes, header: int) -> None:
    """Refuse a code whose first byte is not ``header``.

    Raises:
        TagError: "wrong header".
    """
    if epc[0] != header:
        raise TagError(
            "wrong header",
            f"the code of the {what} begins with {epc[0]:02X} instead of {header:02X}",
        )


def _fields(what: str, epc: bytes, reference_extra_digits: int) -> tuple[int, str, str, int]:
    """Filter value, company prefix, reference and serial; a GRAI's reference fills up to 12 digits, an SGTIN's to 13."""
    bits = int.from_bytes(epc, "big")
    partition = bits >> 82 & 7
    if partition >= len(_COMPANY_BITS):
        raise TagError(
            "bad partition", f"the code of the {what} has partition {partition}; 0 to 6 exist"
        )
    reference_bits = _IDENTITY_BITS - _COMPANY_BITS[partition]
    identity = bits >> SERIAL_BITS & (1 << _IDENTITY_BITS) - 1
    company = _digits(
        f"company prefix of the {what}", identity >> reference_bits, COMPANY_DIGITS_MAX - partition
    )
    reference = _digits(
        f"reference of the {what}",
        identity & (1 << reference_bits) - 1,
        partition + reference_extra_digits,
    )
    return bits >> 85 & FILTER_MAX, company, reference, bits & SERIAL_MAX


def _joined(header: int, filter_value: int, company: str, reference: str, serial: int) -> bytes:
    _require_range("filter value", filter_value, 0, FILTER_MAX)
    _require_range("serial", serial, 0, SERIAL_MAX)
    partition = COMPANY_DIGITS_MAX - len(company)
    reference_bits = _IDENTITY_BITS - _COMPANY_BITS[partition]
    identity = int(company) << reference_bits | int(reference or "0")
    start = (header << 3 | filter_value) << 3 | partition
    return ((start << _IDENTITY_BITS | identity) << SERIAL_BITS | serial).to_bytes(EPC_BYTES, "big")


def _digits(what: str, number: int, digits: int) -> str:
    """The number with exactly ``digits`` digits; with no digits only 0 is possible, and it is the empty text."""
    if number >= 10**digits:
        raise TagError("bad digits", f"the {what} is {number}; {digits} digits cannot hold it")
    return f"{number:0{digits}d}" if digits else ""


def _require_company(company: str) -> None:
    _require_range(
        "digits of the company prefix", len(company), COMPANY_DIGITS_MIN, COMPANY_DIGITS_MAX
    )
    _require_digits("company prefix", company, len(company))


def _require_digits(what: str, text: str, digits: int) -> None:
    if len(text) != digits or not all("0" <= character <= "9" for character in text):
        raise TagError("bad digits", f"the {what} is {text!r}; {digits} digits are needed")


def _require_range(what: str, number: int, least: int, most: int) -> None:
    if not least <= number <= most:
        raise TagError("bad digits", f"{what}: {number} is outside {least} to {most}")
