"""Pointsman supervises one automated inspection cell."""

if not __debug__:
    raise ImportError(
        "Pointsman does not run with assertions switched off: they state the invariants of the cell. "
        "Start it without -O, and unset PYTHONOPTIMIZE."
    )
