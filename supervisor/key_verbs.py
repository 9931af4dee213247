"""The verbs about certificates: ``keys list``, ``trust``, ``reject``, ``renew``.

Rules of this file:
- Nothing is trusted unseen: what is trusted is named by its thumbprint, or given as a file that a person brought.
- A change counts at once, also for a supervisor that runs: it reads the folders at every connection.
"""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from supervisor.terminal import INPUT_WRONG, KEYS_FOLDER, Json, KeysFolder, end, print_json

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

    from supervisor.stations.trust import Where

verbs = typer.Typer(
    no_args_is_help=True,
    help="Certificates: our own, and those of the stations that are trusted.",
)

Named = Annotated[
    str, typer.Argument(help="The first 8 or more digits of its thumbprint, or a file.")
]


@verbs.command(name="list")
def list_(*, keys: KeysFolder = KEYS_FOLDER, as_json: Json = False) -> None:
    """List our own certificate and those that are trusted, issuers or rejected."""
    from supervisor.stations.own_keys import OwnKeys
    from supervisor.stations.trust import KeysWrong, TrustList

    try:
        trust, own = TrustList(keys), OwnKeys(keys)
        trust.make()
        rows = [_row("own", own.identity().certificate)]
        following = own.next()
        rows += [_row("next", following.certificate)] if following else []
        rows += [_row(each.where, each.certificate) for each in trust.listed()]
    except KeysWrong as wrong:
        end(INPUT_WRONG, str(wrong))
    if as_json:
        print_json({"folder": str(keys), "certificates": rows})
        return
    typer.echo(f"{'where':9}{'thumbprint':40}  {'ends':10}  days left  name")
    for row in rows:
        ends, left = row["valid_to"][:10], row["days_left"]
        typer.echo(f"{row['where']:9}{row['thumbprint']:40}  {ends}  {left:9}  {row['name']}")
        typer.echo(f"{'':9}application: {', '.join(row['uris']) or 'names none'}")
    typer.echo(f"Our own certificate, for the stations: {keys}/own/current.der")


@verbs.command()
def trust(
    certificate: Named,
    *,
    issuer: Annotated[
        bool, typer.Option("--issuer", help="An authority that only completes a chain.")
    ] = False,
    keys: KeysFolder = KEYS_FOLDER,
    as_json: Json = False,
) -> None:
    """Trust a certificate that was rejected so far, or one in a file."""
    _place(certificate, "issuer" if issuer else "trusted", keys, as_json=as_json)


@verbs.command()
def reject(certificate: Named, *, keys: KeysFolder = KEYS_FOLDER, as_json: Json = False) -> None:
    """Trust a certificate no longer: its station is refused from the next connection on."""
    _place(certificate, "rejected", keys, as_json=as_json)


def _place(certificate: str, where: "Where", keys: Path, *, as_json: bool) -> None:
    from supervisor.stations.trust import KeysWrong, TrustList, read_certificate

    trust = TrustList(keys)
    try:
        if Path(certificate).is_file():
            placed = trust.add(read_certificate(Path(certificate)), where)
        else:
            placed = trust.place(certificate, where)
    except KeysWrong as wrong:
        end(INPUT_WRONG, str(wrong))
    if as_json:
        print_json(_row(placed.where, placed.certificate))
    else:
        row = _row(placed.where, placed.certificate)
        typer.echo(f"{placed.where}: {row['name']}, {row['thumbprint']}")


@verbs.command()
def renew(
    *,
    now: Annotated[
        bool, typer.Option("--now", help="Use it now; stations that do not trust it will refuse.")
    ] = False,
    keys: KeysFolder = KEYS_FOLDER,
    as_json: Json = False,
) -> None:
    """Prepare our next certificate, so that stations can trust it before it is used; with --now, use it."""
    from supervisor.stations.own_keys import OwnKeys
    from supervisor.stations.trust import KeysWrong

    own = OwnKeys(keys)
    try:
        own.identity()
        following = own.prepare_next()
        if now:
            following = own.take_next()
    except KeysWrong as wrong:
        end(INPUT_WRONG, str(wrong))
    row = _row("own" if now else "next", following.certificate)
    if as_json:
        print_json(row)
    elif now:
        typer.echo(f"In use: {row['thumbprint']}. Start a running supervisor again.")
    else:
        typer.echo(f"Prepared: {row['thumbprint']}, in {keys}/own/next.der.")
        typer.echo("Have it trusted at every station, then: pointsman keys renew --now")


def _row(where: str, certificate: "Certificate") -> dict[str, Any]:
    from supervisor.stations.certificate import hosts, subject, thumbprint, uris

    left = certificate.not_valid_after_utc - datetime.now(UTC)
    return {
        "where": where,
        "thumbprint": thumbprint(certificate),
        "name": subject(certificate),
        "uris": uris(certificate),
        "hosts": hosts(certificate),
        "valid_from": certificate.not_valid_before_utc.isoformat(),
        "valid_to": certificate.not_valid_after_utc.isoformat(),
        "days_left": left.days,
    }
