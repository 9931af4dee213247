"""Files as one archive (ZIP) with their checksums, made while it is sent.

Rules of this file:
- The last file is ``MANIFEST.sha256``: a line for each other file, as ``sha256sum --check`` reads it.
- No time of making goes in: the same files give the same bytes.
- Nothing is held but the file at hand, so that a large batch needs no more memory than a small one.
"""

import hashlib
import io
from collections.abc import Iterable, Iterator
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

MANIFEST = "MANIFEST.sha256"
_NO_TIME = (1980, 1, 1, 0, 0, 0)
_READABLE = 0o644 << 16


class _Sink(io.RawIOBase):
    """Keeps what was written until it is taken."""

    def __init__(self) -> None:
        super().__init__()
        self._written: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, content: Any, /) -> int:  # noqa: ANN401 - the form of io.RawIOBase
        taken = bytes(content)
        self._written.append(taken)
        return len(taken)

    def taken(self) -> bytes:
        written, self._written = b"".join(self._written), []
        return written


def zipped(files: Iterable[tuple[str, bytes]]) -> Iterator[bytes]:
    """The archive of named files in pieces; each name once."""
    sink = _Sink()
    lines: list[str] = []
    with ZipFile(sink, "w", ZIP_DEFLATED) as archive:
        for name, content in files:
            _add(archive, name, content)
            lines.append(f"{hashlib.sha256(content).hexdigest()}  {name}\n")
            yield sink.taken()
        _add(archive, MANIFEST, "".join(lines).encode())
    yield sink.taken()


def _add(archive: ZipFile, name: str, content: bytes) -> None:
    info = ZipInfo(name, _NO_TIME)
    info.compress_type = ZIP_DEFLATED
    info.external_attr = _READABLE
    archive.writestr(info, content)
