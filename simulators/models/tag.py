"""What stands in the memory of a pallet's tag, written after docs/reference/tag.md and not after any reader of it.

Rules of this file:
- Only writing: a simulated tag is never understood here, so nobody tests the supervisor's reading against itself.
- ValueError says which of the values cannot be written.
"""

import struct
import zlib
from datetime import datetime

COMPANY_BITS = {12: 40, 11: 37, 10: 34, 9: 30, 8: 27, 7: 24, 6: 20}
"""Digits of a GS1 company prefix -> its bits in GRAI-96 and SGTIN-96; partition = 12 - digits (EPC Tag Data Standard 1.x)."""
SHARED_BITS = 44
SERIAL_BITS = 38
GRAI_96, SGTIN_96 = 0x33, 0x30
FILTER = {GRAI_96: 3, SGTIN_96: 3}
"""Any filter value will do; these are the ones of the page's example."""
MAGIC = b"PM"
VERSION = 1
BATCH_MAX = 40


def encode_tag(*, pallet: str, gtin: str, serial: str, batch: str, produced: str) -> bytes:
    """The payload of a tag. ``pallet`` is ``grai:<company>.<type>.<serial>``, ``produced`` an RFC 3339 time."""
    company, asset_type, pallet_serial = _pallet_parts(pallet)
    item = _item_of(gtin, company)
    codes = _epc(GRAI_96, company, asset_type, pallet_serial) + _epc(
        SGTIN_96, company, item, serial
    )
    covered = codes + _record(batch, produced)
    return covered + struct.pack(">I", zlib.crc32(covered))


def _pallet_parts(pallet: str) -> tuple[str, str, str]:
    scheme, _, rest = pallet.partition(":")
    parts = rest.split(".")
    if scheme != "grai" or len(parts) != 3 or len(parts[0]) not in COMPANY_BITS:  # noqa: PLR2004 - company, type, serial
        raise ValueError(
            f"pallet {pallet!r}: expected grai:<company prefix of 6 to 12 digits>.<type>.<serial>"
        )
    company, asset_type, serial = parts
    if len(company) + len(asset_type) != 12:  # noqa: PLR2004 - EPC: company prefix and asset type have 12 digits together
        raise ValueError(
            f"pallet {pallet!r}: expected 12 digits for company prefix and type together"
        )
    return company, asset_type, serial


def _item_of(gtin: str, company: str) -> str:
    if len(gtin) != 14 or not gtin.isdecimal():  # noqa: PLR2004 - a GTIN-14 has 14 digits
        raise ValueError(f"GTIN {gtin!r}: expected 14 digits")
    if gtin[1 : 1 + len(company)] != company:
        raise ValueError(
            f"GTIN {gtin!r}: expected the pallet's company prefix {company} after its first digit"
        )
    return gtin[0] + gtin[1 + len(company) : 13]


def _epc(header: int, company: str, reference: str, serial: str) -> bytes:
    if not (serial.isdecimal() and int(serial) < 2**SERIAL_BITS and serial == str(int(serial))):
        raise ValueError(
            f"serial {serial!r}: expected decimal digits without leading zeros, below 2^{SERIAL_BITS}"
        )
    company_bits = COMPANY_BITS[len(company)]
    number = header
    number = number << 3 | FILTER[header]
    number = number << 3 | 12 - len(company)
    number = number << company_bits | int(company)
    number = number << SHARED_BITS - company_bits | int(reference or "0")
    number = number << SERIAL_BITS | int(serial)
    return number.to_bytes(12, "big")


def _record(batch: str, produced: str) -> bytes:
    if (
        len(batch) > BATCH_MAX
        or batch != batch.strip(" ")
        or not all(" " <= sign <= "~" for sign in batch)
    ):
        raise ValueError(
            f"batch {batch!r}: expected up to {BATCH_MAX} printable ASCII characters, no blank at the ends"
        )
    time = datetime.fromisoformat(produced)
    if time.tzinfo is None:
        raise ValueError(f"production time {produced!r}: expected an RFC 3339 time with its offset")
    body = struct.pack(">I", int(time.timestamp())) + batch.encode("ascii")
    return MAGIC + struct.pack(">BB", VERSION, len(body)) + body
