"""The CT station: a heavy lead door, a long scan, reconstruction while the pallet leaves.

Times are our choice for a machine of this kind, not data of a real one.
"""

from simulators.models.station import Kind

CT = Kind(
    open_ms=12_000,
    close_ms=12_000,
    prepare_ms=4_000,
    abort_ms=2_000,
    pallet_leaves="before the result",
    keeps_program="no",
    gives="as drawn",
)
