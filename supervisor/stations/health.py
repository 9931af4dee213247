"""What a server says of its own health: its state and its service level.

Rules of this file:
- A server that says that it is not running, or that it has no data, is as good as not there: nothing that it shows counts.
- A server that is degraded is used: each of its values carries a quality of its own, and that decides.
- A service level that the cell file says to ignore is not looked at; the state always is.
- A server that says nothing of either is taken as healthy: small controllers leave both out (common practice).
- A server under maintenance is left alone for longer than others, because even an attempt is a load (OPC 10000-4 6.6.2.4.2).
"""

from typing import Any

from supervisor.stations.opcua import (
    DataValue,
    NodeId,
    content_of,
    numeric_id,
    ua,
)
from supervisor.stations.trouble import LinkLost, UnderMaintenance

STATE: NodeId = numeric_id(ua.ObjectIds.Server_ServerStatus_State)
SERVICE_LEVEL: NodeId = numeric_id(ua.ObjectIds.Server_ServiceLevel)

# OPC 10000-5 12.6
RUNNING = 0
STATES = (
    "Running",
    "Failed",
    "NoConfiguration",
    "Suspended",
    "Shutdown",
    "Test",
    "CommunicationFault",
    "Unknown",
)
# OPC 10000-4 6.6.2.4.2: 0 maintenance, 1 no data, 2 to 199 degraded, 200 to 255 healthy
MAINTENANCE, NO_DATA = 0, 1
ALWAYS = (
    "where it says so for ever and is well, write `service_level: ignored` for it in the cell file"
)


def check_state(item: DataValue) -> None:
    """Go on only with a server that is running, or that does not say.

    Raises:
        LinkLost: it says that it is in another state.
    """
    state = _whole(item)
    if state is None or state == RUNNING:
        return
    name = STATES[state] if 0 <= state < len(STATES) else str(state)
    message = f"the server says that its state is {name}, and what it shows counts only while it is Running; look at the station"
    raise LinkLost(message)


def check_service_level(item: DataValue) -> None:
    """Go on only with a server that has data, or that does not say.

    Raises:
        UnderMaintenance: it asks to be left alone.
        LinkLost: it says that it has no data.
    """
    level = _whole(item)
    if level == MAINTENANCE:
        message = f"the server says that it is under maintenance (service level 0); it is tried again now and then; {ALWAYS}"
        raise UnderMaintenance(message)
    if level == NO_DATA:
        message = (
            f"the server says that it has no data (service level 1); look at the station; {ALWAYS}"
        )
        raise LinkLost(message)


def _whole(item: DataValue) -> int | None:
    content: Any = content_of(item)
    return int(content) if isinstance(content, int) else None
