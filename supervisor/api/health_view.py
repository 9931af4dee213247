"""Whether the supervisor works, for whoever starts and watches it."""

from typing import Literal

from supervisor.api.cell_view import StepPhase
from supervisor.api.driver_view import EXAMPLE, DriverView
from supervisor.api.schema import Schema, shown_by


class Health(Schema):
    """Green (200) when the supervisor decides and may send; 503 otherwise, with the reason."""

    model_config = shown_by(
        {"step": "running", "trouble": "", "seq": 1842, "waiting": 0, "driver": EXAMPLE}
    )

    step: StepPhase
    trouble: str
    seq: int
    waiting: int
    """Facts in the inbox that have not been decided."""
    driver: DriverView


class Life(Schema):
    """The process answers."""

    model_config = shown_by({"role": "driving"})

    role: Literal["driving", "standing by"]
    """Whether it drives the cell, or waits until whoever does is gone."""
