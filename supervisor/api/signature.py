"""The signature of a message, by which its receiver knows that it is ours and unchanged.

Rules of this file:
- The form is that of the open specification "Standard Webhooks" 1.0.0 (headers ``webhook-id``, ``webhook-timestamp``,
  ``webhook-signature``; HMAC-SHA256 over id, timestamp and body joined by full stops; ``v1,`` and base64). From memory; HMAC after RFC 2104.
- The key is the secret's own bytes, or, where it begins with ``whsec_``, what follows in base64.
"""

import base64
import binascii
import hashlib
import hmac

PREFIX = "whsec_"
KEY_BYTES_MIN = 24


class KeyTooWeak(Exception):  # noqa: N818 - it says what is wrong with it
    """The secret cannot be used as a key."""


def key_of(secret: str) -> bytes:
    """The key that a secret holds.

    Raises:
        KeyTooWeak: it is shorter than 24 bytes, or no base64 after its prefix.
    """
    try:
        key = (
            base64.b64decode(secret.removeprefix(PREFIX), validate=True)
            if secret.startswith(PREFIX)
            else secret.encode()
        )
    except binascii.Error as error:
        raise KeyTooWeak(f"what follows {PREFIX} is no base64") from error
    if len(key) < KEY_BYTES_MIN:
        raise KeyTooWeak(f"it has {len(key)} bytes: expected {KEY_BYTES_MIN} at least")
    return key


def signature(key: bytes, name: str, timestamp: int, body: bytes) -> str:
    """What stands in the header ``webhook-signature``."""
    signed = b".".join((name.encode(), str(timestamp).encode(), body))
    digest = hmac.new(key, signed, hashlib.sha256).digest()
    return "v1," + base64.b64encode(digest).decode()
