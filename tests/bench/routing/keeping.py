"""Figures of single runs, kept in a file, so that a long bench can be broken off and goes on where it was.

Rules of this file: one JSON object a line, appended as soon as it is known. A name says all that the figure depends on but the code; whoever
changes the code begins with an empty file.
"""

import json
from collections.abc import Callable
from pathlib import Path

Figure = dict[str, float | list[float] | str]


class Kept:
    """Figures by name."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._known: dict[str, Figure] = {}
        if path is not None and path.exists():
            lines = path.read_text("utf-8").splitlines()
            self._known = dict(json.loads(line) for line in lines)

    def of(self, name: str, work_out: Callable[[], Figure]) -> Figure:
        """The figure of this name, worked out if it is not known yet."""
        if name not in self._known:
            self._known[name] = work_out()
            if self._path is not None:
                with self._path.open("a", encoding="utf-8") as lines:
                    lines.write(json.dumps([name, self._known[name]]) + "\n")
        return self._known[name]
