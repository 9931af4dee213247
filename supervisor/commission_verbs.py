"""The verbs that bring a station into a cell: ``walk`` takes one through its handshake, ``browse`` looks at what a server offers.

Rules of this file:
- The safety notice comes first, and a person says that they have read it. Nothing moves before they agree to that step.
- Without a person only simulated machines on this computer are walked: the address has to be this machine's.
- What a person would do at a machine may be done by a program (``--act``): it is called with the act, and code 0 means done.
"""

import asyncio
import getpass
import ipaddress
import json
import os
import shlex
import time
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal
from urllib.parse import urlsplit

import typer

from supervisor.terminal import (
    DONE,
    INPUT_WRONG,
    KEYS_FOLDER,
    NO,
    Json,
    KeysFolder,
    end,
    print_json,
    say,
)

if TYPE_CHECKING:
    from supervisor.cell.load import LoadedCell
    from supervisor.cell.model import Program, Station
    from supervisor.stations.adapter import Wiring
    from supervisor.stations.browse import Survey
    from supervisor.stations.walk import Act, Visit, Walk
    from supervisor.stations.walk_protocol import Protocol, Step

verbs = typer.Typer()

ACT_S_MAX = 60.0
TURN_S = 0.25
SERIAL = "WALK"
RUN_NO_MAX = 2**31

Folder = Annotated[
    Path, typer.Argument(exists=True, file_okay=False, help="The folder that declares the cell.")
]


@verbs.command()
def walk(
    cell: Folder,
    station: Annotated[str, typer.Argument(help="The station, by its name in the cell.")],
    *,
    program: Annotated[
        str, typer.Option(help="The measurement program; the shortest if left out.")
    ] = "",
    serial: Annotated[str, typer.Option(help="Serial number of the part.")] = SERIAL,
    by: Annotated[
        str,
        typer.Option(
            help="Who walks it; stands in the protocol. The user if left out; of an unattended run the user only started it."
        ),
    ] = "",
    out: Annotated[Path, typer.Option(help="Folder for the protocol.")] = Path(),
    unattended: Annotated[
        bool, typer.Option("--unattended", help="Without a person; simulated machines only.")
    ] = False,
    act: Annotated[
        str, typer.Option(help="A command that acts at the simulated machine, called with the act.")
    ] = "",
    speed: Annotated[
        float, typer.Option(min=0.001, max=1_000, help="For simulated machines that run faster.")
    ] = 1.0,
    keys: KeysFolder = KEYS_FOLDER,
    as_json: Json = False,
) -> None:
    """Take a station through its whole handshake and write an acceptance protocol."""
    from supervisor.cell.profile import StationProfile
    from supervisor.stations.walk import Walk
    from supervisor.stations.walk_steps import STEPS

    loaded = _loaded(cell)
    found = _station(loaded, station)
    if unattended and not _is_here(found.url):
        end(
            INPUT_WRONG,
            f"{found.url} is not this machine: without a person only simulated machines are walked. Leave --unattended out.",
        )
    visit = _visit(loaded, found, program, serial)
    person = _Nobody(act, found, visit) if unattended else _AtTheConsole()
    profile = loaded.profiles[found.profile]
    assert isinstance(profile, StationProfile)
    walked = Walk(found, profile, _wiring(loaded, found, keys, speed, cell), visit, person)
    began = datetime.now(UTC)
    if not unattended and not _has_read_the_notice():
        end(NO, "Nothing was done.")
    steps = asyncio.run(walked.run(STEPS))
    how = "unattended, simulated machine" if unattended else "with a person"
    person_named = signer(by, "unattended" if unattended else "attended", _user())
    protocol = _protocol(loaded, walked, steps, began, person_named, how)
    page = _write(protocol, out)
    if as_json:
        from supervisor.stations.walk_protocol import as_json as content

        print_json(content(protocol))
    else:
        typer.echo(f"{protocol.verdict}: {page}")
    raise typer.Exit(DONE if protocol.verdict == "passed" else NO)


def _loaded(cell: Path) -> "LoadedCell":
    from supervisor.cell.load import load_cell
    from supervisor.cell.problem import DeclarationError

    try:
        return load_cell(cell)
    except DeclarationError as wrong:
        end(INPUT_WRONG, f"{wrong}\nMend it, then look with: pointsman check {cell}")


def _station(loaded: "LoadedCell", name: str) -> "Station":
    known = {station.station: station for station in loaded.cell.stations}
    if name not in known:
        end(INPUT_WRONG, f"expected one of {', '.join(sorted(known))}, found {name}")
    return known[name]


def _is_here(url: str) -> bool:
    host = urlsplit(url).hostname or ""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _visit(loaded: "LoadedCell", station: "Station", program: str, serial: str) -> "Visit | None":
    """The run that is made: with the program named, or the one that is over soonest."""
    from supervisor.stations.walk import Visit

    programs = [each for each in loaded.cell.programs if each.station == station.station]
    if program:
        known = ", ".join(sorted(each.program for each in programs)) or "none"
        programs = [each for each in programs if each.program == program]
        if not programs:
            end(INPUT_WRONG, f"expected a program of {station.station}: {known}; found {program}")
    if not programs:
        return None
    shortest: Program = min(programs, key=lambda each: (each.result_ms, each.program))
    # A number that no earlier walk had: a station may refuse a run it knows.
    return Visit(program=shortest, serial=serial, run_no=int(time.time()) % RUN_NO_MAX)


def _wiring(
    loaded: "LoadedCell", station: "Station", keys: Path, speed: float, cell: Path
) -> "Wiring":
    """The wiring that a supervisor would use, security included."""
    from supervisor.stations.adapter import Wiring
    from supervisor.stations.connection import LinkOptions
    from supervisor.stations.security import keys_in, make_ready, security_of
    from supervisor.stations.trust import KeysWrong

    ours = keys_in(keys, cell)
    try:
        make_ready(loaded.security.values(), ours)
    except KeysWrong as wrong:
        end(INPUT_WRONG, str(wrong))
    security = security_of(loaded.security[station.station], ours)
    options = LinkOptions(
        interval_ms=100 if speed == 1 else 20,
        silence_ms_max=loaded.silence_ms[station.station],
        service_level=loaded.service_level[station.station],
    )
    return Wiring(options=options, security=security, speed=speed, permit=_Ticking())


class _Ticking:
    """The permit of a walk: a person is there, so that a machine that wants its permit renewed gets it."""

    fence = 0

    def __init__(self) -> None:
        self._turns = 0

    def check(self) -> None:
        """It holds."""

    async def granted(self) -> None:
        """It holds."""

    async def turn(self) -> int:
        """A turn every so often."""
        await asyncio.sleep(TURN_S)
        self._turns += 1
        return self._turns


def _protocol(
    loaded: "LoadedCell",
    walked: "Walk",
    steps: "tuple[Step, ...]",
    began: datetime,
    by: str,
    how: str,
) -> "Protocol":
    from supervisor.stations.walk_protocol import Protocol, Subject

    station, visit, report = walked.station, walked.visit, walked.adapter.report()
    program = visit.program if visit else None
    subject = Subject(
        cell=loaded.cell.cell,
        revision=loaded.cell.digest,
        station=station.station,
        title=station.title,
        url=station.url,
        security=report.security,
        profile=station.profile,
        program=f"{program.name}, revision {program.revision}" if program else "",
        boot=report.boot,
        supervisor=f"Pointsman {version('pointsman')}",
        by=by,
        how=how,
    )
    return Protocol(
        subject=subject, began=_text(began), ended=_text(datetime.now(UTC)), steps=steps
    )


def _text(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def signer(by: str, walked: Literal["attended", "unattended"], user: str) -> str:
    """Who a protocol names as having walked the station: whoever was named, else the user, who of an unattended walk has seen nothing."""
    if by or walked == "attended":
        return by or user
    return f"nobody; an unattended run that {user} started"


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "not named"


def _write(protocol: "Protocol", folder: Path) -> Path:
    from supervisor.stations.walk_protocol import as_html, as_json

    stamp = protocol.began.replace(":", "").replace("-", "")
    name = f"acceptance-{protocol.subject.cell}-{protocol.subject.station}-{stamp}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        page = folder / f"{name}.html"
        page.write_text(as_html(protocol), encoding="utf-8")
        text = json.dumps(as_json(protocol), indent=1, ensure_ascii=False)
        (folder / f"{name}.json").write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        end(INPUT_WRONG, f"the protocol cannot be written to {folder}: {error.strerror}")
    return page


# --- who walks -----------------------------------------------------------------------------------------------------------------


def _has_read_the_notice() -> bool:
    from supervisor.stations.walk_protocol import SAFETY_NOTICE

    say(SAFETY_NOTICE)
    return typer.confirm("I have read this, and I am allowed to move this station", err=True)


class _AtTheConsole:
    """A person who is asked at the terminal; questions go to standard error."""

    async def agrees(self, question: str) -> bool:
        """Ask before something moves."""
        return await asyncio.to_thread(typer.confirm, f"{question}. Go on?", err=True)

    async def does(self, act: "Act", request: str) -> bool:
        """Ask for something, and wait until the person says that it is done."""
        said = await asyncio.to_thread(
            typer.confirm, f"Please {request}. Done? (no: it cannot be done)", err=True
        )
        return bool(said)

    def told(self, step: "Step") -> None:
        """Say how a step ended."""
        _say_step(step)


class _Nobody:
    """No person: everything may move, and what has to be done is done by a program, where one is named."""

    def __init__(self, act: str, station: "Station", visit: "Visit | None") -> None:
        self._command = shlex.split(act)
        self._told = {
            "POINTSMAN_WALK_URL": station.url,
            "POINTSMAN_WALK_STATION": station.station,
            "POINTSMAN_WALK_PART_TYPE": visit.program.part_type if visit else "",
        }

    async def agrees(self, question: str) -> bool:
        """A simulated machine harms nobody."""
        return bool(question)

    async def does(self, act: "Act", request: str) -> bool:
        """Call the program."""
        if not self._command:
            return False
        environment = {**os.environ, **self._told}
        child = await asyncio.create_subprocess_exec(
            *self._command, act, env=environment, stdout=asyncio.subprocess.DEVNULL
        )
        try:
            async with asyncio.timeout(ACT_S_MAX):
                return await child.wait() == 0
        except TimeoutError:
            child.kill()
            await child.wait()
            return False

    def told(self, step: "Step") -> None:
        """Say how a step ended."""
        _say_step(step)


def _say_step(step: "Step") -> None:
    remark: Literal[": ", ""] = ": " if step.why else ""
    say(f"{step.verdict:9}{step.title}{remark}{step.why}")


# --- browse --------------------------------------------------------------------------------------------------------------------


@verbs.command()
def browse(
    url: Annotated[str, typer.Argument(help="Address of an OPC UA server: opc.tcp://HOST:PORT.")],
    *,
    security: Annotated[
        Literal["sign-and-encrypt", "sign", "none"], typer.Option(help="As in the cell file.")
    ] = "sign-and-encrypt",
    user: Annotated[str, typer.Option(help="User name, with --secret.")] = "",
    secret: Annotated[str, typer.Option(help="Name that its password is kept under.")] = "",
    profile: Annotated[
        Path | None, typer.Option(help="File for a first profile. It must not exist.")
    ] = None,
    keys: KeysFolder = KEYS_FOLDER,
    as_json: Json = False,
) -> None:
    """Look at a server: its address space, the models in it, shipped profiles that fit; propose a first profile."""
    from supervisor.stations.browse import as_text

    if profile is not None and profile.exists():
        end(INPUT_WRONG, f"{profile} exists; a profile is never overwritten, choose another name")
    found = _surveyed(url, security, user, secret, keys)
    if profile is not None:
        from supervisor.stations.first_profile import first_profile

        profile.write_text(first_profile(found, profile.stem), encoding="utf-8")
        fits = any(not fit.why for fit in found.fits)
        say(
            f"{'No profile of your own is needed' if fits else 'A first profile with proposals'}: {profile}"
        )
    if as_json:
        import msgspec

        print_json(msgspec.to_builtins(found, enc_hook=str))
    else:
        typer.echo(as_text(found), nl=False)


def _surveyed(url: str, mode: str, user: str, secret: str, keys: Path) -> "Survey":
    from pydantic import ValidationError

    from supervisor.cell.fields import ADDRESS_REMEDY, is_address
    from supervisor.cell.security import SecurityEntry
    from supervisor.stations.browse import survey
    from supervisor.stations.link import reason
    from supervisor.stations.opcua import UaError
    from supervisor.stations.security import keys_in, make_ready, security_of
    from supervisor.stations.trouble import LinkLost
    from supervisor.stations.trust import KeysWrong
    from supervisor.stations.wire import quiet_library_log

    quiet_library_log()
    declared = {"mode": mode, "user": user or None, "secret": secret or None}
    if not is_address(url):
        end(INPUT_WRONG, f"{url}: expected an OPC UA address; {ADDRESS_REMEDY}")
    try:
        entry = SecurityEntry.model_validate({k: v for k, v in declared.items() if v})
        ours = keys_in(keys)
        make_ready([entry], ours)
        return asyncio.run(survey(url, security_of(entry, ours)))
    except (KeysWrong, ValidationError) as wrong:
        end(INPUT_WRONG, str(wrong))
    except (LinkLost, OSError, UaError, ValueError) as lost:
        end(NO, f"{url}: {reason(lost)}")
