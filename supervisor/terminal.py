"""What every verb of the command line shares: exit codes, options, and how it speaks.

Rules of this file: the answer goes to standard output, everything else to standard error, progress only where a person watches.
"""

import json
import os
import sys
from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Annotated, NoReturn

import typer

DONE, NO, INPUT_WRONG, DEFECT = 0, 1, 2, 3

Json = Annotated[bool, typer.Option("--json", help="JSON on standard output.")]
Journal = Annotated[
    str, typer.Argument(help="A database: a file name, sqlite:///FILE or postgresql://...")
]

KEYS_FOLDER = Path("pointsman-keys")
KeysFolder = Annotated[
    Path,
    typer.Option(
        "--keys", envvar="POINTSMAN_KEYS", help="The folder with our own certificate and trust."
    ),
]


def print_json(content: object) -> None:
    """Put the answer of a verb on standard output."""
    sys.stdout.write(json.dumps(content) + "\n")
    sys.stdout.flush()


def say(text: str) -> None:
    """Tell a person something besides the answer."""
    sys.stderr.write(text + "\n")


def end(code: int, text: str) -> NoReturn:
    """End a verb with a reason."""
    say(text)
    raise typer.Exit(code)


def become(module: str, arguments: Sequence[str]) -> NoReturn:
    """Go on as another program of ours: the supervisor imports no simulators."""
    sys.stdout.flush()
    command = [sys.executable, "-m", module, *arguments]
    os.execv(sys.executable, command)  # noqa: S606 - our own module in place of this process


def working(what: str) -> AbstractContextManager[object]:
    """Something that takes long, where a person watches."""
    from rich.console import Console  # noqa: PLC0415 - a verb loads what it needs

    return Console(stderr=True).status(what)
