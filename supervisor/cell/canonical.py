"""A declared cell as text, so that a journal carries the declaration it was written under.

Rules of this file:
- The text is JSON; decimals are text in it, with the digits that were declared.
- The digest is the SHA-256 of the cell without its digest, keys sorted, no spaces: the same declaration has the same digest
  whatever the order of keys, comments or files.
- The digest of a kept text is that of its own keys: one that was written before a key existed stays readable, with the key's default.
"""

import hashlib
import json
from typing import Any

import msgspec

from supervisor.cell.model import Cell
from supervisor.cell.value import replace


def cell_to_json(cell: Cell) -> str:
    """The cell as canonical JSON, digest included."""
    return _canonical(msgspec.to_builtins(cell))


def cell_from_json(text: str) -> Cell:
    """The cell that ``cell_to_json`` made the text from.

    Raises:
        ValueError: the text is no cell, or its digest is not that of its content.
    """
    cell = msgspec.json.decode(text, type=Cell)
    if cell.digest != _digest(json.loads(text)):
        raise ValueError(
            f"the declaration of cell {cell.cell} was changed: its digest does not fit its content"
        )
    return cell


def with_digest(cell: Cell) -> Cell:
    """The same cell with the digest of its content."""
    return replace(cell, digest=digest_of(cell))


def digest_of(cell: Cell) -> str:
    """SHA-256 of the canonical form without the digest, as hexadecimal text."""
    return _digest(msgspec.to_builtins(cell))


def _digest(plain: dict[str, Any]) -> str:
    return hashlib.sha256(_canonical({**plain, "digest": ""}).encode()).hexdigest()


def _canonical(plain: dict[str, Any]) -> str:
    return json.dumps(plain, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
