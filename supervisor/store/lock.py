"""Who drives a cell whose store is a SQLite file.

Rules of this file: the lock belongs to the open file, so the kernel lets go of it however the process ends. The lock file stays.
"""

import fcntl
import os
from pathlib import Path

from supervisor.store.errors import StoreError
from supervisor.store.writer import cell_taken


class FileLock:
    """An exclusive lock on the file ``<database>.lock``."""

    def __init__(self, database: Path) -> None:
        """Take it.

        Raises:
            StoreError: "cell-taken", or "database-unreachable" where the file cannot be made.
        """
        self.path = database.with_name(database.name + ".lock")
        try:
            self._file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise StoreError(
                "database-unreachable",
                f"{self.path} cannot be made: {error.strerror}",
                "Check that the folder exists and may be written",
            ) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.pread(self._file, 20, 0).decode(errors="replace").strip() or "unknown"
            os.close(self._file)
            raise cell_taken(f"{database} is driven by process {holder}") from error
        os.truncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let go."""
        os.close(self._file)
