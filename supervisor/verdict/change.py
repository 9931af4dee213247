"""What an amendment changed, in words."""

from supervisor.cell.value import value


@value
class Change:
    """One changed field: ``field`` is "batch", "produced" or "characteristic <number>"."""

    field: str
    before: str
    after: str
