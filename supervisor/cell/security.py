"""How the connection to a machine is secured, as its author declares it.

Rules of this file:
- Nothing said means signed and encrypted with a policy that is current. Whatever is weaker has to be written down, machine by machine.
- A password or private key never stands in the cell folder: only the name it is kept under elsewhere.
- ``words`` is what `pointsman check`, the page and the log show.
"""

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from supervisor.cell.fields import Declared, Identifier, Text
from supervisor.cell.problem import Problem
from supervisor.cell.table import text_of

PolicyName = Literal[
    "Aes256_Sha256_RsaPss",
    "Basic256Sha256",
    "Aes128_Sha256_RsaOaep",
    "Basic256",
    "Basic128Rsa15",
]
CURRENT: tuple[PolicyName, ...] = (
    "Aes256_Sha256_RsaPss",
    "Basic256Sha256",
    "Aes128_Sha256_RsaOaep",
)
"""Best first. Basic256 and Basic128Rsa15 are deprecated (OPC 10000-7, profiles of security policies)."""


class SecurityEntry(Declared):
    """How the connection to a machine is secured. `security: none` is short for `security: {mode: none}`."""

    mode: Literal["sign-and-encrypt", "sign", "none"] = Field(
        default="sign-and-encrypt",
        description="`sign`: everybody on the network can read. `none`: everybody can also give orders in our name.",
    )
    policy: PolicyName | None = Field(
        default=None,
        description="Security policy; the best that both sides have if left out. Basic256 and Basic128Rsa15 are deprecated.",
    )
    application_uri: Text | None = Field(
        default=None,
        description="What the machine calls itself in its certificate; no other trusted machine is taken for it then.",
    )
    host: Literal["checked", "unchecked"] = Field(
        default="checked",
        description="`unchecked`: its certificate need not name the host in its address.",
    )
    user: Text | None = Field(
        default=None, description="User name at the machine; anonymous if left out."
    )
    secret: Identifier | None = Field(
        default=None, description="Name that the user's password is kept under, outside the folder."
    )
    user_certificate: Identifier | None = Field(
        default=None,
        description="Name that a user certificate and its key are kept under, in place of a user name.",
    )

    @property
    def weakness(self) -> str:
        """What its author has accepted ("" = nothing)."""
        if self.mode == "none":
            return "not signed and not encrypted"
        if self.mode == "sign":
            return "signed, not encrypted"
        if self.policy is not None and self.policy not in CURRENT:
            return f"deprecated policy {self.policy}"
        return "host name unchecked" if self.host == "unchecked" else ""

    @property
    def words(self) -> str:
        """What is declared, for people."""
        if self.mode == "none":
            return "not signed and not encrypted"
        mode = "encrypted" if self.mode == "sign-and-encrypt" else "signed, not encrypted"
        policy = "with a current policy" if self.policy is None else f"with {self.policy}"
        if self.policy is not None and self.policy not in CURRENT:
            policy += ", which is deprecated"
        host = ", host name unchecked" if self.host == "unchecked" else ""
        user = f", user {self.user}" if self.user else ""
        return f"{mode} {policy}{host}{user}{', user certificate' if self.user_certificate else ''}"


def _mode_alone(written: object) -> object:
    """``security: none`` is short for ``security: {mode: none}``."""
    text = text_of(written)
    return written if text is None else {"mode": text}


Security = Annotated[SecurityEntry, BeforeValidator(_mode_alone)]


def security_problems(entry: SecurityEntry) -> Iterator[Problem]:
    """What does not go together."""
    if entry.mode == "none":
        for key in ("policy", "application_uri", "secret", "user_certificate"):
            if getattr(entry, key) is not None:
                yield entry.problem(
                    key,
                    expected="nothing, as the connection is not secured",
                    remedy="remove it, or remove `mode: none`",
                )
    if entry.secret is not None and entry.user is None:
        yield entry.problem(
            "secret", expected="a user that it belongs to", remedy="add `user:`, or remove it"
        )
    if entry.user is not None and entry.secret is None and entry.mode != "none":
        yield entry.problem(
            "user", expected="a password", remedy="add `secret:` with the name it is kept under"
        )
    if entry.user is not None and entry.mode != "sign-and-encrypt":
        yield entry.problem(
            "user",
            expected="an encrypted connection, as a password is sent",
            remedy="remove `mode:`, or let the machine take anonymous clients",
        )
    if entry.user is not None and entry.user_certificate is not None:
        yield entry.problem(
            "user_certificate", expected="one kind of user", remedy="remove `user:` or this"
        )
