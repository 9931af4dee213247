"""Whether this supervisor is awake and may send, for people and for whoever watches the process."""

from typing import Literal

from supervisor.api.schema import Example, Schema, shown_by
from supervisor.cell.value import value
from supervisor.shell.lag import Lag
from supervisor.shell.permit import PermitStatus

EXAMPLE: Example = {
    "fence": 17,
    "permitted": "yes",
    "permit_left_s": 1.731,
    "lease_s": 2.0,
    "lapses": 0,
    "loop_lag_s": 0.0004,
    "loop_lag_s_max": 0.0121,
    "stalls": 0,
}


@value
class Vitals:
    """What a process knows of itself.

    ``refusals`` are machines that do not let it move them, and why. ``store`` and ``clock`` are what these have to say although
    they work ("" = nothing).
    """

    permit: PermitStatus
    lag: Lag
    refusals: tuple[str, ...] = ()
    store: str = ""
    clock: str = ""


UNLEASED_VITALS = Vitals(
    permit=PermitStatus(fence=0, holds="yes", left_s=0.0, length_s=0.0, lapses=0, why=""),
    lag=Lag(now_s=0.0, longest_s=0.0, stalls=0),
)


class DriverView(Schema):
    """The supervisor that drives the cell. All times are real time."""

    model_config = shown_by(EXAMPLE)

    fence: int
    """The number that goes with each of its orders; it grows with every supervisor that takes the cell."""
    permitted: Literal["yes", "no"]
    """Whether it may send orders now: whether its lease of the cell was renewed in time."""
    permit_left_s: float
    """Until it may not, unless the lease is renewed."""
    lease_s: float
    lapses: int
    """How often the lease has run out since the start."""
    loop_lag_s: float
    """How late the event loop was just now."""
    loop_lag_s_max: float
    """How late it was at worst within the last minute."""
    stalls: int
    """How often it was late by half a second or more since the start."""


def driver_view(vitals: Vitals) -> DriverView:
    """A process's own view of itself."""
    permit, lag = vitals.permit, vitals.lag
    return DriverView(
        fence=permit.fence,
        permitted=permit.holds,
        permit_left_s=round(permit.left_s, 3),
        lease_s=permit.length_s,
        lapses=permit.lapses,
        loop_lag_s=round(lag.now_s, 4),
        loop_lag_s_max=round(lag.longest_s, 4),
        stalls=lag.stalls,
    )


def trouble_of(vitals: Vitals) -> str:
    """Why this supervisor may not send, or not to every machine, or what people should know besides ("" = all is well)."""
    permit = vitals.permit
    reasons = [each for each in (*vitals.refusals, vitals.store, vitals.clock) if each]
    if permit.holds == "no":
        reasons.insert(0, permit.why or "the lease of the cell ran out and is not renewed yet")
    return "\n".join(reasons)
