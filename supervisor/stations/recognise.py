"""Open models in a browsed address space: which shipped profile speaks a model, and where it stands at this server.

Rules of this file:
- A profile's model is what it addresses in the namespaces of open models. What a site adds (a door, a switch, the names of its own) says
  nothing: its names stand for any name here.
- A model is there where every node of it that the profile cannot do without is below one and the same root, with its node class, and where
  of several ways that the model leaves optional one is there whole.
- Nothing is asked of the server: it is looked up in what browsing has found.
"""

from collections.abc import Iterable, Iterator, Mapping

from supervisor.cell.profile import AnyProfile, HandlerProfile, ReaderProfile, StationProfile
from supervisor.cell.profile_address import PLACE, BrowseName, browse_path
from supervisor.cell.profile_uses import ways_needed
from supervisor.cell.shipped import shipped_names, shipped_profile
from supervisor.cell.value import value
from supervisor.stations.asking import ways_of
from supervisor.stations.tree import MODELS, OPC_UA, Branch, Steps
from supervisor.stations.wanted import (
    station_orders,
    wanted_by_handler,
    wanted_by_reader,
    wanted_by_station,
)


@value
class Recognised:
    """A shipped profile whose model stands below ``root``.

    ``found`` has for each node of the profile that is there where it stands below the root; ``missing`` the names of those that are
    not: optional ones, and what a site adds and has elsewhere. ``places`` are the browse names of the readers of tags.
    """

    profile: str
    title: str
    root: Steps
    found: Mapping[str, Steps]
    missing: tuple[str, ...]
    places: tuple[str, ...] = ()


def recognised(tree: Branch, namespaces: Iterable[str]) -> tuple[Recognised, ...]:
    """Every shipped profile whose model is there, the one that says most of the server first."""
    there = set(namespaces)
    all_found = [
        one for name in shipped_names() for one in _looked_for(shipped_profile(name), tree, there)
    ]
    return tuple(sorted(all_found, key=lambda one: (-len(one.found), one.profile, one.root)))


def _looked_for(profile: AnyProfile, tree: Branch, there: set[str]) -> Iterator[Recognised]:
    model = {prefix for prefix, uri in profile.namespaces.items() if uri in MODELS}
    if not model or not all(profile.namespaces[prefix] in there for prefix in model):
        return
    sought = _Sought(profile, model)
    for root in tree.below():
        if root.kind == "object" and (found := sought.below(root)) is not None:
            yield found


def readers_of(profile: ReaderProfile, tree: Branch) -> tuple[str, ...]:
    """The browse names of what this profile finds at a place each, all other names as it has them."""
    sought = _Sought(profile, set(profile.namespaces))
    root = tuple(
        (profile.namespaces[step.prefix] if step.prefix else OPC_UA, step.name)
        for step in browse_path(profile.root)
    )
    here = [branch for branch in tree.below() if branch.path == root]
    return sought.readers(here[0]) if here else ()


class _Sought:
    """The nodes of one profile, looked for below one root after another."""

    def __init__(self, profile: AnyProfile, model: set[str]) -> None:
        self._profile = profile
        self._model = model
        used = _used(profile)
        nodes = {name: node for name, node in profile.nodes.items() if name in used and node.path}
        self._paths = {name: browse_path(node.path or "") for name, node in nodes.items()}
        self._nodes = nodes
        self._of_model = [name for name, path in self._paths.items() if self._is_of_model(path)]
        self._needed = [name for name in self._of_model if nodes[name].optional is None]
        within = {step for name in self._of_model for step in self._paths[name]}
        self._own = {step for step in within if step.prefix and step.prefix not in model}

    def _is_of_model(self, path: tuple[BrowseName, ...]) -> bool:
        """What ends in an open model; a path through OPC UA's own names alone says nothing."""
        prefixes = [step.prefix for step in path]
        return (prefixes[-1] in self._model or not prefixes[-1]) and bool(self._model & {*prefixes})

    def below(self, root: Branch) -> Recognised | None:
        """Where the nodes stand below this root; None where the model is not there."""
        found: dict[str, Steps] = {}
        for name in sorted(self._needed):
            place = self._place(name, root)
            if place is None:
                return None
            found[name] = place
        if not found or not self._has_its_ways(root):
            return None
        others = [name for name in self._nodes if name not in found]
        places = {name: place for name in others if (place := self._place(name, root)) is not None}
        found |= places
        return Recognised(
            profile=self._profile.profile,
            title=self._profile.title,
            root=root.path,
            found=found,
            missing=tuple(name for name in self._nodes if name not in found),
            places=self.readers(root),
        )

    def _has_its_ways(self, root: Branch) -> bool:
        """Whether of what the model has several optional ways for, one is there whole: orders, and how a result is asked for."""
        profile = self._profile
        if not isinstance(profile, StationProfile):
            return True
        missing = {name for name in self._of_model if self._place(name, root) is None}
        if any(ways_needed(order, missing) for order in station_orders(profile).values()):
            return False
        asked = [set(way.methods()) for way in ways_of(profile)]
        return not asked or any(not methods & missing for methods in asked)

    def _place(self, name: str, root: Branch) -> Steps | None:
        place = next(self._places(self._paths[name], root, self._nodes[name].type), None)
        return None if place is None else place[len(root.path) :]

    def _places(self, path: tuple[BrowseName, ...], here: Branch, kind: str) -> Iterator[Steps]:
        """Everywhere that a path leads to from here, where a name of the site's stands for any."""
        if not path:
            if (here.kind == "method") == (kind == "Method"):
                yield here.path
            return
        for child in here.children:
            if self._fits(path[0], child.path[-1]):
                yield from self._places(path[1:], child, kind)

    def _fits(self, wanted: BrowseName, found: tuple[str, str]) -> bool:
        if PLACE in wanted.name or wanted in self._own:
            return True
        if wanted.prefix and wanted.prefix not in self._model:
            return found[0] not in MODELS and found[1] == wanted.name
        uri = self._profile.namespaces[wanted.prefix] if wanted.prefix else OPC_UA
        return found == (uri, wanted.name)

    def readers(self, root: Branch) -> tuple[str, ...]:
        """The browse names of what stands at a place each."""
        each = [name for name in self._needed if PLACE in (self._nodes[name].path or "")]
        names = [self._names_of_places(name, root) for name in each]
        shared = {one for one in names[0] if all(one in each for each in names)} if names else ()
        return tuple(sorted(shared))

    def _names_of_places(self, name: str, root: Branch) -> set[str]:
        """What stands where a path has ``{place}``, wherever in the path that is."""
        path = self._paths[name]
        at = next(index for index, step in enumerate(path) if PLACE in step.name)
        found = self._places(path, root, self._nodes[name].type)
        return {place[len(root.path) + at][1] for place in found}


def _used(profile: AnyProfile) -> set[str]:
    """The nodes that a link of this profile needs."""
    match profile:
        case StationProfile():
            return set(wanted_by_station(profile).nodes)
        case HandlerProfile():
            return set(wanted_by_handler(profile, len(profile.facets.jaws)).nodes)
        case ReaderProfile():
            return {name.partition("@")[0] for name in wanted_by_reader(profile, ("1",)).nodes}
