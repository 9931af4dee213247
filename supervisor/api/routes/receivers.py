"""Who is told what happens, and whether they take it."""

from fastapi import APIRouter

from supervisor.api.inside import Inside
from supervisor.api.schema import Instant, Schema, instant_or_none, shown_by

router = APIRouter(prefix="/receivers", tags=["receivers"])


class ReceiverView(Schema):
    """A declared receiver of messages."""

    model_config = shown_by(
        {
            "receiver": "mes",
            "told_seq": 1842,
            "behind": 0,
            "failing_since": None,
            "why": "",
        }
    )

    receiver: str
    told_seq: int
    """The last journal entry that it was told of. Entries that it does not want to know of are not counted."""
    behind: int
    """Entries since then, whether it wants to know of them or not."""
    failing_since: Instant | None
    """Since when it takes no message; none is lost."""
    why: str


@router.get("")
async def list_receivers(inside: Inside) -> list[ReceiverView]:
    """Every declared receiver of messages, and how far it was told."""
    head = inside.lookout.head().seq
    return [
        ReceiverView(
            receiver=each.receiver,
            told_seq=each.seq,
            behind=max(0, head - each.seq),
            failing_since=instant_or_none(each.failing_since_ms),
            why=each.why,
        )
        for each in inside.receivers()
    ]
