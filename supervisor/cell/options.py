"""What machines may be without by their profiles: said when a cell is checked, and found out on connecting."""

from collections.abc import Mapping

from supervisor.cell.model import Cell
from supervisor.cell.profile_language import AnyProfile
from supervisor.cell.value import value


@value
class Option:
    """A node that the machines of one profile may be without, and what is then not known or not done."""

    machines: tuple[str, ...]
    node: str
    without: str

    def says(self) -> str:
        """In words for people."""
        return f"{', '.join(self.machines)}: may have no {self.node}, then {self.without}"


def options_of(cell: Cell, profiles: Mapping[str, AnyProfile]) -> tuple[Option, ...]:
    """The options of all machines, profile by profile."""
    machines = [(cell.handler.handler, cell.handler.profile)]
    machines += [(station.station, station.profile) for station in cell.stations]
    machines += [(reader.reader, reader.profile) for reader in cell.readers]
    of_profile: dict[str, list[str]] = {}
    for machine, profile in machines:
        of_profile.setdefault(profile, []).append(machine)
    return tuple(
        Option(machines=tuple(named), node=name, without=node.optional)
        for profile, named in of_profile.items()
        for name, node in profiles[profile].nodes.items()
        if node.optional is not None
    )
