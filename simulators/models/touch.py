"""The tactile station: no door; the arm may enter while the axes are parked. Slow and accurate, values in mm only.

"Opening" is parking the axes, "closing" is taking the area back, which needs no travel to speak of. The pallet stays until the
result is there, and the program stays selected. Times are our choice for a machine of this kind, not data of a real one.
"""

from simulators.models.station import Kind

TOUCH = Kind(
    open_ms=6_000,
    close_ms=500,
    prepare_ms=1_000,
    abort_ms=1_500,
    pallet_leaves="with the result",
    keeps_program="yes",
    gives="mm",
)
