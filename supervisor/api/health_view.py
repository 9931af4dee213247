"""Whether the supervisor works, for whoever starts and watches it."""

from supervisor.api.cell_view import StepPhase
from supervisor.api.schema import Schema, shown_by


class Health(Schema):
    """Green (200) when the supervisor decides; 503 otherwise, with the reason."""

    model_config = shown_by({"step": "running", "trouble": "", "seq": 1842, "waiting": 0})

    step: StepPhase
    trouble: str
    seq: int
    waiting: int
    """Facts in the inbox that have not been decided."""
