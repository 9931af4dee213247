"""The verb ``study gauge``: a gauge study, in virtual time or carried out by a running cell.

Rules of this file:
- With ``--at`` the study is ordered over REST like anybody's; this process only watches. That it ends changes nothing in the cell.
- Both forms print the same.
"""

import json
import sys
import time
import urllib.error
import urllib.request
import uuid
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from supervisor.terminal import DONE, INPUT_WRONG, NO, Json, become, end, print_json, say

ANSWER_S_MAX = 10
LOOK_S = 2.0
UNHEARD_MAX = 30
"""How many looks in a row may go unanswered, a minute: a supervisor that restarts is back by then."""

verb = typer.Typer(
    add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None, name="study gauge"
)


@verb.command()
def gauge(
    cell: Annotated[
        Path,
        typer.Argument(exists=True, file_okay=False, help="The folder that declares the cell."),
    ],
    *,
    program: Annotated[str, typer.Option(help="The measurement program to study.")],
    parts: Annotated[
        int, typer.Option(min=1, max=50, help="How many parts, in virtual time; one makes type 1.")
    ] = 10,
    loadings: Annotated[
        int, typer.Option(min=1, max=50, help="How often each part is clamped anew.")
    ] = 3,
    repeats: Annotated[
        int, typer.Option(min=1, max=50, help="How often the program runs in each loading.")
    ] = 3,
    seed: Annotated[int, typer.Option(min=0, help="Decides the parts, in virtual time.")] = 1,
    at: Annotated[
        str,
        typer.Option(help="Have a running supervisor carry it out, such as http://127.0.0.1:8000."),
    ] = "",
    pallet: Annotated[
        list[str] | None, typer.Option(help="With --at: a pallet in the cell; may be repeated.")
    ] = None,
    reference: Annotated[
        list[str] | None,
        typer.Option(help="With --at and one pallet: NUMBER=VALUE, calibrated; may be repeated."),
    ] = None,
    by: Annotated[str, typer.Option(help="With --at: who orders it; it is journalled.")] = "",
    as_json: Json = False,
) -> None:
    """Find out whether a station measures well enough: the same parts are loaded and measured again and again."""
    if not at:
        if pallet or reference or by:
            end(
                INPUT_WRONG, "--pallet, --reference and --by go with --at: virtual time has its own"
            )
        given = ["--program", program, "--parts", str(parts), "--loadings", str(loadings)]
        given += ["--repeats", str(repeats), "--seed", str(seed), *(["--json"] if as_json else [])]
        become("simulators.bench.gauge", [str(cell), *given])
    order = {
        "pallets": pallet
        or end(INPUT_WRONG, "--at needs one --pallet at least: those to be loaded"),
        "station": _station_of(cell, program),
        "program": program,
        "loadings": loadings,
        "repeats": repeats,
        "references": [_reference(text) for text in reference or ()],
        "by": by or end(INPUT_WRONG, "--at needs --by: who orders it is journalled"),
        "request_id": f"study-gauge-{uuid.uuid4()}",
    }
    _show(_carried_out(at.rstrip("/"), order), "json" if as_json else "text")


def _station_of(cell: Path, program: str) -> str:
    from supervisor.cell.load import load_cell
    from supervisor.cell.problem import DeclarationError

    try:
        declared = load_cell(cell).cell
    except DeclarationError as wrong:
        end(INPUT_WRONG, str(wrong))
    stations = {each.program: each.station for each in declared.programs}
    if program not in stations:
        end(
            INPUT_WRONG, f"the cell has no program {program}: expected one of {', '.join(stations)}"
        )
    return stations[program]


def _reference(text: str) -> dict[str, str]:
    number, sign, content = text.rpartition("=")
    if not sign or not number or not content:
        end(INPUT_WRONG, f"--reference {text}: expected NUMBER=VALUE, such as 1=62.0150")
    return {"number": number, "value": content}


def _carried_out(url: str, order: dict[str, Any]) -> dict[str, Any]:
    """Order the study and look until it has ended."""
    if not url.startswith(("http://", "https://")):
        end(INPUT_WRONG, f"{url} is no address: expected http://HOST:PORT")
    address = f"{url}/api/v1/gauge-studies"
    study = _asked(address, order)
    say(f"{study['study']}: {study['runs']} runs; also at {url}/gauge/{study['study']}")
    try:
        return _watched(f"{address}/{study['study']}", study)
    except KeyboardInterrupt:
        end(NO, f"The study goes on. See or stop it at {url}/gauge/{study['study']}")


def _watched(address: str, study: dict[str, Any]) -> dict[str, Any]:
    unheard = 0
    while not study["end"]:
        time.sleep(LOOK_S)
        try:
            study = _answer(urllib.request.Request(address))  # noqa: S310 - checked above
            unheard = 0
        except OSError as error:
            unheard += 1
            if unheard > UNHEARD_MAX:
                end(NO, f"No answer from {address} any more: {error}. The study may go on there.")
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{study['done']} of {study['runs']} runs ")
    if sys.stderr.isatty():
        sys.stderr.write("\n")
    return study


def _asked(address: str, order: dict[str, Any]) -> dict[str, Any]:
    request = urllib.request.Request(  # noqa: S310 - checked by the caller
        address, data=json.dumps(order).encode(), headers={"Content-Type": "application/json"}
    )
    try:
        return _answer(request)
    except urllib.error.HTTPError as refused:
        _refused(refused)
    except OSError as error:
        end(INPUT_WRONG, f"No supervisor answers at {address}: {error}. Is it running there?")


def _refused(refused: urllib.error.HTTPError) -> NoReturn:
    """The problem in words; a refusal of the declared kind is the answer no."""
    try:
        problem = json.loads(refused.read())
        said = f"{problem['title']}: {problem['detail']}. {problem['fix']}"
    except (ValueError, KeyError, TypeError):
        said = f"{refused}"
    end(NO, said)


def _answer(request: urllib.request.Request) -> dict[str, Any]:
    with urllib.request.urlopen(request, timeout=ANSWER_S_MAX) as answer:  # noqa: S310 - http and https only
        return json.loads(answer.read())


def _show(study: dict[str, Any], form: str) -> NoReturn:
    from supervisor.report.gauge import study_text

    if form == "json":
        print_json(study)
    else:
        sys.stdout.write(study_text(study))
    poor = any(each["rating"] == "not capable" for each in study["characteristics"])
    raise typer.Exit(NO if poor or study["end"] != "complete" else DONE)
