"""The floor of a cell whose machines are separate processes: a memory-mapped file with fixed slots.

Rules of this file:
- Every act of ``Floor`` runs under one advisory lock of the whole file, readers too. So there is no torn read, and of an arm that
  enters and a door that starts to close at the same moment exactly one succeeds. A process that dies lets go of the lock; what it
  had written stays, which is what a crashed machine leaves behind.
- A station slot is written by its station only, the arm slot by the handler only. A place has two writers, handler and person;
  check and change are one act, so neither overwrites the other.
- A change of a place wakes the process that shows it by a datagram to its socket. A datagram may come for nothing; none is lost,
  because one that does not fit finds the receiver with a wake-up still to read.
- Violations and truth are appended as JSON lines, one write each to a file opened for appending.
"""

import fcntl
import hashlib
import json
import mmap
import os
import socket
import struct
import time
from collections.abc import Generator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path

from simulators.models.floor import ArmFacts, Fact, Floor, StationFacts
from simulators.models.physics import Physics

HEADER = struct.Struct("<8sIIQd")
ARM = struct.Struct("<32sqBII")
STATION = struct.Struct("<32sdB")
PLACE = struct.Struct("<32s96s")
MAGIC = b"PMFLOOR1"
SLOT = 128
NAME_MAX, PALLET_MAX = 32, 96


class FloorError(ValueError):
    """The floor file cannot be used; the text says why and what to do."""


class FloorFile(Floor):
    """One process's view of the floor. ``member`` is who this process is: a station, the handler or the reader."""

    def __init__(self, path: Path, physics: Physics, *, member: str) -> None:
        self._stations = {name: (2 + n) * SLOT for n, name in enumerate(_station_names(physics))}
        first = 2 + len(self._stations)
        self._places = {name: (first + n) * SLOT for n, name in enumerate(_place_names(physics))}
        self._owners = _owners(physics)
        self._changed: set[str] = set()
        self.t0_ns, self.speed = self._check(path, path.read_bytes())
        self._names = hashlib.blake2b(str(path.resolve()).encode(), digest_size=8).hexdigest()
        self.socket = self._named_socket(path, member)
        self._file = os.open(path, os.O_RDWR)
        self._map = mmap.mmap(self._file, 0)
        self._violations = _appending(violations_path(path))
        self._told = truth_path(path)
        self._truth = _appending(self._told)

    def _check(self, path: Path, content: bytes) -> tuple[int, float]:
        slots = (*self._stations.items(), *self._places.items())
        found = [(_text(content[offset : offset + NAME_MAX]), offset) for _, offset in slots]
        if len(content) != _size(len(slots)) or found != list(slots):
            raise FloorError(f"{path}: this floor was made for another cell; delete the file")
        _, _, _, t0_ns, speed = HEADER.unpack_from(content)
        if t0_ns > time.monotonic_ns():
            raise FloorError(
                f"{path}: this floor is from before the computer was started; delete the file"
            )
        return t0_ns, speed

    def _named_socket(self, path: Path, member: str) -> socket.socket:
        named = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        try:
            named.bind(self._address(member))
        except OSError as error:
            named.close()
            raise FloorError(
                f"{path}: {member} is on this floor already; end that process first"
            ) from error
        return named

    def _address(self, member: str) -> str:
        return f"\0pointsman-floor-{self._names}-{member}"

    def close(self) -> None:
        """Let go of the file and of the name."""
        self.socket.close()
        self._map.close()
        for file in (self._file, self._violations, self._truth):
            os.close(file)

    def drain(self) -> None:
        """Read the wake-ups that have come; afterwards the floor is to be looked at."""
        with suppress(BlockingIOError):
            while True:
                self.socket.recv(16)

    def exclusive(self) -> AbstractContextManager[object]:
        """Nobody else reads or writes while this is held; it must not be taken twice."""
        return self._locked()

    @contextmanager
    def _locked(self) -> Generator[None]:
        fcntl.lockf(self._file, fcntl.LOCK_EX)
        try:
            yield
        finally:
            fcntl.lockf(self._file, fcntl.LOCK_UN)
        if self._changed:
            self._wake_owners()

    def _wake_owners(self) -> None:
        for member in sorted(self._changed):
            with suppress(BlockingIOError, ConnectionRefusedError):
                self.socket.sendto(b"!", self._address(member))
        self._changed.clear()

    def read_place(self, place: str) -> str:
        """See ``Floor``."""
        return _text(PLACE.unpack_from(self._map, self._places[place])[1])

    def write_place(self, place: str, pallet: str) -> None:
        """See ``Floor``."""
        self._write(self._places[place], PLACE.pack(place.encode(), _bounded(pallet, PALLET_MAX)))
        self._changed.add(self._owners[place])

    def read_station(self, station: str) -> StationFacts:
        """See ``Floor``."""
        _, opening, running = STATION.unpack_from(self._map, self._stations[station])
        return StationFacts(opening=opening, running=bool(running))

    def write_station(self, station: str, facts: StationFacts) -> None:
        """See ``Floor``."""
        slot = STATION.pack(station.encode(), facts.opening, facts.running)
        self._write(self._stations[station], slot)

    def read_arm(self) -> ArmFacts:
        """See ``Floor``."""
        inside, at_mm, moved, last_order, fence = ARM.unpack_from(self._map, SLOT)
        return ArmFacts(
            inside=_text(inside),
            at_mm=at_mm if moved else None,
            last_order=last_order,
            fence=fence,
        )

    def write_arm(self, facts: ArmFacts) -> None:
        """See ``Floor``."""
        moved = facts.at_mm is not None
        kept = (facts.last_order, facts.fence)
        self._write(SLOT, ARM.pack(facts.inside.encode(), facts.at_mm or 0, moved, *kept))

    def _write(self, offset: int, slot: bytes) -> None:
        """Packed beforehand: packing into the map clears it first, and who joins at that moment reads a slot without its name."""
        self._map[offset : offset + len(slot)] = slot

    def violation(self, *, at_ms: int, who: str, text: str) -> None:
        """See ``Floor``."""
        _append(self._violations, {"at_ms": at_ms, "who": who, "text": text})

    def witness(self, *, at_ms: int, who: str, fact: Fact) -> None:
        """See ``Floor``."""
        _append(self._truth, {"at_ms": at_ms, "who": who, **fact})

    def recall(self, who: str) -> list[Fact]:
        """See ``Floor``."""
        facts: list[Fact] = [json.loads(line) for line in self._told.read_text().splitlines()]
        return [fact for fact in facts if fact["who"] == who]


def create(path: Path, physics: Physics, *, speed: float) -> None:
    """Lay out an empty floor whose time begins now.

    A floor that is already there stays as it is, whoever comes first; FloorError if it runs at another speed.
    """
    names = [*_station_names(physics), *_place_names(physics)]
    data = bytearray(_size(len(names)))
    HEADER.pack_into(
        data, 0, MAGIC, len(_station_names(physics)), len(names), time.monotonic_ns(), speed
    )
    for index, name in enumerate(names):
        struct.pack_into("<32s", data, (2 + index) * SLOT, _bounded(name, NAME_MAX))
    fresh = path.with_name(f"{path.name}.{os.getpid()}")
    fresh.write_bytes(data)
    with suppress(FileExistsError):
        os.link(fresh, path)
    fresh.unlink()
    there = HEADER.unpack_from(path.read_bytes())[4]
    if there != speed:
        raise FloorError(
            f"{path}: this floor runs at speed {there:g}, not {speed:g}; give the same speed or delete it"
        )


def violations_path(floor: Path) -> Path:
    """Where violations of a floor are recorded, one JSON object per line."""
    return floor.with_name(f"{floor.name}.violations.jsonl")


def truth_path(floor: Path) -> Path:
    """Where the truth about a floor is recorded, one JSON object per line."""
    return floor.with_name(f"{floor.name}.truth.jsonl")


def remove(path: Path) -> None:
    """Clear a floor and its records away; no process may use it any more."""
    for file in (path, violations_path(path), truth_path(path)):
        file.unlink(missing_ok=True)


def _station_names(physics: Physics) -> list[str]:
    return sorted(entry.station for entry in physics.stations)


def _place_names(physics: Physics) -> list[str]:
    return sorted((*physics.at_mm, *physics.jaws))


def _owners(physics: Physics) -> dict[str, str]:
    owners = dict.fromkeys(physics.at_mm, physics.reader.reader)
    owners |= {entry.station: entry.station for entry in physics.stations}
    return owners | dict.fromkeys(physics.jaws, physics.handler.handler)


def _size(slots: int) -> int:
    return (2 + slots) * SLOT


def _text(field: bytes) -> str:
    return field.rstrip(b"\0").decode()


def _bounded(text: str, size: int) -> bytes:
    data = text.encode()
    if len(data) > size:
        raise FloorError(f"{text!r}: expected at most {size} bytes")
    return data


def _appending(path: Path) -> int:
    return os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)


def _append(file: int, entry: Fact) -> None:
    os.write(file, json.dumps(entry, separators=(",", ":")).encode() + b"\n")
