"""Signed heads: Ed25519 (RFC 8032) over the text of a head note.

Rules of this file:
- The private key is a file of its owner's: PKCS #8 in PEM, readable by nobody else, or it is not used. It is made here, never replaced.
- The public key lies beside it as ``<file>.pub`` and belongs on another machine: a proof is worth what its public key is worth.
- A key is named by the SHA-256 of its 32 raw bytes, in hexadecimal, the first 16 digits.
"""

import hashlib
import os
import stat
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)

from supervisor.shell.ports import Head
from supervisor.store.errors import StoreError
from supervisor.store.head_note import HeadNote

KEY_BYTES_MAX = 10_000
NAME_DIGITS = 16


class SigningKey:
    """Signs heads. The newest signed note is kept: many answers tell one head."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.name = key_name(key.public_key())
        self._newest = HeadNote(seq=-1, hash="")

    def note(self, head: Head) -> HeadNote:
        """The signed note of a head."""
        newest = self._newest
        if (newest.seq, newest.hash) == (head.seq, head.digest):
            return newest
        bare = HeadNote(seq=head.seq, at_ms=head.at_ms, hash=head.digest, key=self.name)
        signature = self._key.sign(bare.signed_text()).hex()
        self._newest = HeadNote(
            seq=bare.seq, at_ms=bare.at_ms, hash=bare.hash, key=bare.key, signature=signature
        )
        return self._newest

    def public(self) -> "VerifyingKey":
        """The key that its signatures are checked with."""
        return VerifyingKey(self._key.public_key())


class VerifyingKey:
    """Tells whether a head was signed by its private counterpart."""

    def __init__(self, key: Ed25519PublicKey) -> None:
        self._key = key
        self.name = key_name(key)

    def check(self, note: HeadNote, where: str) -> None:
        """Accept a note that this key's counterpart signed.

        Raises:
            StoreError: "head-unsigned" or "head-forged".
        """
        if not note.signature:
            seen = f"{where}: the head of entry {note.seq} bears no signature"
            raise StoreError("head-unsigned", seen, "Leave the key out to take it at its word")
        try:
            self._key.verify(bytes.fromhex(note.signature), note.signed_text())
        except (InvalidSignature, ValueError) as error:
            raise StoreError(
                "head-forged",
                f"{where}: the head of entry {note.seq} was not signed by key {self.name}"
                f" (it names key {note.key or 'none'})",
                "Use the public key of the supervisor that gave the head; if it is the right one, the note was changed",
            ) from error


def key_name(key: Ed25519PublicKey) -> str:
    """What a key is called."""
    raw = key.public_bytes(Encoding.Raw, PublicFormat.Raw)
    return hashlib.sha256(raw).hexdigest()[:NAME_DIGITS]


def make_key(path: Path) -> SigningKey:
    """Make a new key: the private one at ``path``, the public one beside it.

    Raises:
        StoreError: "key-there" or "key-unusable".
    """
    key = Ed25519PrivateKey.generate()
    private = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    public = key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    beside = public_path(path)
    for target in (path, beside):
        if target.exists():
            raise StoreError(
                "key-there",
                f"{target} exists",
                "A key is never replaced, for old heads need it: choose another name",
            )
    try:
        _write_new(path, private, 0o600)
        _write_new(beside, public, 0o644)
    except OSError as error:
        raise _unusable(f"{path} cannot be made: {error.strerror}") from error
    return SigningKey(key)


def public_path(path: Path) -> Path:
    """Where the public key of a private one lies."""
    return path.with_name(path.name + ".pub")


def _write_new(path: Path, content: bytes, mode: int) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(descriptor)


def signing_key(path: Path) -> SigningKey:
    """The private key in a file that only its owner can read.

    Raises:
        StoreError: "key-exposed" or "key-unusable".
    """
    try:
        with path.open("rb") as file:
            _check_private(path, os.fstat(file.fileno()))
            content = file.read(KEY_BYTES_MAX)
        key = load_pem_private_key(content, password=None)
    except OSError as error:
        raise _unusable(f"{path} cannot be read: {error.strerror}") from error
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise _unusable(f"{path} holds no unencrypted private key in PEM") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise _unusable(f"{path} holds a key of another kind than Ed25519")
    return SigningKey(key)


def _check_private(path: Path, status: os.stat_result) -> None:
    mode = stat.S_IMODE(status.st_mode)
    if not stat.S_ISREG(status.st_mode):
        raise _unusable(f"{path} is no regular file")
    if mode & 0o077:
        raise StoreError(
            "key-exposed",
            f"{path} has mode {mode:04o}: others than its owner can reach the private key",
            f"chmod 600 {path}; if others may have read it, make a new key",
        )
    if status.st_uid not in (0, os.geteuid()):
        seen = f"{path} belongs to user {status.st_uid}, not to the one that runs this"
        raise StoreError("key-exposed", seen, "Give the key to the user who runs the supervisor")


def verifying_key(path: Path) -> VerifyingKey:
    """The public key in a file.

    Raises:
        StoreError: "key-unusable".
    """
    try:
        with path.open("rb") as file:
            key = load_pem_public_key(file.read(KEY_BYTES_MAX))
    except OSError as error:
        raise _unusable(f"{path} cannot be read: {error.strerror}") from error
    except (ValueError, UnsupportedAlgorithm) as error:
        raise _unusable(f"{path} holds no public key in PEM") from error
    if not isinstance(key, Ed25519PublicKey):
        raise _unusable(f"{path} holds a key of another kind than Ed25519")
    return VerifyingKey(key)


def _unusable(seen: str) -> StoreError:
    return StoreError("key-unusable", seen, "Make a key with: pointsman key FILE")
