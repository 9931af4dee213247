"""What a server offers: its address space as a tree, the models in it, and shipped profiles that fit.

Rules of this file:
- Browsing only reads. It has limits, and says where it stopped; the server's own part (``Server``) and types are left out.
- A model is recognised by its namespace URI and by nothing else: indices mean nothing, names repeat.
- A shipped profile fits where every one of its nodes is found and is of its type: that is asked of the server, not guessed.
"""

from collections.abc import AsyncIterator, Iterator
from typing import Any

from supervisor.cell.profile import AnyProfile, HandlerProfile, ReaderProfile, StationProfile
from supervisor.cell.shipped import shipped_names, shipped_profile
from supervisor.cell.value import value
from supervisor.stations.facts import ServerFacts, chunks, read_facts
from supervisor.stations.opcua import NodeId, content_of, numeric_id, plain_id, ua, written
from supervisor.stations.recognise import Recognised, readers_of, recognised
from supervisor.stations.resolve import Wanted, resolve
from supervisor.stations.security import Security
from supervisor.stations.structures import TypeBook
from supervisor.stations.tree import MODELS, Branch
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wanted import wanted_by_handler, wanted_by_reader, wanted_by_station
from supervisor.stations.wire import Session

NODES_MAX = 5_000
DEPTH_MAX = 12
VALUE_CHARACTERS_MAX = 60
SESSION_MS = 30_000
_SKIPPED = (numeric_id(ua.ObjectIds.Server), numeric_id(ua.ObjectIds.TypesFolder))
_CLASSES = {ua.NodeClass.Object: "object", ua.NodeClass.Variable: "variable", ua.NodeClass.Method: "method"}  # fmt: skip


@value
class Fit:
    """A shipped profile as it is, with so many of its nodes at the server, and whether it fits ("" = it does, or why it does not)."""

    profile: str
    title: str
    why: str
    nodes: int = 0


@value
class Survey:
    """What was found. ``models`` pairs each recognised namespace URI with its name; ``cut`` says that there is more ("" = no).

    ``fits`` and ``recognised`` begin with the profile that says most of the server.
    """

    url: str
    security: str
    boot: str
    namespaces: tuple[str, ...]
    models: tuple[tuple[str, str], ...]
    fits: tuple[Fit, ...]
    recognised: tuple[Recognised, ...]
    tree: Branch
    cut: str


async def survey(url: str, security: Security) -> Survey:
    """Look at a server.

    Raises:
        LinkLost, OSError, TimeoutError, UaError: it cannot be looked at.
    """
    session = Session(url, security, timeout_ms=SESSION_MS)
    try:
        await session.open()
        facts = await read_facts(session, health="whatever")
        browser = _Browser(session, facts)
        tree = await browser.tree()
        return Survey(
            url=url,
            security=security.words,
            boot=facts.boot,
            namespaces=facts.namespaces,
            models=tuple((uri, MODELS[uri]) for uri in facts.namespaces if uri in MODELS),
            fits=await _fits(session, facts, tree),
            recognised=recognised(tree, facts.namespaces),
            tree=tree,
            cut=browser.cut,
        )
    finally:
        await session.close(1.0)


async def _fits(session: Session, facts: ServerFacts, tree: Branch) -> tuple[Fit, ...]:
    """Shipped profiles whose namespaces the server has, and whether their nodes are there; the one with the most nodes first."""
    fits = [fit async for fit in _tried(session, facts, tree)]
    return tuple(sorted(fits, key=lambda fit: (fit.why != "", -fit.nodes, fit.profile)))


async def _tried(session: Session, facts: ServerFacts, tree: Branch) -> AsyncIterator[Fit]:
    for name in shipped_names():
        profile = shipped_profile(name)
        if not set(profile.namespaces.values()) <= set(facts.namespaces):
            continue
        wanted = _wanted(profile, tree)
        if wanted is None:
            continue
        try:
            found = await resolve(session, facts, wanted, TypeBook())
        except LinkLost as lost:
            yield Fit(profile=profile.profile, title=profile.title, why=str(lost))
        else:
            nodes = len(found.found)
            yield Fit(profile=profile.profile, title=profile.title, why="", nodes=nodes)


def _wanted(profile: AnyProfile, tree: Branch) -> Wanted | None:
    """What a profile needs; None for one of a tag reader that finds no reader."""
    match profile:
        case StationProfile():
            return wanted_by_station(profile)
        case HandlerProfile():
            return wanted_by_handler(profile, len(profile.facets.jaws))
        case ReaderProfile():
            places = readers_of(profile, tree)
            return wanted_by_reader(profile, places) if places else None


class _Browser:
    """One walk over the address space, level by level."""

    def __init__(self, session: Session, facts: ServerFacts) -> None:
        self._session = session
        self._facts = facts
        self._types: dict[NodeId, str] = {}
        self._seen: set[NodeId] = set()
        self.cut = ""

    async def tree(self) -> Branch:
        return await self._branch(numeric_id(ua.ObjectIds.ObjectsFolder), (), "object")

    async def _branch(self, node: NodeId, path: tuple[tuple[str, str], ...], kind: str) -> Branch:
        self._seen.add(node)
        described = await self._variable(node) if kind == "variable" else ("", False, False, None, "good")  # fmt: skip
        children: list[Branch] = []
        if len(path) >= DEPTH_MAX:
            self.cut = f"below {path[-1][1]}, {DEPTH_MAX} levels deep"
        elif kind != "method":
            (references,) = await self._session.children([node])
            for reference in references:
                child = plain_id(reference.NodeId)
                if child in _SKIPPED or reference.NodeClass not in _CLASSES:
                    continue
                if child in self._seen and reference.NodeClass != ua.NodeClass.Method:
                    continue  # only a method stands in several places: those of one type may share it
                if len(self._seen) >= NODES_MAX:
                    self.cut = f"after {NODES_MAX} nodes"
                    break
                name: Any = reference.BrowseName
                step = (self._facts.namespaces[int(name.NamespaceIndex)], str(name.Name))
                children.append(
                    await self._branch(child, (*path, step), _CLASSES[reference.NodeClass])
                )
        of_type, array, writable, shown, quality = described
        return Branch(
            path=path,
            kind=kind,
            type=of_type,
            array=array,
            writable=writable,
            shown=shown,
            quality=quality,
            children=tuple(children),
        )

    async def _variable(self, node: NodeId) -> tuple[str, bool, bool, Any, str]:
        ids = ua.AttributeIds
        wanted = [(node, ids.DataType), (node, ids.ValueRank), (node, ids.UserAccessLevel), (node, ids.Value)]  # fmt: skip
        found = [
            item
            for chunk in chunks(wanted, self._facts.limits["read"])
            for item in await self._session.read(chunk)
        ]
        data_type, rank, access, content = found
        level = content_of(access) or 0
        status = content.StatusCode
        quality = "good" if status is None or status.is_good() else status.name
        return (
            await self._type(content_of(data_type)),
            isinstance(shape := content_of(rank), int) and shape >= 0,
            bool(level & 2),  # CurrentWrite (OPC 10000-3, AccessLevelType)
            content_of(content),
            quality,
        )

    async def _type(self, data_type: NodeId | None) -> str:
        """The name of a data type, as profiles write it; the nearest built-in one for enumerations and structures."""
        if data_type is None:
            return "unknown"
        if data_type not in self._types:
            self._types[data_type] = await self._type_name(data_type)
        return self._types[data_type]

    async def _type_name(self, data_type: NodeId) -> str:
        here: NodeId | None = data_type
        for _ in range(DEPTH_MAX):
            if here is None:
                break
            if here.NamespaceIndex == 0 and isinstance(here.Identifier, int):
                if here.Identifier == ua.ObjectIds.Enumeration:
                    return "Enumeration"
                if here.Identifier == ua.ObjectIds.Structure:
                    return "Structure"
                if here.Identifier <= ua.VariantType.LocalizedText.value:
                    return ua.VariantType(here.Identifier).name
            (here,) = await self._session.supertypes([here])
        return "unknown"


# --- for people ------------------------------------------------------------------------------------------------------------------


def as_text(found: Survey) -> str:
    """The survey for people: what it is, which models, which shipped profiles fit, and the tree."""
    lines = [f"{found.url}: {found.security}, server started {found.boot}"]
    lines += [f"  model {name}: {uri}" for uri, name in found.models]
    others = [uri for uri in found.namespaces[1:] if uri not in MODELS]
    lines += [f"  own namespace {uri}" for uri in others]
    for fit in found.fits:
        lines.append(f"  shipped profile {fit.profile}: {fit.why or 'fits, every node is there'}")
    for one in found.recognised:
        where = "/".join(name for _, name in one.root) or "Objects"
        lines.append(f"  model of the shipped profile {one.profile} recognised at {where}")
    lines += _tree_lines(found.tree, found.namespaces, 0)
    if found.cut:
        lines.append(f"There is more: browsing ended {found.cut}.")
    return "\n".join(lines) + "\n"


def _tree_lines(branch: Branch, namespaces: tuple[str, ...], depth: int) -> Iterator[str]:
    indent = "  " * depth
    if branch.kind == "variable":
        rank = "[]" if branch.array else ""
        access = ", can be written" if branch.writable else ""
        shown = written(branch.shown)[:VALUE_CHARACTERS_MAX]
        quality = "" if branch.quality == "good" else f" ({branch.quality})"
        yield f"{indent}{branch.name}: {branch.type}{rank} = {shown}{quality}{access}"
    else:
        yield f"{indent}{branch.name}{'()' if branch.kind == 'method' else ''}"
    for child in branch.children:
        yield from _tree_lines(child, namespaces, depth + 1)
