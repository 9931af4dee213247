"""This supervisor's own application certificate: made on the first start, followed by the next one in good time.

Rules of this file:
- The private key never leaves ``own/``, is readable by its owner alone, and is loaded once per process (some 50 ms of computing).
- A new certificate has to be trusted at every station before it can be used there. So the next one is made ``NEXT_DAYS`` before the end and
  only taken into use ``TAKE_DAYS`` before it, or when a person says so: links do not break on the day of the change.
- The application URI is made once and stays: it is what stations know us by.
"""

import os
import socket
import stat
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from asyncua.crypto.cert_gen import (
    dump_private_key_as_pem,
    generate_private_key,
    generate_self_signed_app_certificate,
)
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key
from cryptography.x509.oid import ExtendedKeyUsageOID

from supervisor.cell.value import value
from supervisor.stations.certificate import encoded, uris
from supervisor.stations.trust import KeysWrong, read_certificate, write_file

VALID_DAYS = 730
NEXT_DAYS = 60
TAKE_DAYS = 7


@value
class Identity:
    """A certificate and its private key."""

    certificate: x509.Certificate
    key: Any

    @property
    def uri(self) -> str:
        """The application URI that it names."""
        return uris(self.certificate)[0]

    @property
    def ends(self) -> datetime:
        """When it expires."""
        return self.certificate.not_valid_after_utc


class OwnKeys:
    """What lies in ``own/`` below ``folder``: the pair in use as ``current.pem``, in its last weeks the next one as ``next.pem``.

    Beside each lies its certificate alone (``*.der``), which is what a station needs.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "own"
        self._current: Identity | None = None
        self._changing = threading.Lock()

    def identity(self) -> Identity:
        """The certificate in use: made if there is none, changed for the next one when its time has come.

        Links ask for it in threads of their own, as making a key takes up to a second of computing.

        Raises:
            KeysWrong: there is something that cannot be used.
        """
        with self._changing:
            return self._identity()

    def _identity(self) -> Identity:
        if self._current is None:
            self._current = self._read("current") or self._made("current", _new_uri())
        left = self._current.ends - datetime.now(UTC)
        if left < timedelta(days=NEXT_DAYS) and not self._exists("next"):
            self._made("next", self._current.uri)
        if left < timedelta(days=TAKE_DAYS):
            self.take_next()
        return self._current

    def next(self) -> Identity | None:
        """The certificate that will follow, once it is made."""
        return self._read("next")

    def prepare_next(self) -> Identity:
        """Make the certificate that will follow now; the one that is prepared already where there is one."""
        return self._read("next") or self._made("next", self.identity().uri)

    def take_next(self) -> Identity:
        """Use the next certificate from now on; the former one is kept under its last day, without its key.

        Raises:
            KeysWrong: there is none.
        """
        following, former = self._read("next"), self._read("current")
        if following is None or former is None:
            message = (
                f"{self.folder} holds no next certificate; make one with: pointsman keys renew"
            )
            raise KeysWrong(message)
        write_file(
            self.folder / f"until-{former.ends:%Y-%m-%d-%H%M%S}.der", encoded(former.certificate)
        )
        (self.folder / "next.pem").replace(
            self.folder / "current.pem"
        )  # in one piece or not at all
        (self.folder / "next.der").unlink(missing_ok=True)
        self._publish("current", following)
        self._current = following
        return following

    def _exists(self, name: str) -> bool:
        return (self.folder / f"{name}.pem").exists()

    def _read(self, name: str) -> Identity | None:
        """The pair in a file."""
        if not self._exists(name):
            return None
        path = self.folder / f"{name}.pem"
        key, certificate = read_private_key(path), read_certificate(path)
        if key.public_key() != certificate.public_key():
            message = f"the key and the certificate in {path} do not belong together; put the right pair there, or remove it"
            raise KeysWrong(message)
        if not uris(certificate):
            message = f"the certificate in {path} names no application URI; have one made that does, or remove it"
            raise KeysWrong(message)
        return Identity(certificate=certificate, key=key)

    def _made(self, name: str, uri: str) -> Identity:
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            message = (
                f"{self.folder} cannot be made: {error.strerror}; name another folder with --keys"
            )
            raise KeysWrong(message) from error
        key = generate_private_key()
        certificate = generate_self_signed_app_certificate(
            key,
            "Pointsman",
            {"organizationName": "Pointsman"},
            [x509.UniformResourceIdentifier(uri), x509.DNSName(_host())],
            [ExtendedKeyUsageOID.CLIENT_AUTH],
            days=VALID_DAYS,
        )
        made = Identity(certificate=certificate, key=key)
        pair = dump_private_key_as_pem(key) + certificate.public_bytes(Encoding.PEM)
        write_file(self.folder / f"{name}.pem", pair)
        self._publish(name, made)
        return made

    def _publish(self, name: str, identity: Identity) -> None:
        """The certificate alone, for people to carry to the stations."""
        write_file(self.folder / f"{name}.der", encoded(identity.certificate))


def _host() -> str:
    plain = socket.gethostname().encode("ascii", "ignore").decode()
    return plain or "localhost"


def _new_uri() -> str:
    return f"urn:{_host()}:pointsman:supervisor"


def read_private_key(path: Path) -> Any:
    """The private key in a file that only its owner can read.

    Raises:
        KeysWrong: it is not there, exposed, or no key.
    """
    try:
        with path.open("rb") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            content = file.read()
    except OSError as error:
        message = f"{path} cannot be read: {error.strerror}"
        raise KeysWrong(message) from error
    if mode & 0o077:
        message = f"{path} has mode {mode:04o}: others can reach the private key; chmod 600 it, or make a new one if others may have read it"
        raise KeysWrong(message)
    try:
        return load_pem_private_key(content, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        message = f"{path} holds no unencrypted private key in PEM"
        raise KeysWrong(message) from error
