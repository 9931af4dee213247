"""The verbs that keep a journal safe and prove it: ``verify``, ``backup``, ``restore``, ``accept``, ``key``.

Rules of this file:
- Whoever gives history up says who they are and why; both are journalled, nothing is asked twice.
- A head that is given with a public key counts only if that key's counterpart signed it.
"""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from supervisor.terminal import DONE, NO, Journal, Json, print_json, working

if TYPE_CHECKING:
    from supervisor.store.acceptance import Acceptance
    from supervisor.store.chain import Known, VerifyReport
    from supervisor.store.head_note import HeadNote
    from supervisor.store.signing import SigningKey

verbs = typer.Typer()

Heads = Annotated[
    list[Path] | None,
    typer.Option("--head", help="A file with heads kept elsewhere, one a line. May be repeated."),
]
HeadFilePath = Annotated[
    Path | None,
    typer.Option(
        "--head-file",
        help="Where the last durable head is kept, if not beside a SQLite database; a server's database has none without.",
    ),
]
PublicKey = Annotated[
    Path | None, typer.Option("--key", help="The public key that the heads must be signed with.")
]
SigningKeyFile = Annotated[
    Path | None,
    typer.Option(
        "--signing-key",
        envvar="POINTSMAN_SIGNING_KEY",
        help="The private key that heads are signed with.",
    ),
]
By = Annotated[str, typer.Option(help="Who decides so. It is journalled.")]
Why = Annotated[str, typer.Option(help="The reason, in your words. It is journalled.")]
TEXT_MAX = 500


@verbs.command()
def verify(
    journal: Annotated[str, typer.Argument(help="A database, or the folder of a backup.")],
    *,
    head_file: HeadFilePath = None,
    head: Heads = None,
    key: PublicKey = None,
    as_json: Json = False,
) -> None:
    """Tell whether journal and records are as they were written."""
    heads = heads_of(head, key)
    with working(f"reading {journal}"):
        report = _verified(journal, head_file, heads)
    fault = report.fault
    if as_json:
        print_json({**_shown(report), "heads": len(heads)})
    elif fault is None:
        passed = f", {len(heads)} kept heads in their places" if heads else ""
        typer.echo(
            f"{journal}: {report.entries} entries, unbroken{passed}. Head {report.head.digest}"
        )
    else:
        typer.echo(f"{journal}: entry {fault.seq}: {fault.what}")
    raise typer.Exit(DONE if fault is None else NO)


def _verified(journal: str, head_file: Path | None, heads: Sequence["Known"]) -> "VerifyReport":
    from supervisor.store.backup_folder import BackupFolder
    from supervisor.store.opening import open_archive

    if "://" not in journal and Path(journal).is_dir():
        return BackupFolder(Path(journal)).verify(heads)
    with open_archive(journal, head_file=head_file) as archive:
        return archive.verify(heads)


def _shown(report: "VerifyReport") -> dict[str, Any]:
    fault = report.fault
    return {
        "ok": fault is None,
        "entries": report.entries,
        "head": {"seq": report.head.seq, "digest": report.head.digest},
        "fault": None if fault is None else {"seq": fault.seq, "what": fault.what},
    }


@verbs.command()
def backup(
    journal: Journal,
    folder: Annotated[Path, typer.Argument(help="The folder to make. It must not exist.")],
    *,
    key: SigningKeyFile = None,
    as_json: Json = False,
) -> None:
    """Write a backup, also while a supervisor drives the cell."""
    from supervisor.store.backup import back_up
    from supervisor.store.opening import open_archive

    seal = seal_of(key)
    with open_archive(journal) as archive, working(f"backing up {journal}"):
        made = back_up(archive, folder, datetime.now(UTC), seal)
    note = made.manifest.head
    if as_json:
        print_json({"folder": str(folder), **_shown(made.report), "note": _plain(note)})
    else:
        size = sum(file.bytes for file in made.manifest.files)
        typer.echo(f"{folder}: {note.seq} entries, {size / 1e6:.1f} MB, unbroken.")
        typer.echo(f"Keep this head on another machine: {note.text()}")


@verbs.command()
def restore(
    folder: Annotated[Path, typer.Argument(help="The folder of a backup.")],
    journal: Journal,
    *,
    by: By,
    why: Why,
    head_file: HeadFilePath = None,
    head: Heads = None,
    key: PublicKey = None,
    signing_key: SigningKeyFile = None,
    as_json: Json = False,
) -> None:
    """Make a new store from a backup; what followed the backup is journalled as lost."""
    from supervisor.store.restoring import restore as put_back

    heads = heads_of(head, key)
    seal = seal_of(signing_key)
    with working(f"restoring {journal}"):
        made = put_back(
            folder, journal, _acceptance(by, why), heads=heads, head_file=head_file, seal=seal
        )
    lost = made.lost
    if as_json:
        print_json({"lost_from": lost.lost_from if lost else None, **_shown(made.report)})
        return
    typer.echo(
        f"{journal}: {made.report.entries} entries, unbroken. Head {made.report.head.digest}"
    )
    if lost is None:
        typer.echo("Nothing came after the backup: the cell goes on as after any restart.")
    else:
        typer.echo(f"{lost.seen[0].upper()}{lost.seen[1:]}.")
        typer.echo(
            "The cell comes up paused and looks at every place again. Empty nests and jaws by hand,"
            " put the pallets into the rack, answer the holds, then let it run."
        )


@verbs.command()
def accept(
    journal: Journal,
    *,
    by: By,
    why: Why,
    head_file: HeadFilePath = None,
    head: Heads = None,
    key: PublicKey = None,
    signing_key: SigningKeyFile = None,
    as_json: Json = False,
) -> None:
    """Go on with a journal that is short of a known head: what is missing is journalled as lost."""
    from supervisor.store.acceptance import accept_damage

    made = accept_damage(
        journal,
        _acceptance(by, why),
        heads=heads_of(head, key),
        head_file=head_file,
        seal=seal_of(signing_key),
    )
    if as_json:
        print_json({"seen": made.seen, "orphans": made.orphans, "note": _plain(made.head)})
        return
    typer.echo(f"Accepted and journalled as entry {made.head.seq}: {made.seen}.")
    typer.echo(f"Records whose entry is gone, kept in that entry: {made.orphans}.")
    typer.echo(f"Keep this head in place of older ones: {made.head.text()}")


@verbs.command()
def key(
    file: Annotated[Path, typer.Argument(help="Where the private key goes; FILE.pub beside it.")],
    *,
    as_json: Json = False,
) -> None:
    """Make a key pair that heads of the journal are signed with."""
    from supervisor.store.signing import make_key, public_path

    made = make_key(file)
    if as_json:
        print_json({"key": made.name, "private": str(file), "public": str(public_path(file))})
    else:
        typer.echo(f"Key {made.name}: private in {file}, for the supervisor alone;")
        typer.echo(f"public in {public_path(file)}: keep a copy on another machine.")


# --- what the verbs share ------------------------------------------------------------------------------------------------------


def heads_of(files: Sequence[Path] | None, key: Path | None) -> list["Known"]:
    """The heads in files, checked with a public key where one is given.

    Raises:
        StoreError: "head-unreadable", "head-unsigned", "head-forged" or "key-unusable".
    """
    from supervisor.store.head_note import kept_heads
    from supervisor.store.signing import verifying_key

    witness = verifying_key(key) if key is not None else None
    return [known for file in files or () for known in kept_heads(file, witness)]


def seal_of(file: Path | None) -> "SigningKey | None":
    """The private key in a file; None where none is given.

    Raises:
        StoreError: "key-exposed" or "key-unusable".
    """
    from supervisor.store.signing import signing_key

    return signing_key(file) if file is not None else None


def _acceptance(by: str, why: str) -> "Acceptance":
    from supervisor.store.acceptance import Acceptance

    for name, text in (("--by", by), ("--why", why)):
        if not text.strip() or len(text) > TEXT_MAX:
            raise typer.BadParameter(f"{name} needs 1 to {TEXT_MAX} characters")
    now_ms = round(datetime.now(UTC).timestamp() * 1000)
    return Acceptance(by=by.strip(), why=why.strip(), at_ms=now_ms)


def _plain(note: "HeadNote") -> dict[str, Any]:
    import msgspec

    return msgspec.structs.asdict(note)
