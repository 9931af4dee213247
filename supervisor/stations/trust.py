"""Whom this supervisor trusts: folders of certificates that a person has looked at.

Rules of this file:
- ``trusted/`` holds certificates of stations, or of authorities that vouch for them; ``issuer/`` authorities that only complete a chain;
  ``rejected/`` what was presented and not trusted, for a person to look at. Lists of revoked certificates (``*.crl``) lie in the first two.
- The folders are read again at every connection: a person's decision counts at once, without a restart.
- Nothing is trusted because it came first. A file that cannot be read is an error that names it, never an empty list.
- A certificate of an authority needs its list of revoked certificates, current, or nothing of its is trusted
  (OPC 10000-4 6.1.3: find and check the revocation list).
"""

import os
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from string import hexdigits
from typing import Literal

from cryptography import x509
from cryptography.x509.verification import (
    Criticality,
    ExtensionPolicy,
    Policy,
    PolicyBuilder,
    Store,
    VerificationError,
)

from supervisor.cell.value import value
from supervisor.stations.certificate import encoded, subject, thumbprint
from supervisor.stations.trouble import LinkLost

Where = Literal["trusted", "issuer", "rejected"]
FOLDERS: tuple[Where, ...] = ("trusted", "issuer", "rejected")
SUFFIXES = (".der", ".pem", ".crt", ".cer")
REJECTED_MAX = 50
NAME_MAX = 40
SHORT = 8
"""Digits of a thumbprint in a file name, and the fewest that name a certificate."""


class KeysWrong(Exception):  # noqa: N818 - it says what happened
    """A folder or file of keys cannot be used; the text says which and what to do."""


@value
class Listed:
    """A certificate in one of the folders."""

    where: Where
    path: Path
    certificate: x509.Certificate

    @property
    def thumbprint(self) -> str:
        """What it is called."""
        return thumbprint(self.certificate)


class TrustList:
    """The three folders below ``folder``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def make(self) -> None:
        """Make the folders that are missing, for the owner alone."""
        for name in FOLDERS:
            try:
                (self.folder / name).mkdir(mode=0o700, parents=True, exist_ok=True)
            except OSError as error:
                message = f"{self.folder / name} cannot be made: {error.strerror}; name another folder with --keys"
                raise KeysWrong(message) from error

    # --- reading ----------------------------------------------------------------------------------------------------------

    def listed(self, *where: Where) -> list[Listed]:
        """What lies in some of the folders (all where none is named), by file name.

        Raises:
            KeysWrong: a file is no certificate.
        """
        return [
            Listed(where=name, path=path, certificate=read_certificate(path))
            for name in where or FOLDERS
            for path in _files(self.folder / name, SUFFIXES)
        ]

    def _revocations(self) -> list[x509.CertificateRevocationList]:
        return [
            _revocation_list(path)
            for name in ("trusted", "issuer")
            for path in _files(self.folder / name, (".crl",))
        ]

    def check(self, chain: list[x509.Certificate]) -> None:
        """Accept a certificate that is listed itself, or that a listed authority vouches for, and that is not revoked.

        What is not trusted is kept in ``rejected/``. Validity is checked by whoever asks, with words of its own.

        Raises:
            LinkLost: it is not trusted.
        """
        own = chain[0]
        try:
            trusted = [each.certificate for each in self.listed("trusted")]
            issuers = [each.certificate for each in self.listed("issuer")]
            revocations = self._revocations()
        except KeysWrong as wrong:
            raise LinkLost(str(wrong)) from wrong
        if any(encoded(own) == encoded(each) for each in trusted):
            _check_listed(own, [*trusted, *issuers], revocations)
            return
        path = _path(own, [each for each in trusted if _is_authority(each)], [*chain[1:], *issuers])
        if not path:
            self.note_rejected(own)
            message = (
                f"its certificate is not trusted: {subject(own)}, thumbprint {thumbprint(own)}; compare the thumbprint with what the station shows, "
                f"then: pointsman keys trust {thumbprint(own)[:SHORT]}"
            )
            raise LinkLost(message)
        _check_path(path, revocations)

    def note_rejected(self, certificate: x509.Certificate) -> None:
        """Keep what was presented; the oldest go when there are too many, so that nobody fills the disk."""
        kept = _files(self.folder / "rejected", SUFFIXES)
        if any(path.name == file_name(certificate) for path in kept):
            return
        for path in sorted(kept, key=lambda path: path.stat().st_mtime)[: -REJECTED_MAX + 1]:
            path.unlink(missing_ok=True)
        write_file(self.folder / "rejected" / file_name(certificate), encoded(certificate))

    # --- a person's decisions ----------------------------------------------------------------------------------------------

    def find(self, thumb: str) -> list[Listed]:
        """The certificates whose thumbprint begins so."""
        digits = thumb.replace(":", "").replace(" ", "").lower()
        if not set(digits) <= set(hexdigits):
            message = f"{thumb}: expected a file that is there, or the first digits of a thumbprint"
            raise KeysWrong(message)
        if len(digits) < SHORT:
            message = f"{thumb}: give at least {SHORT} digits of the thumbprint"
            raise KeysWrong(message)
        return [each for each in self.listed() if each.thumbprint.startswith(digits)]

    def place(self, thumb: str, where: Where) -> Listed:
        """Move a certificate that lies in one of the folders into another.

        Raises:
            KeysWrong: there is none, or more than one.
        """
        found = self.find(thumb)
        if len({each.thumbprint for each in found}) != 1:
            many = "no certificate" if not found else "more than one certificate"
            message = f"{thumb} names {many} in {self.folder}; look with: pointsman keys list"
            raise KeysWrong(message)
        return self.add(found[0].certificate, where)

    def add(self, certificate: x509.Certificate, where: Where) -> Listed:
        """Put a certificate into a folder and out of the others."""
        self.make()
        target = self.folder / where / file_name(certificate)
        write_file(target, encoded(certificate))
        for each in self.listed():
            if each.path != target and encoded(each.certificate) == encoded(certificate):
                each.path.unlink(missing_ok=True)
        return Listed(where=where, path=target, certificate=certificate)


def file_name(certificate: x509.Certificate) -> str:
    """The name of its file: nothing of it can leave the folder."""
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in subject(certificate))
    return f"{plain[:NAME_MAX].strip('-') or 'certificate'}-{thumbprint(certificate)}.der"


def write_file(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, readable by its owner alone.

    Raises:
        KeysWrong: it cannot be written.
    """
    beside = path.with_name(f"{path.name}.new")
    try:
        descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(descriptor)
        beside.replace(path)
    except OSError as error:
        message = f"{path} cannot be written: {error.strerror}"
        raise KeysWrong(message) from error


def _files(folder: Path, suffixes: tuple[str, ...]) -> list[Path]:
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if path.suffix.lower() in suffixes)


def read_certificate(path: Path) -> x509.Certificate:
    """The certificate in a file, PEM or DER.

    Raises:
        KeysWrong: there is none.
    """
    try:
        content = path.read_bytes()
        if content.lstrip().startswith(b"-----"):
            return x509.load_pem_x509_certificate(content)
        return x509.load_der_x509_certificate(content)
    except OSError as error:
        message = f"{path} cannot be read: {error.strerror}"
        raise KeysWrong(message) from error
    except ValueError as error:
        message = (
            f"{path} holds no certificate; take it out of the folder, or put the right one there"
        )
        raise KeysWrong(message) from error


def _revocation_list(path: Path) -> x509.CertificateRevocationList:
    try:
        content = path.read_bytes()
        if content.lstrip().startswith(b"-----"):
            return x509.load_pem_x509_crl(content)
        return x509.load_der_x509_crl(content)
    except (OSError, ValueError) as error:
        message = f"{path} holds no list of revoked certificates; put the right one there"
        raise KeysWrong(message) from error


# --- chains ----------------------------------------------------------------------------------------------------------------------


def _is_authority(certificate: x509.Certificate) -> bool:
    """Whether it vouches for others.

    A self-signed certificate of a station often calls itself an authority as well; one that is made for a server or a client vouches for
    nobody but itself.
    """
    extensions = certificate.extensions
    try:
        authority = extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    except x509.ExtensionNotFound:
        return False
    return authority and not any(
        isinstance(each.value, x509.ExtendedKeyUsage) for each in extensions
    )


def _path(
    own: x509.Certificate, authorities: list[x509.Certificate], others: list[x509.Certificate]
) -> list[x509.Certificate]:
    """The certificates from a station's to a trusted authority; none where there is no such path."""
    if not authorities:
        return []
    policy = PolicyBuilder().store(Store(authorities)).time(_moment_within(own))
    policy = policy.extension_policies(ca_policy=_OF_AUTHORITIES, ee_policy=_OF_STATIONS)
    try:
        return list(policy.build_client_verifier().verify(own, others).chain)
    except VerificationError:
        return []


def _moment_within(own: x509.Certificate) -> datetime:
    """Now, or the nearest moment at which the certificate is valid: that it is not valid now is said with words of its own."""
    now = datetime.now(UTC)
    return min(max(now, own.not_valid_before_utc), own.not_valid_after_utc)


def _check_is_authority(
    _policy: Policy, _certificate: x509.Certificate, constraints: x509.BasicConstraints
) -> None:
    if not constraints.ca:
        message = "an issuer that is no authority"
        raise ValueError(message)


_OF_AUTHORITIES = ExtensionPolicy.permit_all().require_present(
    x509.BasicConstraints, Criticality.AGNOSTIC, _check_is_authority
)
_OF_STATIONS = ExtensionPolicy.permit_all()


def _check_listed(
    own: x509.Certificate,
    known: list[x509.Certificate],
    revocations: list[x509.CertificateRevocationList],
) -> None:
    """A certificate that is listed itself is still refused where its authority has revoked it."""
    for issuer in known:
        if issuer.subject == own.issuer and issuer is not own:
            _check_not_revoked(own, _lists_of(issuer, revocations))


def _check_path(
    path: list[x509.Certificate], revocations: list[x509.CertificateRevocationList]
) -> None:
    for certificate, issuer in pairwise(path):
        lists = _lists_of(issuer, revocations)
        _check_not_revoked(certificate, lists)
        now = datetime.now(UTC)
        if not any(each.next_update_utc is None or each.next_update_utc > now for each in lists):
            message = (
                f"the authority {subject(issuer)} is trusted, but its list of revoked certificates is {'out of date' if lists else 'missing'}; "
                "put a current one (*.crl) beside its certificate, or trust the certificate of the station itself"
            )
            raise LinkLost(message)


def _lists_of(
    issuer: x509.Certificate, revocations: list[x509.CertificateRevocationList]
) -> list[x509.CertificateRevocationList]:
    """The lists that an authority has signed."""
    key = issuer.public_key()
    return [
        each
        for each in revocations
        if each.issuer == issuer.subject and each.is_signature_valid(key)  # pyright: ignore[reportArgumentType]
    ]


def _check_not_revoked(
    certificate: x509.Certificate, lists: list[x509.CertificateRevocationList]
) -> None:
    number = certificate.serial_number
    if any(each.get_revoked_certificate_by_serial_number(number) is not None for each in lists):
        message = f"the certificate {subject(certificate)} was revoked by its authority; have a new one made for the station"
        raise LinkLost(message)
