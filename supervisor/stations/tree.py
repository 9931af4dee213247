"""An address space as browsing found it, and the namespaces of open models."""

from collections.abc import Iterator, Mapping
from typing import Any

from supervisor.cell.value import value

OPC_UA = "http://opcfoundation.org/UA/"
"""The namespace of OPC UA itself, index 0."""
MODELS: Mapping[str, str] = {
    "http://opcfoundation.org/UA/DI/": "Devices (OPC 10000-100)",
    "http://opcfoundation.org/UA/IA/": "Industrial Automation (OPC 10000-200)",
    "http://opcfoundation.org/UA/Machinery/": "Machinery (OPC 40001-1)",
    "http://opcfoundation.org/UA/Machinery/Jobs/": "Machinery job management (OPC 40001-3)",
    "http://opcfoundation.org/UA/Machinery/Result/": "Machinery result transfer (OPC 40001-101)",
    "http://opcfoundation.org/UA/ISA95-JOBCONTROL_V2/": "ISA-95 job control (OPC 10031-4)",
    "http://opcfoundation.org/UA/MachineTool/": "Machine tools (OPC 40501-1)",
    "http://opcfoundation.org/UA/GMS/": "Geometric measuring systems (OPC 40210)",
    "http://opcfoundation.org/UA/MachineVision": "Machine vision (OPC 40100-1)",
    "http://opcfoundation.org/UA/AutoID/": "AutoID (OPC 30010)",
    "http://opcfoundation.org/UA/Robotics/": "Robotics (OPC 40010-1)",
    "http://opcfoundation.org/UA/PackML/": "PackML (OPC 30050)",
}
"""Namespace URIs of open models: as their published nodesets have them."""

Steps = tuple[tuple[str, str], ...]
"""A path as (namespace URI, browse name), one after another."""


@value
class Branch:
    """A node: its path below Objects as (namespace URI, name), its class, and for a variable type, rank and value."""

    path: Steps
    kind: str
    type: str
    array: bool
    writable: bool
    shown: Any
    quality: str
    children: tuple["Branch", ...]

    @property
    def name(self) -> str:
        """Its browse name."""
        return self.path[-1][1] if self.path else "Objects"

    def below(self) -> Iterator["Branch"]:
        """Itself and everything below it."""
        yield self
        for child in self.children:
            yield from child.below()
