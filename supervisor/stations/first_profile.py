"""A first profile, proposed from what browsing found: something to correct instead of an empty page.

Rules of this file:
- Every proposal is marked as one, with the reason. Nothing proposed is ever used without a person: what is missing is left out, so that
  `pointsman check` refuses the profile until somebody has completed it.
- Where a shipped profile fits, that is the proposal. Where the model that it speaks is there under other names, the proposal extends it and
  states only what differs, so that facets and orders are those of the model. Guessing from names is for what nobody has a profile for.
"""

import json
import re
from collections.abc import Iterator

from supervisor.cell.profile import AnyProfile
from supervisor.cell.profile_address import PLACE
from supervisor.cell.shipped import shipped_profile
from supervisor.stations.browse import Survey
from supervisor.stations.recognise import Recognised
from supervisor.stations.tree import MODELS, OPC_UA, Branch, Steps

FACETS: dict[str, tuple[str, ...]] = {
    "mode": ("operationmode", "mode", "automatic"),
    "door": ("doorstate", "door", "gate", "cover"),
    "nest": ("nest", "occupied", "partpresent", "seat", "loadstatus"),
    "work": ("workstate", "work", "jobstate", "currentstate", "state", "status"),
}
ORDERS: dict[str, tuple[str, ...]] = {
    "open_door": ("opendoor", "dooropen", "open"),
    "close_door": ("closedoor", "doorclose", "close"),
    "prepare": ("preparerecipe", "prepare", "selectprogram", "load", "store"),
    "start": ("startsinglejob", "start", "run"),
    "abort": ("abort", "stop", "cancel"),
    "acknowledge": ("acknowledge", "confirm", "clear"),
    "clear_fault": ("clearfault", "reset"),
}
ECHOES: dict[str, tuple[str, ...]] = {
    "run": ("runid", "jobid", "measid", "joborderid"),
    "serial": ("serial", "partid"),
    "program": ("program", "recipe"),
    "counter": ("count", "counter"),
}
_PLAIN = re.compile(r"[^a-z]")


def first_profile(found: Survey, name: str) -> str:
    """The text of the profile, YAML.

    Where a shipped profile fits, it extends nothing and repeats nothing: it says to use that one. Where a model was recognised, it extends
    the profile that speaks it.
    """
    fitting = [fit for fit in found.fits if not fit.why]
    if fitting:
        return (
            f"# Proposal: no profile of your own is needed. The shipped profile {fitting[0].profile} fits ({fitting[0].title}):\n"
            f"# every node was found at {found.url}, with its type. Write into cell.yaml:\n"
            f"#   profile: {fitting[0].profile}\n"
        )
    lines = extending(found, found.recognised[0], name) if found.recognised else _guessed(found, name)  # fmt: skip
    return "\n".join(lines) + "\n"


def extending(found: Survey, model: Recognised, name: str) -> Iterator[str]:
    """A profile that extends the one whose model was recognised, and states where it stands here."""
    profile = shipped_profile(model.profile)
    prefixes = _prefixes(profile, model)
    yield f"# A first profile, proposed from what was found at {found.url}: the model of the shipped profile {model.profile}"
    yield f"# ({model.title}). Its facets and orders hold; stated here is where it stands, and what is still to be said."
    yield from (f"# It has no {one}: {why}" for one, why in _without(profile, model))
    if model.places:
        yield f"# Readers were found for the places {', '.join(model.places)}. The cell has to call its places so."
    yield f"profile: {name}"
    yield f"extends: {model.profile}"
    yield f"title: {name}  # proposal"
    yield "namespaces:"
    yield from (f"  {prefix}: {json.dumps(uri)}" for uri, prefix in prefixes.items() if prefix)
    if model.root:
        yield f"root: {json.dumps(_written(model.root, prefixes))}"
    stated = dict(_differing(profile, model, prefixes))
    asked = [one for one in model.missing if profile.nodes[one].optional is None]
    if stated or asked:
        yield "nodes:" if stated else "# nodes:"
    yield from (f"  {one}: {json.dumps(node)}  # found here" for one, node in stated.items())
    for one in asked:
        yield f'  # {one}: {{path: "?", type: {profile.nodes[one].type}}}  # not in the model and not found: say where it stands here'


def _prefixes(profile: AnyProfile, model: Recognised) -> dict[str, str]:
    """The prefix of each namespace: as the profile has them; the site's own stands for the one that the names here are of."""
    prefixes = {uri: prefix for prefix, uri in profile.namespaces.items() if uri in MODELS}
    steps = [*model.root, *(step for place in model.found.values() for step in place)]
    own = dict.fromkeys(uri for uri, _ in steps if uri not in MODELS and uri != OPC_UA)
    site = [prefix for prefix, uri in profile.namespaces.items() if uri not in MODELS]
    names = [*site, *(f"n{number}" for number in range(1, len(own) + 1))]
    return {OPC_UA: "", **prefixes, **dict(zip(own, names, strict=False))}


def _differing(
    profile: AnyProfile, model: Recognised, prefixes: dict[str, str]
) -> Iterator[tuple[str, dict[str, str]]]:
    """The nodes that stand elsewhere than the profile says, as they are to be stated."""
    for one, place in model.found.items():
        node = profile.nodes[one]
        path = _written(place, prefixes)
        if path != node.path and PLACE not in (node.path or ""):
            stated = {"path": path, "type": node.type}
            yield one, stated | ({} if node.optional is None else {"optional": node.optional})


def _without(profile: AnyProfile, model: Recognised) -> Iterator[tuple[str, str]]:
    for one in model.missing:
        why = profile.nodes[one].optional
        if why is not None:
            yield one, why


def _written(steps: Steps, prefixes: dict[str, str]) -> str:
    return "/".join(f"{prefixes[uri]}:{name}" if prefixes[uri] else name for uri, name in steps)


def _guessed(found: Survey, name: str) -> Iterator[str]:
    prefixes = {uri: f"n{number}" for number, uri in enumerate(found.namespaces[1:], 1)}
    branches = [b for b in found.tree.below() if b.path and b.path[-1][0] in prefixes]
    facets = _best(FACETS, branches, "variable")
    echoes = _best(ECHOES, branches, "variable")
    orders = _best(ORDERS, branches, "method")
    yield f"# A first profile, proposed from what was found at {found.url}."
    yield '# Each line marked "proposal" is a guess from a name. Check it against the manual of the station, then against the station:'
    yield "# pointsman check CELL, pointsman walk CELL STATION. What was not found is left out and has to be completed."
    yield f"profile: {name}"
    yield "kind: station"
    yield f"title: {name}  # proposal"
    yield "namespaces:"
    for uri, prefix in prefixes.items():
        yield f"  {prefix}: {json.dumps(uri)}"
    yield "nodes:"
    for title, branch in {**facets, **echoes, **orders}.items():
        yield f"  {title}: {{path: {json.dumps(_path(branch, prefixes))}, type: {_type(branch)}}}  # proposal: {_reason(branch)}"
    yield "facets:"
    for facet in FACETS:
        yield from _facet(facet, facets.get(facet))
    yield "echoes:"
    for echo in ECHOES:
        yield f"  {echo}: {echo}  # proposal" if echo in echoes else f"  # {echo}: nothing found"
    yield "orders:"
    for order in ORDERS:
        yield from _order(order, orders.get(order))
    yield "# results: say in which form they come, see docs/reference/profile-language.md"


def _best(
    words: dict[str, tuple[str, ...]], branches: list[Branch], kind: str
) -> dict[str, Branch]:
    """For each title the node whose name says it best; a node is proposed once."""
    taken: set[tuple[tuple[str, str], ...]] = set()
    best: dict[str, Branch] = {}
    for title, names in words.items():
        ranked = sorted(
            (rank, len(branch.path), branch.path, branch)
            for branch in branches
            if branch.kind == kind
            and branch.path not in taken
            and (rank := _rank(branch, names)) < len(names) * 3
        )
        if ranked:
            best[title] = ranked[0][3]
            taken.add(ranked[0][2])
    return best


def _rank(branch: Branch, names: tuple[str, ...]) -> int:
    """How well a name says it: the same word, the word within it, the word in the name of what holds it. Less is better."""
    own = _PLAIN.sub("", branch.name.lower())
    holder = _PLAIN.sub("", branch.path[-2][1].lower()) if len(branch.path) > 1 else ""
    for number, name in enumerate(names):
        if own == name or holder + own == name:
            return number
    for number, name in enumerate(names):
        if name in own:
            return len(names) + number
        if name in holder and branch.kind == "variable":
            return 2 * len(names) + number
    return 3 * len(names)


def _path(branch: Branch, prefixes: dict[str, str]) -> str:
    return "/".join(
        f"{prefixes[uri]}:{name}" if uri in prefixes else name for uri, name in branch.path
    )


def _type(branch: Branch) -> str:
    if branch.kind == "method":
        return "Method"
    return f"{branch.type}[]" if branch.array else branch.type


def _reason(branch: Branch) -> str:
    if branch.kind == "method":
        return f"a method called {branch.name}"
    return f"a variable called {branch.name}; it shows {str(branch.shown)[:40]!r}"


def _facet(facet: str, branch: Branch | None) -> Iterator[str]:
    if branch is None:
        yield f"  # {facet}: nothing found"
        return
    yield f"  {facet}:  # proposal"
    yield f"    node: {facet}"
    if branch.type == "Boolean":
        yes, no = {"nest": ("occupied", "empty"), "door": ("open", "closed"), "mode": ("automatic", "manual")}.get(facet, ("running", "idle"))  # fmt: skip
        yield f"    truth: {{true: {yes}, false: {no}}}  # proposal: which way round?"
    elif branch.type in ("String", "LocalizedText"):
        yield f"    texts: {{{json.dumps(str(getattr(branch.shown, 'Text', branch.shown)))}: unknown}}  # proposal: what it shows now; say what each text means"
    else:
        yield f"    codes: {{{_code(branch)}: unknown}}  # proposal: what it shows now; say what each code means"


def _code(branch: Branch) -> int:
    return branch.shown if isinstance(branch.shown, int) else 0


def _order(order: str, branch: Branch | None) -> Iterator[str]:
    if branch is None:
        yield f"  {order}: not supported  # proposal: no method found; it may be a write or a pulse"
        return
    yield f"  {order}:  # proposal; give its arguments and what it answers"
    yield "    by: call"
    yield f"    node: {order}"
    yield "    limit_s: 10  # proposal"
