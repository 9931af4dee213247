"""A tag's whole memory: the pallet's code, the part's code, and our application record. Layout: docs/reference/tag.md.

Rules of this file:
- Whatever the bytes are, decoding ends in a content or in a ``TagError``; no other error leaves.
- An EPC has no checksum of its own, so the record's CRC covers both codes as well as the record.
- The CRC is proven before any field is believed; only what tells foreign tags apart is looked at earlier.
- All numbers are big-endian. Bytes after the CRC are not looked at: an older, longer record may have left them.
"""

from datetime import UTC, datetime
from zlib import crc32

from supervisor.cell.value import value
from supervisor.tag.epc import (
    EPC_BYTES,
    GRAI_HEADER,
    SGTIN_HEADER,
    Grai,
    Sgtin,
    bytes_of_grai,
    bytes_of_sgtin,
    grai_of_bytes,
    require_header,
    sgtin_of_bytes,
)
from supervisor.tag.refusal import TagError

MAGIC = b"PM"
VERSION = 1
TAG_BYTES = 112  # user memory of a usual HF tag: 28 blocks of 4 bytes
BATCH_BYTES_MAX = 40

_RECORD_AT = 2 * EPC_BYTES
_LENGTH_AT = _RECORD_AT + len(MAGIC) + 1
_BODY_AT = _LENGTH_AT + 1
_TIME_BYTES = 4
_CRC_BYTES = 4
_PAYLOAD_BYTES_MIN = _BODY_AT + _TIME_BYTES + _CRC_BYTES
_TIME_S_MAX = (1 << 8 * _TIME_BYTES) - 1


@value
class TagContent:
    """What a tag says. ``produced_s`` is the production time in seconds since 1970-01-01 UTC; ``batch`` may be empty."""

    grai: Grai
    sgtin: Sgtin
    batch: str
    produced_s: int

    @property
    def pallet(self) -> str:
        """The pallet's identity, ``grai:<company>.<type>.<serial>``."""
        return self.grai.pallet_id

    @property
    def gtin(self) -> str:
        """What names the part type: GTIN-14."""
        return self.sgtin.gtin

    @property
    def serial(self) -> str:
        """The part's serial number as decimal text."""
        return str(self.sgtin.serial)

    @property
    def produced(self) -> str:
        """The production time after RFC 3339, in UTC."""
        return f"{datetime.fromtimestamp(self.produced_s, tz=UTC):%Y-%m-%dT%H:%M:%SZ}"


def decode(payload: bytes) -> TagContent:
    """Read a tag's memory.

    Raises:
        TagError: with the code that says why not.
    """
    _require_our_kind(payload)
    crc_at = _end_of_body(payload)
    _require_crc(payload, crc_at)
    return TagContent(
        grai=grai_of_bytes(payload[:EPC_BYTES]),
        sgtin=sgtin_of_bytes(payload[EPC_BYTES:_RECORD_AT]),
        batch=_batch_of_bytes(payload[_BODY_AT + _TIME_BYTES : crc_at]),
        produced_s=int.from_bytes(payload[_BODY_AT : _BODY_AT + _TIME_BYTES], "big"),
    )


def encode(content: TagContent, *, tag_bytes: int = TAG_BYTES) -> bytes:
    """The memory of a tag with ``tag_bytes`` bytes that says ``content``, filled up with zeros.

    Raises:
        TagError: "bad digits", "bad character", "bad time" or "too long".
    """
    if not 0 <= content.produced_s <= _TIME_S_MAX:
        raise TagError("bad time", f"production time {content.produced_s}")
    body = content.produced_s.to_bytes(_TIME_BYTES, "big") + _bytes_of_batch(content.batch)
    codes = bytes_of_grai(content.grai) + bytes_of_sgtin(content.sgtin)
    covered = codes + MAGIC + bytes((VERSION, len(body))) + body
    payload = covered + crc32(covered).to_bytes(_CRC_BYTES, "big")
    if len(payload) > tag_bytes:
        raise TagError("too long", f"{len(payload)} bytes are needed, the tag has {tag_bytes}")
    return payload.ljust(tag_bytes, b"\0")


def _require_our_kind(payload: bytes) -> None:
    if payload and payload.count(payload[0]) == len(payload) and payload[0] in {0x00, 0xFF}:
        raise TagError("blank", f"all {len(payload)} bytes are {payload[0]:02X}")
    if len(payload) < _PAYLOAD_BYTES_MIN:
        raise TagError(
            "too short", f"{len(payload)} bytes; at least {_PAYLOAD_BYTES_MIN} are needed"
        )
    require_header("pallet", payload, GRAI_HEADER)
    require_header("part", payload[EPC_BYTES:], SGTIN_HEADER)
    magic = payload[_RECORD_AT : _RECORD_AT + len(MAGIC)]
    if magic != MAGIC:
        raise TagError(
            "wrong magic",
            f"the record begins with {magic.hex().upper()} instead of {MAGIC.hex().upper()}",
        )
    version = payload[_LENGTH_AT - 1]
    if version != VERSION:
        raise TagError(
            "unknown version", f"the record has version {version}; version {VERSION} is known"
        )


def _end_of_body(payload: bytes) -> int:
    """Where the CRC begins, from the length byte."""
    length = payload[_LENGTH_AT]
    if not _TIME_BYTES <= length <= _TIME_BYTES + BATCH_BYTES_MAX:
        raise TagError(
            "contradictory",
            f"the record says that its body has {length} bytes; {_TIME_BYTES} to {_TIME_BYTES + BATCH_BYTES_MAX} are possible",
        )
    end = _BODY_AT + length
    if end + _CRC_BYTES > len(payload):
        raise TagError(
            "too short", f"{len(payload)} bytes; the record ends at byte {end + _CRC_BYTES}"
        )
    return end


def _require_crc(payload: bytes, crc_at: int) -> None:
    stated = int.from_bytes(payload[crc_at : crc_at + _CRC_BYTES], "big")
    computed = crc32(payload[:crc_at])
    if stated != computed:
        raise TagError("wrong crc", f"the tag says {stated:08X}, its bytes give {computed:08X}")


def _batch_of_bytes(raw: bytes) -> str:
    batch = raw.decode("latin-1")  # every byte is a character, so that the refusal can show it
    _require_printable(batch)
    return batch


def _bytes_of_batch(batch: str) -> bytes:
    _require_printable(batch)
    if len(batch) > BATCH_BYTES_MAX:
        raise TagError(
            "too long",
            f"the batch text has {len(batch)} characters; {BATCH_BYTES_MAX} are possible",
        )
    return batch.encode("ascii")


def _require_printable(batch: str) -> None:
    if batch != batch.strip() or not all(" " <= character <= "~" for character in batch):
        raise TagError("bad character", f"the batch text is {batch!r}")
