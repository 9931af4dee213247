"""The lock file beside a SQLite database.

Rules of this file:
- The lock belongs to the open file, so the kernel lets go of it however the process ends. The file stays.
- A frozen process keeps its lock. Whoever takes over from it puts a locked file of its own in the place of the old one; the old lock is
  then a lock on nothing.
- It tells quickly that a cell is driven, and by whom. Who drives is decided by the lease, not here.
- Only for local disks: on a network file system a lock of this kind may hold on one machine only.
"""

import fcntl
import os
from pathlib import Path

from supervisor.store.errors import StoreError, cell_taken

TRIES_MAX = 10


class FileLock:
    """An exclusive lock on the file ``<database>.lock``."""

    def __init__(self, file: int) -> None:
        """Made by ``take_lock`` or ``replace_lock`` of an open, locked file."""
        self._file = file
        os.truncate(file, 0)
        os.pwrite(file, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let go."""
        os.close(self._file)


def take_lock(database: Path) -> FileLock:
    """Lock the cell whose database this is.

    Raises:
        StoreError: "cell-taken", or "database-unreachable" where the file cannot be made.
    """
    path = _path(database)
    for _ in range(TRIES_MAX):
        file = _opened(path)
        if not _locked(file):
            holder = os.pread(file, 20, 0).decode(errors="replace").strip() or "unknown"
            os.close(file)
            raise cell_taken(f"{database} is driven by process {holder}")
        if _is_at(file, path):
            return FileLock(file)
        os.close(file)  # somebody replaced it between opening and locking
    raise cell_taken(f"{path} changes hands all the time")


def replace_lock(database: Path) -> FileLock:
    """Put a new lock in the place of one that somebody frozen still holds. Only for who has just taken the cell by its lease.

    Raises:
        StoreError: "database-unreachable" where the file cannot be made.
    """
    path = _path(database)
    fresh = path.with_name(f"{path.name}.{os.getpid()}")
    file = _opened(fresh)
    if not _locked(file):
        raise cell_taken(f"{fresh} is locked by somebody else")
    fresh.replace(path)
    return FileLock(file)


def _path(database: Path) -> Path:
    return database.with_name(database.name + ".lock")


def _opened(path: Path) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise StoreError(
            "database-unreachable",
            f"{path} cannot be made: {error.strerror}",
            "Check that the folder exists and may be written",
        ) from error


def _locked(file: int) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _is_at(file: int, path: Path) -> bool:
    """Whether an open file is still the one that the path leads to."""
    try:
        return path.stat().st_ino == os.fstat(file).st_ino
    except FileNotFoundError:
        return False
