"""The optical station: a quick automatic side door, many points in one go, evaluation while the pallet leaves.

Times are our choice for a machine of this kind, not data of a real one.
"""

from simulators.models.station import Kind

SCAN = Kind(
    open_ms=3_500,
    close_ms=3_500,
    prepare_ms=1_500,
    abort_ms=400,
    pallet_leaves="before the result",
    keeps_program="no",
    gives="as drawn",
)
