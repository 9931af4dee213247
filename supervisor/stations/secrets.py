"""Passwords and user keys, by the names that the cell file gives them.

Rules of this file:
- A secret called ``touch-1`` is the environment variable ``POINTSMAN_SECRET_TOUCH_1``, or the file ``touch-1`` in the folder for secrets.
- That folder is ``POINTSMAN_SECRETS``, or systemd's ``CREDENTIALS_DIRECTORY``; it must not lie in the cell folder, which is copied and shared.
- A secret is read when it is needed, handed to the client, and kept nowhere. No message and no log line holds one.
"""

import os
import stat
from collections.abc import Mapping
from pathlib import Path

from supervisor.stations.trust import KeysWrong

FOLDER_VARIABLES = ("POINTSMAN_SECRETS", "CREDENTIALS_DIRECTORY")
BYTES_MAX = 4_096


class Secrets:
    """Where secrets are kept."""

    def __init__(self, environment: Mapping[str, str], cell: Path | None = None) -> None:
        self._environment = environment
        self._folder = next(
            (Path(environment[name]) for name in FOLDER_VARIABLES if environment.get(name)), None
        )
        self._cell = cell

    def text(self, name: str) -> str:
        """A secret.

        Raises:
            KeysWrong: it is not there, or others can read it. The text names where it was looked for.
        """
        variable = f"POINTSMAN_SECRET_{name.upper().replace('-', '_')}"
        found = self._environment.get(variable)
        if found:
            return found
        if self._folder is None:
            message = f"the secret {name} is not known; set {variable}, or put it into a file {name} in the folder that POINTSMAN_SECRETS names"
            raise KeysWrong(message)
        return self._in_file(self.file(name), variable)

    def file(self, name: str) -> Path:
        """The file of a secret in the folder for secrets.

        Raises:
            KeysWrong: there is no such folder, or it lies in the cell folder.
        """
        if self._folder is None:
            message = f"{name} is looked for in the folder that POINTSMAN_SECRETS names, and none is named"
            raise KeysWrong(message)
        if self._cell is not None and self._folder.resolve().is_relative_to(self._cell.resolve()):
            message = f"the folder for secrets {self._folder} lies in the cell folder, which is copied and shared; move it elsewhere"
            raise KeysWrong(message)
        return self._folder / name

    def _in_file(self, path: Path, variable: str) -> str:
        try:
            with path.open("rb") as file:
                mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
                content = file.read(BYTES_MAX)
        except OSError as error:
            message = f"the secret in {path} cannot be read: {error.strerror}; put it there, or set {variable}"
            raise KeysWrong(message) from error
        if mode & 0o007:
            message = f"{path} has mode {mode:04o}: everybody on this machine can read the secret; chmod 600 it"
            raise KeysWrong(message)
        try:
            return content.decode().rstrip("\r\n")
        except UnicodeDecodeError as error:
            message = f"the secret in {path} is no UTF-8 text"
            raise KeysWrong(message) from error
