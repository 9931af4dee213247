"""The verbs about inspection plans: ``plan import``.

Rules of this file: a file that is there is never written over; a plan with a mistake is not written at all.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from supervisor.terminal import DONE, INPUT_WRONG, Json, end, print_json, say

if TYPE_CHECKING:
    from supervisor.cell.plan_line import Head, Imported

verbs = typer.Typer(no_args_is_help=True, help="Inspection plans.")


@verbs.command("import")
def import_plan(
    file: Annotated[
        Path,
        typer.Argument(exists=True, dir_okay=False, help="A table (.csv) or QIF 3.0 (.qif, .xml)."),
    ],
    *,
    part_type: Annotated[str, typer.Option(help="Name of the part type in the cell.")],
    title: Annotated[str, typer.Option(help="What people call it.")],
    gtin: Annotated[str, typer.Option(help="GTIN of 14 digits, by which a tag names it.")],
    revision: Annotated[str, typer.Option(help="Revision of the drawing.")],
    output: Annotated[
        Path | None,
        typer.Option(
            help="The file to write, such as part-types/pump-body.yaml. Left out: to standard output."
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Write a part-type file from a plan that comes from elsewhere; every mistake by its line."""
    from supervisor.cell.plan_line import Head
    from supervisor.cell.problem import DeclarationError

    head = Head(part_type=part_type, title=title, gtin=gtin, revision=revision)
    try:
        made = _imported(file, head)
    except DeclarationError as wrong:
        end(INPUT_WRONG, str(wrong))
    for note in made.notes:
        say(f"{file}: {note}")
    if output is None:
        if not as_json:
            typer.echo(made.text, nl=False)
    else:
        _write(output, made.text)
        if not as_json:
            typer.echo(
                f"{output}: {made.characteristics} characteristics. Look with: pointsman check"
            )
    if as_json:
        print_json(
            {
                "file": None if output is None else str(output),
                "characteristics": made.characteristics,
                "notes": list(made.notes),
                "text": made.text,
            }
        )
    raise typer.Exit(DONE)


def _imported(file: Path, head: "Head") -> "Imported":
    """The plan of a file, by its ending.

    Raises:
        DeclarationError: with every mistake.
    """
    from supervisor.cell.plan_csv import plan_from_csv
    from supervisor.cell.plan_qif import plan_from_qif

    readers = {".csv": plan_from_csv, ".qif": plan_from_qif, ".xml": plan_from_qif}
    reader = readers.get(file.suffix.lower())
    if reader is None:
        end(INPUT_WRONG, f"{file}: expected a name that ends in {', '.join(readers)}")
    return reader(file, head)


def _write(output: Path, text: str) -> None:
    try:
        with output.open("x", encoding="utf-8") as new:
            new.write(text)
    except FileExistsError:
        end(INPUT_WRONG, f"{output} is there already: choose another name, or move it away")
    except OSError as refused:
        end(INPUT_WRONG, f"{output} cannot be written: {refused.strerror}")
