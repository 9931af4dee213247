"""What a pallet's tag says, from bytes and back: pure. Layout of the bytes: docs/reference/tag.md."""

from supervisor.tag.epc import Grai, Sgtin, check_digit, sgtin_of_gtin
from supervisor.tag.payload import TAG_BYTES, TagContent, decode, encode
from supervisor.tag.refusal import ADVICE, TagCode, TagError

__all__ = [
    "ADVICE",
    "TAG_BYTES",
    "Grai",
    "Sgtin",
    "TagCode",
    "TagContent",
    "TagError",
    "check_digit",
    "decode",
    "encode",
    "sgtin_of_gtin",
]
